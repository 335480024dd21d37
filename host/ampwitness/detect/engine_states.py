"""Engine states from the supply: rest, cranking, charging; not decidable where volts cannot tell.

Cranking: out of rest the supply falls within 40 ms by 2 V or more without the output asking for it, comes part of the
way back, and stays down for 0.15 s or more; behind it the engine charges, or it swung as a piston engine makes it.
Charging: the supply as it would stand with the amplifier quiet is one that only a charger gives. A charging level that
wanders by more than 0.9 V is a variable charger's: then a low level behind it may be rest or charging, and is not
decidable unless a cranking ends it.

Gaps: a state is carried across a gap only as "what was known before"; nothing is measured across one.
Limits: volts alone. A charger that holds less than 13.2 V looks like rest, unless it comes or goes: see
`lasting_steps`.
Source: our choice, measured by `python -m ampwitness.bench.engine_scores`. 13.2 V: above any open-circuit voltage of a
rested flooded battery (12.7 V, electrode data of Bode) and below a charger's set-point (13.5 to 14.9 V, service data).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from ampwitness.detect.lasting_steps import find_lasting_steps, learn_sag, spans_of_charging
from ampwitness.detect.supply_history import STEP_S, SupplySteps
from ampwitness.finding_list import FindingList
from ampwitness.types import Finding, FloatArray

State = Literal["rest", "cranking", "charging", "not decidable"]
STATES: tuple[State, ...] = ("rest", "cranking", "charging", "not decidable")

CHARGING_FROM_V = 13.3
REST_TO_V = 13.0
WANDER_V = 0.9
LEAST_CHARGED_V = 11.5  # no charger holds less
STEP_V = 0.45  # a fall of the level this large within a second and a half: the engine was switched off
CRANK_FALL_V = 2.0
CRANK_FROM_V = 13.45  # a rested lithium battery gives up to 13.4 V
CRANK_LEFT_V = 0.8  # at least this much below rest after the first notch
CRANK_BACK_V = 0.4  # and at least this much above the notch
CRANK_LEAST_S = 0.15
CRANK_LONGEST_S = 30.0
CRANK_SWING_V = 0.12
_BLOCK = 10  # steps of 10 ms
_HOLD_S = 0.30
_FALL_STEPS, _SAME_FALL_S, _HALF_FALL_S = 6, 0.15, 0.002
_SLOW_CHARGE_S = 5.0  # a worn alternator, or a cold battery, comes up so slowly behind a cranking
_DIP_BLOCKS = 20


@dataclass(frozen=True, slots=True)
class StateSpan:
    """One engine state from `start_s` to `stop_s`, recording time."""

    start_s: float
    stop_s: float
    state: State
    by: str | None = None  # what decided it, in words; None: the volts


@dataclass(frozen=True, slots=True)
class EngineStates:
    """All spans in order of time, without overlap; and why some are not decidable."""

    spans: tuple[StateSpan, ...]
    remarks: tuple[str, ...]

    @property
    def cranking(self) -> tuple[tuple[float, float], ...]:
        """Spans in which the volts show that the engine was cranked: a hand's mark excuses no cut-out."""
        return tuple((s.start_s, s.stop_s) for s in self.spans if s.state == "cranking" and s.by is None)

    def at(self, time_s: float) -> State:
        """The state at a time; "not decidable" outside the spans."""
        starts = [s.start_s for s in self.spans]
        place = int(np.searchsorted(starts, time_s, "right")) - 1
        if place < 0 or time_s >= self.spans[place].stop_s + STEP_S:
            return "not decidable"
        return self.spans[place].state


def find_cranking(steps: SupplySteps, dips: Sequence[Finding]) -> tuple[tuple[float, float], ...]:
    """Spans of cranking alone, by the volts; parameters as for `find_engine_states`."""
    if "supply" not in steps.volts or len(steps) < 2 * _BLOCK or not dips:
        return ()
    supply = steps.volts["supply"]
    open_v = supply + learn_sag(supply, steps.output_v2 / np.maximum(supply, 1.0))
    return tuple(_find_cranking(steps, supply, open_v, dips))


