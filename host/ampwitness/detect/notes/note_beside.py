"""The pitch of a note that began over an older one which sounds on as it did.

The louder of two voices is what a spectrum shows first, whichever began last. So what explains the band ahead of the
onset, one of the last notes, is fitted to the beginning of the new note too: what that leaves is the new one's, or,
where it leaves nothing, its even partials have changed and no others: the new one lies an octave above.

Gaps: the caller passes one run only.
Limits: one older note, and a new one with at least 6 % of the energy; octaves with 15 %. A new note two octaves or a
twelfth above is given the older one's pitch.
Source: least squares of sines under envelopes along a line, as in note_leaving; our choice, measured by
`python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ampwitness.detect.notes.note_decimate import Bands
from ampwitness.detect.notes.note_leaving import ComplexArray, fit_lines, list_lines
from ampwitness.detect.notes.note_spectrum import Pitch, measure_pitches
from ampwitness.detect.notes.sounding_note import SoundingNote, join
from ampwitness.types import FloatArray

_SETTLES_S, _LEAST_AHEAD_S = 0.008, 0.100  # off the onset, for the band's filters; of the band ahead of it
_LENGTHS_S = (0.400, 0.250, 0.170, 0.120)  # of the beginning: it may be over before the older one is
_LEFT_AHEAD, _LEFT_OF_OCTAVE = 0.02, 0.02  # of energy
_LEAST_LEFT, _LEAST_TONE, _LEAST_PERIODS = 0.06, 0.93, 5.0  # of energy; explained of what is left
_LEAST_NEW, _EVEN_SHARE = 0.15, 0.95  # of the lines' energy behind; of what is new of it


def find_beside(note: SoundingNote, bands: Bands, before: Sequence[Pitch]) -> tuple[Pitch, float] | None:
    """Pitch of what began over one of the last notes, and how long it was looked at, seconds; None: no last note sounds
    on alone, or what began is no tone.

    Parameters
    ----------
    note : with its band, and what lies ahead of it
    bands : of its run
    before : pitches of the last notes, latest last
    """
    rate_hz = bands.band_hz
    off = round(_SETTLES_S * rate_hz)
    if note.band_before is None or len(note.band_before) < _LEAST_AHEAD_S * rate_hz + off:
        return None
    ahead = note.band_before[:-off]
    band = join(note.band)[off : max(0, round(note.end / bands.factor / 2) - note.band_first)]
    for old in reversed(before):
        hz = list_lines([old.frequency_hz])
        lines, left = fit_lines(ahead, -len(note.band_before) / rate_hz, rate_hz, hz)
        if left @ left > _LEFT_AHEAD * (ahead @ ahead):
            continue
        for length_s in _LENGTHS_S:
            part = band[: round(length_s * rate_hz)]
            if len(part) >= length_s * rate_hz - 1.0:
                found = _find_over(part, off / rate_hz, rate_hz, old, lines)
                if found is not None:
                    return found, length_s
        return None
    return None


def _find_over(part: FloatArray, at_s: float, rate_hz: float, old: Pitch, lines: ComplexArray) -> Pitch | None:
    """Pitch of what is in a part besides the older note, whose lines as they were are carried to the onset; the part
    begins `at_s` behind that."""
    hz = list_lines([old.frequency_hz])
    then, left = fit_lines(part, at_s, rate_hz, hz)
    whole, rest = float(part @ part), float(left @ left)
    goes_on = np.clip((then * lines.conj()).real / np.maximum(np.square(np.abs(lines)), 1e-12), 0.0, 1.0)
    new = np.square(np.abs(then - goes_on * lines))
    if rest <= _LEFT_OF_OCTAVE * whole:
        even = new[1::2].sum()
        is_octave = even >= _EVEN_SHARE * new.sum() and even >= _LEAST_NEW * np.square(np.abs(then)).sum()
        if not is_octave:
            return None
        heights_v = tuple(np.sqrt(new[1::2]).tolist())
        return replace(old, frequency_hz=2.0 * old.frequency_hz, amplitudes_v=heights_v, beside_hz=old.frequency_hz)
    # Where the older note was struck again as well, that is the note.
    if rest < _LEAST_LEFT * whole or 0.5 * len(part) * new.sum() > rest:
        return None
    (pitch,) = measure_pitches([left], rate_hz)
    if pitch is None or pitch.explained_ratio < _LEAST_TONE:
        return None
    if pitch.frequency_hz * len(part) / rate_hz < _LEAST_PERIODS:
        return None
    return replace(pitch, beside_hz=old.frequency_hz)
