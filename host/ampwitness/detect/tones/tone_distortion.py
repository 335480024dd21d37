"""Whether a tone is clearly distorted beyond 1 %, also where its distortion as a whole cannot be judged; and whether
its harmonics are those of music.

Gaps: sees points only; none spans a gap.
Limits: says nothing of who distorts: player, source and amplifier look alike in one output. Held notes of music carry
harmonics by themselves: what does not look like a cut wave counts only in a tone that lasts.
Source: our choice; tests/detect_tones/test_tone_distortion.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.tones.tone_curve import KNEE_PERCENT, LEFT_S, is_cut
from ampwitness.detect.tones.tone_points import TonePoint
from ampwitness.waveform.tone_meter import LEAST_HARMONICS

# A clip model that speaks for what lies beyond the band was 15 % off at most (tests/waveform/test_tone_folded.py).
_MODEL_RATIO = 0.15
_LASTS_S = 8.0  # as no note of music stands
# However hard a sine is cut, it ends as a square wave, whose distortion is 48.34 % (the sum of 1 / n^2 over odd n).
_MOST_OF_CUT_PERCENT, _NOTE_PERCENT = 48.4, 10.0
_STANDS_S, _STANDS_RATIO = 1.0, 1.005  # a hand's tone stands somewhere; a note that dies away in 200 s would too
UNSEEN = ("harmonic", "the logger's band holds")  # how reasons begin by which part of the distortion is not seen


@dataclass(frozen=True, slots=True)
class ToneDistortion:
    """Distortion clearly beyond 1 %. `is_whole` False: as far as it can be seen, harmonics beyond the band fold back or
    are lost. `overdrive_db`: of the polarity that is cut further, by the clip model; None where that does not fit."""

    percent: float
    is_whole: bool
    overdrive_db: float | None


def find_distortion(point: TonePoint) -> ToneDistortion | None:
    """What a point's harmonics say; None where they are not clearly more than 1 % of it."""
    reading = point.reading
    if point.is_saturated or point.has_two_tones:
        return None
    percent, sure = reading.thd_f_percent, reading.thd_floor_percent
    is_whole = percent is not None
    if percent is None:
        if not reading.not_judged.startswith(UNSEEN) or reading.thd_in_band_percent is None:
            return None
        percent = reading.thd_in_band_percent
    elif reading.thd_is_extrapolated:
        sure = max(sure, _MODEL_RATIO * percent)
    if percent - sure <= KNEE_PERCENT:
        return None
    overdrives = (reading.positive_overdrive_db, reading.negative_overdrive_db)
    return ToneDistortion(percent, is_whole, max((db for db in overdrives if db is not None), default=None))


def is_worth_telling(points: Sequence[TonePoint], chosen: TonePoint) -> bool:
    """Whether a distorted tone may be more than a note with harmonics of its own."""
    reading = chosen.reading
    if reading.positive_overdrive_db is not None or points[-1].stop_s - points[0].start_s >= _LASTS_S:
        return True
    return reading.n_harmonics < LEAST_HARMONICS and is_cut(reading)  # too few for the model to refuse a note by them


def has_harmonics_of_music(points: Sequence[TonePoint]) -> bool:
    """Whether a passage whose level never stands for a second holds more harmonics than cutting gives a sine, or,
    shorter than 8 s, many that no cut makes.

    One that stands may be a test tone through an amplifier that hardly conducts, or one whose source was cut ahead of a
    filter; a held note looks the same. One whose distortion is mostly not judged is not asked.
    """
    known = [(point, thd) for point in points if (thd := point.reading.thd_f_percent) is not None]
    if 2 * len(known) <= len(points) or _stands(points):
        return False
    median_percent = float(np.median([thd for _, thd in known]))
    if median_percent > _MOST_OF_CUT_PERCENT:
        return True
    if median_percent < _NOTE_PERCENT or points[-1].stop_s - points[0].start_s >= _LASTS_S:
        return False
    return 2 * sum(is_cut(point.reading) for point, _ in known) < len(known)


def _stands(points: Sequence[TonePoint]) -> bool:
    """Whether the level stays within _STANDS_RATIO for _STANDS_S anywhere."""
    first = 0
    for last in range(len(points)):
        while True:
            levels = [point.reading.level_v for point in points[first : last + 1]]
            if max(levels) <= _STANDS_RATIO * min(levels):
                break
            first += 1
        if points[last].stop_s - points[first].start_s >= _STANDS_S - 1e-6:
            return True
    return False


def find_left_distortion(points: Sequence[TonePoint]) -> ToneDistortion | None:
    """That of a tone's last second, the middle one by size; None where most of it was not clearly distorted."""
    last = [find_distortion(point) for point in points if point.stop_s > points[-1].stop_s - LEFT_S]
    told = sorted((one for one in last if one is not None), key=lambda one: one.percent)
    return told[len(told) // 2] if 2 * len(told) > len(last) else None
