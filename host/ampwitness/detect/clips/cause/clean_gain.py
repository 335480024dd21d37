"""What each remedy is worth in dB of clean output, from how far crests overshot and what their ceilings had lost.

A programme that is turned down until its crests just fit asks for less current than it did while it clipped: a half
wave of a sine carries half the square of its crest, one that is cut off nearly all of it. So part of the sag goes with
the drive, and what mending the supply gains is what is left of it at the clean level, not what was lost while clipped.

    a crest that overshot by x fits when turned down by  x in dB - lost * (1 - rho),  rho = 0.5 / mean square left of x

Gaps: none: works on columns of clips.
Limits: every crest is taken for a sine's, and all sag for the amplifier's own; what other consumers take does not go
with the drive. Of a supply's slow part the whole programme's power decides, not one crest's.
Source: mean square of a sine cut off at a level, by integration; the gains measured against networks that were mended,
by tests/supply/test_clean_gain.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.finding_list import FindingList
from ampwitness.types import FloatArray

_AT_ONCE = 1 << 15  # clips: all of a day's at once would take 40 MB on the way
FEWEST_FOR_SHARE = 20  # clips from which on one of twenty may stay clipped: the worst ones' overdrive is a guess
# In dense music other sounds break up the flanks by which a crest is told: half of the clips may have gone this much
# further. What the furthest seem to ask for is then mostly error (2.6 dB of crests read as 8.1), three of four are not.
COARSE_DB, COARSE_FROM_DB, SHARE, COARSE_SHARE = 0.7, 1.0, 0.95, 0.75
FAIR_DB, FAIR_SHARE = 1.5, 0.9  # where half of them may have gone less than so much further nine of ten are told well
# Where nearly every moment clips, the programme was limited and all crests end where its limiter let them: by three of
# four 2.3 to 3.8 dB too much was asked for, by half 0.5 to 1.3 (0.92 of the moments and more). One that lives and is
# driven as far past the ceiling (mostly 0.2 to 0.8) comes there in two steps.
LIMITED_SHARE, MOMENT_S, LEAST_MOMENTS, FEWEST_MOMENTS = 0.5, 0.25, 0.9, 20
_LOOKED_AT = 500  # clips; an interval for each of a day's would take as long as their causes


@dataclass(frozen=True, slots=True)
class CleanGain:
    """Each clip's overdrive, what its ceiling had lost to sag, and what of that stays at the clean level; (n,) dB."""

    overdrive_db: FloatArray
    lost_db: FloatArray
    stays_db: FloatArray
    share: float = SHARE  # of the crests, that is to fit (`share_to_fit`)

    def turn_down_db(self, mended_share: float = 0.0, *, every_one: bool = False) -> float:
        """How far the gain comes down until the crests fit, with a share of the sag mended: every one of them, or
        `share`; of fewer than twenty, all."""
        return max(0.0, self._needed_db(mended_share, every_one=every_one))

    def mending_gains_db(self, mended_share: float) -> float:
        """By how much more the output may be, and stay as clean, with a share of the sag mended."""
        return self._needed_db(0.0) - self._needed_db(mended_share)

    def _needed_db(self, mended_share: float, *, every_one: bool = False) -> float:
        needed_db = self.overdrive_db - self.lost_db + (1.0 - mended_share) * self.stays_db
        is_all = every_one or len(needed_db) < FEWEST_FOR_SHARE
        return float(np.quantile(needed_db, 1.0 if is_all else self.share))


def is_guess(clips: FindingList) -> bool:
    """Whether the furthest of clips are guesses: half of them may have gone COARSE_DB further than told, and more."""
    return _half_may_go_db(clips) >= COARSE_DB


def _half_may_go_db(clips: FindingList) -> float:
    """How much further than told half of the clips may have gone, and more; 0 where none is told to have gone
    COARSE_FROM_DB, as no guess leads far astray then."""
    if len(clips) < FEWEST_FOR_SHARE or not np.any(clips.values("overdrive_db") >= COARSE_FROM_DB):
        return 0.0
    looked_at = clips.take(np.arange(0, len(clips), max(1, len(clips) // _LOOKED_AT)))
    more_db = looked_at.values("overdrive_high_db") - looked_at.values("overdrive_db")
    known = np.isfinite(more_db)
    return float(np.median(more_db[known])) if known.any() else 0.0


def share_to_fit(clips: FindingList) -> float:
    """Which share of the crests a first step is to make fit: all but one of twenty; where the furthest are guesses
    nine of ten or three of four, or half where nearly every moment clips."""
    more_db = _half_may_go_db(clips)
    if more_db < COARSE_DB:
        return SHARE
    moments = np.unique(np.floor(clips.start_s / MOMENT_S))
    span = moments[-1] - moments[0] + 1
    if span >= FEWEST_MOMENTS and len(moments) >= LEAST_MOMENTS * span:
        return LIMITED_SHARE
    return FAIR_SHARE if more_db < FAIR_DB else COARSE_SHARE


def find_clean_gain(overdrive_db: FloatArray, lost_db: FloatArray, *, share: float = SHARE) -> CleanGain | None:
    """From the clips of a recording.

    Parameters
    ----------
    overdrive_db : (n,) how far each crest would have gone beyond its ceiling; NaN where not known
    lost_db : (n,) by how much its ceiling had sunk with the supply; NaN where not known, taken for nothing
    share : of the crests, that is to fit (`share_to_fit`)

    Returns
    -------
    CleanGain of those whose overdrive is known; None where there is none.
    """
    known = np.isfinite(overdrive_db)
    if not known.any():
        return None
    over_db = np.asarray(overdrive_db[known], dtype=float)
    sunk_db = np.nan_to_num(np.asarray(lost_db, dtype=float)[known], copy=False)
    np.maximum(sunk_db, 0.0, out=sunk_db)
    stays_db = np.empty_like(sunk_db)
    for first in range(0, len(over_db), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        stays_db[part] = sunk_db[part] * 0.5 / clipped_mean_square(10 ** (over_db[part] / 20))
    return CleanGain(over_db, sunk_db, stays_db, share)


def clipped_mean_square(overshoot: FloatArray) -> FloatArray:
    """Mean square of a sine that wants `overshoot` (n,) times its ceiling, in squares of the ceiling: 0.5 to 1."""
    wanted = np.maximum(overshoot, 1.0)
    angle = np.arcsin(1.0 / wanted)  # at which it meets the ceiling
    return np.asarray(2 / np.pi * (wanted**2 * (angle / 2 - np.sin(2 * angle) / 4) + np.pi / 2 - angle))
