"""When charging begins and ends, by the level at which the supply would stand with the amplifier quiet.

Charging: a level that only a charger gives, or a lasting step up from one that may be rest. It ends where the level
falls for good; a dip between two charging levels that are alike ends none.

Gaps: the level is smoothed across one, and nothing else is.
Limits: a charger that holds less than 13.2 V looks like rest, unless it comes or goes: see `lasting_steps`.
Source: our choice, measured by `python -m ampwitness.bench.engine_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.lasting_steps import find_lasting_steps, spans_of_charging
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.types import FloatArray

State = Literal["rest", "cranking", "charging", "not decidable"]

CHARGING_FROM_V = 13.3
REST_TO_V = 13.0
STEP_V = 0.45  # a fall of the level this large within a second and a half: the engine was switched off
BLOCK_STEPS = 10  # of 10 ms: the level goes in tenths of a second
SURFACE_S = 300.0  # from memory: so long behind a charging the charge on the plates shows
SLOW_FALL_V = 0.4  # within four seconds and a half, to below what charges
_LONGEST_FALL, _FALLS_V = 200, 0.04  # blocks; within a second
_STANDS_BLOCKS, _STANDS_WITHIN, _STANDS_V = 20, 60, 0.08
_DIP_BLOCKS, _HOLDS = 20, 20
_BACK_BLOCKS, _AT_A_TIME = 5, 10_000


def measure_level(
    steps: SupplySteps, open_v: FloatArray, cranks: Sequence[tuple[float, float]]
) -> tuple[FloatArray, FloatArray]:
    """Open voltage in blocks of 0.1 s outside cranking, smoothed over 0.5 s: times of the blocks' middles, volts."""
    n = len(open_v) // BLOCK_STEPS * BLOCK_STEPS
    times = steps.time_s[:n].reshape(-1, BLOCK_STEPS).mean(axis=1)
    # The upper part: short dips of accessories and of notes that the slope does not cover are no change of state.
    volts = np.partition(open_v[:n].reshape(-1, BLOCK_STEPS), 7, axis=1)[:, 7]
    kept = np.ones(len(times), dtype=bool)
    for a, b in cranks:
        kept[np.searchsorted(times, a - 0.05) : np.searchsorted(times, b + 0.05)] = False
    times, volts = times[kept], volts[kept]
    if len(volts) < 5:
        return times, volts
    padded = np.concatenate((volts[:1], volts[:1], volts, volts[-1:], volts[-1:]))
    return times, np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)


