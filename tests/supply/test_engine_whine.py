"""Levels that look like rest: charged where the alternator's ripple is there, undecided where nothing tells.

Source of the ripple's size: common practice, no source (tens of millivolts behind a battery); of the shape of a
cranking: ISO 16750-2's starting profile, as `cutout_material` draws it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.bench.cutout_material import starting_profile
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.types import FloatArray

RATE_HZ = 8000.0
WHINE_HZ, WHINE_V = 610.0, 0.05
REST_V, CRANK_S, CRANKED_S = 12.5, 12.0, 0.8
START_S = CRANK_S + 0.07 + CRANKED_S


def _at(stop_s: float) -> FloatArray:
    return np.arange(round(stop_s * RATE_HZ)) / RATE_HZ


def _drive(at: FloatArray, *levels: tuple[float, float]) -> FloatArray:
    """Volts of a start at CRANK_S, and from there levels as (from when, volts)."""
    volts = starting_profile(
        at, CRANK_S, REST_V, lowest_v=8.0, run_v=9.5, ripple_hz=5.0, cranked_s=CRANKED_S, recover_s=0.05, after_v=REST_V
    )
    was_v = REST_V
    for start_s, level_v in levels:
        volts = volts + (level_v - was_v) * -np.expm1(-np.maximum(at - start_s, 0.0) / 0.2)
        was_v = level_v
    return volts


def _states(at: FloatArray, supply: FloatArray, whine: FloatArray, window_s: float = 10.0) -> dict[str, Any]:
    """The engine's summary, music playing half of the time."""
    rng = np.random.default_rng(1)
    wave = 8.0 * np.sin(2 * np.pi * 60.0 * at) * (at % 1.0 < 0.5)
    supply = supply + whine - 0.002 * wave**2 + rng.normal(0, 0.004, len(at))
    dips, history = DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays({"output": wave, "supply": supply}, RATE_HZ, window_s=window_s):
        dips.push(window)
        history.push(window)
    return dict(settle_road((dips.finish(),), history.finish())[-1].summary)


def _spans(summary: dict[str, Any]) -> list[tuple[str, float]]:
    """States and when they begin, neighbours that differ only in what told them made one."""
    spans = [(span["state"], span["start_s"]) for span in summary["spans"]]
    return [span for k, span in enumerate(spans) if not k or spans[k - 1][0] != span[0]]


def test_a_low_level_that_ripples_is_charged_until_the_ripple_ends() -> None:
    at, off_s = _at(60.0), 45.6
    supply = _drive(at, (START_S, 14.2), (25.0, 12.55))
    whine = WHINE_V * np.sin(2 * np.pi * WHINE_HZ * at) * ((at > START_S) & (at < off_s))
    summary = _states(at, supply, whine)
    assert [state for state, _ in _spans(summary)] == ["rest", "cranking", "charging", "rest"]
    assert _spans(summary)[-1][1] == pytest.approx(off_s, abs=0.05)
    assert any(span["by"].startswith("by the alternator's ripple") for span in summary["spans"])
    assert summary == _states(at, supply, whine, window_s=1.0)  # however it is cut
    silent = _spans(_states(at, supply, 0.0 * whine))  # without it volts alone tell, and that is what they tell
    assert silent[-1][0] == "rest"
    assert silent[-1][1] == pytest.approx(25.0, abs=0.2)


def test_the_moment_in_which_an_engine_comes_to_rest_is_no_charging() -> None:
    at, off_s = _at(45.0), 30.0
    whine = WHINE_V * np.sin(2 * np.pi * WHINE_HZ * at) * ((at > START_S) & (at < off_s + 0.8))
    found = _spans(_states(at, _drive(at, (START_S, 14.2), (off_s, REST_V + 0.1)), whine))
    assert found[-1][0] == "rest"
    assert found[-1][1] == pytest.approx(off_s, abs=0.2)


def test_a_ripple_that_rest_has_as_well_is_another_consumers() -> None:
    at, off_s = _at(45.0), 30.0
    whine = WHINE_V * np.sin(2 * np.pi * WHINE_HZ * at)
    summary = _states(at, _drive(at, (START_S, 14.2), (off_s, REST_V + 0.1)), whine)
    assert [state for state, _ in _spans(summary)] == ["rest", "cranking", "charging", "rest"]
    assert summary["remarks"] == []


def test_rest_that_ripples_all_along_is_undecided() -> None:
    at = _at(30.0)
    whine = WHINE_V * np.sin(2 * np.pi * WHINE_HZ * at)
    summary = _states(at, np.full(len(at), 12.6), whine)
    assert [state for state, _ in _spans(summary)] == ["not decidable"]
    assert "ripples all along" in summary["remarks"][0]
    assert _spans(_states(at, np.full(len(at), 12.6), 0.0 * whine)) == [("rest", 0.0)]


def test_a_field_that_is_off_between_two_stretches_of_ripple_is_no_rest() -> None:
    at = _at(70.0)
    supply = _drive(at, (START_S, 14.2), (25.0, 12.55))
    is_on = (at > START_S) & (at < 60.6) & ~((at > 35.6) & (at < 45.6))
    found = _spans(_states(at, supply, WHINE_V * np.sin(2 * np.pi * WHINE_HZ * at) * is_on))
    assert [state for state, _ in found] == ["rest", "cranking", "charging", "not decidable", "charging", "rest"]
    assert [start_s for _, start_s in found[3:]] == pytest.approx([35.6, 45.6, 60.6], abs=0.05)


def test_charging_that_nobody_cranked_for_has_no_rest_ahead_where_a_cranking_shows() -> None:
    at = _at(80.0)
    start_s = 60.0 + 0.07 + CRANKED_S  # of a later start
    supply = np.where(at < 60.0, 12.6, 0.0)
    supply = supply + (14.2 - 12.6) * -np.expm1(-np.maximum(at - 15.0, 0) / 0.2) * (at < 30.0)
    supply = supply + (12.6 + 1.6 * np.exp(-(at - 30.0).clip(0) / 0.2) - 12.6) * ((at >= 30.0) & (at < 60.0))
    later = starting_profile(
        at, 60.0, 12.6, lowest_v=8.0, run_v=9.5, ripple_hz=5.0, cranked_s=CRANKED_S, recover_s=0.05, after_v=12.6
    )
    later = later + 1.6 * -np.expm1(-np.maximum(at - start_s, 0.0) / 0.2)
    found = _spans(_states(at, np.where(at < 60.0, supply, later), np.zeros(len(at))))
    assert [state for state, _ in found] == ["not decidable", "charging", "rest", "cranking", "charging"]
    # Where no cranking shows it may be a mains charger's, beside a vehicle that stands.
    alone = _spans(_states(at[at < 50], supply[at < 50], np.zeros(int((at < 50).sum()))))
    assert [state for state, _ in alone] == ["rest", "charging", "rest"]
