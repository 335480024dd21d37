"""What is kept of a fit of flanks and line: levels, slopes, curvature, residuals, and how well all that is known.

Gaps: windows never reach over a segment's end; what stands there was taken out before.
Limits: uncertainties are those of noise alone; what no cubic flank can follow shows in the residuals only.
Source: linear least squares, the corners by their first derivatives, as in any text.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ampwitness.detect.clips.measure.corner_search import (
    ARCH,
    LEFT,
    LEFT_2,
    LEFT_3,
    N_FLAT,
    ONE,
    RIDGE,
    RIGHT,
    RIGHT_2,
    RIGHT_3,
    TILT,
    Placed,
    Problem,
    add_ridge,
    arrange,
    bow_share,
    products,
)
from ampwitness.detect.clips.measure.many_small import back_substitute, eliminate, invert
from ampwitness.detect.clips.measure.plateau_windows import IntArray
from ampwitness.types import FloatArray

MOST_LAST_MOVE = 0.3  # points that corners move with the last look


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

    def take(self, rows: IntArray | slice) -> LobeFit:
        return LobeFit(*(getattr(self, name)[rows] for name in self.__slots__))

    def mean_slope_v(self) -> FloatArray:
        """Mean of both flanks, volts a sample."""
        return np.asarray((self.slope_left_v + self.slope_right_v) / 2)

    def lower_slope_v(self) -> FloatArray:
        """The flatter of the two flanks, volts a sample."""
        return np.minimum(self.slope_left_v, self.slope_right_v)


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


def describe_placed(placed: Placed) -> LobeFit:
    """Everything that is kept of fits with their corners placed, with its uncertainty."""
    parts = [np.flatnonzero(placed.is_bowed == with_bow) for with_bow in (False, True)]
    fits = [_describe(placed.take(rows), with_bow) for rows, with_bow in zip(parts, (False, True), strict=True)
            if len(rows)]  # fmt: skip
    place = np.argsort(np.concatenate(parts), kind="stable")
    return LobeFit(*(np.concatenate([getattr(fit, name) for fit in fits])[place] for name in LobeFit.__slots__))


def _describe(placed: Placed, with_bow: bool) -> LobeFit:
    """`describe_placed` for fits with or without a bow."""
    order, problem, y0 = arrange(placed.windows, with_bow)
    windows = placed.windows.take(order)
    corners = np.stack((placed.left, placed.right), axis=1)[order]
    n, k, n_points = len(corners), problem.n_linear, windows.n_left + windows.n_right + 1
    coefficient, spread, shared = np.empty((k, n)), np.empty((4, n)), np.empty(n)
    rss, top_rss, smooth = np.empty(n), np.empty(n), np.empty(n)
    before, behind = np.empty((2, n), dtype=np.intp)
    for part, group, filled in problem.iter_filled(np.arange(n), corners):
        normal = np.ascontiguousarray(products(filled).transpose(1, 2, 0))
        asked = _ask(normal, problem.per[part], k)
        moves = _last_moves(problem, part, corners[part], asked)
        weights, coefficient[:, part] = _move(normal, asked, moves, problem.per[part], k)
        corners[part] += moves.T
        spread[:, part], shared[part] = asked.spread, asked.shared
        fitted = np.matmul(weights[:, None].transpose(2, 1, 0), filled[:-1].transpose(1, 0, 2))
        residual = filled[-1] - fitted[:, 0]
        residual *= residual
        rss[part] = residual.sum(axis=1)
        at = np.arange(group.n_points)
        first, last = corners[part].T + windows.n_left[part]
        before[part] = np.ceil(np.clip(first, 0, n_points[part]))
        behind[part] = np.maximum(n_points[part] - 1 - np.floor(last), 0)
        residual *= (at >= before[part, None]) & (at < (n_points - behind)[part, None])
        top_rss[part] = residual.sum(axis=1)
        n_used = 2 + np.clip(before[part], 1, 3) + np.clip(behind[part], 1, 3)
        smooth[part] = _smooth_rss(filled[-1], n_points[part], n_used)
    left, right = corners[:, 0], corners[:, 1]
    per, m = problem.per, windows.averaged
    bow = coefficient[ARCH] if problem.with_bow else np.zeros(n)
    tilt = coefficient[TILT] * per / m
    fits = LobeFit(
        start=windows.to_sample(left),
        stop=windows.to_sample(right),
        level_v=coefficient[ONE] + y0,  # the arch has no mean over the plateau
        tilt_v=tilt,
        slope_left_v=tilt - coefficient[LEFT] * per / m,
        slope_right_v=-tilt - coefficient[RIGHT] * per / m,
        flat_rss_v2=rss,
        smooth_rss_v2=smooth,
        top_rss_v2=top_rss,
        n_points=n_points,
        n_top=n_points - before - behind,
        averaged=m,
        curvature_v=-(coefficient[LEFT_2] + coefficient[RIGHT_2]) * (per / m) ** 2,
        start_sd=spread[0] * m,
        stop_sd=spread[1] * m,
        slope_sd=spread[2] * per / m,
        curvature_sd=spread[3] * (per / m) ** 2,
        correlation=shared,
        bow_share=bow_share(bow, coefficient[LEFT], coefficient[RIGHT], corners, per),
    )
    place = np.empty(n, dtype=np.intp)
    place[order] = np.arange(n)
    return fits.take(place)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What sums of products say at given corners: the linear terms there (n_linear, n), the outer terms and both
    corners' moves where those are free (6, n), and for a noise of 1 V a point standard deviations (4, n) of either
    corner, mean slope and mean curvature, and the correlation of the last two."""

    coefficient: FloatArray
    free: FloatArray
    spread: FloatArray
    shared: FloatArray


