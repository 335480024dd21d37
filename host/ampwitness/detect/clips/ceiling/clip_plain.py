"""What a plateau must show to be believed: by itself, beside others, or at a rail that is known.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: gains and misfits are those of `lobe_fit`; what it could not fit shows neither.
Source: our choice, from clean half-cycles and measured in tests/detect_clipping.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import might_be_plateaus, stands_at_level
from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.table.clip_candidates import Candidates
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
DOUBTFUL_GAIN = 60.0  # with less, what the flanks promise (`clip_promise`) is asked too
PROMISED_SD = 1.0  # by which they must lead above the rail, and what noise of one sample tops may stand above it
PROMISED_ABOVE_SD = 2.0
SHORTEST_PROMISED = 2.5  # samples: what lasts no longer is as well chance
CUT_OFF_SD = 1.5
LEAST_RAIL_SD = 0.0003  # of the level
PLATEAU_SD = 0.5  # noise of one sample: of the level of a plateau
MOST_AGREEING = 8  # plateaus whose mean tells the ceiling better than one: they err together
# Of the level: noise above it is music, and no polynomial follows that. In a made day of dense music the flanks' word
# cost one clip of eight.
PROMISED_NOISE_SHARE = 0.005
PLAIN_MISFIT = 2.5  # reduced chi-square of flanks and line
TOGETHER_GAIN = 250.0  # the largest of a clean half-cycle was 244
STEADY_MISFIT = 5.0
LIVELY = 0.5
# Flanks that differ so, with fewer samples between them, are no two ends of a plateau; nor are those further apart of
# which one corner is known so much better than the other, where the top tilts: a square note's lie level.
KINK_LEAN, KINK_FLATTER, KINK_TOP = 0.5, 0.45, 6.0
LONG_KINK_FLATTER, LONG_KINK_TOP, LONG_KINK_SD_RATIO, LONG_KINK_TILT = 0.35, 20.0, 6.0, 0.006
TIP = 2.0  # samples of a top
TILT_SLACK = 0.3  # of what a plateau falls from corner to corner
WIDEST_TOLERANCE = 0.04  # of the level; plateaus that scatter more have no rail in common


def may_be_one_kink(table: Candidates) -> BoolArray:
    """Tops between a steep flank and one that hardly falls, and tips: a wave that bends once at its crest looks so.

    An attack that rises along a straight line and then ends gives such a crest, several at one level where music was
    limited; a saw jumps down from one, a triangle turns at its tip. No ceiling is learned from them; at one that others
    show they count like all. Of 10,267 fitted plateaus on true clips some 2 % look so.
    """
    leans = np.abs(table["lean"]) > KINK_LEAN
    flatter, n_top = table["flatter_flank_ratio"], table["n_top"]
    is_kink = leans & (flatter < KINK_FLATTER) & (n_top < KINK_TOP)
    start_sd_s, stop_sd_s = table["start_sd_s"], table["stop_sd_s"]
    is_long = leans & (flatter < LONG_KINK_FLATTER) & (n_top < LONG_KINK_TOP)
    is_long &= np.maximum(start_sd_s, stop_sd_s) > LONG_KINK_SD_RATIO * np.minimum(start_sd_s, stop_sd_s)
    is_kink |= is_long & (np.abs(table["tilt_v_per_s"]) > LONG_KINK_TILT * table["flank_v_per_s"])
    return np.asarray((is_kink | (n_top < TIP)) & (table["is_coarse"] == 0))


def beyond_doubt(table: Candidates) -> BoolArray:
    """Long, level and hard enough to be believed though no rail is where it lies."""
    return np.asarray(
        (table["gain"] >= 2 * ALONE_GAIN)
        & (table["narrow_gain"] >= 3 * NARROW_GAIN)
        & (table["n_top"] >= 6)
        & (table["flatter_flank_ratio"] > 0.15)
        & (table.over_db >= 0.4)
        & (np.abs(table["tilt_v_per_s"]) < 0.08 * table["flank_v_per_s"])
    )


def needs_no_company(table: Candidates) -> BoolArray:
    """A single flat so plain that no clean half-cycle came near: in forty minutes of them the largest gain was 244."""
    return np.asarray(
        ~may_be_one_kink(table)
        & (table["gain"] >= SINGLE_GAIN)
        & (table["narrow_gain"] >= SINGLE_GAIN / 5)
        & (table["misfit"] <= SINGLE_MISFIT)
        & (table["n_top"] >= 4)
        & (table["flatter_flank_ratio"] > 0.4)
        & (table.over_db >= 0.15)
        & (np.abs(table["tilt_v_per_s"]) < 0.15 * table["flank_v_per_s"])
    )


def stands_plainly(table: Candidates) -> BoolArray:
    """Plateaus between two alike flanks, far from doubt though their corners fit but fairly."""
    return np.asarray(
        (table["gain"] >= TOGETHER_GAIN)
        & (table["narrow_gain"] >= PLAIN_GAIN)
        & (table["misfit"] <= STEADY_MISFIT)
        & (table["flatter_flank_ratio"] > 0.5)
        & (table.over_db >= 0.4)
    )


def misfit_allows(table: Candidates, gain: float) -> BoolArray:
    """Plain enough: fits well, or gains so much more than it misses."""
    return (table["misfit"] <= PLAIN_MISFIT) | (table["gain"] > gain * np.maximum(table["misfit"], 1.0))


def stands_alone(table: Candidates) -> BoolArray:
    """What a plateau must show that no rail vouches for: level beside its flanks, and seen in the narrow window too."""
    return np.asarray(
        (table["narrow_gain"] >= NARROW_GAIN)
        & (table["flatter_flank_ratio"] > 0.3)
        & (np.abs(table["tilt_v_per_s"]) < 0.25 * table["flank_v_per_s"])
    )


def find_plain(table: Candidates) -> BoolArray:
    """Plateaus that need no rail to be believed; (n,)."""
    return np.asarray(
        might_be_plateaus(table)
        & ~may_be_one_kink(table)
        & (table["gain"] >= PLAIN_GAIN)
        & misfit_allows(table, PLAIN_GAIN)
        & stands_alone(table)
    )


def slack_of(table: Candidates) -> FloatArray:
    """How far the level of a tilted plateau may miss a rail that moves under it."""
    moved = np.abs(table["tilt_v_per_s"]) * (table["stop_s"] - table["start_s"])
    return np.asarray(np.minimum(TILT_SLACK * moved, WIDEST_TOLERANCE * table["level_v"]))


def leads_above(
    rail: Rail, table: Candidates, expected_v: FloatArray, inliers: BoolArray
) -> tuple[BoolArray, BoolArray]:
    """(n,) which rows' flanks are known to lead above the rail, for all that they and the tops say, and which are known
    not to: the flanks do not promise it either.

    Parameters
    ----------
    rail, table : of one polarity
    expected_v : (n,) the rail where each lies
    inliers : (n,) plateaus that show the rail
    """
    off = (table["level_v"] - expected_v)[inliers]
    rail_sd = 1.4826 * float(np.median(np.abs(off - np.median(off)))) if len(off) else 0.0
    above = was_cut_off_at(table, expected_v, max(len(off), 1), rail_sd)
    sd_v = np.hypot(table["promised_sd_v"], np.maximum(rail_sd, LEAST_RAIL_SD * expected_v))
    below = ~above & (table["promised_v"] - expected_v < PROMISED_SD * sd_v)
    known = (table["promised_sd_v"] > 0) & (table["gain"] < DOUBTFUL_GAIN) & stands_at_level(table)
    known &= rail.spread_v <= FAINT_SPREAD_SD * table["noise_v"]
    known &= table["noise_v"] <= PROMISED_NOISE_SHARE * table["level_v"]
    return known & above, known & below


def was_cut_off_at(table: Candidates, expected_v: FloatArray, n_agree: int, rail_sd_v: float = 0.0) -> BoolArray:
    """(n,) which rows were cut off by a ceiling at `expected_v` (n,) for all that flanks and top say together
    (`clip_odds`); so many plateaus agree about it with such a deviation."""
    each_sd_v = np.maximum(rail_sd_v, PLATEAU_SD * table["noise_v"])
    ceiling_sd_v = np.maximum(each_sd_v / np.sqrt(min(n_agree, MOST_AGREEING)), LEAST_RAIL_SD * expected_v)
    return np.asarray(table["cut_below_v"] >= expected_v + ceiling_sd_v)


def is_cut_off(table: Candidates) -> BoolArray:
    """(n,) which rows of little evidence have tops below what their flanks promise, wherever that lies."""
    sd_v = np.hypot(table["promised_sd_v"], table["noise_v"] / np.sqrt(3))  # tops are means of three samples
    missing = table["promised_v"] - table["peak_v"] >= CUT_OFF_SD * sd_v
    return np.asarray((table["promised_sd_v"] > 0) & missing)


def comes_just_up_to(
    rail: Rail, expected_v: FloatArray, table: Candidates, basic: BoolArray, above: BoolArray
) -> BoolArray:
    """Crests level with a well-known rail whose flanks lead `above` it (n,), or that bend too little: few natural ones
    end just there.

    On so short a plateau the fit may lay its corners oddly: then it has to gain more, and speaks for no overdrive."""
    noise = table["noise_v"]
    off = table["peak_v"] - expected_v
    lower = off < -FAINT_BELOW_SD * noise
    least_gain = np.where(
        basic, np.where(lower, LOWER_FAINT_GAIN, FAINT_GAIN), np.where(lower, LOWER_ODD_GAIN, ODD_FAINT_GAIN)
    )
    lasts = (table["n_top"] >= SHORTEST_PROMISED) | (table["gain"] >= FAINT_GAIN)
    return np.asarray(
        (table["is_coarse"] == 0)
        & ((table["gain"] >= least_gain) | (above & lasts & (off <= PROMISED_ABOVE_SD * noise)))
        & (off >= -LOWER_BELOW_SD * noise)
        & (off <= FAINT_ABOVE_SD * noise)
        & (rail.spread_v <= FAINT_SPREAD_SD * noise)
        & (noise <= FAINT_NOISE_SHARE * expected_v)
    )
