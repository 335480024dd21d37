"""Every class of cut-out, what is none, the order of events, and that the windows do not matter."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import CLASSES, NONE, RATE_HZ, CutoutCase, make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_level import learn_level
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.findings.road_words import NEXT_TESTS, explain_cutout
from ampwitness.types import Finding, Mark

_LONG = {name for name in CLASSES if name.startswith("thermal")}


def _run(case: CutoutCase, window_s: float = 10.0, marks: tuple[Mark, ...] = ()) -> DetectorResult:
    detector = CutoutDetector(is_continuous=case.is_continuous)
    windows = iter_windows_from_arrays(
        case.volts, RATE_HZ, window_s=window_s, edges=case.edges, lost=case.lost, marks=marks
    )
    for window in windows:
        detector.push(window)
    return detector.finish()


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_a_drawn_case_of_each_class(name: str) -> None:
    case = make_case(name, 901)
    found, _ = find_cutouts(case)
    if case.wanted == NONE:
        assert all(str(f.measured["cause"]).startswith("not decided: the signal may") for f in found)
        return
    assert len(found) == len(case.start_s)
    for finding, start_s in zip(found, case.start_s, strict=True):
        assert str(finding.measured["cause"]).startswith(case.wanted)
        assert finding.start_s == pytest.approx(start_s, abs=0.005 if case.is_abrupt else 0.030)
        named = [
            next((w for w in case.order if str(e["what"]).startswith(w)), None) for e in finding.evidence["events"]
        ]
        assert tuple(w for w in named if w) == case.order
        sentences = explain_cutout(finding)
        assert sentences[-1].startswith("Next test: ")
        assert len(sentences) >= 3


@pytest.mark.parametrize("name", sorted(set(CLASSES) - _LONG))
def test_findings_do_not_depend_on_the_windows(name: str) -> None:
    case = make_case(name, 902)
    marks = (Mark("button", 3.1, "s", 0), Mark("button", 5.7, "s", 0))
    whole = _run(case, 60.0, marks)
    for window_s in (1.0, 10.0, 0.137):
        parts = _run(case, window_s, marks)
        assert parts.findings == whole.findings
        assert parts.summary == whole.summary


def test_every_cause_that_can_be_given_has_its_own_next_test() -> None:
    for name in sorted(set(CLASSES) - _LONG):
        for finding in _run(make_case(name, 903)).findings:
            assert any(str(finding.measured["cause"]).startswith(start) for start, _ in NEXT_TESTS)


def test_stuck_at_dc_is_a_danger() -> None:
    (finding,) = _run(make_case("stuck at DC", 904)).findings
    assert finding.severity == "danger"
    assert any("dangerous to the speaker" in reason for reason in finding.evidence["reasons"])


def test_dc_out_of_silence_is_found() -> None:
    at = np.arange(6 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(1)
    output = np.where((at > 2.0) & (at < 4.0), -12.0, 0.0) + rng.normal(0, 0.025, len(at))
    case = CutoutCase({"output": output, "supply": np.full(len(at), 12.6)}, "output stuck at DC")
    (finding,) = _run(case).findings
    assert finding.measured["cause"] == "output stuck at DC"
    assert finding.start_s == pytest.approx(2.0, abs=0.002)
    assert finding.stop_s == pytest.approx(4.0, abs=0.002)


def test_the_level_of_letting_go_is_learned_over_repeats() -> None:
    off_v, n_inside = [], 0
    for seed in range(905, 911):
        case = make_case("under-voltage, three times", seed)
        level = _run(case).summary["under_voltage"]
        assert level["n_stops"] == 3
        assert case.level_v is not None
        off_v.append(level["level_v"] - case.level_v)
        n_inside += level["interval_v"][0] <= case.level_v <= level["interval_v"][1]
    assert np.median(np.abs(off_v)) < 0.05
    assert n_inside >= 5


def _let_go(volts: float, slope_v_per_s: float, held_v: float = 13.0) -> Finding:
    course_v = tuple(volts - 0.001 * ms * slope_v_per_s for ms in range(13))
    evidence = {"let_go_v": volts, "supply_ms_before_v": course_v, "supply_lowest_survived_v": held_v}
    return Finding("cutout", 0.0, 1.0, "serious", {"cause": "supply voltage too low"}, {}, evidence)


def test_how_late_an_amplifier_lets_go_is_learned_from_how_fast_the_supply_fell() -> None:
    late_s = 0.007
    level = learn_level([_let_go(9.5 + slope * late_s, slope) for slope in (-5.0, -150.0, -300.0)])
    assert level is not None
    assert level["level_v"] == pytest.approx(9.5, abs=0.02)
    assert level["late_s"] == pytest.approx(late_s, abs=0.0005)
    one = learn_level([_let_go(9.1, -130.0, held_v=9.6)])
    assert one is not None
    assert one["interval_v"][0] < 9.1 < one["level_v"] <= one["interval_v"][1] <= 9.6  # it had gone on through that


def test_memory_does_not_grow_with_pauses() -> None:
    """An hour of notes and pauses leaves no stop behind, and no more steps than a few seconds' worth."""
    rng = np.random.default_rng(3)
    at = np.arange(60 * RATE_HZ) / RATE_HZ
    note = 10 * np.sin(2 * np.pi * 50 * at) * np.clip(1.3 - (at % 1.0) * 3, 0, 1)
    volts = (note + rng.normal(0, 0.025, len(at))).astype(np.float32)
    detector = CutoutDetector()
    for minute in range(10):
        for window in iter_windows_from_arrays({"output": volts}, RATE_HZ, window_s=60.0):
            moved = _moved(window, 60.0 * minute)
            detector.push(moved)
    assert detector._watch is not None
    assert not detector._kept
    run = detector._watch[0]
    assert run.stop > 500_000
    assert len(run["mean"]) < 80_000


def _moved(window, shift_s):  # type: ignore[no-untyped-def]
    from dataclasses import replace

    traces = {
        role: replace(
            trace,
            start_s=trace.start_s + shift_s,
            stop_s=trace.stop_s + shift_s,
            segments=tuple(replace(s, start_s=s.start_s + shift_s) for s in trace.segments),
        )
        for role, trace in window.traces.items()
    }
    return replace(window, start_s=window.start_s + shift_s, stop_s=window.stop_s + shift_s, traces=traces)