def _ask(normal: FloatArray, per: FloatArray, n_linear: int) -> _Asked:
    """Of sums of products (k, k, n), which are eliminated on the way."""
    add_ridge(normal, n_linear, n_linear)
    eliminate(normal, 0, LEFT_2)
    asked = [*range(LEFT_2, N_FLAT), *range(n_linear, n_linear + 5)]
    rest = normal[np.ix_(asked, asked)]
    eliminate(normal, LEFT_2, n_linear)
    coefficient = back_substitute(normal, n_linear, n_linear + 4)
    # In place of steps and roundings what moves with either corner.
    turn = np.zeros((6, 8, normal.shape[2]))
    turn[np.arange(4), np.arange(4)] = 1.0
    turn[4:, 4:] = _turn(coefficient)
    half = np.einsum("akn,kln->aln", turn, rest[:-1])
    open_terms = np.einsum("aln,bln->abn", half[:, :-1], turn)
    steps = np.arange(4, 6)
    open_terms[steps, steps] += RIDGE / per**2
    covariance = invert(open_terms)
    # A corner moves its whole flank: slope and curvature there go with it.
    wanted = np.zeros((2, 6, normal.shape[2]))
    wanted[0, 2:4], wanted[0, 4], wanted[0, 5] = -0.5, coefficient[LEFT_2], -coefficient[RIGHT_2]
    wanted[1, :2], wanted[1, 4], wanted[1, 5] = -1.0, 3 * coefficient[LEFT_3], -3 * coefficient[RIGHT_3]
    with_wanted = np.einsum("akn,kln->aln", wanted, covariance)
    variance = np.stack([
        covariance[4, 4] / per**2, covariance[5, 5] / per**2, *np.einsum("akn,akn->an", with_wanted, wanted),
    ])  # fmt: skip
    spread = np.sqrt(np.maximum(variance, 0))
    both = np.einsum("kn,kn->n", with_wanted[0], wanted[1])
    free = np.einsum("kln,ln->kn", covariance, half[:, -1])
    return _Asked(coefficient, free, spread, both / np.maximum(spread[2] * spread[3], 1e-30))


def _turn(coefficient: FloatArray) -> FloatArray:
    """(2, 4, n) steps and roundings that stand for either corner's move, a unit of `per`."""
    turn = np.zeros((2, 4, coefficient.shape[1]))
    turn[0, 0], turn[0, 2] = coefficient[LEFT], -2 * coefficient[LEFT_2]
    turn[1, 1], turn[1, 3] = -coefficient[RIGHT], 2 * coefficient[RIGHT_2]
    return turn


def _last_moves(problem: Problem, part: slice, corners: FloatArray, asked: _Asked) -> FloatArray:
    """(2, n) by how many points the corners still move; 0 where that is so far that it is no last step, or leads out
    of the window. An arch is not among the free terms: with one they stay."""
    moves = np.asarray(asked.free[4:] / problem.per[part])
    left, right = corners.T + moves
    is_near = (np.abs(moves) <= MOST_LAST_MOVE).all(axis=0) & (right - left >= 1) & ~problem.with_bow
    is_near &= (left >= problem.low[part]) & (right <= problem.high[part])
    return np.where(is_near, moves, 0.0)


def _move(
    normal: FloatArray, asked: _Asked, moves: FloatArray, per: FloatArray, n_linear: int
) -> tuple[FloatArray, FloatArray]:
    """(n_linear + 4, n) what everything but the volts weighs in the fit once the corners have moved, and the linear
    terms (n_linear, n) as they are counted from the new corners.

    normal : (k, k, n) as `_ask` leaves it"""
    before = asked.coefficient
    weights = np.zeros((n_linear + 4, before.shape[1]))
    weights[:n_linear] = before
    rows = np.flatnonzero(moves.any(axis=0))
    after = before.copy()
    if not len(rows):
        return weights, after
    move, by = moves[:, rows] * per[rows], before[:, rows]
    mine = np.zeros((n_linear + 4, len(rows)))
    mine[LEFT_2:N_FLAT] = asked.free[:4, rows]
    mine[n_linear:] = np.einsum("ckn,cn->kn", _turn(by), move)
    later = [*range(LEFT_2, N_FLAT), *range(n_linear, n_linear + 4)]
    for j in range(LEFT_2 - 1, -1, -1):
        known = [*range(j + 1, LEFT_2), *later]
        rest = normal[j, -1][rows] - np.einsum("kn,kn->n", normal[j, known][:, rows], mine[known])
        mine[j] = rest / normal[j, j][rows]
    weights[:, rows] = mine
    # Counted from the new corners: the line from its new middle, the flanks' powers from where they now break off.
    moved = mine[:n_linear].copy()
    moved[ONE] += mine[TILT] * (move[0] + move[1]) / 2
    moved[LEFT] -= 2 * move[0] * by[LEFT_2]
    moved[RIGHT] += 2 * move[1] * by[RIGHT_2]
    moved[LEFT_2] -= 3 * move[0] * by[LEFT_3]
    moved[RIGHT_2] += 3 * move[1] * by[RIGHT_3]
    after[:, rows] = moved
    return weights, after
