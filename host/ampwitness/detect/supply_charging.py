"""The supply while an alternator charges it: below its current limit the regulator gives way by its lag and gain only,
beyond the limit the battery alone carries what the amplifier takes. Volts are then no straight line in current.

    v = c(t) - R z - K h - s          z: what the amplifier takes, through its reservoir and a capacitor
    h = lag(max(v + Rc z - limit_v, 0))   how far the alternator's volts stand above those at its current limit
    s = lag(slow * (Rb z + K h))      the battery's slow part; R = Rb + Rc

Standing volts fall by R an ampere at the limit, and by (R + K Rc) / (1 + K) an ampere while the alternator follows.
K is the regulator's gain in amperes a volt times the battery's resistance.

Gaps: a chunk with a lost step is left out.
Limits: one regulator with one lag; an alternator that is told by its engine what to do is not followed. Priors keep
what a recording cannot tell near what is usual (common practice, no source): field lag 0.1 s, K 1.5, the slow part's
time constant 1.3 s, within a factor.
Source: Gauss and Newton's method from several starts with Huber's, then Tukey's weights; our choice, measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import follow

CHUNK_S = 30.0
MOST_CHUNKS = 6  # the liveliest
LEAST_CHUNK_S = 5.0
LEAST_S = 8.0  # in all
AT_LIMIT_V = 0.03  # an alternator whose lagged volts stand no further above its limit is at it
LIMIT_SHARE, FOLLOWING_SHARE = 0.25, 0.35  # of the lively time, that a regime must have been seen
KNOWN_RATIO = 0.04  # standard error of a weight that is told
LIMIT_ERROR_RATIO, FOLLOWING_ERROR_RATIO = 0.04, 0.03  # what the model leaves out, standard
SPREAD_ERROR_RATIO = 2.5  # ... and what a spread of the size of the volts' own range would add to it
_WARM_UP_S = 1.0
_WORTH = 0.75  # what the alternator's part must narrow the spread to
_WORTH_ALONE = 0.65  # the same where only one side of the limit was seen: all is linear then, and fits more easily
_ALONE_SHARE = 0.10  # of the other side, up to which that is so
SMOOTH_STEPS = 3
_RIVAL = 1.05  # times the best one's spread, up to which another start explains the volts as well
_SPREAD_FLOOR_V = 0.0005
_TUKEY = 4.7
_GROUP_S = 0.2  # residuals nearer to each other are not independent
_ROUNDS, _HUBER_ROUNDS = 20, 6
_HALVE_AFTER = (3, 6, 9)
_LIVELY_RATIO = 0.1

# Places in a row of parameters.
_RESERVOIR, _STORE, _STORED, _WHOLE, _LEADS, _HELP, _FIELD, _LIMIT, _SLOW, _SLOW_LAG = range(10)
_N = 10
_LEAST = np.array([np.log(0.001), np.log(0.002), 0.0, 0.0, 0.02, 0.0, np.log(0.03), 5.0, 0.0, np.log(0.5)])
_MOST = np.array([np.log(0.03), np.log(0.12), 1.0, np.inf, 0.95, 8.0, np.log(0.4), 20.0, 1.2, np.log(4.0)])
# What is usual, and how far from it one may be: for what the recording cannot tell.
_USUAL = np.array([np.log(0.005), np.log(0.015), 0.5, 0.0, 0.4, 1.5, np.log(0.1), 0.0, 0.25, np.log(1.3)])
_WITHIN = np.array([0.8, 1.0, 0.5, np.inf, 0.25, 1.2, 0.5, np.inf, 0.25, 0.4])

_STARTS_AT_ONCE = 4  # looked around at together: all of them take 60 MB, one by one twice the time

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ChargingFit:
    """Volts lost per unit of demand in either regime, each with its standard error, and how much of it was seen.

    `limit_weight`: the alternator at its current limit; `following_weight`: below it. `limit_v`: volts at the
    alternator where the limit is reached. Shares are of the time in which the amplifier took something.
    """

    limit_weight: tuple[float, float]
    following_weight: tuple[float, float]
    limit_share: float
    following_share: float
    bend_share: float  # of that time, in which the volts stood above the limit: what they ranged over there
    limit_v: float
    open_v: float  # where the supply stands with nothing taken
    spread_v: float
    range_v: float  # what the volts ranged over, 98 % of them
    n_steps: int
    parameters: FloatArray

    @property
    def limit_error_ratio(self) -> float:
        """Standard error of the limit's weight that the model brings: the more, the less of the volts it follows."""
        return float(np.hypot(LIMIT_ERROR_RATIO, SPREAD_ERROR_RATIO * self.spread_v / self.range_v))

    @property
    def following_error_ratio(self) -> float:
        """The same of the weight below the limit: seen only over that part of the range which lies above it."""
        range_v = self.range_v * max(self.bend_share, 0.01)
        return float(np.hypot(FOLLOWING_ERROR_RATIO, SPREAD_ERROR_RATIO * self.spread_v / range_v))

    @property
    def tells_limit(self) -> bool:
        """Whether the limit was reached often enough, and clearly enough, to be told."""
        return self.limit_share >= LIMIT_SHARE and self.limit_weight[1] <= KNOWN_RATIO * self.limit_weight[0]

    @property
    def tells_following(self) -> bool:
        """Whether the alternator followed often enough, and clearly enough, to be told."""
        weight, error = self.following_weight
        return self.following_share >= FOLLOWING_SHARE and error <= KNOWN_RATIO * weight

    def fall_after(self, demand: FloatArray, after_s: float) -> FloatArray:
        """(n,) volts lost `after_s` after demand stepped from 0 to each of (n,) values, from the open volts."""
        open_v = self.open_v
        n_before = 2
        n = n_before + max(1, round(after_s / STEP_S))
        steps = np.zeros((len(demand), n))
        steps[:, n_before:] = demand[:, None]
        row = self.parameters
        gain = row[_HELP] * (1.0 + row[_SLOW])
        constant_v = open_v + max(0.0, gain * (open_v - row[_LIMIT]))
        constants = np.zeros((1, len(demand), 2))
        constants[:, :, 0] = constant_v
        volts = _simulate(_Chunks(steps, np.ones_like(steps)), row[None, :], constants)
        out: FloatArray = open_v - volts[0, :, -1]
        return out


