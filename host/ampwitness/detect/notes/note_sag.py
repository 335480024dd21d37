"""The supply under many notes at once: before, fall, lowest, at the end, ripple. Recovery: see `note_recovery`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import SMOOTH_S, parabola_taps, span_shares
from ampwitness.types import FloatArray

BEFORE_S = 0.250
LEAST_BEFORE_S = 0.030
SETTLED_V = 0.020
UNSETTLED_S = 0.050
TAIL_S = 0.050  # over which the supply at a note's end is averaged
RIPPLE_S = 0.400
HEAD_S = 1.0  # of a note, in which the supply's fall is looked for
END_SHARE = 0.5  # a mean of the last 50 ms below this share of the sag: what is lowest there came with the end
_LEAST_FOR_END_S = 0.2
AROUND_S = 0.018  # to either side of the lowest value
_KEEP_OFF_S = 0.001  # the onset may lie this much earlier than was found
_END_S = 0.010  # of the last 50 ms, over which their ends are averaged
_AFTER_NOTE_S = 0.005
_DRIFTS_V = 0.002
_LEAST_FALL_V = 0.050
_LEAST_WOBBLES = 8.0
_LOWEST_HALF_S = (0.001, 0.0014, 0.002, 0.0028, 0.004, 0.0057, 0.008, 0.0113, 0.016)
_LEAST_WIDE_S = 0.020

Flags = npt.NDArray[np.bool_]


def _padded(rows: Sequence[FloatArray], width: int) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Rows of different lengths (the first `width` samples of each) in one array as wide as the longest, 0 behind what
    they hold, in the precision they have, and their lengths."""
    width = max(1, min(width, max(map(len, rows), default=0)))
    out = np.zeros((len(rows), width), dtype=np.result_type(*rows) if rows else np.float64)
    lengths = np.zeros(len(rows), dtype=np.intp)
    for place, row in enumerate(rows):
        n = min(len(row), width)
        out[place, :n] = row[:n]
        lengths[place] = n
    return out, lengths


# ---- before ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Before:
    """The supply ahead of notes: (k,) arrays. `volts` is NaN where fewer than 30 ms lie before the onset."""

    volts: FloatArray
    looked_s: FloatArray
    is_settled: Flags
    why_not: tuple[str, ...]  # empty where settled
    wobble_v: FloatArray  # rms over the last 50 ms, about its mean


