"""The supply as the amplifier sees it, from all of a recording together: open voltage, source resistance, its parts.

What the amplifier takes is measured where a `current` channel is, else estimated: output power into the load's real
impedance over an efficiency. Both are rarely known well, so the source resistance comes with the range that follows;
what the recording holds without them (how far the supply falls for volts at the output) does not depend on them.

Gaps: steps that lost a sample are left out.
Limits: all volts are relative to the logger's reference point: without a `ground` channel the return path cannot be
told from the battery. See also `supply_states`, `supply_fit`, `supply_ohms` and `supply_forecast`.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.charging_model import ChargingFit
from ampwitness.detect.supply.engine_states import EngineStates
from ampwitness.detect.supply.lasting_steps import (
    CHARGER_FROM_V,
    LastingStep,
    find_lasting_steps,
    learn_sag,
)
from ampwitness.detect.supply.quiet_recovery import believe_slow, bound_by_quiet
from ampwitness.detect.supply.settled_volts import SETTLED_BLOCK_S, follow_settled, settle_by_minute
from ampwitness.detect.supply.slow_drift import find_drift
from ampwitness.detect.supply.supply_charging import fit_charging
from ampwitness.detect.supply.supply_fit import (
    FAST_MOST_S,
    SupplyFit,
    find_breaks,
    find_shares,
    fit_supply,
    predict_fall,
)
from ampwitness.detect.supply.supply_history import NO_SUPPLY_V, STEP_S, SupplySteps
from ampwitness.detect.supply.supply_states import (
    CHARGING_ABOVE_V,
    WEAK_CHARGER_FROM_V,
    add_engine,
    add_weak_charging,
    bridge_pauses,
    find_charging,
    find_given_off,
    near_changes,
    place_changes,
)
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
EngineState = Literal["at rest", "charging"]

UNKNOWN_ENGINE = EngineStates((), ())
AT_ONCE_MOST_S = 0.015
_CHANGE_S = (0.2, 1.5)  # before and behind a change of state: fitted to neither, the battery's slow part moves
_LEAST_PLAYED_V2 = 0.25  # mean square over a step: half a volt rms, 20 times the logger's noise
_KEPT_OUT_NEAR_S = (0.05, 0.3)  # before and behind a cranking or a lost lead
LEAST_QUIET_S = 0.5
_LEAST_FALL_V = 0.03
_JUMP_V = 1.0
_LINEAR_LEAVES = 0.7  # of the spread that a fit to power leaves: linear stages 0.5 at most, switching ones 2 and more


@dataclass(frozen=True, slots=True)
class SupplyOptions:
    """What is known of amplifier, load and battery; None where it is not."""

    load_ohm: float | None = None
    load_kind: str | None = None  # none, resistor, speaker
    efficiency: float | None = None  # output power over supply power, as stated by a person
    current_a_per_v: float = 100.0  # of the clamp on the `current` channel
    current_zero_v: float = 2.5
    is_clamp_stated: bool = False  # whether a person stated its amperes a volt
    battery_kind: str | None = None  # flooded, AGM, lithium


@dataclass(frozen=True, slots=True)
class StateModel:
    """One engine state: its fit and its numbers for the report."""

    state: EngineState
    fit: SupplyFit | None
    power_fit: SupplyFit | None  # against output power, also where the current is measured
    lowest_v: float
    judged_s: float
    open_v: float
    shares: Mapping[str, tuple[float, float]]
    charging: ChargingFit | None = None  # both regimes of an alternator, where they were told apart
    power_charging: ChargingFit | None = None  # against output power, as `power_fit`
    size_fit: SupplyFit | None = None  # against the output's size, where that explains the supply clearly better


@dataclass(frozen=True, slots=True)
class KeptOut:
    """What the starter, or a lead that lost contact, did to the supply: kept out of both states."""

    lowest_v: float
    judged_s: float
    n_times: int


@dataclass(frozen=True, slots=True)
class SupplyModel:
    """Both engine states, and the settled supply at any time."""

    states: Mapping[str, StateModel]
    demand_unit: Literal["A", "V"]  # V: mean square of the output over the supply
    change_s: FloatArray  # (n,) when a state begins
    change_state: tuple[EngineState, ...]
    settled_s: Mapping[str, FloatArray]
    settled_v: Mapping[str, FloatArray]
    has_output: bool
    lasting_steps: tuple[LastingStep, ...] = ()  # by which alone a change of state was told
    cranking: KeptOut | None = None
    lost: KeptOut | None = None
    kept_out: tuple[tuple[float, float], ...] = ()  # (start_s, stop_s) of both

    def state_at(self, time_s: float) -> EngineState | None:
        """Engine state at a time; None without a supply."""
        if len(self.change_s) == 0:
            return None
        at = int(np.searchsorted(self.change_s, time_s, "right")) - 1
        return self.change_state[max(0, at)]

    def states_at(self, time_s: FloatArray) -> npt.NDArray[np.str_]:
        """(n,) engine states at (n,) times; empty words without a supply."""
        if len(self.change_s) == 0:
            return np.full(len(time_s), "")
        return np.array(self.change_state)[np.maximum(0, np.searchsorted(self.change_s, time_s, "right") - 1)]

    def settled_at(self, time_s: FloatArray) -> FloatArray:
        """(n,) the supply as it would stand with the amplifier quiet, in the engine state of each time; NaN where not
        known."""
        time_s = np.atleast_1d(time_s)
        out = np.full(len(time_s), np.nan)
        if len(self.change_s) == 0:
            return out
        state = self.states_at(time_s)
        for name, settled_s in self.settled_s.items():
            if len(settled_s):
                mine = state == name
                out[mine] = np.interp(time_s[mine], settled_s, self.settled_v[name])
        return out


def find_demand(steps: SupplySteps, options: SupplyOptions) -> tuple[FloatArray, Literal["A", "V"]]:
    """(n,) what the amplifier takes: amperes where measured, else mean square of the output over the supply volts."""
    current = steps.volts.get("current")
    if current is not None and np.isfinite(current).any():
        return (current - options.current_zero_v) * options.current_a_per_v, "A"
    return _power_demand(steps), "V"


def _find_idle(steps: SupplySteps, demand: FloatArray) -> float:
    """Demand with the amplifier quiet, a clamp's offset included; 0 where it was never seen quiet.

    The supply is settled with that flowing: counted as sag it would be taken for a fault of the supply's."""
    quiet = np.isfinite(demand) & find_quiet(steps)
    return float(np.median(demand[quiet])) if quiet.sum() >= LEAST_QUIET_S / STEP_S else 0.0


