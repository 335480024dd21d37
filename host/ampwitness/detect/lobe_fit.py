"""The second test of a crest: corners found to a fraction of a sample, flat against smooth at several widths.

The waveform is band-limited, so a corner is rounded and rings; the flank's linear term is the band-limited ramp, not
the ideal one. All candidates of a stretch are fitted at once: windows of much the same length together make
their sums of products, in which everything linear is solved.

Gaps: windows never reach over a segment's end; what stands there was taken out before.
Limits: plateaus shorter than about three samples cannot be told from a narrow smooth crest.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.corner_ramp import find_in_table, rounding
from ampwitness.detect.many_small import back_substitute, eliminate, invert
from ampwitness.detect.plateau_windows import SIDE, Windows
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

ITERATIONS = 5
N_FLAT = 8  # linear parameters of line and flanks
RIDGE = 1e-9
WRONG_WAY = 4.0
LEAST_FALL = 0.06  # of the other flank's slope
AT_ONCE = 12_000  # points, of windows of much the same length: what is done with them stays in the processor's cache
SYSTEMS_AT_ONCE = 512
LAST_MOVE_POINTS = 0.15  # corners that would move by less do so, and then stay
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

    def take(self, rows: IntArray) -> LobeFit:
        return LobeFit(*(getattr(self, name)[rows] for name in self.__slots__))

    def mean_slope_v(self) -> FloatArray:
        """Mean of both flanks, volts a sample."""
        return np.asarray((self.slope_left_v + self.slope_right_v) / 2)

    def lower_slope_v(self) -> FloatArray:
        """The flatter of the two flanks, volts a sample."""
        return np.minimum(self.slope_left_v, self.slope_right_v)


# Order of the linear terms: those come last whose uncertainty is asked for, and an arch behind them.
_ONE, _TILT, _LEFT_3, _RIGHT_3, _LEFT_2, _RIGHT_2, _LEFT, _RIGHT, _ARCH = range(9)


@dataclass(frozen=True, slots=True)
class _Group:
    """Windows of much the same length, rows `first` to `last` of all; (n, n_points)."""

    first: int
    last: int
    n_points: int  # of the longest
    y: FloatArray  # volts less their mean, 0 where a window has ended
    mask: FloatArray | None  # 0 there; None where all are equally long


@dataclass(frozen=True, slots=True)
class _Problem:
    """All windows by their length; columns (n,) in points."""

    groups: list[_Group]
    n_left: IntArray
    averaged: IntArray
    per: FloatArray  # over half the length: the scale of all that is linear
    low: FloatArray  # corners may not lie below
    high: FloatArray
    with_bow: bool
    room: FloatArray  # for what one group is filled with, made once: fresh memory costs more than filling it

    @property
    def n_linear(self) -> int:
        """Terms but for the corners."""
        return N_FLAT + self.with_bow

    def fill(self, group: _Group, some: IntArray | slice, rows: IntArray | slice, corners: FloatArray,
             places: _Places) -> FloatArray:  # fmt: skip
        """(terms + 5, n, points): line and flanks, an arch if wanted, a step at either corner, by how much either ramp
        is rounded, and y last; until the next call.

        The flanks' powers above the first keep their ideal shape. `some` : rows of the group; `rows` : the same of all
        """
        k, y, mask = self.n_linear, group.y[some], None if group.mask is None else group.mask[some]
        out = self.room[: (k + 5) * y.size].reshape(k + 5, *y.shape)
        per, left, right = self.per[rows][:, None], corners[:, :1], corners[:, 1:]
        t = np.arange(group.n_points, dtype=float) - self.n_left[rows][:, None]
        out[_ONE] = 1.0
        np.subtract(t, (left + right) / 2, out=out[_TILT])
        out[_TILT] *= per
        for at, distance, is_left in ((k, left - t, True), (k + 1, t - right, False)):
            first, square, cube = (_LEFT, _LEFT_2, _LEFT_3) if is_left else (_RIGHT, _RIGHT_2, _RIGHT_3)
            step = np.add(distance, 0.5, out=out[at])
            np.minimum(np.maximum(step, 0, out=step), 1, out=step)
            np.maximum(distance, 0, out=distance)
            distance *= per
            np.multiply(rounding(*places[is_left], group.n_points, is_falling=is_left), per, out=out[at + 2])
            np.add(distance, out[at + 2], out=out[first])
            np.multiply(distance, distance, out=out[square])
            np.multiply(out[square], distance, out=out[cube])
        if self.with_bow:
            out[_ARCH] = _arch(t, corners)
        if mask is not None:
            out[:-1] *= mask
        out[-1] = y
        return out

    def places(self, rows: IntArray | slice, corners: FloatArray) -> _Places:
        """Where the table of the ramp has what stands at these corners."""
        first = -self.n_left[rows].astype(float)
        left = find_in_table(first - corners[:, 0], self.averaged[rows])
        return {True: left, False: find_in_table(first - corners[:, 1], self.averaged[rows])}

    def iter_filled(self, rows: IntArray, corners: FloatArray) -> Iterator[tuple[slice, _Group, FloatArray]]:
        """Fill for some rows (ascending), a group at a time: which of `rows` these are, the group, what was filled."""
        places = self.places(rows, corners)
        edges = np.searchsorted(rows, [group.first for group in self.groups] + [self.groups[-1].last])
        for group, begin, end in zip(self.groups, edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            if begin < end:
                part = slice(begin, end)
                some = {side: (start[part], share[part]) for side, (start, share) in places.items()}
                yield part, group, self.fill(group, rows[part] - group.first, rows[part], corners[part], some)


_Places = dict[bool, tuple[IntArray, FloatArray]]


def _products(filled: FloatArray) -> FloatArray:
    """(n, k, k) sums of products of what was filled."""
    rows = filled.transpose(1, 0, 2)
    return np.asarray(np.matmul(rows, rows.transpose(0, 2, 1)))


def _add_ridge(normal: FloatArray, n_terms: int, n_linear: int) -> None:
    """A touch of ridge on the first terms of (k, k, n), so that unused ones stay zero."""
    diagonal = np.arange(n_terms)
    normal[diagonal, diagonal] += RIDGE * normal[diagonal[:n_linear], diagonal[:n_linear]].max(axis=0)


def _solve(normal: FloatArray, n_linear: int) -> FloatArray:
    """(8, n) of sums of products (k, k, n): residual sum of squares, both flanks' slopes, and of the slopes by the
    corners what the linear terms leave: their squares, their product, and what they share with the residual."""
    out = np.empty((8, normal.shape[2]))
    for first in range(0, normal.shape[2], SYSTEMS_AT_ONCE):
        part = slice(first, first + SYSTEMS_AT_ONCE)
        a = normal[:, :, part].copy()
        _add_ridge(a, n_linear, n_linear)
        eliminate(a, 0, n_linear)
        y = n_linear + 4
        # The last terms only, by going back the last steps.
        bend_left, bend_right, left, right = back_substitute(a[_LEFT_2:, _LEFT_2:], n_linear - _LEFT_2, y - _LEFT_2)[:4]
        rest = _by_corners(a[n_linear:y, n_linear:], left, right, bend_left, bend_right)
        out[:, part] = (a[y, y], left, right, rest[0, 0], rest[0, 1], rest[1, 1], rest[0, 2], rest[1, 2])
    return out


def _by_corners(
    rest: FloatArray, left: FloatArray, right: FloatArray, bend_left: FloatArray, bend_right: FloatArray
) -> FloatArray:
    """(2, 3, n) products of the slopes by either corner with each other and with y, of those of steps and roundings
    (4, 5, n).

    A corner that moves outward adds a step and takes of the flank's own terms; the linear terms take those out again
    but for the rounding."""
    out = np.empty((2, 3, rest.shape[2]))
    weights = ((left, -2 * bend_left), (-right, 2 * bend_right))
    half = [weights[k][0] * rest[k] + weights[k][1] * rest[k + 2] for k in range(2)]
    for k in range(2):
        for other in range(2):
            out[k, other] = weights[other][0] * half[k][other] + weights[other][1] * half[k][other + 2]
        out[k, 2] = half[k][4]
    return out


def _clip_corners(corners: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Keep both corners inside the window and apart."""
    left = np.clip(corners[:, 0], low, high - 1)
    return np.stack([left, np.clip(np.maximum(corners[:, 1], left + 0.8), low, high)], axis=1)