def measure_before(rows: Sequence[FloatArray], rate_hz: float, since_last_s: FloatArray) -> Before:
    """Mean of the supply ahead of notes.

    Parameters
    ----------
    rows : (n,) volts each, up to the onset, at most the last 250 ms of the run
    since_last_s : (k,) how long before the onset the last note ended; 0 where it was still sounding

    Returns
    -------
    Before. Where another note was still sounding, or the supply moved, the mean is that of the last 50 ms; what the
    supply went on by in what is kept off, as it had moved over them, is added.
    """
    supply, lengths = _padded(rows, ceil(BEFORE_S * rate_hz) + 1)
    width = supply.shape[1]
    n = lengths - round(_KEEP_OFF_S * rate_hz)
    reference = supply[:, :1].astype(np.float64)
    sums = np.zeros((len(rows), width + 1))
    np.cumsum(supply - supply[:, :1], axis=1, dtype=np.float64, out=sums[:, 1:])
    row = np.arange(len(rows))

    def mean(a: npt.NDArray[np.intp], b: npt.NDArray[np.intp]) -> FloatArray:
        a, b = np.clip(a, 0, width), np.clip(b, 0, width)
        out: FloatArray = reference[:, 0] + (sums[row, b] - sums[row, a]) / np.maximum(b - a, 1)
        return out

    quiet = np.round((np.minimum(since_last_s, 10.0) - _AFTER_NOTE_S) * rate_hz).astype(np.intp)
    begin = np.maximum(n - quiet, 0)
    n_last = np.minimum(n, round(UNSETTLED_S * rate_hz))
    third = np.maximum((n - begin) // 3, 1)
    drift_v = np.abs(mean(n - third, n) - mean(begin, begin + third))
    is_known = n >= LEAST_BEFORE_S * rate_hz
    is_quiet = quiet >= LEAST_BEFORE_S * rate_hz
    is_settled = is_known & is_quiet & (drift_v <= SETTLED_V)
    is_whole = is_settled & ((drift_v <= _DRIFTS_V) | (n - begin <= n_last))
    looked = np.where(is_whole, n - begin, n_last)
    n_end = np.maximum(np.minimum(n_last, round(_END_S * rate_hz)), 1)
    moved_v = (mean(n - n_end, n) - mean(n - n_last, n - n_last + n_end)) / np.maximum(n_last - n_end, 1)
    # The last value lies a step and a half ahead of the onset on average, and stands for half a step behind it too.
    missed_v = np.where(is_whole | (n_last < 2 * n_end), 0.0, moved_v * (round(_KEEP_OFF_S * rate_hz) + 1))
    volts = np.where(is_known, mean(n - looked, n) + missed_v, np.nan)
    back = np.arange(1, max(1, int(n_last.max(initial=0))) + 1)[None, :]
    off_v = supply[row[:, None], np.clip(n[:, None] - back, 0, width - 1)] - mean(n - n_last, n)[:, None]
    off_v[back > n_last[:, None]] = 0.0
    wobble_v = np.sqrt(np.einsum("ij,ij->i", off_v, off_v) / np.maximum(n_last, 1))
    looked = np.where(is_known, looked, np.maximum(n, 0))
    why_not = []
    for place in range(len(rows)):
        if is_settled[place]:
            why_not.append("")
        elif not is_known[place]:
            why_not.append("less than 30 ms of supply before the onset")
        elif not is_quiet[place]:
            why_not.append("another note was still sounding")
        else:
            why_not.append("the supply moved by more than 20 mV before the onset")
    return Before(volts, looked / rate_hz, is_settled, tuple(why_not), wobble_v)


# ---- lowest ---------------------------------------------------------------------------------------------------------


class LowestMeter:
    """The lowest value of the moving parabola, taken again over the longest span on which a parabola fits.

    The lowest of many noisy values lies below the true one; averaging longer, where the supply is smooth enough to
    allow it, takes that away.

    Parameters
    ----------
    rate_hz : samples a second of the supply as it came

    Limits
    ------
    A second, equally deep and shorter trough within the span is levelled only as far as the noise hides it.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._halves = [max(2, round(half_s * rate_hz)) for half_s in _LOWEST_HALF_S]
        self._half = max(1, round(0.5 * SMOOTH_S * rate_hz))
        self._taps = parabola_taps(self._half)
        self._reach = reach = max(self._halves[-1], len(self._taps) // 2)
        self._shift = max(1, round(0.0004 * rate_hz))
        wide = 2 * reach + 1
        # Of each span: three orthonormal polynomials, what they say of the middle, and which samples belong to it.
        self._basis = np.zeros((wide, 3 * len(self._halves)))
        self._middle = np.zeros((3 * len(self._halves), len(self._halves)))
        self._inside = np.zeros((wide, len(self._halves)))
        for span, half in enumerate(self._halves):
            u = np.arange(-half, half + 1) / half
            share = span_shares(half)
            root = np.sqrt(share)[:, None]
            q, _ = np.linalg.qr(root * np.stack((np.ones(len(u)), u, u * u), axis=1))
            rows = slice(reach - half, reach + half + 1)
            self._basis[rows, 3 * span : 3 * span + 3] = root * q
            self._middle[3 * span : 3 * span + 3, span] = q[half]
            self._inside[rows, span] = share
        self._sum3 = np.repeat(np.eye(len(self._halves)), 3, axis=0)

    def measure(self, rows: Sequence[FloatArray], at: Sequence[int]) -> tuple[FloatArray, FloatArray]:
        """Volts, and the span that was averaged in seconds: 20 to 32 ms where a parabola fits that long, else 2 ms.

        Parameters
        ----------
        rows : (n,) volts each, around the lowest value (18 ms to either side where the note lasts so long)
        at : where it was found, index into each row, to half a millisecond
        """
        reach, shift, half, beyond = self._reach, self._shift, self._half, len(self._taps) // 2
        k, wide = len(rows), 2 * (reach + shift) + 1
        x = np.zeros((k, wide))
        first, last = np.zeros(k, dtype=np.intp), np.zeros(k, dtype=np.intp)
        level = np.zeros(k)
        for place, (row, middle) in enumerate(zip(rows, at, strict=True)):
            a, b = max(0, middle - reach - shift), min(len(row), middle + reach + shift + 1)
            begin = a - middle + reach + shift
            stop = begin + b - a
            first[place], last[place] = begin, stop
            level[place] = row[min(middle, len(row) - 1)]
            x[place, begin:stop] = row[a:b] - level[place]
            if b > a:  # the weights fade out beyond the span: there the ends are held
                if begin:
                    x[place, :begin] = x[place, begin]
                if stop < wide:
                    x[place, stop:] = x[place, stop - 1]
        # Where exactly: the parabola over 2 ms, at each sample near the place.
        tries = np.arange(-shift, shift + 1)
        values = np.stack(
            [x[:, reach + shift + t - beyond : reach + shift + t + beyond + 1] @ self._taps for t in tries], axis=1
        )
        fits = (reach + shift + tries[None, :] - half >= first[:, None]) & (
            reach + shift + tries[None, :] + half < last[:, None]
        )
        values = np.where(fits, values, np.inf)
        lowest = np.argmin(values, axis=1)
        moved = tries[lowest]
        moved[~fits.any(axis=1)] = 0
        deeper_v = _between_samples(values, lowest)
        x = np.take_along_axis(x, (moved + shift)[:, None] + np.arange(2 * reach + 1)[None, :], axis=1)
        first, last = first - moved - shift, last - moved - shift
        noise_v = self._noise(x, first, last)
        weights = x @ self._basis
        volts = weights @ self._middle
        # Over 2 ms sums are no integrals: what they leave of a whine is what those weights put right.
        narrow = values[np.arange(k), lowest]
        volts[:, 0] = np.where(np.isfinite(narrow), narrow, volts[:, 0])
        squares = (x * x) @ self._inside - (weights * weights) @ self._sum3
        lengths = 2 * np.array(self._halves)
        left_v = np.sqrt(np.maximum(squares, 0.0) / lengths)
        lowest_v, average_s = self._choose(volts, left_v, noise_v, first, last, level)
        is_narrow = average_s < _LEAST_WIDE_S  # over a wide span nothing bends within a sample
        return lowest_v - np.where(is_narrow & (average_s > 0), deeper_v, 0.0), average_s

    def _noise(self, x: FloatArray, first: npt.NDArray[np.intp], last: npt.NDArray[np.intp]) -> FloatArray:
        steps = np.abs(x[:, 2:] - 2.0 * x[:, 1:-1] + x[:, :-2])
        inside = (np.arange(steps.shape[1])[None, :] >= first[:, None]) & (
            np.arange(steps.shape[1])[None, :] + 2 < last[:, None]
        )
        steps = np.where(inside, steps, np.inf)
        steps.sort(axis=1)
        middle = np.minimum(inside.sum(axis=1) // 2, steps.shape[1] - 1)
        median = steps[np.arange(len(x)), middle]
        out: FloatArray = 1.4826 * np.where(np.isfinite(median), median, 0.0) / np.sqrt(6.0) + 1e-6
        return out

    def _choose(
        self,
        volts: FloatArray,
        left_v: FloatArray,
        noise_v: FloatArray,
        first: npt.NDArray[np.intp],
        last: npt.NDArray[np.intp],
        level: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Each row's widest span that fits, if all narrower ones did too."""
        halves = np.array(self._halves)
        fits = (self._reach - halves[None, :] >= first[:, None]) & (self._reach + halves[None, :] < last[:, None])
        # More than noise left, or a value the shorter span contradicts: the supply does not follow a parabola here.
        good = fits.copy()
        good[:, 1:] &= left_v[:, 1:] <= 1.15 * noise_v[:, None]
        good[:, 1:] &= np.abs(np.diff(volts, axis=1)) <= 4.0 * noise_v[:, None]
        n_good = np.where(good.all(axis=1), good.shape[1], np.argmin(good, axis=1))
        span = np.maximum(n_good - 1, 0)
        is_wide = 2 * halves[span] / self._rate_hz >= _LEAST_WIDE_S
        span = np.where(is_wide, span, 0)
        chosen = np.where(n_good > 0, volts[np.arange(len(volts)), span], 0.0)
        return level + chosen, np.where(n_good > 0, 2 * halves[span] / self._rate_hz, 0.0)


def _between_samples(values: FloatArray, lowest: npt.NDArray[np.intp]) -> FloatArray:
    """(k,) by how much the parabola through the lowest of each row and its neighbours lies below it; 0 at an end."""
    rows, n = np.arange(len(values)), values.shape[1]
    left, at, right = (values[rows, np.clip(lowest + step, 0, n - 1)] for step in (-1, 0, 1))
    is_inside = (lowest > 0) & (lowest < n - 1) & np.isfinite(left) & np.isfinite(at) & np.isfinite(right)
    left, at, right = (np.where(is_inside, side, 0.0) for side in (left, at, right))
    bend = left - 2 * at + right
    return np.where(bend > 0, (left - right) ** 2 / (8 * np.where(bend > 0, bend, 1.0)), 0.0)


def fell_at_end(end_sag_v: FloatArray, sag_v: FloatArray, to_end_s: FloatArray, duration_s: FloatArray) -> Flags:
    """Whether a supply fell only as its note ended, by what else pulled it down, (k,) each.

    Parameters
    ----------
    end_sag_v : volts before the note less the mean of its last 50 ms
    sag_v : volts before the note less the lowest under it
    to_end_s : from where the supply was lowest to the note's end
    duration_s : of the note

    Limits
    ------
    Notes shorter than 0.2 s are within their own fall: none of them is said to.
    """
    out: Flags = (to_end_s <= TAIL_S) & (duration_s >= _LEAST_FOR_END_S) & (end_sag_v < END_SHARE * sag_v)
    return out


# ---- fall, end, ripple ----------------------------------------------------------------------------------------------


def measure_slopes(
    heads: Sequence[FloatArray], rate_hz: float, before_v: FloatArray, wobble_v: FloatArray
) -> FloatArray:
    """Mean slope of each fall, from 10 to 90 % of the deepest value in the note's first second, volts a second.

    Returns
    -------
    (k,) negative volts a second; NaN where the supply fell by less than 50 mV, by less than eight times what it wobbled
    by itself (rms), or within one sample.
    """
    # All behind one another: in one array as wide as the longest most would be empty.
    most = ceil(HEAD_S * rate_hz)
    lengths = np.array([min(len(head), most) for head in heads], dtype=np.intp)
    out = np.full(len(heads), np.nan)
    rows = np.flatnonzero(lengths)
    if not len(rows):
        return out
    supply = np.concatenate([heads[row][:most] for row in rows.tolist()])
    starts = np.cumsum(lengths[rows]) - lengths[rows]
    fall_v = before_v[rows] - np.minimum.reduceat(supply, starts)
    is_fall = fall_v >= np.maximum(_LEAST_FALL_V, _LEAST_WOBBLES * wobble_v[rows])

    def first_below(share: float) -> npt.NDArray[np.intp]:
        limit_v = (before_v[rows] - share * fall_v).astype(supply.dtype)
        below = np.flatnonzero(supply <= np.repeat(limit_v, lengths[rows]))
        return below[np.minimum(np.searchsorted(below, starts), len(below) - 1)] if len(below) else starts

    first, last = first_below(0.1), first_below(0.9)
    is_fall &= last > first
    slope = (supply[last] - supply[first]) / np.maximum(last - first, 1) * rate_hz
    out[rows] = np.where(is_fall, slope, np.nan)
    return out


def measure_ripples(tails: Sequence[FloatArray], rate_hz: float, frequency_hz: FloatArray) -> FloatArray:
    """Peak-to-peak volts of the supply's sine at each frequency, over whole periods in the last 0.4 s.

    Parameters
    ----------
    tails : (n,) volts each

    Returns
    -------
    (k,) volts, NaN below three periods.
    """
    width = ceil(RIPPLE_S * rate_hz)
    period = rate_hz / frequency_hz
    lengths = np.array([min(len(tail), width) for tail in tails], dtype=float)
    n_periods = np.floor(lengths / period)
    wanted = np.round(n_periods * period).astype(np.intp)
    supply, lengths_used = _padded(
        [tail[len(tail) - n :] for tail, n in zip(tails, wanted.tolist(), strict=True)], width
    )
    supply = supply.astype(np.float64, copy=False)
    n = np.maximum(lengths_used, 1).astype(float)
    # Sums over a line and a sine of known lengths have closed forms: only the supply's own sums run over samples.
    turn = 2 * np.pi / period
    wave = _turning_sums(supply, turn)
    ramp = np.arange(supply.shape[1], dtype=float)
    mean = supply.sum(axis=1) / n
    middle = 0.5 * (n - 1)
    slope = (supply @ ramp - n * mean * middle) / np.maximum(n * (n * n - 1) / 12.0, 1e-12)
    ones = _sum_turns(n, turn)
    # Of whole periods the sine's own sum is next to nothing, that of the ramp is not.
    ramps = (n * np.exp(1j * turn * n) - ones * np.exp(1j * turn)) / (np.exp(1j * turn) - 1.0)
    size = np.abs(wave - mean * ones - slope * (ramps - middle * ones))
    return np.where(n_periods >= 3, 4.0 * size / n, np.nan)


_TURN_BLOCK = 32


def _turning_sums(rows: FloatArray, turn: FloatArray) -> npt.NDArray[np.complex128]:
    """Sum of rows[i, k] exp(i turn[i] k): block by block, so that few exponentials are needed."""
    n_blocks = -(-rows.shape[1] // _TURN_BLOCK)
    padded = np.zeros((len(rows), n_blocks * _TURN_BLOCK))
    padded[:, : rows.shape[1]] = rows
    within = np.exp(1j * turn[:, None] * np.arange(_TURN_BLOCK))
    between = np.exp(1j * turn[:, None] * (_TURN_BLOCK * np.arange(n_blocks)))
    blocks = padded.reshape(len(rows), n_blocks, _TURN_BLOCK)
    parts = np.matmul(blocks, np.stack((within.real, within.imag), axis=2))
    out: npt.NDArray[np.complex128] = np.einsum("ib,ib->i", parts[:, :, 0] + 1j * parts[:, :, 1], between)
    return out


def _sum_turns(n: FloatArray, turn: FloatArray) -> npt.NDArray[np.complex128]:
    """Sum of exp(i turn k) for k of 0 to n - 1."""
    out: npt.NDArray[np.complex128] = (np.exp(1j * turn * n) - 1.0) / (np.exp(1j * turn) - 1.0)
    return out
