"""Flat crests at many levels: what was cut off before the amplifier, and then turned up and down behind the cut.

An amplifier's ceiling stands still or follows its supply. Plateaus that keep one level for a while, then another far
from it, at a like supply, are no ceiling of an amplifier's, not even the highest of them.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: a signal cut off before the amplifier at one constant level looks like the amplifier's own clipping.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import Candidates
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

FEWEST = 8  # plain plateaus
NEIGHBOUR_S = 1.5
SAME_SHARE = 0.006  # of the level: plateaus of one level
TIGHT_SHARE = 0.6  # of the plateaus that have a neighbour of their level
LEAST_SPREAD = 1.10  # of levels, 90th over 10th percentile, a volt of supply
LEAST_SPREAD_NO_SUPPLY = 1.25
BESIDE_SHARE = 0.01


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
    supply = table.supply[rows, -2]
    knows_supply = bool(np.all(np.isfinite(supply)) and np.all(supply > 1.0))
    scaled = level / supply if knows_supply else level
    same = (np.abs(np.diff(level)) <= SAME_SHARE * level[1:]) & (np.diff(time_s) <= NEIGHBOUR_S)
    tight = np.concatenate((same, [False])) | np.concatenate(([False], same))
    low, high = np.percentile(scaled[tight], [10, 90]) if tight.any() else (1.0, 1.0)
    least = LEAST_SPREAD if knows_supply else LEAST_SPREAD_NO_SUPPLY
    return bool(np.mean(tight) >= TIGHT_SHARE and high >= least * low)


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
