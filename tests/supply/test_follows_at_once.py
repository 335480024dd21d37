"""An output that follows its supply within a fraction of a millisecond, behind a resistance.

The amplifier is the textbook's: a supply behind a resistance, a ceiling in proportion to it, a current that is the
output's power over an efficiency. While it is cut off its supply hardly moves, but for what the battery gives way by.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.detect.clips.cause.ceiling_at_once import follow_at_once
from ampwitness.detect.clips.cause.ceiling_fit import AT_ONCE, Plateaus, to_loads
from ampwitness.detect.clips.cause.ceiling_knee import fit_ceilings
from ampwitness.detect.clips.cause.ceiling_prior import LOSS_V
from ampwitness.detect.clips.cause.clip_cause import learn_ceilings
from ampwitness.detect.clips.table.clip_candidates import EARLY_S
from ampwitness.detect.clips.table.clip_stream import LaggedMeans, Stretch, lagged_rms
from ampwitness.types import FloatArray

RATE_HZ, OPEN_V, LEAD_OHM, BATTERY_OHM, BATTERY_S = 8000.0, 12.6, 0.05, 0.03, 0.05
LOAD_OHM, EFFICIENCY, RATIO = 2.0, 0.72, 2.3
FEWEST_SAMPLES = 5


def _play(seconds: float, highest_v: float = np.inf, store_s: float = 0.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(n,) by how much the wanted output goes beyond its ceiling, output, supply: bass notes of 36 to 70 Hz that die
    away, driven into clipping; the ceiling follows the supply with a time constant."""
    rng = np.random.default_rng(5)
    n = round(seconds * RATE_HZ)
    wanted, output, beyond, supply = np.zeros(n), np.zeros(n), np.zeros(n), np.full(n, OPEN_V)
    for first in range(0, n, round(0.5 * RATE_HZ)):
        at_s = np.arange(min(round(0.45 * RATE_HZ), n - first)) / RATE_HZ
        tone = np.sin(2 * np.pi * rng.uniform(36, 70) * at_s)
        wanted[first : first + len(at_s)] = rng.uniform(25, 42) * tone * np.minimum(1, at_s / 0.01) * np.exp(-at_s)
    battery_v, supply_v, held_v = 0.0, OPEN_V, OPEN_V
    stays = np.exp(-1 / RATE_HZ / store_s) if store_s else 0.0
    for k in range(n):
        before_v = held_v
        for _ in range(4):  # output and supply of the same moment
            held_v = stays * before_v + (1 - stays) * supply_v
            ceiling_v = min(RATIO * held_v, highest_v)
            output[k] = min(max(wanted[k], -ceiling_v), ceiling_v)
            amperes = output[k] ** 2 / LOAD_OHM / EFFICIENCY / supply_v
            supply_v = OPEN_V - battery_v - LEAD_OHM * amperes
        battery_v += (BATTERY_OHM * amperes - battery_v) * (1 - np.exp(-1 / RATE_HZ / BATTERY_S))
        supply[k], beyond[k] = supply_v, np.sign(wanted[k]) * (abs(wanted[k]) - ceiling_v)
    return beyond, output, supply


def _to_sides(beyond: FloatArray, output: FloatArray, supply: FloatArray) -> dict[str, Plateaus]:
    """Each flat as a straight line through it, 5 mV off."""
    rng = np.random.default_rng(2)
    stretch = Stretch(RATE_HZ, 0, 0.0, 0, len(output), True, True, output.astype(np.float32), supply)
    sides = {}
    for side, sign in (("positive", 1.0), ("negative", -1.0)):
        is_flat = np.concatenate(([False], (sign * output > 0) & (sign * beyond > 0), [False]))
        edges = np.flatnonzero(np.diff(is_flat.astype(int))).reshape(-1, 2)
        edges = edges[np.diff(edges, axis=1)[:, 0] >= FEWEST_SAMPLES]
        lines = [np.polyfit(np.arange(a, b) - (a + b - 1) / 2, sign * output[a:b], 1) for a, b in edges]
        tilt, level_v = np.array(lines).T
        level_v = level_v + 0.005 * rng.standard_normal(len(level_v))
        means, middle = LaggedMeans(stretch), edges.mean(axis=1) - 0.5
        supply_v, size_v = means.at(middle)
        now_v, early_v = (
            means.mean_supply(edges[:, 0] - ahead, edges[:, 1] - 1.0 - ahead) for ahead in (0.0, EARLY_S * RATE_HZ)
        )
        loads = to_loads(level_v, size_v, lagged_rms(stretch, middle))
        flat_s = (edges[:, 1] - edges[:, 0]) / RATE_HZ
        sides[side] = Plateaus(level_v, tilt * RATE_HZ, flat_s, supply_v, loads, now_v, early_v)
    return sides


