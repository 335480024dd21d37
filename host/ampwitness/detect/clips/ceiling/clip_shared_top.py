"""The highest of many levels, where flat tops come back to it: a ceiling of its own, above what was flat before it.

Flat tops at many levels are a source's, or of notes that are square by themselves. But an amplifier cuts off what is
flat already, too, and brings all that is loud enough to one level. A volume that is turned leaves a level, and comes
back to the same one by chance only. So the highest level is no source's for sure where tops pile up at it, nothing
stands above it, and the output came back to it after others had been flat far below it, or stood still there alone.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: a volume that comes back to one highest mark, and square notes that are played at one highest level, look the
same: what lies there stays undecided. A ceiling that was reached once only, and no far more often than any level below,
is not told from a level of the source's.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_refuted import have_stood_still
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

SAME_SHARE = 0.004  # of the highest level, to either side: what shows it
AT_SHARE = 0.01  # and what may be at it: tops that a source had cut off just there are fitted less well
LOW_SHARE = 0.97  # of the highest level: what lies below is flat at a level of its own
HIGHER_SHARE = 1.03  # of it: so far above stands the first of a note, while a store is full
MOST_ABOVE = 0.05  # of those at it: crests and flat tops that stand higher than that
OUTSTANDING = 4.0  # times as many as at any other level
FEWEST, FEWEST_VISITS, FEWEST_IN_RUN = 8, 2, 2  # flat tops at it; times that it was reached; flat tops of each


def lies_at_shared_top(table: Candidates, shown: BoolArray, crests: HighCrests) -> BoolArray:
    """Which rows lie at a highest level that flat tops come back to.

    Parameters
    ----------
    table : (n) candidates of one polarity
    shown : (n,) those of them that are flat by their own look
    crests : the highest crests of that polarity that are no candidates

    Returns
    -------
    (n,) none where there is no such level. Levels are asked as they are and, where the supply is known, as shares of
    it, as ceilings follow it: but for those that kept a level while it moved.
    """
    rows = np.flatnonzero(shown)
    rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
    level_v, supply_v = table["level_v"], table.supply[:, -2]
    any_may = np.ones(len(table), dtype=bool)
    found = _at_shared_top(level_v, rows, any_may, crests.level_v)
    if np.isfinite(supply_v).all() and np.isfinite(crests.supply).all() and (supply_v > 1.0).all():
        may_follow = any_may.copy()
        may_follow[rows] = ~have_stood_still(table.take(rows))
        found |= _at_shared_top(level_v / supply_v, rows, may_follow, crests.level_v / crests.supply[:, -2])
    return found


def _at_shared_top(height: FloatArray, rows: IntArray, may: BoolArray, crest: FloatArray) -> BoolArray:
    """(n,) which heights lie at the highest that those of some rows, in the order of time, come back to; `may` (n,): at
    it or below, others below only."""
    top = _highest_shared(height[rows[may[rows]]], crest)
    if top is None:
        return np.zeros(len(height), dtype=bool)
    seen = height[rows[may[rows] | (height[rows] < LOW_SHARE * top)]]
    if _count_visits(seen, top) < FEWEST_VISITS and not _stands_out(seen, top):
        return np.zeros(len(height), dtype=bool)
    return np.asarray(may & (np.abs(height - top) <= AT_SHARE * top))


def _highest_shared(height: FloatArray, crest: FloatArray) -> float | None:
    """The level at which most lie that has hardly anything above it; None where there is none."""
    heights = np.sort(height)
    first, last = (
        np.searchsorted(heights, (1 - SAME_SHARE) * heights),
        np.searchsorted(heights, (1 + SAME_SHARE) * heights),
    )
    above = HIGHER_SHARE * heights
    n_above = len(heights) - np.searchsorted(heights, above) + len(crest) - np.searchsorted(np.sort(crest), above)
    n_at = np.where(n_above <= MOST_ABOVE * (last - first), last - first, 0)
    if n_at.max(initial=0) < FEWEST:
        return None
    return float(heights[np.argmax(n_at)])


def _count_visits(height: FloatArray, top: float) -> int:
    """How often flat tops, in the order of time, came up to a level after some far below it; one alone is chance."""
    at_it = np.abs(height - top) <= SAME_SHARE * top
    at_it = at_it[at_it | (height < LOW_SHARE * top)]
    runs = np.split(at_it, np.flatnonzero(np.diff(at_it)) + 1)
    kinds = np.array([run[0] for run in runs if len(run) >= FEWEST_IN_RUN], dtype=bool)
    return int(np.count_nonzero(kinds & ~np.concatenate(([False], kinds[:-1]))))


def _stands_out(height: FloatArray, top: float) -> bool:
    """Whether many times more lie at a level than at any below it: a volume that moves all the while stands still at no
    level by itself."""
    low = np.sort(height[height < LOW_SHARE * top])
    n_low = np.searchsorted(low, (1 + SAME_SHARE) * low) - np.searchsorted(low, (1 - SAME_SHARE) * low)
    n_at = int(np.count_nonzero(np.abs(height - top) <= SAME_SHARE * top))
    return len(low) >= FEWEST and n_at >= OUTSTANDING * int(n_low.max())
