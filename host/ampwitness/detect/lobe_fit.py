"""The second test of a crest: corners found to a fraction of a sample, flat against smooth at several widths.

The waveform is band-limited, so a corner is rounded and rings; the flank's linear term is the band-limited ramp, not
the ideal one. All candidates of a stretch are fitted at once: windows are padded to one length and masked.

Gaps: windows never reach over a segment's end; what stands there was taken out before.
Limits: plateaus shorter than about three samples cannot be told from a narrow smooth crest.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import signal

from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

POINTS = 64  # of a padded window
BAND_SHARE = 0.9  # of half the sample rate: where the waveform's band ends
ITERATIONS = 5
N_FLAT = 8  # linear parameters of line and flanks
RIDGE = 1e-9
WRONG_WAY = 4.0
LEAST_FALL = 0.06  # of the other flank's slope
BOW_SHARE = 0.15  # of the crest that the flanks promise: more is no plateau
# which corner is moved (0 left, 1 right), and by how many points
SEARCH = (
    (0, (0.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0)),
    (1, (-3.0, -2.0, -1.0, 1.0, 2.0, 3.0)),
    (0, (-1.5, -0.5, 0.5, 1.5)),
    (1, (-1.5, -0.5, 0.5, 1.5)),
)


@dataclass(frozen=True, slots=True)
class LobeFit:
    """Fits of n candidates at one window width; (n,) arrays. Times in samples of the stretch, voltages sign-turned."""

    start: FloatArray  # corners
    stop: FloatArray
    level_v: FloatArray  # of the line, in its middle
    tilt_v: FloatArray  # per sample
    slope_left_v: FloatArray  # of the flanks at the corners per sample, positive where they fall away from the top
    slope_right_v: FloatArray
    flat_rss_v2: FloatArray
    smooth_rss_v2: FloatArray
    top_rss_v2: FloatArray  # residuals on the line alone
    n_points: IntArray
    n_top: IntArray
    averaged: IntArray
    curvature_v: FloatArray  # of the flanks at the corners, mean of both, per sample squared, positive: bends down
    start_sd: FloatArray  # standard deviations for a noise of 1 V a point: of the corners, in samples,
    stop_sd: FloatArray
    slope_sd: FloatArray  # of the mean slope, of the mean curvature,
    curvature_sd: FloatArray
    correlation: FloatArray  # and the correlation of these two

    def mean_slope_v(self) -> FloatArray:
        """Mean of both flanks, volts a sample."""
        return np.asarray((self.slope_left_v + self.slope_right_v) / 2)

    def lower_slope_v(self) -> FloatArray:
        """The flatter of the two flanks, volts a sample."""
        return np.minimum(self.slope_left_v, self.slope_right_v)


@lru_cache(maxsize=32)
def _ramp_rounding(averaged: int) -> tuple[FloatArray, float]:
    """What band limit and averaging add to an ideal ramp max(t, 0), sampled finely; t in samples from -`half`."""
    fine, half = 16, 12 + averaged
    taps = signal.firwin(2 * 12 * fine + 1, BAND_SHARE / fine, window=("kaiser", 6.0))
    box = np.ones(max(1, averaged * fine)) / max(1, averaged * fine)
    kernel = np.convolve(taps, box) if averaged > 1 else taps
    t = np.arange(-2 * half * fine, 2 * half * fine + 1) / fine
    ramp = np.maximum(t, 0.0)
    rounded = signal.fftconvolve(ramp, kernel, mode="same")
    if averaged > 1 and len(box) % 2 == 0:  # an even box shifts by half a fine step
        rounded = np.interp(t + 0.5 / fine, t, rounded)
    keep = np.abs(t) <= half
    return np.asarray((rounded - ramp)[keep]), float(half)


def ramp(t: FloatArray, averaged: int) -> FloatArray:
    """Band-limited max(t, 0), t in samples, averaged over groups of `averaged` samples."""
    table, half = _ramp_rounding(averaged)
    place = np.clip((t + half) / (2 * half), 0.0, 1.0) * (len(table) - 1)
    low = np.minimum(place.astype(np.intp), len(table) - 2)
    part = place - low
    return np.asarray(np.maximum(t, 0.0) + table[low] * (1 - part) + table[low + 1] * part)


def _columns(t: FloatArray, left: FloatArray, right: FloatArray, averaged: int, scale: FloatArray) -> FloatArray:
    """(n, points, N_FLAT) columns of line and flanks; the powers above the first keep their ideal shape."""
    before, after = left[:, None] - t, t - right[:, None]
    b, a = np.maximum(before, 0) / scale[:, None], np.maximum(after, 0) / scale[:, None]
    middle = (left + right)[:, None] / 2
    return np.stack(
        [
            np.ones_like(t),
            (t - middle) / scale[:, None],
            ramp(before, averaged) / scale[:, None],
            b**2,
            b**3,
            ramp(after, averaged) / scale[:, None],
            a**2,
            a**3,
        ],
        axis=2,
    )


def _solve(columns: FloatArray, y: FloatArray, mask: FloatArray) -> FloatArray:
    """Masked least squares for each row, with a touch of ridge so that unused terms stay zero."""
    weighted = columns * mask[:, :, None]
    normal = np.matmul(weighted.transpose(0, 2, 1), columns)
    size = np.einsum("nii->ni", normal).max(axis=1)
    n_columns = columns.shape[2]
    normal[:, np.arange(n_columns), np.arange(n_columns)] += (RIDGE * size)[:, None]
    return np.asarray(np.linalg.solve(normal, np.matmul(weighted.transpose(0, 2, 1), y[:, :, None]))[:, :, 0])


def _smooth_rss(t: FloatArray, y: FloatArray, mask: FloatArray, n_terms: IntArray) -> FloatArray:
    """Residual sum of squares of one polynomial with `n_terms` terms through each masked window."""
    low = np.where(mask > 0, t, np.inf).min(axis=1, keepdims=True)
    high = np.where(mask > 0, t, -np.inf).max(axis=1, keepdims=True)
    x = np.clip(2 * (t - low) / np.maximum(high - low, 1e-9) - 1, -1, 1)
    basis = np.polynomial.legendre.legvander(x, int(n_terms.max()) - 1) * mask[:, :, None]
    q = np.linalg.qr(basis)[0]
    used = np.arange(q.shape[2])[None, :] < n_terms[:, None]
    part = np.einsum("npi,np->ni", q, y * mask) * used
    return np.asarray(np.sum((y * mask) ** 2, axis=1) - np.sum(part**2, axis=1))


def _step(columns: FloatArray, coefficient: FloatArray, t: FloatArray, left: FloatArray, right: FloatArray,
          scale: FloatArray) -> FloatArray:  # fmt: skip
    """(n, points, 2) derivative of the model by either corner."""
    before, after = left[:, None] - t, t - right[:, None]
    out = []
    for distance, sign, k in ((before, 1.0, 2), (after, -1.0, 5)):
        on = np.clip(distance + 0.5, 0, 1)
        d = np.maximum(distance, 0) / scale[:, None]
        slope = coefficient[:, k, None] + 2 * coefficient[:, k + 1, None] * d + 3 * coefficient[:, k + 2, None] * d**2
        out.append(sign * on * slope / scale[:, None])
    return np.stack(out, axis=2)


def _clip_corners(corners: FloatArray, low: FloatArray, high: FloatArray, m: int) -> FloatArray:
    """Keep both corners inside the window and apart."""
    left = np.clip(corners[:, 0], low, high - m)
    return np.stack([left, np.clip(np.maximum(corners[:, 1], left + 0.8 * m), low, high)], axis=1)


def _penalised_rss(residual: FloatArray, coefficient: FloatArray) -> FloatArray:
    """Residual sum of squares, raised where a flank does not fall away from the top: such minima are false."""
    rss = np.sum(residual**2, axis=1)
    left, right = -coefficient[:, 2], -coefficient[:, 5]
    wrong = (left < LEAST_FALL * np.maximum(right, 0)).astype(float) + (right < LEAST_FALL * np.maximum(left, 0))
    return np.asarray(rss * (1 + WRONG_WAY * wrong))


def _search_corners(
    t: FloatArray, y: FloatArray, mask: FloatArray, corners: FloatArray, low: FloatArray, high: FloatArray, m: int,
    scale: FloatArray,
) -> FloatArray:  # fmt: skip
    """Try corners a few points to either side, one after the other: flanks that bend leave false minima nearby."""
    best = _clip_corners(corners, low, high, m)
    best_rss = np.full(len(t), np.inf)
    for side, offsets in SEARCH:
        middle = best.copy()
        for offset in offsets:
            trial = middle.copy()
            trial[:, side] += offset * m
            trial = _clip_corners(trial, low, high, m)
            columns = _columns(t, trial[:, 0], trial[:, 1], m, scale)
            coefficient = _solve(columns, y, mask)
            rss = _penalised_rss((y - np.matmul(columns, coefficient[:, :, None])[:, :, 0]) * mask, coefficient)
            better = rss < best_rss
            best_rss = np.where(better, rss, best_rss)
            best = np.where(better[:, None], trial, best)
    return best


def _polish_corners(
    t: FloatArray, y: FloatArray, mask: FloatArray, corners: FloatArray, low: FloatArray, high: FloatArray, m: int,
    scale: FloatArray,
) -> FloatArray:  # fmt: skip
    """Gauss-Newton on both corners together with the linear terms."""
    best, best_rss, trial = corners, np.full(len(t), np.inf), corners
    for _ in range(ITERATIONS):
        trial = _clip_corners(trial, low, high, m)
        columns = _columns(t, trial[:, 0], trial[:, 1], m, scale)
        coefficient = _solve(columns, y, mask)
        residual = (y - np.matmul(columns, coefficient[:, :, None])[:, :, 0]) * mask
        rss = _penalised_rss(residual, coefficient)
        better = rss < best_rss
        best_rss = np.where(better, rss, best_rss)
        best = np.where(better[:, None], trial, best)
        step = _step(columns, coefficient, t, trial[:, 0], trial[:, 1], scale)
        move = np.clip(_solve(np.concatenate([columns, step], axis=2), residual, mask)[:, N_FLAT:], -1.5 * m, 1.5 * m)
        # Where the last step made it worse, go half way back instead.
        trial = np.where(better[:, None], trial + move, (trial + best) / 2)
    return best


def _allow_bow(
    t: FloatArray, y: FloatArray, mask: FloatArray, corners: FloatArray, columns: FloatArray, coefficient: FloatArray,
    residual: FloatArray, scale: FloatArray,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Let long plateaus bow, as rails do that sink and recover within one; a bow worth a crest is not allowed.

    Returns coefficients and residuals."""
    half = np.maximum((corners[:, 1] - corners[:, 0]) / 2, 0.5)
    place = (t - corners.mean(axis=1)[:, None]) / half[:, None]
    arch = np.where(np.abs(place) < 1, place**2 - 1 / 3, 2 / 3)
    wider = np.concatenate([columns, arch[:, :, None]], axis=2)
    bowed = _solve(wider, y, mask)
    rest = (y - np.matmul(wider, bowed[:, :, None])[:, :, 0]) * mask
    promised = -(coefficient[:, 2] + coefficient[:, 5]) / 2 * half / scale / 2
    allowed = (np.abs(bowed[:, -1]) <= BOW_SHARE * promised) & (np.sum(rest**2, 1) < 0.8 * np.sum(residual**2, 1))
    keep = allowed[:, None]
    return np.where(keep, bowed[:, :-1], coefficient), np.where(keep, rest, residual)


