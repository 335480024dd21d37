"""Engine states where volts cannot tell, by the ripple that a turning alternator leaves on the supply.

A variable charger holds a battery's own volts for minutes while the engine runs. The ripple of its rectifier stays: a
level that looks like rest, and ripples as the supply does whenever it is charged, is charged. Compared are only steps
in which the amplifier takes next to nothing, as its own notes ripple as well.

Only a ripple that comes and goes tells: one that is there all along may be another consumer's, or the logger's, and
then leaves undecided what the volts alone would call rest. Silence tells nothing: an alternator whose field is off is
as still as one that stands.

Gaps: nothing is carried across one.
Limits: needs the output, and pauses in it. A consumer that is switched by pulses only while the engine runs cannot be
told from the alternator, and need not be.
Source: six diodes leave 4.2 % of their peak from crest to trough without a battery (any text on rectifiers), of which a
battery leaves some tens of millivolts rms (from memory); the limits are our choice, tested in tests/supply.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.engine_states import EngineStates, StateSpan, join_spans
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray

BY_WHINE = "by the alternator's ripple, which is there"
LEAST_V = 0.010  # rms: above the noise of the channels and what trickles through a supply at rest
_OVER_STILL = 2.0  # times what ripples when it is stillest
_QUIET_SHARE = 0.01  # of the output's loud power
_LEAST_STEPS = 25
_ALWAYS, _NEVER = 0.9, 0.1  # of the steps of a state, that ripple
_EDGE_S = 0.5  # beside a change of state
_AHEAD_S = 3.0  # of a cranking: the engine stands
_AROUND = 9  # quiet steps that decide each by their majority
_RUN_S = 2.0  # the shortest stretch that is told


@dataclass(frozen=True, slots=True)
class _Whine:
    """At which of (n,) steps nothing else ripples, which steps ripple, and whether stillness was ever seen."""

    is_quiet: npt.NDArray[np.bool_]
    ripples: npt.NDArray[np.bool_]
    comes_and_goes: bool

    def share(self, time_s: FloatArray, spans: Sequence[tuple[float, float]]) -> float:
        """Of the quiet steps within spans, how many ripple; 0 where there are too few to tell."""
        inside = self.is_quiet & _within(time_s, spans)
        return float(self.ripples[inside].mean()) if int(inside.sum()) >= _AROUND else 0.0


def decide_by_whine(states: EngineStates, steps: SupplySteps) -> EngineStates:
    """The states, with time called rest or left undecided given to charging where the supply ripples as when charged;
    rest is left undecided where it ripples all along.

    Parameters
    ----------
    states : as the volts show them
    steps : the recording in steps of 10 ms
    """
    whine = _find_whine(states, steps)
    if whine is None:
        return states
    spans: list[StateSpan] = []
    for place, span in enumerate(states.spans):
        is_before_start = place + 1 < len(states.spans) and states.spans[place + 1].state == "cranking"
        if span.state not in ("rest", "not decidable"):
            spans.append(span)
        elif whine.comes_and_goes:
            spans += _split(span, steps.time_s, whine)
        elif (
            span.state == "rest"
            and not is_before_start
            and whine.share(steps.time_s, [(span.start_s, span.stop_s)]) > _ALWAYS
        ):
            spans.append(replace(span, state="not decidable"))
        else:
            spans.append(span)
    if spans == list(states.spans):
        return states
    spans = join_spans(spans)
    for place, (before, span, after) in enumerate(zip(spans, spans[1:], spans[2:], strict=False), 1):
        if before.state == after.state == "charging" and span.state == "rest":  # nobody cranked in between
            spans[place] = replace(span, state="not decidable")
    said = "the supply ripples all along, as an alternator makes it: what looks like rest may be charged"
    return EngineStates(tuple(spans), states.remarks if whine.comes_and_goes else (*states.remarks, said))


def _find_whine(states: EngineStates, steps: SupplySteps) -> _Whine | None:
    """Where the supply ripples by itself; None: nothing shows it, or it says nothing of the engine."""
    power, ripple_v, time_s = steps.output_v2, steps.ripple_v, steps.time_s
    known = np.isfinite(power)
    if ripple_v is None or not known.any():
        return None
    cranked = [(s.start_s - _EDGE_S, s.stop_s + _EDGE_S) for s in states.spans if s.state == "cranking"]
    is_quiet = known & (power <= _QUIET_SHARE * float(np.quantile(power[known], 0.9))) & ~_within(time_s, cranked)
    if int(is_quiet.sum()) < _LEAST_STEPS:
        return None
    ahead_v = np.lib.stride_tricks.sliding_window_view(ripple_v[is_quiet], _LEAST_STEPS)
    still_v = float(np.median(ahead_v, axis=1).min())  # in its stillest quarter of a second
    charged = [(s.start_s + _EDGE_S, s.stop_s - _EDGE_S) for s in states.spans if s.state == "charging"]
    standing = [(start_s - _AHEAD_S, start_s) for start_s, _ in cranked]
    whine = _Whine(is_quiet, ripple_v > max(LEAST_V, _OVER_STILL * still_v), comes_and_goes=True)
    if whine.share(time_s, charged) > _ALWAYS:
        return whine if whine.share(time_s, standing) <= _NEVER else None
    whine = _Whine(is_quiet, ripple_v > LEAST_V, comes_and_goes=False)
    return whine if still_v > LEAST_V and not whine.share(time_s, standing) else None


def _within(time_s: FloatArray, spans: Sequence[tuple[float, float]]) -> npt.NDArray[np.bool_]:
    inside = np.zeros(len(time_s), dtype=bool)
    for start_s, stop_s in spans:
        first, stop = np.searchsorted(time_s, (start_s, stop_s))
        inside[first:stop] = True
    return inside


def _split(span: StateSpan, time_s: FloatArray, whine: _Whine) -> list[StateSpan]:
    """The span in pieces, those charging in which the supply ripples."""
    first, stop = np.searchsorted(time_s, (span.start_s, span.stop_s))
    quiet = first + np.flatnonzero(whine.is_quiet[first:stop])
    if len(quiet) < _AROUND:
        return [span]
    around = np.pad(whine.ripples[quiet], _AROUND // 2, mode="edge")
    is_charged = np.lib.stride_tricks.sliding_window_view(around, _AROUND).sum(axis=1) > _AROUND // 2
    changes = (np.flatnonzero(np.diff(is_charged)) + 1).tolist()
    edges_s = [span.start_s, *(_date_change(time_s, whine, quiet[at - 1], quiet[at]) for at in changes), span.stop_s]
    pieces: list[StateSpan] = []
    for at, (start_s, stop_s) in zip([0, *changes], pairwise(edges_s), strict=True):
        if stop_s - start_s < _RUN_S:  # as short as an engine takes to come to rest: what is around it counts
            continue
        one = replace(span, state="charging", by=BY_WHINE) if is_charged[at] else span
        begins_s = pieces[-1].stop_s if pieces else span.start_s
        pieces.append(replace(one, start_s=begins_s, stop_s=stop_s))
    return [*pieces[:-1], replace(pieces[-1], stop_s=span.stop_s)] if pieces else [span]


def _date_change(time_s: FloatArray, whine: _Whine, before: int, behind: int) -> float:
    """When the ripple came or went, between two quiet steps: no step that is still has it, however loud it is."""
    still = before + np.flatnonzero(~whine.ripples[before : behind + 1])
    if not len(still):
        return float(time_s[behind]) - STEP_S / 2
    if whine.ripples[before]:
        return float(time_s[still[0]]) - STEP_S / 2
    return float(time_s[still[-1]]) + STEP_S / 2
