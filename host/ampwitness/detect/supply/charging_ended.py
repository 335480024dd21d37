"""How charging ended where nobody cranked the engine afterwards: at once or slowly, for how long, and down to where.

An engine that is switched off takes its charging volts away within a second or two, and the charge on the battery's
plates leaves the rest fastest at first. Volts that go down evenly for longer than that are an alternator's that gives
less and less: the engine ran meanwhile, and whether it runs on behind that nobody can tell.

Gaps: the level goes across one as if nothing had happened in it.
Limits: volts alone: a variable charger that is lowered, an alternator that drops out and comes back, and a charger that
is taken off and put on again look alike.
Source: our choice, measured in tests/supply/test_charging_ended.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from ampwitness.detect.supply.charging_changes import measure_level
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan, join_spans
from ampwitness.detect.supply.lasting_steps import learn_sag
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.types import FloatArray

SANK_S = 12.0  # from a tenth of the way down to half of it
_ABRUPT_SHARE, _ABRUPT_BLOCKS = 0.5, 20  # of that way, within so many tenths of a second: a switch, or an engine's stop
_LEAST_FALL_V = 0.6  # below its own charging level
_BATTERY_V = 13.2  # and below this: a battery gives that by itself
_LEAST_BLOCKS = 10
_END_BLOCKS = 100  # of a tenth of a second, whose middle is where it came to in the end
SANK = "charging sank slowly at {0:.0f} s, as no engine's stop makes it: behind that the engine may have run on or not"


@dataclass(frozen=True, slots=True)
class ChargingEnd:
    """Charging from `before_v` went down to `after_v`; `stop_s`: when it came back, None if never."""

    start_s: float
    stop_s: float | None
    before_v: float
    after_v: float
    sank_s: float | None  # how long it took from a tenth of the way to half of it, where that was slow


def find_charging_ends(states: EngineStates, steps: SupplySteps) -> tuple[EngineStates, tuple[ChargingEnd, ...]]:
    """The states, rest behind charging that sank slowly left undecided; and each end of charging without a cranking.

    Parameters
    ----------
    states : of the engine, by the same channel
    steps : the recording in steps of 10 ms
    """
    ended = [
        place
        for place in range(1, len(states.spans))
        if states.spans[place - 1].state == "charging" and states.spans[place].state in ("rest", "not decidable")
    ]
    if not ended:
        return states, ()
    supply = steps.volts["supply"]
    open_v = supply + learn_sag(supply, steps.output_v2 / np.maximum(supply, 1.0))
    level = measure_level(steps, open_v, states.cranking)
    spans, found, sank_s = list(states.spans), [], []
    for place in ended:
        end = _measure_end(spans, place, *level)
        if end is None:
            continue
        found.append(end)
        if end.sank_s is not None and spans[place].state == "rest":
            spans[place] = replace(spans[place], state="not decidable")
            sank_s.append(end.start_s)
    remarks = (SANK.format(start_s) for start_s in sank_s)
    return EngineStates(tuple(join_spans(spans)), (*states.remarks, *remarks)), tuple(found)


def summarise_ends(ends: Sequence[ChargingEnd]) -> list[dict[str, Any]]:
    """The same for a summary."""
    return [asdict(end) for end in ends]


def _measure_end(spans: Sequence[StateSpan], place: int, level_s: FloatArray, level: FloatArray) -> ChargingEnd | None:
    """What ended as a span began; None where the next thing is a cranking, or the volts hardly fell."""
    span, behind = spans[place], spans[place + 1 :]
    if behind and behind[0].state != "charging":
        return None
    first, at, stop = np.searchsorted(level_s, (spans[place - 1].start_s, span.start_s, span.stop_s))
    if at - first < _LEAST_BLOCKS or stop - at < _LEAST_BLOCKS:
        return None
    before_v = float(np.percentile(level[first:at], 75))
    low = level[at:stop]
    after_v = float(np.median(low[-_END_BLOCKS:] if not behind else low))
    if after_v > min(before_v - _LEAST_FALL_V, _BATTERY_V):
        return None
    sank_s = _measure_sinking(level[first:stop], before_v, after_v)
    start_s = span.start_s if sank_s is None else min(span.start_s, float(level_s[first + sank_s[0]]))
    took_s = None if sank_s is None else (sank_s[1] - sank_s[0]) / 10
    return ChargingEnd(start_s, behind[0].start_s if behind else None, before_v, after_v, took_s)


def _measure_sinking(course: FloatArray, before_v: float, after_v: float) -> tuple[int, int] | None:
    """First and last block of the way from a tenth to half of a slow fall; None where it was none."""
    way_v = before_v - after_v
    half = np.flatnonzero(course > before_v - way_v / 2)
    high = np.flatnonzero(course[: int(half[-1]) + 1] > before_v - way_v / 10) if len(half) else half
    if not len(high):
        return None
    first, last = int(high[-1]), int(half[-1]) + 1
    falls_v = course[first : last + 1][:-_ABRUPT_BLOCKS] - course[first : last + 1][_ABRUPT_BLOCKS:]
    is_slow = (last - first) / 10 >= SANK_S and float(falls_v.max()) < _ABRUPT_SHARE * 0.4 * way_v
    return (first, last) if is_slow else None
