"""The last stage: engine states, what they say about cut-outs and notes, and marks tied to what happened.

Gaps: as for the detectors; nothing is joined.
Limits: see `engine_states`, `engine_marks` and `mark_ties`.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores` and `... engine_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ampwitness.detect.cutouts.cutout_cause import CRANKING
from ampwitness.detect.cutouts.cutout_cranking import settle_cranking
from ampwitness.detect.cutouts.cutout_level import learn_level
from ampwitness.detect.cutouts.mark_ties import tie_marks
from ampwitness.detect.dip_context import list_lost_supply, name_dip_context
from ampwitness.detect.leads_off import set_aside_leads
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.supply.charging_ended import find_charging_ends, summarise_ends
from ampwitness.detect.supply.engine_beside import lay_engine_beside
from ampwitness.detect.supply.engine_channel import BY_BATTERY, take_engine_channel
from ampwitness.detect.supply.engine_marks import decide_by_marks, find_engine_marks
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.engine_whine import decide_by_whine
from ampwitness.detect.supply.state_summary import summarise_states
from ampwitness.detect.supply.stated_findings import StatedTable
from ampwitness.detect.supply.states_in_doubt import doubt_states, leave_out_leads
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.detect.supply_lost import find_lost_supply
from ampwitness.finding_list import ChangedTable, FindingList, FindingTable
from ampwitness.types import Coverage, Finding, NotJudged

NAME = "engine"
_CRANKED, _LOST = "the engine was being cranked", "the supply's connection was lost"
_STATED = ("clipping", "notes", "dips", "cutouts")  # whose findings say what the engine did meanwhile
_OF_THE_SAG = ("sag_v", "sag_without_end_v", "sag_own_v", "sag_percent", "sag_slope_v_per_s", "recovery_s")


def settle_road(
    results: Sequence[DetectorResult],
    steps: SupplySteps,
    *,
    battery_kind: str | None = None,
    nominal_supply_v: float | None = None,
) -> tuple[DetectorResult, ...]:
    """The results with cranking mutes and marks settled, and one more: the engine's states with their figures.

    Parameters
    ----------
    results : of all detectors
    steps : the recording in steps of 10 ms
    battery_kind, nominal_supply_v : as declared; None: nobody said. See `doubt_states`
    """
    dips = tuple(f for r in results if r.coverage.detector == "dips" for f in r.findings)
    pressed = [f for r in results if r.coverage.detector == "marks" for f in r.findings]
    seen, seen_dips, is_battery = take_engine_channel(steps, dips)
    told = find_engine_states(seen, seen_dips)
    nominal_v = None if is_battery else nominal_supply_v
    told = doubt_states(told, seen, battery_kind=battery_kind, nominal_supply_v=nominal_v)
    told, ends = find_charging_ends(decide_by_whine(told, seen), seen)
    leads_off = [s for r in results if r.coverage.detector == "cutouts" for s in r.summary.get("supply_lead_off", ())]
    if is_battery:
        told = replace(told, remarks=(BY_BATTERY, *told.remarks))
    else:
        told = leave_out_leads(told, leads_off)
    states = decide_by_marks(told, find_engine_marks(pressed))
    liveness = [m for r in results if r.coverage.detector == "cutouts" for m in r.summary.get("output_at_marks", ())]
    stopped = [f for r in results if r.coverage.detector == "cutouts" for f in r.findings]
    lost, without = list_lost_supply(stopped), find_lost_supply(stopped, dips, states.cranking)
    settled: list[DetectorResult] = []
    for result in results:
        if result.coverage.detector == "cutouts":
            findings = settle_cranking(tuple(result.findings), states.cranking, CRANKING, states.started)
            # A radio's mute during cranking says nothing about the level at which this amplifier lets go.
            learned = {**result.summary, "under_voltage": learn_level(findings)}
            result = DetectorResult(findings, result.coverage, learned)
        elif result.coverage.detector == "dips":
            named = DetectorResult(name_dip_context(dips, states, lost), result.coverage, result.summary)
            result = set_aside_leads(named, steps, leads_off)
        elif result.coverage.detector == "notes":
            for spans, why in ((states.cranking, _CRANKED), (without, _LOST)):
                result = _without_sag_within(result, spans, why) if spans else result
        elif result.coverage.detector == "supply":
            beside = lay_engine_beside(result.summary, states, steps)
            result = DetectorResult(result.findings, result.coverage, beside)
        if states.spans and result.coverage.detector in _STATED:
            tables = FindingList.of(result.findings).tables
            stated = FindingList([StatedTable(table, states) for table in tables])
            result = DetectorResult(stated, result.coverage, result.summary)
        settled.append(result)
    everything = FindingList([result.findings for result in settled])
    marks = tie_marks(everything, liveness)
    settled = [DetectorResult(marks, r.coverage, r.summary) if r.coverage.detector == "marks" else r for r in settled]
    judged_s = sum(s.stop_s - s.start_s for s in states.spans if s.state != "not decidable")
    open_ = tuple(
        NotJudged(s.start_s, s.stop_s, "volts alone cannot tell rest from charging, and no mark does")
        for s in states.spans
        if s.state == "not decidable"
    )
    if not states.spans:
        open_ = (NotJudged(0.0, steps.seen_s, states.remarks[0]),)
    summary = {**summarise_states(states, steps, everything, without), "charging_ends": summarise_ends(ends)}
    return (*settled, DetectorResult((), Coverage(NAME, judged_s, open_), summary))


def _without_sag_within(result: DetectorResult, spans: Sequence[tuple[float, float]], why: str) -> DetectorResult:
    """The notes, those within the spans without a sag: the starter or a lost lead made it, not the note."""
    tables: list[FindingTable] = []
    for table in FindingList.of(result.findings).tables:
        hit: set[int] = set()
        for start_s, stop_s in spans:
            hit.update(np.flatnonzero((table.start_s < stop_s) & (table.stop_s > start_s)).tolist())
        tables.append(ChangedTable(table, {row: _without_sag(table.read(row), why) for row in hit}) if hit else table)
    notes = FindingList(tables)
    sags = notes.values("sag_v")
    sags = sags[np.isfinite(sags)]
    told = {"largest_sag_v": float(sags.max()), "median_sag_v": float(np.median(sags))} if len(sags) else {}
    kept = {name: value for name, value in result.summary.items() if name not in ("largest_sag_v", "median_sag_v")}
    return DetectorResult(notes, result.coverage, {**kept, **told})


def _without_sag(note: Finding, why: str) -> Finding:
    measured = {**note.measured, **dict.fromkeys(_OF_THE_SAG)}
    evidence = {**note.evidence, "sag_not_judged": why}
    return replace(note, severity="information", measured=measured, evidence=evidence)
