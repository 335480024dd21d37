"""Crests that just come up to a ceiling of which but one or two plateaus are known.

Two plateaus make no ceiling that little evidence may lean on: in hours of music a flat crest or two is chance. But
where they are clips by themselves, a crest that ends within noise of their level, and was cut off there for all that
its flanks and its top say, is no chance: few crests end there at all.

Gaps: works on tables of crests; a gap leaves out those it cuts off.
Limits: bass only, as `clip_odds`.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets bass clean`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import (
    PROMISED_ABOVE_SD,
    PROMISED_NOISE_SHARE,
    SHORTEST_PROMISED,
    was_cut_off_at,
)
from ampwitness.detect.clips.judge.clip_topmost import round_levels
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

TOUCHES_S = 5e-4


def joins_few(
    table: Candidates, crests: HighCrests, sign: float, expected_v: FloatArray, accepted: BoolArray, inliers: BoolArray
) -> BoolArray:
    """(n,) which faint crests were cut off at the ceiling that one or two plateaus show.

    Where more round crests end at that level than flat ones it is none: a limiter's, or a steady note's.

    Parameters
    ----------
    table, crests : of one polarity; of both
    expected_v, accepted : (n,) the ceiling where each lies, and which rows are taken
    inliers : (n,) the plateaus that show the ceiling; all of them must be taken
    """
    if not inliers.any() or (inliers & ~accepted).any():
        return np.zeros(len(table), dtype=bool)
    found = was_cut_off_at(table, expected_v, int(np.count_nonzero(inliers))) & ~accepted & stands_at_level(table)
    found &= (table["is_coarse"] == 0) & (table["n_top"] >= SHORTEST_PROMISED)
    found &= np.abs(table["peak_v"] - expected_v) <= PROMISED_ABOVE_SD * table["noise_v"]
    found &= table["noise_v"] <= PROMISED_NOISE_SHARE * table["level_v"]
    if not found.any():
        return found
    heights_v = round_levels(table.take(~found), crests_beside(crests, table, found, sign), sign)
    within_v = PROMISED_ABOVE_SD * float(np.median(table["noise_v"]))
    n_round = np.count_nonzero(np.abs(heights_v - float(np.median(expected_v[inliers]))) <= within_v)
    return np.asarray(found & bool(n_round < np.count_nonzero(found | inliers)))


def crests_beside(crests: HighCrests, table: Candidates, chosen: BoolArray, sign: float) -> HighCrests:
    """Those crests that lie on none of the rows (n,) of a polarity."""
    cut = np.flatnonzero(chosen)
    cut = cut[np.argsort(table["start_s"][cut], kind="stable")]
    if not len(cut):
        return crests
    at = np.clip(np.searchsorted(table["start_s"][cut], crests.time_s + TOUCHES_S) - 1, 0, None)
    start_s, stop_s = table["start_s"][cut][at], table["stop_s"][cut][at]
    on_it = (crests.time_s >= start_s - TOUCHES_S) & (crests.time_s <= stop_s + TOUCHES_S) & (crests.sign == sign)
    return crests.take(~on_it)
