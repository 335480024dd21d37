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

from ampwitness.detect.clips.clip_candidates import Candidates
from ampwitness.detect.clips.clip_pile import stands_at_level
from ampwitness.detect.clips.clip_plain import NARROW_GAIN, PLAIN_GAIN
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

AROUND_S = 30.0  # to either side: music of one kind
FEWEST_REFUSED, TIMES_TAKEN = 8, 3.0
# Where levels are many: of pulses 0.10 to 0.39 were taken, of what a source cut off 0.95 and more, and 0.45 where it
# did so behind an amplifier that had clipped.
TIMES_AT_SOURCE = 1.5


def look_like_the_music(table: Candidates, taken: BoolArray, times: float = TIMES_TAKEN) -> BoolArray:
    """(n,) around which so many times as many plateaus are refused as are taken.

    Parameters
    ----------
    table : (n) candidates of one polarity
    taken : (n,) those taken for clips
    """
    looks_cut = stands_at_level(table) & (table["is_coarse"] == 0)
    looks_cut &= (table["gain"] >= PLAIN_GAIN) & (table["narrow_gain"] >= NARROW_GAIN)
    start_s = table["start_s"]
    n_taken, n_refused = (_n_around(start_s, start_s[rows]) for rows in (taken, looks_cut & ~taken))
    return np.asarray(taken & (n_refused >= np.maximum(FEWEST_REFUSED, times * n_taken)))


def _n_around(time_s: FloatArray, of_s: FloatArray) -> npt.NDArray[np.intp]:
    """(n,) how many of some times lie around each."""
    ordered = np.sort(of_s)
    last, first = (np.searchsorted(ordered, time_s + AROUND_S, "right"), np.searchsorted(ordered, time_s - AROUND_S))
    return np.asarray(last - first, dtype=np.intp)
