"""More material for scoring: limited masters, square bass, music through a subwoofer crossover, recorded sounds.

Each maker returns (n,) with peak 1, like those of clip_signals.py. Recorded sounds are never kept in the project: they
are read at run time, on request, from a folder (the Debian package sonic-pi-samples puts 165 of them into
/usr/share/sonic-pi/samples; those named in RECORDED are CC0 by its copyright file).
"""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

import numpy as np
from scipy import ndimage, signal

from ampwitness.bench import clip_signals, music
from ampwitness.types import FloatArray

RECORDED = (
    "bass_dnb_f", "bass_drop_c", "bass_hard_c", "bass_hit_c", "bass_thick_c", "bass_trance_c", "bass_woodsy_c",
    "bd_808", "bd_ada", "bd_boom", "bd_fat", "bd_gas", "bd_haus", "bd_klub", "bd_pure", "bd_tek", "bd_zome",
    "drum_bass_hard", "drum_bass_soft", "drum_heavy_kick", "drum_tom_lo_hard", "drum_tom_mid_soft",
    "loop_amen", "loop_breakbeat", "loop_compus", "loop_garzul", "loop_industrial", "loop_mika", "loop_safari",
)  # fmt: skip
_DECODED_RATE_HZ = 48_000


def normalised(x: FloatArray) -> FloatArray:
    """Peak 1."""
    return np.asarray(x / np.max(np.abs(x)))


