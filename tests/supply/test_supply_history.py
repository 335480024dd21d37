"""What is kept of a long supply: enough for the same answers, in memory that does not grow."""

from __future__ import annotations

import weakref

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.supply import supply_history
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.state_summary import summarise_states
from ampwitness.detect.supply.supply_history import MINUTE_STEPS, SupplyHistory, SupplySteps
from ampwitness.detect.supply.supply_model import SupplyOptions, learn_supply
from ampwitness.types import FloatArray

RATE_HZ = 400.0
MINUTES = 40
START_S = 1310.0  # the engine


def drive() -> dict[str, FloatArray]:
    """Music at rest, a start, then charging."""
    rng = np.random.default_rng(3)
    t = np.arange(round(MINUTES * 60 * RATE_HZ)) / RATE_HZ
    loud = np.repeat(rng.uniform(0, 1, MINUTES * 120) > 0.5, round(RATE_HZ / 2))
    output = np.where(loud, 20 * np.sin(2 * np.pi * 55 * t), 0.0)
    since_s = t - START_S
    open_v = np.where(since_s < 0, 12.6 - 1e-4 * t, 14.2)
    cranks = (since_s >= 0) & (since_s < 1.5)
    open_v = np.where(cranks, 9.6 + 0.5 * np.sin(2 * np.pi * 4 * since_s), open_v)
    open_v = np.where((since_s >= 0) & (since_s < 0.05), 7.5, open_v)
    supply = open_v - 0.03 * np.square(output) / 4 / 12.6 + 0.003 * rng.standard_normal(len(t))
    return {"output": output.astype(np.float32), "supply": supply.astype(np.float32)}


@pytest.fixture(scope="module")
def arrays() -> dict[str, FloatArray]:
    return drive()


@pytest.fixture(scope="module")
def whole(arrays: dict[str, FloatArray]) -> SupplySteps:
    """All steps, none thinned."""
    return collect(arrays, 60.0)


def collect(arrays: dict[str, FloatArray], window_s: float) -> SupplySteps:
    history = SupplyHistory()
    for window in iter_windows_from_arrays(arrays, RATE_HZ, window_s=window_s):
        history.push(window)
    return history.finish()


