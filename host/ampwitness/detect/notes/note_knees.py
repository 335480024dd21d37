"""Where a trace leaves zero for good: corners by least squares, out of silence on the samples as they came."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

KNEE_BACK = 10
KNEE_AHEAD = 5
LEAST_SIGMAS = 6.0
MODEL_RATIO = 0.002  # of the peak: what no shape of a corner describes
# A wave out of silence fades in as often as not; what departs from another is struck.
_FADES_RAW, _FADES_SLOW = 1.0, 0.1
_FINE = 16  # corners tried a slow sample

Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class KneeTable:
    """Two pairs of shapes behind each corner tried and 0 before, as the filter leaves them: c1 u + c2 u^2, how a wave
    that sounds at once leaves zero, and c2 u^2 + c3 u^3, how one does that fades in. Each pair is made orthonormal, so
    that the squares of two products say how much of a trace it explains."""

    shapes: FloatArray  # (n, 4 c)
    back: FloatArray  # (c,) slow samples from the corner to the first sample above the limit
    fades_odds: float  # how much likelier than a start at once a fade is thought to be ahead of looking

    def best(self, y: FloatArray, noise_v: FloatArray) -> FloatArray:
        """How far before the first sample above its limit each row's corner lies, slow samples: the mean over corners
        and pairs, each weighed by how likely the noise makes it."""
        k, c = len(y), len(self.back)
        gained = ((y @ self.shapes) ** 2).reshape(k, 2, 2, c).sum(axis=2)
        odds = (gained - gained.max(axis=(1, 2), keepdims=True)) / (2.0 * noise_v * noise_v)[:, None, None]
        weights = (np.exp(np.maximum(odds, -700.0)) * np.array([1.0, self.fades_odds])[None, :, None]).sum(axis=1)
        out: FloatArray = (weights @ self.back) / weights.sum(axis=1)
        return out


def _knee_table(one: FloatArray, two: FloatArray, three: FloatArray, back: FloatArray, odds: float) -> KneeTable:
    pairs = (*_orthonormal(one, two), *_orthonormal(two, three))
    return KneeTable(np.concatenate(pairs, axis=1), back, odds)


def _orthonormal(one: FloatArray, two: FloatArray) -> tuple[FloatArray, FloatArray]:
    one = one / np.maximum(np.linalg.norm(one, axis=0), 1e-12)
    two = two - one * np.sum(one * two, axis=0)
    size = np.linalg.norm(two, axis=0)
    return one, np.where(size > 1e-9, two / np.maximum(size, 1e-12), 0.0)


def knee_tables(taps: FloatArray, factor: int) -> list[KneeTable]:
    """What a wave that begins between two slow samples leaves behind the low-pass `taps`: a table for each number of
    samples (0 to KNEE_AHEAD - 1) that are known behind the beginning; `factor` samples make a slow one."""
    back = np.arange(0, 8 * _FINE) / _FINE
    weights = taps / taps.sum()
    at = (np.arange(len(taps)) - len(taps) // 2) / factor
    tables = []
    for n_last in range(KNEE_AHEAD):
        sample = np.arange(-KNEE_BACK, n_last + 1)
        u = np.maximum(sample[:, None, None] + back[None, :, None] + at[None, None, :], 0.0)
        tables.append(_knee_table(u @ weights, (u * u) @ weights, (u**3) @ weights, back, _FADES_SLOW))
    return tables


def _raw_table(n_back: int, n_last: int, ms: int) -> KneeTable:
    back = np.arange(0.0, 5.6 * ms, 0.5)
    u = np.maximum(np.arange(-n_back, n_last + 1)[:, None] + back[None, :], 0.0) / ms
    return _knee_table(u, u * u, u**3, back, _FADES_RAW)


class RawKnees:
    """Dates a departure from silence on the samples as they came: a corner is sharper there.

    Parameters
    ----------
    rate_hz : samples a second
    """

    def __init__(self, rate_hz: float) -> None:
        self._ms = max(1, round(0.001 * rate_hz))
        self.before, self.behind = 14 * self._ms, 36 * self._ms
        self._back = 7 * self._ms
        self._lasts = sorted({max(3, round(f * self._ms)) for f in (1.0, 1.5, 2.0, 3.0, 4.0)})
        self._tables = {n: _raw_table(self._back, n, self._ms) for n in self._lasts}

    def find(self, raw: FloatArray, lull_from: Places) -> FloatArray:
        """Corners, samples from the start of each row; NaN where the noise is too near.

        Parameters
        ----------
        raw : (k, before + behind) samples, the departure as it is known at number `before`
        lull_from : (k,) first of them that lie in the silence ahead
        """
        k, n = raw.shape
        ms, at = self._ms, self.before
        number = np.arange(n)[None, :]
        still = (number >= lull_from[:, None]) & (number < at - 3 * ms)
        count = np.maximum(still.sum(axis=1), 1)
        level = np.where(still, raw, 0.0).sum(axis=1) / count
        trace = raw - level[:, None]
        noise_v = np.sqrt(np.where(still, trace * trace, 0.0).sum(axis=1) / count)
        noise_v = np.maximum(noise_v, 1e-3)
        peak_v = np.abs(trace[:, at:]).max(axis=1)
        limit_v = np.maximum(LEAST_SIGMAS * noise_v, 0.01 * peak_v)
        size = np.abs(trace)
        above = (
            (size > limit_v[:, None])
            & (number >= np.maximum(lull_from, at - 5 * ms)[:, None])
            & (number < at + 10 * ms)
        )
        twice = np.cumsum(size > 2.0 * limit_v[:, None], axis=1)
        soon = np.concatenate((twice[:, 6 * ms :], np.repeat(twice[:, -1:], 6 * ms, axis=1)), axis=1)
        # For good: within the next 6 ms it doubles; a lone spike does not.
        above &= soon > twice - (size > 2.0 * limit_v[:, None])
        first = np.argmax(above, axis=1)
        is_there = above.any(axis=1) & (count > 3 * ms) & (peak_v > 60.0 * noise_v) & (first > self._back)
        first = np.clip(first, self._back, n - self._lasts[-1] - 1)
        out = np.full(k, np.nan)
        odds_v = np.maximum(noise_v, MODEL_RATIO * peak_v)
        grown = np.maximum(4.0 * limit_v, 0.08 * peak_v)
        ahead = np.take_along_axis(size, first[:, None] + np.arange(4 * ms + 1)[None, :], axis=1) > grown[:, None]
        last = np.where(ahead.any(axis=1), np.argmax(ahead, axis=1), 4 * ms)
        wanted = np.array(self._lasts)[np.minimum(np.searchsorted(self._lasts, last), len(self._lasts) - 1)]
        for n_last, table in self._tables.items():
            rows = np.flatnonzero(is_there & (wanted == n_last))
            if len(rows):
                near = first[rows, None] + np.arange(-self._back, n_last + 1)[None, :]
                out[rows] = first[rows] - table.best(np.take_along_axis(trace[rows], near, axis=1), odds_v[rows])
        return out
