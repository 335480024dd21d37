"""A charged supply below and at its alternator's current limit: what is fitted against the network in closed form."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from ampwitness.bench.supply_signals import true_regime_ohms
from ampwitness.bench.vehicle_supply import Alternator, FixedLoad, VehicleSupply, run_supply
from ampwitness.detect.supply.charging_model import ChargingFit
from ampwitness.detect.supply.supply_charging import fit_charging
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.detect.supply.supply_ohms import REGIME_PINNED_RATIO, is_pinned_down

RATE_HZ = 1000.0
SECONDS = 30.0
EACH = 10  # samples a step of 10 ms


def _bursts(rng: np.random.Generator, most_a: float) -> np.ndarray:
    """Currents like those of bass notes: bursts of a quarter second, with pauses."""
    n = round(SECONDS * RATE_HZ)
    amperes = np.full(n, 1.0)
    at = 1500
    while at < n - 600:
        length = int(rng.integers(150, 450))
        amperes[at : at + length] += rng.uniform(0.15, 1.0) * most_a * np.exp(-np.arange(length) / 400.0)
        at += length + int(rng.integers(60, 400))
    return amperes


@cache
def _fit(supply: VehicleSupply, most_a: float, seed: int, note_hz: float = 0.0) -> ChargingFit | None:
    """`note_hz`: of the notes, whose current comes and goes at twice that; 0: it flows evenly."""
    rng = np.random.default_rng(seed)
    amperes = _bursts(rng, most_a)
    if note_hz:
        amperes = 1.0 + (amperes - 1.0) * (1.0 - np.cos(4 * np.pi * note_hz * np.arange(len(amperes)) / RATE_HZ))
    volts = run_supply(supply, FixedLoad(amperes), RATE_HZ, len(amperes)).supply_v
    volts = volts + rng.normal(0.0, 0.0015, len(volts))
    blocks = volts.reshape(-1, EACH)
    steps = blocks.mean(axis=1)
    current = amperes.reshape(-1, EACH).mean(axis=1)
    history = SupplySteps(
        np.arange(len(steps)), current**2, {"supply": steps, "current": current}, ripple_v=blocks.std(axis=1)
    )
    return fit_charging(history, current, np.ones(len(current)), steps, np.ones(len(steps), dtype=bool))


CHARGED = VehicleSupply(
    emf_v=12.7,
    battery_ohm=0.015,
    plus_cable_ohm=0.004,
    return_cable_ohm=0.003,
    alternator=Alternator(14.2, limit_a=85.0),
)


def test_a_limit_that_is_reached_within_each_half_cycle_bends_no_figure() -> None:
    """The mean of 10 ms stays above the limit while the crests of the current pass it."""
    supply = replace(CHARGED, battery_ohm=0.021)
    fit = _fit(supply, 70.0, 3, note_hz=55.0)
    assert fit is not None
    true = true_regime_ohms(supply)
    assert fit.following_weight[0] == pytest.approx(true["the alternator follows"], rel=0.03)
    assert fit.limit_weight[0] == pytest.approx(true["the alternator is at its current limit"], rel=0.05)


WHINE = Alternator(14.4, limit_a=85.0, ripple_v=0.2, ripple_hz=400.0)


def test_an_alternators_own_whine_stands_whole_at_its_terminals() -> None:
    """The leads lessen what the music draws, not what the alternator makes: taken so it bent the figure by a tenth."""
    supply = replace(CHARGED, emf_v=12.5, battery_ohm=0.021, plus_cable_ohm=0.007, alternator=WHINE)
    fit = _fit(supply, 80.0, 4, note_hz=55.0)
    assert fit is not None
    assert fit.following_weight[0] == pytest.approx(true_regime_ohms(supply)["the alternator follows"], rel=0.04)


def test_an_alternator_at_its_limit_but_for_its_whine_is_not_said_to_follow() -> None:
    supply = replace(CHARGED, emf_v=12.5, plus_cable_ohm=0.007, alternator=WHINE)
    fit = _fit(supply, 80.0, 3, note_hz=55.0)
    assert fit is not None
    assert not (fit.tells_following and is_pinned_down(fit.following_weight, fit.following_error_ratio))
    assert fit.tells_limit
    true_ohm = true_regime_ohms(supply)["the alternator is at its current limit"]
    assert fit.limit_weight[0] == pytest.approx(true_ohm, rel=0.03)


def test_both_regimes_are_told_where_both_were_seen() -> None:
    fit = _fit(CHARGED, 90.0, 1)
    assert fit is not None
    assert fit.tells_following
    assert fit.tells_limit
    true = true_regime_ohms(CHARGED)
    assert fit.following_weight[0] == pytest.approx(true["the alternator follows"], rel=0.05)
    assert fit.limit_weight[0] == pytest.approx(true["the alternator is at its current limit"], rel=0.05)
    assert is_pinned_down(fit.following_weight, fit.following_error_ratio, REGIME_PINNED_RATIO)
    # The volts stood above the limit a seventh of the time: were they followed no better than to 20 mV, no figure.
    rough = replace(fit, spread_v=0.020)
    assert not is_pinned_down(rough.following_weight, rough.following_error_ratio, REGIME_PINNED_RATIO)
    assert is_pinned_down(rough.limit_weight, rough.limit_error_ratio, REGIME_PINNED_RATIO)
    # Where the limit is reached: set-point less limit over gain.
    assert fit.limit_v == pytest.approx(14.2 - 85.0 / 150.0, abs=0.08)


def test_an_alternator_that_never_comes_to_its_limit_tells_one_regime_only() -> None:
    strong = VehicleSupply(
        emf_v=12.7,
        battery_ohm=0.02,
        plus_cable_ohm=0.004,
        return_cable_ohm=0.003,
        alternator=Alternator(14.2, limit_a=200.0),
    )
    fit = _fit(strong, 60.0, 2)
    assert fit is not None
    assert fit.tells_following
    assert not fit.tells_limit
    assert fit.following_weight[0] == pytest.approx(true_regime_ohms(strong)["the alternator follows"], rel=0.05)


def test_a_supply_without_an_alternator_has_no_regimes() -> None:
    assert _fit(VehicleSupply(emf_v=13.3, battery_ohm=0.012), 60.0, 3) is None


def test_an_alternator_always_at_its_limit_is_not_said_to_follow() -> None:
    """All is linear then, and only the battery's own slow part moves: whatever its time constant, here a short one."""
    weak = VehicleSupply(
        emf_v=12.3,
        battery_ohm=0.010,
        plus_cable_ohm=0.005,
        return_cable_ohm=0.005,
        slow_ohm=0.004,
        slow_s=0.8,
        alternator=Alternator(14.3, limit_a=80.0),
    )
    for seed in (4, 5, 6):
        fit = _fit(weak, 60.0, seed)
        assert fit is None or not fit.tells_following


