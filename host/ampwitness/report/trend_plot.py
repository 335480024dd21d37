"""The picture of hours and days: level, supply, clipping, temperatures and typed readings, losses. Measures nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ampwitness.finding_list import FindingList
from ampwitness.report.plots import new_figure, plot_style
from ampwitness.report.style import LANE_STYLES, role_colour
from ampwitness.types import Analysis, Finding, FloatArray

_LEAST_ROWS = 10
_MARKERS = "osD^v"


def draw_trends(analysis: Analysis) -> Figure | None:
    """Levels by the minute (or longer) on one axis of hours; None for a recording too short to show a trend."""
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
        figure = new_figure(0.7 + 1.45 * len(rows))
        all_axes = figure.subplots(len(rows), 1, sharex=True, squeeze=False)[:, 0]
        hours = (np.arange(len(table["output_v"])) + 0.5) * float(table["step_s"]) / 3600
        for axes, kind in zip(all_axes, rows, strict=True):
            _draw_row(axes, kind, hours, table, board, readings)
        for finding in findings.of_kind("drift"):
            style = LANE_STYLES["drift"]
            all_axes[0].axvspan(finding.start_s / 3600, finding.stop_s / 3600, facecolor=style.colour, alpha=0.25,
                                hatch=style.hatch, edgecolor="grey")  # fmt: skip
        all_axes[-1].set_xlabel("time in the recording (hours)")
        all_axes[-1].set_xlim(0.0, max(float(hours[-1]) + float(table["step_s"]) / 7200, 1e-3))
        figure.align_ylabels(list(all_axes))
        return figure


def _draw_row(
    axes: Axes,
    kind: str,
    hours: FloatArray,
    table: Mapping[str, Any],
    board: Mapping[str, Any],
    readings: Sequence[Finding],
) -> None:
    if kind == "output":
        axes.plot(hours, _column(table, "output_v"), color=role_colour("output"), linewidth=1.1)
        axes.set_ylabel("output\n(V rms)")
    elif kind == "supply":
        axes.fill_between(hours, _column(table, "supply_lowest_v"), _column(table, "supply_highest_v"),
                          color=role_colour("supply"), alpha=0.3, linewidth=0)  # fmt: skip
        axes.plot(hours, _column(table, "supply_v"), color=role_colour("supply"), linewidth=1.1)
        axes.set_ylabel("supply (V)")
    elif kind == "ceiling":
        for side, marker in (("positive", "^"), ("negative", "v")):
            axes.plot(hours, np.abs(_column(table, f"{side}_ceiling_v")), linestyle="none", marker=marker, markersize=4,
                      color=LANE_STYLES["clip"].colour, label=side)  # fmt: skip
        axes.legend(loc="best", fontsize=8, frameon=False, ncols=2)
        axes.set_ylabel("ceiling (V)")
    elif kind == "clipped":
        axes.bar(hours, np.nan_to_num(_column(table, "clipped_percent")), width=float(table["step_s"]) / 3600,
                 color=LANE_STYLES["clip"].colour)  # fmt: skip
        axes.set_ylabel("clipped\n(% of time)")
    elif kind == "sag":
        axes.plot(hours, _column(table, "sag_v"), linestyle="none", marker="o", markersize=3, color="black")
        axes.set_ylabel("sag under\nnotes (V)")
    elif kind == "readings":
        _draw_readings(axes, board, readings)
    else:
        axes.bar(hours, _column(table, "lost_s"), width=float(table["step_s"]) / 3600, color=LANE_STYLES["gap"].colour)
        axes.set_ylabel("lost (s)")


def _draw_readings(axes: Axes, board: Mapping[str, Any], readings: Sequence[Finding]) -> None:
    die_c = np.array([np.nan if v is None else v for v in board.get("die_c", ())], dtype=float)
    if np.isfinite(die_c).any():
        times = (np.arange(len(die_c)) + 0.5) * float(board["step_s"]) / 3600
        axes.plot(times, die_c, color="black", linewidth=0.9, label="logger's chip (°C)")
    names = list(dict.fromkeys(str(f.measured.get("name")) for f in readings))
    for number, name in enumerate(names):
        chosen = [f for f in readings if f.measured.get("name") == name]
        unit = next((str(f.measured["unit"]) for f in chosen if f.measured.get("unit")), "")
        axes.plot([f.start_s / 3600 for f in chosen], [float(f.measured["value"] or 0.0) for f in chosen],
                  marker=_MARKERS[number % len(_MARKERS)], markerfacecolor="white", linewidth=0.8, linestyle=":",
                  label=f"{name} ({unit})" if unit else name)  # fmt: skip
    axes.legend(loc="best", fontsize=8, frameon=False, ncols=3)
    axes.set_ylabel("readings")


def _column(table: Mapping[str, Any], name: str) -> FloatArray:
    values = table.get(name) or [None] * len(table["output_v"])
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def _has(table: Mapping[str, Any], name: str) -> bool:
    return any(value is not None for value in table.get(name, ()))