def find_quiet(steps: SupplySteps) -> BoolArray:
    """(n,) where the output was seen and nothing played."""
    return np.asarray(np.isfinite(steps.output_v2) & (steps.output_v2 < _LEAST_PLAYED_V2))


def _power_demand(steps: SupplySteps) -> FloatArray:
    return np.asarray(steps.output_v2 / np.maximum(steps.volts["supply"], 1.0))


def _size_demand(steps: SupplySteps) -> FloatArray:
    """(n,) what a linear stage draws: the load's own current, in proportion to the output's size."""
    return np.sqrt(steps.output_v2)


def _fit_size(power_fit: SupplyFit, steps: SupplySteps, supply: FloatArray, rows: BoolArray) -> SupplyFit | None:
    """The fit to the output's size, where it shows that the stage is a linear one."""
    fit = fit_supply(steps, _size_demand(steps), supply, rows)
    is_closer = fit is not None and fit.spread_v <= _LINEAR_LEAVES * power_fit.spread_v
    return fit if is_closer and fit is not None and _is_believable(fit) else None


def _fit_power(steps: SupplySteps, supply: FloatArray, rows: BoolArray) -> SupplyFit | None:
    fit = fit_supply(steps, _power_demand(steps), supply, rows)
    return fit if fit is not None and _is_believable(fit) else None


