"""When the engine was cranked, by the supply alone.

Out of rest the supply falls within 40 ms by 2 V or more without the output asking for it, comes part of the way back,
and stays down for 0.15 s or more; behind it the engine charges, or the supply swung as a piston engine makes it: by
much, or evenly. A strong battery gives way by less: from 0.9 V on it is a cranking if the supply then stands higher
than it ever did in the minute ahead, the more so the less even strokes are seen.

Gaps: within one of up to 0.3 s the supply is taken to go straight on; what a longer one breaks is judged up to it.
Limits: volts alone. A large consumer whose current swings looks like a starter that did not start the engine.
Source: our choice, measured by `python -m ampwitness.bench.engine_scores`. 3.5 V: below the cranking level of the
deepest starting profile of ISO 16750-2, and above what a lead without contact leaves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import Finding, FloatArray

CRANK_FALL_V = 2.0
# A battery that hardly gives way: so far down; up behind it with even strokes, and without; what counts as ahead of it.
STRONG_FALL_V, STRONG_RISE_V, STRONG_LEFT_V, _STRONG_AHEAD = 0.9, (0.2, 0.35), 0.6, 6000
CHARGED_V = 0.5
_CHARGES_WITHIN = (300, 1500, 2900)  # of 10 ms: at once, behind a battery that hardly gives way, and even strokes
CRANK_FROM_V = 13.45  # a rested lithium battery gives up to 13.4 V
CRANK_LEFT_V = 0.8  # at least this much below rest after the first notch
CRANK_BACK_V = 0.4  # and at least this much above the notch
CRANK_LEAST_V = 3.5  # no battery that turns a starter gives less: what stands lower lost contact
CRANK_LEAST_S = 0.15
CRANK_LONGEST_S = 30.0
CRANK_SWING_V = 0.12
_STROKES_HZ, _STROKES_CYCLES, _STROKES_V, _STROKES_SHARE = (2.5, 20.0), 4, 0.025, 0.6
_ASKS_V2, _IN_STEP, _STEP_LAGS = 0.02, 0.4, 5  # an output that plays; so far it may be ahead, in steps of 10 ms
_ALIKE_RATIO = 0.2
_NEAR_RATIO, _PAUSE_LEAST = 0.8, 12
_PAUSES_RATIO, _PAUSES_AFTER, _PAUSES_LEAST, _SOON_STEPS = 0.02, 3, 3, 14
_STROKES_LEAST, _STROKES_LONGEST, _STROKES_SHOW = 30, 300, 100  # of 10 ms
_STROKES_RATIO = 0.6  # beside even strokes so much of the least fall will do, and no notch need be seen
_AHEAD_PERCENT = 95.0
_HOLD = round(0.30 / STEP_S)
_BRIDGED_STEPS = 30
# When a starter lets go, in steps of 10 ms: not within the first notch; so long a battery may take to be clearly up.
_EARLIEST_END, _LONGEST_RISE, _RISES_V, _STEEP_RATIO = 12, 60, 0.01, 0.35
_FALL_STEPS, _SAME_FALL_S, _HALF_FALL_S = 6, 0.15, 0.002
_AHEAD_OF_DIP_S = 0.020  # so far ahead of a dip's own date


def list_crankings(
    steps: SupplySteps, supply: FloatArray, open_v: FloatArray, dips: Sequence[Finding]
) -> list[tuple[float, float]]:
    """Start and stop of each cranking, recording time.

    Parameters
    ----------
    steps : the recording in steps of 10 ms
    supply, open_v : (n,) volts of these steps, and what they would be with the amplifier quiet
    dips : findings of the dip detector; those of the supply date the start to a millisecond or two
    """
    steps, supply, open_v = _bridge_gaps(steps, supply, open_v)
    found: list[tuple[float, float]] = []
    starts_s = [
        float(dip.evidence.get("fell_from_s", dip.start_s)) for dip in dips if dip.measured.get("role") == "supply"
    ]
    # An engine that stopped leaves a supply that is low already: its next cranking lies within that dip. And a dip that
    # a note made right ahead of one hides its date. A battery that gives way by little crosses the dip's threshold
    # only some strokes later.
    falls_s = _list_falls(steps, supply)
    for start_s in (*sorted(starts_s), *sorted(falls_s)):
        if any(a - _SAME_FALL_S < start_s < b + 0.2 for a, b in found):
            continue
        ahead_s = (fall_s for fall_s in falls_s if _AHEAD_OF_DIP_S < start_s - fall_s < _SAME_FALL_S)
        for candidate_s in (*ahead_s, start_s):
            span = _judge_cranking(steps, supply, open_v, candidate_s)
            if span is not None:
                found.append(span)
                break
    return sorted(found)


def _bridge_gaps(
    steps: SupplySteps, supply: FloatArray, open_v: FloatArray
) -> tuple[SupplySteps, FloatArray, FloatArray]:
    """The same with straight lines through short gaps: a starter turns on while some frames are lost."""
    missing = np.diff(steps.index) - 1
    short = np.flatnonzero((missing > 0) & (missing <= _BRIDGED_STEPS))
    if not len(short):
        return steps, supply, open_v
    filled = [np.arange(steps.index[k] + 1, steps.index[k + 1]) for k in short.tolist()]
    index = np.sort(np.concatenate((steps.index, *filled)))
    supply, open_v, output_v2 = (np.interp(index, steps.index, v) for v in (supply, open_v, steps.output_v2))
    return SupplySteps(index, output_v2, {"supply": supply}), supply, open_v


def _list_falls(steps: SupplySteps, supply: FloatArray) -> list[float]:
    """When the supply began to fall as far within 60 ms as a cranking makes it; to some milliseconds."""
    if len(supply) < 2 * _FALL_STEPS:
        return []
    lowest = np.lib.stride_tricks.sliding_window_view(supply[1:], _FALL_STEPS).min(axis=1)
    falls = supply[: len(lowest)] - lowest > STRONG_FALL_V
    falls &= np.diff(steps.index, append=0)[: len(lowest)] == 1
    out = []
    for last in np.flatnonzero(falls & ~np.concatenate((falls[1:], [False]))).tolist():
        # The last step from which it is far to fall is on the slope or just ahead of it.
        first = max(0, last - _FALL_STEPS)
        top_v = float(supply[first : last + 1].max())
        ahead = first + int(np.flatnonzero(supply[first : last + 1] > top_v - 0.2)[-1])
        if ahead + 2 >= len(supply):
            continue
        fall_v = top_v - float(supply[ahead + 2])
        left = (
            float(np.clip((float(supply[ahead + 1]) - float(supply[ahead + 2])) / fall_v, 0, 1)) if fall_v > 0 else 0.0
        )
        out.append(float(steps.index[ahead] + 1 + left) * STEP_S - _HALF_FALL_S)
    return out


def _judge_cranking(
    steps: SupplySteps, supply: FloatArray, open_v: FloatArray, start_s: float
) -> tuple[float, float] | None:
    at = int(np.searchsorted(steps.index, round(start_s / STEP_S)))
    stop = min(len(supply), at + round(CRANK_LONGEST_S / STEP_S))
    stop = _whole(steps, at, stop)
    before = slice(max(0, at - 100), max(0, at - 2))
    if stop - at < 40 or before.stop - before.start < 5:
        return None
    rest_v = float(np.median(open_v[before]))
    volts = supply[at:stop]
    notch_v = float(volts[:10].min())
    fall_v = rest_v - float(np.maximum(volts, open_v[at:stop])[:6].min())
    if rest_v > CRANK_FROM_V or fall_v < STRONG_FALL_V:
        return None
    asked = steps.output_v2
    if np.isfinite(asked[at]) and len(asked) > at + 6:
        # A loud note pulls the supply down as well: then the output rises as the supply falls.
        more = float(np.mean(asked[at : at + 6])) - 1.5 * float(np.mean(asked[before]))
        if more > 1.0 and float((open_v - supply)[at : at + 10].max()) > 0.5 * (rest_v - notch_v):
            return None
    near_v = float(np.median(open_v[max(0, at - 12) : at - 1]))  # it may have been falling slowly
    if _is_up_without_it(volts, asked[max(0, at - 100) : at + _SOON_STEPS], min(rest_v, near_v)):
        return None
    # Where the cranking level lies: what holds from a tenth of a second on, before the supply is back.
    early = volts[8:30]
    centre_v = float(np.median(early))
    if centre_v > rest_v - _STROKES_RATIO * CRANK_LEFT_V:
        return None
    end = _find_end(volts, centre_v, rest_v)
    if end is None or end * STEP_S < CRANK_LEAST_S:
        return None
    # A consumer swings by nothing once its inrush is over; and what the music pulls does not count.
    inside = slice(at + 10 + max(0, end - 15) // 3, at + end - 5)
    settled = open_v[inside]
    has_strokes = _has_strokes(settled) and not (
        _is_in_step(settled, asked[inside]) and _swung_alike(supply[before], asked[before], settled, asked[inside])
    )
    is_strong = fall_v < CRANK_FALL_V
    above_v = rest_v + CHARGED_V
    if is_strong:
        ahead_v = max(rest_v, float(np.percentile(open_v[max(0, at - _STRONG_AHEAD) : at], _AHEAD_PERCENT)))
        above_v = ahead_v + STRONG_RISE_V[not has_strokes]
    is_charged = _rises_behind(open_v[at + end : stop], rest_v, above_v, is_strong=is_strong, has_strokes=has_strokes)
    if is_strong and (not is_charged or (end > _STROKES_SHOW and not has_strokes)):
        return None
    left_v, back_v = (STRONG_LEFT_V if is_charged else CRANK_LEFT_V), CRANK_BACK_V / (1 + is_charged)
    if not has_strokes and (centre_v > rest_v - left_v or centre_v < notch_v + back_v):
        return None
    if float(np.percentile(volts[8 : max(end, 9)], 20)) < CRANK_LEAST_V:
        return None
    swing_v = _measure_pauses(open_v[at + 10 : at + end - 5], asked[at + 10 : at + end - 5])
    if swing_v is None:
        swing_v = float(np.std(_without_course(settled))) if len(settled) > 5 else 0.0
    if not is_charged and swing_v < CRANK_SWING_V and not has_strokes:
        return None
    return start_s, float((steps.index[at] + end) * STEP_S)


def _rises_behind(behind: FloatArray, rest_v: float, above_v: float, *, is_strong: bool, has_strokes: bool) -> bool:
    """Whether the supply comes to stand above some volts behind a cranking; behind a strong battery, which an
    alternator lifts slowly, within some seconds more, unless it is pulled down again by then. Behind even strokes it
    may take longer still, as consumers hold an alternator of few amperes down."""
    at_once = behind[: _CHARGES_WITHIN[0]]
    if not is_strong and len(at_once) > 50 and float(np.percentile(at_once, 75)) > above_v:
        return True
    behind = behind[: _CHARGES_WITHIN[1 + has_strokes]]
    again = np.flatnonzero(behind[_HOLD:] < rest_v - STRONG_FALL_V)
    if len(again):
        behind = behind[: _HOLD + int(again[0])]
    return len(behind) > 50 and int((behind > above_v).sum()) > min(len(behind), _CHARGES_WITHIN[1]) / 4


def _is_up_without_it(volts: FloatArray, asked: FloatArray, rest_v: float) -> bool:
    """Whether the supply stands near rest as soon as the output pauses: then it was the output that pulled it down.

    `asked` ends with the first steps of the fall, of which `volts` begins.
    """
    if not np.isfinite(asked).all() or float(asked.max(initial=0.0)) < _ASKS_V2:
        return False
    sounds = np.convolve(asked > _PAUSES_RATIO * float(asked.max()), np.ones(_PAUSES_AFTER), "full")[: len(asked)] > 0
    quiet = np.flatnonzero(~sounds[-_SOON_STEPS:])
    quiet = quiet[quiet >= _PAUSES_AFTER]
    if len(quiet) < _PAUSES_LEAST or not sounds[-_SOON_STEPS:].any():
        return False
    return float(np.median(volts[quiet])) > rest_v - _NEAR_RATIO * CRANK_LEFT_V


def _has_strokes(volts: FloatArray) -> bool:
    """Whether the supply swings evenly, as pistons make it, at one frequency or one that rises a little."""
    volts = volts[:_STROKES_LONGEST]
    n = len(volts)
    if n < _STROKES_LEAST or not np.isfinite(volts).all():
        return False
    left = _without_course(volts)
    if float(np.std(left)) < _STROKES_V:
        return False
    power = np.abs(np.fft.rfft(left * np.hanning(n))) ** 2
    hz = np.fft.rfftfreq(n, STEP_S)
    inside = np.flatnonzero((hz > _STROKES_HZ[0]) & (hz < _STROKES_HZ[1]) & (np.arange(len(hz)) >= _STROKES_CYCLES))
    if not len(inside):
        return False
    top = int(inside[np.argmax(power[inside])])
    return float(power[top - 1 : top + 2].sum()) > _STROKES_SHARE * float(power.sum())


def _measure_pauses(volts: FloatArray, asked: FloatArray) -> float | None:
    """How far the supply swings in the pauses of an output that sounds at times; None: it hardly pauses.

    An engine that is turned swings on while nothing plays: a supply that stands still there, however low, feeds none.
    The median of the pauses, as other consumers may come and go in one.
    """
    if not np.isfinite(asked).all() or float(asked.max(initial=0.0)) < _ASKS_V2:
        return None
    pauses = _split_pauses(asked)
    if sum(stop - start for start, stop in pauses) < _STROKES_LEAST:
        return None
    return float(np.median([np.std(volts[start:stop]) for start, stop in pauses]))


def _split_pauses(asked: FloatArray) -> list[tuple[int, int]]:
    """Where the output pauses for long enough that a stroke would show, less what follows a sound at once."""
    sounds = asked > _PAUSES_RATIO * float(asked.max())
    is_quiet = np.convolve(sounds, np.ones(_PAUSES_AFTER), "full")[: len(asked)] == 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], is_quiet, [0])))).tolist()
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= _PAUSE_LEAST]


def _is_in_step(volts: FloatArray, asked: FloatArray) -> bool:
    """Whether the supply swings in step with what the output asks for: syllables or beats, not an engine.

    Either way round, as what is taken out for the output may be too much.
    """
    if not np.isfinite(asked).all() or float(asked.max()) < _ASKS_V2:
        return False
    swings, asks = _without_course(volts), _without_course(asked)
    for lag in range(_STEP_LAGS):
        a, b = swings[lag:], asks[: len(asks) - lag]
        scale = float(np.sqrt((a @ a) * (b @ b)))
        if scale > 0 and abs(float(a @ b)) > _IN_STEP * scale:
            return True
    return False


def _swung_alike(volts: FloatArray, asked: FloatArray, later: FloatArray, later_asked: FloatArray) -> bool:
    """Whether the supply swung ahead as well, for as much as the output asked: else it is in step by chance."""
    if not np.isfinite(asked).all() or float(np.std(asked)) < _ALIKE_RATIO * float(np.std(later_asked)):
        return True  # it hardly asked for anything
    was = float(np.std(_without_course(volts)) / np.std(asked))
    return was > _ALIKE_RATIO * float(np.std(_without_course(later)) / np.std(later_asked))


def _without_course(volts: FloatArray) -> FloatArray:
    """The same less the parabola through it."""
    at = np.arange(len(volts))
    return np.asarray(volts - np.polyval(np.polyfit(at, volts, 2), at))


def _find_end(volts: FloatArray, centre_v: float, rest_v: float) -> int | None:
    """First step from which the supply holds well above the cranking level; None: it never does."""
    # The level swings slowly at first: follow it, so that a crest of the swing is not the end.
    high = centre_v + 0.55 * (rest_v - centre_v)
    above = (volts > high).astype(np.int64)
    sums = np.concatenate(([0], np.cumsum(above)))
    ends = np.minimum(np.arange(len(volts)) + _HOLD, len(volts))
    held = sums[ends] - sums[:-1] == ends - np.arange(len(volts))
    hits = np.flatnonzero(held & (np.arange(len(volts)) >= _EARLIEST_END))
    if not len(hits):
        return None
    return _find_letting_go(volts, int(hits[0]))


def _find_letting_go(volts: FloatArray, up: int) -> int:
    """First step of the steepest rise on the way up to `up`: ahead of it lies the last stroke's own rise, behind it a
    battery that comes back slowly."""
    first = up
    while first > max(_EARLIEST_END, up - _LONGEST_RISE) and volts[first - 1] < volts[first] + _RISES_V:
        first -= 1
    rises = np.diff(volts[first - 1 : up + 1])
    began = int(np.argmax(rises))
    while began > 0 and rises[began - 1] > _STEEP_RATIO * rises[began]:
        began -= 1
    return first + began


def _whole(steps: SupplySteps, at: int, stop: int) -> int:
    """How far from `at` the steps follow one another without a gap."""
    broken = np.flatnonzero(np.diff(steps.index[at:stop]) != 1)
    return at + int(broken[0]) + 1 if len(broken) else stop