def test_an_hour_keeps_all_and_more_is_thinned_alike_whatever_the_windows(
    arrays: dict[str, FloatArray], whole: SupplySteps, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert len(whole) == MINUTES * MINUTE_STEPS
    assert len(whole.left_out.seen_s) == 0
    monkeypatch.setattr(supply_history, "MOST_MINUTES", 8)
    few = collect(arrays, 30.0)
    assert few.seen_s == pytest.approx(whole.seen_s)
    minutes = np.unique(few.index // MINUTE_STEPS)
    assert {0, 8, 16, 24, 32, MINUTES - 1} <= set(minutes.tolist())
    assert START_S // 60 in minutes, "the minute of the start"
    assert len(minutes) <= 14
    np.testing.assert_array_equal(few.volts["supply"], whole.volts["supply"][np.isin(whole.index, few.index)])
    for window_s in (7.0, 200.0):
        other = collect(arrays, window_s)
        np.testing.assert_array_equal(other.index, few.index)
        np.testing.assert_allclose(other.volts["supply"], few.volts["supply"], atol=2e-6)
        np.testing.assert_array_equal(other.left_out.middle_s, few.left_out.middle_s)


@pytest.mark.usefixtures("no_alternator")
def test_the_answers_are_those_of_all_steps(
    arrays: dict[str, FloatArray], whole: SupplySteps, monkeypatch: pytest.MonkeyPatch
) -> None:
    dips = DipDetector(None)
    for window in iter_windows_from_arrays(arrays, RATE_HZ, window_s=60.0):
        dips.push(window)
    found = tuple(dips.finish().findings)
    monkeypatch.setattr(supply_history, "MOST_MINUTES", 8)
    few = collect(arrays, 60.0)
    states, wanted = find_engine_states(few, found), find_engine_states(whole, found)
    assert [span.state for span in states.spans] == ["rest", "cranking", "charging"]
    assert [(s.state, s.start_s, s.stop_s) for s in states.spans] == [
        (s.state, pytest.approx(s.start_s, abs=0.2), pytest.approx(s.stop_s, abs=0.2)) for s in wanted.spans
    ]
    per, per_wanted = (summarise_states(s, steps, found)["per_state"] for s, steps in ((states, few), (wanted, whole)))
    for name, figures in per_wanted.items():
        assert per[name]["supply_lowest_v"] == pytest.approx(figures["supply_lowest_v"], abs=0.01)
        assert per[name]["supply_mean_v"] == pytest.approx(figures["supply_mean_v"], abs=0.02)
        assert per[name]["duration_s"] == pytest.approx(figures["duration_s"], abs=61)  # a minute is of one state
    model, model_wanted = (learn_supply(steps, SupplyOptions()) for steps in (few, whole))
    assert model is not None
    assert model_wanted is not None
    for name, state in model_wanted.states.items():
        # the median minute of a battery that sinks by 0.13 V: other minutes, another median
        assert model.states[name].open_v == pytest.approx(state.open_v, abs=0.05)
        assert model.states[name].lowest_v == pytest.approx(state.lowest_v, abs=0.02)
    for time_s in (400.0, 1200.0, 1290.0, 1340.0, 2000.0):
        assert model.settled_at(time_s) == pytest.approx(model_wanted.settled_at(time_s), abs=0.03)


def test_behind_a_gap_steps_are_the_same_to_the_last_bit_whatever_the_windows() -> None:
    """At 8 kS/s, cut behind 1,237 samples: windows that begin on a second hold whole steps, longer ones do not."""
    rng = np.random.default_rng(8)
    n = 3 * 8000
    volts = {"output": rng.normal(0, 9, n), "supply": 12.6 + rng.normal(0, 0.03, n)}
    kept = []
    for window_s in (1.0, 10.0):
        history = SupplyHistory()
        for window in iter_windows_from_arrays(volts, 8000.0, window_s=window_s, lost=((400, 1237),)):
            history.push(window)
        kept.append(history.finish())
    assert np.array_equal(kept[0].volts["supply"], kept[1].volts["supply"])
    assert np.array_equal(kept[0].output_v2, kept[1].output_v2, equal_nan=True)


def test_what_was_given_out_is_let_go_of(arrays: dict[str, FloatArray]) -> None:
    history = SupplyHistory()
    for window in iter_windows_from_arrays(arrays, RATE_HZ, window_s=60.0):
        history.push(window)
    kept = [weakref.ref(column) for minute in history._minutes for column in minute.columns.values()]
    steps = history.finish()
    assert len(steps)
    assert kept
    assert all(column() is None for column in kept)


@pytest.mark.parametrize("window_s", [1.0, 7.77])
def test_steady_volts_that_an_output_plays_on_are_no_power(window_s: float) -> None:
    """A stage at half its supply, whose volts fall from 6.2 to 4.8 V and come back: behind its capacitor, or across a
    bridge, nothing of them is left."""
    t = np.arange(round(40 * RATE_HZ)) / RATE_HZ
    wave = 5.0 * np.sin(2 * np.pi * 55 * t) * (t % 1.3 < 0.9)
    stands_v = np.where((t > 18) & (t < 24), 4.8, 6.2)
    supply = np.full(len(t), 12.4)
    plain = collect({"supply": supply, "output": wave}, window_s)
    half = collect({"supply": supply, "output": wave + stands_v}, window_s)
    is_settled = np.abs(half.time_s[:, None] - [18.0, 24.0]).min(axis=1) > 1.0
    assert half.output_v2[is_settled] == pytest.approx(plain.output_v2[is_settled], abs=0.6)
    assert set(half.volts) == {"supply"}


def test_an_engine_is_cranked_behind_an_output_at_half_the_supply() -> None:
    """What such a stage would seem to ask for rises as the supply falls."""
    t = np.arange(round(24 * RATE_HZ)) / RATE_HZ
    u, v = np.maximum(t - 8.0, 0.0), np.maximum(t - 8.9, 0.0)
    wave = 4.0 * np.sin(2 * np.pi * 55 * t) * (0.4 + 0.6 * (t % 0.9 < 0.5)) * ((t < 8.02) | (t > 10.0))
    open_v = np.where(t < 8.9, 10.4 - 3.5 * np.exp(-u / 0.05) + 0.35 * np.sin(2 * np.pi * 7 * u), 13.9)
    open_v = np.where(t < 8.0, 12.4, np.where(v > 0, 13.9 - 3.3 * np.exp(-v / 0.2), open_v))
    supply = open_v - 0.05 * wave**2 + 0.003 * np.random.default_rng(2).standard_normal(len(t))
    dips, history = DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays({"supply": supply, "output": wave + supply / 2}, RATE_HZ, window_s=5.0):
        dips.push(window)
        history.push(window)
    states = find_engine_states(history.finish(), dips.finish().findings)
    assert [span.state for span in states.spans] == ["rest", "cranking", "charging"]