def fit_lobes(volts: FloatArray, first: IntArray, last: IntArray, start: FloatArray, stop: FloatArray) -> LobeFit:
    """Fit line and flanks, corners free, in the windows [first, last) of a waveform whose crests point up.

    Parameters
    ----------
    volts : (n_samples,) volts
    first, last : (n,) windows, inside the waveform
    start, stop : (n,) first guess of the corners, in samples of the waveform
    """
    averaged = -(-(last - first) // POINTS)
    parts = []
    for m in np.unique(averaged):
        rows = np.flatnonzero(averaged == m)
        parts.append((rows, _fit_group(volts, first[rows], last[rows], start[rows], stop[rows], int(m))))
    merged = {}
    for name in LobeFit.__slots__:
        sample = getattr(parts[0][1], name)
        whole = np.zeros(len(first), dtype=sample.dtype)
        for rows, part in parts:
            whole[rows] = getattr(part, name)
        merged[name] = whole
    return LobeFit(**merged)


def _fit_group(volts: FloatArray, first: IntArray, last: IntArray, start: FloatArray, stop: FloatArray,
               m: int) -> LobeFit:  # fmt: skip
    """`fit_lobes` for windows in which the same number of samples makes a point."""
    n_points = np.minimum((last - first) // m, POINTS)
    point = np.arange(int(n_points.max()))
    mask = (point[None, :] < n_points[:, None]).astype(float)
    at = first[:, None, None] + (point[None, :, None] * m + np.arange(m)[None, None, :])
    y = volts[np.minimum(at, len(volts) - 1)].mean(axis=2)
    origin = first + n_points * m / 2
    t = (first[:, None] + point[None, :] * m + (m - 1) / 2) - origin[:, None]
    y0 = np.sum(y * mask, axis=1) / n_points
    y = (y - y0[:, None]) * mask
    scale = np.maximum(n_points * m / 2.0, 1.0)
    low, high = t[:, 0] + 1.2 * m, t[np.arange(len(t)), n_points - 1] - 1.2 * m
    corners = _search_corners(t, y, mask, np.stack([start - origin, stop - origin], axis=1), low, high, m, scale)
    corners = _polish_corners(t, y, mask, corners, low, high, m, scale)
    left, right = corners[:, 0], corners[:, 1]
    columns = _columns(t, left, right, m, scale)
    coefficient = _solve(columns, y, mask)
    residual = (y - np.matmul(columns, coefficient[:, :, None])[:, :, 0]) * mask
    coefficient, residual = _allow_bow(t, y, mask, corners, columns, coefficient, residual, scale)
    step = _step(columns, coefficient, t, left, right, scale)
    joint = np.concatenate([columns, step], axis=2) * mask[:, :, None]
    normal = np.matmul(joint.transpose(0, 2, 1), joint)
    diagonal = np.arange(normal.shape[1])
    normal[:, diagonal, diagonal] += (RIDGE * np.einsum("nii->ni", normal).max(axis=1))[:, None]
    covariance = np.linalg.inv(normal)
    spread = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2)[:, N_FLAT:], 0))
    mean_slope, mean_curvature = np.zeros(N_FLAT + 2), np.zeros(N_FLAT + 2)
    mean_slope[[2, 5]], mean_curvature[[3, 6]] = -0.5, -1.0
    slope_sd = np.sqrt(np.maximum(mean_slope @ covariance @ mean_slope, 0))
    curvature_sd = np.sqrt(np.maximum(mean_curvature @ covariance @ mean_curvature, 0))
    shared = (mean_slope @ covariance @ mean_curvature) / np.maximum(slope_sd * curvature_sd, 1e-30)
    top = mask * (t >= left[:, None]) * (t <= right[:, None])
    n_left = np.sum(mask * (t < left[:, None]), axis=1)
    n_right = np.sum(mask * (t > right[:, None]), axis=1)
    n_used = 2 + np.minimum(3, np.maximum(n_left, 1)) + np.minimum(3, np.maximum(n_right, 1))
    tilt = coefficient[:, 1] / scale
    return LobeFit(
        start=left + origin,
        stop=right + origin,
        level_v=coefficient[:, 0] + y0,  # the arch has no mean over the plateau
        tilt_v=tilt,
        slope_left_v=tilt - coefficient[:, 2] / scale,
        slope_right_v=-tilt - coefficient[:, 5] / scale,
        flat_rss_v2=np.sum(residual**2, axis=1),
        smooth_rss_v2=_smooth_rss(t, y, mask, n_used.astype(np.intp)),
        top_rss_v2=np.sum(residual**2 * top, axis=1),
        n_points=n_points,
        n_top=np.sum(top, axis=1).astype(np.intp),
        averaged=np.full(len(first), m, dtype=np.intp),
        curvature_v=coefficient @ mean_curvature[:N_FLAT] / scale**2,
        start_sd=spread[:, 0],
        stop_sd=spread[:, 1],
        slope_sd=slope_sd / scale,
        curvature_sd=curvature_sd / scale**2,
        correlation=shared,
    )