def _penalise(rss: FloatArray, left: FloatArray, right: FloatArray) -> FloatArray:
    """Residual sums of squares, raised where a flank does not fall away from the top: such minima are false."""
    wrong = (left < LEAST_FALL * np.maximum(right, 0)).astype(float) + (right < LEAST_FALL * np.maximum(left, 0))
    return np.asarray(rss * (1 + WRONG_WAY * wrong))


def _polish_corners(problem: _Problem, corners: FloatArray) -> FloatArray:
    """Gauss-Newton on both corners together with the linear terms."""
    trial = _clip_corners(corners, problem.low, problem.high)
    best, best_rss = trial.copy(), np.full(len(trial), np.inf)
    rows = np.arange(len(trial))  # those that still move
    k = problem.n_linear
    for last in [False] * (ITERATIONS - 1) + [True]:
        normal = np.empty((k + 5, k + 5, len(rows)))
        for part, _, filled in problem.iter_filled(rows, trial[rows]):
            normal[:, :, part] = _products(filled).transpose(1, 2, 0)
        rss, left, right, a, b, d, pull_left, pull_right = _solve(normal, k)
        rss = _penalise(rss, -left, -right)
        better = rss < best_rss[rows]
        gained = better & (rss < SETTLED_SHARE * best_rss[rows])
        best_rss[rows] = np.where(better, rss, best_rss[rows])
        best[rows] = np.where(better[:, None], trial[rows], best[rows])
        if last:
            break
        per = problem.per[rows]
        ridge = RIDGE * normal[np.arange(k), np.arange(k)].max(axis=0)
        a, b, d = a * per**2 + ridge, b * per**2, d * per**2 + ridge
        pull_left, pull_right = pull_left * per, pull_right * per
        determinant = np.maximum(a * d - b * b, 1e-300)
        move = np.stack((d * pull_left - b * pull_right, a * pull_right - b * pull_left), axis=1)
        move = np.clip(move / determinant[:, None], -1.5, 1.5)
        # Where the last step made it worse, go half way back instead.
        trial[rows] = np.where(better[:, None], trial[rows] + move, (trial[rows] + best[rows]) / 2)
        trial[rows] = _clip_corners(trial[rows], problem.low[rows], problem.high[rows])
        moves = np.where(better, np.abs(move).max(axis=1), np.inf)
        # What is as near as this is there with the next step, and need not be looked at again.
        is_there = gained & (moves <= LAST_MOVE_POINTS)
        best[rows[is_there]] = trial[rows[is_there]]
        rows = rows[(gained | ~better) & (moves > LAST_MOVE_POINTS)]
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
    fits = _fit(windows.take(order), n_points[order], np.stack([left, right], axis=1)[order], with_bow)
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    return LobeFit(**{name: getattr(fits, name)[place] for name in LobeFit.__slots__})


