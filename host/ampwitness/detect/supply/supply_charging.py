"""Fits a charged supply in both regimes of its alternator; the model, and what it cannot tell, see `charging_model`.

Gaps: a chunk with a lost step is left out.
Limits: those of the model; a start that leads nowhere is one of several.
Source: Gauss and Newton's method from several starts with Huber's, then Tukey's weights; our choice, measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.charging_model import (
    AT_LIMIT_V,
    FIELD,
    HELP,
    LEADS,
    LEAST,
    LIMIT,
    MOST,
    N_PARAMETERS,
    SLOW,
    USUAL,
    WHOLE,
    WITHIN,
    ChargingFit,
    Chunks,
    find_taken,
    lag,
    simulate,
)
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray

CHUNK_S = 30.0
MOST_CHUNKS = 6  # the liveliest
LEAST_CHUNK_S = 5.0
LEAST_S = 8.0  # in all
_WARM_UP_S = 1.0
_WORTH = 0.75  # what the alternator's part must narrow the spread to
_WORTH_ALONE = 0.65  # the same where only one side of the limit was seen: all is linear then, and fits more easily
_STRAIGHT_RATIO = 0.003  # of the volts' range: so little left by a straight line is nothing that bends
_ALONE_SHARE = 0.10  # of the other side, up to which that is so
SMOOTH_STEPS = 3
_RIVAL = 1.05  # times the best one's spread, up to which another start explains the volts as well
_SPREAD_FLOOR_V = 0.0005
_TUKEY = 4.7
_GROUP_S = 0.2  # residuals nearer to each other are not independent, in the weight of what is usual
_CONSUMER_S = 2.0  # ... and in standard errors: so long other consumers run
_ROUNDS, _HUBER_ROUNDS = 20, 6
_HALVE_AFTER = (3, 6, 9)
_LIVELY_RATIO = 0.1
_AT_ONCE = 24  # starts times chunks looked around at together: all of six chunks take 60 MB, one by one twice the time
_STANDS_RATIO, _STANDS_ROUNDS = 1e-3, 2  # so little gained, so often: it stands

Flags = npt.NDArray[np.bool_]


def _gather(
    steps: SupplySteps, power: FloatArray, divisor: FloatArray, supply: FloatArray, rows: Flags
) -> tuple[Chunks, FloatArray, Flags] | None:
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
    ripple_v = steps.ripple_v if steps.ripple_v is not None else np.zeros(len(steps))
    return Chunks(cut(power), cut(divisor), cut(ripple_v)), cut(supply), counts


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
    whole, gain = float(row[WHOLE]), float(row[HELP])
    return whole, whole * (1.0 + gain * float(row[LEADS])) / (1.0 + gain)


class _Search:
    """Several starts at once, brought down to the best."""

    def __init__(self, chunks: Chunks, volts: FloatArray, counts: Flags) -> None:
        self._chunks, self._volts, self._counts = chunks, volts, counts
        self._counted = np.flatnonzero(counts)
        usual = find_taken(chunks, np.array([np.log(0.005), np.log(0.01), 0.5]))
        self.scale = max(1e-9, -float(np.polyfit(usual[counts], volts[counts], 1)[0]))
        self._steps = np.array([0.05, 0.05, 0.03, 0.02 * self.scale, 0.03, 0.1, 0.05, 0.02, 0.03, 0.05])
        low, high = (float(v) for v in np.quantile(volts[counts], [0.01, 0.99]))
        starts = [self._start(high + 0.3, 0.0, 1.0)]  # no alternator, or always at its limit
        # A limit above all volts too: an alternator that its own whine alone lets follow is found from there.
        for share in (1.1, 0.95, 0.75, 0.5, 0.2, -0.3):
            for gain, times in ((1.5, 1.5), (3.0, 2.2)):
                starts.append(self._start(low + share * (high - low), gain, times))
        self.rows = np.array(starts)
        self.helps = np.array([False, *[True] * (len(starts) - 1)])
        self.constants = np.zeros((len(starts), len(volts), 2))
        self.constants[:, :, 0] = high + 0.5
        for _ in range(6):
            left = np.where(counts, volts - simulate(chunks, self.rows, self.constants), np.nan)
            self.constants[:, :, 0] += np.nanmedian(left, axis=2) * (1 + 0.5 * self.rows[:, HELP, None])
        self._damping = np.full(len(starts), 1e-2)
        self._left = _smooth(volts - simulate(chunks, self.rows, self.constants))
        self._spread_v = self._spread(self._left)
        self._normal: list[tuple[FloatArray, FloatArray]] = []

    def _start(self, limit_v: float, gain: float, times: float) -> FloatArray:
        row = USUAL.copy()
        row[WHOLE], row[HELP], row[LIMIT] = self.scale * times, gain, limit_v
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
        stood = 0
        for number in range(_ROUNDS):
            is_huber = number < _HUBER_ROUNDS
            if number in (0, _HUBER_ROUNDS):
                near = self._look_around(self.rows, self.constants)
                self._normal = [self._linearize(k, slopes, is_huber) for k, (_, slopes) in enumerate(near)]
            stood = stood + 1 if self._improve(is_huber) < _STANDS_RATIO else 0
            if number in _HALVE_AFTER:
                self._halve()
            if stood >= _STANDS_ROUNDS and number > _HALVE_AFTER[-1]:
                break

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
        taken = find_taken(self._chunks, row)
        over_v = self._volts - self._left[k] + row[LEADS] * row[WHOLE] * taken - row[LIMIT]
        lively = self._counts & (taken > _LIVELY_RATIO * taken[self._counts].max())
        given_v = lag(np.maximum(over_v, 0.0), float(np.exp(row[FIELD])))
        if not lively.any():
            return 0.0, 1.0
        return float(np.mean(given_v[lively] < AT_LIMIT_V)), float(np.mean(over_v[lively] > AT_LIMIT_V))

    def _look_around(self, rows: FloatArray, constants: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
        """What each row of parameters leaves of the volts, (c, n), and the slopes of the volts there by each parameter
        and by the two constants, (N_PARAMETERS + 2, c, n); one row after the other."""
        each = max(1, _AT_ONCE // len(self._volts))
        for first in range(0, len(rows), each):
            part = slice(first, first + each)
            yield from self._look_around_some(rows[part], constants[part])

    def _look_around_some(self, rows: FloatArray, constants: FloatArray) -> Iterator[tuple[FloatArray, FloatArray]]:
        width = N_PARAMETERS + 3  # the row itself, then each unknown moved
        sizes = np.full((len(rows), N_PARAMETERS + 2), 0.02)
        sizes[:, :N_PARAMETERS] = np.where(rows + self._steps <= MOST, self._steps, -self._steps)
        moved = np.repeat(rows[:, None, :], width, axis=1)
        shifted = np.repeat(constants[:, None], width, axis=1)
        for unknown in range(N_PARAMETERS):
            moved[:, 1 + unknown, unknown] += sizes[:, unknown]
        shifted[:, N_PARAMETERS + 1, :, 0] += 0.02
        shifted[:, N_PARAMETERS + 2, :, 1] += 0.02
        volts = simulate(self._chunks, moved.reshape(-1, N_PARAMETERS), shifted.reshape(-1, *constants.shape[1:]))
        for k, size in enumerate(sizes):
            here, there = volts[k * width], volts[k * width + 1 : (k + 1) * width]
            slopes = there - here
            slopes /= size[:, None, None]
            yield _smooth(self._volts - here), _smooth(slopes)

    def _columns(self, slopes: FloatArray, helps: bool) -> FloatArray:
        """Slopes by all unknowns, the constants of each chunk apart, (unknowns, samples)."""
        n_chunks = slopes.shape[1]
        out = np.zeros((N_PARAMETERS + 2 * n_chunks, *slopes.shape[1:]))
        out[:N_PARAMETERS] = slopes[:N_PARAMETERS]
        if not helps:
            out[[HELP, FIELD, LIMIT]] = 0.0
        for c in range(n_chunks):
            out[N_PARAMETERS + 2 * c, c], out[N_PARAMETERS + 2 * c + 1, c] = (
                slopes[N_PARAMETERS, c],
                slopes[N_PARAMETERS + 1, c],
            )
        return out.reshape(len(out), -1)

    def _linearize(self, k: int, slopes: FloatArray, is_huber: bool) -> tuple[FloatArray, FloatArray]:
        """Normal equations of one start where it stands, priors included."""
        left, spread_v = self._left[k : k + 1], self._spread_v[k : k + 1]
        columns = self._columns(slopes, bool(self.helps[k]))
        weighted = columns * self._weigh(left, spread_v, is_huber).reshape(-1)
        gram, right = weighted @ columns.T, weighted @ left.reshape(-1)
        prior = self._prior(float(spread_v[0]))
        gram[np.arange(N_PARAMETERS), np.arange(N_PARAMETERS)] += prior
        right[:N_PARAMETERS] += prior * (USUAL - self.rows[k])
        return gram, right

    def _improve(self, is_huber: bool) -> float:
        """One damped step of every start; what does not lower its cost is not taken. Returns by how much of itself the
        cost fell most."""
        gained = 0.0
        rows, constants = self.rows.copy(), self.constants.copy()
        for k, (gram, right) in enumerate(self._normal):
            size = np.maximum(np.diag(gram), 1e-9)
            step = np.linalg.solve(gram + np.diag(size * self._damping[k] + 1e-12), right)
            rows[k] = np.clip(
                self.rows[k] + np.clip(step[:N_PARAMETERS], -10 * self._steps, 10 * self._steps), LEAST, MOST
            )
            if not self.helps[k]:
                rows[k, [HELP, FIELD, LIMIT]] = self.rows[k, [HELP, FIELD, LIMIT]]
            constants[k] = self.constants[k] + np.clip(step[N_PARAMETERS:].reshape(-1, 2), -0.5, 0.5)
        weights = self._weigh(self._left, self._spread_v, is_huber)
        priors = [self._prior(float(spread_v)) for spread_v in self._spread_v]
        for k, (left, slopes) in enumerate(self._look_around(rows, constants)):
            before = float((weights[k] * self._left[k] ** 2).sum() + priors[k] @ (self.rows[k] - USUAL) ** 2)
            behind = float((weights[k] * left**2).sum() + priors[k] @ (rows[k] - USUAL) ** 2)
            if behind < before:
                gained = max(gained, 1.0 - behind / before)
                self.rows[k], self.constants[k], self._left[k] = rows[k], constants[k], left
                self._spread_v[k] = self._spread(left[None])[0]
                self._damping[k] = max(self._damping[k] / 4, 1e-6)
                self._normal[k] = self._linearize(k, slopes, is_huber)
            else:
                self._damping[k] = min(self._damping[k] * 5, 1e4)
        return gained

    @staticmethod
    def _prior(spread_v: float) -> FloatArray:
        out: FloatArray = _GROUP_S / STEP_S * spread_v**2 / WITHIN**2
        return out

    def answer(self) -> ChargingFit | None:
        """The best with an alternator's part, or None where that explains no more than a supply without one."""
        spread = self._spread_v
        best = int(min(np.flatnonzero(self.helps), key=lambda k: spread[k]))
        without = int(np.flatnonzero(~self.helps)[0])
        share, bend_share = self._shares(best)
        worth = _WORTH_ALONE if min(share, 1.0 - share) < _ALONE_SHARE else _WORTH
        range_v = max(_SPREAD_FLOOR_V, float(np.ptp(np.quantile(self._volts[self._counts], (0.01, 0.99)))))
        if spread[best] > worth * spread[without] or spread[without] < _STRAIGHT_RATIO * range_v:
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
        settled = 1 + float(row[HELP]) * (1 + float(row[SLOW]))
        above_v = float(np.median(self.constants[0, :, 0])) - float(row[LIMIT])
        covariance = self._covariance(float(spread[best]))
        gain = float(row[HELP])
        whole, following = _two_weights(row)
        by = np.zeros(N_PARAMETERS)
        by[WHOLE] = (1 + gain * row[LEADS]) / (1 + gain)
        by[LEADS] = gain * whole / (1 + gain)
        by[HELP] = (row[LEADS] * whole - following) / (1 + gain)
        variances = (float(covariance[WHOLE, WHOLE]), float(by @ covariance @ by))
        limit_error, following_error = (
            float(np.hypot(np.sqrt(max(0.0, v)), far)) for v, far in zip(variances, apart, strict=True)
        )
        return ChargingFit(
            limit_weight=(whole, limit_error),
            following_weight=(following, following_error),
            limit_share=share,
            following_share=1.0 - share,
            bend_share=bend_share,
            limit_v=float(row[LIMIT]),
            open_v=float(row[LIMIT]) + (above_v / settled if above_v > 0 else above_v),
            spread_v=float(spread[best]),
            range_v=range_v,
            strayed_v=float(np.std(self._left[0][self._counts])),
            n_steps=int(self._counts.sum()),
            parameters=row.copy(),
        )

    def _covariance(self, spread_v: float) -> FloatArray:
        """Of the parameters, residuals within _CONSUMER_S taken as one."""
        weight = self._weigh(self._left, np.array([spread_v]), False)[0].reshape(-1)
        _, slopes = next(self._look_around(self.rows, self.constants))
        columns = self._columns(slopes, True)
        gram = (columns * weight) @ columns.T
        gram[np.arange(N_PARAMETERS), np.arange(N_PARAMETERS)] += self._prior(spread_v)
        inverse = np.linalg.pinv(gram)
        pushed = columns * (weight * self._left[0].reshape(-1))
        group = max(1, round(_CONSUMER_S / STEP_S))
        sums = np.add.reduceat(pushed, np.arange(0, pushed.shape[1], group), axis=1)
        middle = sums @ sums.T
        own = np.arange(N_PARAMETERS)
        middle[own, own] += self._prior(spread_v) * (_GROUP_S / STEP_S * spread_v**2)
        out: FloatArray = (inverse @ middle @ inverse)[:N_PARAMETERS, :N_PARAMETERS]
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
