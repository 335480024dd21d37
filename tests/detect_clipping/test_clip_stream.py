"""Stretches cut from windows of any length: the same samples, in memory of their own."""

from __future__ import annotations

from dataclasses import replace

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


def test_a_stream_holds_none_of_a_stretch_that_it_has_given_out() -> None:
    stream = SegmentStream(RATE_HZ, START_S, True)
    volts = np.zeros(30_500, dtype=np.float32)
    n_seen = 0
    for at in range(0, len(volts), 500):
        for _ in stream.push(volts[at : at + 500], volts[at : at + 500]):
            n_seen += 1
            for pieces in (stream._output, stream._supply):
                assert sum(map(len, pieces)) <= round(2 * clip_stream.MARGIN_S * RATE_HZ) + 500
    assert n_seen == 4


def test_what_a_waiting_stretch_lets_go_of_is_made_again() -> None:
    stretch = stretches(9_000, 9_000)[0]
    means = LaggedMeans(stretch)
    many, start = np.arange(300.0, 8_000.0), np.arange(300.0, 8_000.0, 7.3)
    before = [*means.at(many), means.mean_supply(start, start + 5.2)]
    tables = [table for table in (means._lagged_size, means._lagged_supply) if table is not None]
    assert all(table._every is not None for table in tables)
    means.forget_sums()
    assert len(tables) == 2
    assert all(table._every is None for table in tables)
    again = [*means.at(many), means.mean_supply(start, start + 5.2)]
    for one, other in zip(before, again, strict=True):
        assert np.array_equal(one, other)
    few, _ = means.at(many[::500])  # by chunks, as what is asked for later
    np.testing.assert_allclose(few, before[0][::500], rtol=1e-9)


def test_mean_supply_is_that_of_the_blocks_between() -> None:
    stretch = replace(stretches(9_000, 9_000)[0], rate_hz=8 * RATE_HZ)  # two samples a fine block
    assert stretch.supply_v is not None
    fine = clip_stream.block_means(stretch.supply_v, 2).astype(np.float64)
    sums = np.concatenate(([0.0], np.cumsum(fine)))
    start = np.arange(100.0, 5_000.0, 13.7)
    low, high = (start + 0.5) / 2, (start + 9.9 + 0.5) / 2
    wanted = (np.interp(high, np.arange(len(sums)), sums) - np.interp(low, np.arange(len(sums)), sums)) / (high - low)
    np.testing.assert_allclose(LaggedMeans(stretch).mean_supply(start, start + 9.9), wanted, rtol=1e-6)


@pytest.mark.parametrize("change", [np.abs, np.square])
@pytest.mark.parametrize("n", [7, 8_000, 8 * (3 << 15) + 13])
def test_means_made_part_by_part_are_those_of_all(change: np.ufunc, n: int) -> None:
    volts = np.random.default_rng(6).standard_normal(n).astype(np.float32)
    made = clip_stream._means_of_changed(change, volts, 8)
    assert np.array_equal(made, clip_stream.block_means(change(volts), 8))


def test_sums_of_short_rows_are_those_of_numpy_bit_by_bit() -> None:
    """Else findings would hang on how the supply's blocks are added up."""
    table = (12 + np.random.default_rng(7).standard_normal((5000, clip_stream.FINE_IN_ROW))).astype(np.float32)
    assert np.array_equal(clip_stream._sums_of_rows(table), table.sum(axis=1))
