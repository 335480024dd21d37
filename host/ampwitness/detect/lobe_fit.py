"""The second test of a crest: corners found to a fraction of a sample, flat against smooth at several widths.

The waveform is band-limited, so a corner is rounded and rings; the flank's linear term is the band-limited ramp, not
the ideal one. All candidates of a stretch are fitted at once, their windows masked to their lengths.

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

from ampwitness.detect.plateau_windows import SIDE, Windows
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

BAND_SHARE = 0.9  # of half the sample rate: where the waveform's band ends
ITERATIONS = 5
N_FLAT = 8  # linear parameters of line and flanks
RIDGE = 1e-9
WRONG_WAY = 4.0
LEAST_FALL = 0.06  # of the other flank's slope
SHORT_REACH = 22  # points to either side
SETTLED_POINTS = 0.03  # corners that would move by less stay
SETTLED_SHARE = 0.998


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
    bow_share: FloatArray  # of the plateau, in crests that the flanks promise

    def mean_slope_v(self) -> FloatArray:
        """Mean of both flanks, volts a sample."""
        return np.asarray((self.slope_left_v + self.slope_right_v) / 2)

    def lower_slope_v(self) -> FloatArray:
        """The flatter of the two flanks, volts a sample."""
        return np.minimum(self.slope_left_v, self.slope_right_v)


FINE = 16  # table entries a point
HALF = 14  # points to either side of a corner that the table covers
MOST_AVERAGED = 8  # from here on the averaging hides the band limit


@lru_cache(maxsize=1)
def _ramp_rounding() -> FloatArray:
    """What band limit and averaging add to an ideal ramp max(t, 0); (MOST_AVERAGED + 1, entries), t in points."""
    rows = [np.zeros(2 * HALF * FINE + 1)]
    for averaged in range(1, MOST_AVERAGED + 1):
        fine = FINE * averaged  # entries a point -> the same entries a sample, then thinned
        half = 12 + averaged
        taps = signal.firwin(2 * 12 * FINE + 1, BAND_SHARE / FINE, window=("kaiser", 6.0))
        box = np.ones(fine) / fine
        kernel = np.convolve(taps, box) if averaged > 1 else taps
        t = np.arange(-2 * half * FINE, 2 * half * FINE + 1) / FINE  # samples
        ideal = np.maximum(t, 0.0)
        rounded = signal.fftconvolve(ideal, kernel, mode="same")
        if averaged > 1 and len(box) % 2 == 0:  # an even box shifts by half a fine step
            rounded = np.interp(t + 0.5 / FINE, t, rounded)
        points = np.arange(-HALF * FINE, HALF * FINE + 1) / FINE
        inside = np.abs(t) <= half
        rows.append(np.interp(points * averaged, t[inside], (rounded - ideal)[inside], 0.0, 0.0) / averaged)
    return np.stack(rows)


def ramp(t: FloatArray, averaged: IntArray) -> FloatArray:
    """Band-limited max(t, 0), t (n, points) in points of `averaged` (n,) samples each."""
    table = _ramp_rounding()
    place = np.clip((t + HALF) * FINE, 0.0, 2 * HALF * FINE - 1e-6)
    low = place.astype(np.intp)
    part = place - low
    low += (np.minimum(averaged, MOST_AVERAGED) * table.shape[1])[:, None]
    flat = table.ravel()
    here = flat[low]
    return np.asarray(np.maximum(t, 0.0) + here + (flat[low + 1] - here) * part)


def _columns(t: FloatArray, left: FloatArray, right: FloatArray, averaged: IntArray, scale: FloatArray) -> FloatArray:
    """(n, points, N_FLAT) columns of line and flanks; the powers above the first keep their ideal shape."""
    before, after = left[:, None] - t, t - right[:, None]
    per = (1 / scale)[:, None]
    out = np.empty((*before.shape, N_FLAT))
    out[..., 0] = 1.0
    out[..., 1] = (t - (left + right)[:, None] / 2) * per
    for k, distance in ((2, before), (5, after)):
        out[..., k] = ramp(distance, averaged) * per
        d = np.maximum(distance, 0) * per
        square = d * d
        out[..., k + 1] = square
        out[..., k + 2] = square * d
    return out


def _solve(columns: FloatArray, y: FloatArray, mask: FloatArray) -> FloatArray:
    """Masked least squares for each row, with a touch of ridge so that unused terms stay zero."""
    weighted = columns * mask[:, :, None]
    normal = np.matmul(weighted.transpose(0, 2, 1), columns)
    size = np.einsum("nii->ni", normal).max(axis=1)
    n_columns = columns.shape[2]
    normal[:, np.arange(n_columns), np.arange(n_columns)] += (RIDGE * size)[:, None]
    return np.asarray(np.linalg.solve(normal, np.matmul(weighted.transpose(0, 2, 1), y[:, :, None]))[:, :, 0])


@lru_cache(maxsize=128)
def _smooth_basis(n_points: int) -> FloatArray:
    """Orthonormal polynomials through `n_points` points, (n_points, 8 or fewer)."""
    x = np.linspace(-1, 1, n_points)
    return np.asarray(np.linalg.qr(np.polynomial.legendre.legvander(x, min(8, n_points) - 1))[0])


def _smooth_rss(windows: Windows, y: FloatArray, mask: FloatArray, n_terms: IntArray) -> FloatArray:
    """Residual sum of squares of one polynomial with `n_terms` terms through each masked window."""
    reach = y.shape[1] // 2
    power = np.sum(y**2, axis=1)
    n_points = windows.n_left + windows.n_right + 1
    rss = np.zeros(len(y))
    for k in np.unique(n_points):
        rows = np.flatnonzero(n_points == k)
        window = y[rows[:, None], (reach - windows.n_left[rows])[:, None] + np.arange(k)[None, :]]
        part = (window @ _smooth_basis(int(k))) ** 2
        used = np.arange(part.shape[1])[None, :] < n_terms[rows, None]
        rss[rows] = power[rows] - np.sum(part * used, axis=1)
    return rss


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


def _clip_corners(corners: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Keep both corners inside the window and apart."""
    left = np.clip(corners[:, 0], low, high - 1)
    return np.stack([left, np.clip(np.maximum(corners[:, 1], left + 0.8), low, high)], axis=1)


