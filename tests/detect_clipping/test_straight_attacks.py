"""Notes whose attack rises along a straight line and ends at a crest: that crest bends once, and is not clipped."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import FloatArray
from scipy import signal

RATE_HZ, N_FINE = 8000.0, 6  # samples of a model to each of the logger
LOW_NOTES_HZ = [32.7, 41.2, 55, 61.7, 73.4, 98]


def n_clips(
    rng: np.random.Generator, seconds: float, starts_s: FloatArray, lasts_s: float,
    note: Callable[[FloatArray], FloatArray],
) -> int:  # fmt: skip
    """Clips told of notes; `note` gives volts, (n,), of times since the beginning of one."""
    n = round(seconds * RATE_HZ)
    output_v = np.zeros(n * N_FINE)
    since_s = np.arange(round(lasts_s * RATE_HZ * N_FINE)) / (RATE_HZ * N_FINE)
    for at_s in starts_s:
        first = round(at_s * RATE_HZ * N_FINE)
        output_v[first : first + len(since_s)] += note(since_s)
    output_v = output_v.reshape(n, N_FINE).mean(axis=1)
    volts = {"output": output_v + rng.normal(0, 0.035, n), "supply": 12.6 + rng.normal(0, 0.005, n)}
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    return len(detector.finish().findings)


def ends(since_s: FloatArray, rise_s: float, fall_s: float) -> FloatArray:
    """(n,) straight rise and fall of a note."""
    return np.asarray(np.minimum(since_s / rise_s, 1) * np.minimum((since_s[-1] - since_s) / fall_s, 1))


@pytest.mark.parametrize("seed", [1, 2])  # 2 and 3 false clips where such crests could found a ceiling
def test_attacks_that_end_at_a_crest_make_no_ceiling(seed: int) -> None:
    rng = np.random.default_rng([881, seed])

    def note(since_s: FloatArray) -> FloatArray:
        hz = float(rng.uniform(52, 70))
        return np.asarray(28.0 * np.sin(2 * np.pi * hz * since_s) * ends(since_s, 0.004, 0.02))

    assert n_clips(rng, 10.0, np.arange(0.2, 9.6, 0.3), 0.25, note) == 0


@pytest.mark.parametrize("seed", [1, 3, 9])  # 9 to 36 false clips where tips were tops
def test_tips_of_triangles_are_no_tops(seed: int) -> None:
    rng = np.random.default_rng([883, seed])

    def note(since_s: FloatArray) -> FloatArray:
        wave = 2 / np.pi * np.arcsin(np.sin(2 * np.pi * float(rng.choice(LOW_NOTES_HZ)) * since_s))
        return np.asarray(float(rng.choice([20.0, 32.0])) * wave * ends(since_s, 0.003, 0.005))

    assert n_clips(rng, 8.0, np.arange(0.1, 7.4, 0.4), 0.38, note) == 0


@pytest.mark.parametrize("seed", [1, 7, 18])  # 1 to 7 false clips where such tips stood alone or under each other
def test_tips_of_rounded_saws_are_no_tops(seed: int) -> None:
    rng = np.random.default_rng([887, seed])

    def note(since_s: FloatArray) -> FloatArray:
        hz, phase = float(rng.choice(LOW_NOTES_HZ)), float(rng.uniform(0, 6))
        low_pass = signal.butter(2, float(rng.uniform(150, 600)), fs=RATE_HZ * N_FINE, output="sos")
        rounded = signal.sosfilt(low_pass, signal.sawtooth(2 * np.pi * hz * since_s + phase))
        return np.asarray(float(rng.uniform(14.0, 32.0)) * rounded * ends(since_s, 0.003, 0.005))

    assert n_clips(rng, 8.0, np.arange(0.1, 7.4, 0.4), 0.38, note) == 0
