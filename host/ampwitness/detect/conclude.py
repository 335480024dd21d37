"""The second stage: what all detectors' findings say together about the supply, and whose fault each clip is.

Gaps: as for the detectors; nothing is joined.
Limits: see `supply_model` and `clip_cause`.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.ceiling_fit import CeilingFit
from ampwitness.detect.clip_cause import attach_cause, judge_clip, learn_ceilings, read_ceiling
from ampwitness.detect.cutout_level import learn_level
from ampwitness.detect.demand_steps import count_rises
from ampwitness.detect.engine_states import find_cranking
from ampwitness.detect.found_clips import ClipTable
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.sag_beyond import find_sag_beyond
from ampwitness.detect.supply_fit import FAST_MOST_S, MOST_SLOW_SHARE, SLOW_LAGS_S
from ampwitness.detect.supply_forecast import Ceiling, fit_sag_line, predict_full_power
from ampwitness.detect.supply_history import SupplySteps
from ampwitness.detect.supply_lost import find_lost_supply
from ampwitness.detect.supply_model import (
    AT_ONCE_MOST_S,
    KeptOut,
    StateModel,
    SupplyModel,
    SupplyOptions,
    find_demand,
    learn_supply,
)
from ampwitness.detect.supply_ohms import (
    REGIME_PINNED_RATIO,
    Factor,
    find_factor,
    is_pinned_down,
    line_error_ratio,
    was_bend_looked_for,
    weight_to_ohm,
)
from ampwitness.finding_list import FindingList, number_or_nan
from ampwitness.types import Coverage, Finding, NotJudged

NAME = "supply"
FULL_POWER_AFTER_S = 0.5  # a long bass note
HALVED = 0.5
FEWEST_RISES = 5  # of the output, within 50 ms: from fewer the supply's lags cannot be told apart
LEAST_TOLD_SHARE = 0.15  # of the fast part: a lesser lag makes up for what the model leaves out
ENGINE_CHANGE_S = 1.5  # on both sides of a change of state the supply moves by itself
FOLLOWS, AT_LIMIT = "the alternator follows", "the alternator is at its current limit"
CHARGED_V = 14.2  # common charging set-point, within the 13.5 to 14.55 V of service data


def conclude(
    results: Sequence[DetectorResult],
    steps: SupplySteps,
    options: SupplyOptions,
    *,
    learned: tuple[SupplyModel | None] | None = None,
) -> tuple[DetectorResult, ...]:
    """The detectors' results with a cause on every clip, and one more result: the supply as the amplifier sees it.

    Parameters
    ----------
    results : of all detectors
    steps : the recording in steps of 10 ms
    options : what is known of amplifier, load and battery
    learned : what `learn_supply` gives of the steps, where that is known already

    Returns
    -------
    The results in their order, then that of "supply": no findings, what was judged, and the summary.
    """
    model = learned[0] if learned is not None else learn_from(results, steps, options)
    clipping = next((r for r in results if r.coverage.detector == "clipping"), None)
    rails: Mapping[str, Any] = clipping.summary.get("rail_model", {}) if clipping is not None else {}
    clip_rows = _clip_rows(clipping)
    ceilings = {}
    if clipping is not None:
        ceilings = learn_ceilings(clipping.findings) if clip_rows is None else clip_rows.learn_ceilings()
    out: list[DetectorResult] = []
    for result in results:
        if result.coverage.detector == "clipping":
            if clip_rows is not None:
                clip_rows = clip_rows.with_causes(ceilings, model)
                clips = FindingList([clip_rows])
            else:
                clips = FindingList.of(
                    [
                        attach_cause(f, judge_clip(f, ceilings.get(str(f.measured.get("polarity"))), model))
                        for f in result.findings
                    ]
                )
            causes = dict(clips.texts("cause"))
            summary = {**result.summary, "causes": causes, "ceilings": {k: _describe(v) for k, v in ceilings.items()}}
            result = DetectorResult(clips, result.coverage, summary)
        out.append(result)
    findings = FindingList([result.findings for result in out])
    gain = _clean_gain(findings.of_kind("clip"), clip_rows)
    return (*out, _supply_result(model, steps, options, _lowest_ceiling(ceilings, rails, model), findings, gain))


def learn_from(results: Sequence[DetectorResult], steps: SupplySteps, options: SupplyOptions) -> SupplyModel | None:
    """The supply's model, without the spans in which the engine was cranked or a lead was lost, as the dips, the
    cut-outs and the volts tell them."""
    dips, cutouts = (
        tuple(f for r in results if r.coverage.detector == name for f in r.findings) for name in ("dips", "cutouts")
    )
    cranked = find_cranking(steps, dips)
    return learn_supply(steps, options, cranked, find_lost_supply(cutouts, dips, cranked))


def _clip_rows(clipping: DetectorResult | None) -> ClipTable | None:
    """The clips as the detector's own rows; None where they came otherwise."""
    found = clipping.findings if clipping is not None else ()
    tables = found.tables if isinstance(found, FindingList) else ()
    return tables[0] if len(tables) == 1 and isinstance(tables[0], ClipTable) else None


