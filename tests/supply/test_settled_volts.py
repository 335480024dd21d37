"""The supply with the amplifier quiet: what moves within a minute and stays is the supply's, what passes is not."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.supply import supply_model
from ampwitness.detect.supply.settled_volts import follow_settled, settle_by_minute
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.detect.supply.supply_model import SupplyModel, SupplyOptions, learn_supply

SECONDS = 50.0
N = round(SECONDS / STEP_S)
TIME_S = (np.arange(N) + 0.5) * STEP_S


def _steps(open_v: np.ndarray) -> SupplySteps:
    """Bass notes with longer and shorter rests between them, that pull the supply down by up to half a volt."""
    rng = np.random.default_rng(1)
    output_v2, at_s = np.zeros(N), 0.3
    while at_s < SECONDS:
        lasts_s = rng.uniform(0.15, 0.5)
        output_v2[(at_s <= TIME_S) & (at_s + lasts_s > TIME_S)] = rng.uniform(60.0, 200.0)
        at_s += lasts_s + rng.choice([0.1, 0.2, 0.4, 1.5])
    supply = open_v - 0.03 * output_v2 / 12.0 + rng.normal(0.0, 0.003, N)
    return SupplySteps(np.arange(N), output_v2, {"supply": supply})


def _learn(open_v: np.ndarray) -> SupplyModel:
    model = learn_supply(_steps(open_v), SupplyOptions())
    assert model is not None
    return model


def test_a_second_battery_that_joins_is_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    open_v = np.where(TIME_S < 20.0, 12.3, 12.6)
    model = _learn(open_v)
    for at_s, settled_v in ((2.0, 12.3), (18.0, 12.3), (22.0, 12.6), (48.0, 12.6)):
        assert model.settled_at(at_s) == pytest.approx(settled_v, abs=0.08)
    monkeypatch.setattr(supply_model, "follow_settled", lambda *given: given[4])  # by the minute alone
    assert _learn(open_v).settled_at(2.0) == pytest.approx(12.6, abs=0.08)


def test_an_alternator_that_is_set_higher_over_ten_seconds_is_followed() -> None:
    open_v = 13.6 + 0.8 * np.clip((TIME_S - 15.0) / 10.0, 0.0, 1.0)
    model = _learn(open_v)
    for at_s in (5.0, 18.0, 22.0, 40.0):
        assert model.settled_at(at_s) == pytest.approx(float(np.interp(at_s, TIME_S, open_v)), abs=0.08)


@pytest.mark.parametrize("starts_s", [0.0, 20.0, 44.5])
def test_a_consumer_that_comes_and_goes_is_not(starts_s: float) -> None:
    """Five seconds of 0.4 V, also where the recording begins or ends: the supply is what stands without it."""
    is_on = (starts_s <= TIME_S) & (starts_s + 5.5 > TIME_S)
    model = _learn(np.where(is_on, 12.2, 12.6))
    for at_s in (1.0, 23.0, 48.0):
        assert model.settled_at(at_s) == pytest.approx(12.6, abs=0.03)


def test_a_consumer_that_runs_while_the_music_is_soft_leaves_the_supply_where_it_is() -> None:
    """It looks like a slow part that gives back under load: taken at its word, the supply stood 0.3 V lower."""
    is_on = (TIME_S > 18.0) & (TIME_S < 27.0)
    quiet = _steps(np.full(N, 12.6))
    soft = np.where(is_on, 0.2, 1.0)
    supply = quiet.volts["supply"] + 0.03 * quiet.output_v2 / 12.0 * (1 - soft) - is_on
    model = learn_supply(SupplySteps(np.arange(N), quiet.output_v2 * soft, {"supply": supply}), SupplyOptions())
    assert model is not None
    fit = model.states["at rest"].fit
    assert fit is not None
    assert fit.part(0.6, 5.0)[0] < -0.05  # as it was fitted
    for at_s in (5.0, 11.0, 20.0, 27.0, 48.0):
        assert model.settled_at(at_s) == pytest.approx(12.6, abs=0.1)


def test_what_the_fit_misses_for_two_seconds_is_no_supply() -> None:
    model = _learn(np.where((TIME_S > 25.0) & (TIME_S < 27.0), 12.8, 12.4))
    for at_s in (5.0, 26.0, 45.0):
        assert model.settled_at(at_s) == pytest.approx(12.4, abs=0.05)


def test_a_supply_that_stays_is_told_by_the_minute_as_before() -> None:
    steps = _steps(np.full(N, 12.6) + 0.02 * np.sin(TIME_S))
    rows = np.ones(N, dtype=bool)
    open_v, demand = steps.volts["supply"] + 0.03 * steps.output_v2 / 12.0, steps.output_v2 / 12.0
    by_minute = settle_by_minute(steps, open_v, demand, rows)
    assert len(by_minute[0]) == 1
    assert follow_settled(steps, open_v, demand, rows, by_minute, 0.003) is by_minute


def _heated(slow_ohm: float, grows: float) -> SupplySteps:
    """Two seconds of silence, notes in a row for 20 s, silence again. The path's resistance grows within 5 s of load
    by up to `grows` of itself, as a fuse holder's that heats; what `slow_ohm` takes comes back over 5 s."""
    rng = np.random.default_rng(4)
    output_v2 = np.zeros(N)
    is_played = (TIME_S > 2.0) & (TIME_S < 22.0)
    output_v2[is_played] = np.repeat(rng.uniform(10.0, 300.0, N // 25), 25)[is_played]
    slow = np.zeros(N)
    for k in range(1, N):
        slow[k] = slow[k - 1] + (output_v2[k] - slow[k - 1]) * STEP_S / 5.0
    ohm = 0.03 * (1 + grows * slow / 150.0)
    supply = 12.45 - (ohm * output_v2 + slow_ohm * slow) / 12.0 + rng.normal(0.0, 0.003, N)
    end = round(24.5 / STEP_S)
    return SupplySteps(np.arange(end), output_v2[:end], {"supply": supply[:end]})


def test_what_notes_in_a_row_seem_to_draw_slowly_is_believed_as_far_as_silence_shows_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A resistance that grows under load looks like a slow part, which silence then lacks."""
    model = learn_supply(_heated(0.0, 1.0), SupplyOptions())
    assert model is not None
    assert model.settled_at(12.0) == pytest.approx(12.45, abs=0.05)
    monkeypatch.setattr(supply_model, "believe_slow", lambda fit, *given: fit)
    doubted = learn_supply(_heated(0.0, 1.0), SupplyOptions())
    assert doubted is not None
    assert doubted.settled_at(12.0)[0] > 12.6


def test_a_slow_part_that_silence_shows_is_kept() -> None:
    model = learn_supply(_heated(0.012, 0.0), SupplyOptions())
    assert model is not None
    assert model.settled_at(12.0) == pytest.approx(12.45, abs=0.08)
