"""The fundamental of one note: sine fit with harmonics and a changing amplitude."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ampwitness.types import FloatArray

LOWEST_HZ = 19.0
HIGHEST_HZ = 123.5  # B2 is 123.47 Hz; a note just above 120 Hz still is what the player calls bass
_HARMONICS_TO_HZ = 280.0
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@dataclass(frozen=True, slots=True)
class Pitch:
    """Fundamental, and how much of the signal it and its harmonics explain."""

    frequency_hz: float
    explained_ratio: float
    amplitudes_v: tuple[float, ...]  # of fundamental and harmonics, peak


def name_pitch(frequency_hz: float) -> tuple[str, float]:
    """Nearest note of the equally tempered scale and the distance to it in cents. Source: ISO 16, A4 = 440 Hz."""
    number = 69.0 + 12.0 * math.log2(frequency_hz / 440.0)
    nearest = round(number)
    return f"{_NAMES[nearest % 12]}{nearest // 12 - 1}", 100.0 * (number - nearest)


def _fit(x: FloatArray, t: FloatArray, frequency_hz: float, weight: FloatArray) -> tuple[float, float, FloatArray]:
    """One step of the fit: correction of the frequency, explained share, amplitudes."""
    count = max(1, min(6, int(_HARMONICS_TO_HZ / frequency_hz)))
    angle = 2 * np.pi * frequency_hz * t
    columns = [np.ones(len(t))]
    for k in range(1, count + 1):
        columns += [np.cos(k * angle), np.sin(k * angle)]
    for k in range(1, min(count, 3) + 1):  # amplitude and phase of the lower ones may drift evenly
        columns += [t * np.cos(k * angle), t * np.sin(k * angle)]
    matrix = np.stack(columns, axis=1) * weight[:, None]
    y = x * weight
    gram = matrix.T @ matrix
    scale = 1.0 / np.sqrt(np.maximum(np.diag(gram), 1e-30))
    coefficients = scale * np.linalg.lstsq(gram * np.outer(scale, scale), scale * (matrix.T @ y), rcond=1e-9)[0]
    left = y - matrix @ coefficients
    level = y - weight * (weight @ y) / (weight @ weight)
    explained = 1.0 - float(left @ left) / max(float(level @ level), 1e-30)
    waves = coefficients[1 : 2 * count + 1].reshape(count, 2)
    drift = coefficients[2 * count + 1 :].reshape(-1, 2)
    amplitudes = np.hypot(waves[:, 0], waves[:, 1])
    # a cos + b sin with a drift (c, d) turns by (a d - b c) / (a^2 + b^2) rad/s; each harmonic votes by its strength.
    numerator = denominator = 0.0
    for k in range(1, len(drift) + 1):
        (a, b), (c, d) = waves[k - 1], drift[k - 1]
        numerator += k * (b * c - a * d)
        denominator += k * k * (a * a + b * b)
    return numerator / max(denominator, 1e-30) / (2 * np.pi), explained, amplitudes


def _refine(x: FloatArray, t: FloatArray, frequency_hz: float, weight: FloatArray) -> Pitch | None:
    width_hz = 1.0 / max(t[-1] - t[0], 1e-3)
    f = frequency_hz
    for _ in range(6):
        step, _, _ = _fit(x, t, f, weight)
        step = float(np.clip(step, -0.3 * width_hz, 0.3 * width_hz))
        f += step
        if not LOWEST_HZ * 0.8 < f < 320.0 or abs(f - frequency_hz) > 1.5 * width_hz:
            return None
        if abs(step) < 1e-4 * f * 0.05:
            break
    _, explained, amplitudes = _fit(x, t, f, weight)
    return Pitch(f, explained, tuple(float(a) for a in amplitudes))


def measure_pitch(slow: FloatArray, rate_hz: float) -> Pitch | None:
    """Fundamental of what sounds in `slow`.

    Parameters
    ----------
    slow : (n,) volts at about 1000 samples a second, low-pass at 300 Hz, of one note without its attack
    rate_hz : its rate

    Returns
    -------
    Pitch (its frequency may lie outside the bass), or None where no sine fits.

    Limits
    ------
    Needs two periods. A note without its fundamental (weaker than 1/12 of its strongest partial) is given the pitch of
    its lowest partial that is there. Of two notes at once the stronger is named.

    Source
    ------
    Least-squares sine fit with the frequency as a parameter, as IEEE 1057 describes it, with harmonics added.
    """
    n = len(slow)
    if n < 0.030 * rate_hz:
        return None
    x = slow - slow.mean()
    t = (np.arange(n) - 0.5 * (n - 1)) / rate_hz
    window = np.hanning(n + 2)[1:-1]
    size = 1 << max(13, (4 * n - 1).bit_length())
    power = np.abs(np.fft.rfft(x * window, size)) ** 2
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    inside = (f >= LOWEST_HZ * 0.9) & (f <= 260.0)
    if not inside.any() or power[inside].max() <= 0:
        return None
    strongest_hz = float(f[inside][int(np.argmax(power[inside]))])
    weight = np.sqrt(window + 0.05)
    best: Pitch | None = None
    for divisor in (1, 2, 3, 4):
        if strongest_hz / divisor < LOWEST_HZ:
            break
        pitch = _refine(x, t, strongest_hz / divisor, weight)
        if pitch is None:
            continue
        if best is None:
            best = pitch
            continue
        # A lower octave must be there, not only fit better: half the rest explained, and a fundamental of its own.
        has_root = pitch.amplitudes_v[0] > max(pitch.amplitudes_v) / 12.0
        rest_before, rest_now = 1.0 - best.explained_ratio, 1.0 - pitch.explained_ratio
        if has_root and rest_before > 4e-4 and rest_now < 0.4 * rest_before:
            best = pitch
    return best


def measure_pair(slow: FloatArray, rate_hz: float) -> tuple[Pitch, float] | None:
    """Two notes at once, where one alone does not explain what sounds.

    Returns
    -------
    Pitch of the stronger, with the share both explain, and the frequency of the weaker; None where two lines cannot
    be told apart.
    """
    n = len(slow)
    if n < 0.200 * rate_hz:
        return None
    x = slow - slow.mean()
    t = (np.arange(n) - 0.5 * (n - 1)) / rate_hz
    window = np.hanning(n + 2)[1:-1]
    size = 1 << max(13, (4 * n - 1).bit_length())
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    power = np.abs(np.fft.rfft(x * window, size)) ** 2
    power[(f < LOWEST_HZ) | (f > HIGHEST_HZ)] = 0.0
    lines: list[float] = []
    for _ in range(2):
        top = int(np.argmax(power))
        if power[top] <= 0 or top in (0, len(f) - 1):
            return None
        lines.append(float(f[top]))
        power[np.abs(f - f[top]) < 1.5 * rate_hz / n] = 0.0
    columns = [np.ones(n)]
    for hz in lines:
        for k in range(1, max(1, min(4, int(_HARMONICS_TO_HZ / hz))) + 1):
            columns += [np.cos(2 * np.pi * k * hz * t), np.sin(2 * np.pi * k * hz * t)]
    matrix = np.stack(columns, axis=1) * window[:, None]
    y = x * window
    coefficients = np.linalg.lstsq(matrix, y, rcond=1e-6)[0]
    left = y - matrix @ coefficients
    explained = 1.0 - float(left @ left) / max(float(y @ y), 1e-30)
    return Pitch(lines[0], explained, (float(np.hypot(coefficients[1], coefficients[2])),)), lines[1]
