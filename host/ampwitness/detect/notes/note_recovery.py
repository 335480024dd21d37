"""How the supply comes back after each of many notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

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
_LATER_S = (0.010, 0.020, 0.040, 0.080)  # a note's last half period may lie behind its end as it was dated
_STILL_THERE = 0.1  # of the rise: what must be left of it where a fit begins later
_MUCH_LESS, _AS_GOOD = 0.7, 1.3  # squares left a bin: what a later beginning must come down to; what is alike


@dataclass(slots=True)
class _Returns:
    """What was fitted to k stretches, (k,) each."""

    left: FloatArray  # weighted squares
    tau_s: FloatArray
    rise_v: FloatArray  # where the fit begins
    flat: FloatArray  # weighted squares about the mean
    is_beside: npt.NDArray[np.bool_]  # a slow rise
    begin_s: FloatArray
    n: npt.NDArray[np.intp]  # bins

    def is_unclear(self, noise_v: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether more is left than noise."""
        return np.asarray(self.left > np.maximum(0.002 * self.flat, 1.5 * noise_v**2 * self.n))

    def of(self, rows: npt.NDArray[np.intp]) -> _Returns:
        """Some of them."""
        return _Returns(*(getattr(self, part.name)[rows] for part in fields(self)))

    def put(self, rows: npt.NDArray[np.intp], others: _Returns) -> None:
        """Replace some."""
        for part in fields(self):
            getattr(self, part.name)[rows] = getattr(others, part.name)


