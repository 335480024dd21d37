"""Which candidates of one polarity are clipped half-cycles: the rail learned from the plainest, and used both ways.

Gaps: none here; candidates stand alone.
Limits: where no plateau is plain, no rail is learned, and only plain plateaus count.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import (
    BETWEEN_CORNERS,
    PLAIN_AND_RESTS,
    RESTS,
    has_top,
    might_be_plateaus,
)
from ampwitness.detect.clips.ceiling.clip_plain import (
    ALONE_GAIN,
    AT_RAIL_GAIN,
    FAINT_GAIN,
    LIVELY,
    PLAIN_GAIN,
    PLAIN_MISFIT,
    TOGETHER_GAIN,
    beyond_doubt,
    comes_just_up_to,
    find_plain,
    leads_above,
    misfit_allows,
    needs_no_company,
    slack_of,
    stands_plainly,
)
from ampwitness.detect.clips.ceiling.rail_model import Rail, iter_neighbours, local_drift
from ampwitness.detect.clips.judge.clip_doubles import STAY_SHARE
from ampwitness.detect.clips.judge.clip_few import joins_few
from ampwitness.detect.clips.judge.clip_level import (
    Level,
    find_level,
    find_soft_rail,
    rail_of_bent,
    soft_ceiling,
)
from ampwitness.detect.clips.judge.clip_lookalike import look_like_the_music
from ampwitness.detect.clips.judge.clip_round import are_mostly_round, is_led_by_few
from ampwitness.detect.clips.judge.clip_shared import is_dense, level_of_other
from ampwitness.detect.clips.judge.clip_topmost import ends_among_round, find_topmost, round_levels
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

WORST_MISFIT = 30.0  # at the rail, corners and flanks may be odd; the plateau's place speaks
FEWEST_ELSEWHERE = 8
ELSEWHERE_MISFIT = 4.0
FEWEST_FOR_COARSE = 4
FEWEST_BESIDE = 3
FEWEST_STEADY, STEADY_SHARE = 5, 0.006
BESIDE_S = 0.5
BESIDE_SHARE = 0.03
SUNK_SHARE = 0.7
SUNK_SHARE_WITH_SUPPLY = 0.75
FIRM_PLATEAUS, FIRM_SPREAD = 12, 0.005  # a ceiling that is known so well, to a share of it,
FIRM_TOLERANCE = 0.01  # of the level: what lies so near is at it
FIRM_SHARE = 0.95  # has no tops between two corners that stay so far below it
FEWEST_LEVEL = 3  # plateaus that a ceiling which moves under strongly driven half-cycles leaves of light ones
FEWEST_RESTS = 2
LIMIT_SHOWS_DB = 0.1  # of some half-cycle: what takes less of every crest is a bend of the music's own flanks
FEWEST_ROUND = 10  # crests at a level that tell what brought them there
OPPOSITE_SHARE = 0.07  # how far the ceilings of both polarities lie apart at most, as in `clip_partner`
MOST_FEW = 4  # plateaus: so many may lie at one level by chance
LOOSE_TOLERANCE = 0.012  # of the level: a rail known no better vouches for little,
LOOSE_GAIN = 25.0  # and the fit must speak for itself
LOOSE_SPREAD = 0.012  # of the level: plateaus that scatter so vouch for no top that no fit describes


@dataclass(frozen=True, slots=True)
class SideVerdict:
    """What was decided of n candidates of one polarity; arrays (n,).

    `expected` : V, the ceiling where each lies, NaN where not known; `threshold` : the gain that was asked of each;
    `undecided` : taken, but the amplifier's or the source's"""

    accepted: BoolArray
    expected: FloatArray
    threshold: FloatArray
    is_source: BoolArray
    undecided: BoolArray
    is_soft: BoolArray
    rail: Rail | None
    is_apart: BoolArray | None = None  # taken by what lies around, at no rail that is known; None: none is


def is_firm(rail: Rail, expected_v: FloatArray) -> bool:
    """Whether a ceiling is known so well that none lies far below it: one that sinks into a limit of its own scatters,
    or shows few plateaus."""
    typical_v = float(np.nanmedian(expected_v)) if np.isfinite(expected_v).any() else 0.0
    return rail.n_plateaus >= FIRM_PLATEAUS and rail.spread_v <= FIRM_SPREAD * typical_v


def lies_firmly(table: Candidates, side: SideVerdict) -> BoolArray:
    """(n,) which rows of a polarity lie at a ceiling that is known well."""
    if side.rail is None or not is_firm(side.rail, side.expected):
        return np.zeros(len(table), dtype=bool)
    return np.asarray(np.abs(table["level_v"] - side.expected) <= FIRM_TOLERANCE * side.expected)


@dataclass(slots=True)
class _Taken:
    """What was taken so far of n candidates, and at which ceiling; fields as of `SideVerdict`."""

    accepted: BoolArray
    undecided: BoolArray
    is_soft: BoolArray
    expected: FloatArray
    threshold: FloatArray
    few_inliers: BoolArray  # one or two plateaus that are all that shows a ceiling
    rail: Rail | None

    @classmethod
    def nothing(cls, n: int) -> _Taken:
        no = (np.zeros(n, dtype=bool) for _ in range(4))
        accepted, undecided, is_soft, few = no
        return cls(accepted, undecided, is_soft, np.full(n, np.nan), np.full(n, ALONE_GAIN), few, None)

    def take(self, rows: BoolArray, undecided: BoolArray) -> None:
        """Some more, of which some stay undecided."""
        self.accepted, self.undecided = self.accepted | rows, self.undecided | undecided


def judge_side(
    table: Candidates,
    crests: HighCrests,
    sign: float,
    *,
    are_level: bool = False,
    other: Rail | None = None,
    shared: Rail | None = None,
) -> SideVerdict:
    """Learn the rail of one polarity (sign 1.0 or -1.0) and decide.

    table : candidates of that polarity; crests : the highest crests that are none, of both; are_level : whether
    either polarity is known to show level plateaus (`shows_level`); other : the other polarity's ceiling, near which
    a few plateaus are believed to show one (`is_led_by_few`); shared : a ceiling that is the other's or of both, asked
    for ahead of its own
    """
    basic, plain = might_be_plateaus(table), find_plain(table)
    level = None if shared is None else level_of_other(table, crests, sign, basic, shared)
    if level is None:
        level = find_level(table, crests, sign, plain, basic)
    taken = _Taken.nothing(len(table))
    if level.rail is not None:
        _take_at_level(taken, table, level, level.rail, basic, other)
        if _is_of_round(taken, table, crests, sign, level):
            taken = _Taken.nothing(len(table))
    if taken.rail is not None:
        _take_near_level(taken, table, crests, sign, basic, level)
    _take_rounded(taken, table, crests, sign, basic)
    are_level |= int(np.count_nonzero(taken.accepted & plain)) >= FEWEST_LEVEL
    _take_moving(taken, table, crests, sign, are_level)
    _take_beside_rests(taken, table, crests, sign, basic)
    _take_measured_elsewhere(taken, table)
    topmost = _take_alone(taken, table, crests, sign, basic, plain)
    (of_music,) = look_like_the_music([(table, taken.accepted)])
    if taken.rail is not None and is_firm(taken.rail, taken.expected):
        of_music &= ~(np.abs(table["level_v"] - taken.expected) <= level.tolerance_v)
    accepted, undecided, topmost = (rows & ~of_music for rows in (taken.accepted, taken.undecided, topmost))
    return SideVerdict(
        accepted, taken.expected, taken.threshold, np.zeros(len(table), dtype=bool), undecided, taken.is_soft,
        taken.rail, topmost,
    )  # fmt: skip


def _take_at_level(
    taken: _Taken, table: Candidates, level: Level, rail: Rail, basic: BoolArray, other: Rail | None
) -> None:
    """What lies at the ceiling that was learned, unless it turns out to be none."""
    tolerance_v, is_coarse = level.tolerance_v, table["is_coarse"] > 0
    predicted = rail.predict(table.supply, table.output)
    typical_v = float(np.median(predicted[level.members]))
    inliers = level.members & (np.abs(table["level_v"] - predicted) <= tolerance_v)
    order = np.flatnonzero(inliers)[np.argsort(table["start_s"][inliers], kind="stable")]
    residual = (table["level_v"] - predicted)[order]
    expected = predicted + local_drift(table["start_s"][order], residual, table["start_s"])
    off_v = np.abs(table["level_v"] - expected)
    near = off_v <= tolerance_v + (0.0 if level.is_of_stays else slack_of(table))
    few = np.count_nonzero(inliers) < 3
    threshold = np.where(near, ALONE_GAIN if few else AT_RAIL_GAIN, ALONE_GAIN)
    threshold = np.where(is_coarse, 0.0, threshold)
    over_sd = (table["crest_v"] - table["level_v"]) / np.maximum(table["crest_sd_v"], 1e-9)
    accepted = (
        basic & near & (table["gain"] >= threshold) & (over_sd > 1.0) & (table["is_coarse"] == 0)
        & ((table["misfit"] <= WORST_MISFIT) | (table["gain"] >= PLAIN_GAIN))
        & (misfit_allows(table, LOOSE_GAIN) | (tolerance_v <= LOOSE_TOLERANCE * typical_v))
    )  # fmt: skip
    if not few:  # one or two plateaus make no well-known ceiling
        above, below = leads_above(rail, table, expected, inliers)
        accepted = accepted | comes_just_up_to(rail, expected, table, basic, above)
        accepted &= ~below
    if not few and is_firm(rail, expected):  # where a top lies says what its peak and its flanks do not
        at_it = is_dense(table, expected) & (off_v <= FIRM_TOLERANCE * expected) & _is_top(table)
        accepted = accepted | (at_it & (table["gain"] >= FAINT_GAIN))
    if level.pile is not None:  # in full-range music hardly a fit fits; the place speaks, where so many crests agree
        accepted = accepted | (basic & near & (over_sd > 1.0) & (table["lively"] >= LIVELY))
        stays = (table["stay_v"] > 0) & (table["crest_v"] > table["level_v"])
        # By how much neighbours drift may mislead.
        nearest_v = np.minimum(off_v, np.abs(table["level_v"] - table["stay_v"]))
        accepted = accepted | (stays & (nearest_v <= STAY_SHARE * expected))
    if np.count_nonzero(inliers) >= FEWEST_FOR_COARSE and rail.spread_v <= LOOSE_SPREAD * typical_v:
        accepted = accepted | (basic & near & is_coarse & (over_sd > 1.0))
    # A limiter's levels would have been refused at the other polarity, too.
    if not level.is_shared and np.count_nonzero(near) >= FEWEST_ROUND and are_mostly_round(table, near):
        return
    is_believed = level.pile is not None or (other is not None and _lie_alike(rail, other, table))
    if not is_believed and is_led_by_few(table, accepted, inliers):
        return
    taken.rail, taken.accepted, taken.few_inliers = rail, accepted, inliers & few
    taken.expected, taken.threshold = expected, threshold


def _is_of_round(taken: _Taken, table: Candidates, crests: HighCrests, sign: float, level: Level) -> bool:
    """Whether a level that few plateaus show is one at which round crests end in number: a limiter's, no ceiling's."""
    if taken.rail is None or level.pile is not None or taken.rail.n_plateaus > MOST_FEW or not taken.accepted.any():
        return False
    round_v = round_levels(table, crests, sign)
    return bool(np.mean(ends_among_round(table, taken.accepted, round_v)[taken.accepted]) > 0.5)


def _lie_alike(rail: Rail, other: Rail, table: Candidates) -> bool:
    """Whether the ceilings of both polarities lie near each other for the most part."""
    own_v, other_v = (of.predict(table.supply, table.output) for of in (rail, other))
    return bool(np.median(np.abs(own_v / other_v - 1)) <= OPPOSITE_SHARE)


def _is_top(table: Candidates) -> BoolArray:
    """(n,) what was fitted by two flanks with a crest above and some samples between."""
    return np.asarray(has_top(table) & (table["is_coarse"] == 0))


def _take_near_level(
    taken: _Taken, table: Candidates, crests: HighCrests, sign: float, basic: BoolArray, level: Level
) -> None:
    """A rail that sinks further than the model knows: plain, hard clipping somewhat below it."""
    # Where the supply is known the model knows more, and what lies far below it was clipped before.
    knows_supply = np.all(np.isfinite(table.supply), axis=1)
    lowest = np.where(knows_supply, SUNK_SHARE_WITH_SUPPLY, SUNK_SHARE) * taken.expected
    below = (table["level_v"] < taken.expected) & (table["level_v"] > lowest)
    sunk = basic & ~taken.accepted & below & beyond_doubt(table) & misfit_allows(table, PLAIN_GAIN)
    taken.take(sunk, sunk & ~knows_supply)
    if not level.is_of_stays:
        beside = lies_beside(table, crests, sign, taken.accepted, basic) & ~taken.accepted
        taken.take(beside, beside & ~knows_supply)


def _take_rounded(taken: _Taken, table: Candidates, crests: HighCrests, sign: float, basic: BoolArray) -> None:
    """Rounded, flat crests at one level, where they are no fewer than what was taken beside them."""
    rail, odd = find_soft_rail(table, crests, sign, basic)
    if rail is None or np.count_nonzero(odd & ~taken.accepted) < np.count_nonzero(taken.accepted & ~odd):
        return
    odd &= ~taken.accepted
    taken.is_soft = odd & (table["is_coarse"] > 0)
    taken.rail = rail
    taken.expected = np.where(odd, rail.predict(table.supply, table.output), taken.expected)
    taken.threshold = np.where(odd, 0.0, taken.threshold)
    taken.take(odd, odd)


def _take_moving(taken: _Taken, table: Candidates, crests: HighCrests, sign: float, are_level: bool) -> None:
    """Tops that move between two corners, where plateaus at a level are known, and tops on which music lies still."""
    moving = table["top_kind"] > 0
    is_rest = np.isin(table["top_kind"], (RESTS, PLAIN_AND_RESTS))
    stands = taken.rail is not None and is_firm(taken.rail, taken.expected)
    if not are_level:
        moving[table["top_kind"] == BETWEEN_CORNERS] = False
    if stands:  # it does not move
        with np.errstate(invalid="ignore"):
            moving &= ~is_rest & ~(table["peak_v"] < FIRM_SHARE * taken.expected)
    taken.take(moving, moving & ~taken.accepted)


def _take_beside_rests(taken: _Taken, table: Candidates, crests: HighCrests, sign: float, basic: BoolArray) -> None:
    """What lies level with tops nearby on which lively music lies still: their ceiling moves, but not so soon."""
    is_rest = np.isin(table["top_kind"], (RESTS, PLAIN_AND_RESTS))
    asked = basic & ~taken.accepted & ((table["gain"] >= AT_RAIL_GAIN) | (table["is_coarse"] > 0))
    beside = lies_beside(table, crests, sign, taken.accepted & is_rest, basic, asked, FEWEST_RESTS)
    taken.take(beside, beside)


def _take_measured_elsewhere(taken: _Taken, table: Candidates) -> None:
    """What a second look of its own measured: limits of the current, crests that bend over."""
    limited, bent = table["limited"] > 0, table["sharpness"] > 0
    limited &= float(np.max(table.over_db[limited], initial=0.0)) >= LIMIT_SHOWS_DB
    taken.accepted, taken.undecided = taken.accepted | limited, taken.undecided & ~limited
    taken.expected = np.where(bent, soft_ceiling(table), taken.expected)
    taken.threshold = np.where(bent, 0.0, taken.threshold)
    taken.is_soft = taken.is_soft | bent
    rail = rail_of_bent(table, taken.expected)
    taken.take(bent, bent & (rail is None))
    if taken.rail is None:
        taken.rail = rail


def _take_alone(
    taken: _Taken, table: Candidates, crests: HighCrests, sign: float, basic: BoolArray, plain: BoolArray
) -> BoolArray:
    """What needs no ceiling to be believed; returns, (n,), what nothing round stands above."""
    elsewhere = plain & ~taken.accepted & beyond_doubt(table) & (table["misfit"] <= ELSEWHERE_MISFIT)
    if np.count_nonzero(elsewhere) >= FEWEST_ELSEWHERE:
        taken.take(elsewhere, elsewhere)
    # Plateaus plain by themselves that keep each other company under no higher crest: a ceiling that moved.
    together = plain & ~taken.accepted & (table["misfit"] <= PLAIN_MISFIT) & (table["gain"] >= TOGETHER_GAIN)
    together = together & lies_beside(table, crests, sign, together, basic, together, FEWEST_BESIDE + 1)
    steady = plain & ~taken.accepted & stands_plainly(table)
    together |= steady & lies_beside(table, crests, sign, steady, basic, steady, FEWEST_STEADY + 1, STEADY_SHARE)
    taken.take(together, together)
    topmost = find_topmost(table, crests, sign, taken.accepted)
    alone = topmost | (~taken.accepted & basic & needs_no_company(table))
    taken.take(alone, alone)
    joined = joins_few(table, crests, sign, taken.expected, taken.accepted, taken.few_inliers)
    taken.take(joined, joined)
    return topmost


def shows_level(table: Candidates, side: SideVerdict) -> bool:
    """Whether plateaus at a level were taken of a polarity."""
    return int(np.count_nonzero(side.accepted & find_plain(table))) >= FEWEST_LEVEL


def lies_beside(
    table: Candidates, crests: HighCrests, sign: float, accepted: BoolArray, basic: BoolArray,
    asked: BoolArray | None = None, fewest: int = FEWEST_BESIDE, level_share: float = BESIDE_SHARE,
) -> BoolArray:  # fmt: skip
    """Candidates that lie level with accepted plateaus within half a second, under no higher crest nearby."""
    found = np.zeros(len(table), dtype=bool)
    known = np.flatnonzero(accepted)[np.argsort(table["start_s"][accepted], kind="stable")]
    mine = np.flatnonzero(crests.sign == sign)
    mine = mine[np.argsort(crests.time_s[mine], kind="stable")]
    if asked is None:
        asked = basic & ~accepted & ((table["gain"] >= PLAIN_GAIN) | (table["is_coarse"] > 0))
    worth = np.flatnonzero(asked)
    now, level = table["start_s"][worth], table["level_v"][worth]
    alike, higher = np.zeros(len(worth), dtype=np.intp), np.zeros(len(worth), dtype=bool)
    for rows, other in iter_neighbours(now, table["start_s"][known], BESIDE_S):
        alike[rows] += np.abs(table["level_v"][known[other]] - level[rows]) <= level_share * level[rows]
    for rows, other in iter_neighbours(now, crests.time_s[mine], BESIDE_S):
        higher[rows] |= crests.level_v[mine[other]] > level[rows] * (1 + BESIDE_SHARE)
    found[worth] = (alike >= fewest) & ~higher
    return found
