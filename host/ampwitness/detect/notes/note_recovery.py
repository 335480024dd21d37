"""How the supply comes back after each of many notes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

RECOVERY_S = 3.0
_LEAST_RISE_V = 0.020
_FIRST_BIN_S = 0.002
_BIN_GROWTH = 1.06
_LEAST_BINS = 10
_N_TAUS = 100
_SLOW_TAUS_S = (0.8, 1.4, 2.5)  # of a battery's slow part; common practice, no source


class RecoveryFitter:
    """Fits the time constant with which the supply comes back after each note.

    The stretch is averaged in steps that grow with time, so that fast and slow returns cost the same; each of a
    hundred time constants is fitted by least squares, once alone and once beside what goes on rising slowly (a straight
    line, or the slow part of a battery), and a parabola is laid through the best.

    Parameters
    ----------
    rate_hz : samples a second of the supply that is given
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        edges = [0]
        while edges[-1] < RECOVERY_S * rate_hz:
            wide = max(_FIRST_BIN_S, (_BIN_GROWTH - 1.0) * edges[-1] / rate_hz)
            edges.append(edges[-1] + max(1, round(wide * rate_hz)))
        self._edges = np.array(edges[:-1])
        self.taus_s = np.geomspace(1.5 * _FIRST_BIN_S, 0.5 * RECOVERY_S, _N_TAUS)
        a, b = self._edges[:-1] / rate_hz, self._edges[1:] / rate_hz
        tau = self.taus_s[:, None]
        self._waves = (tau * (np.exp(-a / tau) - np.exp(-b / tau)) / (b - a)).T  # (bins, taus)
        self._weights = np.diff(self._edges).astype(float)
        middle_s = 0.5 * (a + b) - 0.5 / rate_hz
        self._slow = [middle_s, *(-np.expm1(-middle_s / tau_s) for tau_s in _SLOW_TAUS_S)]
        # Sums over the first n bins, by n: of weights, waves, lines and their products.
        w = self._weights

        def running(values: FloatArray) -> FloatArray:
            out: FloatArray = np.concatenate((np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)))
            return out

        self._s0 = running(w)
        self._st, self._stt = [running(w * t) for t in self._slow], [running(w * t * t) for t in self._slow]
        self._se, self._see = running(w[:, None] * self._waves), running(w[:, None] * self._waves**2)
        self._ste = [running((w * t)[:, None] * self._waves) for t in self._slow]

    def fit(self, rows: Sequence[FloatArray]) -> tuple[FloatArray, list[str]]:
        """Time constants.

        Parameters
        ----------
        rows : (n,) volts each, from a note's end to the next onset, 3 s at most

        Returns
        -------
        (k,) seconds, NaN where none is given, and words that say how it was got or why not.
        """
        k, n_all = len(rows), len(self._weights)
        y = np.zeros((k, n_all))
        n_bins = np.searchsorted(self._edges, [len(row) for row in rows], side="right") - 1
        for place, row in enumerate(rows):
            n = int(n_bins[place])
            if n >= _LEAST_BINS:
                sums = np.add.reduceat(row[: self._edges[n]] - row[-1], self._edges[:n], dtype=np.float64)
                y[place, :n] = sums / self._weights[:n]
        inside = np.arange(n_all)[None, :] < n_bins[:, None]
        weighted = np.where(inside, y * self._weights, 0.0)
        flat = np.einsum("ij,ij->i", weighted, y) - weighted.sum(axis=1) ** 2 / np.maximum(self._s0[n_bins], 1.0)
        steps = np.where(inside[:, 1:], np.abs(np.diff(y, axis=1)) * np.sqrt(self._weights[:-1]), np.inf)
        steps.sort(axis=1)
        median = steps[np.arange(k), np.clip((n_bins - 1) // 2, 0, n_all - 2)]
        noise_v = 1.05 * np.where(np.isfinite(median), median, 0.0)  # of one sample's worth of averaging
        total_s = self._edges[np.maximum(n_bins, 0)] / self._rate_hz
        left, tau_s, rise_v = self._best(weighted, flat, n_bins, total_s, None)
        # What rises slowly must earn its place, and leaves only what is much faster than the stretch to the curve.
        unclear = np.flatnonzero((n_bins >= _LEAST_BINS) & (left > np.maximum(0.002 * flat, 1.5 * noise_v**2 * n_bins)))
        use_line = np.zeros(k, dtype=bool)
        if len(unclear):
            beside = self._best_beside(weighted[unclear], flat[unclear], n_bins[unclear], total_s[unclear])
            is_better = (beside[0] < 0.5 * left[unclear]) & (beside[1] < 0.25 * total_s[unclear])
            rows_better = unclear[is_better]
            use_line[rows_better] = True
            left[rows_better], tau_s[rows_better], rise_v[rows_better] = (values[is_better] for values in beside)
        least_v = np.maximum(_LEAST_RISE_V, 5.0 * noise_v / np.sqrt(self._weights[0]))
        reasons = (
            (n_bins < _LEAST_BINS, "less than 20 ms between the end of the note and the next onset"),
            (rise_v < least_v, "the supply rose by less than 20 mV after the note, or by no more than its noise"),
            (left > 0.1 * flat, "the supply did not come back as one exponential"),
            (tau_s > 0.485 * total_s, "the recovery was not over before the next onset"),
        )
        which = np.select([flags for flags, _ in reasons], [1, 2, 3, 4], default=0)
        good = ("one exponential", "one exponential beside a slow rise")
        words = [reasons[w - 1][1] if w else good[int(line)] for w, line in zip(which.tolist(), use_line, strict=True)]
        return np.where(which == 0, tau_s, np.nan), words

    def _best_beside(
        self, weighted: FloatArray, flat: FloatArray, n_bins: npt.NDArray[np.intp], total_s: FloatArray
    ) -> tuple[FloatArray, ...]:
        """What `_best` says beside that slow rise which leaves least."""
        beside = [self._best(weighted, flat, n_bins, total_s, slow) for slow in range(len(self._slow))]
        which = np.argmin(np.stack([left for left, _, _ in beside]), axis=0)
        return tuple(np.stack(parts)[which, np.arange(len(which))] for parts in zip(*beside, strict=True))

    def _best(
        self,
        weighted: FloatArray,
        flat: FloatArray,
        n_bins: npt.NDArray[np.intp],
        total_s: FloatArray,
        slow: int | None,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Squares left, time constant and rise of each row's best exponential."""
        row = np.arange(len(weighted))
        n = np.maximum(n_bins, 0)
        s0 = np.maximum(self._s0[n], 1e-12)
        sy = weighted.sum(axis=1)
        product = weighted @ self._waves - self._se[n] * (sy / s0)[:, None]
        norm = self._see[n] - self._se[n] ** 2 / s0[:, None]
        base = flat
        if slow is not None:
            st = self._st[slow][n]
            stt = np.maximum(self._stt[slow][n] - st**2 / s0, 1e-12)
            sty = weighted @ self._slow[slow] - st * sy / s0
            ste = self._ste[slow][n] - self._se[n] * (st / s0)[:, None]
            product = product - ste * (sty / stt)[:, None]
            norm = norm - ste * ste / stt[:, None]
            base = flat - sty * sty / stt
        norm = np.maximum(norm, 1e-9)
        gained = np.where(product < 0, product * product / norm, 0.0)  # it rises: the wave's share is negative
        gained[self.taus_s[None, :] > (0.51 * total_s)[:, None]] = 0.0
        top = np.argmax(gained, axis=1)
        middle = np.clip(top, 1, _N_TAUS - 2)
        a, b, c = (gained[row, middle + d] for d in (-1, 0, 1))
        bend = a - 2 * b + c
        shift = np.where((bend < 0) & (a > 0) & (c > 0), 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
        shift = np.where(middle == top, np.clip(shift, -0.5, 0.5), 0.0)
        ratio = float(self.taus_s[1] / self.taus_s[0])
        rise_v = -product[row, top] / norm[row, top] * self._waves[0, top]
        left = np.maximum(base - gained[row, top], 0.0)
        return left, self.taus_s[top] * ratio**shift, rise_v