@dataclass(frozen=True, slots=True)
class _Chunks:
    """Stretches of one length, (c, n): what the amplifier takes is `power` through its reservoir, over `volts`."""

    power: FloatArray
    volts: FloatArray


def _lag(x: FloatArray, tau_s: float) -> FloatArray:
    """Mean over each step of the first-order lag of rows that are constant within a step; they start settled."""
    keep = float(np.exp(-STEP_S / tau_s))
    state = np.stack([follow(row, keep) for row in x])
    out: FloatArray = x + (state - x) * (tau_s / STEP_S * (1 - keep))
    return out


def _taken(chunks: _Chunks, row: FloatArray) -> FloatArray:
    through = _lag(chunks.power, float(np.exp(row[_RESERVOIR]))) / chunks.volts
    share = row[_STORED]
    out: FloatArray = (1 - share) * through + share * _lag(through, float(np.exp(row[_STORE])))
    return out


def _simulate(chunks: _Chunks, rows: FloatArray, constants: FloatArray) -> FloatArray:
    """(m, c, n) volts of m rows of parameters over c chunks; `constants` (m, c, 2): volts, and volts over 30 s.

    Only the alternator bends: step by step runs what it gives (K h of the model, and what the slow part makes of that),
    all else is known ahead. Two numbers a row and chunk are carried, and a few operations are all that a step takes.
    """
    n_chunks, n = chunks.power.shape
    at = (np.arange(n) - n / 2) * STEP_S / 30.0
    leads = rows[:, _LEADS] * rows[:, _WHOLE]
    battery, slow, gain = rows[:, _WHOLE] - leads, rows[:, _SLOW], rows[:, _HELP]
    new_slow = -np.expm1(-STEP_S / np.exp(rows[:, _SLOW_LAG]))
    above_v = constants[:, :, 0] - rows[:, _LIMIT, None]  # of the open volts over those at the limit
    taken: dict[tuple[float, ...], tuple[FloatArray, FloatArray]] = {}
    keys = [tuple(row[[_RESERVOIR, _STORE, _STORED, _SLOW_LAG]]) for row in rows]
    over_v = np.empty((n, len(rows), n_chunks))  # of the volts at the alternator over those at its limit
    for k, key in enumerate(keys):
        if key not in taken:
            now = _taken(chunks, rows[k])
            slowly = np.stack([follow(row, 1.0 - new_slow[k]) for row in now])
            taken[key] = now.T, slowly.T
        now_t, slowly_t = taken[key]
        over_v[:, k] = above_v[k] + constants[k, :, 1] * at[:, None] - battery[k] * (now_t + slow[k] * slowly_t)
    given_v = gain[:, None] * np.maximum(over_v[0] / (1 + gain * (1 + slow))[:, None], 0.0)
    given_slow_v = slow[:, None] * given_v
    new = -np.expm1(-STEP_S / np.exp(rows[:, _FIELD, None]))
    keep, new_given = np.broadcast_to(1 - new, given_v.shape).copy(), np.repeat(gain[:, None] * new, n_chunks, axis=1)
    keep_slow = np.repeat(1 - new_slow[:, None], n_chunks, axis=1)
    new_slowly = np.repeat((new_slow * slow)[:, None], n_chunks, axis=1)
    some = np.empty_like(given_v)
    for over in over_v:
        over -= given_v
        over -= given_slow_v
        given_slow_v *= keep_slow
        np.multiply(new_slowly, given_v, out=some)
        given_slow_v += some
        given_v *= keep
        np.maximum(over, 0.0, out=some)
        some *= new_given
        given_v += some
    for k, key in enumerate(keys):
        over_v[:, k] += rows[k, _LIMIT] - leads[k] * taken[key][0]
    out: FloatArray = np.moveaxis(over_v, 0, 2)
    return out


