"""Whether a ceiling follows the supply beyond chance, though rails of their own scatter plateaus about it.

A rail comes from the supply: where that sags, under the amplifier's own load or another's, the ceiling sinks with it,
in proportion and, as reservoirs sink too, by more. A limit of the current knows nothing of the supply, and what gets
over it rises with the drive, so it stands higher where the supply is lower. A source's level minds neither. So

    log level = a + b * log lagged supply

is asked of both polarities' plateaus at once, twice: within notes (an a for each note: whatever makes one note's level
another's is no evidence), and over all of them (an a and a straight line in time for each polarity: a battery that runs
down while something warms up is none either). Plateaus in a row are much alike, so pieces of notes, or notes, are
counted instead: each is left out in turn, and how far b moves then is its uncertainty (jackknife).

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: needs the supply, and FEWEST notes, or pieces of them, under which it differed. A limit of the current that
comes down within a note as fast as the supply sags looks the same.
Source: the delete-a-group jackknife is B. Efron's (1982), by its principle, from memory; the limits are our choice,
measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_candidates import Candidates
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

PAUSE_S, LONGEST_S, PIECE_S = 0.25, 1.0, 0.2  # between notes, of a note that counts as one, of a piece of it
FEWEST, FEWEST_OF_SIDE = 5, 5  # notes or pieces, and plateaus of a polarity that says something
SURE_SD = 3.2  # one of 1,500 by chance, of a normal distribution; more where notes are few
LEAST_SLOPE, MOST_SLOPE = 0.6, 8.0  # of log level in log supply
# Of rounded tops, less their drive: soft ceilings 0.83 to 1.12, what saturated before the amplifier at most 0.72.
LEAST_ROUNDED = 0.8
LEAST_MOVED = 0.0003  # of the supply, standard deviation
BELOW, ABOVE = 0.97, 1.05  # of the level that follows: where a plateau lies at it


@dataclass(frozen=True, slots=True)
class Follower:
    """A ceiling that follows the supply: the level at each lagged supply, by polarity."""

    slope: float
    lag: int
    constant: dict[float, float]  # by sign

    def at_it(self, table: Candidates, level_v: FloatArray) -> BoolArray:
        """(n,) which rows of one polarity lie at it."""
        if not len(table):
            return np.zeros(0, dtype=bool)
        constant = self.constant.get(float(table["sign"][0]))
        if constant is None:
            return np.zeros(len(table), dtype=bool)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = level_v / np.exp(constant + self.slope * np.log(table.supply[:, self.lag]))
        return np.asarray((share >= BELOW) & (share <= ABOVE))


def find_follower(sides: list[tuple[Candidates, FloatArray]], *, without_drive: bool = False) -> Follower | None:
    """The ceiling that follows the supply, None where chance may do it.

    Parameters
    ----------
    sides : by polarity plateaus that were taken, and the level of each, (n,) V
    without_drive : whether only that part of the supply counts that does not go with how high the crests would have
        gone: so for rounded tops, whose levels are read a little off as they are driven, and the supply sags with that
    """
    sides = [(table, level_v) for table, level_v in sides if len(table) >= FEWEST_OF_SIDE]
    if not sides or not all(np.isfinite(table.supply).all() and (table.supply > 0).all() for table, _ in sides):
        return None
    start_s = np.concatenate([table["start_s"] for table, _ in sides])
    side = np.repeat(np.arange(len(sides)), [len(table) for table, _ in sides])
    level = np.log(np.concatenate([level_v for _, level_v in sides]))
    lagged = np.log(np.concatenate([table.supply for table, _ in sides]))
    crest = np.log(np.concatenate([np.maximum(table["crest_v"], 1e-9) for table, _ in sides]))
    note, piece = _number_notes(start_s, LONGEST_S), _number_notes(start_s, PIECE_S)
    least = LEAST_ROUNDED if without_drive else LEAST_SLOPE
    best: tuple[float, int, float] | None = None
    for lag in range(lagged.shape[1]):
        all_three = np.stack((lagged[:, lag], level, crest))
        views = _without_mean(all_three, side * len(note) + note), _without_trend(all_three, start_s, side)
        both = [_without_last(view, side) if without_drive else view[:2] for view in views]
        within, over_all = _slope(both[0], side, piece), _slope(both[1], side, note)
        for surplus, slope in (within, over_all):
            if surplus > 1.0 and least <= slope <= MOST_SLOPE and (best is None or surplus > best[0]):
                best = surplus, lag, slope
    if best is None:
        return None
    _, lag, slope = best
    constant = {
        float(table["sign"][0]): float(np.median(np.log(level_v) - slope * np.log(table.supply[:, lag])))
        for table, level_v in sides
    }
    return Follower(slope, lag, constant)


def _number_notes(start_s: FloatArray, longest_s: float) -> IntArray:
    """(n,) which note, or piece of one, each plateau lies in."""
    order = np.argsort(start_s, kind="stable")
    is_first = np.concatenate(([True], np.diff(start_s[order]) > PAUSE_S))
    begun_s = start_s[order][np.maximum.accumulate(np.where(is_first, np.arange(len(order)), 0))]
    part = np.stack((np.cumsum(is_first), (start_s[order] - begun_s) // longest_s), axis=1)
    note = np.empty(len(order), dtype=np.intp)
    note[order] = np.unique(part, axis=0, return_inverse=True)[1].ravel()
    return note


def _without_mean(values: FloatArray, of: IntArray) -> FloatArray:
    """(2, n) values less the mean of those that share a number of `of` (n,)."""
    of = np.unique(of, return_inverse=True)[1].ravel()
    count = np.bincount(of)
    return np.stack([row - (np.bincount(of, row) / count)[of] for row in values])


def _without_trend(values: FloatArray, start_s: FloatArray, side: IntArray) -> FloatArray:
    """(2, n) values less the straight line in time that is nearest to those of each polarity."""
    values, since = _without_mean(values, side), _without_mean(start_s[None, :], side)[0]
    spread = np.maximum(np.bincount(side, since**2), 1e-12)
    return np.stack([row - since * (np.bincount(side, since * row) / spread)[side] for row in values])


def _without_last(values: FloatArray, side: IntArray) -> FloatArray:
    """(3, n) values of mean 0 -> (2, n) the first two less what goes in proportion with the last in each polarity."""
    *rows, last = values
    size = np.maximum(np.bincount(side, last**2), 1e-12)
    return np.stack([row - last * (np.bincount(side, last * row) / size)[side] for row in rows])


def _slope(both: FloatArray, side: IntArray, group: IntArray) -> tuple[float, float]:
    """By how many times the slope of level in supply (2, n) stands further above nothing than is asked, and the slope;
    0 where a polarity by itself speaks against it."""
    supply, level = both
    n_groups = int(group.max()) + 1
    spread, common = (np.bincount(group, supply * of, n_groups) for of in (supply, level))
    if (
        n_groups < FEWEST
        or spread.sum() < len(level) * LEAST_MOVED**2
        or np.any(np.bincount(side, supply * level) <= 0)
    ):
        return 0.0, 0.0
    slope = float(common.sum() / spread.sum())
    without = (common.sum() - common) / np.maximum(spread.sum() - spread, 1e-12)
    sd = float(np.sqrt((n_groups - 1) / n_groups * np.sum((without - without.mean()) ** 2)))
    return slope / max(sd, 1e-9) / _asked(n_groups - 1), slope


def _asked(n_free: int) -> float:
    """SURE_SD as Student's t at so many degrees of freedom has it (the first terms of its series in 1 / n)."""
    z = SURE_SD
    return z + (z**3 + z) / (4 * n_free) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n_free**2)
