"""A ceiling that shows where music dense as noise stands still: a few samples level with each other, at one height.

In noise-like music no fit fits and corners ring through every plateau. But such music never rests: four samples in a
row that hardly differ are rare at any height, and rarer high up. Where they come again and again at one level and
nowhere near above it, the output was held there. A limiter brings crests to one level too, and so what stays they
have: those are as restless as the music's own below.

Gaps: works inside one stretch.
Limits: FEWEST stays at the ceiling in a stretch. What a limiter holds at one level before a clean amplifier would show
the same, did it hold whole samples and not crests.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets full-8k full-25k clean`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.few_plateaus import rail_through_few
from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.second.clip_shelves import LEAST_LIVELY, describe_runs
from ampwitness.detect.clips.second.clip_stays import (
    Stays,
    are_below,
    find_level,
    find_stays,
    repeat,
    smooth_at,
    spread_shares,
)
from ampwitness.detect.clips.table.clip_candidates import Candidates, OneSide
from ampwitness.detect.clips.table.clip_rows import liveliness_of
from ampwitness.detect.clips.table.clip_stream import MEAN_S
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

DENSE_SHARE = 0.01  # of the highest crest: noise that only dense music seems to have
HIGH_SHARE = 0.5  # of the highest sample: lower ones are not looked at
PILE_SHARE = 0.02  # of the level: how far stays at one ceiling lie apart at most
# Natural logarithm of a likelihood ratio; in clean music single stays had up to 4.7, two and more together 1.
LEAST_ODDS, FEWEST = 4.0, 2
LEAST_BESIDE, LEAST_TOGETHER, FEWEST_TOGETHER = 1.0, 5.0, 3  # of one polarity, where both show a level,
ALIKE = 0.07  # the one so near the other
BESIDE = 2  # samples beside a stay
MOST_ROUND = 0.65  # of what one curve over all of them would bend within it: true ones 0.6 at most, round ones 0.7 to 1
# How far samples of a stay scatter, to how far those of the music's own below do, where there are many of both: under
# ceilings 0.55 to 0.85, of few at one that moves up to 1, at a limiter's level 0.83 to 1.05. In deviations above the
# first number; with how much rounder than FLAT_SHARE they are, in deviations, 3.5 under ceilings, 5 and more at a
# limiter's level.
STILLER, STILLER_SD, FEWEST_AT, FEWEST_BELOW = 0.8, 2.2, 8, 30
FLAT_SHARE, BOTH_SD = 0.12, 4.2
# What is flatter than the music's own by so many deviations was cut off all the same (a limiter's: at most 6.6).
FLATTER_SD = 10.0
LOWEST_SHARE = 0.9  # of the lowest stay: lower samples are in no run
AT_SHARE = 0.02  # of the ceiling: how far smoothed samples of a run may lie from it
RUN_S, FEWEST_SAMPLES = 1.2e-4, 2


@dataclass(frozen=True, slots=True)
class Held:
    """The level at which music was held, how far means of runs may lie from it, and the lowest stay, in volts."""

    rail: Rail
    tolerance_v: float
    lowest_v: float


@dataclass(frozen=True, slots=True)
class _Told:
    """The n stays at the level that most speaks for, logarithm of the odds, lagged supply and output at each, and the
    music's own stays below."""

    odds: float
    stays: Stays
    below: Stays
    supply: FloatArray
    output: FloatArray


def find_tight(sides: list[OneSide]) -> list[Candidates | None]:
    """Rows for samples that stay at the ceiling, where a stretch of lively music shows one; `stay_v` is its level.

    sides : a stretch, once for each polarity; rows come in the same order
    """
    told = [_stays_of(side) if _might_stand_still(side) else None for side in sides]
    found: list[Candidates | None] = []
    for side, own in zip(sides, told, strict=True):
        others = [other for other in told if other is not None and other is not own]
        held = None if own is None or not _is_level(own, others) else _held_at(side, own)
        found.append(None if held is None else _rows_at(side, held))
    return found


def _might_stand_still(side: OneSide) -> bool:
    if not len(side.candidates):  # music that fits suit shows candidates where it clips
        highest_v = float(np.max(side.crests.level_v, initial=0.0))
        if side.noise_v < DENSE_SHARE * highest_v:
            return False
    return liveliness_of(side) >= LEAST_LIVELY


def _rows_at(side: OneSide, held: Held) -> Candidates | None:
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


