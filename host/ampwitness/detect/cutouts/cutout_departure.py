"""Where the waveform leaves what it did before: the instant at which a tone stops."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ampwitness.types import FloatArray

_ORDER = 36  # 36 ms at 1000 samples a second: two tones some hertz apart are told from one
_LEAST_SHARE = 1e-6
_SLOW_NOISE_V = 0.015
_KNEE_BACK_S = 0.007
_LEAST_SIGMAS = 6.0
_STEP = 32  # samples


@dataclass(frozen=True, slots=True)
class Departure:
    """When the waveform left the prediction, and how good that was."""

    at: float  # sample number, with a fraction
    noise_v: float  # rms of what the prediction left before


def predict_from(slow_before: FloatArray, slow_rate_hz: float) -> FloatArray:
    """Modes (complex exponents, 1/s) of the damped sines that carry on what was there.

    Parameters
    ----------
    slow_before : (n,) samples before the instant, about 1000 a second

    Returns
    -------
    (m,) complex: damping + 2 pi i frequency, one of each conjugate pair, at most 300 Hz.

    Source
    ------
    Linear prediction by least squares (Prony's method in its covariance form), of order 36, on the
    directions that stand out of the noise only, as Tufts and Kumaresan did; the numbers are our choice.
    """
    x = slow_before - slow_before.mean()
    order = min(_ORDER, len(x) // 3)
    if order < 2:
        return np.empty(0, dtype=complex)
    spans = np.lib.stride_tricks.sliding_window_view(x, order + 1)
    past, now = spans[:, :-1], spans[:, -1]
    values, vectors = np.linalg.eigh(past.T @ past)
    # Directions that hold no more than noise would only amplify it.
    kept_directions = values > max(_LEAST_SHARE * float(values[-1]), _SLOW_NOISE_V**2 * len(now))
    if not kept_directions.any():
        return np.empty(0, dtype=complex)
    basis = vectors[:, kept_directions]
    weights = basis @ ((basis.T @ (past.T @ now)) / values[kept_directions])
    roots = np.roots(np.concatenate(([1.0], -weights[::-1])))
    modes = np.log(roots[np.abs(roots) > 1e-6]) * slow_rate_hz
    frequency_hz = modes.imag / (2 * np.pi)
    # What dies within some milliseconds, or grows, is noise that the fit took for a mode.
    kept: FloatArray = modes[(frequency_hz > 5.0) & (frequency_hz < 300.0) & (modes.real > -60.0) & (modes.real < 15.0)]
    return kept


def extrapolate(before: FloatArray, n_after: int, rate_hz: float, modes: FloatArray) -> FloatArray:
    """Fit the modes to samples and carry them on: (len(before) + n_after,) volts predicted."""
    n, n_all = len(before), len(before) + n_after
    decays = (np.minimum(modes.real, 0.0) + 1j * modes.imag)[:, None] / rate_hz
    # exp(a + b) as a product: two short rows of exponentials make the long one.
    coarse = np.exp(decays * (np.arange(0, n_all, _STEP) - n))
    waves = coarse[:, :, None] * np.exp(decays * np.arange(_STEP))[:, None, :]
    waves = waves.reshape(len(modes), coarse.shape[1] * _STEP)[:, :n_all]
    rows = np.ones((2 * len(modes) + 1, n_all))
    rows[1::2], rows[2::2] = waves.real, waves.imag
    gram = rows[:, :n] @ rows[:, :n].T
    gram[np.diag_indices(len(gram))] *= 1.0 + 1e-9
    weights = np.linalg.lstsq(gram, rows[:, :n] @ before, rcond=1e-10)[0]
    predicted: FloatArray = weights @ rows
    return predicted


def find_departure(
    samples: FloatArray,
    rate_hz: float,
    n_before: int,
    at: int,
    slow_before: FloatArray,
    slow_rate_hz: float,
) -> Departure | None:
    """Where the waveform departs from what went before.

    Parameters
    ----------
    samples : (n,) volts around the instant; the first `n_before` certainly lie before it
    at : sample near the instant, from the level
    slow_before : the same stretch before, decimated, for the modes; empty: nothing but noise was there
    slow_rate_hz : its rate

    Returns
    -------
    Departure in numbers of `samples`, or None where nothing departs.

    Gaps
    ----
    The caller passes one run only.

    Limits
    ------
    What swells so slowly that it drowns in the noise for its first milliseconds is dated by its rise behind them.
    """
    modes = predict_from(slow_before, slow_rate_hz) if len(slow_before) >= 30 else np.empty(0, dtype=complex)
    predicted = extrapolate(samples[:n_before], len(samples) - n_before, rate_hz, modes)
    rest = samples - predicted
    stop = min(len(rest), at + round(0.030 * rate_hz))
    if stop - at < 4:
        return None
    smooth = _low_pass(rest, rate_hz, 0.0016)
    raw_noise_v, smooth_noise_v = _noise(rest[:n_before]), _noise(smooth[:n_before])
    raw_peak_v, smooth_peak_v = float(np.max(np.abs(rest[at:stop]))), float(np.max(np.abs(smooth[at:stop])))
    # What is carried on from modes drifts off a little by itself.
    least_ratio = 0.04 if len(modes) else 0.01
    # The unfiltered wave shows the sharpest corner; with little signal or much treble the filtered one does.
    if raw_peak_v > 60.0 * raw_noise_v:
        corner = _find_corner(rest, rate_hz, n_before, stop, raw_noise_v, raw_peak_v, least_ratio)
        noise_v = raw_noise_v
    else:
        corner = _find_corner(smooth, rate_hz, n_before, stop, smooth_noise_v, smooth_peak_v, least_ratio)
        noise_v = smooth_noise_v
    return None if corner is None else Departure(corner, noise_v)


def _low_pass(values: FloatArray, rate_hz: float, half_s: float) -> FloatArray:
    half = max(1, round(half_s * rate_hz))
    padded = np.concatenate((np.full(half, values[0]), values, np.full(half, values[-1])))
    out: FloatArray = np.convolve(padded, _hann_taps(half), "valid")
    return out


@lru_cache(maxsize=8)
def _hann_taps(half: int) -> FloatArray:
    taps: FloatArray = np.hanning(2 * half + 3)[1:-1]
    out: FloatArray = taps / taps.sum()
    return out


def _noise(values: FloatArray) -> float:
    return max(float(np.sqrt(np.mean(values**2))), 1e-6)


def _find_corner(
    trace: FloatArray, rate_hz: float, n_before: int, stop: int, noise_v: float, peak_v: float, least_ratio: float
) -> float | None:
    """First sample (with a fraction) at which `trace` leaves zero for good: a least-squares knee."""
    limit_v = max(_LEAST_SIGMAS * noise_v, least_ratio * peak_v)
    if peak_v < limit_v * 1.2:
        return None
    above = np.abs(trace[n_before // 2 : stop]) > limit_v
    # For good: within the next 6 ms most lies above, or it doubles; a lone spike does neither.
    hits = np.flatnonzero(above) + n_before // 2
    ahead = round(0.006 * rate_hz)
    first = next((int(i) for i in hits if float(np.max(np.abs(trace[i : i + ahead]))) > 2.0 * limit_v), None)
    if first is None:
        return float(hits[0]) if len(hits) else None
    ms = max(1, round(0.001 * rate_hz))
    if abs(trace[first]) > 5.0 * limit_v:
        return float(first)  # a step: it begins between this sample and the one before
    grown = np.flatnonzero(np.abs(trace[first : first + 4 * ms]) > max(4.0 * limit_v, 0.08 * peak_v))
    last = first + (int(grown[0]) if len(grown) else 4 * ms)
    last = min(max(last, first + max(3, ms)), len(trace) - 1)
    start = max(0, first - round(_KNEE_BACK_S * rate_hz))
    corners = np.arange(max(start + 2.0, first - _KNEE_BACK_S * rate_hz * 0.8), first + 0.01, 0.25)
    y = trace[start : last + 1]
    # One row a corner: y = c1 u + c2 u^2 behind it, zero before; what is left is smallest at the corner sought.
    u = np.maximum(np.arange(start, last + 1, dtype=float)[None, :] - corners[:, None], 0.0) / ms
    u2 = u * u
    a11, a12, a22 = np.sum(u2, axis=1), np.sum(u2 * u, axis=1), np.sum(u2 * u2, axis=1)
    b1, b2 = u @ y, u2 @ y
    det = a11 * a22 - a12 * a12
    is_sound = det > 1e-12 * np.maximum(a11 * a22, 1e-30)
    if not is_sound.any():
        return float(first)
    det = np.where(is_sound, det, 1.0)
    gained = (b1 * (b1 * a22 - b2 * a12) + b2 * (a11 * b2 - a12 * b1)) / det
    return float(corners[int(np.argmax(np.where(is_sound, gained, -np.inf)))])