def test_what_a_step_of_demand_would_do_follows_the_network() -> None:
    """Half a second into a step: the network itself is the outside value."""
    fit = _fit(CHARGED, 90.0, 1)
    assert fit is not None
    amperes = np.full(2000, 1.0)
    amperes[1000:] += 70.0
    volts = run_supply(CHARGED, FixedLoad(amperes), RATE_HZ, len(amperes)).supply_v
    fell_v = float(volts[990:1000].mean() - volts[1490:1500].mean())
    assert fit.fall_after(np.array([70.0]), 0.5)[0] == pytest.approx(fell_v, rel=0.05)


def test_a_tone_draws_more_than_its_mean_where_its_crests_pass_the_limit() -> None:
    fit = _fit(CHARGED, 90.0, 1)
    assert fit is not None
    time_s = np.arange(2000) / RATE_HZ
    amperes = 1.0 + np.where(time_s >= 1.0, 45.0 * (1.0 - np.cos(2 * np.pi * 80.0 * time_s)), 0.0)
    volts = run_supply(CHARGED, FixedLoad(amperes), RATE_HZ, len(amperes)).supply_v
    fell_v = float(volts[990:1000].mean() - volts[1475:1525].mean())
    even_v, tone_v = (fit.fall_after(np.array([45.0]), 0.5, hz)[0] for hz in (0.0, 40.0))
    assert even_v < 0.92 * fell_v
    assert tone_v == pytest.approx(fell_v, rel=0.05)


def test_other_consumers_do_not_draw_down_the_volts_that_a_prediction_starts_from() -> None:
    """25 A elsewhere for a fifth of the time: the open volts are those without, and so is the fall from there."""
    rng = np.random.default_rng(1)
    amperes = _bursts(rng, 90.0)
    time_s = np.arange(len(amperes)) / RATE_HZ
    quiet = run_supply(CHARGED, FixedLoad(np.full(10, 1.0)), RATE_HZ, 10).supply_v[-1]
    other = np.where(time_s % 10 < 2, 25.0, 0.0)
    volts = run_supply(CHARGED, FixedLoad(amperes), RATE_HZ, len(amperes), other_a=other).supply_v
    steps, current = (v.reshape(-1, EACH).mean(axis=1) for v in (volts, amperes))
    history = SupplySteps(np.arange(len(steps)), current**2, {"supply": steps, "current": current})
    fit = fit_charging(history, current, np.ones(len(current)), steps, np.ones(len(steps), dtype=bool))
    assert fit is not None
    assert fit.open_v == pytest.approx(quiet, abs=0.03)
