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

from ampwitness.detect.clips.clip_candidates import Candidates, join
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
GROUP_SHARE, GROUP_GAP_S = 0.003, 3.0  # of the level: one setting of the volume; a pause may end it
GROUP_SHARE_AHEAD = 0.008  # ahead of a capacitor levels wander
FEWEST_IN_GROUP, LEAST_STEP = 4, 0.02
PAUSE_S, FRESH_STEP = 0.3, 0.05  # nothing cut off before a group, and from one to the next (logarithm)
LARGEST_SUPPLY_STEP = 0.35  # logarithm: from 10.5 to 14.8 V
STILL_SHARE, LOAD_MOVES = 0.002, 0.2  # of the level, and of the output's size within 0.15 s
STANDING = (10, 90)  # per cent: a fit may go astray now and then
MOST_STAND = 0.7  # of the plateaus stand in groups
LEAST_MOVED = 0.012  # of the supply, under one group: less, and a reservoir may hide it
MOST_IN_PROPORTION = 1.5  # a ceiling rises in proportion to its supply; a fixed loss steepens that
MOST_GROUPS = 200
STILL_SLOPE, STILL_SD = 0.25, 0.15  # of a rail that follows in proportion


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

    Either they stand still while the supply moves under them, and yet step: a rail that follows its supply does not
    stand still, and one that is regulated does not step. Or nearly all stand in groups of one level each, far apart.
    Without a supply channel nothing more is asked than that levels are many, or a few of them above and below, or that
    they do not mind the load.

    Parameters
    ----------
    tables : by polarity candidates, and which of them need no rail to be believed, (n,)
    """
    is_many = any(lies_at_many_levels(table, plain) for table, plain in tables)
    knows_supply = all(bool(np.isfinite(table.supply[:, -2]).all()) for table, _ in tables)
    if any(_leaps(table, plain) for table, plain in tables):
        return True
    if not knows_supply:
        return is_many or any(
            _steps_up_and_down(table, plain) or _stands_under_load(table, plain) for table, plain in tables
        )
    moved_level, moved_supply, has_step = [np.zeros(0)], [np.zeros(0)], False
    for table, plain in [*tables, *_both_polarities(tables)]:
        rows = np.flatnonzero(plain)
        share = GROUP_SHARE_AHEAD if table["held_v"].any() else GROUP_SHARE
        groups = _find_groups(table["level_v"][rows], table["start_s"][rows], share)
        if sum(map(len, groups)) < MOST_STAND * len(rows):
            continue
        rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
        level, supply, output = table["level_v"][rows], table.supply[rows, -2], table.output[rows, -1]
        groups = [g for g in groups if _stands_still(level[g], share)]
        if sum(len(g) for g in groups) < MOST_STAND * len(rows):
            continue
        if is_many and lies_at_many_levels(table, plain):
            return True
        moved = [g for g in groups if np.ptp(supply[g]) >= LEAST_MOVED * np.mean(supply[g])]
        moved_level += [level[g] / np.mean(level[g]) - 1 for g in moved]
        moved_supply += [supply[g] / np.mean(supply[g]) - 1 for g in moved]
        groups = groups[:MOST_GROUPS]
        has_step = has_step or _has_step(
            np.array([np.mean(level[g]) for g in groups]),
            np.array([np.mean(supply[g]) for g in groups]),
            np.array([np.max(output[g]) for g in groups]),
            np.array([np.ptp(supply[g]) >= LEAST_MOVED * np.mean(supply[g]) for g in groups], dtype=bool),
        )
    supply, level = np.concatenate(moved_supply), np.concatenate(moved_level)
    spread = float(supply @ supply)
    if not has_step or spread <= 0:
        return False
    slope = float(supply @ level) / spread
    sd = float(np.std(level - slope * supply)) / np.sqrt(spread)
    return abs(slope) <= STILL_SLOPE and sd <= STILL_SD


def _stands_still(level: FloatArray, share: float) -> bool:
    """Whether all but a few of a group's levels lie within a share of them; most groups do with all."""
    within = share * float(np.mean(level))
    ordered = np.sort(level)
    if ordered[-1] - ordered[0] <= within:
        return True
    low, high = np.interp(np.array(STANDING) / 100 * (len(level) - 1), np.arange(len(level)), ordered)
    return bool(high - low <= within)


def _steps_up_and_down(table: Candidates, plain: BoolArray) -> bool:
    """Whether levels that stand still from their first plateau after a pause step up and down from one to the next.

    A rail that follows a supply which sags by as much starts higher after each pause; an engine's start or stop makes
    one step."""
    rows = np.flatnonzero(plain)
    level, start_s = table["level_v"][rows], np.sort(table["start_s"][rows])
    groups = _find_groups(level, table["start_s"][rows], GROUP_SHARE)
    if sum(map(len, groups)) < MOST_STAND * len(rows):
        return False
    level = level[np.argsort(table["start_s"][rows], kind="stable")]
    is_fresh = np.concatenate(([True], np.diff(start_s) > PAUSE_S))
    fresh = [g for g in groups if is_fresh[g[0]] and np.ptp(level[g]) <= 2 * GROUP_SHARE * np.mean(level[g])]
    step = np.diff(np.log([float(np.mean(level[g])) for g in fresh]))
    return bool(np.any(step > FRESH_STEP) and np.any(step < -FRESH_STEP))


