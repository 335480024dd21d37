"""The supply while an alternator charges it: below its current limit the regulator gives way by its lag and gain only,
beyond the limit the battery alone carries what the amplifier takes. Volts are then no straight line in current.

    v = c(t) - R z - K h - s          z: what the amplifier takes, through its reservoir and a capacitor
    h = lag(max(v + Rc z - limit_v, 0))   how far the alternator's volts stand above those at its current limit
    s = lag(slow * (Rb z + K h))      the battery's slow part; R = Rb + Rc

Standing volts fall by R an ampere at the limit, and by (R + K Rc) / (1 + K) an ampere while the alternator follows.
K is the regulator's gain in amperes a volt times the battery's resistance.

Gaps: none: the caller passes unbroken chunks.
Limits: one regulator with one lag; an alternator that is told by its engine what to do is not followed. Priors keep
what a recording cannot tell near what is usual (common practice, no source): field lag 0.1 s, K 1.5, the slow part's
time constant 1.3 s, within a factor.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`. Fitted by `supply_charging`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.detect.supply.supply_history import STEP_S
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import follow

AT_LIMIT_V = 0.03  # an alternator whose lagged volts stand no further above its limit is at it
LIMIT_SHARE, FOLLOWING_SHARE = 0.25, 0.35  # of the lively time, that a regime must have been seen
KNOWN_RATIO = 0.04  # standard error of a weight that is told
LIMIT_ERROR_RATIO, FOLLOWING_ERROR_RATIO = 0.04, 0.03  # what the model leaves out, standard
SPREAD_ERROR_RATIO = 2.5  # ... and what a spread of the size of the volts' own range would add to it
STRAYED_ERROR_RATIO = 0.18  # ... and other consumers, which draw the alternator over its limit as well

# Places in a row of parameters.
RESERVOIR, STORE, STORED, WHOLE, LEADS, HELP, FIELD, LIMIT, SLOW, SLOW_LAG = range(10)
N_PARAMETERS = 10
_LEAST_SWING_V = 1e-4
STEADY_QUANTILE = 0.02  # of the ripple: what is there when nothing is taken is the alternator's own whine
LEAST = np.array([np.log(0.001), np.log(0.002), 0.0, 0.0, 0.02, 0.0, np.log(0.03), 5.0, 0.0, np.log(0.5)])
MOST = np.array([np.log(0.03), np.log(0.12), 1.0, np.inf, 0.95, 8.0, np.log(0.4), 20.0, 1.2, np.log(4.0)])
# What is usual, and how far from it one may be: for what the recording cannot tell.
USUAL = np.array([np.log(0.005), np.log(0.015), 0.5, 0.0, 0.4, 1.5, np.log(0.1), 0.0, 0.25, np.log(1.3)])
WITHIN = np.array([0.8, 1.0, 0.5, np.inf, 0.25, 1.2, 0.5, np.inf, 0.25, 0.4])


@dataclass(frozen=True, slots=True)
class Chunks:
    """Stretches of one length, (c, n): what the amplifier takes is `power` through its reservoir, over `volts`;
    `ripple_v` the supply's rms within a step."""

    power: FloatArray
    volts: FloatArray
    ripple_v: FloatArray


def lag(x: FloatArray, tau_s: float) -> FloatArray:
    """Mean over each step of the first-order lag of rows that are constant within a step; they start settled."""
    keep = float(np.exp(-STEP_S / tau_s))
    state = np.stack([follow(row, keep) for row in x])
    out: FloatArray = x + (state - x) * (tau_s / STEP_S * (1 - keep))
    return out


def find_taken(chunks: Chunks, row: FloatArray) -> FloatArray:
    """(c, n) amperes, but for a factor, that reach the supply through the reservoir and what is stored behind it."""
    through = lag(chunks.power, float(np.exp(row[RESERVOIR]))) / chunks.volts
    share = row[STORED]
    out: FloatArray = (1 - share) * through + share * lag(through, float(np.exp(row[STORE])))
    return out