def find_engine_states(steps: SupplySteps, dips: Sequence[Finding]) -> EngineStates:
    """Tell the engine's states apart.

    Parameters
    ----------
    steps : the recording in steps of 10 ms
    dips : findings of the dip detector; those of the supply date the start of a cranking to a millisecond or two
    """
    if "supply" not in steps.volts or len(steps) < 2 * _BLOCK:
        return EngineStates((), ("no supply channel, or less than a fifth of a second of it",))
    supply = steps.volts["supply"]
    open_v = supply + learn_sag(supply, steps.output_v2 / np.maximum(supply, 1.0))
    cranks = _find_cranking(steps, supply, open_v, dips)
    level_s, level = _level(steps, open_v, cranks)
    if not len(level):
        return EngineStates((), ("the supply was never settled",))
    changes = _add_weak_charging(_charging_changes(level_s, level, cranks), level_s, level)
    spans, remarks = _assemble(steps, changes, cranks, level_s, level)
    return EngineStates(tuple(spans), tuple(remarks))


def _find_cranking(
    steps: SupplySteps, supply: FloatArray, open_v: FloatArray, dips: Sequence[Finding]
) -> list[tuple[float, float]]:
    """Spans of cranking."""
    found: list[tuple[float, float]] = []
    starts_s = [
        float(dip.evidence.get("fell_from_s", dip.start_s)) for dip in dips if dip.measured.get("role") == "supply"
    ]
    # An engine that stopped leaves a supply that is low already: its next cranking lies within that dip.
    known = np.array(starts_s)
    starts_s += [t for t in _list_falls(steps, supply) if not (len(known) and np.abs(known - t).min() < _SAME_FALL_S)]
    for start_s in sorted(starts_s):
        if found and start_s < found[-1][1] + 0.2:
            continue
        span = _judge_cranking(steps, supply, open_v, start_s)
        if span is not None:
            found.append(span)
    return found


def _list_falls(steps: SupplySteps, supply: FloatArray) -> list[float]:
    """When the supply began to fall as far within 60 ms as a cranking makes it; to some milliseconds."""
    if len(supply) < 2 * _FALL_STEPS:
        return []
    lowest = np.lib.stride_tricks.sliding_window_view(supply[1:], _FALL_STEPS).min(axis=1)
    falls = supply[: len(lowest)] - lowest > CRANK_FALL_V
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
    if rest_v > CRANK_FROM_V or float(volts[:6].min()) > rest_v - CRANK_FALL_V:
        return None
    asked = steps.output_v2
    if np.isfinite(asked[at]) and len(asked) > at + 6:
        # A loud note pulls the supply down as well: then the output rises as the supply falls.
        more = float(np.mean(asked[at : at + 6])) - 1.5 * float(np.mean(asked[before]))
        if more > 1.0 and float((open_v - supply)[at : at + 10].max()) > 0.5 * (rest_v - notch_v):
            return None
    # Where the cranking level lies: what holds from a tenth of a second on, before the supply is back.
    early = volts[8:30]
    centre_v = float(np.median(early))
    if centre_v > rest_v - CRANK_LEFT_V or centre_v < notch_v + CRANK_BACK_V:
        return None
    end = _find_end(volts, centre_v, rest_v)
    if end is None or end * STEP_S < CRANK_LEAST_S:
        return None
    swing_v = float(np.std(volts[10 : max(11, end - 5)]))
    later = open_v[at + end : min(stop, at + end + 300)]
    is_charged = len(later) > 50 and float(np.percentile(later, 75)) > rest_v + 0.5
    if not is_charged and swing_v < CRANK_SWING_V:
        return None
    return start_s, float((steps.index[at] + end) * STEP_S)


