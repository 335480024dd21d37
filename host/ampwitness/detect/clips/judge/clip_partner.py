"""The few lightly cut-off crests of a recording, believed on less where another one shows that there is a ceiling.

In music that just touches the ceiling one to three half-cycles are cut off, and each by itself shows too little. But a
ceiling of which one was seen makes others plausible: at the same height on the same polarity, and at about that height
on the other, for both ends of an output lie about as far from its middle. So what nothing round stands above is taken
on a fraction of the evidence that it needs alone, where one that was taken already lies there.

Gaps: works on tables of plateaus; a gap leaves out those it cuts off.
Limits: bass only. On the other polarity a ceiling lower or higher by more than OPPOSITE_SHARE vouches for nothing, and
where several plateaus of its own show a rail, a polarity is judged by that.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets bass --tuning`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import might_be_plateaus, stands_at_level
from ampwitness.detect.clips.judge.clip_topmost import LIVELIEST, are_passed_or_topped, round_levels
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

MOST_KNOWN = 2  # of one polarity: with more its rail is known, and judges
SAME_SHARE, SAME_SD = 0.003, 2.0  # of the level, and noise of one sample
OPPOSITE_SHARE = 0.07  # of the level
SAME_GAIN, OPPOSITE_GAIN = 12.0, 30.0
MOST_MISFIT = 2.5
COARSE_DB = 0.4  # of a crest measured by its crossings; the other polarity's ceiling says nothing of such
MOST_ROUND = 2  # crests that end at the same height: more, and it is a limiter's


def find_partners(
    table: Candidates, known: BoolArray, opposite_v: FloatArray, crests: HighCrests, sign: float
) -> BoolArray:
    """Which candidates are cut off, as others that were taken already say; (n,).

    Parameters
    ----------
    table : all candidates of one polarity, sign 1.0 or -1.0
    known : (n,) those that were taken already
    opposite_v : levels of those that were taken on the other polarity, sign-turned
    crests : the highest crests that are no candidates, of both polarities
    """
    found = np.zeros(len(table), dtype=bool)
    if np.count_nonzero(known) > MOST_KNOWN or not (known.any() or len(opposite_v)):
        return found
    may_be = stands_at_level(table) & (table["stay_v"] == 0) & (table["lively"] < LIVELIEST)
    is_coarse = table["is_coarse"] > 0
    is_fitted = ~is_coarse & (table["misfit"] <= MOST_MISFIT)
    is_bent = is_coarse & (table.over_db >= COARSE_DB)
    level_v, peak_v = table["level_v"], table["peak_v"]
    same_v, other_v = level_v[known & may_be], np.asarray(opposite_v)
    within_v = np.maximum(SAME_SHARE * level_v, SAME_SD * table["noise_v"])
    lies_same = (_nearest(level_v, same_v) <= within_v) | (_nearest(peak_v, same_v) <= within_v)
    lies_opposite = _nearest(level_v, other_v) <= OPPOSITE_SHARE * level_v
    speaks = lies_same & (is_bent | (is_fitted & (table["gain"] >= SAME_GAIN)))
    speaks |= lies_opposite & is_fitted & might_be_plateaus(table) & (table["gain"] >= OPPOSITE_GAIN)
    rows = np.flatnonzero(speaks & may_be & ~known)
    if not len(rows):
        return found
    rows = rows[~are_passed_or_topped(table, rows, crests, sign)]
    round_v = round_levels(table, crests, sign)
    n_round = np.array([np.count_nonzero(np.abs(round_v - level_v[k]) <= within_v[k]) for k in rows], dtype=np.intp)
    found[rows[n_round <= MOST_ROUND]] = True
    return found


def _nearest(level_v: FloatArray, other_v: FloatArray) -> FloatArray:
    """(n,) how far the nearest of some others is from each, V; endless where there is none."""
    if not len(other_v):
        return np.full(len(level_v), np.inf)
    ordered = np.sort(other_v)
    at = np.searchsorted(ordered, level_v)
    below, above = ordered[np.maximum(at - 1, 0)], ordered[np.minimum(at, len(ordered) - 1)]
    return np.asarray(np.minimum(np.abs(level_v - below), np.abs(level_v - above)))
