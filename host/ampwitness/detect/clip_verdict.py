"""Which candidates are clipped half-cycles: the rail learned from the plainest, and used both ways.

Gaps: none here; candidates stand alone.
Limits: where no plateau is plain, no rail is learned, and only plain plateaus count.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_candidates import Candidates, HighCrests, join
from ampwitness.detect.clip_doubles import STAY_SHARE, without_doubles
from ampwitness.detect.clip_pile import Pile, find_pile, might_be_plateaus, pile_of_stays, stands_at_level
from ampwitness.detect.clip_refuted import is_refuted
from ampwitness.detect.clip_round import is_overtopped, is_round_pile
from ampwitness.detect.clip_soft import ceiling_of
from ampwitness.detect.clip_source import find_source_flats, is_source_for_sure, lies_at_many_levels
from ampwitness.detect.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.detect.headroom import Room, measure_room
from ampwitness.detect.rail_model import Rail, iter_neighbours, learn_rail, local_drift, summarise_rail
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

PLAIN_GAIN = 60.0  # of residual squares, in noise variances: seen in no clean half-cycle of bass that fits
ALONE_GAIN = 100.0
NARROW_GAIN = 20.0
SINGLE_GAIN = 600.0
SINGLE_MISFIT = 8.0
AT_RAIL_GAIN = 6.0
FAINT_GAIN = 2.5  # where a crest comes just up to a rail that is known this well:
ODD_FAINT_GAIN = 5.0
FAINT_NOISE_SHARE = 0.01  # of the level: in music dense as noise crests end up there by chance
LOWER_FAINT_GAIN, LOWER_ODD_GAIN = 5.0, 8.0  # somewhat below it, where more natural crests end
FAINT_BELOW_SD, LOWER_BELOW_SD, FAINT_ABOVE_SD, FAINT_SPREAD_SD = 0.6, 3.0, 4.0, 2.0  # all in noise of one sample
PLAIN_MISFIT = 2.5  # reduced chi-square of flanks and line
WORST_MISFIT = 30.0  # at the rail, corners and flanks may be odd; the plateau's place speaks
FEWEST_ELSEWHERE = 8
ELSEWHERE_MISFIT = 4.0
FEWEST_FOR_COARSE = 4
SHORT_S, RINGING_SHARE, LIVELY = 0.0015, 0.01, 0.5
PILE_SAYS_MORE = 2.0  # times as many crests as plain plateaus
FEWEST_FOR_SOFT = 12
SOFT_LEAST_DB = 1.0
ODD_TOP = 6.0  # samples, of a plateau whose corners or flanks no fit describes
SOFT_SURE_DB = 0.5  # bent over by so much a crest shows its ceiling
SOFT_TOLERANCE = 0.006  # of the level
FEWEST_BESIDE = 3
TOGETHER_GAIN = 250.0  # the largest of a clean half-cycle was 244
FEWEST_STEADY, STEADY_SHARE, STEADY_MISFIT = 5, 0.006, 5.0
BESIDE_S = 0.5
BESIDE_SHARE = 0.03
SUNK_SHARE = 0.7
SUNK_SHARE_WITH_SUPPLY = 0.75
LOOSE_TOLERANCE = 0.012  # of the level: a rail known no better vouches for little,
LOOSE_GAIN = 25.0  # and the fit must speak for itself
SURE_SD, USUAL_SUPPLY_V = 4.0, 13.0
LEAST_PROPORTION, MOST_PROPORTION = 0.3, 5.0  # of a ceiling's change to its supply's
RAIL_SHARE = 0.98  # of the level expected
TILT_SLACK = 0.3  # of what a plateau falls from corner to corner
WIDEST_TOLERANCE = 0.04  # of the level; plateaus that scatter more have no rail in common


@dataclass(frozen=True, slots=True)
class Verdicts:
    """The clips, and for each what was expected and how it was decided; lists and arrays of the same length."""

    clips: Candidates
    expected_v: FloatArray
    confidence: FloatArray
    threshold: FloatArray
    shape: list[str]  # hard, soft
    where: list[str]  # amplifier, source, not decided
    ceiling: list[str]  # rail, current, undecided
    rails: Mapping[str, Any]
    rail_model: Mapping[str, Mapping[str, Any]]
    lowest_headroom_db: float | None
    rooms: tuple[Room, ...]  # of the polarities whose ceiling is known
    n_candidates: int
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _OneSide:
    accepted: BoolArray
    expected: FloatArray
    threshold: FloatArray
    is_source: BoolArray
    undecided: BoolArray
    is_soft: BoolArray
    rail: Rail | None
    headroom_db: float | None
    bent_rail: Rail | None = None  # of crests that are bent over, where it follows the supply


def _beyond_doubt(table: Candidates) -> BoolArray:
    """Long, level and hard enough to be believed though no rail is where it lies."""
    overdrive_db = 20 * np.log10(np.maximum(table["crest_v"], 1e-9) / np.maximum(table["level_v"], 1e-9))
    return np.asarray(
        (table["gain"] >= 2 * ALONE_GAIN)
        & (table["narrow_gain"] >= 3 * NARROW_GAIN)
        & (table["n_top"] >= 6)
        & (table["flatter_flank_ratio"] > 0.15)
        & (overdrive_db >= 0.4)
        & (np.abs(table["tilt_v_per_s"]) < 0.08 * table["flank_v_per_s"])
    )


def _needs_no_company(table: Candidates) -> BoolArray:
    """A single flat so plain that no clean half-cycle came near: in forty minutes of them the largest gain was 244."""
    overdrive_db = 20 * np.log10(np.maximum(table["crest_v"], 1e-9) / np.maximum(table["level_v"], 1e-9))
    return np.asarray(
        (table["gain"] >= SINGLE_GAIN)
        & (table["narrow_gain"] >= SINGLE_GAIN / 5)
        & (table["misfit"] <= SINGLE_MISFIT)
        & (table["n_top"] >= 4)
        & (table["flatter_flank_ratio"] > 0.15)
        & (overdrive_db >= 0.15)
        & (np.abs(table["tilt_v_per_s"]) < 0.15 * table["flank_v_per_s"])
    )


def _stands_plainly(table: Candidates) -> BoolArray:
    """Plateaus between two alike flanks, far from doubt though their corners fit but fairly."""
    overdrive_db = 20 * np.log10(np.maximum(table["crest_v"], 1e-9) / np.maximum(table["level_v"], 1e-9))
    return np.asarray(
        (table["gain"] >= TOGETHER_GAIN)
        & (table["narrow_gain"] >= PLAIN_GAIN)
        & (table["misfit"] <= STEADY_MISFIT)
        & (table["flatter_flank_ratio"] > 0.5)
        & (overdrive_db >= 0.4)
    )


def _misfit_allows(table: Candidates, gain: float) -> BoolArray:
    """Plain enough: fits well, or gains so much more than it misses."""
    return (table["misfit"] <= PLAIN_MISFIT) | (table["gain"] > gain * np.maximum(table["misfit"], 1.0))


def _stands_alone(table: Candidates) -> BoolArray:
    """What a plateau must show that no rail vouches for: level beside its flanks, and seen in the narrow window too."""
    return np.asarray(
        (table["narrow_gain"] >= NARROW_GAIN)
        & (table["flatter_flank_ratio"] > 0.3)
        & (np.abs(table["tilt_v_per_s"]) < 0.25 * table["flank_v_per_s"])
    )


def _slack(table: Candidates) -> FloatArray:
    """How far the level of a tilted plateau may miss a rail that moves under it."""
    moved = np.abs(table["tilt_v_per_s"]) * (table["stop_s"] - table["start_s"])
    return np.asarray(np.minimum(TILT_SLACK * moved, WIDEST_TOLERANCE * table["level_v"]))


def _ringing(table: Candidates, pile: Pile | None) -> FloatArray:
    """How far a few samples between ringing corners may miss a ceiling that many crests piled up at."""
    if pile is None:
        return np.zeros(len(table))
    is_short = (table["stop_s"] - table["start_s"] <= SHORT_S) & (table["lively"] >= LIVELY)
    return np.asarray(np.where(is_short, RINGING_SHARE * table["level_v"], 0.0))


def _comes_just_up_to(rail: Rail, expected_v: FloatArray, table: Candidates, basic: BoolArray) -> BoolArray:
    """Crests level with a well-known rail that bend too little: few natural ones end just there.

    On so short a plateau the fit may lay its corners oddly: then it has to gain more, and speaks for no overdrive."""
    noise = table["noise_v"]
    off = table["peak_v"] - expected_v
    lower = off < -FAINT_BELOW_SD * noise
    least_gain = np.where(
        basic, np.where(lower, LOWER_FAINT_GAIN, FAINT_GAIN), np.where(lower, LOWER_ODD_GAIN, ODD_FAINT_GAIN)
    )
    return np.asarray(
        (table["is_coarse"] == 0)
        & (table["gain"] >= least_gain)
        & (off >= -LOWER_BELOW_SD * noise)
        & (off <= FAINT_ABOVE_SD * noise)
        & (rail.spread_v <= FAINT_SPREAD_SD * noise)
        & (noise <= FAINT_NOISE_SHARE * expected_v)
    )


def _higher_crests(rail: Rail, tolerance: float, crests: HighCrests, table: Candidates, sign: float) -> int:
    """How many crests, candidates or not, stand above the rail."""
    mine = crests.sign == sign
    over = crests.level_v[mine] > rail.predict(crests.supply[mine], crests.output[mine]) + tolerance
    predicted = rail.predict(table.supply, table.output)
    # A plateau at the rail may tilt: its highest point is no crest above the rail.
    above = (table["peak_v"] > predicted + tolerance) & (table["level_v"] > predicted + tolerance / 2 + _slack(table))
    return int(np.count_nonzero(over)) + int(np.count_nonzero(above))


_SIDES = ((1.0, "positive"), (-1.0, "negative"))


def find_plain(table: Candidates) -> BoolArray:
    """Plateaus that need no rail to be believed; (n,)."""
    return np.asarray(
        might_be_plateaus(table)
        & (table["gain"] >= PLAIN_GAIN)
        & _misfit_allows(table, PLAIN_GAIN)
        & _stands_alone(table)
    )


def _judge_source_side(table: Candidates, is_sure: bool) -> _OneSide:
    """Where plateaus lie at many levels: the signal was cut off before the amplifier, surely or perhaps."""
    worth = (might_be_plateaus(table) & (table["gain"] >= AT_RAIL_GAIN) & _misfit_allows(table, LOOSE_GAIN)) & (
        (table["is_coarse"] == 0) & (table["crest_v"] > table["level_v"] + table["crest_sd_v"])
    )
    found, expected = find_source_flats(table, find_plain(table), worth)
    found = found | (table["sunk"] > 0) | (table["limited"] > 0)
    no = np.zeros(len(table), dtype=bool)
    source, undecided = (found, no) if is_sure else (no, found)
    return _OneSide(found, expected, np.full(len(table), PLAIN_GAIN), source, undecided, no, None, None)


def _judge_side(table: Candidates, crests: HighCrests, sign: float) -> _OneSide:
    n = len(table)
    basic = might_be_plateaus(table)
    plain = find_plain(table)
    accepted, is_source, undecided, is_soft = (np.zeros(n, dtype=bool) for _ in range(4))
    expected, threshold = np.full(n, np.nan), np.full(n, ALONE_GAIN)
    noise = float(np.median(table["noise_v"])) if n else 0.0
    rail: Rail | None = None
    tolerance = 0.0
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
        if is_overtopped(rail, table.take(at_rail_set & (off <= tolerance)), crests, sign, noise):
            rail = pile = None
    if rail is not None:
        predicted = rail.predict(table.supply, table.output)
        inliers = at_rail_set & (np.abs(table["level_v"] - predicted) <= tolerance)
        order = np.flatnonzero(inliers)[np.argsort(table["start_s"][inliers], kind="stable")]
        residual = (table["level_v"] - predicted)[order]
        drift = local_drift(table["start_s"][order], residual, table["start_s"])
        expected = predicted + drift
        near = np.abs(table["level_v"] - expected) <= tolerance + (
            0.0 if pile is not None and pile.is_of_stays else _slack(table) + _ringing(table, pile)
        )
        few = np.count_nonzero(inliers) < 3
        threshold = np.where(near, ALONE_GAIN if few else AT_RAIL_GAIN, ALONE_GAIN)
        threshold = np.where(table["is_coarse"] > 0, 0.0, threshold)
        over_sd = (table["crest_v"] - table["level_v"]) / np.maximum(table["crest_sd_v"], 1e-9)
        accepted = (
            basic & near & (table["gain"] >= threshold) & (over_sd > 1.0) & (table["is_coarse"] == 0)
            & ((table["misfit"] <= WORST_MISFIT) | (table["gain"] >= PLAIN_GAIN))
            & (_misfit_allows(table, LOOSE_GAIN) | (tolerance <= LOOSE_TOLERANCE * typical))
        )  # fmt: skip
        if not few:  # one or two plateaus make no well-known ceiling
            accepted = accepted | _comes_just_up_to(rail, expected, table, basic)
        if pile is not None:  # in full-range music hardly a fit fits; the place speaks, where so many crests agree
            accepted = accepted | (basic & near & (over_sd > 1.0) & (table["lively"] >= LIVELY))
            stays = (table["stay_v"] > 0) & (table["crest_v"] > table["level_v"])
            accepted = accepted | (stays & (np.abs(table["level_v"] - expected) <= STAY_SHARE * expected))
        if np.count_nonzero(inliers) >= FEWEST_FOR_COARSE:
            accepted = accepted | (basic & near & (table["is_coarse"] > 0) & (over_sd > 1.0))
        headroom = _headroom(rail, crests, sign)
        # A rail that sinks further than the model knows: plain, hard clipping somewhat below it.
        # Where the supply is known the model knows more, and what lies far below it was clipped before.
        knows_supply = np.all(np.isfinite(table.supply), axis=1)
        lowest = np.where(knows_supply, SUNK_SHARE_WITH_SUPPLY, SUNK_SHARE) * expected
        sunk = (
            basic
            & ~accepted
            & _beyond_doubt(table)
            & _misfit_allows(table, PLAIN_GAIN)
            & (table["level_v"] < expected)
            & (table["level_v"] > lowest)
        )
        accepted = accepted | sunk
        undecided = sunk & ~knows_supply
        if pile is None or not pile.is_of_stays:
            beside = _beside_accepted(table, crests, sign, accepted, basic) & ~accepted
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
    elsewhere = plain & ~accepted & _beyond_doubt(table) & (table["misfit"] <= ELSEWHERE_MISFIT)
    if np.count_nonzero(elsewhere) >= FEWEST_ELSEWHERE:
        accepted = accepted | elsewhere
        undecided = undecided | elsewhere
    # Plateaus plain by themselves that keep each other company under no higher crest: a ceiling that moved.
    together = plain & ~accepted & (table["misfit"] <= PLAIN_MISFIT) & (table["gain"] >= TOGETHER_GAIN)
    together = together & _beside_accepted(table, crests, sign, together, basic, together, FEWEST_BESIDE + 1)
    steady = plain & ~accepted & _stands_plainly(table)
    together |= steady & _beside_accepted(table, crests, sign, steady, basic, steady, FEWEST_STEADY + 1, STEADY_SHARE)
    accepted, undecided = accepted | together, undecided | together
    alone = basic & ~accepted & _needs_no_company(table)
    accepted, undecided = accepted | alone, undecided | alone
    return _OneSide(accepted, expected, threshold, is_source, undecided, is_soft, rail, headroom, soft_rail)


def _pile_instead(
    table: Candidates, crests: HighCrests, sign: float, basic: BoolArray, rail: Rail | None, at_rail: BoolArray,
    tolerance: float,
) -> Pile | None:  # fmt: skip
    """The pile of many crests, where it says more than the few plateaus that were plain by themselves."""
    noise_v = float(np.median(table["noise_v"])) if len(table) else 0.0
    is_dense = noise_v > FAINT_NOISE_SHARE * float(np.max(table["level_v"], initial=0.0))
    pile = (pile_of_stays(table) if is_dense else None) or find_pile(table, basic) or pile_of_stays(table)
    if pile is None:
        return None
    n_piled = np.count_nonzero(pile.members)
    if rail is not None:
        off = np.abs(table["level_v"] - rail.predict(table.supply, table.output))
        if n_piled < PILE_SAYS_MORE * np.count_nonzero(at_rail & (off <= tolerance)):
            return None
    if not pile.is_of_stays and is_round_pile(pile, table, AT_RAIL_GAIN):
        return None
    typical = float(np.median(table["level_v"][pile.members]))
    # In music dense as noise corners ring over a ceiling by as much as samples scatter.
    n_over = _higher_crests(pile.rail, pile.tolerance_v + max(0.012 * typical, noise_v), crests, table, sign)
    return pile if n_over <= max(1, 0.03 * n_piled) else None


def _rail_of_bent(table: Candidates, ceiling_v: FloatArray) -> Rail | None:
    """The ceiling of bent crests where it was seen to follow the supply, which no source's does."""
    over_db = 20 * np.log10(np.maximum(table["crest_v"], 1e-9) / np.maximum(table["level_v"], 1e-9))
    rows = (table["sharpness"] > 0) & (over_db >= SOFT_SURE_DB)
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

    A synthesiser's square note held at one level looks the same; hence such clips stay "not decided"."""
    over_db = 20 * np.log10(np.maximum(table["crest_v"], 1e-9) / np.maximum(table["level_v"], 1e-9))
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
    enough = np.count_nonzero(found) >= max(FEWEST_FOR_SOFT, 0.8 * np.count_nonzero(rows))
    if not enough or _higher_crests(rail, 3 * tolerance, crests, table, sign) > 0:
        return None, nothing
    return rail, found


