"""A plateau at a ceiling that is known, measured in closed form: no search for its corners, no fit in steps.

Where the ceiling is known to a share of a per cent, the samples that lie on it are the plateau. A line through them and
a curve through either flank, by least squares with fixed weights, meet in the corners; slopes and curvature there tell
the crest as in the long way (`overdrive`). A natural crest with such flanks would bow over these samples by a fourth of
its slope times their length: tops that bow by but a part of that are cut off. Smooth flanks are followed by a cubic;
where what looks like noise is music no cubic follows, and a line through the first few samples tells more.

Gaps: works inside one stretch; flanks that its end cuts off are not measured.
Limits: plateaus of SHORTEST to LONGEST samples between flanks that fall away; all else is left to the long way.
Source: linear least squares, as in any text; the bounds are our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.measure.clip_describe import describe_fits
from ampwitness.detect.clips.measure.clip_fits import place_best_width
from ampwitness.detect.clips.measure.lobe_fit import describe_placed
from ampwitness.detect.clips.measure.overdrive import Corners, extrapolate_crests
from ampwitness.detect.clips.measure.plateau_windows import SHORTEST_FLANK_S, WIDTHS, cut_windows
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, View, join, lean_of, touches_blocked
from ampwitness.detect.clips.table.clip_screen import Crests, Suspects, run_lengths, samples_around
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

SHORTEST, LONGEST = 4, 90  # samples on a plateau
ROUNDED_FROM = 7  # samples: in shorter ones the first and last count as well, though corners round them
NEAR_REACH, FAR_REACH = 40, 96  # samples beside a crest in which its plateau ends
STRIDES = (1, 2, 4, 8)  # samples in a point of a smooth flank
FLANK_SHARE = 0.8  # of a plateau, that smooth flanks are at least long, where they fall so far
LOWEST_FLANK = 0.3  # of the level: flanks are followed no further down
PEAK_SD = 1.0  # what tops scatter: how far the highest samples of a plateau lie above it
LEAST_SAG_SD = 5.0  # what tops scatter, that a natural crest would bow by
MOST_BOW = 0.4  # of that
LEAST_FLAT = 2.5  # samples from corner to corner
MOST_TILT_SHARE = 0.012  # of the level, from end to end
MOST_TOP_CHI = 8.0  # of what samples scatter on tops, squared
PHASES_EVERY = 3  # of those by which the long way tells how well a crest is known
CORNER = 0.5  # samples outside the run: where a corner is looked for from, and the weights' errors are read
CORNERS = (-1.0, 1.5)  # within these it is taken to be


@dataclass(frozen=True, slots=True)
class _Kind:
    """How flanks are followed: points, degree of the curve, and what must hold of it."""

    n_points: int
    degree: int
    least_flatter: float  # of the flatter flank's slope to the mean of both
    most_off: float  # samples: how far from CORNER a corner may lie
    rough_share: float  # of the flank's fall, and
    rough_sd: float  # noise of one point: how far points may leave the curve
    least_gain: float  # by which a level top must serve better than a natural crest
    doubt: float  # times what its flanks tell of a crest's deviation: then intervals hold the truth in nine of ten
    band_sd: float  # what tops scatter: how far under its highest samples a plateau goes on


_SMOOTH = _Kind(12, 3, 0.25, 1.4, 0.06, 3.5, 30.0, 1.0, 8.0)
_NOISY = _Kind(4, 1, 0.055, np.inf, 0.15, 5.0, 12.0, 2.0, 4.0)


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Ceilings that are known, where crests lie, in sign-turned volts, (n,) each; `top_sd_v`: what samples on a plateau
    scatter about it; `tolerance_v`: how far plateaus lie from the ceiling at most."""

    expected_v: FloatArray
    top_sd_v: FloatArray
    tolerance_v: FloatArray
    is_noisy: bool  # whether noise is music, which no smooth flank follows

    def take(self, rows: IntArray) -> Ceiling:
        return Ceiling(self.expected_v[rows], self.top_sd_v[rows], self.tolerance_v[rows], self.is_noisy)


@dataclass(frozen=True, slots=True)
class Short:
    """What the short way made of n crests: rows for the plateaus that passed with room to spare, on which of them each
    crest lies, (n,), -1 where on none, and the first crest on each of them."""

    rows: Candidates
    row_of: IntArray
    first_of: IntArray


