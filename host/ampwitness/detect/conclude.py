"""The second stage: what all detectors' findings say together about the supply, and whose fault each clip is.

Gaps: as for the detectors; nothing is joined.
Limits: see `supply_model` and `clip_cause`.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit
from ampwitness.detect.clips.cause.clean_gain import SHARE, CleanGain, find_clean_gain, share_to_fit
from ampwitness.detect.clips.cause.clip_cause import read_ceiling
from ampwitness.detect.clips.found_clips import ClipTable
from ampwitness.detect.cutouts.cutout_cause import LOW
from ampwitness.detect.cutouts.cutout_level import learn_level
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.sag_beyond import ExplainedNotes, summarise_beyond
from ampwitness.detect.supply.states_in_doubt import doubt_states
from ampwitness.detect.supply.supply_described import describe_state, tell_why_no_lags
from ampwitness.detect.supply.supply_forecast import Ceiling, fit_sag_line
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.detect.supply.supply_model import (
    KeptOut,
    SupplyModel,
    SupplyOptions,
    learn_supply,
)
from ampwitness.detect.supply_lost import find_lost_supply
from ampwitness.finding_list import FindingList
from ampwitness.types import Coverage, Finding, NotJudged

NAME = "supply"
EVERY_PART = "battery, leads and ground"
HALVED = 0.5
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
    ceilings = clip_rows.learn_ceilings() if clip_rows is not None else {}
    out: list[DetectorResult] = []
    notes: list[ExplainedNotes] = []
    for result in results:
        if result is clipping and clip_rows is not None:
            clip_rows = clip_rows.with_causes(ceilings, model)
            clips = FindingList([clip_rows])
            causes = dict(clips.texts("cause"))
            summary = {**result.summary, "causes": causes, "ceilings": {k: _describe(v) for k, v in ceilings.items()}}
            result = DetectorResult(clips, result.coverage, summary)
        elif result.coverage.detector == "notes":
            notes = [ExplainedNotes(table, model) for table in FindingList.of(result.findings).tables]
            result = DetectorResult(FindingList(notes), result.coverage, result.summary)
        out.append(result)
    findings = FindingList([result.findings for result in out])
    gain = _clean_gain(findings.of_kind("clip"), clip_rows)
    supply = _supply_result(model, steps, options, _lowest_ceiling(ceilings, rails, model), findings, gain, notes)
    if model is not None:
        told = {**supply.summary, "ceiling_unseen": find_unseen(ceilings, model), "knows_ceiling": bool(ceilings)}
        supply = DetectorResult(supply.findings, supply.coverage, told)
    return (*out, supply)


def find_unseen(ceilings: Mapping[str, CeilingFit], model: SupplyModel) -> dict[str, float] | None:
    """How far a ceiling was carried on above the highest supply under which a clip was seen, at the settled supply:
    supply volts seen to, settled volts, and the decibels between, of the polarity with the most; None where none was.
    """
    settled_v = max(state.open_v for state in model.states.values())
    found = None
    for fit in ceilings.values():
        at_v, seen_v = fit.at(np.array([settled_v, min(fit.highest_v, settled_v)])).tolist()
        unseen_db = 20 * float(np.log10(at_v / seen_v)) if at_v > seen_v > 0 else 0.0
        if unseen_db > (found["unseen_db"] if found is not None else 0.0):
            found = {"highest_seen_v": float(fit.highest_v), "settled_v": settled_v, "unseen_db": unseen_db}
    return found


def learn_from(results: Sequence[DetectorResult], steps: SupplySteps, options: SupplyOptions) -> SupplyModel | None:
    """The supply's model, by the engine's states and without the spans in which a lead was lost, as the dips, the
    cut-outs and the volts tell them."""
    dips, cutouts = (
        tuple(f for r in results if r.coverage.detector == name for f in r.findings) for name in ("dips", "cutouts")
    )
    engine = find_engine_states(steps, dips)
    engine = doubt_states(engine, steps, battery_kind=options.battery_kind, nominal_supply_v=None)
    return learn_supply(steps, options, engine, find_lost_supply(cutouts, dips, engine.cranking))


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
    gain: CleanGain | None,
    explained: Sequence[ExplainedNotes],
) -> DetectorResult:
    if model is None:
        why_not = "less than a second of the supply" if "supply" in steps.volts else "no supply channel"
        return DetectorResult((), Coverage(NAME, 0.0, (NotJudged(0.0, 0.0, why_not),)), {})
    off_v = _under_voltage(findings.of_kind("cutout"))
    notes = findings.of_kind("note")
    why_no_lags = tell_why_no_lags(steps, options)
    states = {name: describe_state(s, model, options, ceiling, off_v, why_no_lags) for name, s in model.states.items()}
    for name, lowest_v in _lowest_in_dips(findings.of_kind("dip"), model).items():
        if name in states:
            states[name]["lowest_v"] = min(states[name]["lowest_v"], lowest_v)
    level_v, sag_v = notes.values("level_v"), notes.values("sag_v")
    state_at = model.states_at(notes.start_s)
    in_state = {name: state_at == name for name in states}
    for name in states:
        states[name]["beyond_own_power"] = summarise_beyond(explained, model, name)
    summary: dict[str, Any] = {
        "states": states,
        "cranking": _describe_kept_out(model.cranking),
        "lost": _describe_kept_out(model.lost),
        "under_voltage_v": off_v,
        "sag_line": fit_sag_line(level_v, sag_v),
        "sag_lines": {name: fit_sag_line(level_v[mine], sag_v[mine]) for name, mine in in_state.items()},
        "state_begins": list(zip(model.change_s.tolist(), model.change_state, strict=True)),
        "clip_gain": _describe_gain(gain),
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
        if f.measured.get("cause") == LOW and isinstance(value := f.measured.get("supply_at_start_v"), int | float)
    ]
    return max(levels, default=None)


def _clean_gain(clips: FindingList, rows: ClipTable | None) -> CleanGain | None:
    """What the clips say of clean output; None where nothing clipped by a known amount."""
    if rows is None:
        return None
    # What a source cut off fits under every ceiling, however far its crests would have gone.
    overdrive_db = clips.values("overdrive_db")
    overdrive_db[clips.values("is_source") > 0] = np.nan
    return find_clean_gain(overdrive_db, rows.lost_to_sag_db, share=share_to_fit(clips))


def _describe_gain(gain: CleanGain | None) -> dict[str, float | bool | None]:
    """What each remedy is worth in dB: turning down until the crests fit, or a supply that stays settled."""
    if gain is None:
        return {"turn_down_db": None, "turn_down_most_db": None, "supply_gain_db": None, "left_with_supply_db": None}
    return {
        "turn_down_db": gain.turn_down_db(),
        "turn_down_most_db": gain.turn_down_db(every_one=True),
        "is_guess": gain.share < SHARE,
        "supply_gain_db": gain.mending_gains_db(1.0),
        "left_with_supply_db": gain.turn_down_db(1.0),
    }


def _find_remedies(gain: CleanGain | None, states: Mapping[str, Any], ceiling: Ceiling | None) -> list[dict[str, Any]]:
    """What each mending would gain in dB of clean output, the best first.

    Sag is shared among the parts as their resistances are: good for the few tenths of a volt that it is about. An
    alternator is taken at the textbook's 14.2 V against the open voltage that was seen.
    """
    found = []
    if gain is not None and gain.mending_gains_db(1.0) > 0:
        whole = max(states.values(), key=lambda state: state["judged_s"])
        shares = {name: part["share"] for name, part in whole["parts"].items()}
        for name, share in {**shares, EVERY_PART: 1.0}.items():
            gain_db = gain.mending_gains_db(HALVED * share)
            found.append({"what": name, "gain_db": gain_db, "how": "resistance halved"})
        found.append({"what": "the whole supply", "gain_db": gain.mending_gains_db(1.0), "how": "no sag at all"})
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