class RecoveryFitter:
    """Fits the time constant with which the supply comes back after each note.

    The stretch is averaged in steps that grow with time, so that fast and slow returns cost the same; each of a
    hundred time constants is fitted by least squares, once alone and once beside what goes on rising slowly (a straight
    line, or the slow part of a battery), and a parabola is laid through the best. An exponential has one constant
    wherever one begins to look: where more than noise is left, what comes later is fitted alone, as the amplifier may
    have drawn current beyond the end of its note.

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
        steps = np.where(inside[:, 1:], np.abs(np.diff(y, axis=1)) * np.sqrt(self._weights[:-1]), np.inf)
        steps.sort(axis=1)
        median = steps[np.arange(k), np.clip((n_bins - 1) // 2, 0, n_all - 2)]
        noise_v = 1.05 * np.where(np.isfinite(median), median, 0.0)  # of one sample's worth of averaging
        total_s = self._edges[np.maximum(n_bins, 0)] / self._rate_hz
        least_v = np.maximum(_LEAST_RISE_V, 5.0 * noise_v / np.sqrt(self._weights[0]))
        found = self._fit_from(0, weighted, n_bins, total_s, noise_v)
        unclear = np.flatnonzero(found.is_unclear(noise_v) & (found.rise_v >= least_v))
        if len(unclear):
            self._begin_later(found, unclear, weighted, n_bins, total_s, noise_v)
        reasons = (
            (n_bins < _LEAST_BINS, "less than 20 ms between the end of the note and the next onset"),
            (found.rise_v < least_v, "the supply rose by less than 20 mV after the note, or by no more than its noise"),
            (found.left > 0.1 * found.flat, "the supply did not come back as one exponential"),
            (found.tau_s > 0.485 * total_s, "the recovery was not over before the next onset"),
        )
        which = np.select([flags for flags, _ in reasons], [1, 2, 3, 4], default=0)
        good = ("one exponential", "one exponential beside a slow rise")
        words = [
            reasons[w - 1][1] if w else good[int(line)] + (f", from {1000 * begin_s:.0f} ms on" if begin_s else "")
            for w, line, begin_s in zip(which.tolist(), found.is_beside, found.begin_s.tolist(), strict=True)
        ]
        return np.where(which == 0, found.tau_s, np.nan), words

    def _begin_later(
        self,
        found: _Returns,
        unclear: npt.NDArray[np.intp],
        weighted: FloatArray,
        n_bins: npt.NDArray[np.intp],
        total_s: FloatArray,
        noise_v: FloatArray,
    ) -> None:
        """Replace what was fitted from the notes' ends by what is fitted from later on, where that leaves much less."""
        tries = [found.of(unclear)]
        for later_s in _LATER_S:
            first = int(np.searchsorted(self._edges, later_s * self._rate_hz))
            later = weighted[unclear].copy()
            later[:, :first] = 0.0
            tries.append(self._fit_from(first, later, n_bins[unclear], total_s[unclear], noise_v[unclear]))
        each = np.stack([one.left / np.maximum(one.n, 1) for one in tries])
        still = np.stack([one.rise_v for one in tries]) >= np.maximum(_STILL_THERE * tries[0].rise_v, _LEAST_RISE_V)
        still &= np.stack([one.n for one in tries]) >= _LEAST_BINS
        each = np.where(still, each, np.inf)
        which = np.argmax(each <= _AS_GOOD * each.min(axis=0), axis=0)  # the earliest that is as good as any
        which[each.min(axis=0) > _MUCH_LESS * each[0]] = 0
        for number, one in enumerate(tries[1:], 1):
            found.put(unclear[which == number], one.of(np.flatnonzero(which == number)))

    def _fit_from(
        self,
        first: int,
        weighted: FloatArray,
        n_bins: npt.NDArray[np.intp],
        total_s: FloatArray,
        noise_v: FloatArray,
    ) -> _Returns:
        """Each row's best fit from one bin on, alone or beside a slow rise; what lies before is 0 in `weighted`."""
        k = len(weighted)
        n = np.maximum(n_bins - first, 0)
        s0 = np.maximum(self._s0[np.maximum(n_bins, first)] - self._s0[first], 1.0)
        flat = np.einsum("ij,ij,j->i", weighted, weighted, 1.0 / self._weights) - weighted.sum(axis=1) ** 2 / s0
        begin_s = np.full(k, self._edges[first] / self._rate_hz)
        ends = np.maximum(n_bins, first)
        out = _Returns(*self._best(first, weighted, flat, ends, total_s, None), flat, np.zeros(k, bool), begin_s, n)
        # What rises slowly must earn its place, and leaves only what is much faster than the stretch to the curve.
        unclear = np.flatnonzero((n >= _LEAST_BINS) & out.is_unclear(noise_v))
        if len(unclear):
            beside = self._best_beside(first, weighted[unclear], flat[unclear], ends[unclear], total_s[unclear])
            is_better = (beside[0] < 0.5 * out.left[unclear]) & (beside[1] < 0.25 * total_s[unclear])
            rows_better = unclear[is_better]
            out.is_beside[rows_better] = True
            out.left[rows_better], out.tau_s[rows_better], out.rise_v[rows_better] = (
                values[is_better] for values in beside
            )
        return out

    def _best_beside(
        self, first: int, weighted: FloatArray, flat: FloatArray, n_bins: npt.NDArray[np.intp], total_s: FloatArray
    ) -> tuple[FloatArray, ...]:
        """What `_best` says beside that slow rise which leaves least."""
        beside = [self._best(first, weighted, flat, n_bins, total_s, slow) for slow in range(len(self._slow))]
        which = np.argmin(np.stack([left for left, _, _ in beside]), axis=0)
        return tuple(np.stack(parts)[which, np.arange(len(which))] for parts in zip(*beside, strict=True))

    def _best(
        self,
        first: int,
        weighted: FloatArray,
        flat: FloatArray,
        n_bins: npt.NDArray[np.intp],
        total_s: FloatArray,
        slow: int | None,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Squares left, time constant and rise of each row's best exponential from one bin on."""
        row = np.arange(len(weighted))
        n = np.maximum(n_bins, first)
        s0 = np.maximum(self._s0[n] - self._s0[first], 1e-12)
        se = self._se[n] - self._se[first]
        sy = weighted.sum(axis=1)
        product = weighted @ self._waves - se * (sy / s0)[:, None]
        norm = self._see[n] - self._see[first] - se**2 / s0[:, None]
        base = flat
        if slow is not None:
            st = self._st[slow][n] - self._st[slow][first]
            stt = np.maximum(self._stt[slow][n] - self._stt[slow][first] - st**2 / s0, 1e-12)
            sty = weighted @ self._slow[slow] - st * sy / s0
            ste = self._ste[slow][n] - self._ste[slow][first] - se * (st / s0)[:, None]
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
        rise_v = -product[row, top] / norm[row, top] * self._waves[first, top]
        left = np.maximum(base - gained[row, top], 0.0)
        return left, self.taus_s[top] * ratio**shift, rise_v
