"""The search for the corners of plateaus, to a fraction of a point: flanks and line fitted, corners free.

The waveform is band-limited, so a corner is rounded and rings; the flank's linear term is the band-limited ramp, not
the ideal one. All candidates are fitted at once: windows of much the same length together make their sums of products,
in which everything linear is solved. What a fit is to be judged by against another is known without describing it.

Gaps: windows never reach over a segment's end; what stands there was taken out before.
Limits: plateaus shorter than about three samples cannot be told from a narrow smooth crest.
Source: Gauss-Newton with the linear terms projected out, as in any text; its limits are our choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.corner_ramp import find_in_table, rounding
from ampwitness.detect.clips.measure.many_small import back_substitute, eliminate
from ampwitness.detect.clips.measure.plateau_windows import IntArray, Windows
from ampwitness.types import FloatArray

ITERATIONS = 5
N_FLAT = 8  # linear parameters of line and flanks
RIDGE = 1e-9
WRONG_WAY = 4.0
LEAST_FALL = 0.06  # of the other flank's slope
LEAST_SLOPE_RATIO = 0.15  # of the flatter flank to the mean of both: flatter, and it is the flank of no plateau
ONE_SIDED = 1e3  # by so much such windows are made costly, however well they fit
AT_ONCE = 12_000  # points, of windows of much the same length: what is done with them stays in the processor's cache
SYSTEMS_AT_ONCE = 512
LAST_MOVE_POINTS = 0.25  # corners that would move by less do so, and then stay
SETTLED_SHARE = 0.998


# Order of the linear terms: those come last whose uncertainty is asked for, and an arch behind them.
ONE, TILT, LEFT_3, RIGHT_3, LEFT_2, RIGHT_2, LEFT, RIGHT, ARCH = range(9)


@dataclass(frozen=True, slots=True)
class _Group:
    """Windows of much the same length, rows `first` to `last` of all; (n, n_points)."""

    first: int
    last: int
    n_points: int  # of the longest
    y: FloatArray  # volts less their mean, 0 where a window has ended
    mask: FloatArray | None  # 0 there; None where all are equally long


@dataclass(frozen=True, slots=True)
class Problem:
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
        out[ONE] = 1.0
        np.subtract(t, (left + right) / 2, out=out[TILT])
        out[TILT] *= per
        for at, distance, is_left in ((k, left - t, True), (k + 1, t - right, False)):
            first, square, cube = (LEFT, LEFT_2, LEFT_3) if is_left else (RIGHT, RIGHT_2, RIGHT_3)
            step = np.add(distance, 0.5, out=out[at])
            np.minimum(np.maximum(step, 0, out=step), 1, out=step)
            np.maximum(distance, 0, out=distance)
            distance *= per
            np.multiply(rounding(*places[is_left], group.n_points, is_falling=is_left), per, out=out[at + 2])
            np.add(distance, out[at + 2], out=out[first])
            np.multiply(distance, distance, out=out[square])
            np.multiply(out[square], distance, out=out[cube])
        if self.with_bow:
            out[ARCH] = _arch(t, corners)
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


def products(filled: FloatArray) -> FloatArray:
    """(n, k, k) sums of products of what was filled."""
    rows = filled.transpose(1, 0, 2)
    return np.asarray(np.matmul(rows, rows.transpose(0, 2, 1)))


def add_ridge(normal: FloatArray, n_terms: int, n_linear: int) -> None:
    """A touch of ridge on the first terms of (k, k, n), so that unused ones stay zero."""
    diagonal = np.arange(n_terms)
    normal[diagonal, diagonal] += RIDGE * normal[diagonal[:n_linear], diagonal[:n_linear]].max(axis=0)


def _solve(normal: FloatArray, n_linear: int) -> FloatArray:
    """(10, n) of sums of products (k, k, n): residual sum of squares, the line's tilt, both flanks' slopes, the arch or
    0, and of the slopes by the corners what the linear terms leave: their squares, their product, and what they share
    with the residual."""
    out = np.empty((10, normal.shape[2]))
    for first in range(0, normal.shape[2], SYSTEMS_AT_ONCE):
        part = slice(first, first + SYSTEMS_AT_ONCE)
        a = normal[:, :, part].copy()
        add_ridge(a, n_linear, n_linear)
        eliminate(a, 0, n_linear)
        y = n_linear + 4
        # All but the first term, by going back all steps but the last.
        tilt, _, _, bend_left, bend_right, left, right, *arch = back_substitute(
            a[TILT:, TILT:], n_linear - TILT, y - TILT
        )
        rest = _by_corners(a[n_linear:y, n_linear:], left, right, bend_left, bend_right)
        bow = arch[0] if arch else np.zeros(len(left))
        out[:, part] = (a[y, y], tilt, left, right, bow, rest[0, 0], rest[0, 1], rest[1, 1], rest[0, 2], rest[1, 2])
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


def _polish_corners(problem: Problem, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gauss-Newton on both corners together with the linear terms: corners (n, 2), and (5, n) what is known of the fit
    there, as `_solve` has it first."""
    trial = _clip_corners(corners, problem.low, problem.high)
    best, best_rss = trial.copy(), np.full(len(trial), np.inf)
    known = np.empty((5, len(trial)))
    rows = np.arange(len(trial))  # those that still move
    k = problem.n_linear
    for last in [False] * (ITERATIONS - 1) + [True]:
        normal = np.empty((k + 5, k + 5, len(rows)))
        for part, _, filled in problem.iter_filled(rows, trial[rows]):
            normal[:, :, part] = products(filled).transpose(1, 2, 0)
        solved = _solve(normal, k)
        _, _, left, right, _, a, b, d, pull_left, pull_right = solved
        rss = _penalise(solved[0], -left, -right)
        better = rss < best_rss[rows]
        gained = better & (rss < SETTLED_SHARE * best_rss[rows])
        best_rss[rows] = np.where(better, rss, best_rss[rows])
        best[rows] = np.where(better[:, None], trial[rows], best[rows])
        known[:, rows[better]] = solved[:5, better]
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
        there = rows[is_there]
        best[there] = trial[there]
        # By so much as the slopes promise; less than half would be none that can be promised.
        promised = solved[0] - pull_left * move[:, 0] - pull_right * move[:, 1]
        known[0, there] = np.maximum(promised, solved[0] / 2)[is_there]
        rows = rows[(gained | ~better) & (moves > LAST_MOVE_POINTS)]
        if not len(rows):
            break
    return best, known