def measure_short(view: View, crests: Crests, ceiling: Ceiling) -> Short:
    """Measure the plateaus that crests lie on, of both polarities together: few take as many steps as many.

    Parameters
    ----------
    view : the stretch
    crests : by polarity and time
    ceiling : what is known of it where each lies
    """
    row_of = np.full(len(crests), -1, dtype=np.intp)
    volts = view.stretch.output_v
    off_v = crests.level_v - PEAK_SD * ceiling.top_sd_v - ceiling.expected_v
    at = np.flatnonzero(np.abs(off_v) <= ceiling.tolerance_v)
    kind = _NOISY if ceiling.is_noisy else _SMOOTH
    floor_v = crests.level_v[at] - kind.band_sd * ceiling.top_sd_v[at]
    first, last = find_runs(volts, crests.sign[at], crests.sample[at], floor_v)
    whole = np.flatnonzero(last >= first)
    at, first, last = at[whole], first[whole], last[whole]
    # Several crests of one plateau: the first stands for all.
    is_new = (np.diff(first, prepend=-1) > 0) | (np.diff(crests.sign[at], prepend=0.0) != 0)
    plateau = np.cumsum(is_new) - 1
    mine = np.flatnonzero(is_new)
    n = last[mine] - first[mine] + 1
    fits = np.flatnonzero((n >= SHORTEST) & (n <= LONGEST))
    rows = mine[fits]
    table, passed = _measure(view, first[rows], last[rows], crests.take(at[rows]), ceiling.take(at[rows]))
    place = np.full(len(mine), -1, dtype=np.intp)
    place[fits[passed]] = np.arange(len(passed))
    row_of[at] = place[plateau]
    return Short(table, row_of, at[rows[passed]])


def fit_at(view: View, rows: Candidates, sample: IntArray) -> Candidates:
    """The same plateaus fitted as the long way fits them, which knows smooth flanks better; corners need no search.

    sample : (n,) of a crest on each
    """
    stretch = view.stretch
    rate, n = stretch.rate_hz, len(rows)
    start, stop = (rows[name] * rate - stretch.first_index - stretch.phase for name in ("start_s", "stop_s"))
    suspects = Suspects(rows["sign"], (start + stop) / 2, (stop - start) / 2, rows["peak_v"], np.ones(n), sample)
    windows = cut_windows(stretch.output_v, rate, suspects, view.noise_v)
    shortest = SHORTEST_FLANK_S * rate / windows.averaged
    wide, narrow = (windows.narrowed(width, shortest) for width in WIDTHS)
    noise_v = np.full(n, view.noise_v)
    placed = place_best_width(wide, narrow, wide.to_point(start), wide.to_point(stop), noise_v, np.ones(n, dtype=bool))
    return describe_fits(view, wide, describe_placed(placed), rows["narrow_gain"], 0.0)


def find_runs(
    volts: npt.NDArray[np.float32], sign: FloatArray, sample: IntArray, floor_v: FloatArray
) -> tuple[IntArray, IntArray]:
    """First and last sample of the run above each one's floor around its crest; last < first where none ends."""
    first, last = sample + 1, sample.copy()
    rows = np.arange(len(sample))
    for reach in (NEAR_REACH, FAR_REACH):
        window = samples_around(volts, sample[rows], reach) * _turn(sign[rows])
        before, after = run_lengths(window, reach, floor_v[rows].astype(np.float32))
        ends = (before < reach - 1) & (after < reach - 1) & (before > 0) & (after > 0)
        done = rows[ends]
        first[done] = sample[done] - (before[ends] - 0.5).astype(np.intp)
        last[done] = sample[done] + (after[ends] - 0.5).astype(np.intp)
        rows = rows[~ends]
    return first, last


def _turn(sign: FloatArray) -> npt.NDArray[np.float32]:
    """(n, 1) by what rows of samples are multiplied so that crests point up."""
    return sign.astype(np.float32)[:, None]


@dataclass(frozen=True, slots=True)
class Tops:
    """Lines through n plateaus, but for the first and last samples of long ones, which corners round; (n,) each."""

    level_v: FloatArray
    tilt_v: FloatArray  # a sample
    bow_v: FloatArray  # from the ends to the middle
    rss_v2: FloatArray  # what line and bow leave of the squares
    n: IntArray  # samples

    @property
    def variance_v2(self) -> FloatArray:
        """Of one sample about line and bow."""
        return np.asarray(self.rss_v2 / np.maximum(self.n - 3, 1))

    def take(self, rows: IntArray) -> Tops:
        return Tops(*(getattr(self, name)[rows] for name in self.__slots__))