def find_charging_changes(level_s: FloatArray, level: FloatArray) -> list[tuple[float, State]]:
    """When charging begins and ends: (time, state from then on), from the first block on."""
    far = 15
    later = np.concatenate((level[far:], np.full(min(far, len(level)), level[-1])))
    fall = level - later  # over the next second and a half
    # A fall of the level that is not taken back within the next two seconds.
    much_later = np.concatenate((level[3 * far :], np.full(min(3 * far, len(level)), level[-1])))
    # A consumer that goes while the battery comes down lifts it for a moment.
    held = np.minimum(level, np.concatenate((level[_HOLDS:], np.full(min(_HOLDS, len(level)), np.inf)))[: len(level)])
    off = (fall > STEP_V) & (level - much_later > STEP_V) & (much_later < 13.6)
    # A battery that comes down slowly; not one that a consumer of some seconds pulled down.
    stays = np.concatenate((level[5 * far :], np.full(min(5 * far, len(level)), level[-1])))
    off |= (level - np.maximum(much_later, stays) > SLOW_FALL_V) & (much_later < CHARGING_FROM_V)
    off &= ~_comes_to_stand(level)
    off[_come_back(level, np.flatnonzero(off), far)] = False
    is_high, is_low = level > CHARGING_FROM_V, (level < REST_TO_V) & ~_is_taken_back(level)
    first: State = "charging" if is_high[0] else "rest" if level[0] < 12.95 else "not decidable"
    changes: list[tuple[float, State]] = [(float(level_s[0]) - 0.05, first)]
    state, at, floor_v = first, 0, CHARGING_FROM_V
    n = len(level)
    while at < n:
        if state == "charging":
            ends = np.flatnonzero(off[at:] | is_low[at:])
            if not len(ends):
                break
            place = at + int(ends[0])
            # The instant at which it left the level, within those seconds; and the surface charge that
            # stays on the battery for minutes is not taken for a charger again.
            stop = min(n, place + 3 * far + 1)
            settled_v = float(level[min(n - 1, place + 3 * far)])
            if off[place]:
                half_v = (float(level[place]) + settled_v) / 2
                gone = np.flatnonzero(level[place:stop] < half_v)
                place = find_fall_start(level, place + int(gone[0]), at) if len(gone) else place
            else:
                place = find_fall_start(level, place, at)
            settled_v = float(level[min(n - 1, place + 3 * far)])
            floor_v = max(CHARGING_FROM_V, settled_v + 0.25)
            state = "rest"
            changes.append((float(level_s[min(place, n - 1)]) - 0.05, state))
            at = min(n, place + 3)
            continue
        if state == "not decidable":
            turns = np.flatnonzero(is_high[at:] | (level[at:] < 12.95))
            if not len(turns):
                break
            place = at + int(turns[0])
            state = "charging" if is_high[place] else "rest"
        else:
            # It must have been below: behind a fall the level is above at first.
            below = np.concatenate(([state == first and at <= 1], level[at:-1] <= floor_v))
            rises = np.flatnonzero((held[at:] > floor_v) & below)
            if not len(rises):
                break
            since, at = at, at + int(rises[0])
            place, state = max(since, find_rise_start(level, at)), "charging"
        changes.append((float(level_s[place]) - 0.05, state))
        at = max(place, at) + 1
        while at < n and state == "charging" and level[at] < CHARGING_FROM_V and at < place + far:
            at += 1  # it is still rising
    return changes


def _comes_to_stand(level: FloatArray) -> npt.NDArray[np.bool_]:
    """(n,) whether the level falls and, within eight seconds, stands still for two where only a charger holds it.

    A battery that is left alone comes down there; consumers, and a charger's own rule, make steps.
    """
    n = len(level)
    if n < _STANDS_BLOCKS + _STANDS_WITHIN:
        return np.zeros(n, dtype=bool)
    ahead = np.lib.stride_tricks.sliding_window_view(level, _STANDS_BLOCKS)
    low_v, high_v = np.percentile(ahead, [10, 90], axis=1)
    stands = (high_v - low_v < _STANDS_V) & (low_v > CHARGING_FROM_V)
    stand_v = np.concatenate((np.where(stands, high_v, np.inf), np.full(n - len(ahead) + _STANDS_WITHIN - 1, np.inf)))
    lowest_v = np.lib.stride_tricks.sliding_window_view(stand_v, _STANDS_WITHIN).min(axis=1)
    return np.asarray(lowest_v < level - STEP_V / 2)


def _come_back(level: FloatArray, falls: npt.NDArray[np.intp], far: int) -> npt.NDArray[np.intp]:
    """Those of the falls behind which the level is up again for half a second, from `far` to three times that behind:
    consumers that come again and again pull it down at both, and an engine that stopped lets it up at none."""
    back = np.zeros(len(falls), dtype=bool)
    ahead = np.arange(far, 3 * far + 1)
    for first in range(0, len(falls), _AT_A_TIME):
        some = falls[first : first + _AT_A_TIME]
        behind = level[np.minimum(some[:, None] + ahead, len(level) - 1)]
        back[first : first + len(some)] = (behind > level[some, None] - STEP_V / 2).sum(axis=1) >= _BACK_BLOCKS
    return falls[back]


def find_fall_start(level: FloatArray, place: int, first: int) -> int:
    """Where the fall began that was seen at `place`, not before `first`: the battery comes down slowly at times."""
    at = place
    while at - first > BLOCK_STEPS and place - at < _LONGEST_FALL and level[at - 10] - level[at] > _FALLS_V:
        at -= 1
    return at


