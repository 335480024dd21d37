"""Music whose flanks are unlike any sine's: what its crests would have been is not in them.

From how flanks rise and bend at its corners a plateau's crest is read as a sine's. The notes of a synthesiser's square
wave, rounded by a filter, bend several times as much there as any sine does, and go on flat: read so, their crests come
out anything from a tenth to ten times what they were. One plateau may look so by chance; where half of a recording's
do, none is believed, and all are told as "from nothing up to", the end being what two of three intervals stay under.

Gaps: works on tables of clips.
Limits: of a recording as a whole (or of a block of `clip_ledger`): square notes among many others are not noticed.
Plateaus that no fit describes say nothing here.
Source: our choice. The middle plateau of 39 other recordings (sets bass, hostile, stages, unusual, seed 9953) was 0.1
to 1.7 deviations off a sine, of seven of square bass (9946 to 9953) 2.6 to 5.8.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ampwitness.detect.clips.ceiling.clip_plain import LIVELY
from ampwitness.detect.clips.measure.overdrive import overdrive_interval
from ampwitness.types import FloatArray

UNLIKE = 2.2  # deviations, of the middle one
FEWEST, MOST = 8, 500
STAY_UNDER = 200 / 3  # percent of the intervals


def most_where_unlike(clips: Mapping[str, FloatArray]) -> float:
    """Decibels by which crests may have gone beyond their ceiling in music whose flanks are unlike a sine's; 0 in any
    other.

    clips : columns of `found_clips`, (n,) each, and `unlike` (`overdrive.unlike_a_sine`)"""
    fitted = (clips["is_coarse"] == 0) & (clips["n_compared"] == 0) & (clips["unlike"] > 0) & (clips["lively"] < LIVELY)
    if np.count_nonzero(fitted) < FEWEST or np.median(clips["unlike"][fitted]) < UNLIKE:
        return 0.0
    chosen = np.flatnonzero(fitted)
    chosen = chosen[:: -(-len(chosen) // MOST)]
    sd_db = 20 / np.log(10) * clips["crest_sd_v"] / np.maximum(clips["crest_v"], clips["level_v"])
    over_db, sd_db, lively = (column[chosen] for column in (clips["overdrive_db"], sd_db, clips["lively"]))
    _, highs_db = overdrive_interval(over_db, sd_db, lively, is_coarse=False)
    return float(np.percentile(highs_db, STAY_UNDER))