def notes(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """A bass line of plucked, held and struck notes."""
    line = music.bass_line(rng, 0.1, seconds - 0.1, peaks=(0.35, 1.0), beat_s=float(rng.uniform(0.35, 0.7)))
    return normalised(music.play(line, seconds, rate_hz, rng)[0])


def crossover(x: FloatArray, rate_hz: float, top_hz: float, low_hz: float = 22.0) -> FloatArray:
    """What a subwoofer's crossover leaves: 24 dB an octave above, a subsonic filter of 12 dB an octave below."""
    low = signal.butter(2, top_hz, fs=rate_hz, output="sos")  # twice: a Linkwitz-Riley of fourth order
    high = signal.butter(2, low_hz, "highpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(np.vstack((low, low, high)), x))


def crossed_music(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Full-range music of our making through a subwoofer crossover between 70 and 130 Hz."""
    whole = clip_signals.full_range(rng, seconds, rate_hz)
    kicks = clip_signals.kick_and_sub(rng, seconds, rate_hz)
    return normalised(crossover(whole + rng.uniform(0.3, 0.8) * kicks, rate_hz, rng.uniform(70, 130)))


def bright_plucks(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """A plucked string picked up near its end, a dozen stiff partials and no filter: kinked waves at many heights."""
    out = np.zeros(int(seconds * rate_hz))
    beat_s = float(rng.uniform(0.15, 0.4))
    at_s = 0.05
    while at_s < seconds - 0.1:
        first = int(at_s * rate_hz)
        t = np.arange(min(len(out) - first, int(rng.uniform(0.8, 1.6) * beat_s * rate_hz))) / rate_hz
        pitch_hz = 41.2 * 2 ** (rng.integers(0, 16) / 12)
        note = np.zeros(len(t))
        for k in range(1, 13):
            size = abs(np.sin(np.pi * k * 0.18)) / k**1.3
            partial_hz = pitch_hz * k * np.sqrt(1 + 2e-4 * k * k)
            note += size * np.sin(2 * np.pi * partial_hz * t + rng.uniform(0, 1)) * np.exp(-t * (1.5 + 0.6 * k))
        note *= (1 - np.exp(-t / 0.002)) * np.clip((t[-1] - t) / 0.01, 0, 1)
        out[first : first + len(t)] += note * rng.uniform(0.5, 1.0)
        at_s += beat_s
    return normalised(out)


def organ_pedal(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Held notes of six drawbars each, of any strength and phase: steady waves that no two notes share."""
    out = np.zeros(int(seconds * rate_hz))
    at_s = 0.05
    while at_s < seconds - 0.1:
        first = int(at_s * rate_hz)
        length_s = float(rng.uniform(0.4, 1.5))
        t = np.arange(min(len(out) - first, int(length_s * rate_hz))) / rate_hz
        pitch_hz = float(rng.uniform(35, 80))
        note = np.zeros(len(t))
        for k, most in ((1, 1.0), (2, 0.7), (3, 0.5), (4, 0.4), (6, 0.3), (8, 0.2)):
            note += rng.uniform(0, most) * np.sin(2 * np.pi * pitch_hz * k * t + rng.uniform(0, 6))
        note *= np.clip(t / 0.02, 0, 1) * np.clip((t[-1] - t) / 0.02, 0, 1)
        out[first : first + len(t)] += note * rng.uniform(0.7, 1.0)
        at_s += length_s
    return normalised(out)


def square_bass(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Square notes, rounded above and tilted below: flat tops of their own, at many levels."""
    out = np.zeros(int(seconds * rate_hz))
    at_s = 0.05
    while at_s < seconds - 0.3:
        length_s = float(rng.choice([0.25, 0.5, 0.75]))
        first = int(at_s * rate_hz)
        t = np.arange(min(len(out) - first, int(length_s * rate_hz))) / rate_hz
        edge = 0.03 + 0.1 * rng.uniform()
        wave = np.clip(np.sin(2 * np.pi * rng.uniform(36, 80) * t) / edge, -1, 1)
        envelope = np.minimum(np.clip(t / 0.005, 0, 1), np.clip((t[-1] - t) / 0.02, 0, 1))
        out[first : first + len(t)] += wave * envelope * rng.uniform(0.4, 1.0)
        at_s += length_s
    low = signal.butter(2, rng.uniform(250, 600), fs=rate_hz, output="sos")
    high = signal.butter(1, rng.uniform(4, 20), "highpass", fs=rate_hz, output="sos")
    return normalised(signal.sosfilt(np.vstack((low, high)), out))


def limited(x: FloatArray, rate_hz: float, over_db: float = 6.0, window_s: float = 0.01) -> FloatArray:
    """A look-ahead limiter as in mastering: crest after crest at one level, none of them cut off."""
    wide = max(3, round(window_s * rate_hz) | 1)
    need = np.minimum(1.0, 10 ** (-over_db / 20) / np.maximum(np.abs(normalised(x)), 1e-9))
    held = ndimage.minimum_filter1d(need, 2 * wide + 1)
    window = signal.windows.hann(2 * wide + 1)
    gain = signal.oaconvolve(np.pad(held, wide, mode="edge"), window / window.sum(), mode="valid")
    return normalised(x * gain)


def recorded(rng: np.random.Generator, seconds: float, rate_hz: float, folder: Path) -> FloatArray:
    """Recorded drums, bass notes and loops of a folder, on a beat, at other speeds and levels, overlapping."""
    out = np.zeros(int(seconds * rate_hz))
    at_s, beat_s = 0.05, float(rng.uniform(0.3, 0.6))
    names = [name for name in RECORDED if (folder / f"{name}.flac").exists()]
    while at_s < seconds - 0.3:
        sound = read_sound(folder / f"{names[int(rng.integers(len(names)))]}.flac")
        speed = float(rng.uniform(0.6, 1.2)) * _DECODED_RATE_HZ / rate_hz
        at = np.arange(int(min(len(sound) / speed, 3.0 * rate_hz))) * speed
        piece = np.interp(at, np.arange(len(sound)), sound)
        fade = np.clip((len(piece) - np.arange(len(piece))) / (0.02 * rate_hz), 0, 1)
        first = int(at_s * rate_hz)
        length = min(len(piece), len(out) - first)
        out[first : first + length] += (piece * fade)[:length] * rng.uniform(0.4, 1.0)
        at_s += beat_s * float(rng.choice([1, 1, 2]))
    return normalised(out)


def recorded_bass(rng: np.random.Generator, seconds: float, rate_hz: float, folder: Path) -> FloatArray:
    """The same through a subwoofer crossover."""
    return normalised(crossover(recorded(rng, seconds, rate_hz, folder), rate_hz, rng.uniform(70, 120)))


@cache
def read_sound(path: Path) -> FloatArray:
    """One sound as mono at 48 kHz, read by ffmpeg. Raises CalledProcessError where ffmpeg cannot."""
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-ac", "1", "-ar", str(_DECODED_RATE_HZ), "-f", "f32le", "-"]
    return np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, dtype="<f4")
