"""Spectra of quiet outputs: against a plain computation, closed forms, and their limits."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.waveform.noise_lines import measure_quiet

RATE_HZ = 8000.0


def made(seed: int, seconds: float = 10.0):  # type: ignore[no-untyped-def]
    """Noise of 20 mV, a line of 12 mV rms at 312.4 Hz that the supply's 50 mV shares, one of 8 mV at 1234 Hz alone."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    whine = np.sqrt(2) * np.sin(2 * np.pi * 312.4 * time_s)
    alone = np.sqrt(2) * np.sin(2 * np.pi * 1234.0 * time_s)
    output = 0.3 + 0.02 * rng.standard_normal(len(time_s)) + 0.012 * whine + 0.008 * alone
    supply = 14.2 + 0.002 * rng.standard_normal(len(time_s)) + 0.05 * whine
    return output, supply


def test_lines_floor_and_offset_are_those_that_were_made() -> None:
    output, supply = made(1)
    quiet = measure_quiet(output, supply, RATE_HZ)
    assert len(quiet.lines) == 2
    strong, weak = quiet.lines
    assert strong.frequency_hz == pytest.approx(312.4, abs=0.15)
    assert strong.level_v == pytest.approx(0.012, rel=0.05)
    assert strong.supply_v == pytest.approx(0.05, rel=0.05)
    assert strong.shared is not None
    assert strong.shared > 0.9
    assert weak.level_v == pytest.approx(0.008, rel=0.05)
    assert weak.shared is not None
    assert weak.shared < 0.5
    share = (quiet.band_hz[1] - quiet.band_hz[0]) / (RATE_HZ / 2)
    assert quiet.floor_v == pytest.approx(0.02 * np.sqrt(share), rel=0.03)
    assert quiet.offset_v == pytest.approx(0.3, abs=0.001)
    assert quiet.ripple_hz[0] == pytest.approx(312.4, abs=0.15)


def test_spectrum_and_coherence_against_a_plain_computation() -> None:
    """The same pieces, window and averages written out with numpy.fft alone (Welch 1967; definition of coherence)."""
    output, supply = made(2)
    n = round(RATE_HZ)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    starts = range(0, len(output) - n + 1, n // 2)

    def pieces(x: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
        return np.array([np.fft.rfft(window * (x[a : a + n] - x[a : a + n].mean())) for a in starts])

    a, b = pieces(output), pieces(supply)
    k = 312
    shared = np.abs(np.mean(a[:, k] * np.conj(b[:, k]))) ** 2 / (
        np.mean(np.abs(a[:, k]) ** 2) * np.mean(np.abs(b[:, k]) ** 2)
    )
    quiet = measure_quiet(output, supply, RATE_HZ)
    assert quiet.n_pieces == len(starts)
    assert quiet.lines[0].shared == pytest.approx(float(shared), rel=1e-9)
    density = 2 * np.mean(np.abs(a) ** 2, axis=0) / (RATE_HZ * np.sum(window**2))
    band = (np.arange(len(density)) >= quiet.band_hz[0]) & (np.arange(len(density)) <= quiet.band_hz[1])
    assert quiet.total_v == pytest.approx(float(np.sqrt(density[band].sum())), rel=1e-9)


def test_pure_noise_has_no_lines() -> None:
    rng = np.random.default_rng(3)
    n_lines = [len(measure_quiet(rng.standard_normal(80_000), None, RATE_HZ).lines) for _ in range(20)]
    assert sum(n_lines) <= 1  # 20 spectra of 3400 bins


def test_misuse() -> None:
    with pytest.raises(ValueError, match="too short"):
        measure_quiet(np.zeros(1000), None, RATE_HZ)
    with pytest.raises(ValueError, match="same scans"):
        measure_quiet(np.zeros(80_000), np.zeros(70_000), RATE_HZ)
