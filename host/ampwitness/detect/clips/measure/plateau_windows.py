"""The windows of suspected plateaus, and the first search for their corners: two flanks with a line between, or smooth?

Everything here is done for many plateaus at once. A window is taken from the waveform so that it fits a fixed number of
points; from the plateau it reaches a few plateau lengths to either side, to a share of the crest's height, or to the
valley beside it, whichever comes first.

Gaps: a window ends at the stretch's end; where too little of a flank is left, `is_cut` says so.
Limits: corners to half a point.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_screen import Suspects, samples_around
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

WINDOW_LEVEL = 0.35  # windows reach down to this share of the crest
SIDE = 32
WIDTHS = (1.3, 0.8)  # flanks of the wide and the narrow view, in plateau lengths
SHORTEST_FLANK_S = 0.0006
FLANK_POINTS = 8  # in a flank, where there are so many samples
SPARE_S = 0.0004
POINTS_LEAST = 9
N_COMMON = 2  # terms that all hypotheses have in common: a constant and a slope, whatever the corners
LONG_POINTS = 24  # from here on corners are tried every other point
SHORTEST_SHARE, LONGEST_SHARE = 0.5, 2.2  # of the suspected length: the lengths that are tried
CORNER_SHARE = 0.9  # of the crest's height: a plateau does not end below
MOST_MOVE = 1.0  # points, from the grid of corners to what is between
CORNER_PART = 0.25  # of a point: so far outside a point that is on the plateau corners are tried
FEW = 100  # windows of one number of points
AT_ONCE = 64  # hypotheses whose bases are worked out together
MOVE_STEPS = 32.0  # a point; rounded, so that it does not hang on what else is looked at in single precision
LEAST_LEAVE_V = 1e-9  # a point
VALLEY_SHARE = 0.03  # of the crest's height that the wave may rise again within a window


@dataclass(frozen=True, slots=True)
class Windows:
    """n windows of up to 2 * SIDE + 1 points around suspected plateaus, sign-turned; all arrays (n, ...)."""

    sign: FloatArray
    crest: IntArray  # sample
    volts: npt.NDArray[
        np.float32
    ]  # (n, 2 * SIDE + 1), averaged over `averaged` samples; the middle point holds the centre
    middle: IntArray  # sample at which the middle point starts
    averaged: IntArray  # samples in a point
    n_left: IntArray  # points before the middle one that belong to the window
    n_right: IntArray
    centre: FloatArray  # of the plateau, in points from the middle point
    half: FloatArray  # half its length, in points
    level_v: FloatArray
    is_cut: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.middle)

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray | slice) -> Windows:
        return Windows(*(getattr(self, name)[chosen] for name in self.__slots__))

    def to_sample(self, point: FloatArray) -> FloatArray:
        """Place in points from the middle point -> sample of the stretch."""
        return np.asarray(self.middle + point * self.averaged + (self.averaged - 1) / 2)

    def to_point(self, sample: FloatArray) -> FloatArray:
        """The other way round."""
        return np.asarray((sample - self.middle - (self.averaged - 1) / 2) / self.averaged)

    def runs(self, rows: IntArray | slice, n_points: int) -> FloatArray:
        """(n, n_points) points of some windows from the first that belongs to each, in double precision; what lies
        behind a window means nothing, and the last of all must be as long."""
        at = np.arange(rows.start, rows.stop) if isinstance(rows, slice) else rows
        start = at * self.volts.shape[1] + SIDE - self.n_left[rows]
        flat = np.ascontiguousarray(self.volts).reshape(-1)
        places = np.lib.stride_tricks.as_strided(flat, (len(flat) - n_points + 1, n_points), 2 * flat.strides)
        return np.asarray(places[start], dtype=np.float64)

    def narrowed(self, width: float, shortest: FloatArray) -> Windows:
        """The same with flanks of at most `width` plateau lengths, but `shortest` points."""
        flank = np.maximum(2 * width * self.half, shortest)
        left = np.minimum(self.n_left, np.ceil(self.half + flank - self.centre).astype(np.intp))
        right = np.minimum(self.n_right, np.ceil(self.half + flank + self.centre).astype(np.intp))
        return replace(self, n_left=np.maximum(left, 1), n_right=np.maximum(right, 1)).rounded()

    def rounded(self) -> Windows:
        """The same with one of few numbers of points each, so that many windows share their bases."""
        points = self.n_left + self.n_right + 1
        step = np.where(points > 41, 8, np.where(points > 17, 4, 2))
        spare = np.where(points > POINTS_LEAST, (points - 1) % step, 0)
        left, right = self.n_left - spare // 2, self.n_right - (spare - spare // 2)
        # Not more off a side than it can spare.
        short = np.maximum(1 - left, 0) - np.maximum(1 - right, 0)
        return replace(self, n_left=left + short, n_right=right - short)


def join_windows(parts: list[Windows]) -> Windows:
    """One table from some."""
    return Windows(*(np.concatenate([getattr(part, name) for part in parts]) for name in Windows.__slots__))


def cut_windows(volts: npt.NDArray[np.float32], rate_hz: float, suspects: Suspects, noise_v: float) -> Windows:
    """Take the window around each suspected plateau.

    Parameters
    ----------
    volts : (n_samples,) volts
    rate_hz : samples a second
    suspects : where plateaus seem to be
    noise_v : standard deviation of the noise of one sample
    """
    want = suspects.half + np.maximum(2 * WIDTHS[0] * suspects.half, SHORTEST_FLANK_S * rate_hz)
    averaged = np.maximum(np.ceil(want / SIDE), 1).astype(np.intp)
    windows = _cut(volts, rate_hz, suspects, noise_v, averaged)
    # Steep flanks end a window early: then there is room for more points.
    reach = np.maximum(windows.n_left, windows.n_right) * averaged
    flank = reach - suspects.half
    most = np.maximum(
        (flank / FLANK_POINTS).astype(np.intp), np.ceil((suspects.half + FLANK_POINTS) / SIDE).astype(np.intp)
    )
    finer = np.minimum(np.minimum(averaged, most), -(-reach // SIDE))
    finer = np.maximum(finer, 1)
    rows = np.flatnonzero(finer < averaged)
    if len(rows):
        again = _cut(volts, rate_hz, suspects.take(rows), noise_v, finer[rows])
        for name in Windows.__slots__:
            getattr(windows, name)[rows] = getattr(again, name)
    return windows


def _cut(
    volts: npt.NDArray[np.float32], rate_hz: float, suspects: Suspects, noise_v: float, averaged: IntArray
) -> Windows:
    """Windows of so many samples a point, and how far each reaches."""
    n = len(suspects.sign)
    middle = np.round(suspects.centre - (averaged - 1) / 2).astype(np.intp)
    out = np.zeros((n, 2 * SIDE + 1), dtype=np.float32)
    n_left, n_right = np.zeros(n, dtype=np.intp), np.zeros(n, dtype=np.intp)
    is_cut = np.zeros(n, dtype=bool)
    centre = (suspects.centre - middle - (averaged - 1) / 2) / averaged
    half = suspects.half / averaged
    for m in np.unique(averaged):
        rows = np.flatnonzero(averaged == m)
        y = samples_around(volts, middle[rows], SIDE * m, SIDE * m + m - 1)
        if m > 1:
            total = y[:, ::m].astype(np.float64)
            for k in range(1, m):  # so few at a time are added quicker side by side than along the row
                total += y[:, k::m]
            y = (total / m).astype(np.float32)
        y *= suspects.sign[rows, None].astype(np.float32)
        out[rows] = y
        spare = max(1, round(SPARE_S * rate_hz / m))
        level = suspects.level_v[rows].astype(np.float32)
        room_left, room_right = middle[rows] // m, (len(volts) - middle[rows]) // m - 1
        left = _reach(y[:, SIDE::-1], half[rows] - centre[rows], level, noise_v, spare)
        right = _reach(y[:, SIDE:], half[rows] + centre[rows], level, noise_v, spare)
        little = 2 * half[rows] + 2
        is_cut[rows] = ((left > room_left) & (room_left < little)) | ((right > room_right) & (room_right < little))
        n_left[rows], n_right[rows] = np.minimum(left, room_left), np.minimum(right, room_right)
    return Windows(
        suspects.sign,
        suspects.crest,
        out,
        middle,
        averaged.copy(),
        n_left,
        n_right,
        centre,
        half,
        suspects.level_v,
        is_cut,
    )


def _reach(
    outward: npt.NDArray[np.float32], half: FloatArray, level: npt.NDArray[np.float32], noise_v: float, spare: int
) -> IntArray:
    """How many points a flank goes on: (n, SIDE + 1) points outward from the middle of each plateau."""
    point = np.arange(outward.shape[1])
    low = outward < WINDOW_LEVEL * level[:, None]
    deepest = np.minimum.accumulate(outward, axis=1)
    deepest += (VALLEY_SHARE * level + np.float32(4 * noise_v))[:, None]
    rises = outward > deepest
    beyond = point[None, :] > half[:, None] + 0.5
    low, rises = low & beyond, rises & beyond
    low[:, -1] = rises[:, -1] = True
    down, up = np.argmax(low, axis=1) + spare, np.argmax(rises, axis=1)
    until = np.where(point[None, :] <= up[:, None], outward, np.inf)
    valley = np.where(up < outward.shape[1] - 1, np.argmin(until, axis=1), outward.shape[1] - 1)
    return np.asarray(np.minimum(np.minimum(down, valley), outward.shape[1] - 1), dtype=np.intp)


# ---- flanks and line against one polynomial ---


@dataclass(frozen=True, slots=True)
class _Family:
    """Orthonormal bases for windows of one number of points; hypotheses sorted by the length of the plateau."""

    smooth: FloatArray  # (n_points, n_smooth)
    common: npt.NDArray[np.float32]  # (n_points, N_COMMON) terms that all hypotheses have
    flat: npt.NDArray[np.float32]  # (N_FLAT - N_COMMON, n_hypotheses, n_points), zero where one has fewer parameters
    corners: FloatArray  # (n_hypotheses, 2), in points from the window's first
    length: FloatArray  # (n_hypotheses,)
    at_left: IntArray  # (n_hypotheses,) the points next to the corners
    at_right: IntArray
    slopes: npt.NDArray[np.float32]  # (3, n_hypotheses, n_points), see `_bases`
    yields: FloatArray  # (n_hypotheses, 2, 2), see `_yields`


def _bases(n_points: int, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Orthonormal bases of "line on top, a cubic flank on either side", continuous at the corners: shorter flanks get
    fewer terms. Beside them what is to be multiplied by volts: the line's tilt and by how much either flank leaves it
    at its corner, volts a point.

    corners: (n, 2) in points; returns (n, n_points, N_FLAT) with zero columns last, and (3, n, n_points).
    """
    t = np.arange(n_points, dtype=float)[None, :]
    left, right = corners[:, :1], corners[:, 1:]
    scale = (n_points - 1) / 2
    columns = [np.ones((len(corners), n_points)), (t - (left + right) / 2) / scale]
    is_used = [np.ones(len(corners), dtype=bool)] * 2
    before, after = np.maximum(left - t, 0) / scale, np.maximum(t - right, 0) / scale
    for power in (1, 2, 3):
        for distance in (before, after):
            columns.append(distance**power)
            is_used.append(power <= np.maximum(np.count_nonzero(distance, axis=1) // 2, 0))
    used = np.stack(is_used, axis=1)
    stacked = np.stack(columns, axis=2) * used[:, None, :]
    # Unused columns go last: what they become must not touch the others.
    order = np.argsort(~used, axis=1, kind="stable")
    stacked = np.take_along_axis(stacked, order[:, None, :], axis=2)
    q, r = np.linalg.qr(stacked)
    used = np.take_along_axis(used, order, axis=1)
    q = np.asarray(q * used[:, None, :])
    diagonal = np.arange(r.shape[1])
    r[:, diagonal, diagonal] += ~used
    slopes = np.linalg.solve(r, q.transpose(0, 2, 1))[:, 1 : N_COMMON + 2] / scale
    return q, slopes.transpose(1, 0, 2)


def _yields(bases: FloatArray, corners: FloatArray) -> FloatArray:
    """(n, 2, 2) of what is left of the volts, summed up outside either corner: by how much the corners should move
    inward, times how hard their flanks leave the line. A corner that moves adds a step; the bases take their part."""
    steps = np.stack(_steps(bases.shape[1], corners), axis=1)
    steps -= np.matmul(np.matmul(steps, bases), bases.transpose(0, 2, 1))
    return np.linalg.inv(np.matmul(steps, steps.transpose(0, 2, 1)) + 1e-6 * np.eye(2))


def _steps(n_points: int, corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n, n_points) twice: 1 outside the left and the right corner, what part of a point is."""
    t = np.arange(n_points, dtype=corners.dtype)[None, :] - corners.dtype.type(0.5)
    return np.clip(corners[:, :1] - t, 0, 1), np.clip(t + 1 - corners[:, 1:], 0, 1)


@lru_cache(maxsize=64)
def _family(n_points: int) -> _Family:
    """Bases for all hypotheses about where the corners are, in a window of `n_points`."""
    lengths = sorted({max(1, round(1.6 * 1.075**k)) for k in range(60)})
    corners = []
    for length in lengths:
        step = 1 if length < LONG_POINTS else 2
        for left in range(2, n_points - length - 2, step):
            corners.append((left - CORNER_PART, left + length - 1 + CORNER_PART))
    table = np.array(corners)
    parts = []
    for some in np.array_split(table, -(-len(table) // AT_ONCE)):  # in doubles all would take 20 MB for a moment
        bases, slopes = _bases(n_points, some)
        flat = np.ascontiguousarray(bases[:, :, N_COMMON:].transpose(2, 0, 1), dtype=np.float32)
        parts.append((flat, slopes.astype(np.float32), _yields(bases, some)))
    flats, slopes_of, yields = zip(*parts, strict=True)
    common = _bases(n_points, table[:1])[0][0, :, :N_COMMON].astype(np.float32)
    x = np.linspace(-1, 1, n_points)
    smooth = np.linalg.qr(np.polynomial.legendre.legvander(x, min(8, n_points // 2) - 1))[0]
    at = np.round(table).astype(np.intp)
    return _Family(
        smooth, common, np.concatenate(flats, axis=1), table, table[:, 1] - table[:, 0],
        at[:, 0].copy(), at[:, 1].copy(), np.concatenate(slopes_of, axis=1), np.concatenate(yields),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class FlatTest:
    """Outcome of the first search, (n,) each."""

    smooth_rss_v2: FloatArray  # residual sum of squares of one polynomial
    flat_rss_v2: FloatArray  # the same of flanks and line
    hypothesis: IntArray  # which corners of the grid, of those for so many points; see `corners_between`
    n_points: IntArray

    def take(self, chosen: npt.NDArray[np.bool_] | IntArray) -> FlatTest:
        return FlatTest(*(getattr(self, name)[chosen] for name in self.__slots__))


def test_flatness(windows: Windows) -> FlatTest:
    """Compare, in each window, one polynomial with flanks and a tilted line, over a grid of corners.

    Returns
    -------
    FlatTest; NaN where a window is too short to tell.
    """
    n = len(windows)
    points = windows.n_left + windows.n_right + 1
    nan = np.full((2, n), np.nan)
    result = FlatTest(nan[0], nan[1], np.full(n, -1, dtype=np.intp), points)
    for rows, k, sizes in _alike(windows, points):
        family = _family(k)
        limits = SHORTEST_SHARE * 2.0**sizes - 1, LONGEST_SHARE * 2.0**sizes + 1
        low, high = (np.searchsorted(family.length, limit) for limit in limits)
        part = slice(int(low.min()), int(high.max()))
        if part.stop <= part.start:
            continue
        y = windows.runs(rows, k)
        is_high = y >= CORNER_SHARE * windows.level_v[rows, None]
        y -= y.mean(axis=1, keepdims=True)
        power = np.einsum("ij,ij->i", y, y)
        smooth = y @ family.smooth
        result.smooth_rss_v2[rows] = power - np.einsum("ij,ij->i", smooth, smooth)
        allowed = is_high.take(family.at_left[part], axis=1)
        allowed &= is_high.take(family.at_right[part], axis=1)
        if sizes[0] != sizes[-1]:
            place = np.arange(part.start, part.stop)
            allowed &= (place >= low[:, None]) & (place < high[:, None])
        single = y.astype(np.float32)
        best, is_found = _choose(family, part, single, allowed)
        _take_out(family, best, single)
        result.flat_rss_v2[rows] = np.where(is_found, np.einsum("ij,ij->i", single, single), power)
        result.hypothesis[rows] = best
    return result


def _take_out(family: _Family, best: IntArray, single: npt.NDArray[np.float32]) -> None:
    """Leave of each row what its hypothesis does not explain. In single precision: what a coefficient errs by lies in
    the basis, and shows but squared."""
    basis = family.flat[:, best]
    single -= single @ family.common @ family.common.T
    single -= np.einsum("tn,tnk->nk", np.einsum("tnk,nk->tn", basis, single), basis)


def corners_between(windows: Windows, hypothesis: IntArray) -> tuple[FloatArray, FloatArray]:
    """(n,) left and right corners between those of the grid, in points from the middle point of each window; NaN where
    `hypothesis` is -1. Only for windows that go on: of most the grid is all that is asked."""
    points = windows.n_left + windows.n_right + 1
    corners = np.full((2, len(windows)), np.nan)
    leaves, inward = np.zeros((2, len(windows))), np.zeros((2, len(windows)))  # how hard flanks leave; moves times that
    known = np.flatnonzero(hypothesis >= 0)
    for rows in _runs_of(known[np.argsort(points[known], kind="stable")], points):
        family, best = _family(int(points[rows[0]])), hypothesis[rows]
        y = windows.runs(rows, int(points[rows[0]]))
        y -= y.mean(axis=1, keepdims=True)
        single = y.astype(np.float32)
        leaves[:, rows] = np.einsum("tnk,nk->tn", family.slopes[1:, best], single)
        _take_out(family, best, single)
        corners[:, rows] = family.corners[best].T
        inward[:, rows] = np.einsum("nab,bn->an", family.yields[best], _sums_outside(single, family.corners[best]))
    moves = inward / np.where(np.abs(leaves) > LEAST_LEAVE_V, leaves, np.inf)
    moves = np.round(np.clip(moves, -MOST_MOVE, MOST_MOVE) * MOVE_STEPS) / MOVE_STEPS
    return corners[0] + moves[0] - windows.n_left, corners[1] - moves[1] - windows.n_left


def _alike(windows: Windows, points: IntArray) -> Iterator[tuple[IntArray, int, IntArray]]:
    """Rows of windows of one number of points, how many, and each one's length in octaves, ascending; few rows of all
    lengths together, as each group costs what two dozen rows do."""
    octave = np.round(np.log2(np.maximum(2 * windows.half, 1.0))).astype(np.intp)
    enough = np.flatnonzero(points >= POINTS_LEAST)
    order = enough[np.lexsort((octave[enough], points[enough]))]
    for rows in _runs_of(order, points):
        for some in _runs_of(rows, octave) if len(rows) > FEW else [rows]:
            yield some, int(points[some[0]]), octave[some]


def _runs_of(rows: IntArray, values: IntArray) -> list[IntArray]:
    """Rows that have one value and stand in line."""
    return np.split(rows, np.flatnonzero(np.diff(values[rows])) + 1) if len(rows) else []


def _sums_outside(left_over: npt.NDArray[np.float32], corners: FloatArray) -> npt.NDArray[np.float32]:
    """(2, n) sums of each row outside its left and its right corner, (n, 2), a quarter of a point inside counted in
    part as `_steps` does."""
    total = np.cumsum(left_over, axis=1)
    rows = np.arange(len(total))
    left, right = np.ceil(corners[:, 0]).astype(np.intp), np.floor(corners[:, 1]).astype(np.intp)
    part = np.float32(CORNER_PART)
    return np.stack((
        total[rows, left - 1] + part * left_over[rows, left],
        total[:, -1] - total[rows, right] + part * left_over[rows, right],
    ))  # fmt: skip


def _choose(
    family: _Family, part: slice, rows: npt.NDArray[np.float32], allowed: npt.NDArray[np.bool_]
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """(n,) which hypothesis of a part of the family explains most of each row, of those that are allowed and have both
    flanks fall away from the line's ends; and whether there is one."""
    explained = np.zeros(allowed.shape, dtype=np.float32)
    term = np.empty_like(explained)
    for basis in family.flat[:, part]:
        np.matmul(rows, basis.T, out=term)
        term *= term
        explained += term
    explained *= allowed
    best = np.argmax(explained, axis=1)
    tilt, left, right = np.einsum("tnk,nk->tn", family.slopes[:, part.start + best], rows)
    wrong = np.flatnonzero((left > tilt) | (right > -tilt))
    if len(wrong):
        tilts, lefts, rights = (rows[wrong] @ slopes.T for slopes in family.slopes[:, part])
        explained[wrong] *= (lefts <= tilts) & (rights <= -tilts)
        best[wrong] = np.argmax(explained[wrong], axis=1)
    return part.start + best, explained[np.arange(len(best)), best] > 0
