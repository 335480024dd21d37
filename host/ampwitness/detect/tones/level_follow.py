"""Whether a tone's level follows what drives it: the source's logged level, or equal steps of a track.

Where distortion cannot be judged this is what is left: an output that rises less than its drive has met something, its
ceiling or a limiter; which of the two, levels alone do not tell.

Gaps: sees points only; none spans a gap.
Limits: the amplifier's gain must stay where it is meanwhile. Without a source channel only rising, equal steps tell,
five of them at least. The level of 1 % distortion is that of a hard, even ceiling.
Source: our choice, measured in tests/detect_tones/test_level_follow.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from ampwitness.detect.tones.tone_points import TonePoint
from ampwitness.types import FloatArray
from ampwitness.waveform.tone_clip import cut_sine_harmonics, hard_clip_level_db

LEAST_DRIVE_DB = 2.0  # the drive must rise by so much
LEAST_SHORT_DB = 0.1  # and the output fall short by so much
_SAME_DB = 0.06  # between levels of one step, and of steps that count as equal
_FEWEST_EQUAL = 4
_LEAST_STEP_DB = 0.3
_STEP_POINTS = 3
_USED_SHORT_DB = (0.06, 3.0)  # shortfalls from which a ceiling is reckoned
_LEAST_SD_DB = 0.1  # soft knees and uneven rails
_CLIPS = np.linspace(0.3, 1.0, 400)
_FUNDAMENTALS = np.array([cut_sine_harmonics(math.acos(c), math.acos(c), 1)[1] for c in _CLIPS])


@dataclass(frozen=True, slots=True)
class FollowEdge:
    """Where a level stops following its drive; volts rms."""

    followed_v: float  # the highest level that still followed
    level_v: float  # of 1 % distortion, were it a hard ceiling
    uncertainty_db: float  # standard
    short_db: float  # by how much the loudest point falls short
    driven_by: Literal["the source", "equal steps"]


def find_follow_edge(points: Sequence[TonePoint]) -> FollowEdge | None:
    """Where the level stops following; None where it follows all along, or nothing tells what it should have done.

    Parameters
    ----------
    points : of one tone, by time
    """
    usable = [point for point in points if not point.is_saturated and not point.has_two_tones]
    if len(usable) < _FEWEST_EQUAL:
        return None
    sources = [point.source_v for point in usable]
    level_db = 20 * np.log10([point.reading.fundamental_v for point in usable])
    if all(source is not None and source > 0 for source in sources):
        drive_db = 20 * np.log10(np.array(sources, dtype=float))
        return _find(drive_db, level_db, "the source")
    steps = _equal_steps(level_db)
    return None if steps is None else _find(*steps, "equal steps")


def _equal_steps(level_db: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Drive and level of each step of a rising row of steps whose first ones are equal; None where there is none."""
    edges = np.concatenate(([0], np.flatnonzero(np.abs(np.diff(level_db)) > _SAME_DB) + 1, [len(level_db)]))
    parts = [level_db[a:b] for a, b in pairwise(edges.tolist()) if b - a >= _STEP_POINTS]
    levels = np.array([float(np.median(part)) for part in parts])
    rises = np.diff(levels)
    for first in range(len(rises) - _FEWEST_EQUAL + 1):
        lowest = rises[first : first + _FEWEST_EQUAL]
        if np.min(lowest) < _LEAST_STEP_DB or np.ptp(lowest) > _SAME_DB:
            continue
        # Steps that no longer raise the level make one long part: they are not seen, and need not be.
        last = first + next((k for k, rise in enumerate(rises[first:]) if rise <= 0), len(rises) - first)
        count = np.arange(last - first + 1)
        return count * float(np.median(lowest)), levels[first : last + 1]
    return None


def _find(
    drive_db: FloatArray, level_db: FloatArray, driven_by: Literal["the source", "equal steps"]
) -> FollowEdge | None:
    order = np.argsort(drive_db, kind="stable")
    drive_db, level_db = drive_db[order], level_db[order]
    if drive_db[-1] - drive_db[0] < LEAST_DRIVE_DB:
        return None
    gain_db = level_db - drive_db
    low = drive_db <= drive_db[0] + 0.4 * (drive_db[-1] - drive_db[0])
    if np.count_nonzero(low) < 2 or np.ptp(gain_db[low]) > 2 * _SAME_DB:
        return None  # the gain was turned meanwhile, or it never followed
    short_db = float(np.median(gain_db[low])) - gain_db
    top_db = float(np.median(short_db[drive_db >= drive_db[-1] - _SAME_DB]))
    if top_db < LEAST_SHORT_DB or np.min(short_db) < -2 * _SAME_DB:
        return None
    follows = short_db < _USED_SHORT_DB[0]
    used = (short_db >= _USED_SHORT_DB[0]) & (short_db <= _USED_SHORT_DB[1])
    clip_ratio = np.interp(10 ** (-short_db / 20), _FUNDAMENTALS, _CLIPS)
    ceilings_db = (level_db + short_db)[used] + 20 * np.log10(clip_ratio[used])  # rms of the sine that just fits
    if len(ceilings_db):
        knee_db = float(np.median(ceilings_db)) + hard_clip_level_db(1.0)
        sd_db = math.hypot(_LEAST_SD_DB, 1.4826 * float(np.median(np.abs(ceilings_db - np.median(ceilings_db)))))
    else:  # it fell short by more at once: between the last that followed and the first that did not
        first_db = float(level_db[~follows].min())
        knee_db = (float(level_db[follows].max()) + first_db) / 2
        sd_db = max(_LEAST_SD_DB, abs(first_db - float(level_db[follows].max())) / 2)
    return FollowEdge(
        followed_v=10 ** (float(level_db[follows].max()) / 20),
        level_v=10 ** (knee_db / 20),
        uncertainty_db=sd_db,
        short_db=top_db,
        driven_by=driven_by,
    )
