"""The picture of headroom: a bar a passage, as long as it lasts and as high as its tightest crest allowed."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from ampwitness.report.plots import draw_bars, new_figure, plot_style, set_margins
from ampwitness.report.style import role_colour
from ampwitness.report.time_axis import label_time
from ampwitness.types import Analysis

MOST_WITH_DOUBT = 150  # passages; the doubts of more would lie on one another


def draw_headroom(analysis: Analysis) -> Figure | None:
    """Headroom of each unclipped passage over time, with twice its standard uncertainty; None where none is known."""
    headroom = (analysis.summary.get("clipping") or {}).get("headroom") or {}
    rows = [row for row in headroom.get("passages") or () if row[2] is not None]
    if not rows:
        return None
    start_s, stop_s, room_db, sd_db = np.array([row[:4] for row in rows], dtype=float).T
    with mpl.rc_context(plot_style()):
        figure = new_figure(2.4, layout=None)
        axes = figure.subplots()
        draw_bars(axes, start_s, stop_s, np.zeros(len(rows)), room_db, facecolor=role_colour("output"), alpha=0.35,
                  edgecolor="white", linewidth=0.4)  # fmt: skip
        is_few = len(rows) <= MOST_WITH_DOUBT
        axes.errorbar((start_s + stop_s) / 2, room_db, yerr=2 * sd_db if is_few else None, linestyle="none",
                      marker="_", color="black", elinewidth=1.0, markersize=5 if is_few else 2)  # fmt: skip
        axes.set_ylim(bottom=0.0)
        last_s = max(analysis.duration_s, float(stop_s.max()))
        axes.set_xlim(0.0, last_s)
        axes.set_ylabel("headroom (dB)")
        label_time(axes, 0.0, last_s)
        set_margins(figure, [axes], top_in=0.10)
        return figure
