"""A charger too weak to reach a charging level: told by the step with which it comes or goes."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.conclude import conclude, learn_from
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan, find_engine_states
from ampwitness.detect.supply.lasting_steps import _medians, find_lasting_steps
from ampwitness.detect.supply.supply_history import STEP_S, SupplyHistory, SupplySteps
from ampwitness.detect.supply.supply_model import SupplyOptions, learn_supply

pytestmark = pytest.mark.usefixtures("no_alternator")

SECONDS = 40.0
N = round(SECONDS / STEP_S)
TIME_S = (np.arange(N) + 0.5) * STEP_S


def _steps(open_v: np.ndarray) -> SupplySteps:
    """Bass notes of a fifth of a second, twice a second, that pull the supply down by half a volt."""
    rng = np.random.default_rng(1)
    output_v2 = np.where(TIME_S % 0.5 < 0.2, 200.0 * rng.uniform(0.5, 1.0, N), 0.0)
    supply = open_v - 0.03 * output_v2 / 12.0 + rng.normal(0.0, 0.003, N)
    return SupplySteps(np.arange(N), output_v2, {"supply": supply})


def _stop(after_s: float, upper_v: float = 12.95, lower_v: float = 12.3) -> np.ndarray:
    return np.where(after_s > TIME_S, upper_v, lower_v)


@pytest.mark.parametrize("begins", [False, True])
def test_an_overloaded_alternator_that_stops_or_starts_changes_the_state(begins: bool) -> None:
    steps = _steps(_stop(18.0)[::-1].copy() if begins else _stop(18.0))
    at_s = SECONDS - 18.0 if begins else 18.0
    order = ("at rest", "charging") if begins else ("charging", "at rest")
    model = learn_supply(steps, SupplyOptions())
    assert model is not None
    assert model.change_state == order
    assert model.change_s[1] == pytest.approx(at_s, abs=0.05)
    # What a clip's cause compares with: the settled supply of the same state.
    assert model.settled_at(at_s - 1) == pytest.approx(12.3 if begins else 12.95, abs=0.03)
    assert model.settled_at(at_s + 1) == pytest.approx(12.95 if begins else 12.3, abs=0.03)
    spans = find_engine_states(steps, []).spans
    assert [span.state for span in spans] == [{"at rest": "rest"}.get(name, name) for name in order]
    assert spans[0].stop_s == pytest.approx(at_s, abs=0.2)
    remarks = conclude((), steps, SupplyOptions())[-1].summary["remarks"]
    assert any("and stayed" in remark and "consumer" in remark for remark in remarks)


def test_consumers_that_come_and_go_and_those_of_a_rested_battery_are_no_change_of_state() -> None:
    passing = 12.95 - 0.6 * ((TIME_S > 10) & (TIME_S < 13)) - 0.6 * ((TIME_S > 20) & (TIME_S < 24))
    for open_v in (passing, _stop(18.0, 12.6, 12.1), 12.95 - 0.02 * TIME_S):
        model = learn_supply(_steps(open_v), SupplyOptions())
        assert model is not None
        assert model.change_state == ("at rest",)


def test_a_large_consumer_stops_no_engine_unless_it_was_cranked_again() -> None:
    steps = _steps(13.9 - 1.2 * ((TIME_S > 12.0) & (TIME_S < 15.0)))
    cranked = EngineStates((StateSpan(0, 14.2, "not decidable"), StateSpan(14.2, 14.9, "cranking")), ())
    for engine, order in ((EngineStates((), ()), ("charging",)), (cranked, ("charging", "at rest", "charging"))):
        model = learn_supply(steps, SupplyOptions(), engine)
        assert model is not None
        assert model.change_state == order


def test_a_charger_that_comes_up_slowly_behind_a_cranking_is_no_battery_at_rest() -> None:
    rate_hz = 1000
    t = np.arange(30 * rate_hz) / rate_hz
    under = 9.6 - np.exp(-(t - 11.0) / 0.05) + 0.3 * np.cos(2 * np.pi * 7 * (t - 11.0))
    coming = 14.0 - 1.6 * np.exp(-np.maximum(t - 11.8, 0) / 8.0)
    volts = np.where(t < 11.0, 12.4, np.where(t < 11.8, under, coming))
    volts = volts + np.random.default_rng(3).normal(0.0, 0.004, len(t))
    dips, history = DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays({"output": np.zeros(len(t)), "supply": volts}, rate_hz, window_s=10.0):
        dips.push(window)
        history.push(window)
    model = learn_from([dips.finish()], history.finish(), SupplyOptions())
    assert model is not None
    # The volts alone are a charger's from 13.2 V on, at 17.3 s.
    assert model.states_at(np.array([5.0, 14.0, 25.0])).tolist() == ["at rest", "charging", "charging"]
    assert model.cranking is not None


def test_a_full_battery_at_rest_is_no_charger_because_a_consumer_comes_and_goes() -> None:
    open_v = 12.84 - 0.5 * ((TIME_S > 12.0) & (TIME_S < 24.5))
    assert [span.state for span in find_engine_states(_steps(open_v), []).spans] == ["rest"]


def test_a_gap_hides_a_step() -> None:
    kept = (TIME_S < 16.0) | (TIME_S > 21.0)
    open_v = _stop(18.0)
    assert len(find_lasting_steps(TIME_S, open_v, np.ones(N, dtype=bool))) == 1
    assert find_lasting_steps(TIME_S[kept], open_v[kept], np.ones(int(kept.sum()), dtype=bool)) == ()


def test_medians_of_stretches_of_all_lengths_are_those_of_each() -> None:
    values = np.random.default_rng(5).normal(size=60)
    edges = np.array([0, 1, 4, 8, 11, 15, 22, 60])
    told = _medians(values, edges[:-1], np.diff(edges))
    assert told.tolist() == [float(np.median(values[a:b])) for a, b in pairwise(edges)]
