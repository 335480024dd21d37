"""Plateaus that no ceiling of an amplifier explains, for the output passed higher under no better conditions.

Whatever an amplifier's ceiling is, it does not rise when its supply sinks, nor when its load grows. So a plateau is
refuted as the amplifier's where the output stood higher, by more than rails wobble, at a supply no higher and after an
output no smaller, whichever lag is asked. Where many plateaus that stand together are refuted so, the signal was cut
off before the amplifier and turned down since. A ceiling that stood still while supply and load moved under it is one
that stands still: to pass it takes less.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: needs the supply, and somewhere a louder passage. A limit with a memory longer than the lags (heat, a booster's
protection) may look the same.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets hostile stages`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

HIGHER = 1.08  # times the plateau: by less a rail may wobble
SAME_SUPPLY, SAME_OUTPUT = 1.002, 0.97  # up to, and down to, this share counts as no better and no smaller
FEWEST, LEAST_SHARE = 4, 0.25
FAR_HIGHER, FAR_SHARE = 1.4, 0.08  # passed by so much, fewer of them do
TOGETHER_SHARE, TOGETHER_S = 0.006, 1.5  # a refuted plateau has neighbours of its level
MOST_STAND = 0.65  # of all plateaus have: a ceiling that sinks for longer than the lags look back passes many levels
SLIDE_STEP, SLIDE_PAUSE_S, SLID = 0.06, 0.3, 1.08  # logarithm from one plateau to the next; all in all, times the level
MOST, AT_ONCE = 600, 64
STILL_HIGHER, STILL_SHARE = 1.05, 0.002  # times a level that minds nothing, and of it: how still it stood
SUPPLY_MOVED, OUTPUT_MOVED = 0.03, 0.3  # of their means while it did
STILL_TILT = 0.005  # of the level, over a plateau: more, and the level is not known so well
FEWEST_STILL, STOOD_SHARE = 8, 0.9  # plateaus, and of them


def is_refuted(tables: list[tuple[Candidates, BoolArray]], crests: HighCrests) -> bool:
    """Whether plateaus are surely no amplifier's.

    Parameters
    ----------
    tables : candidates of one polarity each, and which of them need no rail to be believed, (n,)
    crests : the highest crests that are no candidates
    """
    n_refuted = n_far = n_all = n_standing = 0
    for table, plain in tables:
        if not plain.any() or not np.isfinite(table.supply[plain]).all():
            continue
        rows = np.flatnonzero(plain)
        rows = rows[np.argsort(table["start_s"][rows], kind="stable")][:: -(-len(rows) // MOST)]
        mine = np.flatnonzero(crests.sign == table["sign"][rows[0]])
        level = np.concatenate((table["level_v"][rows], crests.level_v[mine]))
        supply = np.concatenate((table.supply[rows], crests.supply[mine]))
        output = np.concatenate((table.output[rows], crests.output[mine]))
        stands = _stand_together(table["level_v"][rows], table["start_s"][rows])
        may_be = stands & ~_have_slid(table["level_v"][rows], table["start_s"][rows])
        refuted, far = (
            are_passed(table["level_v"][rows], table.supply[rows], table.output[rows], level, supply, output, higher)
            for higher in (HIGHER, FAR_HIGHER)
        )
        n_refuted += int(np.count_nonzero(refuted & may_be))
        n_far += int(np.count_nonzero(far & may_be))
        n_standing += int(np.count_nonzero(stands))
        n_all += len(rows)
    if any(_is_passed_still(table, plain, crests) for table, plain in tables):
        return True
    are_enough = n_refuted >= max(FEWEST, LEAST_SHARE * n_all) or n_far >= max(FEWEST, FAR_SHARE * n_all)
    return are_enough and n_standing >= MOST_STAND * n_all


def _is_passed_still(table: Candidates, plain: BoolArray, crests: HighCrests) -> bool:
    """Whether nearly all plateaus of a polarity stood at one level that minded neither supply nor load, and several
    crests stood above it at no more supply."""
    rows = np.flatnonzero(plain)
    if len(rows) < FEWEST_STILL or not np.isfinite(table.supply[rows]).all():
        return False
    level, supply, output = table["level_v"][rows], table.supply[rows], table.output[rows]
    middle_v = float(np.median(level))
    stood = np.abs(level - middle_v) <= STILL_SHARE * middle_v
    tilt = np.median(np.abs(table["tilt_v_per_s"] * (table["stop_s"] - table["start_s"]))[rows])
    if np.count_nonzero(stood) < STOOD_SHARE * len(rows) or tilt > STILL_TILT * middle_v:
        return False
    supply, output = supply[stood], output[stood]
    if np.any(np.ptp(supply, axis=0) < SUPPLY_MOVED * supply.mean(axis=0)):
        return False
    moved = np.ptp(output, axis=0) >= OUTPUT_MOVED * output.mean(axis=0)
    no_better = (crests.supply <= SAME_SUPPLY * supply.max(axis=0)).all(axis=1)
    no_better &= (moved | (crests.output >= SAME_OUTPUT * np.median(output, axis=0))).all(axis=1)
    mine = (crests.sign == table["sign"][rows[0]]) & (crests.level_v >= STILL_HIGHER * middle_v)
    return int(np.count_nonzero(mine & no_better)) >= FEWEST


def are_passed(
    level_v: FloatArray, supply_v: FloatArray, output_v: FloatArray,
    other_level_v: FloatArray, other_supply_v: FloatArray, other_output_v: FloatArray, higher: float = HIGHER,
) -> BoolArray:  # fmt: skip
    """Which plateaus another passes under conditions that are no better at any lag.

    Parameters
    ----------
    level_v, supply_v, output_v : (n,) V, (n, supply lags) V, (n, output lags) V; supplies of NaN say nothing
    other_level_v, ... : the same of m others, the plateaus among them if so wanted
    higher : times a plateau's level that another must reach

    Returns
    -------
    (n,)
    """
    found = np.zeros(len(level_v), dtype=bool)
    # In most recordings hardly anything stands above plateaus: lags are asked of those pairs only.
    is_high = other_level_v >= higher * np.min(level_v, initial=np.inf)
    other_level_v, other_supply_v, other_output_v = (
        other_level_v[is_high],
        other_supply_v[is_high],
        other_output_v[is_high],
    )
    for first in range(0, len(level_v), AT_ONCE):
        row, other = np.nonzero(other_level_v >= higher * level_v[first : first + AT_ONCE, None])
        row += first
        for lag in (0, -1):  # most pairs end here
            is_loaded = other_output_v[other, lag] >= SAME_OUTPUT * output_v[row, lag]
            row, other = row[is_loaded], other[is_loaded]
        no_better = ~(other_supply_v[other] > SAME_SUPPLY * supply_v[row]).any(axis=1)
        no_better &= (other_output_v[other] >= SAME_OUTPUT * output_v[row]).all(axis=1)
        found[row[no_better]] = True
    return found


def _stand_together(level_v: FloatArray, start_s: FloatArray) -> BoolArray:
    """(n,) which plateaus, in the order of time, have a neighbour of their level."""
    same = (np.abs(np.diff(level_v)) <= TOGETHER_SHARE * level_v[1:]) & (np.diff(start_s) <= TOGETHER_S)
    return np.concatenate((same, [False])) | np.concatenate(([False], same))


def _have_slid(level_v: FloatArray, start_s: FloatArray) -> BoolArray:
    """(n,) which plateaus, in the order of time, came down to their level in small steps, as a ceiling does whose store
    runs empty; a volume is turned within a few half-cycles, and plateaus start at their level after a pause."""
    jumps = np.abs(np.diff(np.log(level_v))) > SLIDE_STEP
    breaks = np.concatenate(([True], jumps | (np.diff(start_s) > SLIDE_PAUSE_S)))
    slid = np.zeros(len(level_v), dtype=bool)
    for run in np.split(np.arange(len(level_v)), np.flatnonzero(breaks)[1:]):
        slid[run] = np.maximum.accumulate(level_v[run]) > SLID * level_v[run]
    return slid
