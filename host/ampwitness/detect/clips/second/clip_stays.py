"""Where lively music stands still, and at which level it does so more often than chance would have it.

A stay is a run of smoothed samples that hardly differ. Music of its own makes stays at any height, the fewer the longer
they are and the higher they lie; a ceiling makes them at one level, and none above it. So stays are counted by length,
lower ones say how many a level has by chance, and what it has beyond that is weighed by the odds of Poisson's law.

Gaps: works inside one stretch.
Limits: a limiter that holds whole samples at one level shows the same.
Source: the likelihood ratio of Poisson counts is common knowledge; the numbers are our choice, measured by
`python -m ampwitness.bench.clip_scores --sets full-8k full-25k clean`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

STILL_SHARE = 0.02  # of the level: how far smoothed samples of a stay lie apart at most
STEP_S = 5.3e-5  # but no less than a sample
LENGTHS = (2, 3, 4, 5, 7)  # of the steps: where classes of stays begin
LONGER_STILL = 2  # times the last of them: how much longer a stay may be makes no difference
SHORTEST_TOLD = 3  # steps: shorter ones only add to others
NEAR_SHARE = 0.01  # of a level: how far stays at it lie from it
BELOW_SHARES = (0.6, 0.94)  # of a level: between these stays are the music's own
ONCE_MORE = (1.0, 0.5, 0.25, 0.12, 0.06)  # stays of each class that might have been among those, had none been
HIGHEST_SHARE = 0.9  # of the highest stay: where a ceiling may lie
MOST_ABOVE = 0.15  # of the stays at a level: longer ones above it
FEWEST_REPEATS, SAME_APART = 4, 0.05  # distances between stays; of a distance, that the next one may differ
TIMES_CHANCE = 3.0  # as many as by chance, at least: at a limiter's level 1.4 to 3.6, of true ones 3.1 and more


@dataclass(frozen=True, slots=True)
class Stays:
    """Runs of still samples, (n,) each: middle (samples of the stretch), mean level in volts, length in samples."""

    middle: FloatArray
    level_v: FloatArray
    n_samples: IntArray

    def __len__(self) -> int:
        return len(self.middle)

    def take(self, rows: BoolArray) -> Stays:
        return Stays(self.middle[rows], self.level_v[rows], self.n_samples[rows])


def _step_samples(rate_hz: float) -> float:
    return max(1.0, STEP_S * rate_hz)


def smooth_at(volts: npt.NDArray[np.float32], at: IntArray) -> FloatArray:
    """(n,) samples averaged with both neighbours, 1 : 2 : 1: what alternates from sample to sample goes."""
    return np.asarray((volts[at - 1] + 2 * volts[at] + volts[at + 1]) / 4, dtype=float)


def find_stays(volts: npt.NDArray[np.float32], high: IntArray, rate_hz: float) -> Stays:
    """The longest stay of each place where some overlap.

    Parameters
    ----------
    volts : (n_samples,) volts, turned so that the polarity asked for is positive
    high : places of samples that are looked at, ascending; none of the first or the last
    rate_hz : samples a second
    """
    step = _step_samples(rate_hz)
    n, n_most = round(LENGTHS[0] * step), round(LONGER_STILL * LENGTHS[-1] * step)
    smooth = smooth_at(volts, high)
    begin = np.flatnonzero(high[n - 1 :] - high[: len(high) - n + 1] == n - 1)
    rows = smooth[begin[:, None] + np.arange(n)]
    low, top, total = rows.min(axis=1, initial=np.inf), rows.max(axis=1, initial=-np.inf), rows.sum(axis=1)
    first, length, level = [begin[:0]], [begin[:0]], [smooth[:0]]
    while len(begin):
        still = top - low <= STILL_SHARE * total / n
        begin, low, top, total = begin[still], low[still], top[still], total[still]
        first.append(begin)
        length.append(np.full(len(begin), n))
        level.append(total / n)
        goes_on = begin + n < len(high)
        goes_on[goes_on] &= high[begin[goes_on] + n] - high[begin[goes_on]] == n
        begin, low, top, total = begin[goes_on], low[goes_on], top[goes_on], total[goes_on]
        if n >= n_most:
            break
        new = smooth[begin + n]
        low, top, total, n = np.minimum(low, new), np.maximum(top, new), total + new, n + 1
    return _longest(high, np.concatenate(first), np.concatenate(length), np.concatenate(level))


def _longest(high: IntArray, first: IntArray, length: IntArray, level_v: FloatArray) -> Stays:
    """Of stays that overlap the longest one."""
    if not len(first):
        return Stays(np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.intp))
    order = np.lexsort((-length, first))
    order = order[np.diff(first[order], prepend=-1) > 0]  # of each beginning
    first, length, level_v = first[order], length[order], level_v[order]
    at = high[first]
    stops = np.maximum.accumulate(at + length)
    place = np.cumsum(np.concatenate(([True], at[1:] > stops[:-1])))
    best = np.lexsort((-length, place))
    best = best[np.diff(place[best], prepend=0) > 0]
    return Stays(at[best] + (length[best] - 1) / 2, level_v[best], length[best])


def find_level(stays: Stays, views: list[FloatArray], rate_hz: float) -> tuple[float, BoolArray]:
    """The level at which there are most more stays than chance would have.

    Parameters
    ----------
    stays : n of them
    views : (n,) each: what the level may go with, such as 1 or the supply
    rate_hz : samples a second

    Returns
    -------
    Natural logarithm of the likelihood ratio, 0 where no level has more; and (n,) which stays lie at it, of
    SHORTEST_TOLD and more.
    """
    steps = stays.n_samples / _step_samples(rate_hz)
    edges = [least - 0.5 for least in LENGTHS] + [np.inf]
    told = steps >= SHORTEST_TOLD - 0.5
    best, members = 0.0, np.zeros(len(stays), dtype=bool)
    for view in views:
        level = stays.level_v / view
        tried = np.unique(level[told & (level >= HIGHEST_SHARE * np.max(level, initial=0.0))])
        if not len(tried):
            continue
        odds, n_told, told_by_chance = (np.zeros(len(tried)) for _ in range(3))
        for least, most, once_more in zip(edges[:-1], edges[1:], ONCE_MORE, strict=True):
            mine = np.sort(level[(steps >= least) & (steps < most)])
            n_below = np.diff([np.searchsorted(mine, share * tried) for share in BELOW_SHARES], axis=0)[0]
            by_chance = (n_below + once_more) * 2 * NEAR_SHARE / (BELOW_SHARES[1] - BELOW_SHARES[0])
            n_at = _count(mine, (1 - NEAR_SHARE) * tried, (1 + NEAR_SHARE) * tried)
            more = np.maximum(n_at, by_chance)
            odds += more * np.log(more / by_chance) - (more - by_chance)
            if least >= SHORTEST_TOLD - 0.5:
                n_told += n_at
                told_by_chance += by_chance
        above = _count(np.sort(level[told]), (1 + 1.5 * NEAR_SHARE) * tried, np.full(len(tried), np.inf))
        odds[(above > MOST_ABOVE * n_told) | (n_told < TIMES_CHANCE * told_by_chance)] = 0.0
        at = int(np.argmax(odds))
        if odds[at] > best:
            best, members = float(odds[at]), told & (np.abs(level - tried[at]) <= NEAR_SHARE * tried[at])
    return best, members


def are_below(stays: Stays, at_it: BoolArray, rate_hz: float) -> BoolArray:
    """(n,) which stays of SHORTEST_TOLD and more are the music's own, below those at a level (n,)."""
    level_v = float(np.median(stays.level_v[at_it])) if at_it.any() else np.nan
    low, high = (share * level_v for share in BELOW_SHARES)
    is_told = stays.n_samples >= (SHORTEST_TOLD - 0.5) * _step_samples(rate_hz)
    return np.asarray(is_told & (stays.level_v >= low) & (stays.level_v <= high))


def spread_shares(volts: npt.NDArray[np.float32], stays: Stays) -> FloatArray:
    """(n,) standard deviation of the smoothed samples of each stay, as a share of its level."""
    spread = np.zeros(len(stays))
    first = np.rint(stays.middle - (stays.n_samples - 1) / 2).astype(np.intp)
    for n in np.unique(stays.n_samples):
        rows = np.flatnonzero(stays.n_samples == n)
        spread[rows] = smooth_at(volts, first[rows, None] + np.arange(n)).std(axis=1)
    return np.asarray(spread / stays.level_v)


def repeat(stays: Stays) -> bool:
    """Whether most stays come again at one distance: a wave that repeats, of which chance says nothing."""
    apart = np.diff(np.sort(stays.middle))
    if len(apart) < FEWEST_REPEATS:
        return False
    is_same = np.abs(np.diff(apart)) <= SAME_APART * apart[1:]
    return bool(np.mean(is_same) > 0.5)


def _count(ordered: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """How many of `ordered` lie between each pair of bounds, both included."""
    return np.asarray(np.searchsorted(ordered, high, "right") - np.searchsorted(ordered, low), dtype=float)
