"""Crests of a waveform, and the first test of each: smooth top, or two flanks with a straight line between?

Everything here is done for many crests at once. A crest need not lie between zero crossings: one that rides on a slower
swing counts too. The window of a crest reaches down to a share of its height, or to the valley beside it.

Gaps: a crest whose narrow window touches a segment's end is handed on with `is_cut` set and is not tested.
Limits: crests lower than `lowest_v`, or standing out less than the noise, are not looked at.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import signal

from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

WINDOW_LEVEL = 0.35  # windows reach down to this share of the crest
NARROW_LEVEL = 0.85  # a second, narrow window, for crests in lively music
LONGEST_WINDOW_S = 0.08  # to each side; half a period at 6 Hz
POINTS_MOST = 56  # more samples in a window are averaged in groups
POINTS_LEAST = 9
SMOOTHING_S = 0.0003
SPARE_S = 0.0004
CLOSE_IN_NOISE = 4.0
CLOSE_SHARE = 0.006
NEAR_SHARE = 0.04
PROMINENCE_SHARE = 0.03  # of the crest's height; less is ripple on a plateau


@dataclass(frozen=True, slots=True)
class Lobes:
    """Crests of one polarity in one stretch of samples; all arrays (n,). Indices count within that stretch."""

    crest: IntArray
    first: IntArray  # window, half-open
    last: IntArray
    narrow_first: IntArray
    narrow_last: IntArray
    run_first: FloatArray  # how far the wave stays close under the crest
    run_last: FloatArray
    near_first: FloatArray  # the same within NEAR_SHARE
    near_last: FloatArray
    wide_run_first: FloatArray  # how far it stays above the narrow window's level: a drooping plateau and its corners
    wide_run_last: FloatArray
    level_v: FloatArray  # smoothed height of the crest, of the sign-turned waveform
    is_cut: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.crest)

    def take(self, chosen: npt.NDArray[np.bool_]) -> Lobes:
        return Lobes(*(getattr(self, name)[chosen] for name in self.__slots__))

    def narrowed(self) -> Lobes:
        """The same crests in their narrow windows."""
        return replace(self, first=self.narrow_first, last=self.narrow_last)


@dataclass(frozen=True, slots=True)
class FlatTest:
    """Outcome of the first test, (n,) each. Times in samples from the window's first sample."""

    smooth_rss_v2: FloatArray  # residual sum of squares of one polynomial, per averaged point
    flat_rss_v2: FloatArray  # the same of flanks and line
    corner_left: FloatArray
    corner_right: FloatArray
    n_points: IntArray
    averaged: IntArray  # samples in a point
    n_smooth: IntArray  # parameters of the polynomial


