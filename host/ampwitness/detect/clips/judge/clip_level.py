"""Which ceiling the crests of one polarity show: learned from the plainest plateaus, from a pile of crests, or from
rounded ones at one level.

Gaps: none here; candidates stand alone.
Limits: where no plateau is plain and no crests pile up, no ceiling is learned.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import Pile, find_pile, is_one_note, pile_of_stays
from ampwitness.detect.clips.ceiling.clip_plain import (
    AT_RAIL_GAIN,
    FAINT_NOISE_SHARE,
    PLAIN_GAIN,
    WIDEST_TOLERANCE,
    is_cut_off,
    slack_of,
)
from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.detect.clips.judge.clip_few import crests_beside
from ampwitness.detect.clips.judge.clip_round import is_overtopped, is_round_pile
from ampwitness.detect.clips.judge.clip_topmost import ends_among_round, round_levels
from ampwitness.detect.clips.second.clip_soft import ceiling_of
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

PILE_SAYS_MORE = 2.0  # times as many crests as plain plateaus
FEWEST_ALONG, LINE_SPREAD, LINE_REACH = 6, 0.003, 0.05  # plateaus; of their level, about a line, and along it
OVER_A_LINE = 0.3  # so many higher crests to each such plateau refute no line
FEWEST_FOR_SOFT = 12
SOFT_LEAST_DB = 1.0
SOFT_DRIVE_SPREAD = 1.1  # from the tenth to the ninetieth percentile of crests: of one held shape 1.02
ODD_TOP = 6.0  # samples, of a plateau whose corners or flanks no fit describes
SOFT_TOLERANCE = 0.006  # of the level
SOFT_SURE_DB = 0.5  # bent over by so much a crest shows its ceiling


@dataclass(frozen=True, slots=True)
class Level:
    """What n candidates of one polarity show: `rail`, None where none; `members`, (n,), what it was learned from;
    `tolerance_v`, how far off it a plateau may lie; `pile`, where it was a pile of crests that showed it; `is_shared`:
    it is that of the other polarity, or of both."""

    rail: Rail | None
    members: BoolArray
    tolerance_v: float
    pile: Pile | None
    is_shared: bool = False

    @property
    def is_of_stays(self) -> bool:
        """Whether it was shown by where dense music stands still."""
        return self.pile is not None and self.pile.is_of_stays


def find_level(table: Candidates, crests: HighCrests, sign: float, plain: BoolArray, basic: BoolArray) -> Level:
    """Learn the ceiling of one polarity.

    Parameters
    ----------
    table : n candidates of that polarity, sign 1.0 or -1.0
    crests : the highest crests that are none, of both polarities
    plain, basic : (n,) plateaus that are plain by themselves; those that might be some
    """
    rail, members, tolerance_v = _rail_of_plain(table, crests, sign, plain)
    pile = pile_instead(table, crests, sign, basic, rail, members, tolerance_v)
    if pile is not None:
        rail, members, tolerance_v = pile.rail, pile.members, pile.tolerance_v
    if rail is not None and (pile is None or not pile.is_of_stays):
        off_v = np.abs(table["level_v"] - rail.predict(table.supply, table.output))
        at_it = table.take(members & (off_v <= tolerance_v))
        if is_overtopped(rail, at_it, _round_crests(crests, table, sign), sign, noise_of(table)):
            rail = pile = None
    return Level(rail, members, tolerance_v, pile)


def _rail_of_plain(
    table: Candidates, crests: HighCrests, sign: float, plain: BoolArray
) -> tuple[Rail | None, BoolArray, float]:
    """A rail through plain plateaus, those that it was learned from, and its tolerance in V."""
    members, tolerance_v = plain.copy(), 0.0
    rail: Rail | None = None
    for _ in range(20):  # a cluster that higher crests refute is no rail: look again above it
        chosen = np.flatnonzero(members)
        rail = learn_rail(table["level_v"][chosen], table.supply[chosen], table.output[chosen])
        if rail is None:
            break
        predicted = rail.predict(table.supply, table.output)
        typical_v = float(np.median(predicted[chosen]))
        least_v = max(4 * rail.spread_v, 3 * noise_of(table), 0.004 * typical_v)
        tolerance_v = min(least_v, WIDEST_TOLERANCE * typical_v)
        at_it = members & (np.abs(table["level_v"] - predicted) <= tolerance_v)
        n_over = _higher_crests(rail, tolerance_v + 0.012 * typical_v, crests, table, sign)
        share = OVER_A_LINE if _is_along_a_line(rail, predicted[at_it]) else 0.03
        if n_over <= max(1, share * np.count_nonzero(at_it)):
            break
        above = members & (table["level_v"] > predicted + tolerance_v)
        if not above.any():
            rail = None
            break
        members = above
    return rail, members, tolerance_v


def _is_along_a_line(rail: Rail, predicted_v: FloatArray) -> bool:
    """Whether plateaus at many heights follow the supply so closely that no chance laid them there. Then a few crests
    above, as where a store was full after a rest, refute nothing."""
    if len(predicted_v) < FEWEST_ALONG or not rail.follows:
        return False
    typical_v = float(np.median(predicted_v))
    return rail.spread_v <= LINE_SPREAD * typical_v and float(np.ptp(predicted_v)) >= LINE_REACH * typical_v


def noise_of(table: Candidates) -> float:
    """V rms of one sample, typical of these candidates."""
    return float(np.median(table["noise_v"])) if len(table) else 0.0


def pile_instead(
    table: Candidates, crests: HighCrests, sign: float, basic: BoolArray, rail: Rail | None, at_rail: BoolArray,
    tolerance: float,
) -> Pile | None:  # fmt: skip
    """The pile of many crests, where it says more than the few plateaus that were plain by themselves."""
    noise_v = noise_of(table)
    is_dense = noise_v > FAINT_NOISE_SHARE * float(np.max(table["level_v"], initial=0.0))
    piles = [pile_of_stays(table), find_pile(table, basic)]
    for pile in piles if is_dense else piles[::-1]:
        if pile is None or _is_refuted(pile, table, crests, sign, noise_v):
            continue
        if rail is None:
            return pile
        off = np.abs(table["level_v"] - rail.predict(table.supply, table.output))
        n_at_rail = np.count_nonzero(at_rail & (off <= tolerance))
        if np.count_nonzero(pile.members) >= PILE_SAYS_MORE * n_at_rail:
            return pile
    return None


def _is_refuted(pile: Pile, table: Candidates, crests: HighCrests, sign: float, noise_v: float) -> bool:
    """Whether a pile is round or of one note, or crests stand above it."""
    if not pile.is_of_stays and (is_round_pile(pile, table, AT_RAIL_GAIN) or is_one_note(pile, table)):
        return True
    return is_passed(pile, table, crests, sign, noise_v)


def is_passed(pile: Pile, table: Candidates, crests: HighCrests, sign: float, noise_v: float) -> bool:
    """Whether crests, candidates or not, stand above a pile."""
    typical = float(np.median(table["level_v"][pile.members]))
    # In music dense as noise corners ring over a ceiling by as much as samples scatter.
    n_over = _higher_crests(pile.rail, pile.tolerance_v + max(0.012 * typical, noise_v), crests, table, sign)
    return n_over > max(1, 0.03 * np.count_nonzero(pile.members))


def _higher_crests(rail: Rail, tolerance: float, crests: HighCrests, table: Candidates, sign: float) -> int:
    """How many crests, candidates or not, stand above the rail."""
    mine = crests.sign == sign
    over = crests.level_v[mine] > rail.predict(crests.supply[mine], crests.output[mine]) + tolerance
    predicted = rail.predict(table.supply, table.output)
    # A plateau at the rail may tilt: its highest point is no crest above the rail.
    above = (table["peak_v"] > predicted + tolerance) & (table["level_v"] > predicted + tolerance / 2 + slack_of(table))
    return int(np.count_nonzero(over)) + int(np.count_nonzero(above))


def _round_crests(crests: HighCrests, table: Candidates, sign: float) -> HighCrests:
    """Those crests that no row of the table says to be cut off: the highest samples of noise on many faint plateaus
    stand above their ceiling."""
    return crests_beside(crests, table, is_cut_off(table), sign)


def find_soft_rail(
    table: Candidates, crests: HighCrests, sign: float, basic: BoolArray
) -> tuple[Rail | None, BoolArray]:  # fmt: skip
    """Where no hard corner is seen: many rounded, flat crests at one level that nothing exceeds, a decibel cut off.

    A held note of one shape shows nothing, nor does a level at which round crests end as well: a limiter brings both
    there. A synthesiser's square notes at one level look the same; hence such clips stay "not decided"."""
    over_db = table.over_db
    is_odd = (table["is_coarse"] > 0) | ((table["gain"] >= PLAIN_GAIN) & (table["n_top"] >= ODD_TOP))
    rows = basic & is_odd & (over_db >= SOFT_LEAST_DB)
    nothing = np.zeros(len(table), dtype=bool)
    if np.count_nonzero(rows) < FEWEST_FOR_SOFT:
        return None, nothing
    rail = learn_rail(table["level_v"][rows], table.supply[rows], table.output[rows])
    if rail is None:
        return None, nothing
    predicted = rail.predict(table.supply, table.output)
    tolerance = SOFT_TOLERANCE * float(np.median(predicted))
    found = rows & (np.abs(table["level_v"] - predicted) <= tolerance)
    found &= ~ends_among_round(table, found, round_levels(table, crests, sign))
    enough = np.count_nonzero(found) >= max(FEWEST_FOR_SOFT, 0.8 * np.count_nonzero(rows))
    low_db, high_db = np.percentile(over_db[found], (10, 90)) if found.any() else (0.0, 0.0)
    enough &= bool(high_db - low_db >= 20 * np.log10(SOFT_DRIVE_SPREAD))
    if not enough or _higher_crests(rail, 3 * tolerance, crests, table, sign) > 0:
        return None, nothing
    return rail, found


def rail_of_bent(table: Candidates, ceiling_v: FloatArray) -> Rail | None:
    """The ceiling of bent crests where it was seen to follow the supply, which no source's does."""
    rows = (table["sharpness"] > 0) & (table.over_db >= SOFT_SURE_DB)
    if np.count_nonzero(rows) < FEWEST_FOR_SOFT:
        return None
    rail = learn_rail(ceiling_v[rows], table.supply[rows], table.output[rows])
    return rail if rail is not None and rail.per_supply_v > 0 else None


def soft_ceiling(table: Candidates) -> FloatArray:
    """(n,) the ceiling that bent crests were measured against; NaN for all others."""
    out = np.full(len(table), np.nan)
    bent = table["sharpness"] > 0
    out[bent] = ceiling_of(table["level_v"][bent], table["crest_v"][bent], table["sharpness"][bent])
    return out