def _gather(
    steps: SupplySteps, power: FloatArray, divisor: FloatArray, supply: FloatArray, rows: Flags
) -> tuple[_Chunks, FloatArray, Flags] | None:
    """The liveliest unbroken chunks, all of one length, their volts, and which steps count."""
    good = rows & np.isfinite(power) & np.isfinite(supply) & (divisor > 0)
    n = round(CHUNK_S / STEP_S)
    broken = (np.diff(steps.index, prepend=steps.index[0] - 1) != 1) | ~good
    edges = [0, *np.flatnonzero(broken).tolist(), len(supply)]
    spans = []
    for a, b in pairwise(edges):
        a += int(a < len(good) and not good[a])
        spans += [(k, min(k + n, b)) for k in range(a, b, n) if min(k + n, b) - k >= LEAST_CHUNK_S / STEP_S]
    demand = power / np.maximum(divisor, 1e-9)
    spans.sort(key=lambda span: -float(np.var(demand[span[0] : span[1]])) * (span[1] - span[0]))
    spans = sorted(spans[:MOST_CHUNKS])
    if not spans:
        return None
    width = max(b - a for a, b in spans)

    def cut(values: FloatArray) -> FloatArray:
        return np.stack([np.pad(values[a:b], (0, width - (b - a)), "edge") for a, b in spans])

    counts = np.stack([np.arange(width) < b - a for a, b in spans])
    counts[:, : round(_WARM_UP_S / STEP_S)] = False
    return _Chunks(cut(power), cut(divisor)), cut(supply), counts


def _smooth(rows: FloatArray) -> FloatArray:
    """Means over SMOOTH_STEPS steps: within a step power is taken for constant, which under a low note it is not."""
    half = SMOOTH_STEPS // 2
    padded = np.concatenate(
        (np.repeat(rows[..., :1], half, axis=-1), rows, np.repeat(rows[..., -1:], half, axis=-1)), axis=-1
    )
    n = rows.shape[-1]
    out = padded[..., :n].copy()
    for k in range(1, SMOOTH_STEPS):
        out += padded[..., k : k + n]
    out /= SMOOTH_STEPS
    return out


def _two_weights(row: FloatArray) -> tuple[float, float]:
    """Volts lost per unit of demand at the limit, and while the alternator follows."""
    whole, gain = float(row[_WHOLE]), float(row[_HELP])
    return whole, whole * (1.0 + gain * float(row[_LEADS])) / (1.0 + gain)


