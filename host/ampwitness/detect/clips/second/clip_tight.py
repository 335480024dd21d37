"""A ceiling that shows where music dense as noise stands still: a few samples level with each other, at one height.

In noise-like music no fit fits and corners ring through every plateau. But such music never rests: four samples in a
row that hardly differ are rare at any height, and rarer high up. Where they come again and again at one level and
nowhere near above it, the output was held there.

Gaps: works inside one stretch.
Limits: FEWEST stays at the ceiling in a stretch. What a limiter holds at one level before a clean amplifier would show
the same, did it hold whole samples and not crests.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets full-8k full-25k clean`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.second.clip_shelves import LEAST_LIVELY, describe_runs
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide
from ampwitness.detect.clips.table.clip_rows import liveliness_of
from ampwitness.detect.clips.table.clip_stream import MEAN_S
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

DENSE_SHARE = 0.01  # of the highest crest: noise that only dense music seems to have
HIGH_SHARE = 0.5  # of the highest sample: lower ones are not looked at
STAY_S, FEWEST_SAMPLES = 1.6e-4, 3  # samples smoothed over three, so two more are asked to keep still
STILL_SHARE = 0.03  # of the level: how far they may lie apart
TOP_SHARE = 0.65  # of the highest stay: what may be at a ceiling
PILE_SHARE = 0.02  # of the level: how far stays at one ceiling lie apart at most,
LEAST_WIDTH, WIDTH_IN_SPREADS = 0.004, 3.0  # and how far from it to either side they are counted
FEWEST = 4
MOST_ABOVE = 0.08
BESIDE, MOST_ROUND = 2, 0.4  # samples beside a stay; of what one curve over all of them would bend within it
LOWEST_SHARE = 0.9  # of the lowest stay: lower samples are in no run
AT_SHARE = 0.02  # of the ceiling: how far smoothed samples of a run may lie from it
RUN_S = 1.2e-4
BELOW_SHARE = 0.6  # stays between this and the pile say how many come by chance
TIMES_CHANCE = 3.0


@dataclass(frozen=True, slots=True)
class Held:
    """The level at which music was held, how far means of runs may lie from it, and the lowest stay, in volts."""

    rail: Rail
    tolerance_v: float
    lowest_v: float


def find_tight(side: OneSide) -> Candidates | None:
    """Rows for samples that stay at the ceiling, where a stretch of lively music shows one; `stay_v` is its level."""
    if not len(side.candidates):  # music that fits suit shows candidates where it clips
        highest_v = float(np.max(side.crests.level_v, initial=0.0))
        if side.noise_v < DENSE_SHARE * highest_v:
            return None
    if liveliness_of(side) < LEAST_LIVELY:
        return None
    held = find_held(side)
    if held is None:
        return None
    volts = side.stretch.output_v * np.float32(side.sign)
    first, last, ceiling_v, level_v = _find_runs(volts, side, held)
    if not len(first):
        return None
    rows = describe_runs(volts, side, first, last)
    # Its ends ring: the smoothed samples tell the level.
    crest_v = level_v * rows["crest_v"] / rows["level_v"]
    rows.columns.update({"stay_v": ceiling_v, "level_v": level_v, "crest_v": crest_v})
    return rows


def _find_runs(
    volts: npt.NDArray[np.float32], side: OneSide, held: Held
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """First and last sample of each run at the ceiling, the ceiling there, and the run's own level."""
    stretch = side.stretch
    nothing = np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0)
    high = np.flatnonzero(volts >= LOWEST_SHARE * held.lowest_v)
    high = high[(high >= max(stretch.own_first, 3)) & (high < min(stretch.own_last, len(volts) - 3))]
    if side.blocked is not None:
        high = high[~side.blocked[high]]
    if not len(high):
        return nothing
    block = max(1, round(MEAN_S * stretch.rate_hz))
    blocks, which = np.unique(high // block, return_inverse=True)
    ceiling = held.rail.predict(*side.lagged.at((blocks + 0.5) * block))[which]
    off = smooth_at(volts, high) - ceiling
    is_at = np.abs(off) <= AT_SHARE * ceiling
    high, ceiling, off = high[is_at], ceiling[is_at], off[is_at]
    if not len(high):
        return nothing
    breaks = np.flatnonzero(np.diff(high) > 1)
    begin, end = np.append(0, breaks + 1), np.append(breaks, len(high) - 1)
    n = end - begin + 1
    mean = np.add.reduceat(off, begin) / n
    expected = ceiling[(begin + end) // 2]
    chosen = (n >= max(FEWEST_SAMPLES, round(RUN_S * stretch.rate_hz))) & (np.abs(mean) <= held.tolerance_v)
    begin, end, mean, expected = begin[chosen], end[chosen], mean[chosen], expected[chosen]
    return high[begin] - 1, high[end] + 1, expected, expected + mean


def smooth_at(volts: npt.NDArray[np.float32], at: IntArray) -> FloatArray:
    """(n,) samples averaged with both neighbours, 1 : 2 : 1: what alternates from sample to sample goes."""
    return np.asarray((volts[at - 1] + 2 * volts[at] + volts[at + 1]) / 4, dtype=float)


def find_held(side: OneSide) -> Held | None:
    """Look for the level at which a stretch was held, in one polarity."""
    stretch = side.stretch
    volts = stretch.output_v * np.float32(side.sign)
    first, last = max(stretch.own_first, 1), min(stretch.own_last, len(volts) - 1)
    high = first + np.flatnonzero(volts[first:last] >= HIGH_SHARE * float(np.max(volts[first:last], initial=0.0)))
    n_stay = max(FEWEST_SAMPLES, round(STAY_S * stretch.rate_hz))
    middle, level = _find_stays(volts, high, n_stay)
    if len(level) < FEWEST:
        return None
    supply, output = side.lagged.at(middle)
    views = [np.ones_like(level), *(supply.T if np.isfinite(supply).all() and np.min(supply) > 1.0 else ())]
    is_in = max((_densest(level / view) for view in views), key=np.count_nonzero)
    rail = learn_rail(level[is_in], supply[is_in], output[is_in])
    if rail is None:
        return None
    expected = rail.predict(supply, output)
    typical = float(np.median(expected[is_in]))
    tolerance = min(max(WIDTH_IN_SPREADS * rail.spread_v, LEAST_WIDTH * typical), PILE_SHARE / 2 * typical)
    is_in = np.abs(level - expected) <= tolerance
    n_in, n_above = np.count_nonzero(is_in), np.count_nonzero(level > expected + tolerance)
    n_below = np.count_nonzero((level >= BELOW_SHARE * expected) & (level < expected - tolerance))
    by_chance = n_below * 2 * tolerance / ((1 - BELOW_SHARE) * typical)
    is_pile = n_in >= FEWEST + TIMES_CHANCE * by_chance and n_above <= max(1, MOST_ABOVE * n_in)
    if not is_pile or _is_round(volts, middle[is_in], n_stay):
        return None
    return Held(rail, PILE_SHARE / 2 * typical, float(np.min(level[is_in])))


def _is_round(volts: npt.NDArray[np.float32], middle: FloatArray, n_stay: int) -> bool:
    """Whether stays bend over as the crests of limited music do, which fall away beside them by the same curve.

    Samples averaged with their neighbours are asked: what rings on a plateau alternates from one to the next."""
    half = (n_stay - 1) / 2
    beside = half + BESIDE

    def level(apart: float) -> FloatArray:
        places = np.stack((np.ceil(middle - apart), np.floor(middle + apart))).astype(np.intp)
        return np.asarray(smooth_at(volts, np.clip(places, 1, len(volts) - 2)).mean(axis=0))

    inside = level(half % 1)
    bow = float(np.median(inside - level(half)))
    fall = float(np.median(inside - level(beside)))
    of_a_curve = (half**2 - (half % 1) ** 2) / (beside**2 - (half % 1) ** 2)
    return bow > MOST_ROUND * of_a_curve * fall


def _densest(level: FloatArray) -> npt.NDArray[np.bool_]:
    """(n,) those within PILE_SHARE of each other where most are so, of those that may be a ceiling's."""
    ordered = np.sort(level[level >= TOP_SHARE * float(np.max(level))])
    n_in = np.searchsorted(ordered, ordered * (1 + PILE_SHARE), side="right") - np.arange(len(ordered))
    lowest = ordered[int(np.argmax(n_in))]
    return np.asarray((level >= lowest) & (level <= lowest * (1 + PILE_SHARE)))


def _find_stays(volts: npt.NDArray[np.float32], high: IntArray, n_stay: int) -> tuple[FloatArray, FloatArray]:
    """Middles and levels of the stillest `n_stay` samples of each run of high ones that keep still so long."""
    if len(high) < n_stay:
        return np.zeros(0), np.zeros(0)
    smooth = smooth_at(volts, high)
    begin = np.flatnonzero(high[n_stay - 1 :] - high[: len(high) - n_stay + 1] == n_stay - 1)
    rows = smooth[begin[:, None] + np.arange(n_stay)]
    apart, level = np.ptp(rows, axis=1), rows.mean(axis=1)
    still = apart <= STILL_SHARE * level
    begin, apart, level = begin[still], apart[still] / level[still], level[still]
    if not len(begin):
        return np.zeros(0), np.zeros(0)
    stay = np.concatenate(([0], np.cumsum(np.diff(high[begin]) > n_stay)))
    order = np.lexsort((apart, stay))
    best = order[np.concatenate(([True], np.diff(stay[order]) > 0))]
    return high[begin[best]] + (n_stay - 1) / 2, level[best]
