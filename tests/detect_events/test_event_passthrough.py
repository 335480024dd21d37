"""Saturation, gaps, marks, the re-cutting of windows, and all detectors in one pass."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.event_signals import music_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.passthrough import GapDetector, MarkDetector
from ampwitness.detect.run_all import DetectOptions, make_detectors, run_all
from ampwitness.detect.saturation import SaturationDetector
from ampwitness.detect.streams import Ledger, RunBlocks, merge_intervals_into
from ampwitness.types import Interval, Mark
from event_material import run, seconds


@pytest.mark.parametrize("window_s", [0.1, 1.0, 10.0])
def test_saturated_spans_are_merged_across_windows(window_s: float) -> None:
    time_s = seconds(3.0)
    supply = np.where((time_s > 0.95) & (time_s < 1.13), 27.0, 14.0)
    spans = [Interval(0.95, 1.02), Interval(1.02, 1.05), Interval(1.08, 1.13), Interval(2.0, 2.001)]
    result = run(SaturationDetector(), {"supply": supply}, window_s=window_s, saturated=spans)
    assert [(f.start_s, f.stop_s) for f in result.findings] == [(0.95, 1.13), (2.0, 2.001)]
    assert result.findings[0].measured["rail"] == "top"


def test_a_sliver_of_a_saturated_span_brings_no_volts_of_its_own() -> None:
    # The span begins between the last sample of one window and the first of the next.
    supply = np.full(24_000, 14.0)
    (found,) = run(SaturationDetector(), {"supply": supply}, window_s=1.0, saturated=[Interval(0.99995, 1.05)]).findings
    assert (found.evidence["lowest_v"], found.evidence["highest_v"]) == (14.0, 14.0)


def test_gaps_and_marks_become_findings() -> None:
    marks = [Mark("button", 1.5, "s", 12_000)]
    given = {"lost": [(8000, 9000)], "marks": marks, "window_s": 0.5}
    gaps = run(GapDetector(), {"output": np.zeros(24_000)}, **given)
    (gap,) = gaps.findings
    assert (gap.kind, gap.start_s, gap.stop_s) == ("gap", 1.0, 1.125)
    assert gap.measured == {"cause": "link", "n_scans_lost": 1000, "is_exact": True}
    assert gaps.coverage.judged_s == pytest.approx(3.0)
    pressed = run(MarkDetector(), {"output": np.zeros(24_000)}, **given)
    (mark,) = pressed.findings
    assert (mark.kind, mark.start_s, mark.measured["source"]) == ("mark", 1.5, "button")
    assert pressed.coverage.judged_s == pytest.approx(3.0 - 0.125)


@pytest.mark.parametrize("window_s", [0.05, 0.3, 1.0, 9.0])
def test_blocks_do_not_depend_on_the_windows(window_s: float) -> None:
    volts = np.arange(30_000, dtype=float)
    stream = RunBlocks(("output",), 0.5)
    blocks = []
    for window in iter_windows_from_arrays({"output": volts}, 8000.0, window_s=window_s, lost=[(10_001, 10_002)]):
        blocks += stream.push(window)
    blocks += stream.finish()
    assert [(b.run_id, b.first, b.n, b.is_last) for b in blocks] == [
        (0, 0, 4000, False),
        (0, 4000, 4000, False),
        (0, 8000, 2001, True),
        (1, 0, 4000, False),
        (1, 4000, 4000, False),
        (1, 8000, 4000, False),
        (1, 12_000, 4000, False),
        (1, 16_000, 3998, True),
    ]
    joined = np.concatenate([b.volts["output"] for b in blocks])
    np.testing.assert_array_equal(joined, np.delete(volts, 10_001))


def test_intervals_and_ledger() -> None:
    known: list[Interval] = []
    merge_intervals_into(known, [Interval(0, 1), Interval(1, 2)])
    merge_intervals_into(known, [Interval(3, 4)])
    assert known == [Interval(0, 2), Interval(3, 4)]
    ledger = Ledger("x")
    ledger.judge(2.5)
    ledger.leave_out(0, 1, "b")
    ledger.leave_out(1, 2, "b")
    ledger.leave_out(2, 2, "nothing")
    coverage = ledger.coverage()
    assert coverage.judged_s == 2.5
    assert [(n.start_s, n.stop_s, n.reason) for n in coverage.not_judged] == [(0, 2, "b")]


def test_all_detectors_in_one_pass() -> None:
    case = music_case(3, kinds=("plucked",), seconds=6.0)
    windows = iter_windows_from_arrays(case.volts, case.rate_hz, window_s=2.0)
    results = run_all(windows, DetectOptions(nominal_supply_v=12.6))
    names = [result.coverage.detector for result in results]
    detectors = [detector.name for detector in make_detectors(DetectOptions())]
    assert names[: len(detectors)] == detectors
    assert len(names) == len(detectors) + 2  # and what is concluded over all of them: the supply, the engine's states
    assert "supply" in names
    assert len(set(names)) == len(names)
    assert {f.kind for result in results for f in result.findings} >= {"note"}
