"""What a cranking tells of all that follows it: consumers stop no engine, a charger that varies may look like one."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.engine_network import network_of_consumers
from ampwitness.bench.engine_scores import FAMILIES, RATE_HZ, EngineCase, Samples, find_states, score_case
from ampwitness.bench.engine_shapes import _crank

AT = np.arange(90 * RATE_HZ) / RATE_HZ
REST_V, CHARGING_V = 12.4, 13.2


def _started(fall_v: float = 3.0, run_v: float = 2.0, rest_v: float = REST_V, cranked_s: float = 0.8) -> Samples:
    """Cranked at 15 s, charging from then on."""
    return rest_v + _crank(AT, 15.0, cranked_s, fall_v, run_v, 8.0, 0.15, CHARGING_V - rest_v)


def _states(volts: Samples) -> list[tuple[float, str]]:
    noise_v = np.random.default_rng(1).normal(0, 0.003, len(volts))
    states = find_states(EngineCase({"supply": volts + noise_v}, [], 90.0))
    return [(span.start_s, span.state) for span in states.spans]


def test_a_consumer_that_is_switched_ends_no_charging() -> None:
    """A weak alternator charges below 13.3 V and falls to the volts of rest under a consumer, and comes back."""
    pulled = _started() - 0.75 * ((AT > 40) & (AT < 60))
    assert [state for _, state in _states(pulled)] == ["rest", "cranking", "charging"]


def test_an_engine_that_consumers_hold_down_at_first_ran_from_its_cranking_on() -> None:
    """Half a minute at the volts of rest; that it charges later without being cranked again shows that it ran."""
    assert [state for _, state in _states(_started() - 0.75 * ((AT > 15.8) & (AT < 45)))] == [
        "rest",
        "cranking",
        "charging",
    ]


def test_a_consumer_at_the_end_of_the_recording_is_no_stop() -> None:
    assert _states(_started() - 0.75 * (AT > 88.0))[-1][1] == "charging"


@pytest.mark.parametrize(("lag_s", "wanted"), [(0.3, "not decidable"), (0.002, "charging")])
def test_a_charger_that_varies_is_slower_than_a_switch(lag_s: float, wanted: str) -> None:
    up, down = (1 - np.exp(-np.maximum(AT - t, 0) / lag_s) for t in (60.0, 40.0))
    volts = _started() + 1.0 * (AT > 16.5) * (1 - np.exp(-np.maximum(AT - 16.5, 0) / 0.3)) - 1.6 * (down - up)
    found = _states(volts)
    place = int(np.searchsorted([start_s for start_s, _ in found], 50.0)) - 1
    assert found[place][1] == wanted


def test_the_engine_stops_where_its_supply_falls_slowly_not_where_a_consumer_was_switched() -> None:
    falls = 1 - np.exp(-np.maximum(AT - 70.0, 0) / 0.3)
    volts = _started() - 0.6 * (AT > 50) - 0.6 * falls
    found = _states(volts)
    assert [state for _, state in found] == ["rest", "cranking", "charging", "rest"]
    assert found[-1][0] == pytest.approx(70.0, abs=0.3)


@pytest.mark.parametrize(("left_v", "lag_s"), [(1.1, 6.0), (0.7, 0.5)])
def test_a_warm_engine_is_cranked_for_a_moment_only(left_v: float, lag_s: float) -> None:
    """Too short for strokes; its alternator lifts the supply slowly, or the starter's level lies little below rest."""
    since = AT - 15.0
    starter = (left_v + (3.0 - left_v) * np.exp(-np.maximum(since, 0) / 0.05)) * ((since > 0) & (since < 0.28))
    charges = 1.2 * (1 - np.exp(-np.maximum(since - 0.28, 0) / lag_s))
    found = _states(REST_V + charges - starter)
    assert [state for _, state in found] == ["rest", "cranking", "charging"]
    assert found[1][0] == pytest.approx(15.0, abs=0.005)


def test_the_charge_on_the_plates_does_not_put_off_an_engines_stop() -> None:
    """From 14.4 V the battery falls to 13.8 V at once and needs a quarter of a minute more to come near its rest; a
    consumer that goes meanwhile lifts it a little."""
    since = np.maximum(AT - 60.0, 0)
    stopped = (0.6 * (1 - np.exp(-since / 0.1)) + 1.2 * (1 - np.exp(-since / 15.0))) * (AT > 60)
    pulled = 0.2 * ((AT > 62) & (AT < 66))
    found = _states(_started() + 1.2 * (AT > 16.5) * (1 - np.exp(-np.maximum(AT - 16.5, 0) / 0.3)) - stopped - pulled)
    assert [state for _, state in found] == ["rest", "cranking", "charging", "rest"]
    assert found[-1][0] == pytest.approx(60.0, abs=0.3)