@pytest.fixture(scope="module")
def sides() -> dict[str, Plateaus]:
    return _to_sides(*_play(6.0))


def test_what_follows_at_once_stops_at_the_mean_over_the_plateau(sides: dict[str, Plateaus]) -> None:
    """Means of a millisecond, looked up in the middle, miss it by more than what the levels are known to."""
    for seen in sides.values():
        assert seen.now_v is not None
        assert np.std(seen.level_v - RATIO * seen.now_v) < 0.008
        assert np.std(seen.level_v - RATIO * seen.supply_at(0.0)) > 0.03


def test_a_ceiling_that_follows_at_once_is_told_as_such(sides: dict[str, Plateaus]) -> None:
    levels = {side: seen.level_v for side, seen in sides.items()}
    fits = learn_ceilings(sides, levels)
    assert set(fits) == {"positive", "negative"}
    for fit in fits.values():
        assert (fit.kind, fit.knee_v, fit.lag) == ("follows supply", np.inf, AT_ONCE)
        assert fit.ratio == pytest.approx(RATIO, rel=0.01)
        lagged_v, now_v = np.array([[12.0, 12.1, 12.2, 12.3]]), np.array([11.8])
        assert fit.supply_of(lagged_v, now_v, np.array([11.9])) == pytest.approx(now_v)
        assert fit.tilted_v(lagged_v, np.array([-50.0]), np.array([0.003])) == pytest.approx([0.0])
    without = learn_ceilings({side: replace(seen, now_v=None) for side, seen in sides.items()}, levels)
    for side, fit in without.items():
        assert fit.lag != AT_ONCE
        assert abs(fit.ratio - RATIO) > 2 * abs(fits[side].ratio - RATIO)


def test_a_ceiling_that_follows_a_moment_later_is_told_by_the_supply_ahead_of_its_plateaus() -> None:
    """With a store of 0.3 ms the supply a quarter of a millisecond earlier explains more than that under plateaus."""
    late = _to_sides(*_play(6.0, store_s=0.0003))
    stands = {
        side: replace(fit, kind="regulated", ratio=0.0, constant_v=float(np.median(late[side].level_v)), droop=0.0)
        for side, fit in fit_ceilings(late).items()
    }
    lines = follow_at_once(stands, late)
    by_now = follow_at_once(stands, {side: replace(seen, early_v=seen.now_v) for side, seen in late.items()})
    assert lines is not None
    assert by_now is not None
    for side, fit in lines.items():
        assert (fit.kind, fit.lag, fit.early) == ("follows supply", AT_ONCE, 0.5)
        assert fit.ratio == pytest.approx(RATIO, rel=0.015)
        assert fit.spread_v < 0.8 * by_now[side].spread_v
        lagged_v, now_v = np.array([[12.0, 12.1, 12.2, 12.3]]), np.array([11.8])
        assert fit.supply_of(lagged_v, now_v, np.array([12.0])) == pytest.approx([11.9])


def test_lags_that_look_plain_do_not_stand_against_the_supply_under_the_plateaus() -> None:
    """With a store of 0.1 ms lagged means fit a line in proportion as well, but one that is off where nothing plays."""
    soon = _to_sides(*_play(6.0, store_s=0.0001))
    levels = {side: seen.level_v for side, seen in soon.items()}
    by_lags, fits = fit_ceilings(soon), learn_ceilings(soon, levels)
    settled_v = np.array([OPEN_V])
    for side, fit in fits.items():
        assert by_lags[side].ratio == pytest.approx(RATIO, rel=0.05)
        assert fit.lag == AT_ONCE
        off_v, off_by_lags_v = (float(one.at(settled_v)[0]) - RATIO * OPEN_V for one in (fit, by_lags[side]))
        assert abs(off_v) < 0.04 < 0.09 < abs(off_by_lags_v)


