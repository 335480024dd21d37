"""Which candidates of one polarity are clipped half-cycles: the rail learned from the plainest, and used both ways.

Gaps: none here; candidates stand alone.
Limits: where no plateau is plain, no rail is learned, and only plain plateaus count.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.clip_candidates import Candidates, HighCrests
from ampwitness.detect.clips.clip_doubles import STAY_SHARE
from ampwitness.detect.clips.clip_few import crests_beside, joins_few
from ampwitness.detect.clips.clip_lookalike import look_like_the_music
from ampwitness.detect.clips.clip_pile import SUNK, Pile, find_pile, is_one_note, might_be_plateaus, pile_of_stays
from ampwitness.detect.clips.clip_plain import (
    ALONE_GAIN,
    AT_RAIL_GAIN,
    FAINT_NOISE_SHARE,
    LIVELY,
    PLAIN_GAIN,
    PLAIN_MISFIT,
    TOGETHER_GAIN,
    WIDEST_TOLERANCE,
    beyond_doubt,
    comes_just_up_to,
    find_plain,
    is_cut_off,
    leads_above,
    misfit_allows,
    needs_no_company,
    slack_of,
    stands_plainly,
)
from ampwitness.detect.clips.clip_round import are_mostly_round, is_overtopped, is_round_pile
from ampwitness.detect.clips.clip_soft import ceiling_of
from ampwitness.detect.clips.clip_topmost import are_topped_alike, ends_among_round, find_topmost, round_levels
from ampwitness.detect.clips.rail_model import Rail, iter_neighbours, learn_rail, local_drift
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

WORST_MISFIT = 30.0  # at the rail, corners and flanks may be odd; the plateau's place speaks
FEWEST_ELSEWHERE = 8
ELSEWHERE_MISFIT = 4.0
FEWEST_FOR_COARSE = 4
PILE_SAYS_MORE = 2.0  # times as many crests as plain plateaus
FEWEST_FOR_SOFT = 12
SOFT_LEAST_DB = 1.0
SOFT_DRIVE_SPREAD = 1.1  # from the tenth to the ninetieth percentile of crests: of one held shape 1.02
ODD_TOP = 6.0  # samples, of a plateau whose corners or flanks no fit describes
SOFT_TOLERANCE = 0.006  # of the level
SOFT_SURE_DB = 0.5  # bent over by so much a crest shows its ceiling
FEWEST_BESIDE = 3
FEWEST_STEADY, STEADY_SHARE = 5, 0.006
BESIDE_S = 0.5
BESIDE_SHARE = 0.03
LEAST_TAKEN = 0.5  # of a pile
SUNK_SHARE = 0.7
SUNK_SHARE_WITH_SUPPLY = 0.75
FIRM_PLATEAUS, FIRM_SPREAD = 12, 0.005  # a ceiling that is known so well, to a share of it,
FIRM_SHARE = 0.95  # has no tops between two corners that stay so far below it
LEAST_STAND_HIGH = 0.7  # of the tops between two corners
FEWEST_LEVEL = 3  # plateaus that a ceiling which moves under strongly driven half-cycles leaves of light ones
FEWEST_ROUND = 10  # crests at a level that tell what brought them there
FAR_ABOVE = 1.06  # times the highest of a top between two corners
LOOSE_TOLERANCE = 0.012  # of the level: a rail known no better vouches for little,
LOOSE_GAIN = 25.0  # and the fit must speak for itself


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
    headroom_db: float | None
    is_apart: BoolArray | None = None  # taken by what lies around, at no rail that is known; None: none is


def _is_firm(rail: Rail, expected_v: FloatArray) -> bool:
    """Whether a ceiling is known so well that none lies far below it: one that sinks into a limit of its own scatters,
    or shows few plateaus."""
    typical_v = float(np.nanmedian(expected_v)) if np.isfinite(expected_v).any() else 0.0
    return rail.n_plateaus >= FIRM_PLATEAUS and rail.spread_v <= FIRM_SPREAD * typical_v


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


def judge_side(table: Candidates, crests: HighCrests, sign: float, *, are_level: bool = False) -> SideVerdict:
    """Learn the rail of one polarity (sign 1.0 or -1.0) and decide.

    table : candidates of that polarity; crests : the highest crests that are none, of both; are_level : whether
    either polarity is known to show level plateaus (`shows_level`)
    """
    n = len(table)
    basic = might_be_plateaus(table)
    plain = find_plain(table)
    accepted, is_source, undecided, is_soft = (np.zeros(n, dtype=bool) for _ in range(4))
    expected, threshold = np.full(n, np.nan), np.full(n, ALONE_GAIN)
    noise = float(np.median(table["noise_v"])) if n else 0.0
    rail: Rail | None = None
    tolerance = 0.0
    few_inliers = np.zeros(n, dtype=bool)
    at_rail_set = plain.copy()
    for _ in range(20):  # a cluster that higher crests refute is no rail: look again above it
        chosen = np.flatnonzero(at_rail_set)
        rail = learn_rail(table["level_v"][chosen], table.supply[chosen], table.output[chosen])
        if rail is None:
            break
        predicted = rail.predict(table.supply, table.output)
        typical = float(np.median(predicted[chosen]))
        tolerance = min(max(4 * rail.spread_v, 3 * noise, 0.004 * typical), WIDEST_TOLERANCE * typical)
        veto = tolerance + 0.012 * typical
        inliers = at_rail_set & (np.abs(table["level_v"] - predicted) <= tolerance)
        n_over = _higher_crests(rail, veto, crests, table, sign)
        if n_over <= max(1, 0.03 * np.count_nonzero(inliers)):
            break
        above = at_rail_set & (table["level_v"] > predicted + tolerance)
        if not above.any():
            rail = None
            break
        at_rail_set = above
    pile = _pile_instead(table, crests, sign, basic, rail, at_rail_set, tolerance)
    if pile is not None:
        rail, tolerance, at_rail_set = pile.rail, pile.tolerance_v, pile.members
        typical = float(np.median(rail.predict(table.supply, table.output)[at_rail_set]))
    headroom = None
    if rail is not None and (pile is None or not pile.is_of_stays):
        off = np.abs(table["level_v"] - rail.predict(table.supply, table.output))
        at_it = at_rail_set & (off <= tolerance)
        if is_overtopped(rail, table.take(at_it), _round_crests(crests, table, sign), sign, noise):
            rail = pile = None
    if rail is not None:
        predicted = rail.predict(table.supply, table.output)
        inliers = at_rail_set & (np.abs(table["level_v"] - predicted) <= tolerance)
        order = np.flatnonzero(inliers)[np.argsort(table["start_s"][inliers], kind="stable")]
        residual = (table["level_v"] - predicted)[order]
        drift = local_drift(table["start_s"][order], residual, table["start_s"])
        expected = predicted + drift
        near = np.abs(table["level_v"] - expected) <= tolerance + (
            0.0 if pile is not None and pile.is_of_stays else slack_of(table)
        )
        few = np.count_nonzero(inliers) < 3
        few_inliers = inliers & few
        threshold = np.where(near, ALONE_GAIN if few else AT_RAIL_GAIN, ALONE_GAIN)
        threshold = np.where(table["is_coarse"] > 0, 0.0, threshold)
        over_sd = (table["crest_v"] - table["level_v"]) / np.maximum(table["crest_sd_v"], 1e-9)
        accepted = (
            basic & near & (table["gain"] >= threshold) & (over_sd > 1.0) & (table["is_coarse"] == 0)
            & ((table["misfit"] <= WORST_MISFIT) | (table["gain"] >= PLAIN_GAIN))
            & (misfit_allows(table, LOOSE_GAIN) | (tolerance <= LOOSE_TOLERANCE * typical))
        )  # fmt: skip
        if not few:  # one or two plateaus make no well-known ceiling
            above, below = leads_above(rail, table, expected, inliers)
            accepted = accepted | comes_just_up_to(rail, expected, table, basic, above)
            accepted &= ~below
        if pile is not None:  # in full-range music hardly a fit fits; the place speaks, where so many crests agree
            accepted = accepted | (basic & near & (over_sd > 1.0) & (table["lively"] >= LIVELY))
            stays = (table["stay_v"] > 0) & (table["crest_v"] > table["level_v"])
            accepted = accepted | (stays & (np.abs(table["level_v"] - expected) <= STAY_SHARE * expected))
        if np.count_nonzero(inliers) >= FEWEST_FOR_COARSE:
            accepted = accepted | (basic & near & (table["is_coarse"] > 0) & (over_sd > 1.0))
        is_limited = np.count_nonzero(near) >= FEWEST_ROUND and are_mostly_round(table, near)
        if is_limited or (pile is not None and _is_hollow(pile, accepted)):
            rail, accepted = None, np.zeros(n, dtype=bool)
            expected, threshold = np.full(n, np.nan), np.full(n, ALONE_GAIN)
    if rail is not None:
        headroom = _headroom(rail, crests, sign)
        # A rail that sinks further than the model knows: plain, hard clipping somewhat below it.
        # Where the supply is known the model knows more, and what lies far below it was clipped before.
        knows_supply = np.all(np.isfinite(table.supply), axis=1)
        lowest = np.where(knows_supply, SUNK_SHARE_WITH_SUPPLY, SUNK_SHARE) * expected
        sunk = (
            basic
            & ~accepted
            & beyond_doubt(table)
            & misfit_allows(table, PLAIN_GAIN)
            & (table["level_v"] < expected)
            & (table["level_v"] > lowest)
        )
        accepted = accepted | sunk
        undecided = sunk & ~knows_supply
        if pile is None or not pile.is_of_stays:
            beside = lies_beside(table, crests, sign, accepted, basic) & ~accepted
            accepted = accepted | beside
            undecided = undecided | (beside & ~knows_supply)
    odd_rail, odd = _soft_rail(table, crests, sign, basic)
    if odd_rail is not None and np.count_nonzero(odd & ~accepted) >= np.count_nonzero(accepted & ~odd):
        is_soft = odd & (table["is_coarse"] > 0) & ~accepted
        odd &= ~accepted
        rail = odd_rail
        expected = np.where(odd, rail.predict(table.supply, table.output), expected)
        accepted, undecided, threshold = accepted | odd, undecided | odd, np.where(odd, 0.0, threshold)
        headroom = _headroom(rail, crests, sign)
    sunk_within, limited = table["sunk"] > 0, table["limited"] > 0
    if not are_level and np.count_nonzero(accepted & plain) < FEWEST_LEVEL:
        sunk_within[table["sunk"] >= SUNK] = False
    sunk = np.flatnonzero(sunk_within & (table["sunk"] == SUNK))
    sunk_within[sunk] = ~are_topped_alike(table, sunk, crests, sign)
    # Two corners prove a ceiling that moves: only what stands far above all of its top speaks against them.
    between = np.flatnonzero(sunk_within & (table["sunk"] != SUNK))
    high = Candidates(table.columns | {"level_v": FAR_ABOVE * table["peak_v"]}, table.supply, table.output)
    stand_high = ~are_topped_alike(high, between, crests, sign)
    # Where many do not, corners are those of the music: partials of a bright string kink its waves at any height.
    sunk_within[between] = stand_high & (np.count_nonzero(stand_high) >= LEAST_STAND_HIGH * len(between))
    if rail is not None and _is_firm(rail, expected):
        with np.errstate(invalid="ignore"):
            sunk_within[between] &= ~(table["peak_v"] < FIRM_SHARE * expected)[between]
    accepted, undecided = accepted | sunk_within, undecided | (sunk_within & ~accepted)
    accepted, undecided = accepted | limited, undecided & ~limited
    bent = table["sharpness"] > 0
    expected, threshold = np.where(bent, _soft_ceiling(table), expected), np.where(bent, 0.0, threshold)
    is_soft, accepted = is_soft | bent, accepted | bent
    soft_rail = _rail_of_bent(table, expected)
    if soft_rail is None:
        undecided = undecided | bent
    elif rail is None:
        rail = soft_rail
    elsewhere = plain & ~accepted & beyond_doubt(table) & (table["misfit"] <= ELSEWHERE_MISFIT)
    if np.count_nonzero(elsewhere) >= FEWEST_ELSEWHERE:
        accepted = accepted | elsewhere
        undecided = undecided | elsewhere
    # Plateaus plain by themselves that keep each other company under no higher crest: a ceiling that moved.
    together = plain & ~accepted & (table["misfit"] <= PLAIN_MISFIT) & (table["gain"] >= TOGETHER_GAIN)
    together = together & lies_beside(table, crests, sign, together, basic, together, FEWEST_BESIDE + 1)
    steady = plain & ~accepted & stands_plainly(table)
    together |= steady & lies_beside(table, crests, sign, steady, basic, steady, FEWEST_STEADY + 1, STEADY_SHARE)
    accepted, undecided = accepted | together, undecided | together
    topmost = find_topmost(table, crests, sign, accepted)
    alone = topmost | (~accepted & basic & needs_no_company(table))
    accepted, undecided = accepted | alone, undecided | alone
    joined = joins_few(table, crests, sign, expected, accepted, few_inliers)
    accepted, undecided = accepted | joined, undecided | joined
    (of_music,) = look_like_the_music([(table, accepted)])
    if rail is not None and _is_firm(rail, expected):
        of_music &= ~(np.abs(table["level_v"] - expected) <= tolerance)
    accepted, undecided, topmost = (rows & ~of_music for rows in (accepted, undecided, topmost))
    return SideVerdict(accepted, expected, threshold, is_source, undecided, is_soft, rail, headroom, topmost)


def shows_level(table: Candidates, side: SideVerdict) -> bool:
    """Whether plateaus at a level were taken of a polarity."""
    return int(np.count_nonzero(side.accepted & find_plain(table))) >= FEWEST_LEVEL


def _pile_instead(
    table: Candidates, crests: HighCrests, sign: float, basic: BoolArray, rail: Rail | None, at_rail: BoolArray,
    tolerance: float,
) -> Pile | None:  # fmt: skip
    """The pile of many crests, where it says more than the few plateaus that were plain by themselves."""
    noise_v = float(np.median(table["noise_v"])) if len(table) else 0.0
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
    typical = float(np.median(table["level_v"][pile.members]))
    # In music dense as noise corners ring over a ceiling by as much as samples scatter.
    n_over = _higher_crests(pile.rail, pile.tolerance_v + max(0.012 * typical, noise_v), crests, table, sign)
    return n_over > max(1, 0.03 * np.count_nonzero(pile.members))


def _is_hollow(pile: Pile, accepted: BoolArray) -> bool:
    """Whether most crests of a pile are no plateaus: flat waves of a held pedal that a limiter brought to one level. Of
    true piles 0.98 and more were taken, of such a one 0.12."""
    is_few = np.count_nonzero(accepted & pile.members) < LEAST_TAKEN * np.count_nonzero(pile.members)
    return bool(is_few and not pile.is_of_stays)


def _rail_of_bent(table: Candidates, ceiling_v: FloatArray) -> Rail | None:
    """The ceiling of bent crests where it was seen to follow the supply, which no source's does."""
    rows = (table["sharpness"] > 0) & (table.over_db >= SOFT_SURE_DB)
    if np.count_nonzero(rows) < FEWEST_FOR_SOFT:
        return None
    rail = learn_rail(ceiling_v[rows], table.supply[rows], table.output[rows])
    return rail if rail is not None and rail.per_supply_v > 0 else None


def _soft_ceiling(table: Candidates) -> FloatArray:
    """(n,) the ceiling that bent crests were measured against; NaN for all others."""
    out = np.full(len(table), np.nan)
    bent = table["sharpness"] > 0
    out[bent] = ceiling_of(table["level_v"][bent], table["crest_v"][bent], table["sharpness"][bent])
    return out


def _soft_rail(
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


def _headroom(rail: Rail, crests: HighCrests, sign: float) -> float | None:
    """Least distance from an unclipped crest to the rail at that moment, dB."""
    mine = crests.sign == sign
    if not mine.any():
        return None
    room = rail.predict(crests.supply[mine], crests.output[mine]) / crests.level_v[mine]
    return float(max(0.0, 20 * np.log10(max(float(np.min(room)), 1e-6))))
