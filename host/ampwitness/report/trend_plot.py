"""The picture of hours and days: level, supply, clipping, temperatures and typed readings, losses. Measures nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ampwitness.finding_list import FindingList
from ampwitness.report.plots import draw_bars, new_figure, plot_style, set_margins
from ampwitness.report.style import LANE_STYLES, role_colour
from ampwitness.types import Analysis, Finding, FloatArray

_LEAST_ROWS = 10
_LEAST_HOURS = 3  # a shorter recording is drawn in minutes
_MARKERS = "osD^v"


class _Unit(NamedTuple):
    """In what time is told along the axis."""

    name: str
    seconds: float


_HOUR, _MINUTE = _Unit("hours", 3600.0), _Unit("minutes", 60.0)


def draw_trends(analysis: Analysis) -> Figure | None:
    """Levels by the minute (or longer) on one axis; None for a recording too short to show a trend."""
    table = analysis.summary.get("trends", {}).get("table")
    if not isinstance(table, Mapping) or len(table.get("output_v", ())) < _LEAST_ROWS:
        return None
    board = analysis.summary.get("board", {})
    findings = FindingList.of(analysis.findings)
    readings = findings.of_kind("reading")
    rows = [kind for kind, is_there in (
        ("output", _has(table, "output_v")),
        ("supply", _has(table, "supply_v")),
        ("ceiling", _has(table, "positive_ceiling_v") or _has(table, "negative_ceiling_v")),
        ("clipped", any(value for value in table.get("clipped_percent", ()) if value)),
        ("sag", _has(table, "sag_v")),
        ("readings", bool(readings) or any(v is not None for v in board.get("die_c", ()))),
        ("lost", any(table.get("lost_s", ()))),
    ) if is_there]  # fmt: skip
    if not rows:
        return None
    with mpl.rc_context(plot_style()):
        figure = new_figure(0.7 + 1.45 * len(rows), layout=None)
        all_axes = figure.subplots(len(rows), 1, sharex=True, squeeze=False)[:, 0]
        n, step_s = len(table["output_v"]), float(table["step_s"])
        unit = _HOUR if n * step_s > _LEAST_HOURS * 3600 else _MINUTE
        for axes, kind in zip(all_axes, rows, strict=True):
            _draw_row(axes, kind, unit, table, board, readings)
        for finding in findings.of_kind("drift"):
            style = LANE_STYLES["drift"]
            start, stop = finding.start_s / unit.seconds, finding.stop_s / unit.seconds
            all_axes[0].axvspan(start, stop, facecolor=style.colour, alpha=0.25, hatch=style.hatch, edgecolor="grey")
            all_axes[0].annotate(
                word_drift(finding), (start, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
                textcoords="offset points", va="bottom", fontsize=9,
                ha="left" if start < 0.7 * n * step_s / unit.seconds else "right",
            )  # fmt: skip
        all_axes[-1].set_xlabel(f"time in the recording ({unit.name})")
        all_axes[-1].set_xlim(0.0, n * step_s / unit.seconds)
        set_margins(figure, all_axes.tolist(), top_in=0.24, left_in=1.08, label_lines=2)  # a drift's words stand on top
        return figure


def word_drift(finding: Finding) -> str:
    """`-0.36 dB from 1:57 h (+-10 min) to 4:02 h`, the doubt with 95 %."""
    change_db, doubt_s = finding.measured.get("change_db"), finding.measured.get("start_uncertainty_s")
    size = f"{change_db:+.2f} dB " if isinstance(change_db, int | float) else ""
    doubt = f" (+-{2 * doubt_s / 60:.0f} min)" if isinstance(doubt_s, int | float) else ""
    return f"{size}from {_clock(finding.start_s)}{doubt} to {_clock(finding.stop_s)} h"


def _clock(time_s: float) -> str:
    hours, minutes = divmod(round(time_s / 60), 60)
    return f"{hours}:{minutes:02d}"


def _draw_row(
    axes: Axes,
    kind: str,
    unit: _Unit,
    table: Mapping[str, Any],
    board: Mapping[str, Any],
    readings: Sequence[Finding],
) -> None:
    width = float(table["step_s"]) / unit.seconds
    times = (np.arange(len(table["output_v"])) + 0.5) * width
    if kind == "output":
        axes.plot(times, _column(table, "output_v"), color=role_colour("output"), linewidth=1.1)
        axes.set_ylabel("output\n(V rms)")
    elif kind == "supply":
        axes.fill_between(times, _column(table, "supply_lowest_v"), _column(table, "supply_highest_v"),
                          color=role_colour("supply"), alpha=0.3, linewidth=0)  # fmt: skip
        axes.plot(times, _column(table, "supply_v"), color=role_colour("supply"), linewidth=1.1)
        axes.set_ylabel("supply (V)")
    elif kind == "ceiling":
        for side, marker in (("positive", "^"), ("negative", "v")):
            axes.plot(times, np.abs(_column(table, f"{side}_ceiling_v")), linestyle="none", marker=marker, markersize=4,
                      color=LANE_STYLES["clip"].colour, label=side)  # fmt: skip
        axes.legend(loc="best", fontsize=8, frameon=False, ncols=2)
        axes.set_ylabel("ceiling (V)")
    elif kind == "clipped":
        _draw_heights(axes, times, width, _column(table, "clipped_percent"), LANE_STYLES["clip"].colour)
        axes.set_ylabel("clipped\n(% of time)")
    elif kind == "sag":
        axes.plot(times, _column(table, "sag_v"), linestyle="none", marker="o", markersize=3, color="black")
        axes.set_ylabel("sag under\nnotes (V)")
    elif kind == "readings":
        _draw_readings(axes, unit, board, readings)
    else:
        _draw_heights(axes, times, width, _column(table, "lost_s"), LANE_STYLES["gap"].colour)
        axes.set_ylabel("lost (s)")


def _draw_heights(axes: Axes, middles: FloatArray, width: float, heights: FloatArray, colour: str) -> None:
    """A bar a minute from 0 up; none where nothing is known."""
    sides = (middles - width / 2, middles + width / 2, np.zeros(len(middles)), np.nan_to_num(heights))
    draw_bars(axes, *sides, facecolor=colour, linewidth=0)
    axes.set_ylim(bottom=0.0)


def _draw_readings(axes: Axes, unit: _Unit, board: Mapping[str, Any], readings: Sequence[Finding]) -> None:
    die_c = np.array([np.nan if v is None else v for v in board.get("die_c", ())], dtype=float)
    if np.isfinite(die_c).any():
        times = (np.arange(len(die_c)) + 0.5) * float(board["step_s"]) / unit.seconds
        axes.plot(times, die_c, color="black", linewidth=0.9, label="logger's chip (°C)")
    names = list(dict.fromkeys(str(f.measured.get("name")) for f in readings))
    for number, name in enumerate(names):
        chosen = [f for f in readings if f.measured.get("name") == name]
        of = next((str(f.measured["unit"]) for f in chosen if f.measured.get("unit")), "")
        axes.plot([f.start_s / unit.seconds for f in chosen], [float(f.measured["value"] or 0.0) for f in chosen],
                  marker=_MARKERS[number % len(_MARKERS)], markerfacecolor="white", linewidth=0.8, linestyle=":",
                  label=f"{name} ({of})" if of else name)  # fmt: skip
    axes.legend(loc="best", fontsize=8, frameon=False, ncols=3)
    axes.set_ylabel("readings")


def _column(table: Mapping[str, Any], name: str) -> FloatArray:
    values = table.get(name) or [None] * len(table["output_v"])
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def _has(table: Mapping[str, Any], name: str) -> bool:
    return any(value is not None for value in table.get(name, ()))
