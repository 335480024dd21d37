"""What lies between a logged source and the output: learned from where the output is not cut off.

Gaps: works inside one stretch.
Limits: linear, and still for a stretch but for its gain: delay, coupling capacitors, tone controls, one crossover.
Source: least squares on delayed copies and on a chain of all-passes (Laguerre functions), our choice of poles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import recur

BoolArray = npt.NDArray[np.bool_]

MOST_LAG_S = 0.002
TAPS = 2  # copies to either side of the delay
CHAIN_HZ, CHAIN_ORDER = 90.0, 10  # low-pass and all-passes behind it: crossovers to 1 %, six leave 4 to 7 %
SLOW_HZ = 8.0  # coupling capacitors
MEMORY_S = 0.1  # of the response
PIECE_S, MOST_PIECES = 0.5, 24
LEAST_S = 2.0  # free of plateaus
RIDGE = 1e-7
GAIN_ROUNDS, MOST_GAIN = 4, 8.0
BLOCK_MEMORIES = 4  # a block of the convolution, in response lengths


@dataclass(frozen=True, slots=True)
class SourcePath:
    """The response from source to output, and what it leaves unexplained."""

    response: FloatArray  # sample k acts k - n_ahead samples later
    n_ahead: int
    misfit: float  # rms of what it leaves of the output where that is not cut off, of the output's rms


def learn_path(output_v: FloatArray, source_v: FloatArray, rate_hz: float, is_free: BoolArray) -> SourcePath | None:
    """The path, or None where too little of a stretch is free of plateaus.

    Parameters
    ----------
    output_v, source_v : (n,) V
    rate_hz : samples a second
    is_free : (n,) no plateau there
    """
    pieces = _choose(len(output_v), rate_hz)
    lag = _find_lag(output_v, source_v, rate_hz, is_free, pieces)
    warm = round(MEMORY_S * rate_hz)
    parts = []
    for first, last in pieces:
        rows = is_free[first:last].copy()
        rows[:warm] = False
        columns = _columns(source_v, first, last, lag, rate_hz)[rows]
        wanted = output_v[first:last][rows].astype(float)
        parts.append((columns.T @ columns, columns.T @ wanted, float(wanted @ wanted), len(wanted)))
    products, targets = np.array([part[0] for part in parts]), np.array([part[1] for part in parts])
    power_v2 = np.array([part[2] for part in parts])
    if sum(part[3] for part in parts) < LEAST_S * rate_hz or not power_v2.any():
        return None
    weights, misfit = _solve(products, targets, power_v2)
    n_ahead = max(0, TAPS - lag)
    size = warm + n_ahead
    impulse = np.zeros(size + abs(lag) + 2 * TAPS)
    at = abs(lag) + TAPS
    impulse[at] = 1.0
    response = _columns(impulse, at - n_ahead, len(impulse), lag, rate_hz, constant=0.0) @ weights
    return SourcePath(response[:size], n_ahead, misfit)


def _solve(products: FloatArray, targets: FloatArray, power_v2: FloatArray) -> tuple[FloatArray, float]:
    """Weights of the columns, and the misfit, from the normal equations of pieces each of which has a gain of its own:
    volume may be turned, and what was loud at one pitch and soft at another would be taken for a filter."""
    gain, weight = np.ones(len(power_v2)), np.ones(len(power_v2))
    for _ in range(GAIN_ROUNDS):
        normal, target = np.einsum("p,pij->ij", weight * gain**2, products), (weight * gain) @ targets
        scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
        weights = np.linalg.solve(normal / np.outer(scale, scale) + RIDGE * np.eye(len(scale)), target / scale) / scale
        made_v2 = np.einsum("i,pij,j->p", weights, products, weights)
        left_v2 = power_v2 - 2 * gain * (targets @ weights) + gain**2 * made_v2
        # A piece in which volume is just being turned fits nothing, and would be fitted at the others' expense.
        share = np.maximum(left_v2, 0.0) / np.maximum(power_v2, 1e-12)
        weight = (power_v2 > 0) / np.maximum(power_v2 * np.maximum(share, np.median(share)), 1e-30)
        gain = np.clip((targets @ weights) / np.maximum(made_v2, 1e-30), 1 / MOST_GAIN, MOST_GAIN)
    return weights, float(np.sqrt(max(float(left_v2.sum()), 0.0) / power_v2.sum()))


def expected_volts(path: SourcePath, source_v: FloatArray, wanted: BoolArray) -> FloatArray:
    """(n,) what the path makes of the source, but for a constant; worked out only near wanted samples, else 0."""
    n, size = len(source_v), len(path.response)
    step = BLOCK_MEMORIES * size
    length = 1 << (step + size - 1).bit_length()
    step = length - size + 1
    spectrum = np.fft.rfft(path.response, length)
    out = np.zeros(n)
    for first in range(0, n, step):
        last = min(first + step, n)
        if not wanted[first:last].any():
            continue
        low, high = first + path.n_ahead - size + 1, last + path.n_ahead
        piece = np.zeros(length)
        piece[max(0, -low) : min(high, n) - low] = source_v[max(0, low) : min(high, n)]
        out[first:last] = np.fft.irfft(np.fft.rfft(piece) * spectrum, length)[size - 1 : size - 1 + last - first]
    return out


def _choose(n: int, rate_hz: float) -> list[tuple[int, int]]:
    """Pieces of a stretch, evenly over it."""
    size = round(PIECE_S * rate_hz)
    count = max(1, n // size)
    chosen = np.unique(np.linspace(0, count - 1, min(count, MOST_PIECES)).round().astype(int))
    return [(int(k) * size, min(n, (int(k) + 1) * size)) for k in chosen]


def _find_lag(
    output_v: FloatArray, source_v: FloatArray, rate_hz: float, is_free: BoolArray, pieces: list[tuple[int, int]]
) -> int:
    """Samples by which the output comes after the source, by the steps from one sample to the next."""
    most = round(MOST_LAG_S * rate_hz)
    sums = np.zeros(2 * most + 1)
    for first, last in pieces:
        length = 1 << (last - first + most).bit_length()
        free = is_free[first + 1 : last] & is_free[first : last - 1]
        out = np.fft.rfft(np.diff(output_v[first:last]) * free, length)
        into = np.fft.rfft(np.diff(source_v[first:last]), length)
        product = np.fft.irfft(out * np.conj(into), length)
        sums += np.concatenate((product[-most:], product[: most + 1]))
    return int(np.argmax(np.abs(sums))) - most


def _columns(
    source_v: FloatArray, first: int, last: int, lag: int, rate_hz: float, constant: float = 1.0
) -> FloatArray:
    """(last - first, columns) what the output may be made of."""
    n = len(source_v)
    at = np.arange(first - lag - TAPS, last - lag + TAPS)
    late = np.where((at >= 0) & (at < n), source_v[np.clip(at, 0, n - 1)], 0.0).astype(float)
    size = last - first
    columns = [late[k : k + size] for k in range(2 * TAPS + 1)]
    middle = columns[TAPS]
    for pole_hz, order in ((CHAIN_HZ, CHAIN_ORDER), (SLOW_HZ, 1)):
        pole = float(np.exp(-2 * np.pi * pole_hz / rate_hz))
        made = (1 - pole) * recur(middle, (pole,))
        columns.append(made)
        for _ in range(order - 1):
            before = np.concatenate(([0.0], made[:-1]))
            made = recur(before - pole * made, (pole,))
            columns.append(made)
    columns.append(np.full(size, constant))
    return np.stack(columns, axis=1)
