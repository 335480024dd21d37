"""Tops between two sharp corners that are neither level nor straight, as a ceiling that moves within a half-cycle has.

A rail that sinks while it is drawn upon, one behind a resistance that a loudspeaker draws current through out of step,
a supply at a limit of its own: each cuts half-cycles off by decibels. No line fits their tops, nor is a level common
to them. But where the output meets such a ceiling, and where it leaves it again, it breaks off: a steep, smooth flank
becomes a smooth top within two samples. Bass that went through a crossover cannot do that, far less twice in one
half-cycle. What lies level between its corners is left to the fit, which knows more.

Gaps: works inside one stretch.
Limits: bass only; tops of LEAST_TOP samples and more, whose highest sample lies near one of their corners; needs FEWEST
of them in a stretch and polarity. A pulse of a synthesiser looks the same. The overdrive is read as if flanks were a
sine's.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages clean`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import BETWEEN_CORNERS, PLAIN_AND_BETWEEN
from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.second.plainer_fits import fitted_where_plain
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide
from ampwitness.detect.clips.table.clip_rows import liveliness_of, rows_of
from ampwitness.detect.clips.table.clip_screen import samples_around
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

LIVELIEST = 0.15  # bass through a crossover; the kinks that partials of brighter bass make look like corners
FEWEST = 3
BEHIND_S = 0.012  # how far behind its first corner a top may end
N_FIT, GAP = 6, 2  # samples of a curve on either side of a corner, and from the corner to the first of them
SEEK = 2  # samples from the highest one within which the first corner lies
LEAST_TOP = 7
TOP_SLOPE, QUICK_SLOPE = 0.35, 0.5  # of the flank: what the top may rise or fall at its corner, and over some samples
QUICK_SHARE = 0.4  # of the least kink: what must show over some samples
LEAST_SD = 14.0  # of a kink, in what noise makes of one
MOST_BEND = 0.2  # of the kink, a sample: how much the curves on either side may bend
MOST_ROUGH, ROUGH_SD = 0.05, 3.2  # of the kink, and of noise: how far samples may leave their curve
MEETS = 1.5  # samples from the corner at which the curves may cross
LOWEST_TOP, HIGHEST_TOP = 0.75, 1.3  # of the top's mean: what it must stay between
LEVEL_SHARE = 0.01  # of the level: what sinks or bows less is a plateau like any other
MOVED_SD = 5.0  # noise of one sample
CORNER_SD_S = 6e-5
# How much of a bend happens within a sample and a half of it: at corners of true ceilings 0.65 to 1.1, half of them
# 0.84 and more; where partials below 700 Hz bend a wave 0.4 to 0.55, half of them 0.6 and less.
LEAST_SHARP, LEAST_HALF_SHARP = 0.63, 0.72
_NEAR, _WIDE = (1, 2), (3, 6)  # samples beside the corner between which slopes are taken


def find_corners(side: OneSide) -> Candidates | None:
    """Rows for half-cycles between two corners whose tops move, where a stretch shows some."""
    if liveliness_of(side) > LIVELIEST or len(side.crests) < FEWEST:
        return None
    crests = side.crests
    if side.blocked is not None:
        crests = crests.take(~side.blocked[crests.sample])
    at_first, at_last = _break_off(side, crests.sample)
    found = [_look(side, crests.sample[at_first], False), _look(side, crests.sample[at_last], True)]
    tops = _Tops(*(np.concatenate(columns) for columns in zip(*found, strict=True)))
    tops = tops.take(np.argsort(tops.start, kind="stable"))
    tops = tops.take(np.diff(tops.start, prepend=-np.inf) > LEAST_TOP)  # seen from both of its ends
    sharpness = _sharpness(side, tops)
    tops = tops.take(sharpness >= LEAST_SHARP)
    if len(tops.start) < FEWEST or np.median(sharpness) < LEAST_HALF_SHARP:
        return None
    moves = tops.moved_v >= LEVEL_SHARE * tops.level_v + MOVED_SD * side.noise_v
    if np.count_nonzero(moves) < FEWEST:
        return None
    slope = (tops.slope_left + tops.slope_right) / 2
    crest_v = np.maximum(sine_crest(slope, tops.stop - tops.start, tops.level_v), tops.level_v)
    rows = rows_of(
        side, tops.start, tops.stop, tops.level_v, crest_v, tops.slope_left, tops.slope_right, tops.peak_v, CORNER_SD_S,
        top_kind=BETWEEN_CORNERS,
    )  # fmt: skip
    return fitted_where_plain(side, rows.take(moves), "top_kind", PLAIN_AND_BETWEEN)


class _Tops(NamedTuple):
    """(n,) each: corners in samples of the stretch, volts sign-turned, slopes of the flanks a sample."""

    start: FloatArray
    stop: FloatArray
    level_v: FloatArray
    peak_v: FloatArray
    moved_v: FloatArray  # from the highest to the lowest of the top
    slope_left: FloatArray
    slope_right: FloatArray

    def take(self, rows: BoolArray | IntArray) -> _Tops:
        return _Tops(*(column[rows] for column in self))


class _Kinks(NamedTuple):
    """(n, places) each: by how much the slope falls from the curve before a place to the one behind it, those two
    slopes, from the place to where the curves meet, and whether it is sharp between smooth curves."""

    size: FloatArray
    before: FloatArray
    behind: FloatArray
    offset: FloatArray
    is_sharp: BoolArray


@lru_cache(maxsize=1)
def _curve() -> tuple[FloatArray, FloatArray]:
    """(3, N_FIT) taps that give value, slope and bend at the corner of a curve through the samples before it, and
    (N_FIT, N_FIT) what leaves the samples beside the curve."""
    powers = np.vander(np.arange(-(GAP + N_FIT - 1.0), -GAP + 1.0), 3, increasing=True)
    taps = np.linalg.pinv(powers)
    return taps * np.array([[1.0], [1.0], [2.0]]), np.eye(N_FIT) - powers @ taps


def _kink_noise() -> float:
    """What noise makes of a kink, in its standard deviations."""
    return float(np.sqrt(2 * np.sum(_curve()[0][1] ** 2)))


def _kinks(up: FloatArray, noise_v: float) -> _Kinks:
    """What breaks at each place of rows (n, m) that has all samples of both curves; place k is sample k + REACH."""
    taps, rest = _curve()
    views = np.lib.stride_tricks.sliding_window_view(up, N_FIT, axis=1)
    n_places = up.shape[1] - 2 * (GAP + N_FIT - 1)
    left, right = views[:, :n_places], views[:, 2 * GAP + N_FIT - 1 :][:, :n_places, ::-1]
    value, slope, bend = np.moveaxis(left @ taps.T, -1, 0)
    value_behind, slope_behind, bend_behind = np.moveaxis(right @ taps.T, -1, 0)
    size = slope + slope_behind  # the slope behind runs backwards
    offset = (value_behind - value) / np.maximum(size, 1e-12)
    is_sharp = (size >= LEAST_SD * _kink_noise() * noise_v) & (np.abs(offset) <= MEETS)
    is_sharp &= np.maximum(np.abs(bend), np.abs(bend_behind)) <= MOST_BEND * size
    at = np.nonzero(is_sharp)  # few: only of these it is asked how well the curves serve
    rough = np.maximum(np.abs(left[at] @ rest).max(axis=-1), np.abs(right[at] @ rest).max(axis=-1))
    is_sharp[at] = rough <= np.maximum(ROUGH_SD * noise_v, MOST_ROUGH * size[at])
    return _Kinks(size, slope, -slope_behind, offset, is_sharp)


def _look(side: OneSide, sample: IntArray, mirrored: bool) -> _Tops:
    """Tops whose highest sample lies at their first corner, or, mirrored, at their last one."""
    volts, reach = side.stretch.output_v, GAP + N_FIT - 1
    ahead = reach + SEEK
    behind = round(BEHIND_S * side.stretch.rate_hz) + reach
    if mirrored:
        up = samples_around(volts, sample, behind, ahead)[:, ::-1].astype(np.float64)
    else:
        up = samples_around(volts, sample, ahead, behind).astype(np.float64)
    up *= side.sign
    # Most tops that seem to break off do not when they are looked at: those need not be followed to their other end.
    begins = _kinks(up[:, : 2 * (SEEK + reach) + 1], side.noise_v)
    rows, first = np.arange(len(sample)), np.argmax(np.where(begins.is_sharp, begins.size, 0), axis=1)
    rows = np.flatnonzero(
        begins.is_sharp[rows, first] & (np.abs(begins.behind[rows, first]) <= TOP_SLOPE * begins.before[rows, first])
    )
    sample, up, first = sample[rows], up[rows], first[rows]
    kinks = _kinks(up, side.noise_v)
    rows = np.arange(len(sample))
    flank = kinks.before[rows, first]
    is_end = kinks.is_sharp & (np.arange(kinks.size.shape[1]) >= first[:, None] + LEAST_TOP)
    is_end &= np.abs(kinks.before) <= TOP_SLOPE * -kinks.behind
    # The first place that is sharp, and the sharpest beside it.
    last = np.argmax(is_end, axis=1)
    near = np.clip(last[:, None] + np.arange(2 * GAP + 1), 0, kinks.size.shape[1] - 1)
    sizes = np.where(np.take_along_axis(is_end, near, axis=1), np.take_along_axis(kinks.size, near, axis=1), 0)
    good = is_end.any(axis=1)
    last = near[rows, np.argmax(sizes, axis=1)]
    place = np.arange(up.shape[1]) - reach
    inside = (place[None, :] > first[:, None]) & (place[None, :] < last[:, None])
    n_top = np.maximum(np.count_nonzero(inside, axis=1), 1)
    level = np.where(inside, up, 0).sum(axis=1) / n_top
    lowest, highest = np.where(inside, up, np.inf).min(axis=1), np.where(inside, up, -np.inf).max(axis=1)
    good &= (level > 0) & (lowest >= LOWEST_TOP * level) & (highest <= HIGHEST_TOP * level)
    start = first + kinks.offset[rows, first] - SEEK
    stop = last + kinks.offset[rows, last] - SEEK
    flanks = flank, -kinks.behind[rows, last]
    if mirrored:
        start, stop, flanks = -stop, -start, flanks[::-1]
    return _Tops(sample + start, sample + stop, level, highest, highest - lowest, *flanks).take(good)


def _sharpness(side: OneSide, tops: _Tops) -> FloatArray:
    """(n,) how much of the bend at the rounder one of both corners happens right there, as a ratio."""
    volts = side.stretch.output_v
    out = np.full(len(tops.start), np.inf)
    for corner in (tops.start, tops.stop):
        middle = np.clip(np.rint(corner).astype(np.intp), _WIDE[1] + 1, len(volts) - _WIDE[1] - 2)
        at = middle[:, None] + np.arange(-1, 2)  # the corner may lie half a sample or more from where it was seen
        bends = [(volts[at - a] - volts[at - b] - volts[at + b] + volts[at + a]) / (b - a) for a, b in (_NEAR, _WIDE)]
        near, wide = (side.sign * bend for bend in bends)
        out = np.minimum(out, near.max(axis=1) / np.maximum(wide.max(axis=1), 1e-9))
    return out


def _break_off(side: OneSide, sample: IntArray) -> tuple[BoolArray, BoolArray]:
    """(n,) at which crests a steep flank becomes a slow top, and at which, looked at backwards: a quick look, as most
    crests are round."""
    near, far = GAP, GAP + N_FIT - 2
    volts = side.stretch.output_v
    sample = np.clip(sample, far, len(volts) - 1 - far)
    ahead, behind = ((volts[sample + d * near] - volts[sample + d * far]) * np.float32(side.sign) for d in (-1, 1))
    least_v = QUICK_SHARE * (far - near) * LEAST_SD * _kink_noise() * side.noise_v
    found = []
    for flank, falls in ((ahead, behind), (behind, ahead)):
        is_quick = (np.abs(falls) <= QUICK_SLOPE * flank) & (flank + falls >= least_v)
        found.append(np.asarray(is_quick))
    return found[0], found[1]