def test_rest_is_measured_where_no_consumer_pulls_it_down() -> None:
    """Lamps are on from 6 s until behind the cranking; behind the engine's stop at 60 s the battery stands higher."""
    volts = _started() - 0.7 * ((AT > 6) & (AT < 18))
    volts = np.where(AT > 60, 12.6 + (volts - 12.6) * np.exp(-np.maximum(AT - 60, 0) / 0.2), volts)
    found = _states(volts)
    assert [state for _, state in found] == ["rest", "cranking", "charging", "rest"]
    assert found[-1][0] == pytest.approx(60.0, abs=0.3)


@pytest.mark.parametrize(
    ("fall_v", "run_v", "charges", "is_cranked"),
    [(1.5, 1.0, True, True), (1.5, 1.0, False, False), (0.7, 0.5, True, False)],
)
def test_a_strong_battery_hardly_gives_way(fall_v: float, run_v: float, charges: bool, is_cranked: bool) -> None:
    """Beside even strokes, what follows must show that an engine runs: a compressor swings too."""
    volts = _started(fall_v, run_v)
    if not charges:
        volts = np.where(AT > 15.8, np.minimum(volts, REST_V), volts)
    assert ("cranking" in [state for _, state in _states(volts)]) == is_cranked


def test_a_long_cranking_of_a_strong_battery_shows_its_strokes() -> None:
    """A pump of two seconds, and a lamp that goes off with it, on for longer than a minute looks back."""
    volts = np.full(len(AT), 12.5)
    volts -= (1.0 + 0.7 * np.exp(-np.maximum(AT - 75.0, 0) / 0.05)) * ((AT > 75) & (AT < 77)) - 0.5 * (AT > 77)
    assert "cranking" not in [state for _, state in _states(volts)]


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_vehicles_solved_as_a_network(seed: int) -> None:
    open_v, truth, cranks = network_of_consumers(np.random.default_rng(seed), AT)
    case = EngineCase({"supply": open_v}, truth, 90.0, cranks)
    share, wrong, errors, invented = score_case(case, find_states(case))
    assert share > 0.995, wrong
    assert invented == 0
    assert all(abs(start_s) < 0.005 for start_s, _ in errors)


def test_an_engine_that_stops_is_no_switch_though_a_consumer_is_switched_a_second_later() -> None:
    case = FAMILIES["a drive"](np.random.default_rng([11008, 0]))
    share, wrong, _, _ = score_case(case, find_states(case))
    assert share > 0.995, wrong


@pytest.mark.parametrize(
    ("family", "seed"), [("jump start", 907), ("lithium battery", 905), ("slow stop", 901), ("start-stop", 900)]
)
def test_a_cranking_ends_as_the_starter_lets_go(family: str, seed: int) -> None:
    """Not as its last stroke began to rise, which was 50 ms and more ahead."""
    case = FAMILIES[family](np.random.default_rng([seed, list(FAMILIES).index(family)]))
    _, _, errors, _ = score_case(case, find_states(case))
    assert all(abs(stop_s) < 0.015 for _, stop_s in errors)


def test_a_battery_that_comes_back_slowly_does_not_put_off_the_end_of_a_cranking() -> None:
    """A second of strokes; behind them the battery takes a third of a second to be clearly up."""
    since, behind = AT - 15.0, np.maximum(AT - 16.0, 0)
    turned = 1.5 + 0.5 * np.exp(-np.maximum(since, 0) / 0.05) + 0.1 * np.sin(2 * np.pi * 9 * since)
    back = 1.0 * np.exp(-behind / 0.6) - 0.8 * (1 - np.exp(-behind / 4.0))
    volts = REST_V - np.where((since > 0) & (AT < 16.0), turned, 0.0) - np.where(AT >= 16.0, back, 0.0)
    found = _states(volts)
    assert [state for _, state in found] == ["rest", "cranking", "charging"]
    assert found[2][0] == pytest.approx(16.0, abs=0.02)


@pytest.mark.parametrize("has_strokes", [True, False])
def test_even_strokes_wait_longer_for_an_alternator_that_consumers_hold_down(has_strokes: bool) -> None:
    """Consumers hold the supply at the volts of rest for twenty seconds; a pump that swings by nothing started none."""
    volts = _started(1.5, 1.0)
    if not has_strokes:
        volts = np.where((AT > 15.1) & (AT < 15.8), 11.3, volts)
    volts -= 0.6 * ((AT > 15.85) & (AT < 36.0))
    assert ("cranking" in [state for _, state in _states(volts)]) == has_strokes