def measure_tops(volts: npt.NDArray[np.float32], sign: FloatArray, first: IntArray, last: IntArray) -> Tops:
    """Lines and bows through the samples from `first` to `last`, all (n,)."""
    inner = (last - first + 1 >= ROUNDED_FROM).astype(np.intp)
    n = last - first + 1 - 2 * inner
    level_v, tilt_v, bow_v, rss_v2 = np.zeros((4, len(first)))
    out = Tops(level_v, tilt_v, bow_v, rss_v2, n)
    order = np.argsort(n, kind="stable")
    for rows in np.split(order, np.searchsorted(n[order], (9, 17, 33, 65))):
        if not len(rows):
            continue
        place = np.arange(int(n[rows].max()), dtype=np.float32)
        y = samples_around(volts, first[rows] + inner[rows], 0, len(place) - 1) * _turn(sign[rows])
        base_v = y[:, 0].copy()
        y -= base_v[:, None]
        y *= place < n[rows, None]
        count = n[rows].astype(float)
        middle = (count - 1) / 2
        total, by_place, by_square = (y @ np.stack((place**0, place, place**2), axis=1)).astype(float).T
        mean = total / count
        squares = count * (count**2 - 1) / 12  # of places about the middle, and their fourth powers
        fourths = squares * (3 * count**2 - 7) / 20
        tilt = (by_place - middle * total) / np.maximum(squares, 1e-9)
        spare = np.maximum(fourths - squares**2 / count, 1e-9)
        bend = (by_square - 2 * middle * by_place + middle**2 * total - squares * mean) / spare
        rss = np.einsum("ij,ij->i", y, y, dtype=float) - count * mean**2 - tilt**2 * squares - bend**2 * spare
        out.level_v[rows], out.tilt_v[rows] = mean + base_v, tilt
        out.bow_v[rows], out.rss_v2[rows] = -bend * ((count + 1) / 2) ** 2, np.maximum(rss, 0.0)
    return out


def _measure(
    view: View, first: IntArray, last: IntArray, crests: Crests, ceiling: Ceiling
) -> tuple[Candidates, IntArray]:
    """Rows of the runs that pass, and which of them those are."""
    volts, sign = view.stretch.output_v, crests.sign
    tops = measure_tops(volts, sign, first, last)
    kind = _NOISY if ceiling.is_noisy else _SMOOTH
    stride = _strides(volts, sign, first, last, tops.level_v, kind)
    good = np.flatnonzero((stride > 0) & (np.abs(tops.level_v - ceiling.expected_v) <= ceiling.tolerance_v))
    first, last, stride, tops, peak_v = first[good], last[good], stride[good], tops.take(good), crests.level_v[good]
    sign, top_sd_v = sign[good], ceiling.top_sd_v[good]
    n = last - first + 1
    half = (n - 1) / 2
    left = _follow(volts, sign, first, -1, stride, tops.level_v - tops.tilt_v * half, -tops.tilt_v, kind)
    right = _follow(volts, sign, last, 1, stride, tops.level_v + tops.tilt_v * half, tops.tilt_v, kind)
    flat = last + right.corner - first + left.corner
    slope, lower = (left.slope_v + right.slope_v) / 2, np.minimum(left.slope_v, right.slope_v)
    sag = slope * flat / 4
    variance = np.maximum(tops.variance_v2, top_sd_v**2)
    gain = sag**2 * n * (4 / 45) / variance
    passed = (slope > 0) & (lower > kind.least_flatter * slope) & (flat >= LEAST_FLAT)
    passed &= (np.abs(tops.bow_v) <= MOST_BOW * sag) & (sag >= LEAST_SAG_SD * top_sd_v) & (gain >= kind.least_gain)
    passed &= variance <= MOST_TOP_CHI * top_sd_v**2
    passed &= np.abs(tops.tilt_v) * n <= MOST_TILT_SHARE * tops.level_v
    for flank in (left, right):
        passed &= (np.abs(flank.seen - CORNER) <= kind.most_off) & flank.is_smooth(kind, view.noise_v, stride)
    reach = kind.n_points * stride
    passed &= ~touches_blocked(view.blocked, (first - reach).astype(float), (last + reach).astype(float))
    rows = np.flatnonzero(passed)
    columns = {
        "start": first - left.corner, "stop": last + right.corner, "level_v": tops.level_v, "tilt": tops.tilt_v,
        "slope": slope, "lower": lower, "lean": lean_of(left.slope_v, right.slope_v), "gain": gain, "peak_v": peak_v,
        "misfit": tops.variance_v2 / top_sd_v**2, "top_misfit": tops.variance_v2 / view.noise_v**2,
        "n_points": n + 2.0 * kind.n_points, "window": n + 2.0 * reach,
    }  # fmt: skip
    return _rows(
        view, sign[rows], {name: column[rows] for name, column in columns.items()}, left.take(rows), right.take(rows),
        stride[rows], kind,
    ), good[rows]  # fmt: skip


