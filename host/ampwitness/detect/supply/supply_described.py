"""One engine state of a learned supply as numbers for a report: resistance, time constants, sag at full clean power.

Gaps: none: works on fits.
Limits: see `supply_model`; time constants are told only where demand rose fast often enough to show them.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

import math
from typing import Any

from ampwitness.detect.supply.demand_steps import count_rises
from ampwitness.detect.supply.supply_fit import FAST_MOST_S, MOST_SLOW_SHARE, SLOW_LAGS_S
from ampwitness.detect.supply.supply_forecast import Ceiling, predict_full_power
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.detect.supply.supply_model import AT_ONCE_MOST_S, StateModel, SupplyModel, SupplyOptions, find_demand
from ampwitness.detect.supply.supply_ohms import (
    REGIME_PINNED_RATIO,
    Factor,
    find_factor,
    is_pinned_down,
    is_taken_back,
    line_error_ratio,
    was_bend_looked_for,
    weight_to_ohm,
)

FULL_POWER_AFTER_S = 0.5  # a long bass note
FEWEST_RISES = 5  # of the demand, within 50 ms: from fewer the supply's lags cannot be told apart
LEAST_TOLD_SHARE = 0.15  # of the fast part: a lesser lag makes up for what the model leaves out
FOLLOWS, AT_LIMIT = "the alternator follows", "the alternator is at its current limit"


def tell_why_no_lags(steps: SupplySteps, options: SupplyOptions) -> str | None:
    """Why a recording does not show the supply's time constants; None where it does."""
    n_rises = count_rises(find_demand(steps, options)[0], steps.index)
    if n_rises >= FEWEST_RISES:
        return None
    often = {0: "at no time", 1: "only once"}.get(n_rises, f"only {n_rises} times")
    return f"what the amplifier takes rose within 50 ms {often}"


def describe_state(
    state: StateModel,
    model: SupplyModel,
    options: SupplyOptions,
    ceiling: Ceiling | None,
    off_v: float | None,
    why_no_lags: str | None,
) -> dict[str, Any]:
    """Numbers of one engine state, units last; None where not judged, the reason under `not_judged`.

    Parameters
    ----------
    state, model, options : what was learned, and what is known beside it
    ceiling : what stops the output; None where nothing clipped
    off_v : the supply at which the amplifier lets go; None where it was not seen to
    why_no_lags : why time constants are not told; None where they are
    """
    out: dict[str, Any] = {
        "open_v": state.open_v,
        "lowest_v": state.lowest_v,
        "judged_s": state.judged_s,
        "source_ohm": None,
        "lowest_source_ohm": None,
        "highest_source_ohm": None,
        "slow_ohm": None,
        "not_judged": None,
        "assumed": None,
        "parts": {},
        "time_constants": [],
        "time_constants_not_judged": None,
        "regimes": [],
        "full_power": None,
        "full_power_not_judged": None,
    }
    out.update(_describe_ohms(state, model, options, ceiling))
    if why_no_lags is not None:
        out.update(time_constants=[], time_constants_not_judged=why_no_lags)
    if options.load_kind == "none":
        out["full_power_not_judged"] = "no load: what a load would draw was not seen"
        return out
    if ceiling is None:
        out["full_power_not_judged"] = "no ceiling of the amplifier's own was seen, so full clean power is not known"
        return out
    predicted = predict_full_power(state, ceiling, FULL_POWER_AFTER_S)
    if predicted is None:
        out["full_power_not_judged"] = "how the supply falls with output power was not seen"
        return out
    if off_v is not None:
        predicted["above_under_voltage_v"] = predicted["supply_v"] - off_v
    out["full_power"] = predicted
    return out


def _find_level_ratio(state: StateModel, ceiling: Ceiling | None) -> float | None:
    """Rms at which the supply's answer was mostly seen, to that of a sine at the ceiling; None without a ceiling."""
    if ceiling is None or state.power_fit is None or ceiling.at(state.open_v) <= 0:
        return None
    rms_v = math.sqrt(state.power_fit.typical_demand * state.open_v)
    return math.sqrt(2) * rms_v / ceiling.at(state.open_v)


