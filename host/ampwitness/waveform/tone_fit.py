"""Frequency, amplitude and phase of a tone: a first guess from a spectrum, then the four-parameter fit of IEEE 1057."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

_MAX_ITERATIONS = 30
_CONVERGED_CYCLES = 1e-9  # change of the frequency in cycles over the record
# Four-term Blackman-Harris: side lobes below -92 dB, main lobe 4 bins to each side.
_BLACKMAN_HARRIS = (0.35875, -0.48829, 0.14128, -0.01168)
MAIN_LOBE_BINS = 4
# Matrix products up to this size stay on one thread in the usual BLAS. On a busy machine its threads wait for one
# another: measured, 20 ms instead of 2 for a tenth of a second of a tone.
_MAX_PRODUCT = 262_144


@dataclass(frozen=True, slots=True)
class SineFit:
    """offset_v + amplitude_v sin(2 pi frequency_hz t + phase_rad), t from the first sample; residual is rms."""

    frequency_hz: float
    amplitude_v: float
    phase_rad: float
    offset_v: float
    residual_v: float
    is_converged: bool


def tone_window(n: int) -> npt.NDArray[np.float64]:
    """Four-term Blackman-Harris window, (n,), symmetric about the middle sample instant."""
    turn = 2 * np.pi * (np.arange(n) + 0.5) / n
    window = np.full(n, _BLACKMAN_HARRIS[0])
    for order, weight in enumerate(_BLACKMAN_HARRIS[1:], start=1):
        window += weight * np.cos(order * turn)
    return window


@lru_cache(maxsize=16)
def _hann_window(n: int) -> npt.NDArray[np.float64]:
    window: npt.NDArray[np.float64] = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
    window.flags.writeable = False
    return window


def find_strongest_hz(
    volts: FloatArray, rate_hz: float, lowest_hz: float = 0.0, highest_hz: float | None = None
) -> float:
    """Frequency of the strongest line of the spectrum, to a small part of a bin.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment, n >= 8
    rate_hz : samples a second
    lowest_hz, highest_hz : where to look; highest None: up to Nyquist

    Returns
    -------
    Hz; 0.0 where the segment is silent or too short.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    Two lines nearer than 4 bins are seen as one.

    Source
    ------
    Peak of a Hann-windowed spectrum, by a parabola through three logarithms: our choice, tests/waveform/
    test_tone_meter.py.
    """
    n = len(volts)
    if n < 8:
        return 0.0
    window = _hann_window(n)
    centred = np.asarray(volts, dtype=np.float64)
    centred = centred - float(window @ centred) / float(window.sum())
    transformed = np.fft.rfft(centred * window)
    spectrum = transformed.real**2 + transformed.imag**2  # power: its logarithm's parabola peaks in the same place
    bin_hz = rate_hz / n
    first = max(1, int(np.ceil(lowest_hz / bin_hz)))
    last = len(spectrum) - 1 if highest_hz is None else min(len(spectrum) - 1, int(highest_hz / bin_hz) + 1)
    if last <= first or spectrum[first:last].max() <= 0:
        return 0.0
    at = first + int(np.argmax(spectrum[first:last]))
    if 0 < at < len(spectrum) - 1 and min(spectrum[at - 1], spectrum[at + 1]) > 0:
        left, middle, right = np.log(spectrum[at - 1 : at + 2])
        curve = left - 2 * middle + right
        shift = 0.5 * (left - right) / curve if curve < 0 else 0.0
        return float((at + np.clip(shift, -0.5, 0.5)) * bin_hz)
    return float(at * bin_hz)


def fit_sine(
    volts: FloatArray, rate_hz: float, start_hz: float | None = None, weights: FloatArray | None = None
) -> SineFit:
    """The four-parameter sine fit: frequency, amplitude, phase and offset by least squares.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment, n >= 8
    rate_hz : samples a second
    start_hz : first guess, right to half a cycle over the record; None: the strongest line of the spectrum
    weights : (n,) weight of each sample, a taper that keeps harmonics out of the frequency; None: all alike

    Returns
    -------
    SineFit. Without weights `residual_v` is the NAD of IEEE 1057: root of the squared residuals over n - 4.

    Raises
    ------
    ValueError : fewer than 8 samples.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    A first guess more than about 0.6 cycle a record off diverges: `is_converged` is then False, or the fit has
    settled on another line; it is looked for within one cycle of the guess.

    Source
    ------
    IEEE 1057 / 1241, four-parameter fit: model A cos wt + B sin wt + C, extra column
    t (B cos wt - A sin wt), w updated.
    """
    n = len(volts)
    if n < 8:
        raise ValueError(f"a sine fit needs at least 8 samples, got {n}")
    samples: npt.NDArray[np.float64] = np.asarray(volts, dtype=np.float64)
    guess_hz = find_strongest_hz(samples, rate_hz) if start_hz is None else start_hz
    frequency_hz = guess_hz
    middle = (n - 1) / 2
    time = (np.arange(n) - middle) / rate_hz
    root = None if weights is None else np.sqrt(np.maximum(np.asarray(weights, dtype=np.float64), 0.0))
    length_s = n / rate_hz
    a = b = offset = 0.0
    is_converged = False
    for iteration in range(1, _MAX_ITERATIONS + 1):
        cosine, sine = np.cos(2 * np.pi * frequency_hz * time), np.sin(2 * np.pi * frequency_hz * time)
        columns = [cosine, sine, np.ones(n)]
        if iteration > 1:
            columns.append(2 * np.pi * time * (b * cosine - a * sine))
        basis = np.stack(columns, axis=1)
        target = samples
        if root is not None:
            basis, target = basis * root[:, np.newaxis], samples * root
        found = _solve(basis, target)
        a, b, offset = (float(value) for value in found[:3])
        if iteration > 1:
            step_hz = float(found[3])
            frequency_hz += float(np.clip(step_hz, -0.5 / length_s, 0.5 / length_s))
            if abs(step_hz) * length_s < _CONVERGED_CYCLES:
                is_converged = True
                break
        if abs(frequency_hz - guess_hz) * length_s > 1.0 or not np.isfinite(frequency_hz):
            break
    model = a * np.cos(2 * np.pi * frequency_hz * time) + b * np.sin(2 * np.pi * frequency_hz * time) + offset
    residual = samples - model
    phase = np.arctan2(a, b) - 2 * np.pi * frequency_hz * middle / rate_hz
    return SineFit(
        frequency_hz=float(frequency_hz),
        amplitude_v=float(np.hypot(a, b)),
        phase_rad=float(np.angle(np.exp(1j * phase))),
        offset_v=offset,
        residual_v=float(np.sqrt(residual @ residual / max(1, n - 4))),
        is_converged=is_converged,
    )


def _solve(basis: npt.NDArray[np.float64], target: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Least squares by the normal equations: few, well-scaled columns."""
    n_columns = basis.shape[1]
    rows = max(16, _MAX_PRODUCT // n_columns**2)
    gram = np.zeros((n_columns, n_columns))
    for row in range(0, len(basis), rows):
        piece = basis[row : row + rows]
        gram += piece.T @ piece
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    right = (basis.T @ target) / scale
    scaled = gram / np.outer(scale, scale)
    return np.asarray(np.linalg.lstsq(scaled, right, rcond=None)[0] / scale)


def fit_harmonics(
    volts: FloatArray, rate_hz: float, frequency_hz: float, n_harmonics: int
) -> tuple[npt.NDArray[np.complex128], float]:
    """Complex amplitudes of a tone's harmonics at a known frequency.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment
    rate_hz : samples a second
    frequency_hz : of the fundamental
    n_harmonics : highest order, all below Nyquist

    Returns
    -------
    (n_harmonics + 1,) complex amplitudes c, the signal being Re(c exp(2 pi i order frequency_hz t)) with t = 0 in the
    middle of the record; entry 0 is the mean, real. And the cycles in the record.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    From 9 cycles on by windowed projection, which a level that changes evenly does not disturb; below that by least
    squares, which takes the level as steady.

    Source
    ------
    Our choice, measured in tests/waveform/test_tone_meter.py.
    """
    samples: npt.NDArray[np.float64] = np.asarray(volts, dtype=np.float64)
    n = len(samples)
    cycles = n / rate_hz * frequency_hz
    time = (np.arange(n) - (n - 1) / 2) / rate_hz
    turn = np.exp(-2j * np.pi * frequency_hz * time)
    amplitudes = np.zeros(n_harmonics + 1, dtype=np.complex128)
    if cycles > 2 * MAIN_LOBE_BINS + 1:
        window = tone_window(n)
        window /= window.sum()
        amplitudes[0] = window @ samples
        rotated = window * (samples - amplitudes[0].real)
        rotated = rotated.astype(np.complex128)
        for order in range(1, n_harmonics + 1):
            rotated *= turn
            amplitudes[order] = 2 * rotated.sum()
        return amplitudes, cycles
    columns: list[npt.NDArray[np.float64]] = [np.ones(n)]
    power = np.ones(n, dtype=np.complex128)
    for _ in range(n_harmonics):
        power = power * turn
        columns += [power.real, -power.imag]
    found = _solve(np.stack(columns, axis=1), samples)
    amplitudes[0] = found[0]
    amplitudes[1:] = found[1::2] - 1j * found[2::2]
    return amplitudes, cycles


def level_trend(volts: FloatArray, rate_hz: float, frequency_hz: float) -> npt.NDArray[np.float64]:
    """How a tone's level changes evenly over a record: (n,) factors, 1 in the middle, never below a half.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment
    rate_hz : samples a second
    frequency_hz : of the tone

    Returns
    -------
    (n,) factors to divide by.

    Gaps
    ----
    Takes one unbroken segment.
    """
    n = len(volts)
    time = (np.arange(n) - (n - 1) / 2) / rate_hz
    cosine, sine = np.cos(2 * np.pi * frequency_hz * time), np.sin(2 * np.pi * frequency_hz * time)
    basis = np.stack([cosine, sine, time * cosine, time * sine, np.ones(n)], axis=1)
    a, b, more_a, more_b, _ = _solve(basis, np.asarray(volts, dtype=np.float64))
    slope = (a * more_a + b * more_b) / max(1e-30, a * a + b * b)
    most = 0.5 / max(1e-9, float(time[-1]))
    return np.asarray(1.0 + float(np.clip(slope, -most, most)) * time)


def synthesise(
    amplitudes: npt.NDArray[np.complex128], frequency_hz: float, n: int, rate_hz: float
) -> npt.NDArray[np.float64]:
    """Volts (n,) of the harmonics that `fit_harmonics` gave, its mean included."""
    time = (np.arange(n) - (n - 1) / 2) / rate_hz
    turn = np.exp(2j * np.pi * frequency_hz * time)
    volts = np.full(n, amplitudes[0].real)
    power = np.ones(n, dtype=np.complex128)
    for amplitude in amplitudes[1:]:
        power = power * turn
        volts += (amplitude * power).real
    return volts