def smooth(volts: FloatArray, rate_hz: float) -> tuple[FloatArray, int]:
    """Moving mean over about 0.3 ms with the ends held; returns it and its length in samples."""
    n = max(3, 2 * round(SMOOTHING_S * rate_hz / 2) + 1)
    padded = np.pad(volts, n // 2, mode="edge")
    total = np.cumsum(np.concatenate(([0.0], padded)))
    return np.asarray((total[n:] - total[:-n]) / n), n


def find_lobes(volts: FloatArray, rate_hz: float, noise_v: float, lowest_v: float) -> Lobes:
    """Find the upward crests of a waveform and the window of each.

    Parameters
    ----------
    volts : (n,) volts; turn the sign for the lower half
    rate_hz : samples a second
    noise_v : standard deviation of the noise of one sample
    lowest_v : crests below are left out
    """
    level, n_mean = smooth(volts, rate_hz)
    reach = int(LONGEST_WINDOW_S * rate_hz)
    least = 6 * noise_v / np.sqrt(n_mean)
    peaks, found = signal.find_peaks(level, height=lowest_v, prominence=least, wlen=2 * reach + 1)
    stands_out = found["prominences"] >= np.maximum(least, PROMINENCE_SHARE * found["peak_heights"])
    peaks = peaks[stands_out]
    if not len(peaks):
        empty = np.zeros(0, dtype=np.intp)
        none = np.zeros(0)
        return Lobes(
            empty, empty, empty, empty, empty, none, none, none, none, none, none, none, np.zeros(0, dtype=bool)
        )
    heights = level[peaks]
    left_base = np.maximum(peaks - reach, 0)
    right_base = np.minimum(peaks + reach, len(volts) - 1)
    for k in range(len(peaks) - 1):
        if peaks[k + 1] - peaks[k] <= 2 * reach:
            valley = peaks[k] + int(np.argmin(level[peaks[k] : peaks[k + 1]]))
            right_base[k] = min(right_base[k], valley)
            left_base[k + 1] = max(left_base[k + 1], valley)
    edges = []
    for share in (WINDOW_LEVEL, NARROW_LEVEL):
        _, _, first, last = signal.peak_widths(
            level,
            peaks,
            rel_height=1 - share,
            prominence_data=(np.asarray(heights, dtype=np.float64), left_base, right_base),
        )
        # Short lobes keep a few samples of flank even where that goes below the window level, not over the valley.
        spare = round(SPARE_S * rate_hz)
        edges.append(np.maximum(np.floor(first).astype(np.intp) - spare, left_base))
        edges.append(np.minimum(np.ceil(last).astype(np.intp) + 1 + spare, right_base + 1))
    runs: list[FloatArray] = []
    for share in (CLOSE_SHARE, NEAR_SHARE):
        close = np.maximum(CLOSE_IN_NOISE * noise_v, share * np.asarray(heights, dtype=np.float64))
        runs += signal.peak_widths(level, peaks, rel_height=0.5, prominence_data=(2 * close, left_base, right_base))[2:]
    # Enough of both flanks down to the narrow level is enough; what is cut off above it cannot be told.
    is_cut = ((edges[2] <= 0) | (edges[3] >= len(volts))) & ((left_base <= 0) | (right_base >= len(volts) - 1))
    return Lobes(
        peaks, edges[0], edges[1], edges[2], edges[3], runs[0], runs[1], runs[2], runs[3], first, last, heights, is_cut
    )


# ---- flanks and line against one polynomial ---


@dataclass(frozen=True, slots=True)
class _Family:
    """Orthonormal bases for windows of one number of points."""

    smooth: FloatArray  # (n_points, n_smooth)
    flat: FloatArray  # (n_points, n_hypotheses * width), zero columns where a hypothesis has fewer parameters
    width: int
    corners: FloatArray  # (n_hypotheses, 2), in points


def flat_basis(t: FloatArray, left: float, right: float) -> FloatArray:
    """Columns of "line on top, a cubic flank on either side", continuous at the corners `left` and `right`.

    Shorter flanks get fewer terms. t: (n,) in any unit; returns (n, 4...8)."""
    scale = max(right - left, t[-1] - t[0]) / 2
    columns = [np.ones_like(t), (t - (left + right) / 2) / scale]
    for distance in (np.maximum(left - t, 0) / scale, np.maximum(t - right, 0) / scale):
        for power in range(1, min(3, int(np.count_nonzero(distance)) // 2) + 1):
            columns.append(distance**power)
    return np.stack(columns, axis=1)


@lru_cache(maxsize=128)
def _family(n_points: int) -> _Family:
    """Bases for all hypotheses about where the corners are, in a window of `n_points`."""
    t = np.arange(n_points, dtype=float)
    x = (t - t.mean()) / (n_points / 2)
    n_smooth = min(8, n_points // 2)
    smooth_basis = np.linalg.qr(np.polynomial.legendre.legvander(x, n_smooth - 1))[0]
    lengths = sorted({round(1.6 * 1.17**k) for k in range(26)})
    bases, corners = [], []
    for length in lengths:
        step = max(1, length // 6)
        for left in range(2, n_points - length - 2, step):
            columns = flat_basis(t, left - 0.25, left + length - 0.75)
            q = np.zeros((n_points, 8))
            q[:, : columns.shape[1]] = np.linalg.qr(columns)[0]
            bases.append(q)
            corners.append((left - 0.25, left + length - 0.75))
    return _Family(smooth_basis, np.concatenate(bases, axis=1), 8, np.array(corners))


def _point_count(n_samples: IntArray) -> tuple[IntArray, IntArray]:
    """How many samples go into a point, and how many points a window then has; few distinct counts, for speed."""
    averaged = -(-n_samples // POINTS_MOST)
    points = n_samples // averaged
    points = np.where(points > 24, points - points % 4, np.where(points > 14, points - points % 2, points))
    return averaged, points


def test_flatness(volts: FloatArray, lobes: Lobes) -> FlatTest:
    """Compare, for each lobe, one polynomial with flanks and a tilted line, by least squares over a grid of corners.

    Parameters
    ----------
    volts : (n,) volts, sign turned as for `find_lobes`
    lobes : crests with their windows

    Returns
    -------
    FlatTest; NaN where a window is too short to tell.
    """
    n = len(lobes)
    averaged, points = _point_count(lobes.last - lobes.first)
    nan = np.full((4, n), np.nan)
    result = FlatTest(nan[0], nan[1], nan[2], nan[3], points, averaged, np.zeros(n, dtype=np.intp))
    for m, k in sorted(set(zip(averaged.tolist(), points.tolist(), strict=True))):
        if k < POINTS_LEAST:
            continue
        rows = np.flatnonzero((averaged == m) & (points == k))
        family = _family(k)
        spare = (lobes.last[rows] - lobes.first[rows] - m * k) // 2
        at = (lobes.first[rows] + spare)[:, None] + np.arange(m * k)[None, :]
        y = volts[at].reshape(len(rows), k, m).mean(axis=2)
        y -= y.mean(axis=1, keepdims=True)
        power = np.sum(y**2, axis=1)
        result.smooth_rss_v2[rows] = power - np.sum((y @ family.smooth) ** 2, axis=1)
        explained = ((y @ family.flat) ** 2).reshape(len(rows), -1, family.width).sum(axis=2)
        best = np.argmax(explained, axis=1)
        result.flat_rss_v2[rows] = power - explained[np.arange(len(rows)), best]
        corners = (family.corners[best] + 0.5) * m - 0.5 + spare[:, None]
        result.corner_left[rows] = corners[:, 0]
        result.corner_right[rows] = corners[:, 1]
        result.n_smooth[rows] = family.smooth.shape[1]
    return result
