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
AT_ONCE = 12_000  # points, of windows of much the same length: what is done with them stays in the processor's cache
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


@lru_cache(maxsize=1)
def _with_steps() -> npt.NDArray[np.complex128]:
    """Entries of `_ramp_rounding`, and as imaginary part the step to the next one."""
    table = _ramp_rounding()
    return np.asarray(table + 1j * np.diff(table, axis=1, append=table[:, -1:])).ravel()


def ramp(t: FloatArray, averaged: IntArray) -> FloatArray:
    """Band-limited max(t, 0), t (n, points) in points of `averaged` (n,) samples each."""
    table = _ramp_rounding()
    place = t + HALF
    place *= FINE
    np.maximum(place, 0.0, out=place)
    np.minimum(place, 2 * HALF * FINE - 1e-6, out=place)
    low = place.astype(np.intp)
    place -= low
    low += (np.minimum(averaged, MOST_AVERAGED) * table.shape[1])[:, None]
    entry = _with_steps().take(low)  # value and step to the next in one: half as many places are looked up
    place *= entry.imag
    place += entry.real
    place += np.maximum(t, 0.0)
    return place


def _planes(t: FloatArray, y: FloatArray, mask: FloatArray, corners: FloatArray, averaged: IntArray,
            scale: FloatArray, with_bow: bool, out: FloatArray) -> None:  # fmt: skip
    """Fill (terms + 1, n, points), masked: line and flanks, an arch if wanted, and y last.

    The flanks' powers above the first keep their ideal shape."""
    left, right = corners[:, :1], corners[:, 1:]
    per = (1 / scale)[:, None]
    out[0] = 1.0
    out[1] = (t - (left + right) / 2) * per
    for k, distance in ((2, left - t), (5, t - right)):
        np.multiply(ramp(distance, averaged), per, out=out[k])
        d = np.maximum(distance, 0) * per
        np.multiply(d, d, out=out[k + 1])
        np.multiply(out[k + 1], d, out=out[k + 2])
    if with_bow:
        out[N_FLAT] = _arch(t, corners)
    out[:-1] *= mask
    out[-1] = y


def _with_ridge(normal: FloatArray) -> FloatArray:
    """(n, k, k) normal equations with a touch of ridge, so that unused terms stay zero."""
    diagonal = np.arange(normal.shape[1])
    out = normal.copy()
    out[:, diagonal, diagonal] += (RIDGE * normal[:, diagonal, diagonal].max(axis=1))[:, None]
    return out


@lru_cache(maxsize=128)
def _smooth_basis(n_points: int) -> FloatArray:
    """Orthonormal polynomials through `n_points` points, (n_points, 8 or fewer)."""
    x = np.linspace(-1, 1, n_points)
    return np.asarray(np.linalg.qr(np.polynomial.legendre.legvander(x, min(8, n_points) - 1))[0])


def _smooth_rss(windows: Windows, y: FloatArray, mask: FloatArray, n_terms: IntArray) -> FloatArray:
    """Residual sum of squares of one polynomial with `n_terms` terms through each masked window."""
    power = np.sum(y**2, axis=1)
    n_points = windows.n_left + windows.n_right + 1
    rss = np.zeros(len(y))
    for k in np.unique(n_points):
        rows = np.flatnonzero(n_points == k)
        window = y[rows, :k]
        part = (window @ _smooth_basis(int(k))) ** 2
        used = np.arange(part.shape[1])[None, :] < n_terms[rows, None]
        rss[rows] = power[rows] - np.sum(part * used, axis=1)
    return rss


def _step(coefficient: FloatArray, t: FloatArray, mask: FloatArray, corners: FloatArray,
          scale: FloatArray) -> FloatArray:  # fmt: skip
    """(n, 2, points) masked derivative of the model by either corner."""
    per = (1 / scale)[:, None]
    out = np.empty((len(t), 2, t.shape[1]))
    for at, distance, k in ((0, corners[:, :1] - t, 2), (1, t - corners[:, 1:], 5)):
        weight = distance + 0.5
        np.maximum(weight, 0, out=weight)
        np.minimum(weight, 1, out=weight)
        weight *= mask
        d = np.maximum(distance, 0, out=distance)
        d *= per
        slope = d * (3 * coefficient[:, k + 2, None])
        slope += 2 * coefficient[:, k + 1, None]
        slope *= d
        slope += coefficient[:, k, None]
        slope *= per if at == 0 else -per
        np.multiply(slope, weight, out=out[:, at])
    return out


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
    room: FloatArray  # for the columns of any of these rows; made once, as fresh memory costs more than filling it

    def take(self, rows: IntArray) -> _Problem:
        return _Problem(
            self.t[rows], self.y[rows], self.mask[rows], self.averaged[rows], self.scale[rows], self.low[rows],
            self.high[rows], self.with_bow, self.room,
        )  # fmt: skip

    def solve(self, corners: FloatArray) -> _Solution:
        """The best line and flanks for these corners."""
        n_planes = N_FLAT + self.with_bow + 1
        planes = self.room[: n_planes * self.t.size].reshape(n_planes, *self.t.shape)
        _planes(self.t, self.y, self.mask, corners, self.averaged, self.scale, self.with_bow, planes)
        rows = planes.transpose(1, 0, 2)
        columns = rows[:, :-1]
        products = np.matmul(columns, rows.transpose(0, 2, 1))
        normal = _with_ridge(products[:, :, :-1])
        coefficient = np.linalg.solve(normal, products[:, :, -1:])[:, :, 0]
        residual = self.y - np.matmul(coefficient[:, None, :], columns)[:, 0]
        return _Solution(columns, normal, coefficient, residual)


