"""Flat crests at many levels: what was cut off before the amplifier, and then turned up and down behind the cut.

An amplifier's ceiling stands still or follows its supply. Plateaus that keep one level for a while, then another far
from it, at a like supply, are no ceiling of an amplifier's, not even the highest of them.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: a signal cut off before the amplifier at one constant level looks like the amplifier's own clipping.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_refuted import (
    PAUSE_S,
    by_time,
    have_not_sunk,
    have_stood_still,
    split_by_level,
)
from ampwitness.detect.clips.table.clip_candidates import Candidates
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

FEWEST = 8  # plain plateaus
NEIGHBOUR_S = 1.5
LEAST_JUMP = 0.03  # of the level, from one level to another


@dataclass(frozen=True, slots=True)
class _Rule:
    """The wider plateaus spread, the less need they be alike within one level."""

    same_share: float  # of the level: plateaus of one level
    tight_share: float  # of the plateaus that have a neighbour of their level
    least_spread: float  # of levels, 90th over 10th percentile
    asks_for_jump: bool  # straight from one such level to another


WIDE = _Rule(0.006, 0.6, 1.25, False)
NARROW = _Rule(0.002, 0.9, 1.12, True)
NARROW_KNOWN = _Rule(0.002, 0.85, 1.07, True)
BESIDE_SHARE = 0.01
LEAST_STILL = 0.1  # of a polarity's plateaus: sources mostly 0.14 and more, amplifiers none
LEAST_STANDING = 0.6  # sources 0.75 and more, amplifiers up to 0.56
LEAST_KEPT = 0.6  # correlation over pauses: sources 0.7 to 0.96, boosted supplies that stand so mostly -0.5
# Without a supply channel: plateaus that show a level, from the lowest tenth of these to the highest (of amplifiers
# beside other consumers 1.33 at most), and of all plateaus (of boosted supplies so far apart at most 0.7).
FEWEST_IN_GROUP, LEAST_APART, LEAST_TOGETHER = 3, 1.35, 0.75


def lies_at_many_levels(table: Candidates, plain: BoolArray) -> bool:
    """Whether plateaus of one polarity lie at levels that no ceiling explains.

    Parameters
    ----------
    table : candidates of one polarity
    plain : (n,) those that need no rail to be believed
    """
    rows = np.flatnonzero(plain)
    if len(rows) < FEWEST:
        return False
    rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
    level, time_s = table["level_v"][rows], table["start_s"][rows]
    change = np.abs(np.diff(level)) / level[1:]
    near = np.diff(time_s) <= NEIGHBOUR_S
    supply = table.supply[rows, -2]
    knows_supply = bool(np.all(np.isfinite(supply)) and np.all(supply > 1.0))
    views = [level, level / supply] if knows_supply else [level]  # what follows the supply stands still beside it
    for rule in (WIDE, NARROW_KNOWN if knows_supply else NARROW):
        tight = _has_neighbour((change <= rule.same_share) & near)
        jumps = change[tight[1:] & tight[:-1]] >= LEAST_JUMP
        if np.mean(tight) < rule.tight_share or (rule.asks_for_jump and not jumps.any()):
            continue
        spreads = [np.percentile(view[tight], 90) / np.percentile(view[tight], 10) for view in views]
        if min(spreads) >= rule.least_spread:
            return True
    return False


def _has_neighbour(same: BoolArray) -> BoolArray:
    """From which of n - 1 pairs in a row are alike: which of n have one like themselves beside them."""
    return np.concatenate((same, [False])) | np.concatenate(([False], same))


def is_source_for_sure(tables: list[tuple[Candidates, BoolArray]]) -> bool:
    """Whether plateaus at many levels are no amplifier's: a rail that sinks into a limit of its own looks alike.

    At some of the levels they stand still while the supply moves under them: a rail that follows its supply does not
    stand still, and one that is regulated does not step. Without a supply channel most stand at levels further apart
    than supplies are.

    Parameters
    ----------
    tables : by polarity candidates, and which of them need no rail to be believed, (n,)
    """
    sides = [by_time(table, plain) for table, plain in tables]
    if not all(bool(np.isfinite(side.supply).all()) for side in sides):
        return _stand_far_apart(sides)
    are_many = any(lies_at_many_levels(table, plain) for table, plain in tables)
    return are_many and any(_share_still(side) >= LEAST_STILL for side in sides)


def is_turned(tables: list[tuple[Candidates, BoolArray]]) -> bool:
    """Whether levels that move within notes are a cut's behind which the volume is turned: most do not lie below an
    earlier one since the last pause, and what a pause begins at it ends at. A store that runs empty brings its ceiling
    down while it is reached and fills in a pause, whatever was before; `tables` as of `is_source_for_sure`."""
    sides = [by_time(table, plain) for table, plain in tables]
    pairs = np.concatenate([_levels_about_pauses(side) for side in sides])
    if len(pairs) < FEWEST or not _mostly_stand(sides) or (np.ptp(pairs, axis=0) <= 0).any():
        return False
    return bool(np.corrcoef(pairs.T)[0, 1] >= LEAST_KEPT)


def _mostly_stand(sides: list[Candidates]) -> bool:
    """Whether most plateaus, each polarity in the order of time, do not lie below an earlier one since a pause."""
    return bool(np.mean(np.concatenate([have_not_sunk(side) for side in sides])) >= LEAST_STANDING)


def _levels_about_pauses(plateaus: Candidates) -> FloatArray:
    """(n, 2) logarithms of the levels of the last plateau before each pause and of the first after it."""
    level = np.log(plateaus["level_v"])
    last = np.flatnonzero(np.diff(plateaus["start_s"]) > PAUSE_S)
    return np.stack((level[last], level[last + 1]), axis=1)


def _share_still(plateaus: Candidates) -> float:
    """Which share of plateaus stood still while the supply moved."""
    return float(have_stood_still(plateaus).sum()) / max(len(plateaus), 1)


def _stand_far_apart(sides: list[Candidates]) -> bool:
    """Whether most plateaus stand at levels in common, further apart than any supply moves a ceiling: what sinks so far
    into a limit of its own moves within notes."""
    shares = [np.zeros(0)]  # of the highest of their polarity
    for plateaus in sides:
        groups = [group for group in split_by_level(plateaus) if len(group) >= FEWEST_IN_GROUP]
        if groups:
            level_v = plateaus["level_v"][np.concatenate(groups)]
            shares.append(level_v / level_v.max())
    standing = np.concatenate(shares)
    if len(standing) < max(FEWEST, LEAST_TOGETHER * sum(map(len, sides))):
        return False
    return bool(np.percentile(standing, 90) >= LEAST_APART * np.percentile(standing, 10))


def find_source_flats(table: Candidates, plain: BoolArray, worth: BoolArray) -> tuple[BoolArray, FloatArray]:
    """Plain plateaus and what lies level with them nearby.

    Parameters
    ----------
    table : candidates of one polarity
    plain : (n,) those that need no rail to be believed
    worth : (n,) those that may be believed beside plain ones

    Returns
    -------
    (n,) which are taken, (n,) the level of the plain ones around each, NaN where there are none.
    """
    expected = np.full(len(table), np.nan)
    rows = np.flatnonzero(plain)
    rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
    time_s, level = table["start_s"][rows], table["level_v"][rows]
    for k in np.flatnonzero(plain | worth):
        first, last = np.searchsorted(time_s, table["start_s"][k] + np.array([-NEIGHBOUR_S, NEIGHBOUR_S]))
        near = level[first:last]
        if len(near):
            expected[k] = near[np.argmin(np.abs(near - table["level_v"][k]))]
    with np.errstate(invalid="ignore"):
        beside = np.abs(table["level_v"] - expected) <= BESIDE_SHARE * table["level_v"]
    return plain | (worth & beside), expected
