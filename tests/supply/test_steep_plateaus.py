"""A bad ground: the supply falls within the very half-cycle that is cut off, and the ceiling with it.

The amplifier here is the textbook's: a supply behind a resistance, a ceiling in proportion to that supply behind a
first-order filter, a current that is the output's power over an efficiency.
"""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.cause import ceiling_knee
from ampwitness.detect.clips.cause.ceiling_fit import Plateaus, to_loads
from ampwitness.detect.clips.cause.ceiling_knee import fit_ceilings
from ampwitness.detect.clips.cause.lag_between import bend_s, filter_between, to_lag_s
from ampwitness.detect.clips.table.clip_stream import SUPPLY_LAGS_S, LaggedMeans, Stretch, lagged_rms
from ampwitness.types import FloatArray

RATE_HZ, OPEN_V, SOURCE_OHM, LOAD_OHM, EFFICIENCY, RATIO, LAG_S = 8000.0, 12.5, 0.049, 2.0, 0.72, 2.85, 0.004
FEWEST_SAMPLES = 5


def _play(seconds: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """(n,) wanted output, output, supply, ceiling: bass notes of 36 to 70 Hz that die away, driven into clipping."""
    rng = np.random.default_rng(11)
    n = round(seconds * RATE_HZ)
    wanted = np.zeros(n)
    for first in range(0, n, round(0.5 * RATE_HZ)):
        at_s = np.arange(min(round(0.45 * RATE_HZ), n - first)) / RATE_HZ
        turns = 2 * np.pi * rng.uniform(36, 70) * at_s
        tone = np.sin(turns) + 0.3 * np.sin(2 * turns + rng.uniform(0, 6)) + 0.1 * np.sin(3 * turns)
        wanted[first : first + len(at_s)] = rng.uniform(25, 48) * tone * np.minimum(1, at_s / 0.01) * np.exp(-at_s)
    output, supply, ceiling = (np.zeros(n) for _ in range(3))
    lagged_v, supply_v = OPEN_V, OPEN_V
    for k in range(n):
        lagged_v += (supply_v - lagged_v) * (1 - np.exp(-1 / RATE_HZ / LAG_S))
        ceiling[k] = RATIO * lagged_v
        output[k] = np.clip(wanted[k], -ceiling[k], ceiling[k])
        power_w = output[k] ** 2 / LOAD_OHM / EFFICIENCY
        supply_v = OPEN_V / 2 + np.sqrt(max(OPEN_V**2 / 4 - power_w * SOURCE_OHM, 0.0))  # power at the far end
        supply[k] = supply_v
    return wanted, output, supply, ceiling


def _to_sides(wanted: FloatArray, output: FloatArray, supply: FloatArray, ceiling: FloatArray) -> dict[str, Plateaus]:
    """Each flat as a straight line through it, 10 mV off."""
    rng = np.random.default_rng(2)
    n = len(output)
    stretch = Stretch(RATE_HZ, 0, 0.0, 0, n, True, True, output.astype(np.float32), supply)
    sides = {}
    for side, sign in (("positive", 1.0), ("negative", -1.0)):
        is_flat = np.concatenate(([False], sign * wanted > ceiling, [False]))
        edges = np.flatnonzero(np.diff(is_flat.astype(int))).reshape(-1, 2)
        edges = edges[np.diff(edges, axis=1)[:, 0] >= FEWEST_SAMPLES]
        lines = [np.polyfit(np.arange(a, b) - (a + b - 1) / 2, ceiling[a:b], 1) for a, b in edges]
        tilt, level_v = np.array(lines).T
        level_v = level_v + 0.01 * rng.standard_normal(len(level_v))
        middle = edges.mean(axis=1) - 0.5
        supply_v, size_v = LaggedMeans(stretch).at(middle)
        loads = to_loads(level_v, size_v, lagged_rms(stretch, middle))
        flat_s = (edges[:, 1] - edges[:, 0]) / RATE_HZ
        sides[side] = Plateaus(level_v, tilt * RATE_HZ, flat_s, supply_v, loads)
    return sides


def test_a_ceiling_that_falls_within_the_half_cycle_follows_its_supply(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plateaus fall by volts within milliseconds. Their tilt is the lagged supply's own course: asked for beside it, it
    took the place of what the supply explains. Left out, the ratio comes out an eighth low: the blocks are coarse."""
    sides = _to_sides(*_play(8.0))
    fits = fit_ceilings(sides)
    assert set(fits) == {"positive", "negative"}
    for fit in fits.values():
        assert fit.kind == "follows supply"
        assert np.isinf(fit.knee_v)
        assert fit.ratio == pytest.approx(RATIO, rel=0.15)
        assert to_lag_s(fit.lag) == pytest.approx(LAG_S, rel=0.25)
    monkeypatch.setattr(ceiling_knee, "mark_steep", dict)
    others = fit_ceilings(sides).values()
    assert all(fit.ratio < 0.5 * RATIO for fit in others)


def test_a_filter_between_the_known_lags_passes_ripple_as_one() -> None:
    """Of 100 Hz, twice a note's 50 Hz, against the filter of that time constant run sample by sample; halfway in time
    between two means a sixth of the ripple was missed."""
    n = round(2 * RATE_HZ)
    ripple = 12.0 + np.sin(2 * np.pi * 100 * np.arange(n) / RATE_HZ)
    stretch = Stretch(RATE_HZ, 0, 0.0, 0, n, True, True, np.zeros(n, dtype=np.float32), ripple)
    at = np.arange(round(RATE_HZ), round(RATE_HZ) + 800, dtype=float)
    lagged, _ = LaggedMeans(stretch).at(at)
    for place in (1.0, 1.14, 1.5, 2.0, 3.0):
        after = 1 / (1 + 2j * np.pi * 100 * to_lag_s(place))
        expected = 12.0 + np.imag(after * np.exp(2j * np.pi * 100 * at / RATE_HZ))
        assert np.max(np.abs(filter_between(lagged, place) - expected)) < 0.045
    assert filter_between(np.full((1, len(SUPPLY_LAGS_S)), 12.5), 1.3) == pytest.approx([12.5], abs=1e-4)


def test_a_plateaus_middle_is_reckoned_from_its_mean_and_tilt() -> None:
    """Of an exponential, as a first-order filter draws it towards a supply that stands."""
    for flat_s in (0.0005, 0.003, 0.008):
        time_s = np.linspace(-flat_s / 2, flat_s / 2, 2001)
        level_v = 25.0 + 6.0 * np.exp(-time_s / 0.004)
        tilt, mean_v = np.polyfit(time_s, level_v, 1)
        assert mean_v + tilt * bend_s(np.array([flat_s]), 1 + 1 / 7)[0] == pytest.approx(31.0, abs=0.01)
