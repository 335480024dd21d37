"""What a cranking that started the engine tells of all that follows it, up to the next one or the end.

An engine that runs stands still again only once, and does not start without being cranked. So a supply that comes back
to its charging level never left it, whatever consumers made of it in between; only the last stretch that stays low may
be the engine at rest.

A variable charger lowers its volts to those of rest and lifts them again, without the engine's stopping: such
stretches are not decidable. A consumer that pulls the supply down as far is told by its edges: a switch closes within
milliseconds, the field of an alternator and a converter's ramp take tenths of a second.

Gaps: the level goes across one as if nothing had been switched in it.
Limits: so large a consumer that the level stays low to the end is taken for the engine's stopping.
Source: our choice, measured by `python -m ampwitness.bench.engine_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ampwitness.detect.supply.charging_changes import State, find_fall_start, find_rise_start
from ampwitness.types import FloatArray

# Rest ahead of the cranking: at its very end, and where no consumer pulled it down in the minute before.
_REST_S, _REST_WITHIN_S, _LEAST_RESTED = (4.0, 0.3), 60.0, 10
# So soon behind it, and so far above that rest, the engine charges; or, held up by consumers, at any later time.
_STARTS_WITHIN_S, _STARTS_V, _STARTS_LATER_V = 20.0, 0.25, 0.5
_LEAST_BEHIND = 15  # of 0.1 s
_HIGH_PERCENT = 90.0
# Stopped: below the middle between charging and rest, and no higher than the charge on its plates holds a battery.
_STOPS_RATIO, _SURFACE_V = 0.5, 0.75
_STOPPED_BLOCKS = 30  # of 0.1 s: at least so long at rest, or up to the next cranking
# A variable charger: so far below its own level for so long, and then no higher than a battery may stand.
_VARIES_V, _VARIES_BLOCKS, _MAY_REST_V = 0.9, 60, 13.2
# An engine that stops takes so much within a second, of which so much at most comes back; looked for so far ahead.
_A_SECOND = 10
_PLATES_FALL_V, _PLATES_RATIO, _PLATES_BLOCKS = 0.3, 0.5, 300
_LATER_BLOCKS, _LATER_V = 30, 0.3  # of 0.1 s: a later fall, of so much within so long
# A switch: of a change within a second so much comes within 20 ms, and no less than this.
_EDGE_S, _EDGE_STEPS, _EDGE_RATIO, _EDGE_V = 0.5, 2, 0.5, 0.1
_EDGE_ENDS = 10  # steps, whose middle is a level


@dataclass(frozen=True, slots=True)
class SupplyLevel:
    """The supply as it would be with the amplifier quiet: (m,) every 10 ms, and its level (n,) every 0.1 s outside
    crankings."""

    step_s: FloatArray
    open_v: FloatArray
    level_s: FloatArray
    level_v: FloatArray

    def between(self, start_s: float, stop_s: float) -> FloatArray:
        """The level from one time to another."""
        first, last = np.searchsorted(self.level_s, (start_s, stop_s))
        return self.level_v[first:last]

    def is_switched(self, edge_s: float) -> bool:
        """Whether the volts change there at once, as where a consumer is switched."""
        first, last = np.searchsorted(self.step_s, (edge_s - _EDGE_S, edge_s + _EDGE_S))
        volts = self.open_v[first:last]
        if len(volts) < 2 * _EDGE_ENDS:
            return False
        whole_v = abs(float(np.median(volts[-_EDGE_ENDS:]) - np.median(volts[:_EDGE_ENDS])))
        at_once_v = np.abs(volts[_EDGE_STEPS:] - volts[:-_EDGE_STEPS])
        return float(at_once_v.max()) > max(_EDGE_RATIO * whole_v, _EDGE_V)


def settle_behind_crankings(
    changes: Sequence[tuple[float, State]], cranks: Sequence[tuple[float, float]], supply: SupplyLevel
) -> list[tuple[float, State]]:
    """The changes of state, with those behind every cranking that started the engine told anew.

    Parameters
    ----------
    changes : (time, state from then on), in order
    cranks : start and stop of each cranking
    supply : what it was judged by
    """
    out = list(changes)
    ends_s = float(supply.level_s[-1]) + 0.05
    for crank, (next_s, _) in pairwise([*cranks, (ends_s, ends_s)]):
        rested_since_s = max((t for t, state in out if t < crank[0] and state == "rest"), default=0.0)
        rest_v = _measure_rest(supply, max(rested_since_s, crank[0] - _REST_WITHIN_S), crank[0])
        told = _tell_behind(crank[1], next_s, rest_v, supply, is_last=next_s == ends_s)
        if told:
            if next_s < ends_s:  # behind the next cranking it goes on as it was told so far
                was: State = next((state for time_s, state in reversed(out) if time_s <= next_s), "rest")
                told.append((next_s + 1e-6, was))
            kept = [change for change in out if not crank[0] < change[0] <= next_s]
            out = sorted([*_rest_ahead(kept, crank, next_s, supply), *told])
    return out


def _rest_ahead(
    changes: list[tuple[float, State]], crank: tuple[float, float], next_s: float, supply: SupplyLevel
) -> list[tuple[float, State]]:
    """The changes; what led up to the cranking and never stood as high as the charging behind it was rest."""
    place = max((k for k, (time_s, _) in enumerate(changes) if time_s < crank[0]), default=None)
    if place is None:
        return changes
    since_s = changes[place][0]
    ahead, behind = supply.between(since_s, crank[0]), supply.between(crank[1], next_s)
    if len(ahead) and float(ahead.max()) < float(np.percentile(behind, _HIGH_PERCENT)) - _STARTS_V:
        return [*changes[:place], (since_s, "rest"), *changes[place + 1 :]]
    return changes


def _measure_rest(supply: SupplyLevel, since_s: float, crank_s: float) -> float | None:
    """Volts of the battery at rest ahead of a cranking; None where too little was seen."""
    last = supply.between(crank_s - _REST_S[0], crank_s - _REST_S[1])
    if len(last) < _LEAST_RESTED:
        return None
    ahead = supply.between(since_s, crank_s - _REST_S[1])
    return max(float(np.median(last)), float(np.percentile(ahead, _HIGH_PERCENT)) if len(ahead) else -np.inf)


def _tell_behind(
    stop_s: float, next_s: float, rest_v: float | None, supply: SupplyLevel, *, is_last: bool
) -> list[tuple[float, State]]:
    """Changes from the end of a cranking to the next one; none where the engine did not start, or nobody can tell."""
    behind, soon = supply.between(stop_s, next_s), supply.between(stop_s, min(next_s, stop_s + _STARTS_WITHIN_S))
    if rest_v is None or len(behind) < _LEAST_BEHIND:
        return []
    charging_v = float(np.percentile(behind, _HIGH_PERCENT))
    if float(np.percentile(soon, _HIGH_PERCENT)) < rest_v + _STARTS_V and charging_v < rest_v + _STARTS_LATER_V:
        return []
    first = int(np.searchsorted(supply.level_s, stop_s))
    stops = _find_stop(behind, rest_v, charging_v, is_last=is_last)
    if stops is not None:
        stops = _later_stop(supply, first, stops, len(behind))
    runs = behind if stops is None else behind[:stops]
    told: list[tuple[float, State]] = [(stop_s, "charging")]
    for begin, end in _find_lowered(runs, rest_v, charging_v):
        begin_s, end_s = float(supply.level_s[first + begin]) - 0.05, float(supply.level_s[first + end - 1]) + 0.05
        if not (supply.is_switched(begin_s) or supply.is_switched(end_s)):
            told += [(begin_s, "not decidable"), (end_s, "charging")]
    if stops is not None:
        told.append((float(supply.level_s[first + stops]) - 0.05, "rest"))
    return told


def _find_stop(behind: FloatArray, rest_v: float, charging_v: float, *, is_last: bool) -> int | None:
    """The block in which the engine stopped: from where on the level stays below the middle; None: it does not."""
    high = np.flatnonzero(behind > rest_v + min(_STOPS_RATIO * (charging_v - rest_v), _SURFACE_V))
    low_from = int(high[-1]) + 1 if len(high) else 0
    if low_from == 0 or len(behind) - low_from < (_STOPPED_BLOCKS if is_last else 1):
        return None
    return _fell_from_charging(behind, find_fall_start(behind, low_from, 0))


def _fell_from_charging(behind: FloatArray, place: int) -> int:
    """The same block where the level falls there at once; or that of the last such fall ahead, where nothing lifted it
    as high again: the charge on the battery's plates held it up for a while."""
    first = max(0, place - _PLATES_BLOCKS)
    course = behind[first : place + 2 * _A_SECOND]
    falls_v = course[:-_A_SECOND] - course[_A_SECOND:]
    steep = np.flatnonzero(falls_v >= _PLATES_FALL_V)
    if not len(steep):
        return place
    last = np.split(steep, np.flatnonzero(np.diff(steep) > 1) + 1)[-1]
    steepest = int(last[np.argmax(falls_v[last])])
    later = course[steepest + _A_SECOND : place - first + 1]
    if not len(later) or float(later.max()) > float(later[0]) + _PLATES_RATIO * float(falls_v[steepest]):
        return place
    return find_fall_start(behind, first + steepest + 1, 0)


