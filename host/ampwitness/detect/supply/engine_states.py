"""Engine states from the supply: rest, cranking, charging; not decidable where volts cannot tell.

Puts together what `cranking` and `charging_changes` find. A charging level that wanders by more than 0.9 V is a
variable charger's: then a low level behind it may be rest or charging, and is not decidable unless a cranking ends it.

Gaps: a state is carried across a gap only as "what was known before"; nothing is measured across one.
Limits: volts alone. A charger that holds less than 13.2 V looks like rest, unless it comes or goes: see
`lasting_steps`.
Source: our choice, measured by `python -m ampwitness.bench.engine_scores`. 13.2 V: above any open-circuit voltage of a
rested flooded battery (12.7 V, electrode data of Bode) and below a charger's set-point (13.5 to 14.9 V, service data).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.behind_cranking import SupplyLevel, settle_behind_crankings
from ampwitness.detect.supply.charging_changes import (
    BLOCK_STEPS,
    STEP_V,
    State,
    add_weak_charging,
    find_charging_changes,
    find_fall_start,
    measure_level,
)
from ampwitness.detect.supply.cranking import CRANK_FROM_V, list_crankings
from ampwitness.detect.supply.lasting_steps import learn_sag
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import Finding, FloatArray

STATES: tuple[State, ...] = ("rest", "cranking", "charging", "not decidable")

WANDER_V = 0.9
LEAST_CHARGED_V = 11.5  # no charger holds less
_HIGHER_V, _HIGH_BLOCKS, _LOW_BLOCKS = 0.4, 50, 30  # above a lithium battery's rest; of a tenth of a second
_LONGEST_WAY = 100  # blocks


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

    @property
    def started(self) -> tuple[tuple[float, float], ...]:
        """Those of them behind which the engine charged, which no consumer that swings does."""
        follows = {a.start_s for a, b in zip(self.spans, self.spans[1:], strict=False) if b.state == "charging"}
        return tuple(span for span in self.cranking if span[0] in follows)

    def at(self, time_s: float) -> State:
        """The state at a time; "not decidable" outside the spans."""
        return STATES[int(self.numbers_at(np.array([time_s]))[0])]

    def numbers_at(self, time_s: FloatArray) -> npt.NDArray[np.int64]:
        """(n,) places in STATES of the states at (n,) times."""
        undecided = STATES.index("not decidable")
        if not self.spans:
            return np.full(len(time_s), undecided, dtype=np.int64)
        place = np.searchsorted([s.start_s for s in self.spans], time_s, "right") - 1
        state = np.array([STATES.index(s.state) for s in self.spans])[place]
        is_outside = (place < 0) | (time_s >= np.array([s.stop_s for s in self.spans])[place] + STEP_S)
        return np.where(is_outside, undecided, state)


def join_spans(spans: Sequence[StateSpan]) -> list[StateSpan]:
    """The spans, neighbours of one state and one reason made one; each cranking stays one."""
    out: list[StateSpan] = []
    for span in spans:
        if out and (out[-1].state, out[-1].by) == (span.state, span.by) and span.state != "cranking":
            out[-1] = replace(out[-1], stop_s=span.stop_s)
        else:
            out.append(span)
    return out


def find_engine_states(steps: SupplySteps, dips: Sequence[Finding]) -> EngineStates:
    """Tell the engine's states apart.

    Parameters
    ----------
    steps : the recording in steps of 10 ms
    dips : findings of the dip detector; those of the supply date the start of a cranking to a millisecond or two
    """
    if "supply" not in steps.volts:
        return EngineStates((), ("no supply channel",))
    if len(steps) < 2 * BLOCK_STEPS:
        return EngineStates((), ("less than a fifth of a second of the supply without a gap",))
    supply = steps.volts["supply"]
    open_v = supply + learn_sag(supply, steps.output_v2 / np.maximum(supply, 1.0))
    cranks = list_crankings(steps, supply, open_v, dips)
    level_s, level = measure_level(steps, open_v, cranks)
    if not len(level):
        return EngineStates((), ("the supply was never settled",))
    changes = add_weak_charging(find_charging_changes(level_s, level), level_s, level)
    behind = SupplyLevel(steps.time_s, open_v, level_s, level)
    spans, remarks = _assemble(steps, settle_behind_crankings(changes, cranks, behind), cranks, behind)
    return EngineStates(tuple(spans), tuple(remarks))


def _assemble(
    steps: SupplySteps,
    changes: list[tuple[float, State]],
    cranks: Sequence[tuple[float, float]],
    supply: SupplyLevel,
) -> tuple[list[StateSpan], list[str]]:
    level_s, level = supply.level_s, supply.level_v
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
    spans = _close_up(_by_cranking(_close_up(spans), supply))
    # Behind a cranking it is told from all that follows how far a charger went down.
    apart = [
        s for before, s in zip([None, *spans], spans, strict=False) if before is None or before.state != "cranking"
    ]
    inside = np.concatenate(
        [level[(level_s >= s.start_s + 2) & (level_s < s.stop_s - 1)] for s in apart if s.state == "charging"]
        or [np.empty(0)]
    )
    inside = inside[inside > LEAST_CHARGED_V]  # a lead that lost contact, a consumer at its inrush
    wander_v = float(np.subtract(*np.percentile(inside, [95, 5]))) if len(inside) > 20 else 0.0
    if not cranks:
        spans, unsure = _doubt_high_rest(spans, supply)
        remarks += unsure
    was_low_in_between = any(
        span.state == "not decidable" and {spans[k - 1].state, spans[k + 1].state} == {"charging"}
        for k, span in enumerate(spans[1:-1], 1)
    )
    if cranks:
        spans = _doubt_ahead(spans)
    if wander_v > WANDER_V or was_low_in_between:
        spans = _doubt(spans)
        wandered = f"wandered by {wander_v:.1f} V" if wander_v > WANDER_V else "fell to that of rest, and came back"
        remarks.append(
            f"the charging voltage {wandered}, as a variable charger's does: a low supply behind it may be rest or "
            "charging"
        )
    return spans, remarks


def _doubt_high_rest(spans: list[StateSpan], supply: SupplyLevel) -> tuple[list[StateSpan], list[str]]:
    """Without a cranking: charging so low that a lithium battery rests there is undecided, if it is higher at times;
    not where a consumer was switched."""
    level_s, level = supply.level_s, supply.level_v
    is_high = level > CRANK_FROM_V
    top_v = float(np.median(level[is_high])) if is_high.sum() > _HIGH_BLOCKS else 0.0
    out: list[StateSpan] = []
    for span in spans:
        inside = np.flatnonzero((level_s >= span.start_s) & (level_s < span.stop_s) & (span.state == "charging"))
        now_s = span.start_s
        for run in np.split(inside, np.flatnonzero(np.diff(is_high[inside])) + 1):
            if len(run) < _LOW_BLOCKS or is_high[run[0]] or float(np.median(level[run])) + _HIGHER_V > top_v:
                continue
            first_v, later_v = (float(np.median(part)) for part in np.array_split(level[run], 4)[:3:2])
            if later_v > first_v + STEP_V / 4:  # it is on its way up
                continue
            first = _leave_high(level, int(inside[0]), int(run[0]), (float(np.median(level[run])) + top_v) / 2)
            a, b = max(now_s, float(level_s[first]) - 0.05), float(level_s[run[-1]]) + 0.05
            b = span.stop_s if run[-1] == inside[-1] else b
            if supply.is_switched(a) or (b < span.stop_s and supply.is_switched(b)):
                continue
            out += [StateSpan(now_s, a, "charging"), StateSpan(a, b, "not decidable")]
            now_s = b
        out.append(StateSpan(now_s, span.stop_s, span.state))
    out = [span for span in out if span.stop_s - span.start_s > STEP_S]
    if len(out) == len(spans):
        return spans, []
    return _close_up(out), [
        "without a cranking, a supply where a lithium battery rests, and higher at times, may be rest or charging"
    ]


def _leave_high(level: FloatArray, first: int, place: int, middle_v: float) -> int:
    """The block from which the level came down to what it has at `place`, by way of `middle_v`; none before `first`."""
    above = np.flatnonzero(level[max(first, place - _LONGEST_WAY) : place] > middle_v)
    if not len(above):
        return place
    return find_fall_start(level, max(first, place - _LONGEST_WAY) + int(above[-1]) + 1, first)


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


def _by_cranking(spans: list[StateSpan], supply: SupplyLevel) -> list[StateSpan]:
    """What crankings tell of the spans beside them, and what it tells that there was none.

    Ahead of a cranking the engine was at rest, whatever its battery's kind. A low level between two charging ones
    without a cranking may be a charger that paused, unless a consumer was switched there.
    """
    out = list(spans)
    insides = [supply.between(span.start_s, span.stop_s) for span in spans]
    first_crank = next((place for place, span in enumerate(spans) if span.state == "cranking"), 0)
    for place in reversed(range(len(spans) - 1)):
        span, inside = spans[place], insides[place]
        # What led to a rest ahead of the first cranking, as high as a battery may stand, was one.
        follows = out[place + 1].state
        rests = follows == "cranking" or (place < first_crank and follows == "rest")
        if rests and span.state in ("not decidable", "charging") and len(inside):
            is_steady = float(np.subtract(*np.percentile(inside, [95, 5]))) < STEP_V
            if float(np.median(inside)) < CRANK_FROM_V and (is_steady or span.state == "not decidable"):
                out[place] = StateSpan(span.start_s, span.stop_s, "rest")
    for place, (before, span, after) in enumerate(zip(out, out[1:], out[2:], strict=False), 1):
        if before.state == after.state == "charging" and span.state == "rest":
            is_pulled = supply.is_switched(span.start_s) or supply.is_switched(span.stop_s)
            out[place] = StateSpan(span.start_s, span.stop_s, "charging" if is_pulled else "not decidable")
    return out


def _doubt_ahead(spans: list[StateSpan]) -> list[StateSpan]:
    """Where a recording shows how its engine is cranked: a rest ahead of charging that nobody cranked for is none."""
    follows = [*spans[1:], None]
    return [
        StateSpan(span.start_s, span.stop_s, "not decidable")
        if span.state == "rest" and behind is not None and behind.state == "charging"
        else span
        for span, behind in zip(spans, follows, strict=True)
    ]


def _doubt(spans: list[StateSpan]) -> list[StateSpan]:
    """Under a variable charger: rest behind charging is not decidable, unless a cranking ends it."""
    out: list[StateSpan] = []
    has_charged = False
    for place, span in enumerate(spans):
        has_charged |= span.state == "charging"
        follows = spans[place + 1].state if place + 1 < len(spans) else None
        ends_in_crank = follows == "cranking"
        # Before a charging that nobody cranked for the engine ran as well.
        doubtful = span.state == "rest" and (has_charged or follows == "charging") and not ends_in_crank
        if span.state == "rest" and ends_in_crank:
            has_charged = False
        out.append(StateSpan(span.start_s, span.stop_s, "not decidable") if doubtful else span)
    return _close_up(out)