def simulate(chunks: Chunks, rows: FloatArray, constants: FloatArray) -> FloatArray:
    """(m, c, n) volts of m rows of parameters over c chunks; `constants` (m, c, 2): volts, and volts over 30 s.

    Only the alternator bends: step by step runs what it gives (`_give_way`), all else is known ahead.
    """
    n_chunks, n = chunks.power.shape
    at = (np.arange(n) - n / 2) * STEP_S / 30.0
    leads = rows[:, LEADS] * rows[:, WHOLE]
    battery, slow = rows[:, WHOLE] - leads, rows[:, SLOW]
    new_slow = -np.expm1(-STEP_S / np.exp(rows[:, SLOW_LAG]))
    above_v = constants[:, :, 0] - rows[:, LIMIT, None]  # of the open volts over those at the limit
    taken: dict[tuple[float, ...], tuple[FloatArray, FloatArray]] = {}
    keys = [tuple(row[[RESERVOIR, STORE, STORED, SLOW_LAG]]) for row in rows]
    over_v = np.empty((n, len(rows), n_chunks))  # of the volts at the alternator over those at its limit
    for k, key in enumerate(keys):
        if key not in taken:
            now = find_taken(chunks, rows[k])
            slowly = np.stack([follow(row, 1.0 - new_slow[k]) for row in now])
            taken[key] = now.T, slowly.T
        now_t, slowly_t = taken[key]
        over_v[:, k] = above_v[k] + constants[k, :, 1] * at[:, None] - battery[k] * (now_t + slow[k] * slowly_t)
    _give_way(rows, chunks.ripple_v, over_v)
    for k, key in enumerate(keys):
        over_v[:, k] += rows[k, LIMIT] - leads[k] * taken[key][0]
    out: FloatArray = np.moveaxis(over_v, 0, 2)
    return out


