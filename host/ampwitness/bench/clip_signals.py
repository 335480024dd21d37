"""Amplifier outputs with known clipped half-cycles: what the clipping detector is tuned on and scored with.

Everything is made at eight times the logger's rate, clipped there sample by sample, and only then band-limited and
taken down, so that corners are rounded as the logger rounds them. Families named in TUNING were looked at while the
detector's numbers were chosen; those in SCORING were not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import signal

from ampwitness.types import FloatArray

OVERSAMPLING = 8
NOISE_RMS_V = 0.025  # 0.6 code of 31 mV at each of two terminals, after averaging
CODE_V = 0.03125  # one code at a speaker terminal


@dataclass(frozen=True, slots=True)
class TrueClip:
    """One clipped half-cycle as it was made."""

    start_s: float
    stop_s: float
    polarity: str
    overdrive_db: float  # highest unclipped value over the ceiling at that moment
    crest_v: float


@dataclass(frozen=True, slots=True)
class ClipCase:
    """What the logger sees, and what is true."""

    name: str
    rate_hz: float
    output_v: FloatArray
    supply_v: FloatArray | None
    clips: tuple[TrueClip, ...]

    @property
    def duration_s(self) -> float:
        return len(self.output_v) / self.rate_hz


# ---- drive signals, peak 1 -------------------------------------------------------------------------------------------


def _normalised(x: FloatArray) -> FloatArray:
    return np.asarray(x / np.max(np.abs(x)))


def tone(rng: np.random.Generator, seconds: float, rate_hz: float, pitch_hz: float = 40.0) -> FloatArray:
    """A steady sine with faded ends."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    fade = np.clip(np.minimum(t, t[-1] - t) / 0.05, 0, 1)
    return np.asarray(fade * np.sin(2 * np.pi * pitch_hz * t + rng.uniform(0, 2 * np.pi)))


def bass_line(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Plucked notes with a few harmonics, sounding one after the other, some into the next."""
    n = int(seconds * rate_hz)
    out = np.zeros(n)
    at_s = 0.05
    while at_s < seconds - 0.1:
        length_s = float(rng.choice([0.25, 0.5, 0.5, 1.0]))
        pitch_hz = 41.2 * 2 ** (rng.integers(0, 18) / 12)
        first, last = int(at_s * rate_hz), min(n, int((at_s + length_s * 1.2) * rate_hz))
        t = np.arange(last - first) / rate_hz
        env = (1 - np.exp(-t / rng.uniform(0.003, 0.02))) * np.exp(-t / rng.uniform(0.2, 1.5))
        env *= np.clip((t[-1] - t) / 0.02, 0, 1)
        note = np.zeros(len(t))
        for k in range(1, 6):
            size = 1.0 if k == 1 else rng.uniform(0, 0.5) / k**1.3
            note += size * np.sin(2 * np.pi * pitch_hz * k * t + rng.uniform(0, 2 * np.pi))
        out[first:last] += env * note * rng.uniform(0.35, 1.0)
        at_s += length_s
    return _normalised(out)


def kick_and_sub(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Kick drums that fall in pitch over a swept low note: long, slowly decaying, naturally flat crests."""
    n = int(seconds * rate_hz)
    out = np.zeros(n)
    beat_s = rng.uniform(0.4, 0.6)
    at_s = 0.05
    while at_s < seconds - 0.1:
        t = np.arange(min(n - int(at_s * rate_hz), int(1.5 * rate_hz))) / rate_hz
        low_hz, high_hz, fall_s = rng.uniform(34, 50), rng.uniform(90, 200), rng.uniform(0.01, 0.04)
        phase = 2 * np.pi * (low_hz * t + (high_hz - low_hz) * fall_s * (1 - np.exp(-t / fall_s)))
        env = (1 - np.exp(-t / 0.001)) * np.exp(-t / rng.uniform(0.15, 0.8)) * np.clip((t[-1] - t) / 0.02, 0, 1)
        out[int(at_s * rate_hz) : int(at_s * rate_hz) + len(t)] += env * np.sin(phase) * rng.uniform(0.4, 1.0)
        at_s += beat_s * float(rng.choice([1, 1, 2]))
    return _normalised(out)


def sub_noise(rng: np.random.Generator, seconds: float, rate_hz: float, top_hz: float = 110.0) -> FloatArray:
    """Noise through a subwoofer crossover, swelling and fading: no two half-cycles alike."""
    n = int(seconds * rate_hz)
    sos = signal.butter(3, [28, top_hz], "bandpass", fs=rate_hz, output="sos")
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.1, 0.4) * np.arange(n) / rate_hz + rng.uniform(0, 6))
    return _normalised(signal.sosfilt(sos, rng.standard_normal(n)) * swell)


