"""What speaks against a ceiling: crests that end at its level and are round, or stand above it and are none.

In a steady tone every half-cycle ends at one level, and a weak line on it (an alternator's whine, what a switching
amplifier leaves) makes crest after crest look flat where it stands against the tone, and pointed where it stands with
it. At a ceiling what reaches it is flat, and nothing round stands above it.

Gaps: works on tables of crests; a gap leaves out those it cuts off.
Limits: a line at a whole multiple of the tone flattens each crest alike, and then nothing here can tell.
Source: our choice, measured in tests/detect_clipping/test_steady_tones.py; shares from the sets of
`python -m ampwitness.bench.clip_scores`: of the round crests beside clips at most 16 % stood above the ceiling, in
steady tones with a line on them 70 to 100 %.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import Pile
from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

FLAT_SHARE = 0.8  # at ceilings 0.88 to 1, in steady tones with a line on them 0.44 to 0.7
DENSE = 0.5  # from here on corners ring through whole plateaus
LIVELY = 0.1  # above: treble rings on plateaus, and crests stand above the ceiling they come from
ABOVE_SHARE, FEWEST_ABOVE = 0.4, 3
ABOVE_SD, ABOVE_SPREADS, ABOVE_LEVEL = 2.0, 2.0, 0.001
POINTED_SD = 8.0  # tips of triangles 9 to 26, tops of clipped square notes mostly 2 to 6
NEAR_S = 1.0
# A tenth of the fits at ceilings of lively music gain 61 and more, at a limiter's level 8 to 27. (Half of them gain 19
# and more, and 4 to 14: too near.)
FLATTEST, LEAST_FLAT_GAIN = 90, 45.0
# Taken to each plain one: behind limiters 11 to 78; a ceiling that cuts off so many shows as a pile.
FEWEST_LED, MOST_LED = 5, 5.0
MOSTLY_COARSE, BOWED_SD, BOWED_SHARE = 0.8, 3.5, 0.004  # of the rows; noise of one sample, and share of the level


def is_round_pile(pile: Pile, table: Candidates, flat_gain: float) -> bool:
    """Whether what ends at the level of a pile is round for the most part.

    Parameters
    ----------
    pile : of plateaus of one polarity
    table : all candidates of that polarity
    flat_gain : least gain of a plateau that is flat
    """
    off = np.abs(table["level_v"] - pile.rail.predict(table.supply, table.output))
    if _are_bowed(table.take((off <= pile.tolerance_v) & (table["lively"] < DENSE))):
        return True
    there = (off <= pile.tolerance_v) & (table["is_coarse"] == 0)
    calm = there & (table["lively"] < LIVELY)
    if np.count_nonzero(calm) <= 0.5 * np.count_nonzero(there):
        return False
    n_flat = np.count_nonzero(calm & (table["gain"] >= flat_gain) & (table["n_top"] > 0))
    return bool(n_flat < FLAT_SHARE * np.count_nonzero(calm))


def are_mostly_round(table: Candidates, near: BoolArray) -> bool:
    """Whether crests of lively music that end at a level gain hardly anything from being flat, as those do that a
    limiter brought there: a ceiling cuts some of what reaches it off by enough to see, and stills the music there.

    Parameters
    ----------
    table : (n) candidates of one polarity
    near : (n,) those at the level
    """
    if not near.any() or np.median(table["lively"][near]) < LIVELY or (table["stay_v"][near] > 0).any():
        return False
    fitted = near & (table["is_coarse"] == 0)
    return bool(fitted.any() and np.percentile(table["gain"][fitted], FLATTEST) < LEAST_FLAT_GAIN)


def is_led_by_few(table: Candidates, taken: BoolArray, plain: BoolArray) -> bool:
    """Whether in full-range music a few plateaus that looked plain draw in many that do not: crests that a ceiling cut
    off pile up, and the pile would have been found; a limiter's lie more loosely, and some are flat by themselves.

    Parameters
    ----------
    table : (n) candidates of one polarity
    taken : (n,) those taken at a level that no pile showed
    plain : (n,) those that showed it
    """
    n_taken = np.count_nonzero(taken)
    if n_taken < FEWEST_LED or np.median(table["lively"][taken]) < DENSE:
        return False
    return bool(n_taken > MOST_LED * np.count_nonzero(plain))


def _are_bowed(there: Candidates) -> bool:
    """Whether the tops of a pile that no fit describes rise above their own level by more than noise, as a steady
    note's broad ones do: at a ceiling they would be flat."""
    if not len(there) or np.mean(there["is_coarse"] > 0) < MOSTLY_COARSE:
        return False
    rises_v = there["peak_v"] - there["level_v"]
    return bool(np.median(rises_v - np.maximum(BOWED_SD * there["noise_v"], BOWED_SHARE * there["level_v"])) > 0)


def is_overtopped(rail: Rail, plateaus: Candidates, crests: HighCrests, sign: float, noise_v: float) -> bool:
    """Whether round crests beside plateaus stand above the ceiling that these show.

    Parameters
    ----------
    rail : learned from the plateaus
    plateaus : those of one polarity that lie at it
    crests : the highest round crest of each quarter second, of both polarities
    noise_v : of one sample
    """
    mine = np.flatnonzero(crests.sign == sign)
    if not len(plateaus) or np.median(plateaus["lively"]) >= LIVELY:
        return False
    starts = np.sort(plateaus["start_s"])
    mine = mine[_distance(crests.time_s[mine], starts) <= NEAR_S]
    if len(mine) < FEWEST_ABOVE:
        return False
    residual = plateaus["level_v"] - rail.predict(plateaus.supply, plateaus.output)
    middle = float(np.median(residual))
    spread_v = 1.4826 * float(np.median(np.abs(residual - middle)))
    ceiling_v = rail.predict(crests.supply[mine], crests.output[mine]) + middle
    slack_v = np.maximum(max(ABOVE_SD * noise_v, ABOVE_SPREADS * spread_v), ABOVE_LEVEL * ceiling_v)
    # By three samples: of a flat top that no fit holds the highest stands above it by noise and ringing, tips by more.
    height_v, peak_v = crests.level_v[mine], crests.peak_v[mine]
    height_v = np.where(peak_v - height_v > POINTED_SD * noise_v, peak_v, height_v)
    n_above = np.count_nonzero(height_v > ceiling_v + slack_v)
    return bool(n_above >= max(FEWEST_ABOVE, ABOVE_SHARE * len(mine)))


def _distance(times_s: FloatArray, sorted_s: FloatArray) -> FloatArray:
    """(n,) from each time to the nearest of some sorted ones."""
    at = np.clip(np.searchsorted(sorted_s, times_s), 1, max(len(sorted_s) - 1, 1))
    left, right = sorted_s[at - 1], sorted_s[np.minimum(at, len(sorted_s) - 1)]
    return np.asarray(np.minimum(np.abs(times_s - left), np.abs(times_s - right)))
