"""Rails with a store of their own that a note empties: neither regulation nor the supply, and told from both."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.event_signals import MODEL_RATE_HZ
from ampwitness.bench.supply_network_cases import NetworkCase, network_case
from ampwitness.detect.clips.cause.ceiling_fit import LOADS, CeilingFit, Plateaus, to_loads
from ampwitness.detect.clips.cause.ceiling_knee import fit_ceilings
from ampwitness.detect.clips.table.clip_stream import LaggedMeans, Stretch, lagged_rms


def _ceilings_of(case: NetworkCase) -> dict[str, CeilingFit]:
    """What the true ceilings of a case's clips say beside its logged volts, 10 mV off; tilts, which would tell too, are
    kept from it."""
    rng = np.random.default_rng(1)
    n = len(case.volts["output"])
    output_v = np.asarray(case.volts["output"], dtype=np.float32)
    stretch = Stretch(case.rate_hz, 0, 0.0, 0, n, True, True, output_v, case.volts["supply"])
    sides = {}
    for side, ceiling_v in (("positive", case.run.ceiling_v), ("negative", case.run.negative_ceiling_v)):
        clips = [clip for clip in case.truth.clips if clip.polarity == side]
        start_s, stop_s = (np.array([getattr(clip, name) for clip in clips]) for name in ("start_s", "stop_s"))
        middle_s = (start_s + stop_s) / 2
        level_v = ceiling_v[np.round(middle_s * MODEL_RATE_HZ).astype(int)] + 0.01 * rng.standard_normal(len(clips))
        middle = middle_s * case.rate_hz
        supply_v, size_v = LaggedMeans(stretch).at(middle)
        loads = to_loads(level_v, size_v, lagged_rms(stretch, middle))
        sides[side] = Plateaus(level_v, np.zeros(len(clips)), stop_s - start_s, supply_v, loads)
    return fit_ceilings(sides)


def test_supply_and_load_of_a_store_are_asked_for_at_its_own_lag() -> None:
    """Its time constant is 7.5 ms, between the second and third of the lags: what lies between two exponential means is
    not quite one, it is nearest at 1.82. What sunken rails give takes more current for the same power: they sink by a
    few per cent more than in step with the supply."""
    case = network_case(97102, 10.0)
    fits = _ceilings_of(case)
    assert set(fits) == {"positive", "negative"}
    for fit in fits.values():
        assert fit.kind == "follows supply"
        assert fit.lag == pytest.approx(1.82, abs=0.1)
        assert fit.ratio / case.amplifier.ratio == pytest.approx(1.06, abs=0.03)
        assert LOADS[fit.load] == "square"
        assert fit.spread_v < 0.014


def test_both_polarities_of_one_converter_have_one_lag_and_one_load() -> None:
    """With what outputs lose as a share of their level, not in volts, both stood at 1.2 of the converter's ratio."""
    case = network_case(42, 10.0)
    positive, negative = (_ceilings_of(case)[side] for side in ("positive", "negative"))
    assert (positive.lag, LOADS[positive.load]) == (negative.lag, LOADS[negative.load])
    assert LOADS[positive.load] == "square"
    assert 1.0 < positive.lag < 1.25
    for fit in (positive, negative):
        assert fit.ratio / case.amplifier.ratio == pytest.approx(1.06, abs=0.045)


def test_a_level_that_stands_is_found_under_the_droop_of_an_own_store() -> None:
    """Rails are regulated above 11.71 V, and sink by 4.5 per cent under a full sine."""
    case = network_case(4)
    knee_v = case.amplifier.regulated_v / case.amplifier.ratio
    for fit in _ceilings_of(case).values():
        assert fit.kind == "regulated until the supply is too low"
        assert fit.knee_v == pytest.approx(knee_v, abs=0.04)


def test_lagged_squares_end_with_the_plateau() -> None:
    """A tone's root mean square over many of its periods, and what it was ahead of a change."""
    rate_hz = 8000.0
    time_s = np.arange(round(rate_hz)) / rate_hz
    output_v = np.where(time_s < 0.5, 10.0, 20.0) * np.sin(2 * np.pi * 400 * time_s)
    stretch = Stretch(rate_hz, 0, 0.0, 0, len(time_s), True, True, output_v.astype(np.float32), None)
    early, change, late = lagged_rms(stretch, np.array([0.499, 0.51, 0.999]) * rate_hz)
    assert early[1:] == pytest.approx(10 / np.sqrt(2), rel=0.02)
    assert late[1:] == pytest.approx(20 / np.sqrt(2), rel=0.02)
    lagged_v2 = 200 - 150 * np.exp(-0.01 / np.array([0.003, 0.01, 0.03]))
    assert change[1:] == pytest.approx(np.sqrt(lagged_v2), rel=0.06)
