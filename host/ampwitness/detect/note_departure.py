"""Where the waveform leaves what it did before: the instants at which notes begin, many at once.

What went before is carried on by linear prediction; where it had gone silent, by silence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

BEFORE = 230  # slow samples looked at ahead of a place
BEHIND = 81  # and from it on
MARGIN = 30  # nothing within this of the place is used to predict
_ORDER = 32  # 32 ms at 1000 samples a second: two tones some hertz apart are told from one
_NOISE_V = 0.012  # rms of a slow sample: the logger's own noise, with a margin
_LEAST_SHARE = 1e-7
_STEPS = 8
_CARRIED_ON = MARGIN + 60  # slow samples: over so many novelty is measured
_ROWS_AT_ONCE = 128  # predicted together: their products stay near the processor, and in memory that is there already
_LAG_BLOCK = 8  # divides what lies before the margin less the order
_LULL = 12
_LULL_RATIO = 0.05
_LULL_NOISE_V = 0.040
_STILL_V = 0.030  # rms of a silence: the logger's own noise, with a margin
STEADY_RATIO = 0.01  # of energy, that prediction leaves of a tone that stands or rings on
_LULL_BACK = 54  # a rise is placed to some 20 ms: no silence that ended long before
_LEAST_NOVELTY = 0.10  # what is less new than this is dated by nobody
_LEAST_SIGMAS = 6.0
_LEAST_OVER_LIMIT = 1.2  # of the largest swing, of what a corner must pass
TURN_MARGIN = 7
_KNEE_BACK = 10
_KNEE_AHEAD = 5
_MODEL_RATIO = 0.002  # of the peak: what no shape of a corner describes
# A wave out of silence fades in as often as not; what departs from another is struck.
_FADES_RAW, _FADES_SLOW = 1.0, 0.1
_TRACE_FROM, _TRACE_STOP = BEFORE - 64, BEFORE + 42  # in which a corner is looked for, with what it is fitted to
_FINE = 16  # corners tried a slow sample

Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Departures:
    """One entry a place: (k,) arrays. `at` is NaN where nothing departs."""

    at: FloatArray  # slow samples after the place, with a fraction
    novelty_short: FloatArray  # share of the energy in the 30 ms behind the place that was not predicted
    novelty_long: FloatArray  # the same over 60 ms
    is_lull: npt.NDArray[np.bool_]  # silence lay before: there was nothing to predict
    is_end: npt.NDArray[np.bool_]  # what departs is the stop of what went before
    unexplained: FloatArray  # share of the energy before that the prediction leaves, one sample ahead
    lull_at: Places  # where the silence begins, slow samples after the place (a negative number)


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
    `python -m ampwitness.bench.note_scores`.
    """

    def __init__(self, taps: FloatArray, factor: int) -> None:
        self._tables = _knee_tables(taps, factor)
        self._products = np.empty((_ROWS_AT_ONCE, _ORDER, _ORDER))

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
            lull_at = quiet_from
            lull_mean = np.array([float(row[a : a + 4].mean()) for row, a in zip(slow, quiet_from, strict=True)])
            lull_rms = np.full(k, _NOISE_V)
        is_lull = lull_at >= 0
        is_still = lull_rms <= _STILL_V
        short, long, unexplained = np.ones(k), np.ones(k), np.ones(k)
        trace = np.zeros((k, _TRACE_STOP - _TRACE_FROM))
        asked = np.flatnonzero(~(is_lull & is_steep & is_still))
        if len(asked):
            some = high[asked]
            rest, unexplained[asked] = self._predict(some, starts[asked])
            short[asked], long[asked] = (_share_new(rest, some, n) for n in (30, 60))
            trace[asked, BEFORE - MARGIN - _TRACE_FROM :] = rest[:, : _TRACE_STOP - BEFORE + MARGIN]
        # What still moves there and is well predicted is no silence.
        if quiet_from is None:
            is_lull &= is_still | (unexplained > STEADY_RATIO)
        trace[is_lull] = slow[is_lull, _TRACE_FROM:_TRACE_STOP] - lull_mean[is_lull, None]
        at = np.full(k, np.nan)
        is_end = np.zeros(k, dtype=bool)
        rows = np.flatnonzero(is_lull | (np.maximum(short, long) >= _LEAST_NOVELTY))
        if len(rows):
            level = high[rows, : BEFORE - MARGIN]
            before_v = np.sqrt(np.einsum("ij,ij->i", level, level) / level.shape[1] * unexplained[rows])
            still = is_lull[rows]
            noise_v = np.where(still, np.maximum(lull_rms[rows], 0.5 * _NOISE_V), np.maximum(before_v, _NOISE_V))
            behind_lull = lull_at[rows] + (4 if quiet_from is not None else _LULL // 2)
            from_at = np.where(still, behind_lull, BEFORE - MARGIN) - _TRACE_FROM
            size = np.abs(trace[rows])
            peak_v = np.max(size[:, BEFORE - _TRACE_FROM : BEFORE - _TRACE_FROM + 30], axis=1)
            limit_v = np.maximum(_LEAST_SIGMAS * noise_v, np.where(still, 0.01, 0.04) * peak_v)
            # In dense music most stand out of nothing: no corner is looked for there.
            out = np.flatnonzero(peak_v > _LEAST_OVER_LIMIT * limit_v)
            rows = rows[out]
            corners = self._corners(trace[rows], size[out], from_at[out], limit_v[out], peak_v[out])
            at[rows] = corners + _TRACE_FROM
            is_end[rows] = _are_ends(slow[rows], at[rows])
        return Departures(at - BEFORE, short, long, is_lull, is_end, unexplained, lull_at - BEFORE)

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
        both, left = self._predict(np.concatenate((ahead, behind)), np.zeros(2 * k, dtype=np.intp))
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

    def measure_novelty(self, high: FloatArray, starts: Places) -> tuple[FloatArray, FloatArray]:
        """How new what lies behind places is, over 30 and 60 ms, (k,) each: as `find` has it where no silence was.

        Parameters
        ----------
        high, starts : as for `find`
        """
        rest, _ = self._predict(high, starts)
        short, long = (_share_new(rest, high, n) for n in (30, 60))
        return short, long

    def _predict(self, high: FloatArray, starts: Places) -> tuple[FloatArray, FloatArray]:
        """What prediction from before the margin leaves of `_CARRIED_ON` samples behind it, and the share it leaves
        before."""
        rest, unexplained = np.empty((len(high), _CARRIED_ON)), np.empty(len(high))
        for first in range(0, len(high), _ROWS_AT_ONCE):
            some = slice(first, first + _ROWS_AT_ONCE)
            rest[some], unexplained[some] = self._predict_some(high[some], starts[some])
        return rest, unexplained

    def _predict_some(self, high: FloatArray, starts: Places) -> tuple[FloatArray, FloatArray]:
        n_before, p = BEFORE - MARGIN, _ORDER
        own, aim, whole, n_used = lagged_products(high[:, :n_before], starts, self._products[: len(high)])
        diagonal = np.einsum("kii->ki", own)
        ridge = n_used * _NOISE_V**2 + _LEAST_SHARE * diagonal.mean(axis=1)
        diagonal += ridge[:, None]
        weights = np.linalg.solve(own, aim[:, :, None])[:, :, 0]
        left = whole - np.einsum("kp,kp->k", weights, aim)
        left -= ridge * np.einsum("kp,kp->k", weights, weights)
        unexplained = np.clip(left / np.maximum(whole, 1e-30), 0.0, 1.0)
        # One product carries on `_STEPS` samples: column j says how the last p samples make the j-th to come.
        columns = np.zeros((_STEPS, len(high), p))
        for j, column in enumerate(columns):
            # Old samples shift out of reach one by one; what was predicted takes their place.
            column[:, j:] = weights[:, : p - j]
            for i in range(j):
                column += weights[:, p - j + i, None] * columns[i]
        ahead = np.ascontiguousarray(columns.transpose(1, 2, 0))
        buffer = np.empty((len(high), p + _STEPS * -(-_CARRIED_ON // _STEPS)))
        buffer[:, :p] = high[:, n_before - p : n_before]
        for j in range(p, buffer.shape[1], _STEPS):
            buffer[:, j : j + _STEPS] = np.matmul(buffer[:, None, j - p : j], ahead)[:, 0]
        predicted = np.clip(buffer[:, p : p + _CARRIED_ON], -1e3, 1e3)
        return high[:, n_before : n_before + _CARRIED_ON] - predicted, unexplained

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
        first = np.maximum(first, _KNEE_BACK)
        grown = np.maximum(4.0 * limit_v, 0.08 * peak_v)
        row = np.arange(k)
        ahead = _spans(size, _KNEE_AHEAD)[row, first] > grown[:, None]
        last = np.where(ahead.any(axis=1), np.argmax(ahead, axis=1), _KNEE_AHEAD - 1)
        y = _spans(trace, _KNEE_BACK + _KNEE_AHEAD)[row, first - _KNEE_BACK]
        at = np.full(k, np.nan)
        odds_v = np.maximum(limit_v / _LEAST_SIGMAS, _MODEL_RATIO * peak_v)
        for n_last, table in enumerate(self._tables):
            rows = np.flatnonzero(is_there & (last == n_last))
            if len(rows):
                at[rows] = first[rows] - table.best(y[rows, : _KNEE_BACK + n_last + 1], odds_v[rows])
        return at


def lagged_products(
    x: FloatArray, starts: Places, own: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Sums over t of x[t + i] x[t + j] with p the order: for i, j < p, (k, p, p); for i < p and j = p, (k, p); for
    i = j = p, (k,); t from each row's start on while x lasts. And how many t there are, (k,). The first is put into
    `own` where that is given.

    Only the first row is summed up: one step down a diagonal, the sum loses one product and gains one.
    """
    k, p, n = len(x), _ORDER, x.shape[1] - _ORDER
    starts = np.minimum(starts, n)
    used = x[:, :n]
    if starts.any():
        used = np.where(np.arange(n)[None, :] >= starts[:, None], used, 0.0)
    padded = np.concatenate((x, np.zeros((k, p))), axis=1)
    lost, gained = _spans(padded, 2 * p)[np.arange(k), starts], padded[:, n:]
    own, aim = np.empty((k, p, p)) if own is None else own, np.empty((k, p))
    sums = _first_lags(used, x)  # by the distance of i and j, for i at first 0
    for i in range(p):
        left = sums[:, : p - i]  # no more is asked for from here on
        own[:, i, i:] = own[:, i:, i] = left
        aim[:, i] = sums[:, p - i]
        left += gained[:, i:p] * gained[:, i, None]
        left -= lost[:, i:p] * lost[:, i, None]
    return own, aim, sums[:, 0], np.maximum(n - starts, 1.0)


def _first_lags(used: FloatArray, x: FloatArray) -> FloatArray:
    """Sums over t of used[t] x[t + l] for l up to the order, (k, p + 1): by products of short blocks, as those are
    what is quick."""
    k, n, wide = len(x), used.shape[1], _LAG_BLOCK + _ORDER
    strides = (x.strides[0], _LAG_BLOCK * x.strides[1], x.strides[1])
    reach = np.lib.stride_tricks.as_strided(x, (k, n // _LAG_BLOCK, wide), strides, writeable=False)
    products = np.matmul(used.reshape(k, -1, _LAG_BLOCK).transpose(0, 2, 1), np.ascontiguousarray(reach))
    sums: FloatArray = products[:, 0, : _ORDER + 1].copy()
    for at in range(1, _LAG_BLOCK):
        sums += products[:, at, at : at + _ORDER + 1]
    return sums


def _share_new(rest: FloatArray, high: FloatArray, n: int) -> FloatArray:
    """Share of the energy of n samples behind each place that was not predicted."""
    left, whole = rest[:, MARGIN : MARGIN + n], high[:, BEFORE : BEFORE + n]
    out: FloatArray = _squares(left) / np.maximum(_squares(whole), 1e-30)
    return out


def _squares(values: FloatArray) -> FloatArray:
    out: FloatArray = np.einsum("ij,ij->i", values, values)
    return out


def _rms(values: FloatArray) -> FloatArray:
    """Of each row, about its mean."""
    mean = np.einsum("ij->i", values) / values.shape[1]
    out: FloatArray = np.sqrt(_squares(values - mean[:, None]) / values.shape[1])
    return out


def _spans(values: FloatArray, n: int) -> FloatArray:
    """(k, m - n + 1, n): all spans of n samples of each row. numpy's own windows take ten times as long to set up."""
    k, m = values.shape
    strides = (*values.strides, values.strides[1])
    return np.lib.stride_tricks.as_strided(values, (k, m - n + 1, n), strides, writeable=False)


@dataclass(frozen=True, slots=True)
class _KneeTable:
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
        limit_v = np.maximum(_LEAST_SIGMAS * noise_v, 0.01 * peak_v)
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
        odds_v = np.maximum(noise_v, _MODEL_RATIO * peak_v)
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


def _raw_table(n_back: int, n_last: int, ms: int) -> _KneeTable:
    back = np.arange(0.0, 5.6 * ms, 0.5)
    u = np.maximum(np.arange(-n_back, n_last + 1)[:, None] + back[None, :], 0.0) / ms
    return _knee_table(u, u * u, u**3, back, _FADES_RAW)


def _knee_table(one: FloatArray, two: FloatArray, three: FloatArray, back: FloatArray, odds: float) -> _KneeTable:
    pairs = (*_orthonormal(one, two), *_orthonormal(two, three))
    return _KneeTable(np.concatenate(pairs, axis=1), back, odds)


def _orthonormal(one: FloatArray, two: FloatArray) -> tuple[FloatArray, FloatArray]:
    one = one / np.maximum(np.linalg.norm(one, axis=0), 1e-12)
    two = two - one * np.sum(one * two, axis=0)
    size = np.linalg.norm(two, axis=0)
    return one, np.where(size > 1e-9, two / np.maximum(size, 1e-12), 0.0)


def _knee_tables(taps: FloatArray, factor: int) -> list[_KneeTable]:
    back = np.arange(0, 8 * _FINE) / _FINE
    weights = taps / taps.sum()
    at = (np.arange(len(taps)) - len(taps) // 2) / factor
    tables = []
    for n_last in range(_KNEE_AHEAD):
        sample = np.arange(-_KNEE_BACK, n_last + 1)
        u = np.maximum(sample[:, None, None] + back[None, :, None] + at[None, None, :], 0.0)
        tables.append(_knee_table(u @ weights, (u * u) @ weights, (u**3) @ weights, back, _FADES_SLOW))
    return tables


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
    lately = slow[:, BEFORE - 200 : BEFORE]
    # The flat top of a clipped wave is still, but not at rest.
    off_v = np.abs(mean - lately.mean(axis=1)[:, None])
    most_v = np.maximum(4.0 * _LULL_RATIO * strength, 0.25 * _rms(lately))
    rms = np.where(off_v > most_v[:, None], np.inf, rms)
    rms = np.where(np.arange(rms.shape[1])[None, :] + first < starts[:, None], np.inf, rms)
    quietest = rms.min(axis=1)
    limit = np.maximum(_LULL_RATIO * strength, np.minimum(3.0 * _LULL_RATIO * strength, _LULL_NOISE_V))
    # The last one that is as quiet: nearest to the rise.
    quiet = rms <= 1.25 * quietest[:, None]
    at = rms.shape[1] - 1 - np.argmax(quiet[:, ::-1], axis=1)
    row = np.arange(len(slow))
    found = np.isfinite(quietest) & (quietest <= limit)
    return np.where(found, first + at, -1), mean[row, at], np.where(found, quietest, 0.0)


def _are_ends(slow: FloatArray, at: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether what departs is the stop of what went before, not yet the beginning of a note."""
    middle = np.clip(np.nan_to_num(at, nan=float(BEFORE)).astype(np.intp), 26, slow.shape[1] - 26)
    around = _spans(slow, 50)[np.arange(len(slow)), middle - 25]
    out: npt.NDArray[np.bool_] = np.isfinite(at) & (_rms(around[:, 26:]) < 0.25 * _rms(around[:, :25]))
    return out
