"""What is struck out of near silence in the bass and dies away at once is a beat, though no pitch of it repeats: a drum
in a room, whose pitch falls beside what the room answers.

Gaps: the caller passes one run only; what sounded when it began is not asked.
Limits: its pitch is not told. Beats that stand less than 13 dB above the 50 ms ahead of them, or shorter than 80 ms.
Source: our choice, measured on drums that were drawn with a room's modes: of 89 that were no tones the 50 ms ahead held
1.1 % of the power at most, of what no drum began 45 % at least; over other music true notes alone lie under 5 %.
"""

from __future__ import annotations

from math import ceil, floor

import numpy as np

from ampwitness.detect.notes.note_decimate import Bands
from ampwitness.detect.notes.sounding_note import SoundingNote, join
from ampwitness.types import FloatArray

DRUM = "a drum, whose pitch is not judged"
_STRUCK = 0.90  # of the energy behind the onset, that is new
_AHEAD_S, _HEAD_S, _LEAST_S, _MOST_S = 0.050, 0.060, 0.080, 0.160
_OF_DRUM, _OF_BEAT = 0.05, 0.25  # power of what sounded ahead, of that behind
_DIES_AWAY = 0.40  # power of its last third, of its first: what goes on, as noise that is turned on, is no drum
_BASS_HZ, _IN_BASS = (20.0, 120.0), 0.90  # of its energy


def is_drum(note: SoundingNote, bands: Bands) -> bool:
    """Whether what sounded is a drum, though it is no tone."""
    return _stands_out(note, bands, _OF_DRUM) and _dies_away(_begin(note, bands))


def is_beat(note: SoundingNote, bands: Bands) -> bool:
    """Whether what sounded may be taken for a beat by ear, and should be told where it is not counted."""
    return _stands_out(note, bands, _OF_BEAT)


def _begin(note: SoundingNote, bands: Bands) -> FloatArray:
    n = min(round(_MOST_S * bands.band_hz), round(note.end / bands.factor / 2) - note.band_first)
    return join(note.band)[: max(0, n)]


def _stands_out(note: SoundingNote, bands: Bands, most_ahead: float) -> bool:
    band, before = _begin(note, bands), note.band_before
    n_ahead = round(_AHEAD_S * bands.band_hz)
    if not note.novelty_ratio >= _STRUCK or before is None or len(before) < n_ahead:
        return False
    if len(band) < _LEAST_S * bands.band_hz:
        return False
    head = band[: round(_HEAD_S * bands.band_hz)]
    if _mean_square(before[-n_ahead:]) > most_ahead * _mean_square(head):
        return False
    n = 4 * len(band)
    spectrum = np.fft.rfft(band, n)
    low, high = (hz * n / bands.band_hz for hz in _BASS_HZ)
    in_bass = spectrum[ceil(low) : floor(high) + 1]
    return bool(np.vdot(in_bass, in_bass).real >= _IN_BASS * np.vdot(spectrum, spectrum).real)


def _dies_away(band: FloatArray) -> bool:
    third = len(band) // 3
    return _mean_square(band[-third:]) <= _DIES_AWAY * _mean_square(band[:third])


def _mean_square(volts: FloatArray) -> float:
    return float(volts @ volts) / len(volts)
