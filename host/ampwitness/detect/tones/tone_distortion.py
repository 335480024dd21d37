"""Whether a tone is clearly distorted beyond 1 %, also where its distortion as a whole cannot be judged.

Gaps: sees points only; none spans a gap.
Limits: says nothing of who distorts: player, source and amplifier look alike in one output. Held notes of music carry
harmonics by themselves: what does not look like a cut wave counts only in a tone that lasts.
Source: our choice; tests/detect_tones/test_tone_distortion.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ampwitness.detect.tones.tone_curve import KNEE_PERCENT, LEFT_S, is_cut
from ampwitness.detect.tones.tone_points import TonePoint
from ampwitness.waveform.tone_meter import LEAST_HARMONICS

# A clip model that speaks for what lies beyond the band was 15 % off at most (tests/waveform/test_tone_folded.py).
_MODEL_RATIO = 0.15
_LASTS_S = 8.0  # as no note of music stands
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


def find_left_distortion(points: Sequence[TonePoint]) -> ToneDistortion | None:
    """That of a tone's last second, the middle one by size; None where most of it was not clearly distorted."""
    last = [find_distortion(point) for point in points if point.stop_s > points[-1].stop_s - LEFT_S]
    told = sorted((one for one in last if one is not None), key=lambda one: one.percent)
    return told[len(told) // 2] if 2 * len(told) > len(last) else None
