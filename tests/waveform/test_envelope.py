"""Envelopes: exact figures, NaN at gaps, bounded memory, no trace of windows."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.waveform.envelope import EnvelopeBuilder


def build(volts, rate_hz, step_s, window_s, lost=(), **options):
    builder = EnvelopeBuilder("output", step_s, **options)
    for window in iter_windows_from_arrays({"output": volts}, rate_hz, window_s=window_s, lost=lost):
        builder.push(window.traces["output"])
    return builder.finish()


@pytest.mark.parametrize("step_s", [0.01, 0.0123, 1 / 16000])
@pytest.mark.parametrize("window_s", [0.1, 1.0, 10.0])
def test_every_step_holds_its_samples(step_s, window_s):
    rng = np.random.default_rng(1)
    volts = rng.standard_normal(20_000).astype(np.float32)
    envelope = build(volts, 8000.0, step_s, window_s)
    step = np.floor((np.arange(20_000) + 1e-6) / (step_s * 8000)).astype(int)
    assert len(envelope.lowest) == int(np.ceil(2.5 / step_s - 1e-6))
    for k in rng.integers(0, step[-1], 200):
        mine = volts[step == k].astype(float)
        if len(mine) == 0:
            assert np.isnan(envelope.rms[k])
            continue
        assert envelope.lowest[k] == mine.min().astype(np.float32)
        assert envelope.highest[k] == mine.max().astype(np.float32)
        assert envelope.rms[k] == pytest.approx(np.sqrt(np.mean(mine**2)), rel=1e-5)


def test_a_gap_is_nan_and_its_neighbours_are_right():
    """12.20 V right up to a 0.3 s gap, nothing in it."""
    volts = np.full(16_000, 12.2, dtype=np.float32)
    envelope = build(volts, 8000.0, 0.01, 1.0, lost=[(8004, 10_404)])
    missing = np.isnan(envelope.lowest)
    np.testing.assert_array_equal(np.flatnonzero(missing), np.arange(101, 130))
    for values in (envelope.lowest, envelope.highest, envelope.rms):
        np.testing.assert_allclose(values[~missing], 12.2, atol=1e-5)
        assert np.isnan(values[missing]).all()


def test_memory_is_bounded_by_coarser_steps_that_hold_the_same_samples():
    rng = np.random.default_rng(2)
    volts = rng.standard_normal(80_000).astype(np.float32)
    fine = build(volts, 8000.0, 0.01, 1.0)
    coarse = build(volts, 8000.0, 0.01, 0.7, max_steps=100)
    assert coarse.step_s == pytest.approx(0.16)
    assert len(coarse.lowest) == 63
    pairs = np.append(fine.lowest, np.full(8, np.nan, dtype=np.float32)).reshape(-1, 16)
    np.testing.assert_array_equal(coarse.lowest, np.nanmin(pairs, axis=1))
    power = np.append(fine.rms.astype(float) ** 2, np.full(8, np.nan)).reshape(-1, 16)
    np.testing.assert_allclose(coarse.rms, np.sqrt(np.nanmean(power, axis=1)), rtol=1e-5)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="step_s"):
        EnvelopeBuilder("output", 0.0)
