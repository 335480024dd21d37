"""Volts of a sampled, band-limited signal behind a low-pass, at evenly spaced instants of another clock.

The converter looks at the continuous signal behind its RC, so what lies above half of *its* rate folds, as it does in
the real board; only the stimulus' own sampling is undone here.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from ampwitness.waveform.recursion import recur

Samples = npt.NDArray[np.float64]

HALF_WIDTH = 40  # samples of the windowed sinc on each side: flat to 0.455 of the rate
KAISER_BETA = 9.5  # side lobes below -95 dB
_DENSE = 1024  # points a sample on which the kernel is computed
_TAIL_TIME_CONSTANTS = 18  # e^-18 = 1.5e-8 of the step
_MAX_PERIOD = 4096
_TABLE_PHASES = 1024
_ROW_SCANS = 64
# Matrix products up to this size stay on one thread in the usual BLAS. On a busy machine its threads wait for one
# another and cost ten times what they save.
_MAX_PRODUCT = 262_144


class InstantSampler:
    """Samples one channel at positions first + k * step, in stimulus samples, k = 0, 1, 2 ...

    Parameters
    ----------
    step : stimulus samples from one scan to the next
    first : position of scan 0 in stimulus samples
    time_constant_samples : RC in stimulus samples (0: none)

    Scans are taken in whole groups of `group`; the result depends on the scan numbers only.
    """

    def __init__(self, step: Fraction, first: Fraction, time_constant_samples: float) -> None:
        self.step, self.first = step, first
        self.n_after = HALF_WIDTH
        self.n_before = HALF_WIDTH + math.ceil(_TAIL_TIME_CONSTANTS * time_constant_samples)
        self._kernel = _low_passed_sinc(time_constant_samples, self.n_before)
        self._n_taps = self.n_before + self.n_after + 1
        period = step.denominator
        if period <= _MAX_PERIOD:
            self.group = period * max(1, _ROW_SCANS // period)
            self._matrices = self._make_matrices()
        else:
            self.group = _ROW_SCANS
            self._matrices = []
            self._table = self._taps(np.arange(_TABLE_PHASES + 1) / _TABLE_PHASES)

    def range_for(self, scan: int, n: int) -> tuple[int, int]:
        """First stimulus sample, and the one past the last, that scans scan .. scan + n need."""
        first = math.floor(self.first + scan * self.step) - self.n_before
        return first, math.floor(self.first + (scan + n) * self.step) + self.n_after + 2

    def sample(self, column: Samples, column_start: int, scan: int, n: int) -> Samples:
        """Volts (n,) of scans scan .. scan + n, both whole groups; `column[0]` is stimulus sample `column_start`."""
        if scan % self.group or n % self.group:
            raise ValueError(f"scans {scan}..{scan + n} are not whole groups of {self.group}")
        if not self._matrices:
            return self._sample_by_table(column, column_start, scan, n)
        start = math.floor(self.first + scan * self.step) - self.n_before - column_start
        advance, n_rows = int(self.step * self.group), n // self.group
        sampled = np.empty((n_rows, self.group))
        for first_scan, first_tap, matrix in self._matrices:
            width, n_scans = matrix.shape
            windows = np.lib.stride_tricks.sliding_window_view(column[start + first_tap :], width)[::advance]
            at_once = max(1, _MAX_PRODUCT // matrix.size)
            for row in range(0, n_rows, at_once):
                piece = np.ascontiguousarray(windows[row : min(row + at_once, n_rows)])
                sampled[row : row + at_once, first_scan : first_scan + n_scans] = piece @ matrix
        return sampled.reshape(n)

    def _taps(self, fraction: Samples) -> Samples:
        """Weights (n, n_taps) of the stimulus samples idx - n_before .. idx + n_after at position idx + fraction."""
        reach = fraction[:, None] + (self.n_before - np.arange(self._n_taps))[None, :]
        taps = _between(self._kernel, (reach + HALF_WIDTH) * _DENSE)
        return np.asarray(taps / taps.sum(axis=1, keepdims=True))  # DC exact

    def _make_matrices(self) -> list[tuple[int, int, Samples]]:
        """One group's weights, cut into runs of scans: (first scan, first stimulus sample used, weights)."""
        positions = [self.first + k * self.step for k in range(self.group)]
        whole = np.array([math.floor(p) for p in positions]) - math.floor(self.first)
        taps = self._taps(np.array([float(p - math.floor(p)) for p in positions]))
        matrices = []
        for first in range(0, self.group, _ROW_SCANS):
            last = min(first + _ROW_SCANS, self.group)
            matrix = np.zeros((int(whole[last - 1] - whole[first]) + self._n_taps, last - first))
            for k in range(first, last):
                at = whole[k] - whole[first]
                matrix[at : at + self._n_taps, k - first] = taps[k]
            matrices.append((first, int(whole[first]), matrix))
        return matrices

    def _sample_by_table(self, column: Samples, column_start: int, scan: int, n: int) -> Samples:
        start = self.first + scan * self.step
        denominator = start.denominator * self.step.denominator
        at = start.numerator * self.step.denominator % denominator
        numerator = at + np.arange(n, dtype=np.int64) * (self.step.numerator * start.denominator)
        whole = numerator // denominator + (math.floor(start) - self.n_before - column_start)
        phase = (numerator % denominator) * (_TABLE_PHASES / denominator)
        lower = phase.astype(np.int64)
        rows = np.lib.stride_tricks.sliding_window_view(column, self._n_taps)[whole]
        early = np.einsum("ij,ij->i", rows, self._table[lower])
        late = np.einsum("ij,ij->i", rows, self._table[lower + 1])
        return np.asarray(early + (phase - lower) * (late - early))


def _low_passed_sinc(time_constant_samples: float, n_before: int) -> Samples:
    """Kaiser-windowed sinc behind a first-order low-pass, from -HALF_WIDTH samples on, _DENSE points a sample."""
    time = np.arange(-HALF_WIDTH * _DENSE, n_before * _DENSE + 2 * _DENSE) / _DENSE
    inside = np.abs(time) <= HALF_WIDTH
    window = np.zeros_like(time)
    window[inside] = np.i0(KAISER_BETA * np.sqrt(1 - (time[inside] / HALF_WIDTH) ** 2)) / np.i0(KAISER_BETA)
    kernel = np.sinc(time) * window
    if time_constant_samples > 0:
        kernel = _first_order_low_pass(kernel, 1 / (_DENSE * time_constant_samples))
    return np.asarray(kernel)


def _between(points: Samples, at: Samples) -> Samples:
    """Values at places between points, by the cubic through the four nearest: off by some 1e-12 of a kernel's peak."""
    first = np.clip(at.astype(np.int64) - 1, 0, len(points) - 4)
    u = at - first
    a, b, c = u - 1, u - 2, u - 3
    out: Samples = u * a * (b * points[first + 3] - 3 * c * points[first + 2]) / 6
    out += b * c * (3 * u * points[first + 1] - a * points[first]) / 6
    return out


def _first_order_low_pass(signal: Samples, x: float) -> Samples:
    """Exact response of a first-order low-pass to a signal straight between samples; x = interval / time constant."""
    decay = math.exp(-x)
    mean = -math.expm1(-x) / x
    driven = (1 - mean) * signal
    driven[1:] += (mean - decay) * signal[:-1]
    return np.asarray(recur(driven, (decay,)), dtype=np.float64)