def _strides(
    volts: npt.NDArray[np.float32], sign: FloatArray, first: IntArray, last: IntArray, level_v: FloatArray, kind: _Kind
) -> IntArray:
    """(n,) samples in a point of either flank; 0 where the stretch ends ahead of a flank's end."""
    stride: IntArray = np.ones(len(first), dtype=np.intp)
    if kind is _SMOOTH:
        n = last - first + 1
        for shorter, longer in pairwise(STRIDES):
            far = kind.n_points * longer
            ends = [volts[np.clip(x, 0, len(volts) - 1)] * sign for x in (first - far, last + far)]
            wants = (stride == shorter) & (kind.n_points * shorter < FLANK_SHARE * n)
            stride[wants & (np.minimum(*ends) >= LOWEST_FLANK * level_v)] = longer
    reach = kind.n_points * stride
    return np.where((first - reach >= 0) & (last + reach < len(volts)), stride, 0)


@dataclass(frozen=True, slots=True)
class _Flanks:
    """One flank of each of n plateaus, (n,) each; sign-turned volts, slopes a sample, positive where they fall away."""

    seen: FloatArray  # the corner, samples outside the run,
    corner: FloatArray  # and where it is taken to be
    slope_v: FloatArray
    curvature_v: FloatArray  # positive: bends down
    rss_v2: FloatArray
    fall_v: FloatArray  # over the points
    rough_v: FloatArray  # the point that lies furthest off
    corner_sd: FloatArray  # for noise of 1 V a point, as are variances and covariance of slope and curvature
    slope_var: FloatArray
    curvature_var: FloatArray
    covariance: FloatArray

    def take(self, rows: IntArray) -> _Flanks:
        return _Flanks(*(getattr(self, name)[rows] for name in self.__slots__))

    def is_smooth(self, kind: _Kind, noise_v: float, stride: IntArray) -> BoolArray:
        """(n,) whether all points lie near the curve."""
        most_v = kind.rough_share * self.fall_v + kind.rough_sd * noise_v / np.sqrt(stride)
        return np.asarray(self.rough_v <= most_v)


@dataclass(frozen=True, slots=True)
class _Weights:
    """(4, n_points) from a flank's points to its curve, in powers of samples outward of the run; (4, n_points) back
    again; and the covariance of value, slope and curvature at CORNER for a noise of 1 V a point."""

    curve: FloatArray
    back: FloatArray
    covariance: FloatArray


@lru_cache(maxsize=8)
def _weights(n_points: int, stride: int, degree: int) -> _Weights:
    place = 1.0 + np.arange(n_points * stride, dtype=float).reshape(n_points, stride)
    back = np.stack([(place**power).mean(axis=1) for power in range(4)])
    curve = np.zeros((4, n_points))
    curve[: degree + 1] = np.linalg.pinv(back[: degree + 1].T)
    x = CORNER
    near = np.array([[1, x, x**2, x**3], [0, 1, 2 * x, 3 * x**2], [0, 0, 2, 6 * x]]) @ curve
    return _Weights(curve, back, near @ near.T)