def _penalised_rss(residual: FloatArray, coefficient: FloatArray) -> FloatArray:
    """Residual sum of squares, raised where a flank does not fall away from the top: such minima are false."""
    rss = np.sum(residual**2, axis=1)
    left, right = -coefficient[:, 2], -coefficient[:, 5]
    wrong = (left < LEAST_FALL * np.maximum(right, 0)).astype(float) + (right < LEAST_FALL * np.maximum(left, 0))
    return np.asarray(rss * (1 + WRONG_WAY * wrong))


@dataclass(frozen=True, slots=True)
class _Problem:
    """Windows ready for fitting; (n, points), in points."""

    t: FloatArray
    y: FloatArray
    mask: FloatArray
    averaged: IntArray
    scale: FloatArray
    low: FloatArray  # corners may not lie below
    high: FloatArray
    with_bow: bool

    def take(self, rows: IntArray) -> _Problem:
        return _Problem(
            self.t[rows], self.y[rows], self.mask[rows], self.averaged[rows], self.scale[rows], self.low[rows],
            self.high[rows], self.with_bow,
        )  # fmt: skip

    def solve(self, corners: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Columns, coefficients and residuals at these corners."""
        columns = _columns(self.t, corners[:, 0], corners[:, 1], self.averaged, self.scale)
        if self.with_bow:
            columns = np.concatenate([columns, _arch(self.t, corners)[:, :, None]], axis=2)
        coefficient = _solve(columns, self.y, self.mask)
        return columns, coefficient, (self.y - np.matmul(columns, coefficient[:, :, None])[:, :, 0]) * self.mask


def _polish_corners(problem: _Problem, corners: FloatArray) -> FloatArray:
    """Gauss-Newton on both corners together with the linear terms."""
    trial = _clip_corners(corners, problem.low, problem.high)
    best, best_rss = trial.copy(), np.full(len(trial), np.inf)
    rows = np.arange(len(trial))  # those that still move
    for last in [False] * (ITERATIONS - 1) + [True]:
        part = problem.take(rows)
        columns, coefficient, residual = part.solve(trial[rows])
        rss = _penalised_rss(residual, coefficient)
        better = rss < best_rss[rows]
        gained = better & (rss < SETTLED_SHARE * best_rss[rows])
        best_rss[rows] = np.where(better, rss, best_rss[rows])
        best[rows] = np.where(better[:, None], trial[rows], best[rows])
        if last:
            break
        step = _step(columns, coefficient, part.t, trial[rows, 0], trial[rows, 1], part.scale)
        move = _solve(np.concatenate([columns, step], axis=2), residual, part.mask)[:, -2:]
        move = np.clip(move, -1.5, 1.5)
        # Where the last step made it worse, go half way back instead.
        trial[rows] = np.where(better[:, None], trial[rows] + move, (trial[rows] + best[rows]) / 2)
        trial[rows] = _clip_corners(trial[rows], part.low, part.high)
        moves = np.where(better, np.abs(move).max(axis=1), 1.0) > SETTLED_POINTS
        rows = rows[(gained | ~better) & moves]
        if not len(rows):
            break
    return best


def _arch(t: FloatArray, corners: FloatArray) -> FloatArray:
    """A parabola over the plateau without a mean over it, going on level outside."""
    half = np.maximum((corners[:, 1] - corners[:, 0]) / 2, 0.5)
    place = (t - corners.mean(axis=1)[:, None]) / half[:, None]
    return np.where(np.abs(place) < 1, place**2 - 1 / 3, 2 / 3)


def fit_windows(windows: Windows, left: FloatArray, right: FloatArray, with_bow: bool = False) -> LobeFit:
    """Fit line and flanks, corners free.

    Parameters
    ----------
    windows : n windows, crests pointing up
    left, right : (n,) first guess of the corners, in points from the middle point of each window
    with_bow : let plateaus bow, as rails do that sink and recover within one; see LobeFit.bow_share
    """
    reach = np.maximum(windows.n_left, windows.n_right)
    is_short = reach <= SHORT_REACH
    if is_short.any() and not is_short.all():  # short windows need not carry the long ones' empty points
        parts = [(rows, _fit(windows.take(rows), left[rows], right[rows], with_bow))
                 for rows in (np.flatnonzero(is_short), np.flatnonzero(~is_short))]  # fmt: skip
        merged = {}
        for name in LobeFit.__slots__:
            whole = np.zeros(len(windows), dtype=getattr(parts[0][1], name).dtype)
            for rows, part in parts:
                whole[rows] = getattr(part, name)
            merged[name] = whole
        return LobeFit(**merged)
    return _fit(windows, left, right, with_bow)


def _fit(windows: Windows, left: FloatArray, right: FloatArray, with_bow: bool) -> LobeFit:
    """`fit_windows` for windows of much the same length."""
    reach = int(max(windows.n_left.max(), windows.n_right.max()))
    point = np.arange(-reach, reach + 1)
    inside = (point >= -windows.n_left[:, None]) & (point <= windows.n_right[:, None])
    mask = inside.astype(float)
    n_points = (windows.n_left + windows.n_right + 1).astype(np.intp)
    y = windows.volts[:, SIDE - reach : SIDE + reach + 1]
    y0 = np.sum(y * mask, axis=1) / n_points
    problem = _Problem(
        t=np.broadcast_to(point.astype(float), y.shape),
        y=(y - y0[:, None]) * mask,
        mask=mask,
        averaged=windows.averaged,
        scale=n_points / 2.0,
        low=-windows.n_left + 1.2,
        high=windows.n_right - 1.2,
        with_bow=with_bow,
    )
    corners = _polish_corners(problem, np.stack([left, right], axis=1))
    return _describe(problem, corners, windows, y0, n_points)


def _describe(problem: _Problem, corners: FloatArray, windows: Windows, y0: FloatArray, n_points: IntArray) -> LobeFit:
    """Everything that is kept of the fits at these corners, with its uncertainty."""
    left, right = corners[:, 0], corners[:, 1]
    t, mask, scale = problem.t, problem.mask, problem.scale
    columns, coefficient, residual = problem.solve(corners)
    bow = coefficient[:, N_FLAT] if problem.with_bow else np.zeros(len(t))
    promised = -(coefficient[:, 2] + coefficient[:, 5]) / 2 * (right - left) / 2 / scale / 2
    columns, coefficient = columns[:, :, :N_FLAT], coefficient[:, :N_FLAT]
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
    m = windows.averaged
    tilt = coefficient[:, 1] / scale / m
    return LobeFit(
        start=windows.to_sample(left),
        stop=windows.to_sample(right),
        level_v=coefficient[:, 0] + y0,  # the arch has no mean over the plateau
        tilt_v=tilt,
        slope_left_v=tilt - coefficient[:, 2] / scale / m,
        slope_right_v=-tilt - coefficient[:, 5] / scale / m,
        flat_rss_v2=np.sum(residual**2, axis=1),
        smooth_rss_v2=_smooth_rss(windows, problem.y, mask, n_used.astype(np.intp)),
        top_rss_v2=np.sum(residual**2 * top, axis=1),
        n_points=n_points,
        n_top=np.sum(top, axis=1).astype(np.intp),
        averaged=m,
        curvature_v=coefficient @ mean_curvature[:N_FLAT] / (scale * m) ** 2,
        start_sd=spread[:, 0] * m,
        stop_sd=spread[:, 1] * m,
        slope_sd=slope_sd / (scale * m),
        curvature_sd=curvature_sd / (scale * m) ** 2,
        correlation=shared,
        bow_share=np.abs(bow) / np.maximum(promised, 1e-12),
    )
