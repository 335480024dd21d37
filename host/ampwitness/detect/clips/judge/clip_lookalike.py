"""Plateaus among many that look like them and are surely none: then the music makes such tops, not a ceiling.

Held square-like waves (frequency modulation, pulses, picked strings) have broad, flat tops at every height that they
are played at. Most of them are refused, as higher crests stand above them; but in each passage some lie topmost. At a
ceiling it is the other way round: nearly all that looks cut off lies there. So where a few are taken and many times as
many of their look stand refused around them, those few are refused as well, but for those at a ceiling that is known
firmly.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: the first light clips of such music are lost with them, until there are enough of them.
Source: our choice. Of what looked so on true clips of `python -m ampwitness.bench.clip_scores` (seeds 9942 and 9946,
sets bass, hostile, stages and unusual) half and more were taken in each recording, mostly all; in music of our making
that was not clipped, where any were, one in twenty.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import stands_at_level
from ampwitness.detect.clips.ceiling.clip_plain import NARROW_GAIN, PLAIN_GAIN
from ampwitness.detect.clips.table.clip_candidates import Candidates
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

AROUND_S = 30.0  # to either side: music of one kind
FEWEST_REFUSED, TIMES_TAKEN = 8, 3.0
# Where levels are many, of both polarities together: at least 1.5 times for pulses, 1.2 where a source cut off behind
# an amplifier that had clipped, 0.05 for most sources.
TIMES_AT_SOURCE = 1.35


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


def _n_around(time_s: FloatArray, of_s: FloatArray) -> npt.NDArray[np.intp]:
    """(n,) how many of some times lie around each."""
    ordered = np.sort(of_s)
    last, first = (np.searchsorted(ordered, time_s + AROUND_S, "right"), np.searchsorted(ordered, time_s - AROUND_S))
    return np.asarray(last - first, dtype=np.intp)
