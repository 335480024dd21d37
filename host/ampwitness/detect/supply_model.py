"""The supply as the amplifier sees it, from all of a recording together: open voltage, source resistance, its parts.

What the amplifier takes is measured where a `current` channel is, else estimated: output power into the load's real
impedance over an efficiency. Both are rarely known well, so the source resistance comes with the range that follows;
what the recording holds without them (how far the supply falls for volts at the output) does not depend on them.

Gaps: steps that lost a sample are left out.
Limits: all volts are relative to the logger's reference point: without a `ground` channel the return path cannot be
told from the battery. At rest and charging are told apart by the open voltage alone. A speaker's impedance is not its
nominal ohms. See also `supply_fit`.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`. Ranges of efficiency and impedance: common
practice, no source; that a speaker's impedance may fall to 80 % of its nominal value: IEC 60268-5, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from ampwitness.detect.lasting_steps import (
    CHARGER_FROM_V,
    LastingStep,
    find_lasting_steps,
    learn_sag,
    spans_of_charging,
)
from ampwitness.detect.supply_charging import LEAST_S, SPREAD_ERROR_RATIO, ChargingFit, fit_charging
from ampwitness.detect.supply_fit import (
    FAST_MOST_S,
    SupplyFit,
    find_breaks,
    fit_supply,
    fit_with_lags,
    predict_fall,
)
from ampwitness.detect.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray

EngineState = Literal["at rest", "charging"]

ASSUMED_EFFICIENCY = 0.75
EFFICIENCY_RANGE = (0.50, 0.92)  # class AB at low level to class D at high level
STATED_EFFICIENCY_RATIO = 0.02  # how well a stated efficiency is believed, standard
IMPEDANCE_RANGE: Mapping[str, tuple[float, float]] = {"resistor": (0.98, 1.02), "speaker": (0.8, 2.0)}
ASSUMED_IMPEDANCE: Mapping[str, float] = {"resistor": 1.0, "speaker": 1.15}  # of nominal
CHARGING_ABOVE_V: Mapping[str, float] = {"flooded": 13.2, "AGM": 13.3, "lithium": 13.6}
STATE_HYSTERESIS_V = 0.2
# Above a rested battery: from here on a lasting step is taken for a weak charger's.
WEAK_CHARGER_FROM_V: Mapping[str, float] = {"flooded": 12.75, "AGM": 12.95, "lithium": 13.4}
AT_ONCE_MOST_S = 0.015
SETTLED_BLOCK_S = 60.0
QUIET_SHARE = 0.2
# What a straight line leaves out, standard: an alternator at its current limit bends it.
MODEL_ERROR_RATIO: Mapping[str, float] = {"at rest": 0.012, "charging": 0.05}
# Standard error (of ohms alone) above which no figure is told: of a straight line, of one side of a limit.
PINNED_RATIO, REGIME_PINNED_RATIO = 0.07, 0.05
CREST_ERROR_RATIO = 0.03  # of the sag, standard: crests do not meet the mean supply, by how much depends on the pitch
CHARGING_CREST_ERROR_RATIO = 0.05  # ... and draw an alternator over its limit where the mean does not
SIGMAS = 2.0
_STATE_STEP_S = 2.0
_CHANGE_S = (0.2, 1.5)  # before and behind a change of state: fitted to neither, the battery's slow part moves
_LEAST_PLAYED_V2 = 0.25  # mean square over a step: half a volt rms, 20 times the logger's noise
_CRANK_NEAR_S = (0.05, 0.3)  # before and behind a cranking
_LEAST_FALL_V = 0.03
_STRAY = 0.15  # so far off may shares be that were fitted apart
_LEAST_SEEN = 1.25  # times what the fit with an alternator needs: what warms it up is not counted there
_FEW_CHUNKS = 8  # enough to tell the engine's states apart by


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


@dataclass(frozen=True, slots=True)
class Cranking:
    """What the starter did to the supply: kept out of both states."""

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
    cranking: Cranking | None = None
    cranked: tuple[tuple[float, float], ...] = ()  # (start_s, stop_s) of what was kept out

    def state_at(self, time_s: float) -> EngineState | None:
        """Engine state at a time; None without a supply."""
        if len(self.change_s) == 0:
            return None
        at = int(np.searchsorted(self.change_s, time_s, "right")) - 1
        return self.change_state[max(0, at)]

    def settled_at(self, time_s: float) -> float | None:
        """The supply as it would stand with the amplifier quiet, in the engine state of that time."""
        state = self.state_at(time_s)
        if state is None or len(self.settled_s[state]) == 0:
            return None
        return float(np.interp(time_s, self.settled_s[state], self.settled_v[state]))


def find_demand(steps: SupplySteps, options: SupplyOptions) -> tuple[FloatArray, Literal["A", "V"]]:
    """(n,) what the amplifier takes: amperes where measured, else mean square of the output over the supply volts."""
    current = steps.volts.get("current")
    if current is not None and np.isfinite(current).any():
        return (current - options.current_zero_v) * options.current_a_per_v, "A"
    return _power_demand(steps), "V"


def _power_demand(steps: SupplySteps) -> FloatArray:
    return np.asarray(steps.output_v2 / np.maximum(steps.volts["supply"], 1.0))


def _fit_power(steps: SupplySteps, supply: FloatArray, rows: npt.NDArray[np.bool_]) -> SupplyFit | None:
    fit = fit_supply(steps, _power_demand(steps), supply, rows)
    return fit if fit is not None and _is_believable(fit) else None


def learn_supply(
    steps: SupplySteps, options: SupplyOptions, cranked: Sequence[tuple[float, float]] = ()
) -> SupplyModel | None:
    """Learn the supply of a recording, engine states apart.

    Parameters
    ----------
    steps : the recording in steps of 10 ms
    options : what is known beside it
    cranked : (start_s, stop_s) of each cranking, recording time: kept out of both states

    Returns
    -------
    SupplyModel, or None without a supply channel or with less than a second of it.
    """
    if len(steps) < 1.0 / STEP_S or "supply" not in steps.volts:
        return None
    supply = steps.volts["supply"]
    demand, unit = find_demand(steps, options)
    is_cranked, cranking = _mark_cranking(steps, supply, cranked)
    usable = np.isfinite(supply) & (supply > 6.0) & ~is_cranked
    breaks = find_breaks(steps)
    above_v = CHARGING_ABOVE_V.get(options.battery_kind or "", 13.2)
    # By the highest volts of each two seconds, by the volts as they would be without the amplifier, and by their steps.
    open_v = supply + learn_sag(supply, demand)
    charging = _find_charging(steps, open_v, above_v, 0.5) | _find_charging(steps, supply, above_v, 0.95)
    from_v = WEAK_CHARGER_FROM_V.get(options.battery_kind or "", CHARGER_FROM_V)
    lasting = find_lasting_steps(steps.time_s, open_v, ~charging, from_v)
    charging = _place_changes(_add_weak_charging(charging, steps, lasting), open_v)
    apart = usable & ~_near_changes(charging, *_CHANGE_S)
    states: dict[str, StateModel] = {}
    settled_s: dict[str, FloatArray] = {}
    settled_v: dict[str, FloatArray] = {}
    for name, mine in (("at rest", ~charging), ("charging", charging)):
        state: EngineState = "charging" if name == "charging" else "at rest"
        rows = mine & usable
        fitted = mine & apart
        fit = fit_supply(steps, demand, supply, fitted)
        if fit is not None and _is_believable(fit) and (unit == "A" or _has_played(steps, fitted)):
            fall = _fall(fit, demand, breaks)
        else:
            fit, fall = None, np.zeros(len(supply))
        settled_s[name], settled_v[name] = _settle(steps, supply + fall, demand, rows)
        alternator, by_power = None, None
        if fit is not None and state == "charging":
            alternator, by_power = _fit_alternator(steps, demand, unit, supply, fitted)
        if rows.any():
            # A minute that was left out is in the state of the last step before it.
            left_out = steps.left_out
            beside = mine[np.maximum(0, np.searchsorted(steps.time_s, left_out.middle_s) - 1)]
            states[name] = StateModel(
                state=state,
                fit=fit,
                power_fit=fit if unit == "V" else _fit_power(steps, supply, fitted),
                lowest_v=float(min(supply[rows].min(), np.min(left_out.supply_lowest_v[beside], initial=np.inf))),
                judged_s=float(rows.sum() * STEP_S + left_out.seen_s[beside].sum()),
                open_v=float(np.median(settled_v[name])) if len(settled_v[name]) else float(np.median(supply[rows])),
                shares=_find_shares(steps, demand, fitted, fit),
                charging=alternator,
                power_charging=by_power,
            )
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
        cranked=tuple(cranked) if cranking is not None else (),
    )


def _mark_cranking(
    steps: SupplySteps, supply: FloatArray, spans: Sequence[tuple[float, float]]
) -> tuple[npt.NDArray[np.bool_], Cranking | None]:
    """(n,) whether a step lies within a cranking or so near that the starter may still move it; and its figures.

    A recording that holds nothing else is not left without figures: then nothing is marked.
    """
    is_cranked = np.zeros(len(supply), dtype=bool)
    inside = np.zeros(len(supply), dtype=bool)
    for start_s, stop_s in spans:
        inside |= (steps.time_s >= start_s - STEP_S) & (steps.time_s < stop_s)
        is_cranked |= (steps.time_s >= start_s - _CRANK_NEAR_S[0]) & (steps.time_s < stop_s + _CRANK_NEAR_S[1])
    inside &= np.isfinite(supply)
    if not inside.any() or (is_cranked | ~np.isfinite(supply)).all():
        return np.zeros(len(supply), dtype=bool), None
    return is_cranked, Cranking(float(supply[inside].min()), float(inside.sum() * STEP_S), len(spans))


def _fit_alternator(
    steps: SupplySteps, demand: FloatArray, unit: str, supply: FloatArray, rows: npt.NDArray[np.bool_]
) -> tuple[ChargingFit | None, ChargingFit | None]:
    """Both regimes of an alternator, against demand and against output power."""
    by_power = fit_charging(steps, steps.output_v2, np.maximum(supply, 1.0), supply, rows)
    if unit == "V":
        return by_power, by_power
    return fit_charging(steps, demand, np.ones(len(demand)), supply, rows), by_power


def _fall(fit: SupplyFit | None, demand: FloatArray, breaks: npt.NDArray[np.bool_]) -> FloatArray:
    return predict_fall(fit.without_others(), demand, breaks) if fit is not None else np.zeros(len(demand))


def _has_played(steps: SupplySteps, rows: npt.NDArray[np.bool_]) -> bool:
    """Whether the output was ever above the logger's noise: what noise seems to draw is nobody's resistance."""
    return (
        float(np.max(steps.output_v2[rows], initial=0.0, where=np.isfinite(steps.output_v2[rows]))) > _LEAST_PLAYED_V2
    )


def _is_believable(fit: SupplyFit) -> bool:
    """The supply falls under demand, by more than chance and by enough to be seen."""
    weight, error = fit.part(0.0, FAST_MOST_S)
    return weight > 3 * error and weight * fit.highest_demand > max(_LEAST_FALL_V, fit.spread_v)


def _find_charging(steps: SupplySteps, open_v: FloatArray, above_v: float, quantile: float) -> npt.NDArray[np.bool_]:
    """(n,) whether the volts are such as only a charger gives, by a quantile of each 2 s, with hysteresis."""
    block = (steps.time_s // _STATE_STEP_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    ends = np.append(starts[1:], len(block))
    level = np.empty(len(starts))
    for n in np.unique(ends - starts):  # nearly all hold as many steps
        same = np.flatnonzero(ends - starts == n)
        level[same] = np.quantile(open_v[starts[same][:, None] + np.arange(n)], quantile, axis=1)
    level = np.where(np.isfinite(level), level, 0.0)
    is_charging = bool(level[0] > above_v)
    out = np.zeros(len(block), dtype=bool)
    for a, b, volts in zip(starts, ends, level, strict=True):
        if is_charging and volts < above_v - STATE_HYSTERESIS_V:
            is_charging = False
        elif not is_charging and volts > above_v:
            is_charging = True
        out[a:b] = is_charging
    return out


def _add_weak_charging(
    charging: npt.NDArray[np.bool_], steps: SupplySteps, lasting: tuple[LastingStep, ...]
) -> npt.NDArray[np.bool_]:
    """The same, with what lasting steps tell of a charger too weak to reach a charging level."""
    if not lasting:
        return charging
    out, time_s = charging.copy(), steps.time_s
    edges = [0, *(np.flatnonzero(np.diff(charging.astype(np.int8))) + 1).tolist(), len(charging)]
    for a, b in pairwise(edges):
        if charging[a]:
            continue
        for begins_s, ends_s in spans_of_charging(lasting, float(time_s[a]), float(time_s[b - 1]) + STEP_S):
            first, last = np.searchsorted(time_s, (begins_s, ends_s))
            out[first:last] = True
    return out


def _place_changes(charging: npt.NDArray[np.bool_], open_v: FloatArray) -> npt.NDArray[np.bool_]:
    """The same, each change put where the volts step: where two means explain most of the blocks to either side."""
    out = charging.copy()
    flips = np.flatnonzero(np.diff(charging.astype(np.int8))) + 1
    reach = round(_STATE_STEP_S / STEP_S)
    edges = [0, *flips.tolist(), len(charging)]
    for place, flip in enumerate(flips.tolist()):
        first, last = max(edges[place], flip - reach), min(edges[place + 2], flip + reach)
        at = first + np.flatnonzero(np.isfinite(open_v[first:last]))
        if len(at) < 2:
            continue
        sums, counts = np.cumsum(open_v[at] - open_v[at].mean())[:-1], np.arange(1, len(at))
        split = int(np.argmax(sums**2 * (1 / counts + 1 / counts[::-1])))
        if (sums[split] > 0) == charging[flip - 1]:  # before a change to charging the volts are lower, and so on
            out[first : at[split + 1]] = charging[flip - 1]
            out[at[split + 1] : last] = charging[flip]
    return out


def _near_changes(charging: npt.NDArray[np.bool_], before_s: float, behind_s: float) -> npt.NDArray[np.bool_]:
    """(n,) whether a step lies so near a change of state that it may belong to neither."""
    flips = np.flatnonzero(np.diff(charging.astype(np.int8))) + 1
    out = np.zeros(len(charging), dtype=bool)
    for flip in flips.tolist():
        out[max(0, flip - round(before_s / STEP_S)) : flip + round(behind_s / STEP_S)] = True
    return out


def _settle(
    steps: SupplySteps, open_v: FloatArray, demand: FloatArray, rows: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Open voltage by the minute, from the quietest fifth of each: there the fit has least to add."""
    times, volts = [], []
    block = (steps.time_s // SETTLED_BLOCK_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    for a, b in zip(starts, np.append(starts[1:], len(block)), strict=True):
        mine = np.flatnonzero(rows[a:b] & np.isfinite(open_v[a:b])) + a
        if len(mine) < 0.5 / STEP_S:
            continue
        asked = np.where(np.isfinite(demand[mine]), demand[mine], 0.0)
        quiet = mine[asked <= np.quantile(asked, QUIET_SHARE) + 1e-12]
        times.append(float(np.mean(steps.time_s[quiet])))
        volts.append(float(np.median(open_v[quiet])))
    return np.array(times), np.array(volts)


def _find_shares(
    steps: SupplySteps, demand: FloatArray, rows: npt.NDArray[np.bool_], fit: SupplyFit | None
) -> dict[str, tuple[float, float]]:
    """Share of each part of the path in the fast answer, with its standard error; empty without further channels."""
    supply, battery, ground = (steps.volts.get(role) for role in ("supply", "battery", "ground"))
    if fit is None or supply is None:
        return {}
    falls: dict[str, FloatArray] = {}
    if battery is not None and ground is not None:
        falls = {"plus lead": supply - battery, "return lead": ground, "battery": battery - ground}
    elif battery is not None:
        falls = {"plus lead": supply - battery, "battery and return lead": battery}
    elif ground is not None:
        falls = {"return lead": ground, "battery and plus lead": supply - ground}
    lags_s = tuple(term.lag_s for term in fit.terms)
    whole, _ = fit.part(0.0, FAST_MOST_S)
    shares = {}
    for name, volts in falls.items():
        part = fit_with_lags(steps, demand, volts, rows & np.isfinite(volts), lags_s)
        if part is not None and whole > 0:
            weight, error = part.part(0.0, FAST_MOST_S)
            shares[name] = (weight / whole, error / whole)
    # The parts' falls add up to the supply's. Where their shares do not, a connection jumped, and none of them is told.
    total, errors = sum(share for share, _ in shares.values()), [error for _, error in shares.values()]
    is_sound = abs(total - 1.0) <= _STRAY + 2 * float(np.hypot.reduce(errors)) if shares else False
    is_sound &= all(-_STRAY - 2 * error <= share <= 1.0 + _STRAY + 2 * error for share, error in shares.values())
    return shares if is_sound else {}


# ---- ohms ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Factor:
    """Ohms for a weight of 1, best guess and 95 % range, and the words that say what was assumed."""

    ohm: float
    lowest_ohm: float
    highest_ohm: float
    words: str


def find_factor(unit: str, options: SupplyOptions) -> tuple[Factor | None, str]:
    """From the fit's weights to ohms: 1 for a measured current, impedance times efficiency for an estimated one.

    Returns the factor, or None with the reason.
    """
    if unit == "A":
        how = "as stated" if options.is_clamp_stated else "assumed: not stated"
        words = f"supply current measured with a clamp, {options.current_a_per_v:g} A a volt {how} (+-2 %)"
        return Factor(1.0, 0.98, 1.02, words), ""
    if options.load_kind == "none":
        return None, "no load: the amplifier takes no power from the supply"
    if options.load_ohm is None:
        return None, "the load's ohms were not given"
    kind = "resistor" if options.load_kind == "resistor" else "speaker"
    low, high = IMPEDANCE_RANGE[kind]
    best = options.load_ohm * ASSUMED_IMPEDANCE[kind]
    if options.efficiency is not None:
        efficiency = options.efficiency
        eff_low, eff_high = (efficiency * (1 + s * SIGMAS * STATED_EFFICIENCY_RATIO) for s in (-1.0, 1.0))
        how = f"efficiency {efficiency:.2f} as stated"
    else:
        efficiency, (eff_low, eff_high) = ASSUMED_EFFICIENCY, EFFICIENCY_RANGE
        how = f"efficiency not known, {efficiency:.2f} assumed ({eff_low:.2f} to {eff_high:.2f})"
    words = (
        f"supply current estimated from output power over efficiency: {how}; "
        f"load {options.load_ohm:g} ohm nominal ({kind}), real impedance {low * options.load_ohm:.3g} to "
        f"{high * options.load_ohm:.3g} ohm"
    )
    return Factor(best * efficiency, low * options.load_ohm * eff_low, high * options.load_ohm * eff_high, words), ""


def weight_to_ohm(weight: tuple[float, float], factor: Factor, error_ratio: float) -> dict[str, float]:
    """Ohms with the 95 % range that fit, model, efficiency and impedance leave."""
    value, error = weight
    half = SIGMAS * float(np.hypot(error, error_ratio * value))
    return {
        "ohm": value * factor.ohm,
        "lowest_ohm": max(0.0, value - half) * factor.lowest_ohm,
        "highest_ohm": (value + half) * factor.highest_ohm,
    }


def is_pinned_down(weight: tuple[float, float], error_ratio: float, most_ratio: float = PINNED_RATIO) -> bool:
    """Whether fit and model leave a weight so little room that one figure may be told."""
    value, error = weight
    return value > 0 and float(np.hypot(error / value, error_ratio)) <= most_ratio


def was_bend_looked_for(state: StateModel) -> bool:
    """Whether there was enough of a charged supply to see an alternator reach its limit, if it did."""
    return state.state == "at rest" or (state.fit is not None and state.fit.n_steps * STEP_S >= _LEAST_SEEN * LEAST_S)


def line_error_ratio(fit: SupplyFit, state: EngineState) -> float:
    """What a straight line leaves out, standard: the more, the more of the supply's fall it does not follow."""
    fall_v = max(fit.part(0.0, FAST_MOST_S)[0] * fit.highest_demand, 1e-9)
    return float(np.hypot(MODEL_ERROR_RATIO[state], SPREAD_ERROR_RATIO * fit.spread_v / fall_v))


# ---- what a tone at full clean power would do ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ceiling:
    """What stops the output: volts = constant + ratio * min(supply, knee) + per_output * mean |output|, standard
    uncertainty."""

    constant_v: float
    ratio: float
    per_output: float
    uncertainty_v: float
    knee_v: float = math.inf

    def at(self, supply_v: float) -> float:
        """Crest of the largest clean sine at a supply."""
        return max(0.0, (self.constant_v + self.ratio * min(supply_v, self.knee_v)) / (1 - self.per_output * 2 / np.pi))


def predict_full_power(model: StateModel, ceiling: Ceiling, after_s: float) -> dict[str, float] | None:
    """Sag `after_s` into a sine that just reaches the ceiling of the supply it leaves itself.

    Returns
    -------
    sag_v, lowest_sag_v, highest_sag_v (95 %), supply_v, crest_v, after_s; None where no fall under output power was
    seen.
    """
    if model.power_fit is None:
        return None
    # Other consumers draw the settled volts down; what the alternator's fit starts from is free of them.
    open_v = model.open_v if model.power_charging is None else model.power_charging.open_v
    fall, error_ratio, highest_demand, spread_v = _fall_of(model, after_s)
    sags = []
    for change, ceiling_change_v in ((0.0, 0.0), (SIGMAS * error_ratio, 0.0), (0.0, SIGMAS * ceiling.uncertainty_v)):
        sags.append(_settle_sag(open_v, fall, 1.0 + change, ceiling, ceiling_change_v))
    sag_v, crest_v = sags[0]
    crest_ratio = CREST_ERROR_RATIO if model.power_charging is None else CHARGING_CREST_ERROR_RATIO
    crest_error_v = SIGMAS * crest_ratio * sag_v
    half_v = float(np.linalg.norm([sags[1][0] - sag_v, sags[2][0] - sag_v, crest_error_v]))
    half_v += SIGMAS * spread_v
    # Beyond what was seen the straight line is a guess: the guess widens with how far it reaches.
    asked = crest_v**2 / 2 / max(open_v - sag_v, 1.0)
    beyond = max(0.0, asked / max(highest_demand, 1e-9) - 1.0)
    half_v += 0.05 * beyond * sag_v
    return {
        "sag_v": sag_v,
        "lowest_sag_v": max(0.0, sag_v - half_v),
        "highest_sag_v": sag_v + half_v,
        "supply_v": open_v - sag_v,
        "crest_v": crest_v,
        "after_s": after_s,
    }


def _fall_of(model: StateModel, after_s: float) -> tuple[Callable[[float], float], float, float, float]:
    """Volts lost `after_s` into a demand, as a function of it; standard error as a ratio; the highest demand that was
    seen; the spread of one step."""
    fit = model.power_fit
    assert fit is not None
    alternator = model.power_charging
    if alternator is None:
        weight, error = fit.without_others().step_answer(after_s)
        ratio = float(np.hypot(error / max(abs(weight), 1e-12), line_error_ratio(fit, model.state)))
        return (lambda demand: weight * demand), ratio, fit.highest_demand, fit.spread_v
    demands = np.linspace(0.0, 3.0 * fit.highest_demand, 61)
    falls = alternator.fall_after(demands, after_s)
    ratio = max(w[1] / max(w[0], 1e-12) for w in (alternator.following_weight, alternator.limit_weight) if w[0] > 0)
    ratio = float(np.hypot(min(ratio, MODEL_ERROR_RATIO["charging"]), alternator.limit_error_ratio))
    # Beyond the last a straight line goes on.
    slope = float((falls[-1] - falls[-2]) / (demands[-1] - demands[-2]))

    def fall(demand: float) -> float:
        beyond = max(0.0, demand - float(demands[-1]))
        return float(np.interp(demand, demands, falls)) + slope * beyond

    return fall, ratio, fit.highest_demand, alternator.spread_v


def _settle_sag(
    open_v: float, fall: Callable[[float], float], times: float, ceiling: Ceiling, ceiling_change_v: float
) -> tuple[float, float]:
    """Sag and crest at which supply and ceiling agree."""
    sag_v = 0.0
    crest_v = 0.0
    for _ in range(200):
        supply_v = max(open_v - sag_v, 1.0)
        crest_v = ceiling.at(supply_v) + ceiling_change_v
        new_v = min(times * fall(crest_v**2 / 2 / supply_v), open_v - 1.0)
        if abs(new_v - sag_v) < 1e-9:
            break
        sag_v += 0.5 * (new_v - sag_v)
    return sag_v, crest_v


def fit_sag_line(level_v: FloatArray, sag_v: FloatArray) -> dict[str, Any] | None:
    """Sag against the square of a note's level, a straight line through no sag at no level, robustly.

    Returns sag_v_per_v2, spread_v, n_notes and `curve` ((level V rms, sag V) pairs to draw); None below five notes.
    """
    known = np.isfinite(level_v) & np.isfinite(sag_v) & (level_v > 0)
    if known.sum() < 5:
        return None
    x, y = level_v[known] ** 2, sag_v[known]
    slope, spread = float(x @ y / (x @ x)), 0.0
    for _ in range(20):
        residual = y - slope * x
        spread = max(1e-3, 1.4826 * float(np.median(np.abs(residual))))
        weight = np.clip(1 - (residual / (_TUKEY_LINE * spread)) ** 2, 0, None) ** 2
        if float(weight @ (x * x)) <= 0:
            break
        slope = float((weight * x) @ y / ((weight * x) @ x))
    levels = np.linspace(0.0, float(level_v[known].max()), 41)
    return {
        "sag_v_per_v2": slope,
        "spread_v": spread,
        "n_notes": int(known.sum()),
        "curve": [(float(v), float(slope * v * v)) for v in levels],
    }


_TUKEY_LINE = 4.7
