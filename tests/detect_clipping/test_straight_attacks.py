"""Notes whose attack rises along a straight line and ends at a crest: that crest bends once, and is not clipped."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from scipy import signal

RATE_HZ = 8000.0


@pytest.mark.parametrize("seed", [1, 2])  # 2 and 3 false clips where such crests could found a ceiling
def test_attacks_that_end_at_a_crest_make_no_ceiling(seed: int) -> None:
    rng = np.random.default_rng([881, seed])
    n, n_fine = round(10 * RATE_HZ), 6
    output_v = np.zeros(n * n_fine)
    for at_s in np.arange(0.2, 9.6, 0.3):
        hz, lasts_s = float(rng.uniform(52, 70)), 0.25
        since_s = np.arange(round(lasts_s * RATE_HZ * n_fine)) / (RATE_HZ * n_fine)
        ends = np.minimum(since_s / 0.004, 1) * np.minimum((lasts_s - since_s) / 0.02, 1)
        first = round(at_s * RATE_HZ * n_fine)
        output_v[first : first + len(since_s)] += np.sin(2 * np.pi * hz * since_s) * ends
    output_v = output_v.reshape(n, n_fine).mean(axis=1) * 28.0
    volts = {"output": output_v + rng.normal(0, 0.035, n), "supply": 12.6 + rng.normal(0, 0.005, n)}
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    assert len(detector.finish().findings) == 0


@pytest.mark.parametrize("seed", [1, 3, 9])  # 9 to 36 false clips where tips were tops
def test_tips_of_triangles_are_no_tops(seed: int) -> None:
    rng = np.random.default_rng([883, seed])
    n, n_fine = round(8 * RATE_HZ), 6
    output_v = np.zeros(n * n_fine)
    for at_s in np.arange(0.1, 7.4, 0.4):
        hz = float(rng.choice([32.7, 41.2, 55, 61.7, 73.4, 98]))
        since_s = np.arange(round(0.38 * RATE_HZ * n_fine)) / (RATE_HZ * n_fine)
        wave = 2 / np.pi * np.arcsin(np.sin(2 * np.pi * hz * since_s))
        ends = np.minimum(since_s / 0.003, 1) * np.minimum((0.38 - since_s) / 0.005, 1)
        first = round(at_s * RATE_HZ * n_fine)
        output_v[first : first + len(since_s)] += float(rng.choice([20.0, 32.0])) * wave * ends
    output_v = output_v.reshape(n, n_fine).mean(axis=1)
    volts = {"output": output_v + rng.normal(0, 0.035, n), "supply": 12.6 + rng.normal(0, 0.005, n)}
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    assert len(detector.finish().findings) == 0


@pytest.mark.parametrize("seed", [1, 7, 18])  # 1 to 7 false clips where such tips stood alone or under each other
def test_tips_of_rounded_saws_are_no_tops(seed: int) -> None:
    rng = np.random.default_rng([887, seed])
    n, n_fine = round(8 * RATE_HZ), 6
    output_v = np.zeros(n * n_fine)
    for at_s in np.arange(0.1, 7.4, 0.4):
        hz = float(rng.choice([32.7, 41.2, 55, 61.7, 73.4, 98]))
        since_s = np.arange(round(0.38 * RATE_HZ * n_fine)) / (RATE_HZ * n_fine)
        wave = signal.sawtooth(2 * np.pi * hz * since_s + float(rng.uniform(0, 6)))
        rounded = signal.sosfilt(
            signal.butter(2, float(rng.uniform(150, 600)), fs=RATE_HZ * n_fine, output="sos"), wave
        )
        ends = np.minimum(since_s / 0.003, 1) * np.minimum((0.38 - since_s) / 0.005, 1)
        first = round(at_s * RATE_HZ * n_fine)
        output_v[first : first + len(since_s)] += float(rng.uniform(14.0, 32.0)) * rounded * ends
    output_v = output_v.reshape(n, n_fine).mean(axis=1)
    volts = {"output": output_v + rng.normal(0, 0.035, n), "supply": 12.6 + rng.normal(0, 0.005, n)}
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    assert len(detector.finish().findings) == 0