@dataclass(frozen=True, slots=True)
class _Solution:
    """Line and flanks at given corners; columns (n, terms, points), which last until the next solution."""

    columns: FloatArray
    normal: FloatArray  # (n, terms, terms)
    coefficient: FloatArray  # (n, terms)
    residual: FloatArray  # (n, points)

    def move(self, step: FloatArray) -> FloatArray:
        """(n, 2) by how much corners and linear terms together would have the corners move."""
        shared = np.matmul(self.columns, step.transpose(0, 2, 1))
        own = np.matmul(step, step.transpose(0, 2, 1))
        own -= np.matmul(shared.transpose(0, 2, 1), np.linalg.solve(self.normal, shared))
        right = np.matmul(step, self.residual[:, :, None])[:, :, 0]
        a, b, d = own[:, 0, 0], own[:, 0, 1], own[:, 1, 1]
        ridge = RIDGE * np.max(np.einsum("nii->ni", self.normal), axis=1)
        a, d = a + ridge, d + ridge
        determinant = np.maximum(a * d - b * b, 1e-300)
        moves = (d * right[:, 0] - b * right[:, 1], a * right[:, 1] - b * right[:, 0])
        return np.asarray(np.stack(moves, axis=1) / determinant[:, None])


def _polish_corners(problem: _Problem, corners: FloatArray) -> FloatArray:
    """Gauss-Newton on both corners together with the linear terms."""
    trial = _clip_corners(corners, problem.low, problem.high)
    best, best_rss = trial.copy(), np.full(len(trial), np.inf)
    rows = np.arange(len(trial))  # those that still move
    for last in [False] * (ITERATIONS - 1) + [True]:
        part = problem if len(rows) == len(trial) else problem.take(rows)
        found = part.solve(trial[rows])
        rss = _penalised_rss(found.residual, found.coefficient)
        better = rss < best_rss[rows]
        gained = better & (rss < SETTLED_SHARE * best_rss[rows])
        best_rss[rows] = np.where(better, rss, best_rss[rows])
        best[rows] = np.where(better[:, None], trial[rows], best[rows])
        if last:
            break
        step = _step(found.coefficient, part.t, part.mask, trial[rows], part.scale)
        move = np.clip(found.move(step), -1.5, 1.5)
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
    n_points = windows.n_left + windows.n_right + 1
    order = np.argsort(n_points, kind="stable")
    parts = []
    batch = np.cumsum(n_points[order]) // AT_ONCE
    for rows in np.split(order, np.flatnonzero(np.diff(batch)) + 1):
        parts.append(_fit(windows.take(rows), left[rows], right[rows], with_bow))
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    return LobeFit(
        **{name: np.concatenate([getattr(part, name) for part in parts])[place] for name in LobeFit.__slots__}
    )


def _fit(windows: Windows, left: FloatArray, right: FloatArray, with_bow: bool) -> LobeFit:
    """`fit_windows` for windows of much the same length."""
    n_points = (windows.n_left + windows.n_right + 1).astype(np.intp)
    place = np.arange(int(n_points.max()))
    mask = (place < n_points[:, None]).astype(float)
    point = place - windows.n_left[:, None]
    y = windows.volts[np.arange(len(windows))[:, None], np.minimum(SIDE + point, 2 * SIDE)]
    y0 = np.sum(y * mask, axis=1) / n_points
    problem = _Problem(
        t=point.astype(float),
        y=(y - y0[:, None]) * mask,
        mask=mask,
        averaged=windows.averaged,
        scale=n_points / 2.0,
        low=-windows.n_left + 1.2,
        high=windows.n_right - 1.2,
        with_bow=with_bow,
        room=np.empty((N_FLAT + with_bow + 1) * y.size),
    )
    corners = _polish_corners(problem, np.stack([left, right], axis=1))
    return _describe(problem, corners, windows, y0, n_points)


def _describe(problem: _Problem, corners: FloatArray, windows: Windows, y0: FloatArray, n_points: IntArray) -> LobeFit:
    """Everything that is kept of the fits at these corners, with its uncertainty."""
    left, right = corners[:, 0], corners[:, 1]
    t, mask, scale = problem.t, problem.mask, problem.scale
    found = problem.solve(corners)
    coefficient, residual = found.coefficient[:, :N_FLAT], found.residual
    bow = found.coefficient[:, N_FLAT] if problem.with_bow else np.zeros(len(t))
    promised = -(coefficient[:, 2] + coefficient[:, 5]) / 2 * (right - left) / 2 / scale / 2
    step = _step(coefficient, t, mask, corners, scale)
    joint = np.concatenate([found.columns[:, :N_FLAT], step], axis=1)
    wanted = np.zeros((N_FLAT + 2, 4))  # either corner, mean slope and mean curvature
    wanted[N_FLAT, 0] = wanted[N_FLAT + 1, 1] = 1.0
    wanted[[2, 5], 2], wanted[[3, 6], 3] = -0.5, -1.0
    normal = _with_ridge(np.matmul(joint, joint.transpose(0, 2, 1)))
    covariance = np.matmul(wanted.T, np.linalg.solve(normal, np.broadcast_to(wanted, (len(t), *wanted.shape))))
    spread = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0))
    slope_sd, curvature_sd = spread[:, 2], spread[:, 3]
    shared = covariance[:, 2, 3] / np.maximum(slope_sd * curvature_sd, 1e-30)
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
        curvature_v=coefficient @ wanted[:N_FLAT, 3] / (scale * m) ** 2,
        start_sd=spread[:, 0] * m,
        stop_sd=spread[:, 1] * m,
        slope_sd=slope_sd / (scale * m),
        curvature_sd=curvature_sd / (scale * m) ** 2,
        correlation=shared,
        bow_share=np.abs(bow) / np.maximum(promised, 1e-12),
    )
