"""An output that leaves its ceiling late and with a jump: overdrive reckoned from the flank before the plateau alone.

A stage that saturates sticks to its rail after the drive has come back, then catches up as fast as it can. The flank
behind the plateau is that catching up, much steeper than the music, and says nothing of the crest that was wanted. It
shows as a lean of nearly all plateaus of both polarities one way. A saw leans one way too, but its other polarity the
other; what decays or is struck leans the opposite way.

Gaps: works on a table of plateaus; a gap leaves out those it cuts off.
Limits: FEWEST plateaus of each polarity. The plateau still counts as long as it was held, so overdrive comes out a
tenth of a decibel high.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.clip_pile import stands_at_level
from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.table.clip_candidates import Candidates

BoolArray = npt.NDArray[np.bool_]

FEWEST = 5
LEAST_GAIN, LEAST_NARROW_GAIN, LEAST_TOP = 60.0, 20.0, 4.0  # of plateaus whose flanks were seen; samples
LEAST_DB = 0.7  # a lesser crest has no flanks to compare
LEANS, LEAST_SHARE, LEAST_LEAN = 0.1, 0.7, 0.2  # plateaus that lean, the share that must, and by how much at the median
SD_SHARE = 0.15  # of the crest beyond the plateau
REMARK = "the output leaves its ceiling late and with a jump: overdrive is reckoned from the flanks before plateaus"


def is_released_late(clips: Candidates) -> bool:
    """Whether plateaus of both polarities end with a jump.

    Parameters
    ----------
    clips : candidates that were taken for clips, of both polarities
    """
    over = clips["crest_v"] / np.maximum(clips["level_v"], 1e-9)
    seen = (clips["gain"] >= LEAST_GAIN) & (clips["narrow_gain"] >= LEAST_NARROW_GAIN) & (clips["n_top"] >= LEAST_TOP)
    seen |= clips["is_coarse"] > 0
    seen &= stands_at_level(clips) & (over >= 10 ** (LEAST_DB / 20))
    for sign in (1.0, -1.0):
        lean = clips["lean"][seen & (clips["sign"] == sign)]
        if len(lean) < FEWEST or np.mean(lean > LEANS) < LEAST_SHARE or np.median(lean) < LEAST_LEAN:
            return False
    return True


def without_release(clips: Candidates) -> Candidates:
    """The same clips, with crests that the flanks before their plateaus promise where those behind are steeper."""
    mean, lean = clips["flank_v_per_s"], clips["lean"]
    before = mean * (1 - lean)
    rows = np.flatnonzero(stands_at_level(clips) & (lean > 0) & (before > 0) & (clips["level_v"] > 0))
    level_v = clips["level_v"][rows]
    crest_v = sine_crest(before[rows], clips["stop_s"][rows] - clips["start_s"][rows], level_v)
    columns = {name: column.copy() for name, column in clips.columns.items()}
    columns["crest_v"][rows] = np.minimum(crest_v, clips["crest_v"][rows])
    columns["crest_sd_v"][rows] = SD_SHARE * (columns["crest_v"][rows] - level_v)
    return Candidates(columns, clips.supply, clips.output)
