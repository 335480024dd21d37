"""Plateaus among many that look like them and are surely none: then the music makes such tops, not a ceiling.

Held square-like waves (frequency modulation, pulses, picked strings) have broad, flat tops at every height that they
are played at. Most of them are refused, as higher crests stand above them; but in each passage some lie topmost. At a
ceiling it is the other way round: nearly all that looks cut off lies there. So where a few are taken and many times as
many of their look stand refused around them, those few are refused as well, but for those at a ceiling that is known
firmly.

Swept pulses and the like have a flat top at a level of its own in nearly every wave, and hardly two at one. What shows
that they are none is that nearly all of them are passed by far at no more supply and no less load: a ceiling has its
plateaus at the top, and one that sank (into a limit of what supplies it) was not sunk at a note's beginning.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: the first light clips of such music are lost with them, until there are enough of them.
Source: our choice. Of what looked so on true clips of `python -m ampwitness.bench.clip_scores` (seeds 9942 and 9946,
sets bass, hostile, stages and unusual) half and more were taken in each recording, mostly all; in music of our making
that was not clipped, where any were, one in twenty. Of plateaus on 1,200 recordings of amplifiers up to 0.92 were
passed, of those that had not sunk 0.7 (of eight and more), in square bass 0.95 and 0.9, of swept pulses and square
notes mostly all.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import NARROW_GAIN, PLAIN_GAIN, find_plain
from ampwitness.detect.clips.ceiling.clip_refuted import have_not_sunk
from ampwitness.detect.clips.judge.clip_topmost import are_passed_by_far
from ampwitness.detect.clips.table.clip_candidates import Candidates, HighCrests
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

AROUND_S = 30.0  # to either side: music of one kind
FEWEST_REFUSED, TIMES_TAKEN = 8, 3.0
# Where levels are many, of both polarities together: at least 1.5 times for pulses, 1.2 where a source cut off behind
# an amplifier that had clipped, 0.05 for most sources.
TIMES_AT_SOURCE = 1.35
FEWEST_OWN, MOST_OWN, LEAST_PASSED = 8, 600, 0.8  # plain plateaus, evenly; of them and of those that had not sunk


def look_like_the_music(sides: list[tuple[Candidates, BoolArray]], times: float = TIMES_TAKEN) -> list[BoolArray]:
    """By polarity (n,) the plateaus taken around which so many times as many are refused, on all sides given together.

    Parameters
    ----------
    sides : by polarity (n) candidates and (n,) those taken for clips
    """
    taken_s, refused_s = [], []
    for table, taken in sides:
        looks_cut = stands_at_level(table) & (table["is_coarse"] == 0)
        looks_cut &= (table["gain"] >= PLAIN_GAIN) & (table["narrow_gain"] >= NARROW_GAIN)
        taken_s.append(table["start_s"][taken])
        refused_s.append(table["start_s"][looks_cut & ~taken])
    all_taken_s, all_refused_s = np.concatenate(taken_s), np.concatenate(refused_s)
    found = []
    for table, taken in sides:
        n_taken, n_refused = (_n_around(table["start_s"], of_s) for of_s in (all_taken_s, all_refused_s))
        found.append(np.asarray(taken & (n_refused >= np.maximum(FEWEST_REFUSED, times * n_taken))))
    return found


def makes_own_plateaus(tables: list[Candidates], crests: HighCrests) -> bool:
    """Whether nearly all plain plateaus are passed by far elsewhere: the music makes such tops.

    Parameters
    ----------
    tables : (n) candidates by polarity
    crests : the highest crests that are no candidates, of both polarities
    """
    passed, has_not_sunk = [np.zeros(0, dtype=bool)], [np.zeros(0, dtype=bool)]
    for table in tables:
        rows = np.flatnonzero(find_plain(table))
        rows = rows[np.argsort(table["start_s"][rows], kind="stable")]
        chosen = slice(None, None, -(-len(rows) // MOST_OWN) or 1)
        if len(rows):
            passed.append(are_passed_by_far(table, rows[chosen], crests, float(table["sign"][0])))
            has_not_sunk.append(have_not_sunk(table.take(rows))[chosen])
    are_passed, unsunk = np.concatenate(passed), np.concatenate(has_not_sunk)
    if len(are_passed) < FEWEST_OWN or np.mean(are_passed) < LEAST_PASSED:
        return False
    return bool(np.mean(are_passed[unsunk]) >= LEAST_PASSED)


def _n_around(time_s: FloatArray, of_s: FloatArray) -> npt.NDArray[np.intp]:
    """(n,) how many of some times lie around each."""
    ordered = np.sort(of_s)
    last, first = (np.searchsorted(ordered, time_s + AROUND_S, "right"), np.searchsorted(ordered, time_s - AROUND_S))
    return np.asarray(last - first, dtype=np.intp)
