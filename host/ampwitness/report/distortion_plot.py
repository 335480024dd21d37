"""The picture of a gain being set: distortion against volts, and the supply at the same volts. Measures nothing."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ampwitness.report.plots import new_figure, plot_style
from ampwitness.report.style import role_colour
from ampwitness.types import Finding, FloatArray

_LEAST_PERCENT = 0.03


def draw_distortion(finding: Finding) -> Figure:
    """THD against rms volts of one gain curve, with the 1 % and 10 % points, nominal watts above, the supply below.

    Points below their floor are drawn at the floor, hollow and pointing down: "less than".
    """
    with mpl.rc_context(plot_style()):
        rows = np.array(finding.evidence.get("curve") or [[np.nan] * 6], dtype=float)
        _, level_v, thd, floor, _, supply_v = rows.T
        has_supply = bool(np.isfinite(supply_v).any())
        figure = new_figure(5.4 if has_supply else 4.2)
        ratios = [2.6, 1.0] if has_supply else [1.0]
        axes = figure.subplots(
            len(ratios), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios}
        )[:, 0]  # fmt: skip
        _draw_points(axes[0], level_v, thd, floor)
        _draw_crossings(axes[0], finding)
        if has_supply:
            axes[1].plot(level_v, supply_v, linestyle="none", marker="s", markersize=3.5, markerfacecolor="white",
                         markeredgecolor=role_colour("supply"))  # fmt: skip
            axes[1].set_ylabel("supply (V)")
            middle = float(np.nanmedian(supply_v))
            reach = max(0.15, 1.2 * float(np.nanmax(np.abs(supply_v - middle))))
            axes[1].set_ylim(middle - reach, middle + reach)
        axes[-1].set_xlabel("output (V rms)")
        axes[-1].set_xlim(0.0, 1.12 * float(np.nanmax(level_v)) if np.isfinite(level_v).any() else 1.0)
        figure.align_ylabels(list(axes))
        return figure


def _draw_points(axes: Axes, level_v: FloatArray, thd: FloatArray, floor: FloatArray) -> None:
    is_under = thd < floor
    axes.plot(level_v[~is_under], np.maximum(thd[~is_under], _LEAST_PERCENT), linestyle="none", marker="o",
              markersize=4.5, markerfacecolor="white", markeredgecolor=role_colour("output"), label="THD")  # fmt: skip
    if is_under.any():
        axes.plot(
            level_v[is_under],
            np.maximum(floor[is_under], _LEAST_PERCENT),
            linestyle="none",
            marker="v",
            markersize=4.5,
            markerfacecolor="white",
            markeredgecolor="#7F7F7F",
            label="less than this",
        )
    axes.set_yscale("log")
    axes.set_ylim(_LEAST_PERCENT, 50.0)
    axes.set_yticks([0.1, 1.0, 10.0], ["0.1", "1", "10"])
    axes.set_ylabel("THD (%)")
    axes.legend(loc="upper left", fontsize=9, frameon=False)


def _draw_crossings(axes: Axes, finding: Finding) -> None:
    """Lines at 1 % and 10 %, and what stands there in volts and nominal watts."""
    for percent, key, watts_key in ((1.0, "knee_v", "knee_w"), (10.0, "ten_percent_v", "ten_percent_w")):
        axes.axhline(percent, color="black", linewidth=0.8, linestyle=":")
        at_v = finding.measured.get(key)
        if not isinstance(at_v, int | float):
            continue
        watts = finding.measured.get(watts_key)
        words = f"{percent:g} %: {at_v:.2f} V" + (f", {watts:.0f} W nominal" if isinstance(watts, int | float) else "")
        axes.plot([at_v], [percent], marker="D", markersize=7, color="black")
        axes.annotate(words, (at_v, percent), xytext=(-10, 5), textcoords="offset points", ha="right", fontsize=10)
    ohm = finding.measured.get("load_ohm")
    if isinstance(ohm, int | float):
        above = axes.secondary_xaxis("top", functions=(lambda v: v, lambda v: v))
        ticks_w = [w for w in (10, 25, 50, 100, 200, 400, 800, 1600) if (w * ohm) ** 0.5 < 1.2 * axes.get_xlim()[1]]
        above.set_xticks([(w * ohm) ** 0.5 for w in ticks_w], [str(w) for w in ticks_w])
        above.set_xlabel(f"nominal watts into {ohm:g} ohm")