def _supply_result(
    model: SupplyModel | None,
    steps: SupplySteps,
    options: SupplyOptions,
    ceiling: Ceiling | None,
    findings: FindingList,
    gain: Mapping[str, float | None],
) -> DetectorResult:
    if model is None:
        return DetectorResult((), Coverage(NAME, 0.0, (NotJudged(0.0, 0.0, "no supply channel"),)), {})
    off_v = _under_voltage(findings.of_kind("cutout"))
    notes = findings.of_kind("note")
    states = {name: _describe_state(s, model, options, ceiling, off_v) for name, s in model.states.items()}
    n_rises = count_rises(find_demand(steps, options)[0], steps.index)
    if n_rises < FEWEST_RISES:
        for described in states.values():
            described["time_constants"] = []
            described["time_constants_not_judged"] = (
                f"what the amplifier takes rose within 50 ms {_count_times(n_rises)}"
            )
    for name, lowest_v in _lowest_in_dips(findings.of_kind("dip"), model).items():
        states[name]["lowest_v"] = min(states[name]["lowest_v"], lowest_v)
    level_v, sag_v = notes.values("level_v"), notes.values("sag_v")
    state_of = np.searchsorted(model.change_s, notes.start_s, "right") - 1
    in_state = {
        name: np.isin(state_of, [k for k, state in enumerate(model.change_state) if state == name]) for name in states
    }
    apart = [
        *model.kept_out,
        *((at_s - ENGINE_CHANGE_S, at_s + ENGINE_CHANGE_S) for at_s in model.change_s[1:].tolist()),
    ]
    for name, state in model.states.items():
        states[name]["beyond_own_power"] = find_sag_beyond(notes, in_state[name], state, apart)
    summary: dict[str, Any] = {
        "states": states,
        "cranking": _describe_kept_out(model.cranking),
        "lost": _describe_kept_out(model.lost),
        "under_voltage_v": off_v,
        "sag_line": fit_sag_line(level_v, sag_v),
        "sag_lines": {name: fit_sag_line(level_v[mine], sag_v[mine]) for name, mine in in_state.items()},
        "state_begins": list(zip(model.change_s.tolist(), model.change_state, strict=True)),
        "clip_gain": gain,
        "remedies": _find_remedies(gain, states, ceiling),
        "remarks": _remarks(model, steps),
    }
    judged_s = steps.seen_s
    return DetectorResult((), Coverage(NAME, judged_s, ()), summary)


def _describe_kept_out(kept_out: KeptOut | None) -> dict[str, float] | None:
    if kept_out is None:
        return None
    return {"lowest_v": kept_out.lowest_v, "judged_s": kept_out.judged_s, "n_times": kept_out.n_times}