def _describe_ohms(
    state: StateModel, model: SupplyModel, options: SupplyOptions, ceiling: Ceiling | None
) -> dict[str, Any]:
    fit = state.fit
    if fit is None:
        reason = "the supply did not fall with the output" if model.has_output else "the output was not recorded"
        return {"not_judged": reason}
    out: dict[str, Any] = {"spread_v": fit.spread_v, "n_steps": fit.n_steps}
    out["time_constants"] = [
        {
            "what": _name_term(term.lag_s, term.weight, fit.part(0.0, FAST_MOST_S)[0]),
            "time_constant_s": term.lag_s,
            "share": term.weight / max(fit.part(0.0, FAST_MOST_S)[0], 1e-12),
        }
        for term in fit.terms
        if abs(term.weight) >= LEAST_TOLD_SHARE * abs(fit.part(0.0, FAST_MOST_S)[0])
    ]
    out["parts"] = {name: {"share": share, "share_uncertainty": error} for name, (share, error) in state.shares.items()}
    level_ratio = _find_level_ratio(state, ceiling)
    factor, why_not = find_factor(model.demand_unit, options, level_ratio)
    if factor is None:
        out["not_judged"] = why_not
        return out
    weight, error_ratio = fit.part(0.0, FAST_MOST_S), line_error_ratio(fit, state.state)
    ohms = weight_to_ohm(weight, factor, error_ratio)
    out["regimes"] = _describe_regimes(state, factor)
    main = out["regimes"][0] if out["regimes"] else ohms
    was_looked_for = was_bend_looked_for(state)
    is_straight = was_looked_for and not is_taken_back(fit)
    is_told = bool(out["regimes"]) or (is_straight and is_pinned_down(weight, error_ratio))
    why_open = (
        f"the supply also moved by some {1e3 * fit.spread_v:.0f} mV that the output does not explain (other consumers, "
        "or a load whose impedance changes with pitch)"
    )
    if model.demand_unit == "V" and options.efficiency is None and level_ratio is None:
        is_told = False
        why_open = (
            "how near full power the amplifier worked is not known, and so not what it takes from the supply for its "
            "output (its efficiency)"
        )
    if is_taken_back(fit):
        why_open = "the supply rose by itself over seconds, as behind a start or while a battery is charged"
    if not was_looked_for:
        why_open = "too little of it was seen to tell whether the alternator came to its current limit"
    out.update(
        source_ohm=main["ohm"] if is_told else None,
        lowest_source_ohm=main["lowest_ohm"],
        highest_source_ohm=main["highest_ohm"],
        assumed=factor.words,
        not_judged=None if is_told else why_open,
    )
    if any(term.lag_s > FAST_MOST_S for term in fit.terms):
        out["slow_ohm"] = fit.part(min(SLOW_LAGS_S), max(SLOW_LAGS_S))[0] * factor.ohm
    for part in out["parts"].values():
        part["ohm"] = part["share"] * ohms["ohm"] if is_told else None
        part["lowest_ohm"] = max(0.0, part["share"] - 2 * part["share_uncertainty"]) * ohms["lowest_ohm"]
        part["highest_ohm"] = (part["share"] + 2 * part["share_uncertainty"]) * ohms["highest_ohm"]
    return out


def _describe_regimes(state: StateModel, factor: Factor) -> list[dict[str, Any]]:
    """What a charged supply loses an ampere below and at the alternator's current limit, the more often seen first."""
    fit = state.charging
    if fit is None:
        return []
    found = []
    both = (
        (fit.tells_following, FOLLOWS, fit.following_weight, fit.following_error_ratio, fit.following_share),
        (fit.tells_limit, AT_LIMIT, fit.limit_weight, fit.limit_error_ratio, fit.limit_share),
    )
    for is_told, what, weight, error_ratio, share in both:
        if is_told and is_pinned_down(weight, error_ratio, REGIME_PINNED_RATIO):
            ohms = weight_to_ohm(weight, factor, error_ratio)
            found.append({"what": what, **ohms, "share": share, "limit_reached_v": fit.limit_v})
    return sorted(found, key=lambda regime: -float(regime["share"]))


def _name_term(lag_s: float, weight: float, fast: float) -> str:
    if lag_s <= AT_ONCE_MOST_S:
        return "at once (battery, leads and contacts; also within the amplifier's own reservoir)"
    if lag_s <= FAST_MOST_S:
        return "taken over (alternator)" if weight < 0 else "through a store (capacitor)"
    if weight > MOST_SLOW_SHARE * fast:
        return "slowly (more than a battery does: other consumers may have run in step)"
    return "recovering (regulator)" if weight < 0 else "slowly (the battery itself)"