class _Search:
    """Several starts at once, brought down to the best."""

    def __init__(self, chunks: _Chunks, volts: FloatArray, counts: Flags) -> None:
        self._chunks, self._volts, self._counts = chunks, volts, counts
        self._counted = np.flatnonzero(counts)
        usual = _taken(chunks, np.array([np.log(0.005), np.log(0.01), 0.5]))
        self.scale = max(1e-9, -float(np.polyfit(usual[counts], volts[counts], 1)[0]))
        self._steps = np.array([0.05, 0.05, 0.03, 0.02 * self.scale, 0.03, 0.1, 0.05, 0.02, 0.03, 0.05])
        low, high = (float(v) for v in np.quantile(volts[counts], [0.01, 0.99]))
        starts = [self._start(high + 0.3, 0.0, 1.0)]  # no alternator, or always at its limit
        for share in (0.95, 0.75, 0.5, 0.2, -0.3):
            for gain, times in ((1.5, 1.5), (3.0, 2.2)):
                starts.append(self._start(low + share * (high - low), gain, times))
        self.rows = np.array(starts)
        self.helps = np.array([False, *[True] * (len(starts) - 1)])
        self.constants = np.zeros((len(starts), len(volts), 2))
        self.constants[:, :, 0] = high + 0.5
        for _ in range(6):
            left = np.where(counts, volts - _simulate(chunks, self.rows, self.constants), np.nan)
            self.constants[:, :, 0] += np.nanmedian(left, axis=2) * (1 + 0.5 * self.rows[:, _HELP, None])
        self._damping = np.full(len(starts), 1e-2)
        self._left = _smooth(volts - _simulate(chunks, self.rows, self.constants))
        self._spread_v = self._spread(self._left)
        self._normal: list[tuple[FloatArray, FloatArray]] = []

    def _start(self, limit_v: float, gain: float, times: float) -> FloatArray:
        row = _USUAL.copy()
        row[_WHOLE], row[_HELP], row[_LIMIT] = self.scale * times, gain, limit_v
        return row

    def _spread(self, left: FloatArray) -> FloatArray:
        inside = np.abs(left.reshape(len(left), -1)[:, self._counted])
        out: FloatArray = np.maximum(_SPREAD_FLOOR_V, 1.4826 * np.median(inside, axis=1))
        return out

    def _weigh(self, left: FloatArray, spread_v: FloatArray, is_huber: bool) -> FloatArray:
        """By how far each step lies off; 0 where it does not count."""
        ratio = np.abs(left) / spread_v[:, None, None]
        weight = 1 / np.maximum(ratio, 1) if is_huber else np.clip(1 - (ratio / _TUKEY) ** 2, 0, None) ** 2 + 1e-6
        return np.where(self._counts, weight, 0.0)

    def run(self) -> None:
        """All rounds; afterwards the best start with and the best without the alternator's part are left."""
        for number in range(_ROUNDS):
            is_huber = number < _HUBER_ROUNDS
            if number in (0, _HUBER_ROUNDS):
                near = self._look_around(self.rows, self.constants)
                self._normal = [self._linearize(k, slopes, is_huber) for k, (_, slopes) in enumerate(near)]
            self._improve(is_huber)
            if number in _HALVE_AFTER:
                self._halve()

    def _halve(self) -> None:
        order = [k for k in np.argsort(self._spread_v).tolist() if self.helps[k]]
        shares = {k: self._limit_share(k) for k in order}
        # The best of those mostly at the limit and of those mostly below it go on: the two are later held together.
        firsts = [next((k for k in order if (shares[k] > 0.5) == side), None) for side in (True, False)]
        wanted = max(2, len(order) // 2)
        chosen = [k for place, k in enumerate(order) if place < wanted or k in firsts]
        kept = np.array([*chosen, *np.flatnonzero(~self.helps)])
        self.rows, self.helps, self.constants = self.rows[kept], self.helps[kept], self.constants[kept]
        self._damping, self._left, self._spread_v = self._damping[kept], self._left[kept], self._spread_v[kept]
        self._normal = [self._normal[k] for k in kept]

    def _limit_share(self, k: int) -> float:
        """Share of the lively time in which the alternator of one start is at its limit."""
        return self._shares(k)[0]

    def _shares(self, k: int) -> tuple[float, float]:
        """The same, and that in which its volts stand above those at the limit, whatever its lag makes of it."""
        row = self.rows[k]
        taken = _taken(self._chunks, row)
        over_v = self._volts - self._left[k] + row[_LEADS] * row[_WHOLE] * taken - row[_LIMIT]
        lively = self._counts & (taken > _LIVELY_RATIO * taken[self._counts].max())
        given_v = _lag(np.maximum(over_v, 0.0), float(np.exp(row[_FIELD])))
        if not lively.any():
            return 0.0, 1.0
        return float(np.mean(given_v[lively] < AT_LIMIT_V)), float(np.mean(over_v[lively] > AT_LIMIT_V))

    def _look_around(self, rows: FloatArray, constants: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
        """What each row of parameters leaves of the volts, (c, n), and the slopes of the volts there by each parameter
        and by the two constants, (_N + 2, c, n); one row after the other."""
        for first in range(0, len(rows), _STARTS_AT_ONCE):
            part = slice(first, first + _STARTS_AT_ONCE)
            yield from self._look_around_some(rows[part], constants[part])

    def _look_around_some(self, rows: FloatArray, constants: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
        width = _N + 3  # the row itself, then each unknown moved
        sizes = np.full((len(rows), _N + 2), 0.02)
        sizes[:, :_N] = np.where(rows + self._steps <= _MOST, self._steps, -self._steps)
        moved = np.repeat(rows[:, None, :], width, axis=1)
        shifted = np.repeat(constants[:, None], width, axis=1)
        for unknown in range(_N):
            moved[:, 1 + unknown, unknown] += sizes[:, unknown]
        shifted[:, _N + 1, :, 0] += 0.02
        shifted[:, _N + 2, :, 1] += 0.02
        volts = _simulate(self._chunks, moved.reshape(-1, _N), shifted.reshape(-1, *constants.shape[1:]))
        for k, size in enumerate(sizes):
            here, there = volts[k * width], volts[k * width + 1 : (k + 1) * width]
            slopes = there - here
            slopes /= size[:, None, None]
            yield _smooth(self._volts - here), _smooth(slopes)

    def _columns(self, slopes: FloatArray, helps: bool) -> FloatArray:
        """Slopes by all unknowns, the constants of each chunk apart, (unknowns, samples)."""
        n_chunks = slopes.shape[1]
        out = np.zeros((_N + 2 * n_chunks, *slopes.shape[1:]))
        out[:_N] = slopes[:_N]
        if not helps:
            out[[_HELP, _FIELD, _LIMIT]] = 0.0
        for c in range(n_chunks):
            out[_N + 2 * c, c], out[_N + 2 * c + 1, c] = slopes[_N, c], slopes[_N + 1, c]
        return out.reshape(len(out), -1)

    def _linearize(self, k: int, slopes: FloatArray, is_huber: bool) -> tuple[FloatArray, FloatArray]:
        """Normal equations of one start where it stands, priors included."""
        left, spread_v = self._left[k : k + 1], self._spread_v[k : k + 1]
        columns = self._columns(slopes, bool(self.helps[k]))
        weighted = columns * self._weigh(left, spread_v, is_huber).reshape(-1)
        gram, right = weighted @ columns.T, weighted @ left.reshape(-1)
        prior = self._prior(float(spread_v[0]))
        gram[np.arange(_N), np.arange(_N)] += prior
        right[:_N] += prior * (_USUAL - self.rows[k])
        return gram, right

    def _improve(self, is_huber: bool) -> None:
        """One damped step of every start; what does not lower its cost is not taken."""
        rows, constants = self.rows.copy(), self.constants.copy()
        for k, (gram, right) in enumerate(self._normal):
            size = np.maximum(np.diag(gram), 1e-9)
            step = np.linalg.solve(gram + np.diag(size * self._damping[k] + 1e-12), right)
            rows[k] = np.clip(self.rows[k] + np.clip(step[:_N], -10 * self._steps, 10 * self._steps), _LEAST, _MOST)
            if not self.helps[k]:
                rows[k, [_HELP, _FIELD, _LIMIT]] = self.rows[k, [_HELP, _FIELD, _LIMIT]]
            constants[k] = self.constants[k] + np.clip(step[_N:].reshape(-1, 2), -0.5, 0.5)
        weights = self._weigh(self._left, self._spread_v, is_huber)
        priors = [self._prior(float(spread_v)) for spread_v in self._spread_v]
        for k, (left, slopes) in enumerate(self._look_around(rows, constants)):
            before = float((weights[k] * self._left[k] ** 2).sum() + priors[k] @ (self.rows[k] - _USUAL) ** 2)
            if float((weights[k] * left**2).sum() + priors[k] @ (rows[k] - _USUAL) ** 2) < before:
                self.rows[k], self.constants[k], self._left[k] = rows[k], constants[k], left
                self._spread_v[k] = self._spread(left[None])[0]
                self._damping[k] = max(self._damping[k] / 4, 1e-6)
                self._normal[k] = self._linearize(k, slopes, is_huber)
            else:
                self._damping[k] = min(self._damping[k] * 5, 1e4)

    @staticmethod
    def _prior(spread_v: float) -> FloatArray:
        out: FloatArray = _GROUP_S / STEP_S * spread_v**2 / _WITHIN**2
        return out

    def answer(self) -> ChargingFit | None:
        """The best with an alternator's part, or None where that explains no more than a supply without one."""
        spread = self._spread_v
        best = int(min(np.flatnonzero(self.helps), key=lambda k: spread[k]))
        without = int(np.flatnonzero(~self.helps)[0])
        share, bend_share = self._shares(best)
        worth = _WORTH_ALONE if min(share, 1.0 - share) < _ALONE_SHARE else _WORTH
        if spread[best] > worth * spread[without]:
            return None
        # What others say that explain the volts as well is as likely: how far they lie off counts as a standard error.
        rivals = np.flatnonzero(self.helps & (spread <= _RIVAL * spread[best]))
        apart = np.abs(np.array([_two_weights(self.rows[k]) for k in rivals]) - _two_weights(self.rows[best])).max(
            axis=0
        )
        kept = np.array([best])
        self.rows, self.helps, self.constants = self.rows[kept], self.helps[kept], self.constants[kept]
        self._left = self._left[kept]
        row = self.rows[0]
        settled = 1 + float(row[_HELP]) * (1 + float(row[_SLOW]))
        above_v = float(np.median(self.constants[0, :, 0])) - float(row[_LIMIT])
        covariance = self._covariance(float(spread[best]))
        gain = float(row[_HELP])
        whole, following = _two_weights(row)
        by = np.zeros(_N)
        by[_WHOLE] = (1 + gain * row[_LEADS]) / (1 + gain)
        by[_LEADS] = gain * whole / (1 + gain)
        by[_HELP] = (row[_LEADS] * whole - following) / (1 + gain)
        variances = (float(covariance[_WHOLE, _WHOLE]), float(by @ covariance @ by))
        limit_error, following_error = (
            float(np.hypot(np.sqrt(max(0.0, v)), far)) for v, far in zip(variances, apart, strict=True)
        )
        return ChargingFit(
            limit_weight=(whole, limit_error),
            following_weight=(following, following_error),
            limit_share=share,
            following_share=1.0 - share,
            bend_share=bend_share,
            limit_v=float(row[_LIMIT]),
            open_v=float(row[_LIMIT]) + (above_v / settled if above_v > 0 else above_v),
            spread_v=float(spread[best]),
            range_v=max(_SPREAD_FLOOR_V, float(np.ptp(np.quantile(self._volts[self._counts], (0.01, 0.99))))),
            n_steps=int(self._counts.sum()),
            parameters=row.copy(),
        )

    def _covariance(self, spread_v: float) -> FloatArray:
        """Of the parameters, residuals within a group taken as one."""
        weight = self._weigh(self._left, np.array([spread_v]), False)[0].reshape(-1)
        _, slopes = next(self._look_around(self.rows, self.constants))
        columns = self._columns(slopes, True)
        gram = (columns * weight) @ columns.T
        gram[np.arange(_N), np.arange(_N)] += self._prior(spread_v)
        inverse = np.linalg.pinv(gram)
        pushed = columns * (weight * self._left[0].reshape(-1))
        group = max(1, round(_GROUP_S / STEP_S))
        sums = np.add.reduceat(pushed, np.arange(0, pushed.shape[1], group), axis=1)
        middle = sums @ sums.T
        middle[np.arange(_N), np.arange(_N)] += self._prior(spread_v) * (_GROUP_S / STEP_S * spread_v**2)
        out: FloatArray = (inverse @ middle @ inverse)[:_N, :_N]
        return out


def fit_charging(
    steps: SupplySteps, power: FloatArray, divisor: FloatArray, supply: FloatArray, rows: Flags
) -> ChargingFit | None:
    """Fit a charged supply in both regimes of its alternator.

    Parameters
    ----------
    steps : where the rows lie in time
    power, divisor : (n,) what the amplifier takes is `power` (through its reservoir) over `divisor`: mean square of the
        output over the supply volts, or a measured current over 1
    supply : (n,) volts
    rows : (n,) which may be used

    Returns
    -------
    ChargingFit, or None with too little material, or where an alternator's part explains nothing.
    """
    got = _gather(steps, power, divisor, supply, rows)
    if got is None or got[2].sum() < LEAST_S / STEP_S:
        return None
    if float(np.ptp((got[0].power / got[0].volts)[got[2]])) <= 0:
        return None
    search = _Search(*got)
    search.run()
    return search.answer()
