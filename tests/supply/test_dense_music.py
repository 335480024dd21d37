"""Dense music without pauses: settled volts behind a battery's slowest part, and behind a stage that draws the load's
own current. Supplies and stages are the textbook's: resistances, one lag, power or current."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.supply import supply_model
from ampwitness.detect.supply.quiet_recovery import bound_by_quiet
from ampwitness.detect.supply.supply_fit import lag_steps
from ampwitness.detect.supply.supply_forecast import Ceiling, predict_full_power
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.detect.supply.supply_model import SupplyModel, SupplyOptions, learn_supply

SECONDS, OPEN_V, SILENT_S = 50.0, 12.6, 1.0
N = round(SECONDS / STEP_S)
TIME_S = (np.arange(N) + 0.5) * STEP_S
NO_BREAKS = np.zeros(N, dtype=bool)


def _play() -> np.ndarray:
    """(n,) mean square of the output: silence, then notes that follow each other at unlike strength."""
    rng = np.random.default_rng(3)
    output_v2, at_s = np.zeros(N), SILENT_S
    while at_s < SECONDS:
        lasts_s = rng.uniform(0.15, 0.6)
        output_v2[(at_s <= TIME_S) & (at_s + lasts_s > TIME_S)] = 200.0 * 10 ** (-rng.uniform(0.0, 12.0) / 10)
        at_s += lasts_s
    return output_v2


def _learn(output_v2: np.ndarray, fall_v: np.ndarray) -> SupplyModel:
    supply = OPEN_V - fall_v + np.random.default_rng(4).normal(0.0, 0.003, N)
    model = learn_supply(SupplySteps(np.arange(N), output_v2, {"supply": supply}), SupplyOptions())
    assert model is not None
    return model


def test_what_a_battery_loses_over_tens_of_seconds_is_the_amplifiers_doing(monkeypatch: pytest.MonkeyPatch) -> None:
    output_v2 = _play()
    demand = output_v2 / 12.0
    fall_v = 0.06 * demand + 0.04 * lag_steps(demand, 25.0, NO_BREAKS)
    at_s = np.array([2.0, 20.0, 35.0, 48.0])
    assert _learn(output_v2, fall_v).settled_at(at_s) == pytest.approx(OPEN_V, abs=0.05)
    monkeypatch.setattr(supply_model, "find_drift", lambda *given: np.zeros(N))
    assert _learn(output_v2, fall_v).settled_at(at_s)[-1] < OPEN_V - 0.1


def test_a_consumer_that_joins_in_mid_song_is_no_slow_battery() -> None:
    output_v2 = _play()
    settled_v = _learn(output_v2, 0.06 * output_v2 / 12.0 + 0.3 * (TIME_S > 25.0)).settled_at(np.array([5.0, 45.0]))
    assert settled_v == pytest.approx([OPEN_V, OPEN_V - 0.3], abs=0.08)


def test_a_linear_stage_draws_the_loads_own_current(monkeypatch: pytest.MonkeyPatch) -> None:
    output_v2 = _play()
    fall_v = 0.08 * np.sqrt(output_v2)
    at_s = np.array([5.0, 25.0, 45.0])
    model = _learn(output_v2, fall_v)
    assert model.settled_at(at_s) == pytest.approx(OPEN_V, abs=0.05)
    told = predict_full_power(model.states["at rest"], Ceiling(20.0, 0.0, 0.0, 0.05), 0.5)
    assert told is not None
    assert told["sag_v"] == pytest.approx(0.08 * np.sqrt(200.0), rel=0.05)  # a sine of 20 V: 200 V^2
    monkeypatch.setattr(supply_model, "_LINEAR_LEAVES", 0.0)  # as a switching stage's
    model = _learn(output_v2, fall_v)
    assert np.abs(model.settled_at(at_s) - OPEN_V).max() > 0.1


def test_a_switching_stage_is_not_taken_for_a_linear_one() -> None:
    output_v2 = _play()
    assert _learn(output_v2, 0.06 * output_v2 / 12.0).states["at rest"].size_fit is None


def test_settled_volts_lie_no_higher_than_silence_shows() -> None:
    """A straight line through loud music reached 0.1 V too high; 0.5 V is more than it can miss: a consumer was on."""
    is_quiet = TIME_S < SILENT_S
    supply, fall_v = np.where(is_quiet, 12.5, 11.0), np.where(is_quiet, 0.0, 2.0)
    settled_v = np.array([12.4, 12.6, 13.0])
    slow_v = np.zeros(N)
    bound_v = bound_by_quiet(settled_v, supply, fall_v, slow_v, is_quiet, NO_BREAKS)
    assert bound_v.tolist() == [12.4, 12.5, 13.0]
    assert bound_by_quiet(settled_v, supply, fall_v, slow_v, ~is_quiet & is_quiet, NO_BREAKS).tolist() == [*settled_v]
