"""The picture of one cut-out: half a second on both sides of it, and closely the milliseconds that decide.

Measures nothing. What happened is numbered in order of time in both parts; `name_events` says what each number is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ampwitness.report.plots import draw_traces, new_figure, plot_style, set_margins
from ampwitness.types import Finding, TraceWindow
from ampwitness.units import seconds_to_clock

CLOSE_S = 0.020  # shown closely on both sides of the stop, and as far back as what came first ...
FARTHEST_S = 0.200  # ... if that is not farther: the milliseconds would be too narrow again
_ROOM_S = 0.005
_WIDTHS = (58, 42)  # per cent: the whole, and what is close
_BETWEEN = 0.13
_TOP_IN = 0.26  # the numbers stand there
_TIE_S = 0.001  # as finely as things are dated


class Event(NamedTuple):
    """Something that happened around a cut-out. `off_s`: from its start."""

    off_s: float
    what: str


def list_events(finding: Finding) -> tuple[Event, ...]:
    """What happened, in order of time, the stop itself among it."""
    told: Sequence[Any] = finding.evidence.get("events") or ({"time_s": finding.start_s, "what": "output stopped"},)
    events = (Event(float(one["time_s"]) - finding.start_s, str(one["what"])) for one in told)
    return tuple(sorted(events, key=lambda event: event.off_s))


def name_events(finding: Finding) -> tuple[str, ...]:
    """Each event in words with its number; the first is called so only where nothing of another kind (supply, remote
    lead, ground, output) may have been as early."""
    events = list_events(finding)
    doubt_s = float(finding.measured.get("start_uncertainty_s") or _TIE_S)
    others = [event.off_s for event in events if event.what.split()[0] != events[0].what.split()[0]]
    is_clear = bool(others) and min(others) - events[0].off_s > doubt_s
    words = []
    for number, event in enumerate(events, start=1):
        when = "" if event.what == "output stopped" else f" ({_word_offset(event.off_s, doubt_s)})"
        first = "came first: " if number == 1 and is_clear else ""
        words.append(f"{number} {first}{event.what}{when}")
    return tuple(words)


def word_order(finding: Finding) -> str:
    """What the numbers in the picture mean, as a sentence."""
    names = name_events(finding)
    if len(names) == 1:
        return "Nothing else that was logged moved before it."
    return f"In order of time: {'; '.join(names)}."


def _word_offset(off_s: float, doubt_s: float) -> str:
    return "together with it" if abs(off_s) <= doubt_s else f"{1e3 * off_s:+.1f} ms"


def close_span(finding: Finding) -> tuple[float, float]:
    """From where to where the close part goes, seconds from the cut-out's start."""
    offs_s = [event.off_s for event in list_events(finding) if -FARTHEST_S <= event.off_s <= FARTHEST_S]
    begin_s, end_s = min(offs_s, default=0.0) - _ROOM_S, max(offs_s, default=0.0) + _ROOM_S
    return min(-CLOSE_S, begin_s), max(CLOSE_S, end_s)


def draw_cutout(finding: Finding, window: TraceWindow, neighbours: Sequence[Finding] = ()) -> Figure:
    """A cut-out at full rate, a row a channel: left all of `window`, right what is close to the stop.

    Time runs in milliseconds from the cut-out's start. `neighbours` are other cut-outs in the window, shaded paler.
    """
    roles = [role for role in ("output", "supply", "battery", "ground", "source", "remote") if role in window.traces]
    n_rows = max(1, len(roles))
    with mpl.rc_context(plot_style()):
        figure = new_figure(0.7 + 1.9 * n_rows + _TOP_IN, layout=None)
        grid = figure.subplots(
            n_rows, 2, sharex="col", sharey="row", squeeze=False,
            gridspec_kw={"width_ratios": _WIDTHS, "wspace": _BETWEEN},
        )  # fmt: skip
        from_s, to_s = close_span(finding)
        for (whole, close), role in zip(grid, roles, strict=False):
            draw_traces(whole, role, finding, window, neighbours)
            draw_traces(close, role, finding, window, neighbours, (from_s, to_s))
            close.set_ylabel("")
        for axes in grid[:, 0]:
            axes.set_xlim(1e3 * (window.start_s - finding.start_s), 1e3 * (window.stop_s - finding.start_s))
        for axes in grid[:, 1]:
            axes.set_xlim(1e3 * from_s, 1e3 * to_s)
        for column in (0, 1):
            _mark_events(grid[:, column].tolist(), finding)
        grid[-1, 0].set_xlabel(f"milliseconds from {seconds_to_clock(finding.start_s)} of the recording")
        grid[-1, 1].set_xlabel("the same from closer (ms)")
        set_margins(figure, grid[:, 0].tolist(), _TOP_IN, between=_BETWEEN, widths=_WIDTHS)
        return figure


def _mark_events(rows: Sequence[Axes], finding: Finding) -> None:
    """A line down all rows at each event; the numbers stand over the top row, those too close for that side by side."""
    low, high = rows[0].get_xlim()
    taken = -1e9
    for number, event in enumerate(list_events(finding), start=1):
        at = 1e3 * event.off_s
        if not low <= at <= high:
            continue
        for axes in rows:
            axes.axvline(
                at, color="black", linewidth=1.1 if number == 1 else 0.8, linestyle="-" if number == 1 else "--"
            )
        taken = max(at, taken + 0.035 * (high - low))
        rows[0].annotate(
            str(number), (taken, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom", fontsize=9, fontweight="bold",
        )  # fmt: skip