def _beside_accepted(
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


def _join_crests(parts: list[HighCrests]) -> HighCrests:
    if not parts:
        empty = np.zeros(0)
        lags = np.zeros((0, len(SUPPLY_LAGS_S))), np.zeros((0, len(OUTPUT_LAGS_S)))
        return HighCrests(empty, empty, empty, empty, *lags)
    return HighCrests(*(np.concatenate([getattr(part, name) for part in parts]) for name in HighCrests.__slots__))


def _remarks(shape: list[str], where: list[str]) -> tuple[str, ...]:
    """Sentences about what the findings cannot tell."""
    out = []
    if "amplifier" in where or "not decided" in where:
        out.append("a signal clipped before the amplifier at one constant level looks the same as clipping in it")
    if "soft" in shape:
        out.append("rounded flat crests at one level: soft clipping, or a square-shaped note held steady")
    return tuple(out)


def _moves(rail: Rail | None) -> bool:
    """Whether a rail was seen to follow the supply or to sink under load: no source does that."""
    return rail is not None and (rail.per_supply_v > 0 or rail.per_output_v < 0)


def _name_origins(table: Candidates, side: _OneSide) -> list[str]:
    """Of each clip accepted. One constant level is the amplifier's or the source's; nothing can tell. A source knows
    nothing of a load."""
    source, undecided = side.is_source[side.accepted], side.undecided[side.accepted]
    limited = (table["limited"] > 0)[side.accepted]
    still = not _moves(side.rail)
    return [
        "amplifier" if by_load else "source" if from_source else "not decided" if (is_open or still) else "amplifier"
        for from_source, is_open, by_load in zip(source, undecided, limited, strict=True)
    ]


def _surely_follows(rail: Rail | None) -> bool:
    """Whether a ceiling follows the supply beyond chance, about in proportion: no limit of a current does."""
    if rail is None or not rail.per_supply_v > SURE_SD * rail.ratio_sd:
        return False
    level_v = float(rail.constant_v + rail.per_supply_v * USUAL_SUPPLY_V)
    in_proportion = rail.per_supply_v * USUAL_SUPPLY_V / max(level_v, 1e-9)
    return LEAST_PROPORTION <= in_proportion <= MOST_PROPORTION


def _name_ceilings(table: Candidates, side: _OneSide) -> list[str]:
    """Of each clip accepted: a rail where it lies at one that follows the supply, a current limit where the load's
    current says so. A level below the rail proves nothing: rails sink in more ways than are learned."""
    limited = (table["limited"] == 1)[side.accepted]  # less than 1: the current first, then a rail
    share = (table["level_v"] / np.maximum(side.expected, 1e-9))[side.accepted]
    if not _surely_follows(side.rail):
        share = np.zeros(len(share))
    # A level below a soft ceiling, or one that sank within a note, says nothing of what the ceiling is.
    is_open = (side.is_source | ~stands_at_level(table))[side.accepted]
    if _surely_follows(side.bent_rail):
        bent = ((table["sharpness"] > 0) & ~side.is_source)[side.accepted]
        share, is_open = np.where(bent, 1.0, share), is_open & ~bent
    return [
        "current" if by_load else "undecided" if unknown else "rail" if x > RAIL_SHARE else "undecided"
        for x, unknown, by_load in zip(share.tolist(), is_open, limited, strict=True)
    ]


def judge(table: Candidates, crest_parts: list[HighCrests]) -> Verdicts:
    """Learn the rails and decide.

    Parameters
    ----------
    table : all candidates of the recording
    crest_parts : the highest crests that were no candidates
    """
    table = without_doubles(table)
    crests = _join_crests(crest_parts)
    parts: list[tuple[Candidates, _OneSide]] = []
    rails: dict[str, Any] = {}
    rail_model: dict[str, Mapping[str, Any]] = {}
    headrooms = []
    rooms = []
    tables = [(sign, polarity, table.take(table["sign"] == sign)) for sign, polarity in _SIDES]
    plain = [(mine, find_plain(mine)) for _, _, mine in tables]
    is_sure = is_source_for_sure(plain) or is_refuted(plain, crests)
    is_at_many_levels = is_sure or any(lies_at_many_levels(*side) for side in plain)
    for sign, polarity, mine in tables:
        side = _judge_source_side(mine, is_sure) if is_at_many_levels else _judge_side(mine, crests, sign)
        parts.append((mine, side))
        at_rail = side.accepted & ~side.is_source & stands_at_level(mine)
        rail_model[polarity] = summarise_rail(None, sign)
        if side.rail is not None and at_rail.any():
            typical_v = sign * float(np.median(mine["level_v"][at_rail]))
            rails[polarity] = dict(side.rail.describe(typical_v))
            rail_model[polarity] = summarise_rail(side.rail, typical_v)
            rooms.append(measure_room(side.rail, sign, mine.take(at_rail), crests, mine.take(~side.accepted)))
            if side.headroom_db is not None:
                headrooms.append(side.headroom_db)
    clips = join([mine.take(side.accepted) for mine, side in parts])
    expected = np.concatenate([side.expected[side.accepted] for _, side in parts])
    threshold = np.concatenate([side.threshold[side.accepted] for _, side in parts])
    where = [name for mine, side in parts for name in _name_origins(mine, side)]
    ceiling = [name for mine, side in parts for name in _name_ceilings(mine, side)]
    gain = clips["gain"]
    confidence = 1 - 0.5 * np.exp(-(gain - AT_RAIL_GAIN) / 40.0) if len(clips) else np.zeros(0)
    is_soft = np.concatenate([side.is_soft[side.accepted] for _, side in parts])
    shape = ["soft" if soft else "hard" for soft in is_soft]
    return Verdicts(
        clips=clips,
        expected_v=expected,
        confidence=np.asarray(confidence),
        threshold=threshold,
        shape=shape,
        where=where,
        ceiling=ceiling,
        rails=rails,
        rail_model=rail_model,
        lowest_headroom_db=min(headrooms) if headrooms else None,
        rooms=tuple(rooms),
        n_candidates=len(table),
        remarks=_remarks(shape, where),
    )
