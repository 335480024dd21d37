"""Cut-off crests that nothing round stands above: believed on less, for natural flat ones lie low in the music.

What looks cut off and is not (a bend of a waveform, a synthesiser's step) comes at any height, and mostly below other
crests. An amplifier's ceiling lets no crest pass. So a plateau that no round crest of its polarity tops within half a
second, and that no other crest or plateau of the recording passes by far at no more supply and no less load, is taken
on a fraction of the evidence that it needs otherwise, however odd its corners: a rail that sinks within a half-cycle
shows but one of them, and one that sinks within a note has no level that others share.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: bass only. A square note held louder than all else beside it looks the same. Where the supply is not known a
louder passage refutes only after a load that was no smaller.
Source: our choice. Of 9,500 such plateaus on true clips none lay beside them, and in 70 minutes of clean bass nothing
came near (`python -m ampwitness.bench.clip_scores --tuning --sets hostile stages clean`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import might_be_plateaus, stands_at_level, stands_below_its_peak
from ampwitness.detect.clips.ceiling.clip_plain import may_be_one_kink
from ampwitness.detect.clips.ceiling.clip_refuted import are_passed
from ampwitness.detect.clips.ceiling.rail_model import iter_neighbours
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

NEAR_S = 0.5
ABOVE_SHARE, ABOVE_SD = 0.004, 2.0  # of the level, and noise of one sample: by more a crest stands above a plateau
ROUND_GAIN = 25.0  # of a candidate: with less it counts as a round crest
LEAST_GAIN, LEAST_NARROW_GAIN = 60.0, 20.0  # beside others: of clean ones at most 49 and 47
LONE_GAIN, LONE_NARROW_GAIN, FEWEST = 100.0, 40.0, 3
# Where nothing shows a ceiling: gain to misfit, of what gains less than LONE_GAIN. Of 19 true ones one had less, of 39
# round tops of glides, pulses and square notes 35.
FITS_BETTER = 20.0
# A light cut leaves its flanks as they were, so that corners fit: where nothing shows a ceiling, one of 107 true ones
# was both lighter and poorer, and most of some 40 flat waves of limited or square-like notes.
LIGHT_DB, LIGHT_FITS_BETTER = 0.6, 70.0
LEAST_LONE_RATIO = 0.5  # of the flanks of one that stands alone: the tip of a saw, between a slope and a jump, has less
# Less plain ones, where others at their level speak with them: least gain of each, what they must sum up to, and the
# largest of them; more of one counts no more.
WEAK_GAIN, WEAK_MISFIT, SUM_GAIN, LARGEST_GAIN, MOST_OF_SUM = 12.0, 2.5, 120.0, 40.0, 100.0
AGREE_SHARE, AGREE_SD = 0.003, 2.0  # of the level, and noise of one sample
MOST_ROUND = 1.5  # round ones at the level to each of them: beside true clips at most 1, behind a limiter 5 and more
MOST_ROUND_AT_SOURCE = 3.0
SURE_GAIN, SURE_NARROW_GAIN = 250.0, 60.0  # then a round crest counts only if the load was no less at any lag
COARSE_DB, COARSE_IN_NOISE = 1.6, 60.0  # of a crest measured by its crossings; its height in noise
LONE_COARSE_DB = (
    1.95  # where nothing shows a ceiling: of 13 true ones the least 1.97, of 21 waves of notes four had more
)
SIMILAR_LOAD, NO_LESS_LOAD = 0.9, 0.95  # of what was put out before, over the longest lag and over each
PASSED_SHARE = 1.05  # times a plateau: rails wobble by less
LIVELIEST = 0.25
SHORTEST_WHOLE, LEAST_WHOLE_RATIO, MOST_WHOLE_TILT = 2.5, 0.3, 0.3  # samples; of the flanks: of a plateau seen whole
MOST_OTHERS = 4096  # crests and plateaus that may pass, evenly


def find_topmost(table: Candidates, crests: HighCrests, sign: float, known: BoolArray | None = None) -> BoolArray:
    """Which candidates are cut off for sure, as nothing round tops them; (n,).

    Parameters
    ----------
    table : all candidates of one polarity, sign 1.0 or -1.0
    crests : the highest crests that are no candidates, of both polarities
    known : (n,) those that were taken already: they are company and not asked again; None: none
    """
    known = np.zeros(len(table), dtype=bool) if known is None else known
    found = np.zeros(len(table), dtype=bool)
    is_coarse = table["is_coarse"] > 0
    may_be = (
        stands_at_level(table) & stands_below_its_peak(table) & (table["stay_v"] == 0) & (table["lively"] < LIVELIEST)
    )
    weak = _gains(table, WEAK_GAIN, -np.inf) & (table["misfit"] <= WEAK_MISFIT) & might_be_plateaus(table)
    strong = _gains(table, LEAST_GAIN, LEAST_NARROW_GAIN)
    strong |= is_coarse & (table.over_db >= COARSE_DB) & (table["level_v"] >= COARSE_IN_NOISE * table["noise_v"])
    kinked = may_be_one_kink(table)
    kinked |= _leans_like_its_flanks(table)
    # Where nothing shows that there is a ceiling at all; tops that move between their corners lie at none.
    if np.count_nonzero(known & ~kinked & (table["top_kind"] == 0)) < FEWEST:
        may_be &= ~kinked
        fits = table["gain"] >= np.minimum(LONE_GAIN, FITS_BETTER * table["misfit"])
        fits &= (table.over_db >= LIGHT_DB) | (table["gain"] >= LIGHT_FITS_BETTER * table["misfit"])
        strong &= np.where(is_coarse, table.over_db >= LONE_COARSE_DB, fits)
    rows = np.flatnonzero((weak | strong) & may_be & ~known)
    if not len(rows):
        return found
    mine = np.flatnonzero(crests.sign == sign)
    topped, topped_alike = _are_topped(table, rows, crests, mine)
    refused = rows[topped & (topped_alike | ~_gains(table, SURE_GAIN, SURE_NARROW_GAIN)[rows])]
    rows = rows[~np.isin(rows, refused)]
    rows = rows[~are_passed_by_far(table, rows, crests, sign)]
    round_v = round_levels(table, crests, sign)
    # Tops as flat at their level of which others are told that they are none say that the music makes such.
    like_v = np.sort(np.concatenate((round_v, table["level_v"][refused])))
    agree = _agree(table, rows[weak[rows]], np.flatnonzero(known & may_be), like_v)
    rows = rows[strong[rows]]
    stands = known.copy()
    stands[rows] = True
    rows = rows[~ends_among_round(table, stands, round_v)[rows]]
    if len(rows) + np.count_nonzero(known & may_be) < FEWEST:  # one flat crest in an hour of music is chance
        is_lone = _gains(table, LONE_GAIN, LONE_NARROW_GAIN) & (table["held_v"] == 0)
        is_lone &= table["gain"] >= FITS_BETTER * table["misfit"]
        rows = rows[(is_lone & (table["flatter_flank_ratio"] >= LEAST_LONE_RATIO))[rows]]
    found[rows] = found[agree] = True
    return found


def are_passed_or_topped(table: Candidates, rows: IntArray, crests: HighCrests, sign: float) -> BoolArray:
    """(len(rows),) which plateaus a round crest tops nearby, or the output passes by far elsewhere."""
    mine = np.flatnonzero(crests.sign == sign)
    return _are_topped(table, rows, crests, mine)[0] | are_passed_by_far(table, rows, crests, sign)


def are_passed_by_far(table: Candidates, rows: IntArray, crests: HighCrests, sign: float) -> BoolArray:
    """(len(rows),) which plateaus another crest or plateau passes by far at no more supply and no less load."""
    mine = np.flatnonzero(crests.sign == sign)
    every = slice(None, None, -(-(len(mine) + len(table)) // MOST_OTHERS) or 1)
    return are_passed(
        table["level_v"][rows], table.supply[rows], table.output[rows],
        np.concatenate((table["level_v"], crests.level_v[mine]))[every],
        np.concatenate((table.supply, crests.supply[mine]))[every],
        np.concatenate((table.output, crests.output[mine]))[every],
        PASSED_SHARE,
    )  # fmt: skip


def round_levels(table: Candidates, crests: HighCrests, sign: float) -> FloatArray:
    """(m,) sorted heights of crests of a polarity that are round, candidates or not; `table` is of that polarity."""
    mine = crests.sign == sign
    is_round = (table["gain"] < WEAK_GAIN) & (table["is_coarse"] == 0) & stands_at_level(table) & (table["stay_v"] == 0)
    return np.sort(np.concatenate((crests.level_v[mine], table["peak_v"][is_round])))


def _agree(table: Candidates, rows: IntArray, known: IntArray, round_v: FloatArray) -> IntArray:
    """Those of some that have others at their level, known ones among them, where their gains together and the largest
    of them speak, and round crests do not end there as well: a limiter before the amplifier brings those to one level
    too. One that ends among round crests vouches for none beside it either."""
    n_round, n_flat, _ = _company(table, rows, np.concatenate((rows, known)), round_v)
    rows = rows[n_round <= MOST_ROUND * n_flat]
    _, n_flat, speaks = _company(table, rows, np.concatenate((rows, known)), round_v)
    return np.asarray(rows[speaks & (n_flat >= 2)], dtype=np.intp)


def _company(
    table: Candidates, rows: IntArray, every: IntArray, round_v: FloatArray
) -> tuple[IntArray, IntArray, BoolArray]:  # fmt: skip
    """(len(rows),) how many round crests, how many of some others and of themselves end at the level of each, and
    whether these speak for a cut together."""
    every = every[np.argsort(table["level_v"][every], kind="stable")]
    other_v, gain = table["level_v"][every], np.minimum(table["gain"][every], MOST_OF_SUM)
    total, n_large = (np.concatenate(([0.0], np.cumsum(part))) for part in (gain, gain >= LARGEST_GAIN))
    level_v = table["level_v"][rows]
    within_v = np.maximum(AGREE_SHARE * level_v, AGREE_SD * table["noise_v"][rows])
    first, last = np.searchsorted(other_v, level_v - within_v), np.searchsorted(other_v, level_v + within_v, "right")
    n_round = np.searchsorted(round_v, level_v + within_v, "right") - np.searchsorted(round_v, level_v - within_v)
    speaks = (total[last] - total[first] >= SUM_GAIN) & (n_large[last] > n_large[first])
    return n_round, last - first, speaks


def ends_among_round(table: Candidates, found: BoolArray, round_v: FloatArray) -> BoolArray:
    """(n,) at whose level several times as many round crests end as there are flat ones among those `found`: a limiter
    brings both there, or the music has flat waves at a level that it keeps; clipping leaves no round ones.

    Parameters
    ----------
    table : (n) candidates of one polarity
    found : (n,) those that are taken for flat
    round_v : sorted heights of round crests, as `round_levels` gives them
    """
    level_v = table["level_v"]
    flat_v = np.sort(level_v[found])
    within_v = np.maximum(AGREE_SHARE * level_v, AGREE_SD * table["noise_v"])
    n_round, n_flat = (
        np.searchsorted(heights_v, level_v + within_v, "right") - np.searchsorted(heights_v, level_v - within_v)
        for heights_v in (round_v, flat_v)
    )
    return np.asarray(n_round > MOST_ROUND_AT_SOURCE * np.maximum(n_flat, 1))


def shows_one_corner(table: Candidates) -> BoolArray:
    """(n,) where the fit holds one corner of a plateau at most: its end and what the crest would have been are not
    known."""
    is_odd = (table["n_top"] < SHORTEST_WHOLE) | (table["flatter_flank_ratio"] < LEAST_WHOLE_RATIO)
    is_odd |= _leans_like_its_flanks(table)
    return np.asarray(is_odd & (table["is_coarse"] == 0) & stands_at_level(table) & (table["stay_v"] == 0))


def _leans_like_its_flanks(table: Candidates) -> BoolArray:
    """(n,) tops nearly as steep as what leads up to them: the tip of a saw, rounded by a filter."""
    return np.asarray(np.abs(table["tilt_v_per_s"]) > MOST_WHOLE_TILT * table["flank_v_per_s"])


def _gains(table: Candidates, gain: float, narrow_gain: float) -> BoolArray:
    return np.asarray((table["gain"] >= gain) & (table["narrow_gain"] >= narrow_gain) & (table["is_coarse"] == 0))


def _are_topped(
    table: Candidates, rows: IntArray, crests: HighCrests, mine: IntArray
) -> tuple[BoolArray, BoolArray]:  # fmt: skip
    """(len(rows),) whether a round crest nearby, candidate or not, stands above under some load like the plateau's; and
    whether one does under a load that was no less at any lag."""
    is_round = (table["gain"] < ROUND_GAIN) & (table["is_coarse"] == 0)
    is_round &= stands_at_level(table) & (table["stay_v"] == 0)
    time_s = np.concatenate((crests.time_s[mine], table["start_s"][is_round]))
    order = np.argsort(time_s, kind="stable")
    time_s = time_s[order]
    level_v = np.concatenate((crests.level_v[mine], table["peak_v"][is_round]))[order]
    load_v = np.concatenate((crests.output[mine], table.output[is_round]))[order]
    own_v, start_s, stop_s = table.output[rows], table["start_s"][rows], table["stop_s"][rows]
    high_v = table["level_v"][rows] + np.maximum(
        ABOVE_SHARE * table["level_v"][rows], ABOVE_SD * table["noise_v"][rows]
    )
    topped, topped_alike = np.zeros(len(rows), dtype=bool), np.zeros(len(rows), dtype=bool)
    for one, other in iter_neighbours(start_s, time_s, NEAR_S):
        is_itself = (time_s[other] >= start_s[one] - 5e-4) & (time_s[other] <= stop_s[one] + 5e-4)
        above = (level_v[other] > high_v[one]) & ~is_itself
        topped[one] |= above & (load_v[other, -1] >= SIMILAR_LOAD * own_v[one, -1])
        topped_alike[one] |= above & (load_v[other] >= NO_LESS_LOAD * own_v[one]).all(axis=1)
    return topped, topped_alike
