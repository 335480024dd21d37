"""Marks tied to what happened: somebody heard something and pressed; what did the terminals do then?

A mark that says what the engine does is about nothing else, and left alone. Any other is tied to a cut-out that lasted
or ended within the five seconds before it (people press late), else to a gap of the logger at that moment: nobody hears
the logger, so that a gap nearer than the cut-out is only told beside it. A mark while the output went on says that the
terminals stayed live, and is tied to nothing.

Gaps: a mark at a gap is tied to the gap.
Limits: a mark is only as good as the hand that made it. A silence that is no finding may have been a pause.
Source: our choice; 0.2 to 5 s from hearing to pressing, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ampwitness.detect.step_stream import RunSteps
from ampwitness.detect.supply.engine_marks import read_engine_label
from ampwitness.finding_list import FindingList
from ampwitness.types import Finding

PRESS_LATE_S = 5.0
PRESS_EARLY_S = 0.5  # a cut-out may be found to begin a little behind the press
LOOK_BACK_S = 2.0
LOOK_AHEAD_S = 0.3
QUIET_LEAST_S = 0.15  # shorter silences are those between notes
_BIN = 50
_LIVE_RATIO = 0.03
_LEAST_V = 0.15


def measure_liveness(run: RunSteps, mark_s: float, known: int) -> dict[str, float] | None:
    """What the output did from two seconds before a mark to 0.3 s behind it.

    Returns
    -------
    mark_s, level_v (largest half swing), quiet_s (longest silence), seen_s; None where nothing is known.
    """
    at = round((mark_s - run.start_s) / run.step_s)
    a, b = at - round(LOOK_BACK_S / run.step_s), min(known, at + round(LOOK_AHEAD_S / run.step_s))
    high, low = run.steps("high", max(a, 0), b), run.steps("low", max(a, 0), b)
    n = len(high) // _BIN
    if n == 0:
        return None
    swing = 0.5 * (high[: n * _BIN].reshape(n, _BIN).max(axis=1) - low[: n * _BIN].reshape(n, _BIN).min(axis=1))
    is_live = swing > max(_LEAST_V, _LIVE_RATIO * float(swing.max()))
    edges = np.flatnonzero(np.diff(np.concatenate(([False], ~is_live, [False])).astype(np.int8)))
    quiet = (edges[1::2] - edges[::2]).max() if len(edges) else 0
    return {
        "mark_s": mark_s,
        "level_v": float(swing.max()),
        "quiet_s": float(quiet * _BIN * run.step_s),
        "seen_s": float(n * _BIN * run.step_s),
    }


_OF_ENGINE = "it says what the engine did"


def tie_marks(findings: Sequence[Finding], liveness: Sequence[Mapping[str, float]]) -> tuple[Finding, ...]:
    """Each mark with what it is tied to, or that it is tied to nothing; other findings are not returned.

    Parameters
    ----------
    findings : of all detectors
    liveness : of `measure_liveness`, one a mark that was seen
    """
    known = {round(entry["mark_s"], 6): entry for entry in liveness}
    listed = FindingList.of(findings)
    events = list(listed.of_kind("cutout", "gap"))
    out = []
    for mark in listed.of_kind("mark"):
        if read_engine_label(mark.measured.get("label")) is not None:
            out.append(replace(mark, measured={**mark.measured, "tied_to": None, "after_s": None, "tie": _OF_ENGINE}))
            continue
        near = _near(mark, events)
        told = _tell(mark, near, known.get(round(mark.start_s, 6)))
        out.append(replace(mark, measured={**mark.measured, **told}))
    return tuple(out)


def tie_unconfirmed(marks: Sequence[Finding], findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Marks that the board never told of, tied by the computer's clock; `tie` of each already says how it is timed."""
    events = list(FindingList.of(findings).of_kind("cutout", "gap"))
    out = []
    for mark in marks:
        near = _near(mark, events)
        if near and read_engine_label(mark.measured.get("label")) is None:
            told = _tell(mark, near, None)
            mark = replace(mark, measured={**mark.measured, **told, "tie": f"{told['tie']}; {mark.measured['tie']}"})
        out.append(mark)
    return tuple(out)


def _near(mark: Finding, events: Sequence[Finding]) -> list[Finding]:
    return [
        f
        for f in events
        if f.start_s <= mark.start_s + PRESS_EARLY_S and max(f.stop_s, f.start_s) >= mark.start_s - PRESS_LATE_S
    ]


def _when(after_s: float) -> str:
    return f"{abs(after_s):.1f} s {'after' if after_s >= 0 else 'before'}"


def _tell(mark: Finding, near: Sequence[Finding], live: Mapping[str, float] | None) -> dict[str, Any]:
    nearest = min(near, key=lambda f: (f.kind != "cutout", abs(mark.start_s - f.start_s)), default=None)
    if nearest is not None:
        after_s = mark.start_s - nearest.start_s
        what = "the output stopped" if nearest.kind == "cutout" else "the logger lost data"
        back_s = mark.start_s - nearest.stop_s
        if nearest.kind == "cutout" and nearest.measured.get("recovered") and back_s > 0:
            what += f" and {back_s:.1f} s after it came back"
        gap = min((f for f in near if f.kind == "gap"), key=lambda f: abs(mark.start_s - f.start_s), default=nearest)
        if abs(mark.start_s - gap.start_s) < abs(after_s):
            what += f"; the logger lost data {_when(gap.start_s - mark.start_s)} the mark, which may hide another stop"
        return {"tied_to": nearest.kind, "after_s": after_s, "tie": f"marked {_when(after_s)} {what}"}
    if live is None:
        return {
            "tied_to": None,
            "after_s": None,
            "tie": "what the output did is not judged: no output was recorded then",
        }
    if live["level_v"] < _LEAST_V:
        tie = "the output was silent all the while: nothing played, or it had stopped earlier"
    elif live["quiet_s"] >= QUIET_LEAST_S:
        tie = f"the output was quiet for {live['quiet_s']:.2f} s about then, as in a pause; no cut-out was found"
    else:
        tie = (
            "the amplifier's terminals stayed live: look beyond them (speaker lead, crossover, voice coil, "
            "another channel)"
        )
    return {"tied_to": None, "after_s": None, "tie": tie}
