"""The last stage: engine states, what they say about the cut-outs, and marks tied to what happened.

Gaps: as for the detectors; nothing is joined.
Limits: see `engine_states`, `engine_marks` and `mark_ties`.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores` and `... engine_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence

from ampwitness.detect.cutout_cause import CRANKING
from ampwitness.detect.cutouts import settle_cranking
from ampwitness.detect.engine_marks import decide_by_marks, find_engine_marks
from ampwitness.detect.engine_states import find_engine_states, summarise_states
from ampwitness.detect.mark_ties import tie_marks
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.supply_history import SupplySteps
from ampwitness.finding_list import FindingList
from ampwitness.types import Coverage, NotJudged

NAME = "engine"


def settle_road(results: Sequence[DetectorResult], steps: SupplySteps) -> tuple[DetectorResult, ...]:
    """The results with cranking mutes and marks settled, and one more: the engine's states with their figures.

    Parameters
    ----------
    results : of all detectors
    steps : the recording in steps of 10 ms
    """
    dips = tuple(f for r in results if r.coverage.detector == "dips" for f in r.findings)
    pressed = [f for r in results if r.coverage.detector == "marks" for f in r.findings]
    states = decide_by_marks(find_engine_states(steps, dips), find_engine_marks(pressed))
    liveness = [m for r in results if r.coverage.detector == "cutouts" for m in r.summary.get("output_at_marks", ())]
    settled: list[DetectorResult] = []
    for result in results:
        if result.coverage.detector == "cutouts":
            findings = settle_cranking(tuple(result.findings), states.cranking, CRANKING)
            result = DetectorResult(findings, result.coverage, result.summary)
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
    summary = summarise_states(states, steps, everything)
    return (*settled, DetectorResult((), Coverage(NAME, judged_s, open_), summary))