def _find_end(volts: FloatArray, centre_v: float, rest_v: float) -> int | None:
    """First step from which the supply holds well above the cranking level; None: it never does."""
    hold = round(_HOLD_S / STEP_S)
    # The level swings slowly at first: follow it, so that a crest of the swing is not the end.
    high = centre_v + 0.55 * (rest_v - centre_v)
    above = (volts > high).astype(np.int64)
    sums = np.concatenate(([0], np.cumsum(above)))
    ends = np.minimum(np.arange(len(volts)) + hold, len(volts))
    held = sums[ends] - sums[:-1] == ends - np.arange(len(volts))
    hits = np.flatnonzero(held & (np.arange(len(volts)) >= 12))
    if not len(hits):
        return None
    end = int(hits[0])
    while end > 12 and volts[end - 1] < volts[end] - 0.05 and end > int(hits[0]) - 15:  # back to where it began to rise
        end -= 1
    return end


def _whole(steps: SupplySteps, at: int, stop: int) -> int:
    """How far from `at` the steps follow one another without a gap."""
    broken = np.flatnonzero(np.diff(steps.index[at:stop]) != 1)
    return at + int(broken[0]) + 1 if len(broken) else stop


def _level(
    steps: SupplySteps, open_v: FloatArray, cranks: Sequence[tuple[float, float]]
) -> tuple[FloatArray, FloatArray]:
    """Open voltage in blocks of 0.1 s outside cranking, smoothed over 0.5 s: times of the blocks' middles, volts."""
    n = len(open_v) // _BLOCK * _BLOCK
    times = steps.time_s[:n].reshape(-1, _BLOCK).mean(axis=1)
    # The upper part: short dips of accessories and of notes that the slope does not cover are no change of state.
    volts = np.partition(open_v[:n].reshape(-1, _BLOCK), 7, axis=1)[:, 7]
    kept = np.ones(len(times), dtype=bool)
    for a, b in cranks:
        kept[np.searchsorted(times, a - 0.05) : np.searchsorted(times, b + 0.05)] = False
    times, volts = times[kept], volts[kept]
    if len(volts) < 5:
        return times, volts
    padded = np.concatenate((volts[:1], volts[:1], volts, volts[-1:], volts[-1:]))
    return times, np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)


def _charging_changes(
    level_s: FloatArray, level: FloatArray, cranks: Sequence[tuple[float, float]]
) -> list[tuple[float, State]]:
    """When charging begins and ends: (time, state from then on), from the first block on."""
    far = 15
    later = np.concatenate((level[far:], np.full(min(far, len(level)), level[-1])))
    fall = level - later  # over the next second and a half
    # A fall of the level that is not taken back within the next two seconds.
    much_later = np.concatenate((level[3 * far :], np.full(min(3 * far, len(level)), level[-1])))
    off = (fall > STEP_V) & (level - much_later > STEP_V) & (much_later < 13.6)
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
            # The instant at which it left the level, within that second and a half; and the surface charge that
            # stays on the battery for minutes is not taken for a charger again.
            stop = min(n, place + 2 * far + 1)
            settled_v = float(level[min(n - 1, place + 3 * far)])
            left_v = level[place] - 0.12 * (level[place] - settled_v)
            gone = np.flatnonzero(level[place:stop] < left_v) if off[place] else np.array([0])
            place += int(gone[0]) if len(gone) else 0
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
            rises = np.flatnonzero((level[at:] > floor_v) & below)
            if not len(rises):
                break
            place = _rise_began(level, at + int(rises[0]))
            state = "charging"
        changes.append((float(level_s[place]) - 0.05, state))
        at = max(place, at) + 1
        while at < n and state == "charging" and level[at] < CHARGING_FROM_V and at < place + far:
            at += 1  # it is still rising
    return changes


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


