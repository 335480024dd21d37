"""A ceiling that both polarities have in common, for one of them, or each, shows too little of it by itself.

Both ends of an output, and the two halves of a bridged one, lie about as far from its middle. So where the ceiling of
one polarity is known firmly and candidates of the other crowd just there, under nothing higher, they are at it as well;
and where neither shows a ceiling by itself, what is flat in both may stand at one height that neither ever passes. In
dense music, whose corners ring, hardly a fit is good enough to be believed alone: where it lies tells more.

Gaps: works on tables of candidates; a gap leaves out those it cuts off.
Limits: dense music only, for the crests of a steady tone with a line on it lie at one height, too. Ceilings that differ
by more than SHARE of the level tell nothing of each other. What a source cuts off at one level looks the same: whose
ceiling it was is not told here.
Source: our choice, measured on full-range music drawn for the purpose (tests/detect_clipping/test_clip_shared.py) and
by `python -m ampwitness.bench.clip_scores`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import Pile, is_one_note, might_be_plateaus, stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import AT_RAIL_GAIN
from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.judge.clip_few import crests_beside
from ampwitness.detect.clips.judge.clip_level import Level, is_passed, noise_of
from ampwitness.detect.clips.judge.clip_round import is_round_pile
from ampwitness.detect.clips.judge.clip_topmost import round_levels
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests, join
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

SHARE = 0.01  # of the level: what lies so near the other polarity's ceiling
FEWEST, CROWD, BELOW = 3, 1.0, 5.0  # is so many, and as many as lie between it and so many times that far below
FEWEST_OF_BOTH, FEWEST_OF_EACH, FLAT_GAIN = 8, 3, 20.0
DENSE_NOISE_SHARE = 0.003  # of the level: noise of one sample that makes fits poor; in bass 0.001 to 0.0026
MOST_ROUND = 2.0  # crests that end there and are round, to each flat one: at a limiter's level 5 and more


def is_dense(table: Candidates, level_v: FloatArray) -> BoolArray:
    """(n,) where what rings on music makes fits poor, beside levels of (n,) volts."""
    return np.asarray(table["noise_v"] > DENSE_NOISE_SHARE * level_v)


def level_of_other(table: Candidates, crests: HighCrests, sign: float, basic: BoolArray, other: Rail) -> Level | None:
    """The ceiling of one polarity at that of the other, or of both; None where its own candidates do not crowd there.

    Parameters
    ----------
    table : n candidates of that polarity, sign 1.0 or -1.0
    crests : the highest crests that are none, of both polarities
    basic : (n,) those that might be plateaus
    other : the ceiling that is known
    """
    off_v = table["level_v"] - other.predict(table.supply, table.output)
    within_v = SHARE * float(np.median(table["level_v"] - off_v))
    members = basic & (np.abs(off_v) <= within_v)
    n_below = np.count_nonzero(basic & (off_v < -within_v) & (off_v >= -BELOW * within_v))
    if np.count_nonzero(members) < max(FEWEST, CROWD * n_below):
        return None
    middle_v = float(np.median(off_v[members]))
    spread_v = 1.4826 * float(np.median(np.abs(off_v[members] - middle_v)))
    pile = Pile(replace(other, constant_v=other.constant_v + middle_v, spread_v=spread_v), members, within_v)
    if is_one_note(pile, table) or is_passed(pile, table, crests, sign, noise_of(table)):
        return None
    return Level(pile.rail, members, within_v, pile, True)


def find_shared(tables: list[tuple[float, Candidates]], crests: HighCrests) -> Rail | None:
    """The height that neither polarity passes and at which flat tops of both crowd; None where there is none.

    Parameters
    ----------
    tables : by polarity, sign 1.0 or -1.0 and its candidates, of which neither shows a ceiling by itself
    crests : the highest crests that are none, of both
    """
    flat = [
        table.take(
            might_be_plateaus(table) & stands_at_level(table) & (table["is_coarse"] == 0) & (table["gain"] >= FLAT_GAIN)
        )
        for _, table in tables
    ]
    level_v = np.concatenate([some["level_v"] for some in flat])
    if len(level_v) < FEWEST_OF_BOTH:
        return None
    middle_v = float(np.median(np.sort(level_v)[-FEWEST_OF_BOTH:]))
    at_it = [some.take(np.abs(some["level_v"] - middle_v) <= SHARE * middle_v) for some in flat]
    if min(map(len, at_it)) < FEWEST_OF_EACH or sum(map(len, at_it)) < FEWEST_OF_BOTH:
        return None
    n_round = sum(
        _count_round(table, some, crests, sign, middle_v) for (sign, table), some in zip(tables, at_it, strict=True)
    )
    if n_round > MOST_ROUND * sum(map(len, at_it)):
        return None
    every = join([table for _, table in tables])
    near = might_be_plateaus(every) & (np.abs(every["level_v"] - middle_v) <= SHARE * middle_v)
    rail = learn_rail(every["level_v"][near], every.supply[near], every.output[near])
    if rail is None or is_round_pile(Pile(rail, near, SHARE * middle_v), every, AT_RAIL_GAIN):
        return None
    # So few, of two polarities that differ a little, do not tell how it moves, nor does it by more than they spread.
    return replace(rail, constant_v=middle_v, per_supply_v=0.0, per_output_v=0.0)


def _count_round(table: Candidates, flat: Candidates, crests: HighCrests, sign: float, middle_v: float) -> int:
    """How many round crests of a polarity end at a level, or above it, beside the flat tops that do."""
    is_flat = np.isin(table["start_s"], flat["start_s"])
    beside = crests_beside(crests, table, np.abs(table["level_v"] - middle_v) <= SHARE * middle_v, sign)
    heights_v: FloatArray = round_levels(table.take(~is_flat), beside, sign)
    return int(np.count_nonzero(heights_v >= (1 - SHARE) * middle_v))