def saw_bass(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Saw and square synthesiser notes through a 24 dB/octave low-pass that opens and closes."""
    n = int(seconds * rate_hz)
    out = np.zeros(n)
    at_s = 0.05
    while at_s < seconds - 0.1:
        length_s = float(rng.choice([0.2, 0.4, 0.8]))
        first, last = int(at_s * rate_hz), min(n, int((at_s + length_s) * rate_hz))
        t = np.arange(last - first) / rate_hz
        phase = rng.uniform(36, 90) * t + rng.uniform()
        raw = 2 * (phase % 1) - 1 if rng.uniform() < 0.6 else np.sign((phase % 1) - rng.uniform(0.4, 0.6))
        sos = signal.butter(4, rng.uniform(80, 300), fs=rate_hz, output="sos")
        env = np.minimum(np.clip(t / 0.004, 0, 1), np.clip((t[-1] - t) / 0.02, 0, 1)) * np.exp(-t / rng.uniform(0.3, 2))
        out[first:last] += signal.sosfilt(sos, raw * env) * rng.uniform(0.4, 1.0)
        at_s += length_s
    sos = signal.butter(2, 20, "highpass", fs=rate_hz, output="sos")
    return _normalised(signal.sosfilt(sos, out))


def fm_bass(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Frequency-modulated notes with glides and vibrato, through a crossover at 120 Hz."""
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    steps = np.repeat(41.2 * 2 ** (rng.integers(0, 15, int(seconds / 0.5) + 1) / 12), int(0.5 * rate_hz))[:n]
    glide = signal.lfilter([1 - np.exp(-1 / (0.03 * rate_hz))], [1, -np.exp(-1 / (0.03 * rate_hz))], steps - 60) + 60
    phase = 2 * np.pi * np.cumsum(glide * (1 + 0.01 * np.sin(2 * np.pi * 5 * t))) / rate_hz
    index = 1.5 * np.exp(-(t % 0.5) / 0.15)
    env = (
        np.exp(-(t % 0.5) / rng.uniform(0.3, 1.2))
        * np.repeat(rng.uniform(0.3, 1.0, int(seconds / 0.5) + 1), int(0.5 * rate_hz))[:n]
    )
    sos = signal.butter(4, 120, fs=rate_hz, output="sos")
    return _normalised(signal.sosfilt(sos, env * np.sin(phase + index * np.sin(2 * phase))))


def full_range(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """A bass line, chords, and noise bursts like drums and cymbals, falling about 4 dB an octave."""
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    out = bass_line(rng, seconds, rate_hz) * 0.6
    for _ in range(int(seconds * 6)):
        first = int(rng.uniform(0, seconds - 0.3) * rate_hz)
        length = min(n - first, int(rng.uniform(0.15, 0.8) * rate_hz))
        tt = t[:length]
        pitch_hz = float(110 * 2 ** rng.uniform(0, 3.5))
        note = sum(
            np.sin(2 * np.pi * pitch_hz * k * tt + rng.uniform(0, 6)) / k**1.2
            for k in range(1, 9)
            if pitch_hz * k < 9000
        )
        out[first : first + length] += 0.12 * note * np.exp(-tt / rng.uniform(0.05, 0.4))
    for _ in range(int(seconds * 4)):
        first = int(rng.uniform(0, seconds - 0.2) * rate_hz)
        length = min(n - first, int(0.15 * rate_hz))
        low_hz = float(rng.choice([200, 800, 3000]))
        sos = signal.butter(2, [low_hz, low_hz * 4], "bandpass", fs=rate_hz, output="sos")
        burst = signal.sosfilt(sos, rng.standard_normal(length)) * np.exp(-t[:length] / 0.03)
        out[first : first + length] += 0.25 * burst / np.max(np.abs(burst))
    return _normalised(out)


TUNING: dict[str, Callable[..., FloatArray]] = {"bass_line": bass_line, "kick_and_sub": kick_and_sub, "tone": tone}
SCORING: dict[str, Callable[..., FloatArray]] = {"sub_noise": sub_noise, "saw_bass": saw_bass, "fm_bass": fm_bass}


# ---- amplifier, supply, logger ---------------------------------------------------------------------------------------


def sagging_supply(rng: np.random.Generator, drive: FloatArray, rate_hz: float, sag_v: float) -> FloatArray:
    """Volts at the amplifier's supply terminals: open voltage less a lagged share of the output's power."""
    lag_s = rng.uniform(0.01, 0.05)
    keep = np.exp(-1 / (lag_s * rate_hz))
    power = signal.lfilter([1 - keep], [1, -keep], drive**2)
    n = len(drive)
    slow = 0.15 * np.sin(2 * np.pi * rng.uniform(0.02, 0.1) * np.arange(n) / rate_hz + rng.uniform(0, 6))
    return np.asarray(13.6 + slow - sag_v * power / max(float(np.max(power)), 1e-9))


def amplify(
    drive_v: FloatArray,
    rail_pos_v: FloatArray | float,
    rail_neg_v: FloatArray | float,
    softness: float = 0.0,
) -> FloatArray:
    """Limit a wanted output at its rails; softness 0 is a hard corner, 1 a hyperbolic tangent."""
    positive, negative = np.broadcast_to(rail_pos_v, drive_v.shape), np.broadcast_to(rail_neg_v, drive_v.shape)
    if softness <= 0:
        return np.clip(drive_v, -negative, positive)
    rail = np.where(drive_v >= 0, positive, negative)
    soft = rail * np.tanh(drive_v / rail)
    if softness >= 1:
        return np.asarray(soft)
    knee = 1 - softness  # linear up to this share of the rail
    over = np.maximum(np.abs(drive_v) / rail - knee, 0)
    return np.asarray(
        np.sign(drive_v) * rail * (np.minimum(np.abs(drive_v) / rail, knee) + softness * np.tanh(over / softness))
    )


def true_clips(
    wanted_v: FloatArray, rail_pos_v: FloatArray | float, rail_neg_v: FloatArray | float, rate_hz: float
) -> tuple[TrueClip, ...]:
    """Every run of samples in which the wanted output is beyond its rail."""
    found = []
    for polarity, sign, rail in (("positive", 1.0, rail_pos_v), ("negative", -1.0, rail_neg_v)):
        level = np.broadcast_to(rail, wanted_v.shape)
        ratio = sign * wanted_v / level
        over = np.concatenate(([False], ratio > 1, [False]))
        flips = np.flatnonzero(np.diff(over.astype(np.int8)))
        for first, last in zip(flips[::2], flips[1::2], strict=True):
            top = first + int(np.argmax(ratio[first:last]))
            overdrive = 20 * np.log10(float(ratio[top]))
            found.append(TrueClip(first / rate_hz, last / rate_hz, polarity, overdrive, float(wanted_v[top])))
    return tuple(sorted(found, key=lambda clip: clip.start_s))


def log(
    rng: np.random.Generator, volts: FloatArray, noise_v: float = NOISE_RMS_V, residue_codes: float = 0.7
) -> FloatArray:
    """What the logger makes of volts given at eight times its rate: band limit, converter residue, noise."""
    taps = signal.firwin(24 * OVERSAMPLING + 1, 0.93 / OVERSAMPLING, window=("kaiser", 8.0))
    low = signal.upfirdn(taps, volts, 1, OVERSAMPLING)[12 : 12 + len(volts) // OVERSAMPLING]
    if residue_codes:
        middle_v = 6.5
        for side in (0.5, -0.5):
            terminal_v = middle_v + side * low
            saw = ((terminal_v - 16.0) / 32.0) % 1.0 - 0.5  # four steps over the converter's range
            low = low + np.sign(side) * 2 * residue_codes * CODE_V * saw
    return np.asarray(low + rng.standard_normal(len(low)) * noise_v)


def log_supply(rng: np.random.Generator, volts: FloatArray, noise_v: float = 0.006) -> FloatArray:
    """The supply as logged: like `log`, on the finer scale of that input."""
    return log(rng, volts, noise_v, 0.0)