def _is_taken_back(level: FloatArray) -> npt.NDArray[np.bool_]:
    """(n,) whether a low level is a dip of at most two seconds between two charging levels that are alike: a large
    consumer, or a contact. An engine that stops stays low, but for the charge on its battery's plates."""
    found = np.zeros(len(level), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], level < REST_TO_V, [False])).astype(np.int8)))
    for first, stop in edges.reshape(-1, 2).tolist():
        before, behind = level[max(0, first - 35) : max(0, first - 5)], level[stop + 5 : stop + 35]
        if stop - first <= _DIP_BLOCKS and len(before) >= 10 and len(behind) >= 10:
            was_v, is_v = float(np.median(before)), float(np.median(behind))
            found[first:stop] = min(was_v, is_v) > CHARGING_FROM_V and abs(was_v - is_v) < STEP_V
    return found


def add_weak_charging(
    changes: list[tuple[float, State]], level_s: FloatArray, level: FloatArray
) -> list[tuple[float, State]]:
    """The same, with what lasting steps tell of a charger too weak to reach a charging level."""
    if [state for _, state in changes[:2]] == ["not decidable", "charging"]:
        # What could not be told at first was charging already, unless the level rose.
        at = int(np.searchsorted(level_s, changes[1][0]))
        before, behind = level[max(0, at - 50) : at], level[at : at + 50]
        if len(before) and len(behind) and abs(float(np.median(behind) - np.median(before))) < STEP_V / 2:
            changes = [(changes[0][0], "charging"), *changes[2:]]
    begins = np.array([t for t, _ in changes])
    is_charging = np.array([state == "charging" for _, state in changes])
    may_be = ~is_charging[np.maximum(0, np.searchsorted(begins, level_s, "right") - 1)]
    # For minutes behind a charging a battery at rest stands as high as a weak charger holds: what steps there is a
    # consumer that comes or goes.
    stopped_s = np.array([t for (_, was), (t, state) in pairwise(changes) if was == "charging" and state == "rest"])
    lasting = tuple(
        step
        for step in find_lasting_steps(level_s, level, may_be)
        if not np.any((step.time_s > stopped_s) & (step.time_s < stopped_s + SURFACE_S))
    )
    if not lasting:
        return changes
    begins_s, ends_s = float(begins[0]), float(level_s[-1]) + 1.0
    edges_s = [begins_s, *(t for t, state in changes if state == "charging"), ends_s]
    out = changes
    for first_s, last_s in pairwise(edges_s):
        # From where this charging ended, to where the next one begins.
        since_s = next((t for t, state in changes if first_s <= t < last_s and state != "charging"), last_s)
        for a, b in spans_of_charging(lasting, since_s, last_s):
            a, b = (_place_step(t, level_s, level) if since_s < t < last_s else t for t in (a, b))
            out = [change for change in out if not a <= change[0] <= b + 1.0 or change[1] == "charging"]
            out += [(a, "charging")] if b >= last_s else [(a, "charging"), (b, "rest")]
    return sorted(out)


def _place_step(time_s: float, level_s: FloatArray, level: FloatArray) -> float:
    """The instant of a step near a time: where two means explain most of the two seconds to either side."""
    at = np.flatnonzero(np.abs(level_s - time_s) <= 2.0)
    if len(at) < 2:
        return time_s
    sums, counts = np.cumsum(level[at] - level[at].mean())[:-1], np.arange(1, len(at))
    split = int(np.argmax(sums**2 * (1 / counts + 1 / counts[::-1])))
    return float(level_s[at[split + 1]]) - 0.05


def find_rise_start(level: FloatArray, place: int) -> int:
    """Where the rise began that passes the charging level at `place`."""
    lowest = place
    while lowest > BLOCK_STEPS and place - lowest < _LONGEST_FALL and level[lowest] - level[lowest - 10] > _FALLS_V:
        lowest -= 1
    first = max(0, place - 15)
    before_v = float(np.median(level[first : max(first + 1, place - 8)]))
    top_v = float(level[min(len(level) - 1, place + 15)])
    low = np.flatnonzero(level[first : place + 1] < before_v + 0.12 * (top_v - before_v))
    began = first + int(low[-1]) + 1 if len(low) else place
    return lowest if lowest < first else began
