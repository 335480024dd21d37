"""Recursive filters by band matrices, held to the library's own."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.waveform.recursion import HighPass, follow, from_analog, low_pass_taps, recur
from scipy import signal

X = np.random.default_rng(5).normal(size=700) + 10.0


@pytest.mark.parametrize(("order", "n"), [(1, 700), (2, 700), (3, 700), (3, 2), (1, 0)])
def test_recur_is_the_filter_and_goes_on_from_what_was_before(order: int, n: int) -> None:
    feedback = [[0.9], [1.2, -0.5], [1.2, -0.5, 0.1]][order - 1]
    want = signal.lfilter([1.0], [1.0, *(-f for f in feedback)], X)
    np.testing.assert_allclose(recur(X[:n], feedback), want[:n], rtol=1e-13)
    half = 5
    got = recur(X[half : half + n], feedback, want[:half][::-1][:order].tolist())
    np.testing.assert_allclose(got, want[half : half + n], rtol=1e-13)


@pytest.mark.parametrize("feedback", [[1.93, -0.932], [1.2, -0.5, 0.1]])
def test_recur_of_many_blocks_is_the_filter_too(feedback: list[float]) -> None:
    x = np.random.default_rng(6).normal(size=20_011) + 10.0
    want = signal.lfilter([1.0], [1.0, *(-f for f in feedback)], x)
    np.testing.assert_allclose(recur(x, feedback), want, rtol=1e-11)
    got = recur(x[5:], feedback, want[:5][::-1][: len(feedback)].tolist())
    np.testing.assert_allclose(got, want[5:], rtol=1e-11)


def test_follow_starts_settled() -> None:
    want, _ = signal.lfilter([0.0, 0.1], [1.0, -0.9], X, zi=X[:1])
    np.testing.assert_allclose(follow(X, 0.9), want, rtol=1e-14)


def test_high_pass_is_the_butterworth_filter_in_pieces_of_any_length() -> None:
    sos = signal.butter(2, 8.0, "highpass", fs=1000.0, output="sos")
    want, _ = signal.sosfilt(sos, X, zi=signal.sosfilt_zi(sos) * X[0])
    filtered = HighPass(8.0, 1000.0)
    got = np.concatenate([filtered.push(X[a:b]) for a, b in ((0, 1), (1, 1), (1, 3), (3, 400), (400, 700))])
    np.testing.assert_allclose(got, want, atol=1e-11)


def test_taps_and_bilinear_are_the_librarys() -> None:
    np.testing.assert_allclose(low_pass_taps(53, 0.0875), signal.firwin(53, 0.0875), atol=1e-16)
    shaped = low_pass_taps(385, 0.06, np.kaiser(385, 6.0))
    np.testing.assert_allclose(shaped, signal.firwin(385, 0.06, window=("kaiser", 6.0)), atol=1e-16)
    above, below = np.array([0.0, 1e-5, 2e-3, 1.0]), np.array([2e-9, 1.2e-5, 4e-3, 1.0])
    for got, want in zip(from_analog(above, below, 8000.0), signal.bilinear(above, below, 8000.0), strict=True):
        np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-12)
