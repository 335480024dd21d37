"""Where the waveform leaves what it did before: the instants at which notes begin, many at once.

What went before is carried on by linear prediction; where it had gone silent, by silence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_damping import carry_falls
from ampwitness.detect.notes.note_knees import KNEE_AHEAD, KNEE_BACK, LEAST_SIGMAS, MODEL_RATIO, knee_tables
from ampwitness.detect.notes.note_products import ORDER, lagged_products, predict_from_products, spans
from ampwitness.types import FloatArray

BEFORE = 230  # slow samples looked at ahead of a place
BEHIND = 81  # and from it on
MARGIN = 30  # nothing within this of the place is used to predict
_NOISE_V = 0.012  # rms of a slow sample: the logger's own noise, with a margin
_LEAST_SHARE = 1e-7
_STEPS = 8
_NEAR_FROM, _NEAR_STOP = 22, 8  # slow samples ahead of a place
_KNOWN_RATIO = 0.05  # as STEADY_RATIO: of what is no noise
_GONE_RATIO = 0.25  # of the peak, that is left right ahead of a place of what sounded before: under `_MOST_LIMIT` yet
_MOSTLY_NEW, _MOST_LIMIT = 0.60, 0.30  # of energy; of the largest swing: what is mostly new departs somewhere
_CARRIED_ON = MARGIN + 60  # slow samples: over so many novelty is measured
_ROWS_AT_ONCE = 128
_LULL = 12
_LULL_RATIO = 0.05
_LULL_NOISE_V = 0.040
_STILL_V = 0.030  # rms of a silence: the logger's own noise, with a margin
STEADY_RATIO = 0.01  # of energy, that prediction leaves of a tone that stands or rings on
_SHORT_LULL, _SHORT_WITHIN, _QUIET_ENOUGH = 6, 24, 0.15  # slow samples; rms, of that behind
_STANDS_OUT = 0.5  # of the largest swing
_LULL_BACK = 54  # a rise is placed to some 20 ms: no silence that ended long before
_LEAST_NOVELTY = 0.10  # what is less new than this is dated by nobody
_LEAST_OVER_LIMIT = 1.2  # of the largest swing, of what a corner must pass
TURN_MARGIN = 7
_STOPS_RATIO, _QUIET, _QUIET_WITHIN = 0.25, 12, 32  # of rms; slow samples
_SHOWS_BACK, _MOST_OF_FALL = 1, 0.10  # slow samples; of the peak
_TRACE_FROM, _TRACE_STOP = BEFORE - 64, BEFORE + 42  # in which a corner is looked for, with what it is fitted to

Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Left:
    """What prediction leaves at k places: shares (k,) new within 30 and 60 samples, unexplained ahead; (k, n) what was
    not predicted, the wave itself, and how it would have gone on."""

    short: FloatArray
    long: FloatArray
    unexplained: FloatArray
    trace: FloatArray
    whole: FloatArray
    carried: FloatArray


@dataclass(frozen=True, slots=True)
class Departures:
    """One entry a place: (k,) arrays. `at` is NaN where nothing departs."""

    at: FloatArray  # slow samples after the place, with a fraction
    novelty_short: FloatArray  # share of the energy in the 30 ms behind the place that was not predicted
    novelty_long: FloatArray  # the same over 60 ms
    is_lull: npt.NDArray[np.bool_]  # silence lay before: there was nothing to predict
    is_end: npt.NDArray[np.bool_]  # what departs is the stop of what went before
    falls_silent: npt.NDArray[np.bool_]  # of those ends the ones behind which it is quiet for a moment only
    unexplained: FloatArray  # share of the energy before that the prediction leaves, one sample ahead
    lull_at: Places  # where the silence begins, slow samples after the place (a negative number)
    fell: FloatArray  # slow samples ahead of the departure in which what sounded before fell; 0 where it did not


class DepartureFinder:
    """Finds departures in the slow signals of a run.

    Parameters
    ----------
    taps : (2 h + 1,) the filter that made the slow signal, at the full rate
    factor : full-rate samples a slow one

    Limits
    ------
    What swells so slowly that it drowns in the noise for its first milliseconds is dated by its rise behind them.

    Source
    ------
    Linear prediction by least squares (covariance form) with the noise's power on the diagonal; a knee by least
    squares, with corner and bend as the slow signal's filter leaves them. The numbers are our choice, measured by
    `python -m ampwitness.bench.event_scores --what notes`.
    """

    def __init__(self, taps: FloatArray, factor: int) -> None:
        self._tables = knee_tables(taps, factor)
        self._products = np.zeros((ORDER + 1, ORDER + 1, _ROWS_AT_ONCE))

    def find(
        self,
        slow: FloatArray,
        high: FloatArray,
        starts: Places,
        is_steep: npt.NDArray[np.bool_],
        quiet_from: Places | None = None,
    ) -> Departures:
        """Look at places, each with its own surroundings.

        Parameters
        ----------
        slow, high : (k, BEFORE + BEHIND) samples around each place, the place at number BEFORE; `high` without what
            lies below 8 Hz
        starts : (k,) first of these samples that may be used to predict
        is_steep : (k,) the level rises by so much that no beat can do it: silence before needs no prediction
        quiet_from : (k,) where given: silence is known to begin there
        """
        k = len(slow)
        lull_at, lull_mean, lull_rms = _find_lulls(slow, starts)
        if quiet_from is not None:
            lull_at, lull_mean, lull_rms = _find_known_lulls(slow, quiet_from)
        is_lull = lull_at >= 0
        is_still = lull_rms <= _STILL_V
        left = self._look_ahead(slow, high, starts, np.flatnonzero(~(is_lull & is_steep & is_still)))
        # What still moves there and is well predicted is no silence.
        if quiet_from is None:
            is_lull &= is_still | (left.unexplained > STEADY_RATIO)
        left.trace[is_lull] = slow[is_lull, _TRACE_FROM:_TRACE_STOP] - lull_mean[is_lull, None]
        at = np.full(k, np.nan)
        is_end, falls_silent, fell = np.zeros(k, dtype=bool), np.zeros(k, dtype=bool), np.zeros(k)
        rows = np.flatnonzero(is_lull | (np.maximum(left.short, left.long) >= _LEAST_NOVELTY))
        if len(rows):
            size = np.abs(left.trace[rows])
            peak_v = np.max(size[:, BEFORE - _TRACE_FROM : BEFORE - _TRACE_FROM + 30], axis=1)
            limit_v = _limits(left, high, rows, peak_v, is_lull[rows], lull_rms[rows])
            behind_lull = lull_at[rows] + (4 if quiet_from is not None else _LULL // 2)
            from_at = np.where(is_lull[rows], behind_lull, BEFORE - MARGIN) - _TRACE_FROM
            # In dense music most stand out of nothing: no corner is looked for there.
            out = np.flatnonzero(peak_v > _LEAST_OVER_LIMIT * limit_v)
            rows = rows[out]
            corners = self._corners(left.trace[rows], size[out], from_at[out], limit_v[out], peak_v[out])
            at[rows] = corners + _TRACE_FROM
            is_end[rows] = _are_ends(slow[rows], at[rows]) & ~is_lull[rows]  # behind silence nothing stops
            sounds = np.flatnonzero(~is_lull[rows] & np.isfinite(corners) & ~is_end[rows])
            if len(sounds):
                out, rows = out[sounds], rows[sounds]
                later = self._behind_falls(left.whole[rows], left.carried[rows], at[rows], limit_v[out], peak_v[out])
                fell[rows] = np.maximum(np.nan_to_num(later - at[rows]), 0.0)
                at[rows] += fell[rows]
                is_end[rows] = falls_silent[rows] = _fall_silent(high[rows], left.trace[rows], at[rows])
        return Departures(
            at - BEFORE, left.short, left.long, is_lull, is_end, falls_silent, left.unexplained, lull_at - BEFORE, fell
        )

    def _look_ahead(self, slow: FloatArray, high: FloatArray, starts: Places, asked: Places) -> _Left:
        """What prediction leaves at those places that are asked of it."""
        k, begin = len(slow), BEFORE - MARGIN
        whole, carried = (np.zeros((k, _TRACE_STOP - begin)) for _ in range(2))
        short, long, unexplained = np.ones((3, k))
        left = _Left(short, long, unexplained, np.zeros((k, _TRACE_STOP - _TRACE_FROM)), whole, carried)
        if len(asked):
            some = high if len(asked) == k else high[asked]
            level = (_sums(slow[:, :begin])[asked] - _sums(some[:, :begin])) / begin
            last = slow[asked, begin - ORDER : begin] - level[:, None]
            rest, left.unexplained[asked], carried[asked] = self._predict(some, starts[asked], last)
            left.short[asked], left.long[asked] = (_share_new(rest, some, n) for n in (30, 60))
            left.trace[asked, begin - _TRACE_FROM :] = rest[:, : _TRACE_STOP - begin]
            whole[asked] = slow[asked, begin:_TRACE_STOP] - level[:, None]
        return left

    def _behind_falls(
        self, volts: FloatArray, carried: FloatArray, at: FloatArray, limit_v: FloatArray, peak_v: FloatArray
    ) -> FloatArray:
        """Departures from what sounded before as it falls, where it does so first: samples as `at`; NaN elsewhere.
        `volts`, `carried`: from the margin on, with all that lies below 8 Hz, as without it a fall leaves a tail."""
        begin = BEFORE - MARGIN
        left, shows, left_v = carry_falls(volts, carried, np.round(at).astype(np.intp) - begin, limit_v)
        later = np.full(len(at), np.nan)
        rows = np.flatnonzero(shows)
        if len(rows):
            rest = np.zeros((len(rows), _TRACE_STOP - _TRACE_FROM))
            rest[:, begin - _TRACE_FROM :] = left[rows]
            from_at = shows[rows] + begin - _TRACE_FROM - _SHOWS_BACK
            # What no fall of the table describes is noise to the corner.
            noisy_v = np.maximum(limit_v[rows], np.minimum(LEAST_SIGMAS * left_v[rows], _MOST_OF_FALL * peak_v[rows]))
            later[rows] = self._corners(rest, np.abs(rest), from_at, noisy_v, peak_v[rows]) + _TRACE_FROM
        return later

    def date_turns(self, ahead: FloatArray, behind: FloatArray) -> FloatArray:
        """When one steady tone gave way to another, seen from both sides: where what carries on the one and what
        carries the other back fit equally well. A departure alone is seen late where the two part slowly.

        Parameters
        ----------
        ahead, behind : (k, BEFORE + BEHIND) as `high` for `find`, around places `TURN_MARGIN` less than the margin of
            prediction behind the turn as it is known, and with time reversed as much ahead of it

        Returns
        -------
        (k,) slow samples after the turn as it was known; NaN where that is not within reach, or one side fits nothing.
        """
        n = 2 * TURN_MARGIN + 1
        k = len(ahead)
        both, left, _ = self._predict(np.concatenate((ahead, behind)), np.zeros(2 * k, dtype=np.intp))
        forth, back, unexplained = both[:k], both[k:], np.maximum(left[:k], left[k:])
        lost = np.cumsum(forth[:, :n] ** 2, axis=1) - np.cumsum(back[:, :n][:, ::-1] ** 2, axis=1)
        # Both are known at samples; between them the difference is a parabola's.
        lowest = np.argmin(lost[:, 1:-1], axis=1) + 1
        row = np.arange(len(lost))
        a, b, c = (lost[row, lowest + d] for d in (-1, 0, 1))
        bend = a - 2.0 * b + c
        at = lowest + np.where(bend > 0, 0.5 * (a - c) / np.where(bend > 0, bend, 1.0), 0.0) + 0.5 - TURN_MARGIN
        is_known = (lowest > 1) & (lowest < n - 2) & (unexplained < STEADY_RATIO)
        return np.where(is_known, at, np.nan)

    def measure_novelty(self, high: FloatArray, starts: Places) -> tuple[FloatArray, FloatArray, FloatArray]:
        """How new what lies behind places is, over 30 and 60 ms, as `find` has it where no silence was, and the share
        that prediction leaves of what lies ahead, (k,) each.

        Parameters
        ----------
        high, starts : as for `find`
        """
        rest, unexplained, _ = self._predict(high, starts)
        short, long = (_share_new(rest, high, n) for n in (30, 60))
        return short, long, unexplained

    def _predict(
        self, high: FloatArray, starts: Places, slow: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What prediction from before the margin leaves of `_CARRIED_ON` samples behind it, the share it leaves
        before, and the first samples of `slow` (of `high` if there is none) carried on alike, as far as traces go.
        `slow` : (k, ORDER) samples ahead of the margin"""
        slow = high[:, BEFORE - MARGIN - ORDER : BEFORE - MARGIN] if slow is None else slow
        rest, unexplained = np.empty((len(high), _CARRIED_ON)), np.empty(len(high))
        carried = np.empty((len(high), _TRACE_STOP - BEFORE + MARGIN))
        for first in range(0, len(high), _ROWS_AT_ONCE):
            some = slice(first, first + _ROWS_AT_ONCE)
            rest[some], unexplained[some], on = self._predict_some(high[some], starts[some], slow[some])
            carried[some] = on[:, : carried.shape[1]]
        return rest, unexplained, carried

    def _predict_some(
        self, high: FloatArray, starts: Places, slow: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        n_before, p = BEFORE - MARGIN, ORDER
        products, n_used = lagged_products(high[:, :n_before], starts, self._products[:, :, : len(high)])
        aim, whole = products[:, p, :p].copy(), products[:, p, p].copy()
        ridge = n_used * _NOISE_V**2 + _LEAST_SHARE * np.einsum("kii->k", products[:, :p, :p]) / p
        weights = predict_from_products(products, ridge)
        left = whole - np.einsum("kp,kp->k", weights, aim)
        left -= ridge * np.einsum("kp,kp->k", weights, weights)
        unexplained = np.clip(left / np.maximum(whole, 1e-30), 0.0, 1.0)
        ahead = _carry_on(weights).transpose(0, 2, 1)
        buffer = np.empty((len(high), 2, p + _STEPS * -(-_CARRIED_ON // _STEPS)))
        buffer[:, 0, :p], buffer[:, 1, :p] = high[:, n_before - p : n_before], slow
        for j in range(p, buffer.shape[2], _STEPS):
            buffer[:, :, j : j + _STEPS] = np.matmul(buffer[:, :, j - p : j], ahead)
        predicted = buffer[:, :, p : p + _CARRIED_ON]
        np.minimum(np.maximum(predicted, -1e3, out=predicted), 1e3, out=predicted)
        return high[:, n_before : n_before + _CARRIED_ON] - predicted[:, 0], unexplained, predicted[:, 1]

    def _corners(
        self, trace: FloatArray, size: FloatArray, from_at: Places, limit_v: FloatArray, peak_v: FloatArray
    ) -> FloatArray:
        """First sample (with a fraction) at which each row leaves zero for good: a least-squares knee. `size` is the
        trace without its sign."""
        k, n = trace.shape
        number = np.arange(n)[None, :]
        # For good: within the next 6 ms it doubles; a lone spike does not.
        soon = np.maximum(size[:, :-1], size[:, 1:])  # of two, of four, of seven samples
        soon = np.maximum(soon[:, :-2], soon[:, 2:])
        soon = np.maximum(soon[:, :-3], soon[:, 3:])
        above = size > limit_v[:, None]
        above[:, :-6] &= soon > 2.0 * limit_v[:, None]
        above &= (number >= from_at[:, None]) & (number < BEFORE + 30 - _TRACE_FROM)
        first = np.argmax(above, axis=1)
        is_there = above[np.arange(k), first] & (peak_v > _LEAST_OVER_LIMIT * limit_v)
        first = np.maximum(first, KNEE_BACK)
        grown = np.maximum(4.0 * limit_v, 0.08 * peak_v)
        row = np.arange(k)
        ahead = spans(size, KNEE_AHEAD)[row, first] > grown[:, None]
        last = np.where(ahead.any(axis=1), np.argmax(ahead, axis=1), KNEE_AHEAD - 1)
        y = spans(trace, KNEE_BACK + KNEE_AHEAD)[row, first - KNEE_BACK]
        at = np.full(k, np.nan)
        odds_v = np.maximum(limit_v / LEAST_SIGMAS, MODEL_RATIO * peak_v)
        for n_last, table in enumerate(self._tables):
            rows = np.flatnonzero(is_there & (last == n_last))
            if len(rows):
                at[rows] = first[rows] - table.best(y[rows, : KNEE_BACK + n_last + 1], odds_v[rows])
        return at


def _carry_on(weights: FloatArray) -> FloatArray:
    """(k, _STEPS, p) how the last p samples make each of those that follow them, of `weights` (k, p) that make the
    first: old samples shift out of reach one by one, and what was predicted takes their place, each with its echoes."""
    k, p = weights.shape
    own = np.zeros((k, _STEPS - 1 + p))
    own[:, _STEPS - 1 :] = weights
    echo = np.zeros((k, 2 * _STEPS - 1))
    echo[:, _STEPS - 1] = 1.0
    for j in range(1, _STEPS):
        np.einsum(
            "ki,ki->k", weights[:, p - j :], echo[:, _STEPS - 1 : _STEPS - 1 - j : -1], out=echo[:, _STEPS - 1 - j]
        )
    shifted, echoes = spans(own, p)[:, ::-1], spans(echo, _STEPS)[:, ::-1]
    out: FloatArray = np.matmul(np.ascontiguousarray(echoes), np.ascontiguousarray(shifted))
    return out


def _share_new(rest: FloatArray, high: FloatArray, n: int) -> FloatArray:
    """Share of the energy of n samples behind each place that was not predicted."""
    left, whole = rest[:, MARGIN : MARGIN + n], high[:, BEFORE : BEFORE + n]
    out: FloatArray = _squares(left) / np.maximum(_squares(whole), 1e-30)
    return out


def _sums(values: FloatArray) -> FloatArray:
    out: FloatArray = np.einsum("ij->i", values)  # the method takes twice as long
    return out


def _squares(values: FloatArray) -> FloatArray:
    out: FloatArray = np.einsum("ij,ij->i", values, values)
    return out


def _rms(values: FloatArray) -> FloatArray:
    """Of each row, about its mean."""
    mean = _sums(values) / values.shape[1]
    out: FloatArray = np.sqrt(_squares(values - mean[:, None]) / values.shape[1])
    return out


def _find_lulls(slow: FloatArray, starts: Places) -> tuple[Places, FloatArray, FloatArray]:
    """Where the last quiet 12 ms before each place begin: what sounded has gone, the new is not there yet; or -1."""
    first = BEFORE - _LULL_BACK
    part = slow[:, first:BEFORE]
    behind = slow[:, BEFORE : BEFORE + 30]
    zero = np.zeros((len(slow), 1))
    sums = np.concatenate((zero, np.cumsum(part, axis=1)), axis=1)
    squares = np.concatenate((zero, np.cumsum(part * part, axis=1)), axis=1)
    mean = (sums[:, _LULL:] - sums[:, :-_LULL]) / _LULL
    rms = np.sqrt(np.maximum((squares[:, _LULL:] - squares[:, :-_LULL]) / _LULL - mean * mean, 0.0))
    strength = _rms(behind)
    limit = np.maximum(_LULL_RATIO * strength, np.minimum(3.0 * _LULL_RATIO * strength, _LULL_NOISE_V))
    at, level, quietest = np.full(len(slow), -1), np.zeros(len(slow)), np.zeros(len(slow))
    rows = np.flatnonzero(rms.min(axis=1) <= limit)  # of music next to none
    if len(rows):
        mean, rms, lately = mean[rows], rms[rows], slow[rows, BEFORE - 200 : BEFORE]
        # The flat top of a clipped wave is still, but not at rest.
        off_v = np.abs(mean - lately.mean(axis=1)[:, None])
        most_v = np.maximum(4.0 * _LULL_RATIO * strength[rows], 0.25 * _rms(lately))
        rms[off_v > most_v[:, None]] = np.inf
        rms[np.arange(rms.shape[1])[None, :] + first < starts[rows, None]] = np.inf
        least = rms.min(axis=1)
        # The last one that is as quiet: nearest to the rise.
        last = rms.shape[1] - 1 - np.argmax((rms <= 1.25 * least[:, None])[:, ::-1], axis=1)
        found = np.flatnonzero(least <= limit[rows])
        at[rows[found]], level[rows[found]] = first + last[found], mean[found, last[found]]
        quietest[rows[found]] = least[found]
    return at, level, quietest


def _find_known_lulls(slow: FloatArray, quiet_from: Places) -> tuple[Places, FloatArray, FloatArray]:
    """The last quiet 12 ms between where silence is known to begin and the place: what fell may end there, and hum and
    treble sound on. Where there is no room for that, the quietest 6 ms shortly behind."""
    first, row = BEFORE - _LULL_BACK, np.arange(len(slow))
    windows = spans(slow[:, first:BEFORE], _LULL)
    mean = windows.mean(axis=2)
    rms = np.sqrt(np.maximum(np.einsum("ijk,ijk->ij", windows, windows) / _LULL - mean * mean, 0.0))
    rms[np.arange(rms.shape[1])[None, :] + first < quiet_from[:, None]] = np.inf
    least = rms.min(axis=1)
    at = rms.shape[1] - 1 - np.argmax((rms <= 1.25 * least[:, None])[:, ::-1], axis=1)
    behind = slow[:, BEFORE : BEFORE + 30]
    # Where what fell is in it, a soft note does not stand out of it.
    stands_out = LEAST_SIGMAS * least < _STANDS_OUT * np.abs(behind - mean[row, at, None]).max(axis=1)
    is_there = (least <= _QUIET_ENOUGH * _rms(behind)) & stands_out
    n_known = _SHORT_WITHIN + _SHORT_LULL
    known = np.minimum(quiet_from, slow.shape[1] - n_known)
    part = spans(slow, n_known)[row, known] - slow[:, : BEFORE - MARGIN].mean(axis=1)[:, None]
    short = np.sqrt(np.square(spans(part, _SHORT_LULL)).mean(axis=2))
    quietest = np.argmin(short, axis=1)
    known = known + quietest
    still = spans(slow, _SHORT_LULL)[row, known]
    known_mean = still.mean(axis=1)
    return (
        np.where(is_there, first + at, known),
        np.where(is_there, mean[row, at], known_mean),
        np.maximum(np.where(is_there, least, _rms(still)), _NOISE_V),
    )


def _limits(
    left: _Left, high: FloatArray, rows: Places, peak_v: FloatArray, is_still: npt.NDArray[np.bool_], lull_v: FloatArray
) -> FloatArray:
    """What the trace of some places must pass to be new, V; `is_still`, `lull_v` : where silence was ahead, its rms."""
    before = high[rows, : BEFORE - MARGIN]
    unexplained = left.unexplained[rows]
    before_v = np.sqrt(_squares(before) / before.shape[1] * unexplained)
    # What prediction leaves right ahead of a place says more than what it left of a louder note before.
    near_v = 1.5 * _rms(left.trace[rows, BEFORE - _NEAR_FROM - _TRACE_FROM : BEFORE - _NEAR_STOP - _TRACE_FROM])
    # What dies away in a roll of drums is predicted badly, and has gone when the next is struck.
    is_known = (unexplained < _KNOWN_RATIO) | (near_v < _GONE_RATIO * peak_v)
    before_v = np.where(is_known, np.minimum(before_v, near_v), before_v)
    noise_v = np.where(is_still, np.maximum(lull_v, 0.5 * _NOISE_V), np.maximum(before_v, _NOISE_V))
    limit_v = np.maximum(LEAST_SIGMAS * noise_v, np.where(is_still, 0.01, 0.04) * peak_v)
    is_new = np.minimum(left.short, left.long)[rows] >= _MOSTLY_NEW
    is_new &= is_known & ~is_still
    return np.where(is_new, np.minimum(limit_v, _MOST_LIMIT * peak_v), limit_v)


def _are_ends(slow: FloatArray, at: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether what departs is the stop of what went before, not yet the beginning of a note."""
    middle = np.clip(np.nan_to_num(at, nan=float(BEFORE)).astype(np.intp), 26, slow.shape[1] - 26)
    around = spans(slow, 50)[np.arange(len(slow)), middle - 25]
    out: npt.NDArray[np.bool_] = np.isfinite(at) & (_rms(around[:, 26:]) < _STOPS_RATIO * _rms(around[:, :25]))
    return out


def _fall_silent(high: FloatArray, trace: FloatArray, at: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether soon behind a departure it is so quiet as neither before nor by what was carried on: what went before
    stops, over some milliseconds, and what begins comes later."""
    middle, row = at.astype(np.intp), np.arange(len(high))
    ahead = _squares(spans(high, 25)[row, middle - 25]) / 25
    n = _QUIET_WITHIN + _QUIET  # samples from the departure on, or the last ones
    begin = np.minimum(middle - _TRACE_FROM, trace.shape[1] - n)
    volts, rest = spans(high, n)[row, begin + _TRACE_FROM], spans(trace, n)[row, begin]
    sums = np.cumsum(np.square(np.stack((volts, volts - rest))), axis=2)
    there = sums[:, :, _QUIET - 1 :].copy()
    there[:, :, 1:] -= sums[:, :, :-_QUIET]
    there, expected = there / _QUIET
    since = np.arange(there.shape[1]) + (begin + _TRACE_FROM - middle)[:, None]
    quiet = (there < _STOPS_RATIO**2 * np.minimum(ahead[:, None], expected)) & (since >= 0)
    out: npt.NDArray[np.bool_] = quiet.any(axis=1)
    return out
