"""How charging ended: an alternator that gives less and less, a field that drops out, an engine switched off."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.supply.charging_ended import ChargingEnd, find_charging_ends
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import EngineStates, find_engine_states
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.charging_words import advise_charged_high, word_charging_short, word_dropped

RATE_HZ = 1000
AT = np.arange(180 * RATE_HZ) / RATE_HZ
REST_V, CHARGED_V, LOW_V = 12.6, 14.2, 11.7


def _since(time_s: float) -> np.ndarray:
    return np.maximum(AT - time_s, 0.0)


def _started() -> np.ndarray:
    """Rest, a cranking at 10 s, charging."""
    u, v = _since(10.0), _since(11.0)
    cranked = REST_V - 2.0 - 2.0 * np.exp(-u / 0.05) + 0.4 * np.sin(2 * np.pi * 7 * u)
    charging = CHARGED_V - (CHARGED_V - REST_V + 2.0) * np.exp(-v / 0.1)
    return np.where(AT < 10.0, REST_V, np.where(AT < 11.0, cranked, charging))


def _sinking(took_s: float) -> np.ndarray:
    """Evenly down to the battery's own volts, then on, as consumers empty it; lamps come and go meanwhile."""
    course = np.interp(_since(40.0), [0.0, took_s, 140.0], [CHARGED_V, REST_V - 0.2, LOW_V])
    return np.where(AT > 40.0, course, _started()) - 0.2 * ((AT > 55.0) & (AT < 63.0))


def _dropping(lag_s: float) -> np.ndarray:
    volts = _started()
    for off_s, on_s in ((50.0, 58.0), (90.0, 101.0), (140.0, 149.0)):
        down, up = (1 - np.exp(-_since(time_s) / lag_s) for time_s in (off_s, on_s))
        volts = volts - (CHARGED_V - REST_V) * (down - up)
    return volts


def _stopped(fast_v: float, slow_s: float, ends_v: float) -> np.ndarray:
    """An engine that is switched off: some of it goes at once, what the battery's plates hold goes slowly."""
    u = _since(40.0)
    left_v = CHARGED_V - fast_v - ends_v
    return np.where(AT > 40.0, ends_v + fast_v * np.exp(-u / 0.2) + left_v * np.exp(-u / slow_s), _started())


def _ends(volts: np.ndarray) -> tuple[EngineStates, tuple[ChargingEnd, ...]]:
    dips, history = DipDetector(12.6), SupplyHistory()
    noisy = volts + np.random.default_rng(5).normal(0, 0.003, len(volts))
    for window in iter_windows_from_arrays({"supply": noisy}, RATE_HZ, window_s=10.0):
        dips.push(window)
        history.push(window)
    steps = history.finish()
    return find_charging_ends(find_engine_states(steps, dips.finish().findings), steps)


@pytest.mark.parametrize("took_s", [60.0, 110.0])
def test_an_alternator_that_gives_less_and_less_sinks_as_no_engines_stop_does(took_s: float) -> None:
    states, (end,) = _ends(_sinking(took_s))
    assert end.sank_s is not None
    assert end.stop_s is None
    assert 40.0 < end.start_s < 40.0 + took_s / 2
    assert (end.before_v, end.after_v) == pytest.approx((CHARGED_V, LOW_V), abs=0.15)
    assert states.spans[-1].state == "not decidable"  # the engine ran, and perhaps runs on


@pytest.mark.parametrize(
    ("fast_v", "slow_s", "ends_v"), [(1.4, 60.0, 12.5), (0.6, 15.0, 12.6), (0.0, 3.0, 12.8), (0.3, 12.0, 12.4)]
)
def test_an_engine_that_is_switched_off_does_not_sink(fast_v: float, slow_s: float, ends_v: float) -> None:
    states, ends = _ends(_stopped(fast_v, slow_s, ends_v))
    assert states.spans[-1].state == "rest"
    assert [end.sank_s for end in ends] == [None]


def test_consumers_that_pull_a_weak_alternator_down_step_by_step_are_no_sinking() -> None:
    """One consumer more every eight seconds, each switched."""
    volts = _started() - sum(0.4 * (40.0 + 8.0 * k < AT) for k in range(5))
    assert all(end.sank_s is None for end in _ends(volts)[1])


@pytest.mark.parametrize("lag_s", [0.15, 0.3])
def test_a_field_that_drops_out_is_told_each_time(lag_s: float) -> None:
    _, ends = _ends(_dropping(lag_s))
    assert [end.start_s for end in ends] == pytest.approx([50.0, 90.0, 140.0], abs=0.3)
    assert [end.stop_s for end in ends] == pytest.approx([58.0, 101.0, 149.0], abs=0.3)


def _report(volts: np.ndarray) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Summary and steps of a recording with music."""
    rng, at = np.random.default_rng(7), np.arange(2 * len(AT)) / (2 * RATE_HZ)
    wave = 8.0 * np.exp(-(at % 0.5) / 0.2) * np.sin(2 * np.pi * 55 * at) * (at > 12)
    supply = np.interp(at, AT, volts) - 0.05 * (wave / 8.0) ** 2 + rng.normal(0, 0.004, len(at))
    both = {"output": wave + rng.normal(0, 0.01, len(at)), "supply": supply}
    results = run_all(iter_windows_from_arrays(both, 2 * RATE_HZ, window_s=10.0), DetectOptions(nominal_supply_v=12.6))
    summary = {result.coverage.detector: result.summary for result in results}
    findings = FindingList([result.findings for result in results])
    return summary, advise_first_steps(findings, summary, [result.coverage for result in results])


def test_a_sinking_alternator_comes_first_and_is_no_flat_battery() -> None:
    """Consumers dip it below 90 % of nominal at its end."""
    summary, steps = _report(_sinking(60.0) - 0.6 * ((AT > 165.0) & (AT < 168.0)))
    assert steps[0].startswith("See to the alternator")
    assert not any("Charge the battery first" in step for step in steps)
    assert word_charging_short(summary)[0].startswith("charging sank from 14.")


def test_a_field_that_drops_out_asks_for_something() -> None:
    summary, steps = _report(_dropping(0.2))
    assert steps[0].startswith("Find out whether this vehicle's charging varies by design")
    assert word_dropped(summary)[0].startswith("Charging fell away 3 times (50 s, 1:30, 2:20)")
    assert word_charging_short(summary) == ["charging fell away 3 times"]


@pytest.mark.parametrize(("ends_v", "is_low"), [(11.5, True), (12.5, False)])
def test_a_battery_that_is_low_behind_its_charging_may_be_the_alternators_doing(ends_v: float, is_low: bool) -> None:
    _, steps = _report(_stopped(1.4, 40.0, ends_v) - 0.6 * ((AT > 165.0) & (AT < 168.0)))
    assert steps[0].startswith("Find out whether the engine ran on behind 40 s") == is_low
    assert not any(step.startswith("Charge the battery first") for step in steps)


@pytest.mark.parametrize(
    ("open_v", "judged_s", "is_said"),
    [(14.4, 60.0, False), (15.1, 60.0, False), (15.49, 60.0, True), (15.49, 5.0, False), (16.4, 60.0, False)],
)
def test_charging_higher_than_alternators_are_set_is_said(open_v: float, judged_s: float, is_said: bool) -> None:
    """Alternators: 14.55 +-0.3 V at 25 degrees (service data); from 16 V on it stands as a danger elsewhere."""
    steps = advise_charged_high({"supply": {"states": {"charging": {"open_v": open_v, "judged_s": judged_s}}}})
    assert bool(steps) is is_said
    assert all(f"{open_v:.2f} V" in step for step in steps)