def _add_weak_charging(
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
    lasting = find_lasting_steps(level_s, level, may_be)
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


def _rise_began(level: FloatArray, place: int) -> int:
    """Where the rise began that passes the charging level at `place`."""
    first = max(0, place - 15)
    before_v = float(np.median(level[first : max(first + 1, place - 8)]))
    top_v = float(level[min(len(level) - 1, place + 15)])
    low = np.flatnonzero(level[first : place + 1] < before_v + 0.12 * (top_v - before_v))
    return first + int(low[-1]) + 1 if len(low) else place


def _assemble(
    steps: SupplySteps,
    changes: list[tuple[float, State]],
    cranks: Sequence[tuple[float, float]],
    level_s: FloatArray,
    level: FloatArray,
) -> tuple[list[StateSpan], list[str]]:
    begin_s, end_s = float(steps.index[0] * STEP_S), float((steps.index[-1] + 1) * STEP_S)
    remarks: list[str] = []
    times = [begin_s, *(t for t, _ in changes[1:]), end_s]
    base = [StateSpan(a, b, s) for a, b, (_, s) in zip(times[:-1], times[1:], changes, strict=True) if b > a]
    # A charging that begins within half a second behind a cranking begins where that ends.
    spans: list[StateSpan] = []
    for span in base:
        pieces = [span]
        for a, b in cranks:
            pieces = [
                StateSpan(x, y, piece.state)
                for piece in pieces
                for x, y in ((piece.start_s, min(piece.stop_s, a)), (max(piece.start_s, b), piece.stop_s))
                if y - x > 1e-9
            ]
        spans += pieces
    spans = sorted([*spans, *(StateSpan(a, b, "cranking") for a, b in cranks)], key=lambda s: s.start_s)
    spans = _close_up(_by_cranking(_close_up(spans), level_s, level))
    charging = [
        float(np.median(level[(level_s >= s.start_s + 2) & (level_s < s.stop_s - 1)]))
        for s in spans
        if s.state == "charging" and s.stop_s - s.start_s > 4
    ]
    inside = np.concatenate(
        [level[(level_s >= s.start_s + 2) & (level_s < s.stop_s - 1)] for s in spans if s.state == "charging"]
        or [np.empty(0)]
    )
    inside = inside[inside > LEAST_CHARGED_V]  # a lead that lost contact, a consumer at its inrush
    wander_v = float(np.subtract(*np.percentile(inside, [95, 5]))) if len(inside) > 20 else 0.0
    if charging and wander_v > WANDER_V:
        spans = _doubt(spans)
        remarks.append(
            f"the charging voltage wandered by {wander_v:.1f} V: a variable charger, so a low supply behind it "
            "may be rest or charging"
        )
    return spans, remarks


def _close_up(spans: list[StateSpan]) -> list[StateSpan]:
    """Join equal neighbours; what lasted under 0.6 s behind a cranking belongs to what follows it."""
    out: list[StateSpan] = []
    for place, span in enumerate(spans):
        after_crank = bool(out) and out[-1].state == "cranking"
        follows = spans[place + 1] if place + 1 < len(spans) else None
        if after_crank and follows is not None and follows.state == "charging" and span.stop_s - span.start_s < 0.6:
            spans[place + 1] = StateSpan(span.start_s, follows.stop_s, "charging")
            continue
        if out and out[-1].state == span.state and span.state != "cranking":
            out[-1] = StateSpan(out[-1].start_s, span.stop_s, span.state)
        else:
            out.append(span)
    return out


def _by_cranking(spans: list[StateSpan], level_s: FloatArray, level: FloatArray) -> list[StateSpan]:
    """What crankings tell of the spans beside them, and what it tells that there was none.

    Ahead of a cranking the engine was at rest, whatever its battery's kind. A charging that comes up slowly behind one
    began with it. A low level between two charging ones without a cranking may be a charger that paused.
    """
    out = list(spans)
    for place, span in enumerate(out):
        before = out[place - 1].state if place else None
        after = out[place + 1].state if place + 1 < len(out) else None
        inside = level[(level_s >= span.start_s) & (level_s < span.stop_s)]
        if after == "cranking" and span.state in ("not decidable", "charging") and len(inside):
            is_steady = float(np.subtract(*np.percentile(inside, [95, 5]))) < STEP_V
            if float(np.median(inside)) < CRANK_FROM_V and (is_steady or span.state == "not decidable"):
                out[place] = StateSpan(span.start_s, span.stop_s, "rest")
        elif before == "cranking" and after == "charging" and span.state == "rest":
            if span.stop_s - span.start_s < _SLOW_CHARGE_S and len(inside) > 5 and _rises(inside):
                out[place] = StateSpan(span.start_s, span.stop_s, "charging")
        elif before == after == "charging" and span.state == "rest":
            out[place] = StateSpan(span.start_s, span.stop_s, "not decidable")
    return out


def _rises(level: FloatArray) -> bool:
    """Whether a level rises all the while, but for what consumers make of it."""
    return float(level[-1] - level[0]) > STEP_V / 2 and float(np.mean(np.diff(level) >= -0.02)) > 0.8


def _doubt(spans: list[StateSpan]) -> list[StateSpan]:
    """Under a variable charger: rest behind charging is not decidable, unless a cranking ends it."""
    out: list[StateSpan] = []
    has_charged = False
    for place, span in enumerate(spans):
        has_charged |= span.state == "charging"
        ends_in_crank = place + 1 < len(spans) and spans[place + 1].state == "cranking"
        doubtful = span.state == "rest" and has_charged and not ends_in_crank
        if span.state == "rest" and ends_in_crank:
            has_charged = False
        out.append(StateSpan(span.start_s, span.stop_s, "not decidable") if doubtful else span)
    return _close_up(out)


def summarise_states(states: EngineStates, steps: SupplySteps, findings: Sequence[Finding]) -> dict[str, Any]:
    """Figures of supply, dips, clips and cut-outs for each engine state.

    Returns
    -------
    spans (start_s, stop_s, state, by: "the volts" or which mark), remarks, and per state: duration_s, supply_mean_v,
    supply_lowest_v (10 ms), n_dips, deepest_residual_v, n_clips, clipped_share (flat time over duration), n_cutouts.
    """
    per: dict[str, Mapping[str, Any]] = {}
    place = np.full(len(steps), STATES.index("not decidable"), dtype=np.int64)
    for span in states.spans:
        a, b = np.searchsorted(steps.time_s, [span.start_s, span.stop_s])
        place[a:b] = STATES.index(span.state)
    starts = np.array([s.start_s for s in states.spans])
    kinds = [s.state for s in states.spans]
    listed = FindingList.of(findings)
    where: npt.NDArray[np.int64] = np.searchsorted(starts, listed.start_s, "right") - 1
    state_of_span = np.array([STATES.index(kind) for kind in [*kinds, "not decidable"]])  # the last one: before all
    state_of = state_of_span[where]
    state_of_minute = state_of_span[np.searchsorted(starts, steps.left_out.middle_s, "right") - 1]
    supply = steps.volts.get("supply", np.empty(0))
    for number, name in enumerate(STATES):
        mine = place == number
        left_out = steps.left_out
        beside = np.flatnonzero(state_of_minute == number)
        duration_s = float(mine.sum() * STEP_S + left_out.seen_s[beside].sum())
        if duration_s == 0:
            continue
        means = (supply[mine].sum(), (left_out.supply_mean_v * left_out.seen_s)[beside].sum() / STEP_S)
        lowest_v = min(np.min(supply[mine], initial=np.inf), np.min(left_out.supply_lowest_v[beside], initial=np.inf))
        own = listed.take(np.flatnonzero(state_of == number))
        residuals = [float(f.measured["residual_v"] or 0.0) for f in own.of_kind("dip")]
        flats = own.of_kind("clip").values("flat_s")
        per[name] = {
            "duration_s": duration_s,
            "supply_mean_v": float(np.mean(supply[mine]))
            if not len(beside)
            else float(sum(means) * STEP_S / duration_s),
            "supply_lowest_v": float(lowest_v),
            "n_dips": len(residuals),
            "deepest_residual_v": min(residuals, default=None),
            "n_clips": own.n_of("clip"),
            "clipped_share": float(np.nansum(flats)) / duration_s,
            "n_cutouts": own.n_of("cutout"),
        }
    return {
        "spans": [
            {"start_s": s.start_s, "stop_s": s.stop_s, "state": s.state, "by": s.by or "the volts"}
            for s in states.spans
        ],
        "remarks": list(states.remarks),
        "per_state": per,
    }