def _lowest_in_dips(dips: Sequence[Finding], model: SupplyModel) -> dict[str, float]:
    """Residual of the deepest dip of each engine state, cranking and lost leads left out: the same 10 ms, but wherever
    they lie."""
    lowest: dict[str, float] = {}
    for dip in dips:
        residual_v, state = dip.measured.get("residual_v"), model.state_at(dip.start_s)
        is_out = any(a <= dip.stop_s and dip.start_s <= b for a, b in model.kept_out)
        if dip.measured.get("role") != "supply" or is_out or not isinstance(residual_v, int | float):
            continue
        if state is not None:
            lowest[state] = min(lowest.get(state, np.inf), float(residual_v))
    return lowest


def _describe_state(
    state: StateModel, model: SupplyModel, options: SupplyOptions, ceiling: Ceiling | None, off_v: float | None
) -> dict[str, Any]:
    """Numbers of one engine state, units last; None where not judged, the reason under `not_judged`."""
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
    out.update(_describe_ohms(state, model, options))
    if options.load_kind == "none":
        out["full_power_not_judged"] = "no load: what a load would draw was not seen"
        return out
    if ceiling is None:
        out["full_power_not_judged"] = "no ceiling was seen: nothing clipped, so full clean power is not known"
        return out
    predicted = predict_full_power(state, ceiling, FULL_POWER_AFTER_S)
    if predicted is None:
        out["full_power_not_judged"] = "how the supply falls with output power was not seen"
        return out
    if off_v is not None:
        predicted["above_under_voltage_v"] = predicted["supply_v"] - off_v
    out["full_power"] = predicted
    return out


def _describe_ohms(state: StateModel, model: SupplyModel, options: SupplyOptions) -> dict[str, Any]:
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
    factor, why_not = find_factor(model.demand_unit, options)
    if factor is None:
        out["not_judged"] = why_not
        return out
    weight, error_ratio = fit.part(0.0, FAST_MOST_S), line_error_ratio(fit, state.state)
    ohms = weight_to_ohm(weight, factor, error_ratio)
    out["regimes"] = _describe_regimes(state, factor)
    main = out["regimes"][0] if out["regimes"] else ohms
    was_looked_for = was_bend_looked_for(state)
    is_told = bool(out["regimes"]) or (was_looked_for and is_pinned_down(weight, error_ratio))
    why_open = f"the supply also moved by itself, by some {1e3 * fit.spread_v:.0f} mV"
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


def _lowest_ceiling(
    fits: Mapping[str, CeilingFit], rails: Mapping[str, Any], model: SupplyModel | None
) -> Ceiling | None:
    """The polarity that stops first at the open voltage; from the clip detector's rails where no fit could be made."""
    if model is None:
        return None
    known = []
    for side in ("positive", "negative"):
        fit = fits.get(side)
        if fit is not None:
            known.append(Ceiling(fit.constant_v, fit.ratio, -fit.droop, fit.spread_v, fit.knee_v))
        elif (ceiling := read_ceiling(rails.get(side))) is not None:
            known.append(ceiling)
    at_v = max(state.open_v for state in model.states.values())
    return min(known, key=lambda c: c.at(at_v), default=None)


def _describe(fit: CeilingFit) -> dict[str, Any]:
    """A ceiling for the report: volts = constant_v + ratio * supply, up to knee_v of supply."""
    return {
        "kind": fit.kind,
        "constant_v": fit.constant_v,
        "ratio": fit.ratio,
        "ratio_uncertainty": fit.ratio_sd,
        "knee_v": fit.knee_v if np.isfinite(fit.knee_v) else None,
        "spread_v": fit.spread_v,
        "n_plateaus": fit.n_plateaus,
    }


def _under_voltage(findings: Sequence[Finding]) -> float | None:
    """The supply at which this amplifier lets go, as it was learned; else the highest at which one was seen to."""
    learned = learn_level(findings)
    if learned is not None:
        return float(learned["level_v"])
    levels = [
        float(value)
        for f in findings
        if "supply fell below" in str(f.measured.get("cause"))
        and isinstance(value := f.measured.get("supply_at_start_v"), int | float)
    ]
    return max(levels, default=None)


