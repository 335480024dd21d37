"""What the volts did between the samples: band-limited interpolation and the peak found with it.

The idea of the peak is that of Rec. ITU-R BS.1770, Annex 2: raise the rate by a whole factor, take the highest
magnitude, and state how much a tone can still slip between the points: 20 lg cos(pi f / (factor x rate)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, Segment
from ampwitness.waveform.response import PASS_FRACTION

HALF_TAPS = 24  # samples of the kernel to each side
_KAISER_BETA = 8.0  # ripple below 0.01 % up to 0.85 of Nyquist, measured in the tests
_ROW = 64
_ROWS_AT_ONCE = 64


@lru_cache(maxsize=16)
def _banded(factor: int, single: bool) -> npt.NDArray[np.floating[Any]]:
    """(2 _ROW, _ROW x factor): rows of samples to rows of points, point p of sample k in column k x factor + p."""
    offset = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)  # sample positions relative to the one before the point
    matrix = np.zeros((2 * _ROW, _ROW * factor))
    for phase in range(factor):
        distance = phase / factor - offset
        window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1 - (distance / HALF_TAPS) ** 2))) / np.i0(_KAISER_BETA)
        taps = np.sinc(distance) * window
        taps /= taps.sum()
        for sample in range(_ROW):
            matrix[sample + 1 : sample + 1 + 2 * HALF_TAPS, sample * factor + phase] = taps
    return matrix.astype(np.float32 if single else np.float64)


def interpolate(volts: FloatArray, factor: int) -> FloatArray:
    """Band-limited values at `factor` times the rate.

    Parameters
    ----------
    volts : (n,) samples of one unbroken segment, volts
    factor : points a sample, 1 or more

    Returns
    -------
    ((n - 1) factor + 1,) volts of the same dtype; every factor-th one is a sample, unchanged.

    Raises
    ------
    ValueError : `factor` below 1.

    Gaps
    ----
    Points between samples that have fewer than HALF_TAPS samples on either side are NaN: nothing is made up at a
    segment's ends. A segment of fewer than 2 HALF_TAPS samples has samples only.

    Limits
    ------
    Right to 0.01 % up to 0.85 of Nyquist, which is also where the assembled volts end.

    Source
    ------
    Kaiser-windowed sinc, our choice, measured in tests/waveform/test_bandlimited.py.
    """
    if factor < 1:
        raise ValueError(f"the factor must be 1 or more, got {factor}")
    volts = np.asarray(volts)
    if volts.dtype != np.float32:
        volts = volts.astype(np.float64)
    n = len(volts)
    if factor == 1 or n == 0:
        return volts.copy()
    matrix = _banded(factor, volts.dtype == np.float32)
    n_rows = -(-n // _ROW)
    padded = np.zeros((n_rows + 1, _ROW), dtype=volts.dtype)
    padded.reshape(-1)[HALF_TAPS : HALF_TAPS + n] = volts  # point row r needs samples 64 r - 24 .. 64 r + 103
    points = np.empty((n_rows, _ROW * factor), dtype=volts.dtype)
    for row in range(0, n_rows, _ROWS_AT_ONCE):
        stop = min(row + _ROWS_AT_ONCE, n_rows)
        points[row:stop] = padded[row:stop] @ matrix[:_ROW] + padded[row + 1 : stop + 1] @ matrix[_ROW:]
    flat = points.reshape(-1)[: (n - 1) * factor + 1]
    flat[: (HALF_TAPS - 1) * factor] = np.nan
    flat[max(0, n - HALF_TAPS) * factor :] = np.nan
    flat[::factor] = volts
    return flat


@dataclass(frozen=True, slots=True)
class Peak:
    """Largest magnitude between and on the samples, with its sign and instant, and how much a tone at `highest_hz`
    may have slipped through (dB, 0 or more: the true peak is at most so much higher)."""

    peak_v: float
    time_s: float
    under_read_db: float
    highest_hz: float


def under_read_db(highest_hz: float, rate_hz: float, factor: int) -> float:
    """Most a tone's peak can be under-read on points at `factor` times `rate_hz`: -20 lg cos(pi f / (factor rate))."""
    return -20.0 * math.log10(math.cos(math.pi * highest_hz / (factor * rate_hz)))


def volts_from_rest(volts: FloatArray) -> FloatArray:
    """(n,) volts about 0. What never crosses 0, as the terminal of a stage on one supply, swings about its mean."""
    if float(volts.min()) <= 0.0 <= float(volts.max()):
        return volts
    return np.asarray(volts - np.mean(volts, dtype=np.float64), dtype=volts.dtype)


def peak(segment: Segment, factor: int = 8, highest_hz: float | None = None) -> Peak:
    """Band-limited peak of an unbroken segment.

    Parameters
    ----------
    segment : at least one sample
    factor : points a sample
    highest_hz : highest frequency in the signal, Hz; None: PASS_FRACTION of Nyquist, where assembled volts end

    Returns
    -------
    Peak; `peak_v` carries its sign.

    Raises
    ------
    ValueError : no samples.

    Gaps
    ----
    In the first and last HALF_TAPS samples only the samples themselves count.

    Limits
    ------
    `under_read_db` holds for a steady tone; noise is part of what is found.

    Source
    ------
    Idea: Rec. ITU-R BS.1770-5, Annex 2.
    """
    if len(segment.volts) == 0:
        raise ValueError("a segment without samples has no peak")
    highest = PASS_FRACTION * segment.rate_hz / 2 if highest_hz is None else highest_hz
    points = interpolate(segment.volts, factor)
    magnitude = np.abs(points)
    magnitude[np.isnan(magnitude)] = -1.0
    at = int(np.argmax(magnitude))
    return Peak(
        peak_v=float(points[at]),
        time_s=segment.start_s + at / (factor * segment.rate_hz),
        under_read_db=under_read_db(highest, segment.rate_hz, factor),
        highest_hz=highest,
    )