def _fit(windows: Windows, n_points: IntArray, corners: FloatArray, with_bow: bool) -> LobeFit:
    """`fit_windows` for windows by their length."""
    edges = [0, *(np.flatnonzero(np.diff(np.cumsum(n_points) // AT_ONCE)) + 1).tolist(), len(n_points)]
    groups = []
    y0 = np.empty(len(n_points))
    for first, last in pairwise(edges):
        n = int(n_points[last - 1])
        rows = slice(first, last)
        at = np.arange(n)
        mask = (at < n_points[rows, None]).astype(float)
        place = np.minimum((SIDE - windows.n_left[rows])[:, None] + at, 2 * SIDE)
        y = windows.volts[np.arange(first, last)[:, None], place]
        y *= mask
        y0[rows] = y.sum(axis=1) / n_points[rows]
        y -= y0[rows, None] * mask
        groups.append(_Group(first, last, n, y, None if n_points[first] == n else mask))
    room = np.empty((N_FLAT + with_bow + 5) * max(group.y.size for group in groups))
    low, high = -windows.n_left + 1.2, windows.n_right - 1.2
    problem = _Problem(groups, windows.n_left, windows.averaged, 2.0 / n_points, low, high, with_bow, room)
    return _describe(problem, _polish_corners(problem, corners), windows, y0, n_points)


@lru_cache(maxsize=128)
def _smooth_basis(n_points: int) -> FloatArray:
    """Orthonormal polynomials through `n_points` points, (n_points, 8 or fewer)."""
    x = np.linspace(-1, 1, n_points)
    return np.asarray(np.linalg.qr(np.polynomial.legendre.legvander(x, min(8, n_points) - 1))[0])


def _smooth_rss(y: FloatArray, n_points: IntArray, n_terms: IntArray) -> FloatArray:
    """Residual sum of squares of one polynomial with `n_terms` terms through each window, those sorted by length."""
    rss = np.einsum("ij,ij->i", y, y)
    edges = [0, *(np.flatnonzero(np.diff(n_points)) + 1).tolist(), len(n_points)]
    for first, last in pairwise(edges):
        part = y[first:last, : n_points[first]] @ _smooth_basis(int(n_points[first]))
        part *= part
        total = np.cumsum(part, axis=1)
        rss[first:last] -= total[np.arange(last - first), np.minimum(n_terms[first:last], part.shape[1]) - 1]
    return np.asarray(rss)


def _describe(problem: _Problem, corners: FloatArray, windows: Windows, y0: FloatArray, n_points: IntArray) -> LobeFit:
    """Everything that is kept of the fits at these corners, with its uncertainty."""
    n, k = len(corners), problem.n_linear
    left, right = corners[:, 0], corners[:, 1]
    before = np.ceil(np.clip(left + windows.n_left, 0, n_points)).astype(np.intp)
    behind = np.maximum(n_points - 1 - np.floor(right + windows.n_left).astype(np.intp), 0)
    coefficient, spread, shared = np.empty((k, n)), np.empty((4, n)), np.empty(n)
    rss, top_rss, smooth = np.empty(n), np.empty(n), np.empty(n)
    n_used = 2 + np.minimum(3, np.maximum(before, 1)) + np.minimum(3, np.maximum(behind, 1))
    for part, group, filled in problem.iter_filled(np.arange(n), corners):
        normal = np.ascontiguousarray(_products(filled).transpose(1, 2, 0))
        coefficient[:, part], spread[:, part], shared[part] = _uncertain(normal, problem.per[part], k)
        fitted = np.matmul(coefficient[:, None, part].transpose(2, 1, 0), filled[:k].transpose(1, 0, 2))
        residual = filled[-1] - fitted[:, 0]
        residual *= residual
        rss[part] = residual.sum(axis=1)
        at = np.arange(group.n_points)
        residual *= (at >= before[part, None]) & (at < (n_points - behind)[part, None])
        top_rss[part] = residual.sum(axis=1)
        smooth[part] = _smooth_rss(filled[-1], n_points[part], n_used[part])
    per, m = problem.per, windows.averaged
    bow = coefficient[_ARCH] if problem.with_bow else np.zeros(n)
    promised = -(coefficient[_LEFT] + coefficient[_RIGHT]) / 2 * (right - left) / 2 * per / 2
    tilt = coefficient[_TILT] * per / m
    return LobeFit(
        start=windows.to_sample(left),
        stop=windows.to_sample(right),
        level_v=coefficient[_ONE] + y0,  # the arch has no mean over the plateau
        tilt_v=tilt,
        slope_left_v=tilt - coefficient[_LEFT] * per / m,
        slope_right_v=-tilt - coefficient[_RIGHT] * per / m,
        flat_rss_v2=rss,
        smooth_rss_v2=smooth,
        top_rss_v2=top_rss,
        n_points=n_points,
        n_top=n_points - before - behind,
        averaged=m,
        curvature_v=-(coefficient[_LEFT_2] + coefficient[_RIGHT_2]) * (per / m) ** 2,
        start_sd=spread[0] * m,
        stop_sd=spread[1] * m,
        slope_sd=spread[2] * per / m,
        curvature_sd=spread[3] * (per / m) ** 2,
        correlation=shared,
        bow_share=np.abs(bow) / np.maximum(promised, 1e-12),
    )


def _uncertain(normal: FloatArray, per: FloatArray, n_linear: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of sums of products (k, k, n): linear terms (n_linear, n); for a noise of 1 V a point standard deviations (4, n)
    of either corner, mean slope and mean curvature; and the correlation of the last two."""
    _add_ridge(normal, n_linear, n_linear)
    eliminate(normal, 0, _LEFT_2)
    asked = [*range(_LEFT_2, N_FLAT), *range(n_linear, n_linear + 4)]
    rest = normal[np.ix_(asked, asked)]
    eliminate(normal, _LEFT_2, n_linear)
    coefficient = back_substitute(normal, n_linear, n_linear + 4)
    # In place of steps and roundings what moves with either corner.
    turn = np.zeros((6, 8, normal.shape[2]))
    turn[np.arange(4), np.arange(4)] = 1.0
    turn[4, 4], turn[4, 6] = coefficient[_LEFT], -2 * coefficient[_LEFT_2]
    turn[5, 5], turn[5, 7] = -coefficient[_RIGHT], 2 * coefficient[_RIGHT_2]
    half = np.einsum("akn,kln->aln", turn, rest)
    open_terms = np.einsum("aln,bln->abn", half, turn)
    steps = np.arange(4, 6)
    open_terms[steps, steps] += RIDGE / per**2
    covariance = invert(open_terms)
    # A corner moves its whole flank: slope and curvature there go with it.
    wanted = np.zeros((2, 6, normal.shape[2]))
    wanted[0, 2:4], wanted[0, 4], wanted[0, 5] = -0.5, coefficient[_LEFT_2], -coefficient[_RIGHT_2]
    wanted[1, :2], wanted[1, 4], wanted[1, 5] = -1.0, 3 * coefficient[_LEFT_3], -3 * coefficient[_RIGHT_3]
    with_wanted = np.einsum("akn,kln->aln", wanted, covariance)
    variance = np.stack([
        covariance[4, 4] / per**2, covariance[5, 5] / per**2, *np.einsum("akn,akn->an", with_wanted, wanted),
    ])  # fmt: skip
    spread = np.sqrt(np.maximum(variance, 0))
    both = np.einsum("kn,kn->n", with_wanted[0], wanted[1])
    return coefficient, spread, both / np.maximum(spread[2] * spread[3], 1e-30)
