"""Tops on which full-range music lies still between flanks that fall far, as a ceiling leaves them that moves.

A rail that sinks with the current, halves that reach theirs one after the other, a limiter that lets a tenth of a volt
more through: such tops share no level, and no polynomial follows the treble of their flanks, so that neither a fit nor
a pile shows them. But for as long as the output is held the treble is gone: a line through the top leaves a tenth of
what the flanks fall at once, and it lies straight where a crest would bend. Music of its own makes some of these at any
height; a ceiling makes them at its height, of many crests that end there, and few below.

Gaps: works inside one stretch.
Limits: LEAST_RATE_HZ and more, as so many samples of a slower recording are a bass note's own crest; FEWEST of them in
a stretch, both polarities together. What a source cut off looks the same. The overdrive is read as if
flanks were a sine's.
Source: our choice, measured on made full-range music at 25 kS/s, clean, limited and cut off by ceilings that move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import PLAIN_AND_RESTS, RESTS
from ampwitness.detect.clips.ceiling.rail_model import iter_neighbours
from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.second.clip_shelves import LEAST_LIVELY
from ampwitness.detect.clips.second.plainer_fits import measured_before
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide
from ampwitness.detect.clips.table.clip_rows import liveliness_of, rows_of
from ampwitness.detect.clips.table.clip_screen import samples_around
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

LEAST_RATE_HZ = 16_000.0
LOWEST_SHARE = 0.45  # of the highest crest: lower ones are not looked at
REACH_S, MEAN_S = 4.5e-3, 2.8e-4  # looked at on either side of a crest; what a first guess of its level is the mean of
WITHIN_SHARE, WITHIN_SD = 0.008, 3.0  # of the level, and noise of one sample: how far a line may miss smoothed samples
STEPS = 3  # of drawing the line anew through what lies along it
LEAST_S = 4e-4
LEAST_BESIDE = 4  # samples beyond the corner, or half of half the top, at which flanks are asked
PLAIN_FALL, PLAIN_BOW = 10.0, 0.15  # of what a line leaves, rms; of what a parabola through the flanks would bow
PLAIN_S = 4.8e-4
FALL, BOW = 6.0, 0.25  # where they are proven
AT_TOP, BELOW = 0.88, 0.5  # of the highest of them: where a ceiling lies, and what music makes lower down
FEWEST, TIMES_BELOW = 5, 1.5
LEAST_OF_CRESTS = 0.1  # that end at the top: clean limited music has 0.01 to 0.03, cut-off music 0.16 to 0.4
TIMES_BELOW_IN_BASS, OF_CRESTS_IN_BASS = 4.0, (0.2, 0.7)  # more is asked; where all crests are flat, notes are square
NEAR_S, LEAST_OF_NEAR = 0.5, 0.95  # of the highest plain one around: ceilings move by less meanwhile
APART_S = 1e-3  # and crests that stand so near each other are ripples of one
HIGHEST_CREST = 1.06  # times the highest of them: what no ceiling lets through
CORNER_SD_S = 6e-5
AT_ONCE = 1024


@dataclass(frozen=True, slots=True)
class _Rests:
    """(n,) each: the samples that bound each top, its level and highest sample, what flanks fall a sample, and whether
    it is one, and a plain one."""

    first: FloatArray
    last: FloatArray
    level_v: FloatArray
    peak_v: FloatArray
    slope_left: FloatArray
    slope_right: FloatArray
    is_rest: BoolArray
    is_plain: BoolArray

    def take(self, rows: BoolArray | IntArray) -> _Rests:
        return _Rests(*(getattr(self, name)[rows] for name in self.__slots__))


def find_rests(sides: list[OneSide]) -> list[Candidates | None]:
    """Rows for tops on which lively music lies still, where a stretch shows that a ceiling held them.

    sides : a stretch, once for each polarity; rows come in the same order
    """
    nothing: list[Candidates | None] = [None] * len(sides)
    if not sides or sides[0].stretch.rate_hz < LEAST_RATE_HZ:
        return nothing
    found = [_look(side) for side in sides]
    n_top = n_below = n_crests = 0
    for side, rests in zip(sides, found, strict=True):
        plain_v = rests.level_v[rests.is_plain]
        highest_v = float(np.max(plain_v, initial=0.0))
        if float(np.max(side.crests.level_v, initial=0.0)) > HIGHEST_CREST * highest_v:
            n_below += len(plain_v)
            continue
        n_top += int(np.count_nonzero(plain_v >= AT_TOP * highest_v))
        n_below += int(np.count_nonzero((plain_v < AT_TOP * highest_v) & (plain_v >= BELOW * highest_v)))
        sample = np.sort(side.crests.sample[side.crests.level_v >= AT_TOP * highest_v])
        n_crests += int(np.count_nonzero(np.diff(sample) > APART_S * side.stretch.rate_hz)) + 1
    is_bass = liveliness_of(sides[0]) < LEAST_LIVELY
    least, most = OF_CRESTS_IN_BASS if is_bass else (LEAST_OF_CRESTS, 1.0)
    times = TIMES_BELOW_IN_BASS if is_bass else TIMES_BELOW
    if n_top < FEWEST or n_top < times * n_below or not least * n_crests <= n_top <= most * n_crests:
        return nothing
    return [_rows(side, rests) for side, rests in zip(sides, found, strict=True)]


def _rows(side: OneSide, rests: _Rests) -> Candidates | None:
    highest_v = float(np.max(rests.level_v[rests.is_plain], initial=0.0))
    rests = rests.take(rests.is_rest & (rests.level_v >= AT_TOP * highest_v) & (highest_v > 0))
    rests = rests.take(_lie_high(rests, side.stretch.rate_hz))
    if not len(rests.level_v):
        return None
    slope = (rests.slope_left + rests.slope_right) / 2
    crest_v = np.maximum(sine_crest(slope, rests.last - rests.first, rests.level_v), rests.level_v)
    rows = rows_of(
        side, rests.first, rests.last, rests.level_v, crest_v, rests.slope_left, rests.slope_right, rests.peak_v,
        CORNER_SD_S, top_kind=RESTS,
    )  # fmt: skip
    # What was seen of them before stays, as a ceiling that stands still is learned from that.
    return measured_before(rows, side.candidates, "top_kind", PLAIN_AND_RESTS)


def _lie_high(rests: _Rests, rate_hz: float) -> BoolArray:
    """(n,) which tops lie no lower than a ceiling sinks below the highest plain one around."""
    plain = np.flatnonzero(rests.is_plain)
    around_v = np.zeros(len(rests.level_v))
    for rows, other in iter_neighbours(rests.first, rests.first[plain], NEAR_S * rate_hz):
        around_v[rows] = np.maximum(around_v[rows], rests.level_v[plain[other]])
    return np.asarray((around_v > 0) & (rests.level_v >= LEAST_OF_NEAR * around_v))


def _look(side: OneSide) -> _Rests:
    """All tops of one polarity that may be some, each once, by time."""
    crests = side.crests
    crests = crests.take(crests.level_v >= LOWEST_SHARE * np.max(crests.level_v, initial=0.0))
    if side.blocked is not None:
        crests = crests.take(~side.blocked[crests.sample])
    sample = np.sort(crests.sample)
    parts = [_measure(side, sample[first : first + AT_ONCE]) for first in range(0, max(len(sample), 1), AT_ONCE)]
    rests = _Rests(*(np.concatenate([getattr(part, name) for part in parts]) for name in _Rests.__slots__))
    rests = rests.take(rests.is_rest)
    # Several crests of one top: the longest that was seen of it.
    order = np.argsort(rests.first, kind="stable")
    first, last = rests.first[order], rests.last[order]
    begins = np.concatenate(([True], first[1:] > np.maximum.accumulate(last)[:-1])) if len(first) else np.zeros(0, bool)
    group = np.cumsum(begins)
    best = np.lexsort((first - last, group))
    return rests.take(order[best[np.diff(group[best], prepend=0) > 0]])


def _measure(side: OneSide, sample: IntArray) -> _Rests:
    """The straight top around each crest, and how far its flanks fall."""
    rate_hz = side.stretch.rate_hz
    reach, n_mean = round(REACH_S * rate_hz), round(MEAN_S * rate_hz) | 1
    up = samples_around(side.stretch.output_v, sample, reach).astype(np.float64) * side.sign
    smooth = up.copy()
    smooth[:, 1:-1] = (up[:, :-2] + 2 * up[:, 1:-1] + up[:, 2:]) / 4
    middle, level = _highest_mean(up, reach, n_mean)
    place = np.arange(up.shape[1]) - middle[:, None]
    slope: FloatArray = np.zeros(len(sample))
    inside = np.zeros(up.shape, dtype=bool)
    within_v = WITHIN_SHARE * level + WITHIN_SD * side.noise_v
    for step in range(STEPS):
        off = np.abs(smooth - (level[:, None] + slope[:, None] * place)) > within_v[:, None] * (2 if step == 0 else 1)
        first, last = _bounds(off, middle)
        inside = (np.arange(up.shape[1]) > first[:, None]) & (np.arange(up.shape[1]) < last[:, None])
        level, slope = _line(smooth, place, inside, level)
    return _describe(up, smooth, inside, first, last, sample - reach, rate_hz)


def _highest_mean(up: FloatArray, reach: int, n_mean: int) -> tuple[IntArray, FloatArray]:
    """(n,) place and value of the highest mean of so many samples around the middle of each row."""
    total = np.cumsum(up[:, reach - 2 * n_mean : reach + 2 * n_mean + 1], axis=1)
    means = (total[:, n_mean:] - total[:, :-n_mean]) / n_mean
    at = np.argmax(means, axis=1)
    return at + reach - 2 * n_mean + 1 + n_mean // 2, means[np.arange(len(up)), at]


def _bounds(off: BoolArray, middle: IntArray) -> tuple[IntArray, IntArray]:
    """(n,) the last place before the middle and the first behind it that is off."""
    n_places = off.shape[1]
    place = np.arange(n_places)
    off[:, 0] = off[:, -1] = True
    first = np.max(np.where(off & (place <= middle[:, None]), place, 0), axis=1)
    last = np.min(np.where(off & (place >= middle[:, None]), place, n_places - 1), axis=1)
    return first, last


def _line(values: FloatArray, place: IntArray, inside: BoolArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n,) value at place 0 and slope of the line through what lies inside; what was known where that is too little."""
    n = np.count_nonzero(inside, axis=1)
    count = np.maximum(n, 1)
    x, y = np.where(inside, place, 0), np.where(inside, values, 0.0)
    mean_x, mean_y = x.sum(axis=1) / count, y.sum(axis=1) / count
    spread = (x * x).sum(axis=1) / count - mean_x**2
    slope = ((x * y).sum(axis=1) / count - mean_x * mean_y) / np.maximum(spread, 1e-9)
    is_known = n >= LEAST_BESIDE
    return np.where(is_known, mean_y - slope * mean_x, level), np.where(is_known, slope, 0.0)


