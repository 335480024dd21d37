"""When charging begins and ends where it comes and goes slowly, in steps, or at a battery that rests high."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.engine_scores import FAMILIES, RATE_HZ, EngineCase, find_states, score_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.supply_history import SupplyHistory

AT = np.arange(100 * RATE_HZ) / RATE_HZ


def _states(volts: np.ndarray) -> list[tuple[float, str]]:
    """(start, state) of what is found in a supply alone."""
    noise = np.random.default_rng(3).normal(0, 0.002, len(volts))
    case = EngineCase({"supply": volts + noise}, [(0.0, "rest")], len(volts) / RATE_HZ)
    return [(span.start_s, span.state) for span in find_states(case).spans]


def _since(time_s: float) -> np.ndarray:
    return np.maximum(AT - time_s, 0.0)


def _started(rest_v: float, charged_v: float) -> np.ndarray:
    """Rest, a cranking at 10 s, charging."""
    u, v = _since(10.0), _since(11.0)
    cranked = rest_v - 2.0 - 2.0 * np.exp(-u / 0.05) + 0.4 * np.sin(2 * np.pi * 7 * u)
    charging = charged_v - (charged_v - rest_v + 2.0) * np.exp(-v / 0.1)
    return np.where(AT < 10.0, rest_v, np.where(AT < 11.0, cranked, charging))


def test_a_battery_that_comes_down_slowly_is_dated_from_where_it_left_the_charging_level() -> None:
    volts = np.where(AT < 60.0, _started(12.7, 14.0), 12.95 + 1.05 * np.exp(-_since(60.0) / 3.0))
    volts -= 0.15 * (AT > 67.5)  # which takes it below where charging is out of the question
    start_s, state = _states(volts)[-1]
    assert state == "rest"
    assert start_s == pytest.approx(60.0, abs=0.5)


def test_consumers_that_lower_a_charging_level_step_by_step_stop_no_engine() -> None:
    volts = _started(12.7, 14.4) - 0.48 * (AT > 50.0) - 0.4 * (AT > 54.2)
    assert [state for _, state in _states(volts)] == ["rest", "cranking", "charging"]


def test_a_consumer_that_goes_while_the_battery_comes_down_is_no_charger() -> None:
    volts = np.where(AT < 60.0, _started(12.4, 13.97), 12.3 + 1.67 * np.exp(-_since(60.0) / 3.0))
    volts -= 0.6 * ((AT > 60.2) & (AT < 61.2))
    assert [state for _, state in _states(volts)] == ["rest", "cranking", "charging", "rest"]


def test_a_charger_that_comes_up_slowly_is_dated_from_where_it_began() -> None:
    volts = 12.45 + 2.0 * (1 - np.exp(-_since(30.0) / 6.0))
    (_, first), (start_s, then) = _states(volts)
    assert (first, then) == ("rest", "charging")
    assert start_s == pytest.approx(30.0, abs=0.3)


def test_a_lithium_battery_and_a_charger_without_a_cranking_leave_its_rest_undecided() -> None:
    volts = np.where(AT < 70.0, 14.35 - np.exp(-_since(30.0) / 0.3), 13.35 + 1.0 * np.exp(-_since(70.0) / 0.3))
    found = _states(volts)
    assert [state for _, state in found] == ["not decidable", "charging", "not decidable"]
    assert [start_s for start_s, _ in found] == pytest.approx([0.0, 30.0, 70.0], abs=0.3)


def test_a_steady_low_charging_level_stays_one() -> None:
    assert [state for _, state in _states(np.full(len(AT), 13.4))] == ["charging"]


def test_a_high_rest_ahead_of_the_first_cranking_is_rest_whatever_pulled_at_it() -> None:
    volts = _started(13.35, 14.3) - 0.5 * ((AT > 2.0) & (AT < 6.0))
    assert [state for _, state in _states(volts)] == ["rest", "cranking", "charging"]


def test_strokes_in_step_with_an_output_that_does_not_pull_are_strokes() -> None:
    number = list(FAMILIES).index("engine that does not start")
    case = FAMILIES["engine that does not start"](np.random.default_rng([18607, number]))
    share, wrong, errors, _ = score_case(case, find_states(case))
    assert share > 0.995, wrong
    assert all(abs(start_s) <= 0.005 for start_s, _ in errors)


def test_a_short_fall_that_comes_back_slowly_is_judged_while_music_plays() -> None:
    output = 8.0 * np.sin(2 * np.pi * 45 * AT)
    for begin_s in (30.0, 30.003, 30.006):
        fell = 12.6 - 3.0 * (begin_s < AT) * np.clip((begin_s + 0.3 - AT) / 0.15, 0.0, 1.0)
        case = EngineCase({"supply": fell, "output": output}, [(0.0, "rest")], len(AT) / RATE_HZ)
        assert not find_states(case).cranking


@pytest.mark.parametrize(("lost_s", "is_found"), [(0.02, True), (0.25, True), (2.0, False)])
def test_frames_that_are_lost_while_the_starter_turns_hide_no_cranking(lost_s: float, is_found: bool) -> None:
    volts = _started(12.5, 14.1) + np.random.default_rng(3).normal(0, 0.002, len(AT))
    lost = ((round(10.6 * RATE_HZ), round((10.6 + lost_s) * RATE_HZ)),)
    dips, history = DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays({"supply": volts}, RATE_HZ, window_s=10.0, lost=lost):
        dips.push(window)
        history.push(window)
    cranking = find_engine_states(history.finish(), dips.finish().findings).cranking
    assert bool(cranking) == is_found
    if is_found:
        assert cranking[0][0] == pytest.approx(10.0, abs=0.005)
        assert cranking[0][1] == pytest.approx(11.05, abs=0.1)


def _pulse(start_s: float, lasting_s: float) -> np.ndarray:
    """A steering pump's draw at the alternator: down at once, a little less with time, and back within 0.2 s."""
    u = _since(start_s)
    return np.where(u < lasting_s, 1 - np.exp(-u / 0.02), np.exp(-(u - lasting_s) / 0.06)) * (u > 0)


def test_pulses_that_come_again_and_again_stop_no_engine() -> None:
    """Two of them 1.5 s and 4.5 s behind one moment looked like a level that fell and stayed down."""
    volts = 13.9 + 0.08 * np.sin(2 * np.pi * 0.7 * AT)  # as under music: it never stands still
    for k, start_s in enumerate((40.0, 43.0, 46.1, 49.0, 52.1, 60.0, 63.0, 66.0)):
        volts = volts - (2.6 + 0.1 * k) * _pulse(start_s, 0.5 + 0.03 * k)
    assert [state for _, state in _states(volts)] == ["charging"]


def test_an_engine_that_stops_between_pulses_stops() -> None:
    volts = np.where(AT < 60.0, _started(12.7, 13.9), 12.7 + 1.2 * np.exp(-_since(60.0) / 1.5))
    for start_s in (40.0, 43.0, 58.5, 61.5, 64.5):
        volts = volts - 1.6 * _pulse(start_s, 0.5)
    found = _states(volts)
    assert [state for _, state in found] == ["rest", "cranking", "charging", "rest"]
    assert found[-1][0] == pytest.approx(60.0, abs=0.6)