def _give_way(rows: FloatArray, ripple_v: FloatArray, over_v: FloatArray) -> None:
    """Take from `over_v`, (n, m, c), the volts at the alternator over those at its limit as they would be without it,
    what it gives: K h of the model, and what the slow part makes of that.

    Two numbers a row and chunk are carried. Within a step volts are taken to swing as a sine, as far as `ripple_v`,
    (c, n), says: part of a note's half-cycle may be above the limit and part below, and the mean of what lies above,
    not the mean volts, is what the alternator holds back. What the music draws stands at the alternator but for the
    leads' share; an alternator's own whine, which never leaves, stands there whole. The lag is solved over the step
    with the slope that this has at the beginning; exponentials by Pade, good to a thousandth.
    """
    shape = over_v.shape[1:]
    full = np.ones(shape)
    gain, slow = rows[:, HELP, None] * full, rows[:, SLOW, None]
    given_v = gain * np.maximum(over_v[0] / (1 + gain * (1 + slow)), 0.0)
    given_slow_v = slow * given_v
    per = STEP_S / np.exp(rows[:, FIELD, None]) * full
    per_gain = per * gain
    new_slow = -np.expm1(-STEP_S / np.exp(rows[:, SLOW_LAG, None])) * full
    keep_slow, new_slowly = 1.0 - new_slow, new_slow * slow
    battery_share2 = (1.0 - rows[:, LEADS, None]) ** 2 * full
    steady_v2 = 2.0 * float(np.quantile(ripple_v, STEADY_QUANTILE)) ** 2
    swings2 = np.maximum(2.0 * ripple_v.T**2 - steady_v2, _LEAST_SWING_V**2)
    swing, place, share, drive, rate, bent = (np.empty(shape) for _ in range(6))
    for over, swing_v2 in zip(over_v, swings2, strict=True):
        over -= given_slow_v
        np.multiply(battery_share2, swing_v2, out=swing)
        swing += steady_v2
        np.sqrt(swing, out=swing)
        np.subtract(over, given_v, out=rate)
        np.divide(rate, swing, out=place)
        np.maximum(place, -1.0, out=place)
        np.minimum(place, 1.0, out=place)
        np.arccos(-place, out=share)
        share *= 1 / np.pi  # of the swing, above the limit
        # drive = per * (K * mean of what lies above the limit - given)
        np.multiply(place, place, out=drive)
        np.subtract(1.0, drive, out=drive)
        np.sqrt(drive, out=drive)
        drive *= 1 / np.pi
        np.multiply(place, share, out=bent)
        drive += bent
        drive *= swing
        rate -= swing
        np.maximum(rate, 0.0, out=rate)
        drive += rate  # all of it above
        drive *= per_gain
        np.multiply(per, given_v, out=bent)
        drive -= bent
        np.multiply(per_gain, share, out=rate)
        rate += per
        np.multiply(rate, 1 / 12, out=bent)
        bent += 0.5
        rate *= bent
        rate += 1.0
        drive /= rate  # what is given changes by this over the step
        bent *= drive
        bent += given_v  # its mean over the step
        given_v += drive
        over -= bent
        given_slow_v *= keep_slow
        bent *= new_slowly
        given_slow_v += bent


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
    strayed_v: float  # rms of all that the model does not follow, other consumers that the fit passed over included
    n_steps: int
    parameters: FloatArray

    @property
    def limit_error_ratio(self) -> float:
        """Standard error of the limit's weight that the model brings: the more, the less of the volts it follows."""
        return float(np.hypot(LIMIT_ERROR_RATIO, self._left_out_v / self.range_v))

    @property
    def following_error_ratio(self) -> float:
        """The same of the weight below the limit: seen only over that part of the range which lies above it."""
        range_v = self.range_v * max(self.bend_share, 0.01)
        return float(np.hypot(FOLLOWING_ERROR_RATIO, self._left_out_v / range_v))

    @property
    def _left_out_v(self) -> float:
        """Volts whose share in the range counts as standard error."""
        return float(np.hypot(SPREAD_ERROR_RATIO * self.spread_v, STRAYED_ERROR_RATIO * self.strayed_v))

    @property
    def tells_limit(self) -> bool:
        """Whether the limit was reached often enough, and clearly enough, to be told."""
        return self.limit_share >= LIMIT_SHARE and self.limit_weight[1] <= KNOWN_RATIO * self.limit_weight[0]

    @property
    def tells_following(self) -> bool:
        """Whether the alternator followed often enough, and clearly enough, to be told."""
        weight, error = self.following_weight
        return self.following_share >= FOLLOWING_SHARE and error <= KNOWN_RATIO * weight

    def fall_after(self, demand: FloatArray, after_s: float, tone_hz: float = 0.0) -> FloatArray:
        """(n,) volts lost `after_s` after demand stepped from 0 to each of (n,) values, from the open volts.

        A tone's demand comes and goes at twice its frequency, from nothing to twice its mean; `tone_hz` 0: it is even.
        """
        open_v = self.open_v
        n_before = 2
        n = n_before + max(1, round(after_s / STEP_S))
        steps = np.zeros((len(demand), n))
        steps[:, n_before:] = demand[:, None]
        row = self.parameters
        gain = row[HELP] * (1.0 + row[SLOW])
        constant_v = open_v + max(0.0, gain * (open_v - row[LIMIT]))
        constants = np.zeros((1, len(demand), 2))
        constants[:, :, 0] = constant_v
        ripple_v = np.zeros_like(steps)
        if tone_hz:
            turn = 4j * np.pi * tone_hz
            passed = 1 - row[STORED] + row[STORED] / (1 + turn * np.exp(row[STORE]))
            ripple_v = row[WHOLE] * abs(passed / (1 + turn * np.exp(row[RESERVOIR]))) * steps / 2**0.5
        volts = simulate(Chunks(steps, np.ones_like(steps), ripple_v), row[None, :], constants)
        out: FloatArray = open_v - volts[0, :, -1]
        return out
