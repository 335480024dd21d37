"""Whether what sounded is a bass note, and of which pitch beside what still rings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_drum import DRUM
from ampwitness.detect.notes.note_places import LEAST_TURNED_S
from ampwitness.detect.notes.note_spectrum import HIGHEST_HZ, LOWEST_HZ, Pitch
from ampwitness.detect.notes.sounding_note import SoundingNote, join

_LEAST_NOTE_S = 0.045
_LEAST_CUT_S = 0.100  # of what sounded when the data began: no attack is there to tell it from a voice
_SAME_PITCH = 0.02  # under another note a ringing one is measured no better
_TAIL_S, _OLD_TAIL_LEVEL = 2.0, 0.10  # so long after the last of them, so soft is their beat
STRUCK = 0.90  # so much is new of no beat: what rings carries on as it did
_ROLLS_S, _LEAST_OF_ROLL, _PITCH_OF_ROLL = 0.060, 0.90, 0.12  # since the last; explained; of pitch, which slides
NO_TONE = "not a tone: too little of it repeats"
ECHO = "what a room answers to a louder note"
NOISE = "a swell of noise: short, and among many that are no tones"
_AROUND, _AROUND_S, _LEAST_AROUND = 14, 5.0, 5  # as many to either side, no further away; of those fewer say nothing
_NOISE_SHARE, _SWELL_S, _OVER_SWELLS = 0.60, 0.300, 2.5  # of them no tones; no swell is longer; of their level
_LEAST_OF_TWO_S, _TWO_RATIO = 0.120, 0.97  # of two tones at once; of energy: of noise a hundredth is so by chance
_LONGEST_ATTACK_S, _LOUD_ATTACK = 0.180, 0.5  # of level
_OCTAVE_OVER_ROOT, _ODD_SHARE = 1.5, 0.15  # of heights
_OLD_ROOT_RATIO, _NEW_OCTAVE_RATIO = 0.70, 0.50  # of heights now, ahead of the note
_ECHO_S, _ECHO_LEVEL, _ECHO_RISES = (0.035, 0.250), 0.10, 2.5  # since the last; of its level; of heights
_ECHO_AHEAD_S, _ECHO_HEAD_S, _ECHO_SWELLS = 0.050, 0.050, 3.0  # the last: of heights
_ECHO_NOVELTY = 10.0  # what was carried on from a note that a hand stopped shortly before runs away further
_OLD_IN_TAIL = 0.70  # so little new in a tail, at the pitch of one of the last notes: it is heard again, not struck


def judge_note(
    note: SoundingNote, pitch: Pitch | None, before: Sequence[Pitch], seconds: float, rate_hz: float, band_hz: float
) -> tuple[Pitch | None, str]:
    """The pitch, or None and why what sounded is no bass note."""
    if note.end - note.onset < _LEAST_NOTE_S * rate_hz:
        return None, "shorter than 45 ms"
    if note.onset == 0.0 and note.end < _LEAST_CUT_S * rate_hz:
        return None, "shorter than 100 ms and cut off by the beginning of the data"
    is_cut = note.end_basis == "the next note began" and note.end - note.onset < LEAST_TURNED_S * rate_hz
    if is_cut and note.onset_basis.endswith("(pitch changed)"):
        return None, "shorter than 90 ms between a turn and the next note"
    if note.level_peak_v < note.floor_v:
        return None, "below the floor"
    if pitch is None:
        return None, "no sine fits"
    if not LOWEST_HZ <= pitch.frequency_hz <= HIGHEST_HZ:
        return None, "pitch outside 19 to 123.5 Hz"
    is_struck = _is_struck_again(note, pitch, before) or _are_two_struck(note, pitch, seconds)
    if not is_struck and not is_tone(pitch, seconds):
        return None, NO_TONE
    if _is_octave_of_old(note, pitch, before, band_hz):
        return _octave_up(pitch), ""
    return pitch, ""


def is_attack_of(earlier: SoundingNote, why_not: str, note: SoundingNote, pitch: Pitch, rate_hz: float) -> bool:
    """Whether what was struck and is no tone by itself, as a drum over a string for a moment, is the attack of the note
    that follows without a pause."""
    is_struck = why_not in (NO_TONE, DRUM) and earlier.novelty_ratio >= STRUCK
    is_struck &= earlier.level_peak_v >= _LOUD_ATTACK * note.level_peak_v
    is_soon = note.onset - earlier.onset <= _LONGEST_ATTACK_S * rate_hz
    # Of a drum no period is known: the comparison is false.
    return is_struck and is_soon and 0.0 <= note.onset - earlier.end <= rate_hz / pitch.frequency_hz


def find_noise(
    notes: Sequence[SoundingNote], whys: Sequence[str], pitched: Sequence[bool], rate_hz: float
) -> npt.NDArray[np.bool_]:
    """Which notes of one run are swells of noise in the band: some of the many that it has look like a tone for a tenth
    of a second.

    Parameters
    ----------
    notes : what began in the run, in order
    whys : why each was not taken for a note
    pitched : which were

    Returns
    -------
    (n,) True where a note is taken for noise.
    """
    out = np.zeros(len(notes), dtype=bool)
    no_tone = np.array([why == NO_TONE for why in whys], dtype=bool)
    if np.count_nonzero(no_tone) < _LEAST_AROUND:
        return out
    onset_s, end_s = (np.array(values) / rate_hz for values in zip(*((n.onset, n.end) for n in notes), strict=True))
    level_v = np.array([note.level_peak_v for note in notes])
    for place in np.flatnonzero(np.array(pitched) & (end_s - onset_s < _SWELL_S)).tolist():
        near = np.arange(max(0, place - _AROUND), min(len(notes), place + _AROUND + 1))
        near = near[(near != place) & (np.abs(onset_s[near] - onset_s[place]) < _AROUND_S)]
        noisy = near[no_tone[near]]
        if len(noisy) < _LEAST_AROUND:
            continue
        loud_v = _OVER_SWELLS * median(level_v[noisy].tolist())
        if level_v[place] < loud_v:  # what stands out of the noise says nothing about it
            out[place] = len(noisy) >= _NOISE_SHARE * np.count_nonzero(no_tone[near] | (level_v[near] < loud_v))
    return out


def is_old(pitch: Pitch | None, before: Sequence[Pitch]) -> bool:
    """Whether a pitch is that of one of the last notes."""
    return pitch is not None and any(abs(pitch.frequency_hz / old.frequency_hz - 1.0) <= _SAME_PITCH for old in before)


def is_tone(pitch: Pitch, seconds: float) -> bool:
    """Whether enough of what sounded so long is one note, or two."""
    # Noise in the band looks like a tone the more, the shorter it is looked at.
    if pitch.frequency_hz * seconds < 3.0 and pitch.explained_ratio < 0.97:
        return False
    least = 0.93 if seconds < 0.120 else 0.80 if seconds < 0.300 else 0.55
    return pitch.explained_ratio >= least or (pitch.both_ratio >= 0.90 and seconds >= 0.200)


def _is_struck_again(note: SoundingNote, pitch: Pitch, before: Sequence[Pitch]) -> bool:
    """Whether this is the last note struck again, too short to be known by itself, or a drum in a roll."""
    if not note.novelty_ratio >= STRUCK or pitch.explained_ratio < _LEAST_OF_ROLL:
        return False
    if note.is_in_roll or not before or note.since_last_s > _ROLLS_S:
        return note.is_in_roll
    return abs(pitch.frequency_hz / before[-1].frequency_hz - 1.0) < _PITCH_OF_ROLL


def _are_two_struck(note: SoundingNote, pitch: Pitch, seconds: float) -> bool:
    """Whether two tones were struck at once, as a drum and a string are, that part before either is known by itself."""
    return note.novelty_ratio >= STRUCK and seconds >= _LEAST_OF_TWO_S and pitch.both_ratio >= _TWO_RATIO


def beats_on(note: SoundingNote, pitch: Pitch, last_pitches: Sequence[Pitch], last_level_v: float) -> bool:
    """Whether this is what the last notes, ringing on, swell up to in their tail where two of them beat: so soft, not
    all new, and at the pitch of one of them."""
    is_in_tail = note.since_last_s < _TAIL_S and note.level_peak_v < _OLD_TAIL_LEVEL * last_level_v
    if not is_in_tail or not note.novelty_ratio < _OLD_IN_TAIL:
        return False
    return is_old(pitch, last_pitches)


def is_echo(note: SoundingNote, rate_hz: float, band_hz: float) -> bool:
    """Whether this is what a room answers to a louder note that has just ended: so soft, no louder than what sounded
    between the two, and never louder. Ahead of a soft note that a hand plays what it let go is still for a moment."""
    after_s, within_s = _ECHO_S
    ahead = note.band_before
    if ahead is None or not (after_s < note.since_last_s < within_s and note.novelty_ratio < _ECHO_NOVELTY):
        return False
    ahead = ahead[-round(min(note.since_last_s, _ECHO_AHEAD_S) * band_hz) :]
    band = join(note.band)[: max(0, round(note.end * band_hz / rate_hz) - note.band_first)]
    head = band[: round(_ECHO_HEAD_S * band_hz)]
    if not len(ahead) or not len(head) or np.abs(band).max() > _ECHO_SWELLS * np.abs(head).max():
        return False
    head_v, ahead_v = (float(np.sqrt(part @ part / len(part))) for part in (head, ahead))
    return head_v < _ECHO_LEVEL * note.last_level_v and head_v < _ECHO_RISES * ahead_v


def _octave_up(pitch: Pitch) -> Pitch:
    return replace(pitch, frequency_hz=2.0 * pitch.frequency_hz, amplitudes_v=tuple(pitch.amplitudes_v[1::2]))


def _is_octave_of_old(note: SoundingNote, pitch: Pitch, before: Sequence[Pitch], band_hz: float) -> bool:
    """Whether the root sounded ahead of the note as strongly, as hum or an older note rings on, the even partials did
    not, and no odd ones are there: they are an octave's, and the root is none of the note's."""
    now = pitch.amplitudes_v
    if len(now) < 2 or 2.0 * pitch.frequency_hz > HIGHEST_HZ or now[1] <= _OCTAVE_OVER_ROOT * now[0]:
        return False
    if note.band_before is None or (len(now) > 2 and now[2] > _ODD_SHARE * now[1]):
        return False
    same = [old for old in before if abs(pitch.frequency_hz / old.frequency_hz - 1.0) <= _SAME_PITCH]
    if any(
        len(old.amplitudes_v) > 1 and old.amplitudes_v[1] * now[0] > 0.4 * now[1] * old.amplitudes_v[0] for old in same
    ):
        return False  # such a note was played of late
    n = len(note.band_before)
    weights = np.hanning(n + 2)[1:-1]
    weights *= 2.0 / weights.sum()
    turn = 2 * np.pi * pitch.frequency_hz / band_hz * np.arange(n)
    root_v, octave_v = (abs(complex((weights * note.band_before) @ np.exp(-1j * k * turn))) for k in (1, 2))
    return root_v >= _OLD_ROOT_RATIO * now[0] and octave_v < _NEW_OCTAVE_RATIO * now[1]