def test_a_rise_that_no_output_has_needs_less_to_give_way(sides: dict[str, Plateaus]) -> None:
    """Levels known to 0.2 V: a line of a third of proportion leaves hardly more of them than the true one."""
    rng = np.random.default_rng(8)
    unsure = {
        side: replace(seen, level_v=seen.level_v + 0.2 * rng.standard_normal(len(seen.level_v)))
        for side, seen in sides.items()
    }
    odd, plain = {}, {}
    for side, fit in fit_ceilings(sides).items():
        middle_v, level_v = float(np.median(unsure[side].supply_at(0.0))), float(np.median(unsure[side].level_v))
        for share, lines in ((0.33, odd), (1.0, plain)):
            ratio = share * level_v / middle_v
            lines[side] = replace(
                fit, kind="follows supply", ratio=ratio, constant_v=level_v - ratio * middle_v, knee_v=np.inf, lag=0.0
            )
    assert follow_at_once(plain, unsure) is None
    lines = follow_at_once(odd, unsure)
    assert lines is not None
    assert all(fit.ratio == pytest.approx(RATIO, rel=0.1) for fit in lines.values())


@pytest.mark.parametrize("highest_v", [21.0, 23.3])
def test_a_ceiling_that_stands_is_not_taken_for_one_that_follows_at_once(highest_v: float) -> None:
    """It stands at all supplies, or above that which its level asks for."""
    stands = _to_sides(*_play(6.0, highest_v))
    fits = fit_ceilings(stands)
    assert follow_at_once(fits, stands) is None


def test_a_plain_ceiling_by_lags_stays(sides: dict[str, Plateaus]) -> None:
    """It is in proportion already: the plateaus say the same of it either way."""
    plain = {side: replace(seen, level_v=RATIO * seen.supply_at(1.0)) for side, seen in sides.items()}
    fits = fit_ceilings(plain)
    assert follow_at_once(fits, plain) is None


def test_a_polarity_in_proportion_speaks_for_the_other(sides: dict[str, Plateaus]) -> None:
    """Both hang on one converter. Of one polarity levels are known to 0.1 V only, and err with the supply: by itself it
    would rise by two fifths of what it should; what it errs by still moves the lag of both, and the ratios by 7 %."""
    rng = np.random.default_rng(1)
    seen = {}
    for side, one in sides.items():
        stops_v = RATIO * one.supply_at(1.0) - LOSS_V
        flat = replace(one, now_v=None, tilt_v_per_s=np.zeros(len(stops_v)))
        seen[side] = replace(flat, level_v=stops_v + 0.005 * rng.standard_normal(len(stops_v)))
        errs_v = 0.1 * rng.standard_normal(len(stops_v)) - 0.6 * (stops_v - np.median(stops_v))
        if side == "negative":
            alone = fit_ceilings({side: replace(flat, level_v=stops_v + errs_v)})[side]
            seen[side] = replace(flat, level_v=stops_v + errs_v)
    fits = fit_ceilings(seen)
    assert alone.ratio < 0.45 * RATIO
    assert fits["positive"].ratio == pytest.approx(RATIO, rel=0.07)
    assert fits["negative"].ratio > 0.6 * RATIO
    assert (fits["positive"].lag, fits["positive"].load) == (fits["negative"].lag, fits["negative"].load)


def test_the_mean_supply_is_that_between_two_moments() -> None:
    """A supply that ripples by 1 V at 100 Hz, over flats of 0.6 to 6 ms; its integral is known in closed form."""
    rate_hz, omega = 25_000.0, 2 * np.pi * 100 / 25_000.0
    at = np.arange(50_000)
    supply_v = 12 + np.sin(omega * at)
    means = LaggedMeans(Stretch(rate_hz, 0, 0.0, 0, len(at), True, True, np.zeros(len(at), np.float32), supply_v))
    rng = np.random.default_rng(3)
    start = rng.uniform(100, 49_000, 300)
    stop = start + rng.uniform(15, 150, 300)
    wanted_v = 12 - (np.cos(omega * stop) - np.cos(omega * start)) / (omega * (stop - start))
    assert np.abs(means.mean_supply(start, stop) - wanted_v).max() < 0.005