def _clean_gain(clips: FindingList, rows: ClipTable | None) -> dict[str, float | None]:
    """What each remedy is worth in dB: turning down to the worst crest, or a supply that stays settled."""
    overs = clips.values("overdrive_db")
    if rows is not None:
        lost = rows.lost_to_sag_db
    else:
        lost = np.array([number_or_nan(f.evidence.get("lost_to_sag_db")) for f in clips])
    lost = np.where(np.isfinite(lost), lost, 0.0)
    known = np.isfinite(overs)
    if not known.any():
        return {"turn_down_db": None, "turn_down_most_db": None, "supply_gain_db": None, "left_with_supply_db": None}
    overs, lost = overs[known], np.clip(lost[known], 0.0, None)
    return {
        "turn_down_db": float(np.quantile(overs, 0.98)),
        "turn_down_most_db": float(overs.max()),
        "supply_gain_db": float(np.quantile(lost, 0.98)),
        "left_with_supply_db": float(np.quantile(np.clip(overs - lost, 0.0, None), 0.98)),
    }


def _find_remedies(
    gain: Mapping[str, float | None], states: Mapping[str, Any], ceiling: Ceiling | None
) -> list[dict[str, Any]]:
    """What each mending would gain in dB of clean output at the worst clips, the best first.

    Decibels lost to sag are shared among the parts as their resistances are: good for the few tenths of a volt that
    they are about. An alternator is taken at the textbook's 14.2 V against the open voltage that was seen.
    """
    found = []
    lost_db = gain["supply_gain_db"]
    if lost_db:
        whole = max(states.values(), key=lambda state: state["judged_s"])
        for name, part in whole["parts"].items():
            found.append({"what": name, "gain_db": lost_db * HALVED * part["share"], "how": "resistance halved"})
        if not whole["parts"]:
            found.append({"what": "battery, leads and ground", "gain_db": lost_db * HALVED, "how": "resistance halved"})
        found.append({"what": "the whole supply", "gain_db": lost_db, "how": "no sag at all"})
    if ceiling is not None and set(states) == {"at rest"}:
        open_v = states["at rest"]["open_v"]
        at_v, then_v = ceiling.at(CHARGED_V), ceiling.at(open_v)
        if at_v > then_v > 0 and open_v < CHARGED_V:
            db = float(20 * np.log10(at_v / then_v))
            how = f"engine running at {CHARGED_V} V instead of {open_v:.2f} V"
            found.append({"what": "alternator", "gain_db": db, "how": how})
    return sorted(found, key=lambda remedy: -float(str(remedy["gain_db"])))


def _remarks(model: SupplyModel, steps: SupplySteps) -> tuple[str, ...]:
    out = ["all volts are relative to the logger's reference point; what lies on its other side is not in them"]
    if "battery" in steps.volts and "ground" not in steps.volts:
        out.append("no ground channel: the battery's share and the return path's are given together")
    elif "battery" not in steps.volts and "ground" in steps.volts:
        out.append("no battery channel: the battery's share and the plus lead's are given together")
    elif "battery" not in steps.volts:
        out.append("no battery channel: battery, leads and contacts are given as one resistance")
    if {"battery", "ground"} & set(steps.volts) and any(s.fit and not s.shares for s in model.states.values()):
        out.append("a connection jumped, or the channels do not add up: what each part loses is not told apart")
    if len(model.states) > 1:
        out.append("engine states are told apart by the volts alone, as they would be with the amplifier quiet")
    for step in model.lasting_steps:
        what = "began" if step.rises else "ceased"
        out.append(
            f"at {step.time_s:.0f} s the volts went from {step.before_v:.2f} to {step.behind_v:.2f} V and stayed: "
            f"taken for a weak alternator that {what} to charge, as no rested battery holds the higher level; "
            "a large consumer that is switched and stays so would look the same"
        )
    return tuple(out)


def _count_times(n: int) -> str:
    return {0: "at no time", 1: "only once"}.get(n, f"only {n} times")