def _describe(
    up: FloatArray, smooth: FloatArray, inside: BoolArray, first: IntArray, last: IntArray, at: IntArray, rate_hz: float
) -> _Rests:
    """What lies inside against a line and a parabola, and what flanks fall beyond; `at`: sample of each row's first."""
    n_places = up.shape[1]
    half = (last - first) / 2
    x = (np.arange(n_places) - ((first + last) / 2)[:, None]) / np.maximum(half, 1)[:, None]
    n = np.maximum(np.count_nonzero(inside, axis=1), 1)
    y = np.where(inside, up, 0.0)
    level = y.sum(axis=1) / n
    tilt = (y * x).sum(axis=1) / np.maximum(np.where(inside, x * x, 0).sum(axis=1), 1e-9)
    left = np.where(inside, up - level[:, None] - tilt[:, None] * x, 0.0)
    rms = np.sqrt((left * left).sum(axis=1) / n)
    bend = np.where(inside, x * x, 0.0)
    bend = np.where(inside, bend - (bend.sum(axis=1) / n)[:, None], 0.0)
    bow = -(left * bend).sum(axis=1) / np.maximum((bend * bend).sum(axis=1), 1e-9)
    beside = np.maximum(LEAST_BESIDE, np.rint(half / 2)).astype(np.intp)
    rows = np.arange(len(up))
    falls = []
    for corner, sign in ((first, -1), (last, 1)):
        beyond = np.clip(corner + sign * beside, 0, n_places - 1)
        falls.append(level + sign * tilt - smooth[rows, beyond])
    fall = np.minimum(*falls)
    of_parabola = fall / np.maximum(((half + beside) / np.maximum(half, 1)) ** 2 - 1, 1e-9)
    n_inside = last - first - 1
    ends = (first > 1) & (last < n_places - 2)
    is_rest = ends & (fall >= FALL * rms) & (bow <= BOW * of_parabola) & (n_inside >= LEAST_S * rate_hz)
    is_plain = is_rest & (fall >= PLAIN_FALL * rms) & (bow <= PLAIN_BOW * of_parabola)
    is_plain &= n_inside >= PLAIN_S * rate_hz
    peak = np.where(inside, up, -np.inf).max(axis=1)
    return _Rests(
        at + first + 0.5, at + last - 0.5, level, peak, falls[0] / beside, falls[1] / beside, is_rest, is_plain
    )
