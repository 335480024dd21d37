"""Pictures of what the supply did: under the notes, against their level, and whose fault the clips were.

Draws what an Analysis holds and measures nothing; fitted lines come with the summary.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ampwitness.finding_list import FindingList
from ampwitness.findings.supply_words import name_state
from ampwitness.findings.wording import find_worst
from ampwitness.report.plots import new_figure, plot_style, set_margins
from ampwitness.report.style import LANE_STYLES, role_colour
from ampwitness.report.time_axis import label_time
from ampwitness.types import Analysis, Envelope, Finding
from ampwitness.units import fixed

SPAN_S = 16.0  # of a long recording only so much is drawn, around its worst note
MOST_LABELS = 14
MOST_DRAWN_POINTS = 1000  # more of them go as one image: a day's page must stay small
MOST_POINTS = 20_000  # that can be told from one another
LABEL_SHARE = 0.05  # of the span: labels nearer than this would touch
# cause -> label, colour (Okabe and Ito), hatch: no meaning rests on colour alone
CAUSE_STYLES: dict[str, tuple[str, str, str]] = {
    "drive": ("drive", "#56B4E9", ""),
    "both": ("drive and supply", "#F0E442", "///"),
    "supply": ("supply", "#D55E00", "\\\\\\"),
    "not decidable": ("not decidable", "#FFFFFF", "..."),
}

# engine state -> colour, marker on a settled and on an unsettled supply, dashes of the fitted line
STATE_STYLES: dict[str, tuple[str, str, str, str]] = {
    "": (role_colour("supply"), "o", "x", "-"),
    "at rest": (role_colour("supply"), "o", "x", "-"),
    "charging": ("#0072B2", "^", "+", "--"),
}


def _number(finding: Finding, key: str) -> float | None:
    value = finding.measured.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _choose_span(analysis: Analysis, notes: Sequence[Finding]) -> tuple[float, float]:
    """The whole recording, or the part around the note with the largest sag."""
    if analysis.duration_s <= SPAN_S:
        return 0.0, analysis.duration_s
    worst = find_worst(notes, "note") or notes[0]
    start_s = min(max(0.0, worst.start_s - SPAN_S / 2), analysis.duration_s - SPAN_S)
    return start_s, start_s + SPAN_S


def _draw_supply(axes: Axes, envelope: Envelope, span: tuple[float, float]) -> None:
    start_s = envelope.start_s + envelope.step_s * np.arange(len(envelope.lowest))
    inside = (start_s >= span[0] - envelope.step_s) & (start_s <= span[1])
    axes.fill_between(
        start_s[inside],
        np.asarray(envelope.lowest)[inside],
        np.asarray(envelope.highest)[inside],
        step="post",
        color=role_colour("supply"),
        linewidth=0.7,
    )


def _lowest_beside(envelope: Envelope, first_s: float, last_s: float) -> float:
    """The lowest supply over a label's width: a label below it crosses no line, a deeper neighbour's either."""
    places = np.array([first_s, last_s]) - envelope.start_s
    first, last = np.clip(places / envelope.step_s, 0, len(envelope.lowest) - 1).astype(int)
    volts = np.asarray(envelope.lowest)[first : last + 1]
    return float(np.min(volts, where=np.isfinite(volts), initial=float(np.nanmax(envelope.highest))))


def draw_supply_under_notes(analysis: Analysis) -> Figure | None:
    """The supply against time with every note shaded and the largest sags labelled; None without supply or notes."""
    envelope = analysis.envelopes.get("supply")
    notes = FindingList.of(analysis.findings).of_kind("note")
    notes = notes.take(np.flatnonzero(np.isfinite(notes.values("sag_v"))))
    if envelope is None or not notes:
        return None
    span = _choose_span(analysis, notes)
    shown = list(notes.take(np.flatnonzero((notes.stop_s > span[0]) & (notes.start_s < span[1]))))
    with mpl.rc_context(plot_style()):
        figure = new_figure(3.6, layout=None)
        axes = figure.subplots()
        for note in shown:
            axes.axvspan(note.start_s, note.stop_s, facecolor=LANE_STYLES["note"].colour, alpha=0.25, linewidth=0)
        _draw_supply(axes, envelope, span)
        taken_s: list[float] = []
        for note in sorted(shown, key=lambda note: -(_number(note, "sag_v") or 0.0)):
            edge_s = 0.5 * LABEL_SHARE * (span[1] - span[0])  # a label stays within the picture
            middle_s = min(max((note.start_s + note.stop_s) / 2, span[0] + edge_s), span[1] - edge_s)
            if len(taken_s) >= MOST_LABELS or any(
                abs(middle_s - other) < LABEL_SHARE * (span[1] - span[0]) for other in taken_s
            ):
                continue
            taken_s.append(middle_s)
            axes.annotate(
                f"{fixed(_number(note, 'sag_v') or 0.0, 2)} V",
                (middle_s, _lowest_beside(envelope, middle_s - edge_s, middle_s + edge_s)),
                xytext=(0, -4),
                textcoords="offset points",
                ha="center",
                va="top",
                fontsize=8.5,
            )
        axes.set_xlim(*span)
        low, high = axes.get_ylim()
        axes.set_ylim(low - 0.12 * (high - low), high)  # room for the labels
        label_time(axes, *span)
        axes.set_ylabel("supply (V)")
        set_margins(figure, [axes], top_in=0.10)
        return figure


def draw_sag_against_level(findings: Sequence[Finding], supply: Mapping[str, Any]) -> Figure | None:
    """Sag under each note against the note's level, with the lines that were fitted; None with fewer than three notes.

    `supply` is the summary's part of that name. Where the engine ran for a part of the time, notes at rest and notes
    while the supply was charged are told apart. Notes whose supply was not settled before them are drawn as crosses.
    """
    notes = FindingList.of(findings).of_kind("note")
    notes = notes.take(np.flatnonzero(np.isfinite(notes.values("level_v") + notes.values("sag_v"))))
    if len(notes) < 3:
        return None
    one_in = -(-len(notes) // MOST_POINTS)
    notes = notes[::one_in]
    drawn = f" (one in {one_in} drawn)" if one_in > 1 else ""
    with mpl.rc_context(plot_style()):
        figure = new_figure(4.2, layout=None)
        axes = figure.subplots()
        level_v, sag_v = notes.values("level_v"), notes.values("sag_v")
        is_settled = notes.flags("supply_before_settled") != 0
        for state, mine in _in_states(notes, supply).items():
            colour, settled, unsettled, dash = STATE_STYLES.get(state, STATE_STYLES[""])
            named = name_state(state, (supply.get("states") or {}).get(state) or {})
            words = f" {'while ' if state == 'charging' else ''}{named}" if state else ""
            for mask, marker, label in (
                (mine & is_settled, settled, f"note{words}{drawn}"),
                (mine & ~is_settled, unsettled, f"note{words} on an unsettled supply{drawn}"),
            ):
                if mask.any():
                    axes.plot(level_v[mask], sag_v[mask], linestyle="none", marker=marker, markersize=5,
                              markerfacecolor="white", markeredgecolor=colour, label=label,
                              rasterized=len(notes) > MOST_DRAWN_POINTS)  # fmt: skip
            line = (supply.get("sag_lines") or {}).get(state) if state else supply.get("sag_line")
            curve = np.array((line or {}).get("curve") or (), dtype=float).reshape(-1, 2)
            if line is not None and len(curve):
                per_v2 = 1e3 * float(line["sag_v_per_v2"])
                label = f"fitted{words}: {per_v2:.2f} mV for each V² of level"
                axes.plot(*curve.T, color="black", linestyle=dash, linewidth=1.3, label=label)
        axes.set_xlabel("level of the note (V rms)")
        axes.set_ylabel("supply sag (V)")
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=min(0.0, 1.05 * float(sag_v.min())))
        axes.legend(loc="upper left", fontsize=9, frameon=False)
        set_margins(figure, [axes], top_in=0.10)
        return figure


def _in_states(notes: FindingList, supply: Mapping[str, Any]) -> dict[str, npt.NDArray[np.bool_]]:
    """(n,) which notes began in each engine state; one nameless state where there was but one."""
    begins = supply.get("state_begins") or ()
    names = list(dict.fromkeys(state for _, state in begins))
    if len(names) < 2:
        return {"": np.ones(len(notes), dtype=bool)}
    place = np.maximum(0, np.searchsorted([start_s for start_s, _ in begins], notes.start_s, "right") - 1)
    state_of = np.array([names.index(state) for _, state in begins])[place]
    return {name: state_of == k for k, name in enumerate(names)}


def draw_clip_causes(findings: Sequence[Finding]) -> Figure | None:
    """How many clips had which cause, as one bar in shares; None where no clip has a cause."""
    causes = FindingList.of(findings).of_kind("clip").texts("cause")
    n_all = sum(causes.values())
    if not n_all:
        return None
    with mpl.rc_context(plot_style()):
        figure = new_figure(1.75)
        axes = figure.subplots()
        left = 0.0
        for cause, (label, colour, hatch) in CAUSE_STYLES.items():
            n = causes[cause]
            if not n:
                continue
            share = 100 * n / n_all
            axes.barh(0, share, left=left, height=0.5, facecolor=colour, edgecolor="black", hatch=hatch,
                      linewidth=0.7, label=f"{label}: {n:,} ({share:.0f} %)")  # fmt: skip
            left += share
        axes.set_xlim(0, 100)
        axes.set_ylim(-0.3, 0.3)
        axes.set_yticks([])
        axes.grid(visible=False)
        axes.set_xlabel(f"share of {n_all:,} clipped half-cycles (%)")
        figure.legend(loc="outside upper left", ncols=4, fontsize=9, frameon=False, handlelength=1.4)
        return figure
