"""Small numerics of our own, held to the library that a report does without."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.bent.clip_coupled import _quick_length
from ampwitness.detect.cutouts.cutout_candidates import highest_of_last
from ampwitness.waveform.adc_correction import _normal_shares
from scipy import fft
from scipy.ndimage import maximum_filter1d
from scipy.special import ndtr


@pytest.mark.parametrize("n", [1, 3, 5, 31, 99])
def test_the_highest_of_the_last_few(n: int) -> None:
    values = np.random.default_rng(n).normal(size=300).astype(np.float32)
    want = maximum_filter1d(values, n, mode="nearest", origin=n // 2)
    np.testing.assert_array_equal(highest_of_last(values, n), want)


def test_quick_lengths_are_products_of_small_primes() -> None:
    for n in (2, 7, 97, 1025, 8191, 960_017):
        assert _quick_length(n) == fft.next_fast_len(n, real=True)


def test_shares_of_a_normal_distribution() -> None:
    z = np.random.default_rng(1).normal(0, 4, 5000)
    np.testing.assert_allclose(np.interp(z, *_normal_shares()), ndtr(z), atol=3e-8)
