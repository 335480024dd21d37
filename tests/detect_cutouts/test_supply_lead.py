"""A supply that reads nothing while the output plays on is a lead of the logger that came off; none is lost."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.leads_off import set_aside_leads
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply.supply_history import SupplyHistory, SupplySteps
from ampwitness.findings.lead_words import advise_leads
from ampwitness.types import Coverage, Finding, FloatArray, NotJudged

RATE_HZ = 8000.0
OFF_S, LONG_S = 8.4, 20.0


def _bass(seed: int) -> FloatArray:
    """Notes of 0.42 s, cut off in mid-cycle, each with a rest of 80 ms behind it."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
    pitch_hz = rng.uniform(40, 70, 50)[(t // 0.5).astype(int)]
    return np.asarray(np.where(t % 0.5 < 0.42, 18 * np.sin(2 * np.pi * pitch_hz * (t % 0.5)), 0.0))


def _find(output: FloatArray, supply: FloatArray, window_s: float = 1.0) -> DetectorResult:
    rng = np.random.default_rng(5)
    detector = CutoutDetector()
    traces = {"output": output + rng.normal(0, 0.005, len(output)), "supply": supply}
    for window in iter_windows_from_arrays(traces, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def _causes(result: DetectorResult) -> list[Any]:
    return [finding.measured["cause"] for finding in result.findings]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rests_of_what_plays_on_without_a_supply_are_no_lost_supply(seed: int) -> None:
    output = _bass(seed)
    t = np.arange(len(output)) / RATE_HZ
    supply = np.where(t < OFF_S, 12.6, 0.02)
    told = [_find(output, supply, window_s) for window_s in (1.0, 10.0, 60.0)]
    assert not any("supply" in cause for cause in _causes(told[0]))
    (span,) = told[0].summary["supply_lead_off"]
    assert span["start_s"] == pytest.approx(OFF_S, abs=0.002)
    assert span["stop_s"] == pytest.approx(LONG_S, abs=0.06)
    assert span["played_s"] == pytest.approx(LONG_S - OFF_S, abs=0.3)
    assert all(one.summary["supply_lead_off"] == [span] and one.findings == told[0].findings for one in told)


@pytest.mark.parametrize("held_s", [0.0, 0.15])
def test_an_amplifier_that_lost_its_supply_has_lost_it(held_s: float) -> None:
    """Played on from what it stores, or not at all; and hum that is left is no music."""
    output = _bass(4)
    t = np.arange(len(output)) / RATE_HZ
    output = np.where(t < OFF_S + held_s, output, 0.03 * np.sin(2 * np.pi * 50 * t))
    result = _find(output, np.where(t < OFF_S, 12.6, 0.02))
    assert result.summary["supply_lead_off"] == []
    assert "supply lost at the terminals" in _causes(result)


def test_behind_it_a_low_supply_still_stops_an_amplifier() -> None:
    """What the output went on through while the lead was off says nothing of the supply it needs."""
    t = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
    is_low = (t >= 15.0) & (t < 15.6)
    output = np.where((t >= 15.012) & (t < 16.2), 0.0, 18 * np.sin(2 * np.pi * 50 * t))
    supply = np.where((t >= 4.0) & (t < 6.0), 0.02, np.where(is_low, 9.2, 12.6))
    result = _find(output, supply)
    assert len(result.summary["supply_lead_off"]) == 1
    assert _causes(result) == ["supply voltage too low"]


@pytest.mark.parametrize(("back_s", "is_lost"), [(0.4, False), (0.2, True)])
def test_a_rest_that_ends_before_the_supply_is_back_was_not_its_loss(back_s: float, is_lost: bool) -> None:
    """What comes back before it was stopped by something else, and most rests are the programme's own."""
    t = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
    output = np.where((t >= 8.43) & (t < 8.67), 0.0, 18 * np.sin(2 * np.pi * 50 * t))
    result = _find(output, np.where((t >= 8.4) & (t < 8.4 + back_s), 0.02, 12.6))
    assert ("supply lost at the terminals" in _causes(result)) is is_lost


def test_no_engine_state_is_told_by_a_lead_that_is_off() -> None:
    output = _bass(1)
    t = np.arange(len(output)) / RATE_HZ
    supply = np.where((t >= 4.0) & (t < 9.0), 0.02, 12.6)
    history = SupplyHistory()
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=10.0):
        history.push(window)
    engine = settle_road((_find(output, supply),), history.finish())[-1].summary
    assert [span["state"] for span in engine["spans"]] == ["rest", "not decidable", "rest"]
    assert engine["remarks"][-1].startswith("the logger's own supply lead was off for 5.0 s")


def _dip(role: str, start_s: float, stop_s: float, residual_v: float) -> Finding:
    measured = {"role": role, "residual_v": residual_v, "reference_v": 12.6, "duration_s": stop_s - start_s}
    return Finding("dip", start_s, stop_s, "attention", measured, {}, {})


def _steps(supply: FloatArray, battery: FloatArray) -> SupplySteps:
    history = SupplyHistory()
    traces = {"output": np.zeros(len(supply)), "supply": supply, "battery": battery}
    for window in iter_windows_from_arrays(traces, 1000.0, window_s=10.0):
        history.push(window)
    return history.finish()


@pytest.mark.parametrize(("volts", "is_lead"), [(12.5, True), (0.02, False)])
def test_a_dip_of_a_lead_that_was_off_is_none_and_that_time_is_not_judged(volts: float, is_lead: bool) -> None:
    t = np.arange(20_000) / 1000
    steps = _steps(np.where(t < 8.4, 12.6, volts), np.where(t < 8.4, 12.6, 0.02))
    dips = (_dip("supply", 3.0, 3.2, 10.0), _dip("battery", 8.396, 20.0, 0.02))
    result = DetectorResult(dips, Coverage("dips", 20.0, ()), {"roles": ["supply", "battery"], "n_dips": 2})
    told = set_aside_leads(result, steps, ())
    assert [dip.measured["role"] for dip in told.findings] == ["supply"] + ["battery"] * (not is_lead)
    advised = advise_leads({"dips": told.summary})
    assert len(advised) == is_lead
    assert not is_lead or "battery clip" in advised[0]


def test_the_supply_is_not_judged_while_its_lead_is_off() -> None:
    steps = _steps(np.full(20_000, 12.6), np.full(20_000, 12.6))
    dips = (_dip("supply", 3.0, 3.2, 10.0), _dip("supply", 8.396, 20.0, 0.02))
    at_rail = NotJudged(9.0, 11.0, "supply: the logger's own input was at a rail")
    result = DetectorResult(dips, Coverage("dips", 18.0, (at_rail,)), {"roles": ["supply"], "n_dips": 2})
    told = set_aside_leads(result, steps, [{"start_s": 8.4, "stop_s": 20.0, "played_s": 11.6}])
    assert (told.summary["n_dips"], len(told.findings)) == (1, 1)
    assert told.coverage.judged_s == pytest.approx(8.396)
    assert [one.start_s for one in told.coverage.not_judged] == [8.396]
    (advice,) = advise_leads({"dips": told.summary})
    assert "supply clip" in advice
    assert "played on for 11.6 s" in advice
    assert advise_leads({"dips": result.summary}) == []
