"""A ceiling that shows as a pile: many flat crests at one level, and nothing above it.

In full-range music a plateau lasts a few samples, and its corners ring through all of them: hardly one is plain by its
own shape. But an output that is stopped at a level comes to that level again and again, while crests that nothing stops
end anywhere. So a ceiling may be learned from many crests none of which proves anything alone.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: crests that a peak limiter brings to one level pile up too, but less tightly, and their tops are round; flat
tops of a source at one level look the same as those of an amplifier.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets full-8k full-25k clean`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.few_plateaus import rail_through_few
from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.table.clip_candidates import Candidates

BoolArray = npt.NDArray[np.bool_]

FEWEST = 10  # plateaus in a pile
HIGH_SHARE = 0.86  # of the highest level: what may belong to the pile
LEAST_IN_PILE = 0.5  # of the plateaus that lie so high
WIDEST_SPREAD = 0.006  # of the level
TIGHTEST_SHARE, WIDTH_IN_SPREADS = 0.004, 4.0
HIGHEST_LEVEL = 1.06  # times the highest sample; on true clips 1.05 at most
LEAST_TOP_SAMPLES = 2.5
FEWEST_STAYS = 2
APART_S, FEWEST_ELSEWHERE = 0.5, 2
STAY_SHARES, STAY_SPREADS = (0.005, 0.01), 3.0
# In the column `top_kind` (0: what a fit describes): a fit at a level, of which both corners were seen besides; a top
# between two corners that no fit describes; one on which lively music lies still, and such a fit.
PLAIN_AND_BETWEEN, BETWEEN_CORNERS = 0.5, 2.0
RESTS, PLAIN_AND_RESTS = 3.0, 0.6


@dataclass(frozen=True, slots=True)
class Pile:
    """The ceiling that a pile shows, which rows found it (n,), and how far they lie from it, in volts."""

    rail: Rail
    members: BoolArray
    tolerance_v: float
    is_of_stays: bool = False


def stands_below_its_peak(table: Candidates) -> BoolArray:
    """(n,) which levels the output came near: a fit in a steep flank may place one far above all samples. What was not
    fitted may be soft: its ceiling lies above."""
    return np.asarray((table["level_v"] <= HIGHEST_LEVEL * table["peak_v"]) | (table["is_coarse"] > 0))


def might_be_plateaus(table: Candidates) -> BoolArray:
    """What every clipped half-cycle shows: both flanks fall away, a crest above, some samples on top."""
    return np.asarray(has_top(table) & stands_below_its_peak(table))


def has_top(table: Candidates) -> BoolArray:
    """(n,) what has two flanks that fall away, a crest above its level and some samples between."""
    return np.asarray(
        (table["flatter_flank_ratio"] > 0.05)
        & (table["flank_v_per_s"] > 0)
        & (table["n_top"] >= LEAST_TOP_SAMPLES)
        & (table["crest_v"] > table["level_v"])
    )


def stands_at_level(table: Candidates) -> BoolArray:
    """(n,) bent crests stay below their ceiling; one that moves within a half-cycle has no level, nor has a current."""
    return np.asarray((table["sharpness"] == 0) & (table["top_kind"] < BETWEEN_CORNERS) & (table["limited"] == 0))


def pile_of_stays(table: Candidates) -> Pile | None:
    """The ceiling that was found by where music stands still (`clip_tight`), where it was."""
    members = table["stay_v"] > 0
    if np.count_nonzero(members) < FEWEST_STAYS:
        return None
    supply, output = table.supply[members], table.output[members]
    # Their ceilings were told from all stays of a stretch: few runs by themselves would tell less.
    rail = rail_through_few(table["stay_v"][members], supply, output)
    if rail is None:
        return None
    expected = rail.predict(supply, output)
    off_v = table["level_v"][members] - expected
    rail = replace(rail, spread_v=max(rail.spread_v, 1.4826 * float(np.median(np.abs(off_v)))))
    return Pile(rail, members, stay_tolerance(rail, float(np.median(expected))), is_of_stays=True)


def is_one_note(pile: Pile, table: Candidates) -> bool:
    """Whether not one crest of a pile was a plateau by its own shape, and nearly all lie in one stretch without pause:
    the crests of a held note end at one level by themselves. True piles of that kind had 3 of 10 and more elsewhere."""
    start_s = np.sort(table["start_s"][pile.members])
    stretches = np.split(start_s, np.flatnonzero(np.diff(start_s) > APART_S) + 1)
    n_elsewhere = len(start_s) - max(len(stretch) for stretch in stretches)
    return bool(np.all(table["is_coarse"][pile.members] > 0) and n_elsewhere < FEWEST_ELSEWHERE)


def stay_tolerance(rail: Rail, typical_v: float) -> float:
    """How far from such a ceiling what belongs to it may lie, in volts."""
    least, most = STAY_SHARES
    return min(max(STAY_SPREADS * rail.spread_v, least * typical_v), most * typical_v)


def find_pile(table: Candidates, basic: BoolArray) -> Pile | None:
    """Look for a pile among plateaus of one polarity.

    Parameters
    ----------
    table : candidates of one polarity
    basic : (n,) those that may be plateaus at all
    """
    rows = np.flatnonzero(basic)
    if len(rows) < FEWEST:
        return None
    level = table["level_v"]
    highest = float(np.percentile(level[rows], 98))
    rows = rows[level[rows] >= HIGH_SHARE * highest]
    if len(rows) < FEWEST:
        return None
    rail = learn_rail(level[rows], table.supply[rows], table.output[rows])
    if rail is None:
        return None
    expected = rail.predict(table.supply, table.output)
    typical = float(np.median(expected[rows]))
    tolerance = max(WIDTH_IN_SPREADS * rail.spread_v, TIGHTEST_SHARE * typical)
    members = np.zeros(len(table), dtype=bool)
    members[rows] = np.abs(level[rows] - expected[rows]) <= tolerance
    n_in = np.count_nonzero(members)
    if n_in < FEWEST or n_in < LEAST_IN_PILE * len(rows) or rail.spread_v > WIDEST_SPREAD * typical:
        return None
    return Pile(rail, members, tolerance)