def _arch(t: FloatArray, corners: FloatArray) -> FloatArray:
    """A parabola over the plateau without a mean over it, going on level outside."""
    half = np.maximum((corners[:, 1] - corners[:, 0]) / 2, 0.5)
    place = (t - corners.mean(axis=1)[:, None]) / half[:, None]
    return np.where(np.abs(place) < 1, place**2 - 1 / 3, 2 / 3)


@dataclass(frozen=True, slots=True)
class Placed:
    """n windows with their corners, and what tells a good place from a bad one; (n,) arrays."""

    windows: Windows
    left: FloatArray  # corners, in points from the middle point
    right: FloatArray
    is_bowed: npt.NDArray[np.bool_]
    chi_v2: FloatArray  # residual squares a degree of freedom and sample
    is_one_sided: npt.NDArray[np.bool_]  # only one corner is in the window
    bow_share: FloatArray  # see LobeFit

    def __len__(self) -> int:
        return len(self.left)

    def take(self, rows: IntArray | npt.NDArray[np.bool_]) -> Placed:
        return Placed(self.windows.take(rows), *(getattr(self, name)[rows] for name in self.__slots__[1:]))

    def put(self, rows: IntArray, other: Placed) -> None:
        """Replace these rows."""
        for name in Windows.__slots__:
            getattr(self.windows, name)[rows] = getattr(other.windows, name)
        for name in self.__slots__[1:]:
            getattr(self, name)[rows] = getattr(other, name)

    def cost(self, noise_v: FloatArray) -> FloatArray:
        """Reduced chi-square, windows that hold one corner only made costly. `noise_v` : (n,) of one sample"""
        chi = self.chi_v2 / noise_v**2
        return np.where(self.is_one_sided, chi * ONE_SIDED, chi)


def place_corners(windows: Windows, left: FloatArray, right: FloatArray, with_bow: bool = False) -> Placed:
    """Fit line and flanks, corners free.

    Parameters
    ----------
    windows : n windows, crests pointing up
    left, right : (n,) first guess of the corners, in points from the middle point of each window
    with_bow : let plateaus bow, as rails do that sink and recover within one
    """
    order, problem, _ = arrange(windows, with_bow)
    corners, known = _polish_corners(problem, np.stack([left, right], axis=1)[order])
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    corners, (rss, tilt, fall_left, fall_right, bow) = corners[place], known[:, place]
    n_points = windows.n_left + windows.n_right + 1
    slope_left, slope_right = tilt - fall_left, -tilt - fall_right
    return Placed(
        replace(windows, **{name: getattr(windows, name).copy() for name in Windows.__slots__}),
        corners[:, 0].copy(),
        corners[:, 1].copy(),
        np.full(len(order), with_bow),
        rss / np.maximum(n_points - N_FLAT - 2, 2) * windows.averaged,
        np.minimum(slope_left, slope_right) < LEAST_SLOPE_RATIO * (slope_left + slope_right) / 2,
        bow_share(bow, fall_left, fall_right, corners, 2.0 / n_points),
    )


def bow_share(
    bow: FloatArray, fall_left: FloatArray, fall_right: FloatArray, corners: FloatArray, per: FloatArray
) -> FloatArray:
    """(n,) how far plateaus bow, in crests that the flanks promise; terms as they are fitted."""
    promised = -(fall_left + fall_right) / 2 * (corners[:, 1] - corners[:, 0]) / 2 * per / 2
    return np.abs(bow) / np.maximum(promised, 1e-12)


def arrange(windows: Windows, with_bow: bool) -> tuple[IntArray, Problem, FloatArray]:
    """Windows by their length: the order of their rows, and in that order the problem and their mean volts."""
    every = windows.n_left + windows.n_right + 1
    order = np.argsort(every, kind="stable")
    windows, n_points = windows.take(order), every[order]
    edges = [0, *(np.flatnonzero(np.diff(np.cumsum(n_points) // AT_ONCE)) + 1).tolist(), len(n_points)]
    groups = []
    y0 = np.empty(len(n_points))
    for first, last in pairwise(edges):
        n = int(n_points[last - 1])
        rows = slice(first, last)
        mask = None if n_points[first] == n else (np.arange(n) < n_points[rows, None]).astype(float)
        y = windows.runs(rows, n)
        if mask is not None:
            y *= mask
        y0[rows] = y.sum(axis=1) / n_points[rows]
        y -= y0[rows, None] if mask is None else y0[rows, None] * mask
        groups.append(_Group(first, last, n, y, mask))
    room = np.empty((N_FLAT + with_bow + 5) * max(group.y.size for group in groups))
    low, high = -windows.n_left + 1.2, windows.n_right - 1.2
    problem = Problem(groups, windows.n_left, windows.averaged, 2.0 / n_points, low, high, with_bow, room)
    return order, problem, y0