def learn_supply(
    steps: SupplySteps,
    options: SupplyOptions,
    engine: EngineStates = UNKNOWN_ENGINE,
    lost: Sequence[tuple[float, float]] = (),
) -> SupplyModel | None:
    """Learn the supply of a recording, engine states apart.

    Parameters
    ----------
    steps : the recording in steps of 10 ms
    options : what is known beside it
    engine : its states by the volts: where it charges the supply does, and cranking is kept out of both states
    lost : (start_s, stop_s) of each span without a supply, recording time: the same

    Returns
    -------
    SupplyModel, or None without a supply channel or with less than a second of it.
    """
    if len(steps) < 1.0 / STEP_S or "supply" not in steps.volts:
        return None
    supply, cranked = steps.volts["supply"], engine.cranking
    demand, unit = find_demand(steps, options)
    is_cranked, cranking = _mark_kept_out(steps, supply, cranked)
    is_lost, lead = _mark_kept_out(steps, supply, lost)
    usable = np.isfinite(supply) & (supply > NO_SUPPLY_V) & ~is_cranked & ~is_lost
    charging, lasting, given_off = _find_charged(steps, supply, demand, engine, options.battery_kind or "")
    apart = usable & ~near_changes(charging, *_CHANGE_S) & ~given_off
    seen = _Seen(steps, supply, demand, unit, find_quiet(steps), find_breaks(steps), is_lost)
    idle = _find_idle(steps, demand)
    states: dict[str, StateModel] = {}
    settled_s: dict[str, FloatArray] = {}
    settled_v: dict[str, FloatArray] = {}
    sides: tuple[tuple[EngineState, BoolArray], ...] = (("at rest", ~charging), ("charging", charging))
    for name, mine in sides:
        model, (settled_s[name], settled_v[name]), kept = _learn_state(seen, name, mine, mine & usable, mine & apart)
        if model is not None:
            states[name] = model
        if kept is not None and unit == "A":
            settled_v[name] = settled_v[name] - kept.step_answer(SETTLED_BLOCK_S)[0] * idle
    if not states:
        return None
    flips = np.flatnonzero(np.diff(charging.astype(np.int8))) + 1
    starts = np.concatenate(([0], flips))
    return SupplyModel(
        states=states,
        demand_unit=unit,
        change_s=steps.time_s[starts] - STEP_S / 2,
        change_state=tuple("charging" if charging[k] else "at rest" for k in starts),
        settled_s=settled_s,
        settled_v=settled_v,
        has_output=bool(np.isfinite(steps.output_v2).any()),
        lasting_steps=lasting,
        cranking=cranking,
        lost=lead,
        kept_out=(*(cranked if cranking is not None else ()), *(lost if lead is not None else ())),
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """A recording in steps, all (n,): what both states are learned from."""

    steps: SupplySteps
    supply: FloatArray
    demand: FloatArray
    unit: str
    is_quiet: BoolArray
    breaks: BoolArray
    is_lost: BoolArray


def _find_charged(
    steps: SupplySteps, supply: FloatArray, demand: FloatArray, engine: EngineStates, battery_kind: str
) -> tuple[BoolArray, tuple[LastingStep, ...], BoolArray]:
    """(n,) where something charges, the supply's steps to another level that lasts, and (n,) where a battery gives off
    what it was charged with."""
    above_v = CHARGING_ABOVE_V.get(battery_kind, 13.2)
    # By the highest volts of each two seconds, by the volts as they would be without the amplifier, and by their steps.
    open_v = supply + learn_sag(supply, demand)
    charging = find_charging(steps, open_v, above_v, 0.5) | find_charging(steps, supply, above_v, 0.95)
    from_v = WEAK_CHARGER_FROM_V.get(battery_kind, CHARGER_FROM_V)
    lasting = find_lasting_steps(steps.time_s, open_v, ~charging, from_v)
    charging = place_changes(add_weak_charging(charging, steps, lasting), open_v)
    charging = add_engine(bridge_pauses(charging, steps, open_v, engine.cranking), steps, engine)
    return charging, lasting, find_given_off(charging, steps, open_v, engine)


def _learn_state(
    seen: _Seen, state: EngineState, mine: BoolArray, rows: BoolArray, fitted: BoolArray
) -> tuple[StateModel | None, tuple[FloatArray, FloatArray], SupplyFit | None]:
    """One state's model, its settled volts (times, volts), and the fit that these rest on.

    `mine`, `rows`, `fitted` : (n,) steps of this state, those that can be used, those of them away from changes"""
    steps, supply, demand, unit = seen.steps, seen.supply, seen.demand, seen.unit
    fit = fit_supply(steps, demand, supply, fitted)
    if fit is None or not _is_believable(fit) or (unit == "V" and not _has_played(steps, fitted)):
        fit = None
    size_fit = _fit_size(fit, steps, supply, fitted) if fit is not None and unit == "V" else None
    closest = size_fit or fit
    kept, fall, slow = _follow_fall(closest, seen, state, rows, demand if size_fit is None else _size_demand(steps))
    by_minute = settle_by_minute(steps, supply + fall, demand, rows)
    spread_v = closest.spread_v if closest is not None else 0.0
    settled = follow_settled(steps, supply + fall, demand, rows, by_minute, spread_v)
    if fit is not None and state == "at rest" and unit == "V":  # by a clamp they are those at no current
        is_silent = rows & seen.is_quiet
        by_minute, settled = (
            (time_s, bound_by_quiet(volts, supply, fall, slow, is_silent, seen.breaks))
            for time_s, volts in (by_minute, settled)
        )
    alternator, by_power = None, None
    if fit is not None and state == "charging":
        alternator, by_power = _fit_alternator(steps, demand, unit, supply, fitted)
    if not rows.any():
        return None, settled, kept
    # A minute that was left out is in the state of the last step before it.
    left_out = steps.left_out
    beside = mine[np.maximum(0, np.searchsorted(steps.time_s, left_out.middle_s) - 1)]
    model = StateModel(
        state=state,
        fit=fit,
        power_fit=fit if unit == "V" else _fit_power(steps, supply, fitted),
        lowest_v=float(min(supply[rows].min(), left_out.lowest_supply_v(beside))),
        judged_s=float(rows.sum() * STEP_S + left_out.seen_s[beside].sum()),
        open_v=float(np.median(by_minute[1] if len(by_minute[1]) else supply[rows])),
        shares={} if _has_ground_jumped(steps, seen.is_lost) else find_shares(steps, demand, fitted, fit),
        charging=alternator,
        power_charging=by_power,
        size_fit=size_fit,
    )
    return model, settled, kept


def _follow_fall(
    fit: SupplyFit | None, seen: _Seen, state: EngineState, rows: BoolArray, demand: FloatArray
) -> tuple[SupplyFit | None, FloatArray, FloatArray]:
    """What of a fit is believed, and (n,) the volts that it says are lost to the amplifier, and how much of them slowly
    (at rest with a battery's slowest part)."""
    steps, supply, breaks = seen.steps, seen.supply, seen.breaks
    if fit is None:
        return None, np.zeros(len(supply)), np.zeros(len(supply))
    kept = fit.without_others(is_charging=state == "charging")
    kept = believe_slow(kept, steps, supply, demand, rows & seen.is_quiet, breaks)
    fall, slow = predict_fall(kept, demand, breaks), predict_fall(kept.slow_part(), demand, breaks)
    if state == "charging":
        return kept, fall, slow
    drift = find_drift(steps, supply + fall, demand, rows, breaks, kept.part(0.0, FAST_MOST_S)[0])
    return kept, fall + drift, slow + drift


def _mark_kept_out(
    steps: SupplySteps, supply: FloatArray, spans: Sequence[tuple[float, float]]
) -> tuple[BoolArray, KeptOut | None]:
    """(n,) whether a step lies within a span or so near that what happened may still move it; and its figures.

    A recording that holds nothing else is not left without figures: then nothing is marked.
    """
    is_out = np.zeros(len(supply), dtype=bool)
    inside = np.zeros(len(supply), dtype=bool)
    for start_s, stop_s in spans:
        inside |= (steps.time_s >= start_s - STEP_S) & (steps.time_s < stop_s)
        is_out |= (steps.time_s >= start_s - _KEPT_OUT_NEAR_S[0]) & (steps.time_s < stop_s + _KEPT_OUT_NEAR_S[1])
    inside &= np.isfinite(supply)
    if not inside.any() or (is_out | ~np.isfinite(supply)).all():
        return np.zeros(len(supply), dtype=bool), None
    return is_out, KeptOut(float(supply[inside].min()), float(inside.sum() * STEP_S), len(spans))


def _has_ground_jumped(steps: SupplySteps, is_lost: BoolArray) -> bool:
    """Whether the ground left its place while there was no supply: what it loses otherwise says nothing of it then."""
    ground = steps.volts.get("ground")
    if ground is None or not is_lost.any() or is_lost.all():
        return False
    return bool(np.nanmax(np.abs(ground[is_lost] - np.nanmedian(ground[~is_lost])), initial=0.0) > _JUMP_V)


def _fit_alternator(
    steps: SupplySteps, demand: FloatArray, unit: str, supply: FloatArray, rows: BoolArray
) -> tuple[ChargingFit | None, ChargingFit | None]:
    """Both regimes of an alternator, against demand and against output power."""
    by_power = fit_charging(steps, steps.output_v2, np.maximum(supply, 1.0), supply, rows)
    if unit == "V":
        return by_power, by_power
    return fit_charging(steps, demand, np.ones(len(demand)), supply, rows), by_power


def _has_played(steps: SupplySteps, rows: BoolArray) -> bool:
    """Whether the output was ever above the logger's noise: what noise seems to draw is nobody's resistance."""
    return (
        float(np.max(steps.output_v2[rows], initial=0.0, where=np.isfinite(steps.output_v2[rows]))) > _LEAST_PLAYED_V2
    )


def _is_believable(fit: SupplyFit) -> bool:
    """The supply falls under demand, by more than chance and by enough to be seen."""
    weight, error = fit.part(0.0, FAST_MOST_S)
    return weight > 3 * error and weight * fit.highest_demand > max(_LEAST_FALL_V, fit.spread_v)
