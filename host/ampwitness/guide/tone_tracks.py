"""Test tracks: steady tones, bursts, sweeps and steps, with faded ends and a cue that needs no words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
TrackKind = Literal["tone", "bursts", "sweep", "steps"]

RATE_HZ = 44_100
FADE_S = 0.05
CUE_HZ = 880.0
CUE_DB = -20.0
CUE_S = 0.12
# One beep: tone; two: bursts; three: sweep; four: steps. Told by ear with the head under the dashboard.
CUE_BEEPS: dict[TrackKind, int] = {"tone": 1, "bursts": 2, "sweep": 3, "steps": 4}
BURST_ON_S, BURST_OFF_S = 0.5, 1.5
STEP_S, STEP_DB, STEPS_FROM_DB = 2.5, 1.0, -12.0
LEAST_TRACK_S, MOST_TRACK_S = 1.0, 600.0
LEAST_LEVEL_DB = -60.0
SWEEP_FROM_HZ, SWEEP_TO_HZ = 20.0, 200.0

CAUTION = (
    "Full-level tones heat voice coils, a tweeter's within seconds: keep them short, or disconnect the load and "
    "measure unloaded. Turn the volume down before the first track, and protect your hearing."
)

HIGH_TONE_HZ = 300.0  # above, mids and tweeters play it
HIGH_TONE_CAUTION = (
    "Mids and tweeters burn at this tone and at the level where the edge is found: take them off, or use a resistor "
    "as load (--load-kind resistor) or none (--load-kind none)."
)


@dataclass(frozen=True, slots=True)
class Track:
    """One test track. `level_db` is its level in dBFS, of the sine's crest against full scale."""

    kind: TrackKind
    frequency_hz: float
    level_db: float
    seconds: float

    @property
    def file_name(self) -> str:
        """Kind, frequency, level and length, so that a player's display says what is playing."""
        hz = f"{SWEEP_FROM_HZ:g}-{SWEEP_TO_HZ:g}Hz" if self.kind == "sweep" else f"{self.frequency_hz:g}Hz"
        level = f"{STEPS_FROM_DB + self.level_db:g}to{self.level_db:g}dBFS" if self.kind == "steps" else (
            f"{self.level_db:g}dBFS"
        )  # fmt: skip
        return f"{self.kind}_{hz}_{level}_{self.total_s:.0f}s_{RATE_HZ}.wav"

    @property
    def total_s(self) -> float:
        """Length with the cue."""
        return len(_cue(self.kind)) / RATE_HZ + self._body_s

    @property
    def _body_s(self) -> float:
        if self.kind == "steps":
            return STEP_S * (round(-STEPS_FROM_DB / STEP_DB) + 1)
        return self.seconds


def overlap_sentence(overlap_db: float) -> str:
    """What a track below full scale means for the gain that is set with it."""
    if overlap_db <= 0:
        return (
            "Tracks at full scale: music at full scale will then ask for exactly what was clean, and never more. "
            "Quieter recordings will not use all of it."
        )
    return (
        f"Overlap {overlap_db:g} dB: full-scale music will then ask for up to {overlap_db:g} dB beyond clean. Say "
        "so on the job sheet."
    )


def make_track(track: Track) -> Samples:
    """The track's samples (n,), full scale 1: cue, a second of silence, the body with faded ends.

    Raises
    ------
    ValueError : level above 0 dBFS, a frequency outside 5 Hz to 20 kHz, or no length.
    """
    if track.level_db > 0:
        raise ValueError(f"a level above 0 dBFS would clip in the file itself, got {track.level_db:g} dBFS")
    if not 5 <= track.frequency_hz <= 20_000:
        raise ValueError(f"a tone lies between 5 Hz and 20 kHz, got {track.frequency_hz:g} Hz")
    if not LEAST_TRACK_S <= track.seconds <= MOST_TRACK_S:
        raise ValueError(f"a track lasts {LEAST_TRACK_S:g} to {MOST_TRACK_S:g} s, got {track.seconds:g} s")
    if track.level_db < LEAST_LEVEL_DB:
        raise ValueError(f"a level below {LEAST_LEVEL_DB:g} dBFS is lost in a WAV's steps, got {track.level_db:g} dBFS")
    return np.concatenate([_cue(track.kind), _body(track) * 10 ** (track.level_db / 20)])


def to_pcm(samples: Samples) -> bytes:
    """Both channels alike, 16 bits, as a WAV holds them."""
    codes = np.round(np.clip(samples, -1, 1) * 32767).astype("<i2")
    return np.repeat(codes[:, np.newaxis], 2, axis=1).tobytes()


def _body(track: Track) -> Samples:
    if track.kind == "sweep":
        return _sweep(track.seconds)
    if track.kind == "steps":
        parts = []
        for number in range(round(-STEPS_FROM_DB / STEP_DB) + 1):
            level = 10 ** ((STEPS_FROM_DB + number * STEP_DB) / 20)
            parts.append(level * _tone(track.frequency_hz, STEP_S))
        return np.concatenate(parts)
    if track.kind == "bursts":
        off = np.zeros(round(BURST_OFF_S * RATE_HZ))
        n = max(1, round(track.seconds / (BURST_ON_S + BURST_OFF_S)))
        return np.concatenate(
            [piece for _ in range(n) for piece in (_tone(track.frequency_hz, BURST_ON_S, 0.005), off)]
        )
    return _tone(track.frequency_hz, track.seconds)


def _tone(hz: float, seconds: float, fade_s: float = FADE_S) -> Samples:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.sin(2 * np.pi * hz * time) * _fades(len(time), fade_s))


def _sweep(seconds: float) -> Samples:
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    rate = math.log(SWEEP_TO_HZ / SWEEP_FROM_HZ) / seconds
    phase = 2 * np.pi * SWEEP_FROM_HZ * np.expm1(rate * time) / rate
    return np.asarray(np.sin(phase) * _fades(len(time), FADE_S))


def _fades(n: int, fade_s: float) -> Samples:
    at = np.arange(n) + 0.5
    edge = np.clip(np.minimum(at, n - at) / (fade_s * RATE_HZ), 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * edge))


def _cue(kind: TrackKind) -> Samples:
    beep = 10 ** (CUE_DB / 20) * _tone(CUE_HZ, CUE_S, 0.02)
    pause = np.zeros(round(CUE_S * RATE_HZ))
    return np.concatenate([np.concatenate([beep, pause]) for _ in range(CUE_BEEPS[kind])] + [np.zeros(RATE_HZ)])


def iter_tracks(
    kinds: tuple[TrackKind, ...], tones_hz: tuple[float, ...], level_db: float, seconds: float
) -> Iterator[Track]:
    """Every track that was asked for; a sweep has no tone of its own and comes once."""
    for kind in dict.fromkeys(kinds):
        for hz in (tones_hz[0],) if kind == "sweep" else dict.fromkeys(tones_hz):
            yield Track(kind, hz, level_db, seconds)
