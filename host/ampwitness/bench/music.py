"""Music of our own making, drawn by seed: bass lines of plucked, held and struck notes, tones, full-range noise.

Nothing here imitates a piece or an instrument; the notes of ISO 16's scale serve as pitches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
NoteKind = Literal["plucked", "held", "drum"]

A4_HZ = 440.0  # ISO 16
ONSET_RATIO = 0.1  # onset and end of a note: this share of its own largest |value|


@dataclass(frozen=True, slots=True)
class Note:
    """One note of a line; the definitions of its times stand in truth.py. `peak` is its own largest |value|."""

    kind: NoteKind
    begins_s: float
    start_s: float
    stop_s: float
    pitch_hz: float
    peak: float


@dataclass(frozen=True, slots=True)
class WantedNote:
    """A note to be played: when it begins, how long it sounds before it is let go, its largest |value|."""

    kind: NoteKind
    begins_s: float
    length_s: float
    pitch_hz: float
    peak: float


def key_to_hz(key: int) -> float:
    """Pitch of a key of the equal-tempered scale, A4 = key 69 = 440 Hz."""
    return float(A4_HZ * 2.0 ** ((key - 69) / 12))


def play(
    wanted: Sequence[WantedNote], duration_s: float, rate_hz: float, rng: np.random.Generator
) -> tuple[Samples, tuple[Note, ...]]:
    """Sound of the wanted notes, summed: (n,) and the notes with their onsets and ends measured on each alone."""
    sound = np.zeros(round(duration_s * rate_hz))
    notes = []
    for want in wanted:
        first = round(want.begins_s * rate_hz)
        wave = _WAVES[want.kind](want.pitch_hz, want.length_s, rate_hz, rng)[: len(sound) - first]
        wave *= want.peak / np.abs(wave).max()
        sound[first : first + len(wave)] += wave
        loud = np.flatnonzero(np.abs(wave) >= ONSET_RATIO * want.peak)
        notes.append(
            Note(
                kind=want.kind,
                begins_s=first / rate_hz,
                start_s=(first + int(loud[0])) / rate_hz,
                stop_s=(first + int(loud[-1])) / rate_hz,
                pitch_hz=want.pitch_hz,
                peak=want.peak,
            )
        )
    return sound, tuple(notes)


def bass_line(
    rng: np.random.Generator,
    start_s: float,
    stop_s: float,
    *,
    peaks: tuple[float, float],
    beat_s: float = 0.5,
    lowest_key: int = 26,
    highest_key: int = 43,
    kinds: Sequence[NoteKind] = ("plucked", "plucked", "held", "drum"),
    rest_share: float = 0.1,
) -> list[WantedNote]:
    """A line on a beat between two times, one note at a time, each let go before the next begins.

    `peaks` are the least and largest note peaks, drawn evenly in dB between them. Keys 26 to 43 are 36.7 to 98 Hz.
    """
    wanted = []
    at_s = start_s
    while at_s < stop_s - beat_s / 2:
        length_s = float(rng.choice([0.5, 1.0, 1.0, 1.5])) * beat_s
        length_s = min(length_s, stop_s - at_s)
        is_rest = rng.uniform() < rest_share
        kind = kinds[int(rng.integers(len(kinds)))]
        key = int(rng.integers(lowest_key, highest_key + 1))
        peak = peaks[0] * (peaks[1] / peaks[0]) ** rng.uniform()
        if not is_rest:
            wanted.append(WantedNote(kind, at_s, length_s - 0.06, key_to_hz(key), float(peak)))
        at_s += length_s
    return wanted


def tone(frequency_hz: float, duration_s: float, rate_hz: float, peak: float = 1.0, fade_s: float = 0.02) -> Samples:
    """A sine, faded in and out by half a cosine."""
    n = round(duration_s * rate_hz)
    return _faded(peak * np.sin(2 * np.pi * frequency_hz / rate_hz * np.arange(n)), fade_s, fade_s, rate_hz)


def full_range(duration_s: float, rate_hz: float, rng: np.random.Generator, *, peak: float = 1.0) -> Samples:
    """Pink-like noise under a beat, with a few chords: peaks far above its rms, energy falling with frequency."""
    from scipy.signal import lfilter  # here: a second of loading, which a virtual board of steady volts does without

    n = round(duration_s * rate_hz)
    # White noise through three first-order sections: near enough to -3 dB an octave, 30 Hz to 10 kHz.
    white = rng.standard_normal(n)
    sound = np.zeros(n)
    for corner_hz, weight in ((30.0, 8.0), (300.0, 2.5), (3000.0, 0.8)):
        decay = np.exp(-2 * np.pi * corner_hz / rate_hz)
        sound += weight * lfilter([1 - decay], [1, -decay], white)
    time_s = np.arange(n) / rate_hz
    sound *= 0.4 + 0.6 * np.exp(-((time_s * 2.0) % 1.0) / 0.25)
    for root in rng.integers(45, 60, size=max(1, round(duration_s))):
        begins_s = rng.uniform(0, max(duration_s - 0.5, 0.0))
        first = round(begins_s * rate_hz)
        length = min(n - first, round(0.8 * rate_hz))
        at = np.arange(length) / rate_hz
        for interval in (0, 4, 7):
            chord = np.sin(2 * np.pi * key_to_hz(int(root) + interval) * at) * np.exp(-at / 0.3)
            sound[first : first + length] += 0.3 * sound.std() * chord * np.minimum(at / 0.005, 1)
    return np.asarray(_faded(sound * (peak / np.abs(sound).max()), 0.02, 0.02, rate_hz))


def _plucked(pitch_hz: float, length_s: float, rate_hz: float, rng: np.random.Generator) -> Samples:
    """Harmonics that die away, the higher ones sooner."""
    at = np.arange(round(length_s * rate_hz)) / rate_hz
    decay_s = rng.uniform(0.25, 0.6)
    wave = np.zeros(len(at))
    for harmonic, weight in enumerate((1.0, 0.45, 0.2, 0.1), start=1):
        phase = 0.0 if harmonic == 1 else rng.uniform(0, 2 * np.pi)
        swing = np.sin(2 * np.pi * harmonic * pitch_hz * at + phase)
        wave += weight * rng.uniform(0.6, 1.0) * swing * np.exp(-at * harmonic / decay_s)
    return _faded(wave, rng.uniform(0.003, 0.006), 0.04, rate_hz)


def _held(pitch_hz: float, length_s: float, rate_hz: float, rng: np.random.Generator) -> Samples:
    """A note held at one level, with a slower attack."""
    at = np.arange(round(length_s * rate_hz)) / rate_hz
    wave = np.sin(2 * np.pi * pitch_hz * at)
    wave += rng.uniform(0.05, 0.25) * np.sin(4 * np.pi * pitch_hz * at + rng.uniform(0, 2 * np.pi))
    return _faded(wave, rng.uniform(0.006, 0.015), 0.05, rate_hz)


def _drum(pitch_hz: float, length_s: float, rate_hz: float, rng: np.random.Generator) -> Samples:
    """A struck skin: the pitch falls quickly to its own, the sound dies away."""
    at = np.arange(round(length_s * rate_hz)) / rate_hz
    drop_s = rng.uniform(0.012, 0.025)
    cycles = pitch_hz * (at + rng.uniform(0.6, 1.2) * drop_s * -np.expm1(-at / drop_s))
    return _faded(np.sin(2 * np.pi * cycles) * np.exp(-at / rng.uniform(0.12, 0.3)), 0.002, 0.03, rate_hz)


_WAVES = {"plucked": _plucked, "held": _held, "drum": _drum}


def _faded(wave: Samples, in_s: float, out_s: float, rate_hz: float) -> Samples:
    """The wave with both ends drawn to zero by half a cosine."""
    n_in, n_out = (min(len(wave) // 2, max(1, round(s * rate_hz))) for s in (in_s, out_s))
    wave[:n_in] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(n_in) / n_in)
    wave[len(wave) - n_out :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, n_out + 1) / n_out)
    return wave
