"""Small numerics of our own, held to the library that a report does without."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.bent.clip_coupled import _quick_length
from ampwitness.detect.cutouts.cutout_candidates import highest_of_last
from ampwitness.waveform.adc_correction import _EvenTable, _normal_shares
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
    np.testing.assert_allclose(_normal_shares().at(z), ndtr(z), atol=3e-8)


def test_an_even_table_is_read_as_by_interp_to_the_bit() -> None:
    rng = np.random.default_rng(2)
    values, x = np.cumsum(rng.normal(size=801)), np.arange(-300, 501) / 8
    at = np.concatenate((rng.uniform(-60, 90, 5000), x, x[:1] - 1e-12, x[-1:] + 1e-12))  # beyond both ends as well
    np.testing.assert_array_equal(_EvenTable(-300, 8, values).at(at), np.interp(at, x, values))
