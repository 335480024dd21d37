"""Stretches cut from windows of any length: the same samples, in memory of their own."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.table import clip_stream
from ampwitness.detect.clips.table.clip_stream import LaggedMeans, SegmentStream, Stretch

RATE_HZ, START_S = 1000.0, 3.25


@pytest.fixture(autouse=True)
def short_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clip_stream, "STRETCH_S", 8.0)


def stretches(n: int, piece: int) -> list[Stretch]:
    rng = np.random.default_rng(5)
    output = rng.standard_normal(n).astype(np.float32)
    supply = (12 + rng.standard_normal(n)).astype(np.float32)
    stream = SegmentStream(RATE_HZ, START_S, True)
    found = []
    for at in range(0, n, piece):
        found += stream.push(output[at : at + piece], supply[at : at + piece])
    return [*found, *stream.finish()]


@pytest.mark.parametrize("piece", [40, 1000, 60_000])
def test_stretches_hold_the_same_samples_however_they_came(piece: int) -> None:
    wanted, found = stretches(30_500, 30_500), stretches(30_500, piece)
    assert len(found) == 5
    for one, other in zip(found, wanted, strict=True):
        assert (one.first_index, one.own_first, one.own_last) == (other.first_index, other.own_first, other.own_last)
        assert np.array_equal(one.output_v, other.output_v)
        assert one.supply_v is not None
        assert other.supply_v is not None
        assert np.array_equal(one.supply_v, other.supply_v)
    own = [stretch.output_v[stretch.own_first : stretch.own_last] for stretch in found]
    rng = np.random.default_rng(5)
    assert np.array_equal(np.concatenate(own), rng.standard_normal(30_500).astype(np.float32))


def test_a_stretch_that_waits_holds_no_more_than_its_own_samples() -> None:
    for stretch in stretches(30_500, 6000):
        for volts in (stretch.output_v, stretch.supply_v):
            assert volts is not None
            assert volts.base is None
            assert len(volts) <= round((8.0 + 2 * clip_stream.MARGIN_S) * RATE_HZ)


def test_lagged_means_are_those_of_the_samples() -> None:
    stretch = stretches(9_000, 9_000)[0]
    at = np.array([700, 2500, 2501, 4000])
    supply, _ = LaggedMeans(stretch).at(at.astype(float))
    assert stretch.supply_v is not None
    for lag, lag_s in enumerate(clip_stream.SUPPLY_LAGS_S):
        n_back = int(np.ceil(clip_stream.TIME_CONSTANTS * max(clip_stream.SUPPLY_LAGS_S) * RATE_HZ))
        weights = np.exp(-np.arange(n_back) / (lag_s * RATE_HZ))
        for row, sample in enumerate(at.tolist()):
            ends = [
                float(np.sum(weights * stretch.supply_v[sample - k - n_back + 1 : sample - k + 1][::-1]))
                for k in (1, 0)
            ]
            assert supply[row, lag] == pytest.approx(np.mean(ends) / weights.sum(), abs=1e-9)