def _leaps(table: Candidates, plain: BoolArray) -> bool:
    """Whether levels that stand still from their first plateau after a pause lie further apart than supplies ever do.

    A ceiling that sinks into a limit of its own stands high again after a pause."""
    rows = np.flatnonzero(plain)
    rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
    level, start_s, every_s = table["level_v"][rows], table["start_s"][rows], np.sort(table["start_s"])
    groups = _find_groups(level, start_s, GROUP_SHARE)
    before = np.searchsorted(every_s, start_s) - 1
    is_fresh = (before < 0) | (start_s - every_s[np.maximum(before, 0)] > PAUSE_S)
    fresh = [g for g in groups if is_fresh[g[0]] and np.ptp(level[g]) <= 2 * GROUP_SHARE * np.mean(level[g])]
    logs = np.log([float(np.mean(level[g])) for g in fresh])
    return len(logs) > 1 and bool(np.ptp(logs) > LARGEST_SUPPLY_STEP)


def _stands_under_load(table: Candidates, plain: BoolArray) -> bool:
    """Whether levels step up and down, and yet stand still within each while the load grows and shrinks.

    What other consumers pull down, the amplifier's own current pulls down too."""
    rows = np.flatnonzero(plain)
    rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
    level, output = table["level_v"][rows], table.output[rows, -1]
    groups = _find_groups(level, table["start_s"][rows], GROUP_SHARE)
    if sum(map(len, groups)) < MOST_STAND * len(rows):
        return False
    still = [
        float(np.median(level[g]))
        for g in groups
        if np.ptp(np.percentile(level[g], STANDING)) <= STILL_SHARE * np.mean(level[g])
        and np.ptp(np.percentile(output[g], STANDING)) >= LOAD_MOVES * np.mean(output[g])
    ]
    step = np.diff(np.log(still))
    return bool(np.any(step > LEAST_STEP) and np.any(step < -LEAST_STEP))


def _both_polarities(tables: list[tuple[Candidates, BoolArray]]) -> list[tuple[Candidates, BoolArray]]:
    """The plain plateaus of both polarities as one table, the second one's levels turned to the first one's, where the
    two keep to one another; a few plateaus of each may be a group together."""
    sides = [table.take(plain) for table, plain in tables if plain.any()]
    if len(sides) < 2:
        return []
    first, second = sides
    order = np.argsort(first["start_s"], kind="stable")
    at = np.clip(np.searchsorted(first["start_s"][order], second["start_s"]), 1, len(first)) - 1
    ratio = first["level_v"][order[at]] / second["level_v"]
    ratio = ratio[np.abs(first["start_s"][order[at]] - second["start_s"]) <= PAUSE_S]
    if len(ratio) < FEWEST_IN_GROUP:
        return []
    middle = float(np.median(ratio))
    if float(np.median(np.abs(ratio - middle))) > GROUP_SHARE * middle:
        return []
    second.columns["level_v"] = second["level_v"] * middle
    both = join([first, second])
    return [(both, np.ones(len(both), dtype=bool))]


def _has_step(level_v: FloatArray, supply_v: FloatArray, output_v: FloatArray, moved: BoolArray) -> bool:
    """Whether two groups lie further apart than their supplies explain: no ceiling rises when its supply sinks. Where
    the supply moved under one of them only, the load must have been no less under the higher one, too."""
    apart = np.log(level_v[:, None] / level_v[None, :])  # of the first over the second
    explained = MOST_IN_PROPORTION * np.maximum(np.log(supply_v[:, None] / supply_v[None, :]), 0)
    both, any_moved = moved[:, None] & moved[None, :], moved[:, None] | moved[None, :]
    may_be = both | (any_moved & (output_v[:, None] >= output_v[None, :]))
    return bool(np.any(may_be & (apart > LEAST_STEP + explained)))


def _find_groups(level_v: FloatArray, start_s: FloatArray, share: float) -> list[npt.NDArray[np.intp]]:
    """Runs of plateaus in the order of time, FEWEST_IN_GROUP and more, each level with the one before it."""
    order = np.argsort(start_s, kind="stable")
    level_v, start_s = level_v[order], start_s[order]
    ends = (np.abs(np.diff(level_v)) > share * level_v[1:]) | (np.diff(start_s) > GROUP_GAP_S)
    edges = np.concatenate(([0], np.flatnonzero(ends) + 1, [len(order)]))
    is_group = np.diff(edges) >= FEWEST_IN_GROUP
    return [np.arange(*span) for span in zip(edges[:-1][is_group].tolist(), edges[1:][is_group].tolist(), strict=True)]


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