def _follow(
    volts: npt.NDArray[np.float32], sign: FloatArray, edge: IntArray, direction: int, stride: IntArray,
    top_v: FloatArray, tilt_v: FloatArray, kind: _Kind,
) -> _Flanks:  # fmt: skip
    """The flanks outside `edge`; the plateau's line is at `top_v` there and goes on outward by `tilt_v` a sample."""
    columns = np.zeros((len(_Flanks.__slots__), len(edge)))
    for s in np.unique(stride).tolist():
        rows = np.flatnonzero(stride == s)
        reach = kind.n_points * s
        if direction < 0:
            y = samples_around(volts, edge[rows] - 1, reach - 1, 0)[:, ::-1]
        else:
            y = samples_around(volts, edge[rows] + 1, 0, reach - 1)
        points = y.reshape(len(rows), kind.n_points, s).mean(axis=2, dtype=np.float64)
        points = points * sign[rows, None] - top_v[rows, None]
        weights = _weights(kind.n_points, s, kind.degree)
        curve = points @ weights.curve.T
        off = points - curve @ weights.back
        c0, c1, c2, c3 = curve.T
        c1 = c1 - tilt_v[rows]  # against the plateau's own line
        x = np.full(len(rows), CORNER)
        for _ in range(3):
            falls = -(c1 + x * (2 * c2 + 3 * x * c3))
            x = np.clip(x + (c0 + x * (c1 + x * (c2 + x * c3))) / np.maximum(falls, 1e-12), -2.0, 4.0)
        corner = np.clip(x, *CORNERS)
        falls = np.maximum(-(c1 + corner * (2 * c2 + 3 * corner * c3)), 1e-12)
        if kind is _NOISY:  # the output may come back at once: it has fallen all the same
            falls = np.maximum(falls, -points[:, 0] / CORNERS[1])
        bend = 2 * c2 + 6 * corner * c3
        v, by_move, by_move_2 = weights.covariance, bend / falls, 6 * c3 / falls  # a corner that moves takes others
        columns[:, rows] = (
            x, corner, falls - tilt_v[rows], -bend, np.einsum("ij,ij->i", off, off), points[:, 0] - points[:, -1],
            np.abs(off).max(axis=1), np.sqrt(v[0, 0]) / falls,
            np.maximum(v[1, 1] + 2 * by_move * v[0, 1] + by_move**2 * v[0, 0], 0.0),
            np.maximum(v[2, 2] + 2 * by_move_2 * v[0, 2] + by_move_2**2 * v[0, 0], 0.0),
            v[1, 2] + by_move_2 * v[0, 1] + by_move * v[0, 2] + by_move * by_move_2 * v[0, 0],
        )  # fmt: skip
    return _Flanks(*columns)


def _rows(
    view: View, sign: FloatArray, get: dict[str, FloatArray], left: _Flanks, right: _Flanks, stride: IntArray,
    kind: _Kind,
) -> Candidates:  # fmt: skip
    """The rows of plateaus that passed."""
    if not len(stride):
        return join([])
    stretch, rate, n = view.stretch, view.stretch.rate_hz, len(stride)
    start, stop, slope = get["start"], get["stop"], get["slope"]
    n_free = 2 * (kind.n_points - kind.degree - 1)
    point_sd = np.sqrt(np.maximum(view.noise_v**2 / stride, (left.rss_v2 + right.rss_v2) / n_free))
    slope_sd = np.sqrt(left.slope_var + right.slope_var) / 2
    curvature_sd = np.sqrt(left.curvature_var + right.curvature_var) / 2
    shared = (left.covariance + right.covariance) / 4 / np.maximum(slope_sd * curvature_sd, 1e-30)
    crest = extrapolate_crests(
        Corners(
            stop - start, get["level_v"], left.slope_v, right.slope_v, (left.curvature_v + right.curvature_v) / 2,
            slope_sd * point_sd, curvature_sd * point_sd, np.clip(shared, -0.99, 0.99), get["tilt"],
        ),
        view.lively,
        PHASES_EVERY,
    )  # fmt: skip
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    columns |= {name: get[name] for name in ("level_v", "lean", "gain", "misfit", "top_misfit", "n_points", "peak_v")}
    columns |= {
        "sign": sign,
        "start_s": np.asarray(stretch.time_s(start)),
        "stop_s": np.asarray(stretch.time_s(stop)),
        "tilt_v_per_s": get["tilt"] * rate,
        "crest_v": crest.crest_v,
        "crest_sd_v": kind.doubt * crest.sd_v,
        "flank_v_per_s": slope * rate,
        "flatter_flank_ratio": get["lower"] / slope,
        "narrow_gain": get["gain"],
        "n_top": stop - start,
        "noise_v": np.full(n, view.noise_v),
        "start_sd_s": left.corner_sd * point_sd / rate,
        "stop_sd_s": right.corner_sd * point_sd / rate,
        "supply_v": view.lagged.mean_supply(start, stop),
        "window_s": get["window"] / rate,
        "lively": np.full(n, view.lively),
    }
    return Candidates(columns, *view.lagged.at((start + stop) / 2))