def _stays_of(side: OneSide) -> _Told:
    """Where a stretch stands still in one polarity, and at which level more often than by chance."""
    stretch = side.stretch
    volts = stretch.output_v * np.float32(side.sign)
    first, last = max(stretch.own_first, 1), min(stretch.own_last, len(volts) - 1)
    high = first + np.flatnonzero(volts[first:last] >= HIGH_SHARE * float(np.max(volts[first:last], initial=0.0)))
    stays = find_stays(volts, high, stretch.rate_hz)
    supply, output = side.lagged.at(stays.middle)
    knows_supply = np.isfinite(supply).all() and np.min(supply, initial=np.inf) > 1.0
    odds, at_it = find_level(stays, [np.ones(len(stays)), *(supply.T if knows_supply else ())], stretch.rate_hz)
    odds = 0.0 if repeat(stays.take(at_it)) else odds
    below = are_below(stays, at_it, stretch.rate_hz)
    return _Told(odds, stays.take(at_it), stays.take(below), supply[at_it], output[at_it])


def _is_level(own: _Told, others: list[_Told]) -> bool:
    """Whether stays prove a level, by themselves or with the other polarity's near it."""
    if own.odds >= LEAST_ODDS and len(own.stays) >= FEWEST:
        return True
    return any(
        own.odds >= LEAST_BESIDE and own.odds + other.odds >= LEAST_TOGETHER
        and len(own.stays) + len(other.stays) >= FEWEST_TOGETHER
        and abs(np.median(own.stays.level_v) - np.median(other.stays.level_v)) <= ALIKE * np.median(own.stays.level_v)
        for other in others
        if len(own.stays) and len(other.stays)
    )  # fmt: skip


def _held_at(side: OneSide, told: _Told) -> Held | None:
    """The ceiling that stays show, unless they are round, or hold no stiller than the music's own."""
    volts = side.stretch.output_v * np.float32(side.sign)
    share, sd = _roundness(volts, told.stays)
    if share > MOST_ROUND:
        return None
    restless_sd = _how_restless(volts, told.stays, told.below)
    if restless_sd > STILLER_SD and restless_sd + (share - FLAT_SHARE) / max(sd, 1e-9) > BOTH_SD:
        own_share, own_sd = _roundness(volts, told.below)
        if own_share - share < FLATTER_SD * np.hypot(sd, own_sd):
            return None
    rail = rail_through_few(told.stays.level_v, told.supply, told.output)
    if rail is None:
        return None
    typical = float(np.median(rail.predict(told.supply, told.output)))
    return Held(rail, PILE_SHARE / 2 * typical, float(np.min(told.stays.level_v)))


def _how_restless(volts: npt.NDArray[np.float32], at_it: Stays, below: Stays) -> float:
    """Standard deviations by which stays at a level scatter more than a ceiling lets them, beside those that the music
    makes by itself: something may bring it to that level, yet not hold it there."""
    if len(at_it) < FEWEST_AT or len(below) < FEWEST_BELOW:
        return 0.0
    spreads = [spread_shares(volts, stays) for stays in (at_it, below)]
    mean, own_mean = (float(np.mean(spread)) for spread in spreads)
    error, own_error = (float(np.std(spread)) / np.sqrt(len(spread)) for spread in spreads)
    both = np.hypot(error, mean / max(own_mean, 1e-12) * own_error)
    return (mean - STILLER * own_mean) / max(float(both), 1e-12)


def _roundness(volts: npt.NDArray[np.float32], stays: Stays) -> tuple[float, float]:
    """By how much stays bend over, of what they would if they fell away beside them by the same curve, as the crests of
    limited music do; and its standard deviation.

    Samples averaged with their neighbours are asked: what rings on a plateau alternates from one to the next."""
    middle, half = stays.middle, (stays.n_samples - 1) / 2
    beside = half + BESIDE

    def level(apart: FloatArray | float) -> FloatArray:
        places = np.stack((np.ceil(middle - apart), np.floor(middle + apart))).astype(np.intp)
        return np.asarray(smooth_at(volts, np.clip(places, 1, len(volts) - 2)).mean(axis=0))

    inside = level(half % 1)
    of_a_curve = (half**2 - (half % 1) ** 2) / (beside**2 - (half % 1) ** 2)
    bow, of_curve = inside - level(half), of_a_curve * (inside - level(beside))
    total = float(np.sum(of_curve))
    if total <= 0:  # nothing falls away beside them
        return (np.inf if np.sum(bow) > MOST_ROUND * total else 0.0), np.inf
    share = float(np.sum(bow)) / total
    return share, float(np.sqrt(np.sum((bow - share * of_curve) ** 2))) / total