def _later_stop(supply: SupplyLevel, first: int, stops: int, n: int) -> int:
    """The same block; or, where it is a consumer that was switched there, that of the next fall that no switch made."""
    level = supply.level_v[first : first + n]
    fall_v = float(level[max(0, stops - 5)] - level[min(n - 1, stops + 10)])
    if fall_v > _VARIES_V or not supply.is_switched(float(supply.level_s[first + stops])):
        return stops
    falls = np.flatnonzero(level[stops:-_LATER_BLOCKS] - level[stops + _LATER_BLOCKS :] > _LATER_V) + stops
    for place in falls[np.diff(falls, prepend=-_LATER_BLOCKS) >= _LATER_BLOCKS // 2].tolist():
        steepest = place + int(np.argmin(np.diff(level[place : place + _LATER_BLOCKS])))
        if not supply.is_switched(float(supply.level_s[first + steepest])):
            return find_fall_start(level, steepest, stops)
    return stops


def _find_lowered(runs: FloatArray, rest_v: float, charging_v: float) -> list[tuple[int, int]]:
    """Stretches in which a charger that varies gave no more than a battery at rest, as half-open ranges of blocks."""
    is_low = runs < min(charging_v - _VARIES_V, max(_MAY_REST_V, rest_v + _STARTS_V))
    edges = np.flatnonzero(np.diff(np.concatenate(([False], is_low, [False])).astype(np.int8)))
    lowered = [(a, b) for a, b in edges.reshape(-1, 2).tolist() if b - a >= _VARIES_BLOCKS]
    return [(find_fall_start(runs, a, 0), find_rise_start(runs, b) if b < len(runs) else b) for a, b in lowered]
