"""Interpolation and peak against closed forms and outside figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.types import Segment
from ampwitness.waveform.bandlimited import HALF_TAPS, interpolate, peak, under_read_db
from scipy.signal import resample_poly


@pytest.mark.parametrize(
    ("f_norm", "factor", "expected_db"),
    [
        # Rec. ITU-R BS.1770-5 Annex 2 formula 20 lg cos(pi f/n), figures as quoted by several repositories, recomputed
        (0.45, 4, 0.554),
        (0.5, 4, 0.688),
        (0.45, 8, 0.136),
        (0.5, 8, 0.169),
        (0.45, 16, 0.034),
        (0.5, 16, 0.042),
        (0.45, 32, 0.009),
    ],
)
def test_under_read_is_the_published_formula(f_norm, factor, expected_db):
    assert under_read_db(f_norm * 8000, 8000, factor) == pytest.approx(expected_db, abs=6e-4)


@pytest.mark.parametrize(
    ("hz", "rate_hz", "expected_db"),
    # the same formula on samples themselves, recomputed: 40 Hz at 1 and 5 kS/s, 1 kHz at 5, 8, 10, 20, 40 kS/s
    [(40, 1000, 0.069), (40, 5000, 0.003), (1000, 5000, 1.84), (1000, 8000, 0.688), (1000, 20000, 0.108)],
)
def test_samples_alone_under_read_as_the_formula_says_and_the_peak_does_not(hz, rate_hz, expected_db):
    worst_samples_db, worst_peak_db = 0.0, 0.0
    for phase in np.linspace(0, 2 * np.pi, 41):
        # exactly at the worst place: samples to either side of the crest
        t = np.arange(4000) / rate_hz
        volts = np.cos(2 * np.pi * hz * t + phase)
        inside = volts[HALF_TAPS:-HALF_TAPS]
        worst_samples_db = max(worst_samples_db, -20 * math.log10(np.abs(inside).max()))
        found = peak(Segment(0.0, rate_hz, volts), 8, hz)
        worst_peak_db = max(worst_peak_db, abs(20 * math.log10(abs(found.peak_v))))
        assert found.under_read_db == pytest.approx(under_read_db(hz, rate_hz, 8))
    assert worst_samples_db <= expected_db + 6e-3
    assert worst_peak_db <= under_read_db(hz, rate_hz, 8) + 1e-3


def test_worst_case_is_reached_and_not_exceeded():
    """At 0.4 of the rate and factor 4 a half-cycle is five points: half a point off, every crest is at the worst."""
    rate_hz, factor, hz = 8000.0, 4, 3200.0
    bound = under_read_db(hz, rate_hz, factor)
    seen = []
    for off in np.linspace(0, 1, 21):
        volts = np.cos(2 * np.pi * hz / rate_hz * (np.arange(2000) - off / factor))
        found = peak(Segment(0.0, rate_hz, volts), factor, hz)
        assert found.under_read_db == pytest.approx(bound)
        seen.append(-20 * math.log10(abs(found.peak_v)))
    assert max(seen) == pytest.approx(bound, abs=1e-3)
    assert seen[0] == pytest.approx(0.0, abs=1e-3)


def test_tone_at_a_quarter_of_the_rate_at_45_degrees():
    """Reads 3.01 dB low on samples; ffmpeg ebur128 reads -6.0 for 0.5 x sin, scipy resample_poly x4 -6.006."""
    t = np.arange(4800) / 48000
    volts = 0.5 * np.sin(2 * np.pi * 12000 * t + np.pi / 4)
    assert 20 * math.log10(np.abs(volts).max()) == pytest.approx(-9.03, abs=0.01)
    assert 20 * math.log10(abs(peak(Segment(0.0, 48000.0, volts), 4).peak_v)) == pytest.approx(-6.02, abs=0.01)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("n", [2000, 64, 65, 49, 48, 47, 3, 1])
def test_interpolation_is_exact_inside_and_silent_at_the_ends(n, dtype):
    factor, rng = 5, np.random.default_rng(n)
    tones = [(rng.uniform(0.3, 1), f, rng.uniform(0, 6)) for f in (0.01, 0.13, 0.31, 0.425)]  # of the rate

    def truth(x):
        return sum(a * np.sin(2 * np.pi * f * x + p) for a, f, p in tones)

    volts = truth(np.arange(n)).astype(dtype)
    points = interpolate(volts, factor)
    assert points.dtype == dtype
    assert len(points) == (n - 1) * factor + 1
    np.testing.assert_array_equal(points[::factor], volts)
    between = np.arange(len(points)) % factor != 0
    at = np.arange(len(points)) / factor
    complete = (np.floor(at) >= HALF_TAPS - 1) & (np.floor(at) < n - HALF_TAPS)
    assert np.isnan(points[between & ~complete]).all()
    np.testing.assert_allclose(points[complete], truth(at)[complete], atol=4e-4)


def test_agrees_with_scipy():
    rng = np.random.default_rng(3)
    spectrum = np.zeros(1025, dtype=complex)
    spectrum[1:500] = rng.standard_normal(499) + 1j * rng.standard_normal(499)
    volts = np.fft.irfft(spectrum)
    ours, theirs = interpolate(volts, 4), resample_poly(volts, 4, 1, window=("kaiser", 12.0))
    middle = slice(400, -400)
    np.testing.assert_allclose(ours[middle], theirs[: len(ours)][middle], atol=0.01 * volts.std())


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="factor"):
        interpolate(np.zeros(5), 0)
    with pytest.raises(ValueError, match="peak"):
        peak(Segment(0.0, 8000.0, np.zeros(0)))
