"""What current a recording's loudspeaker draws, up to a scale, learned from where an amplifier stops giving more.

An output stage that limits its current breaks off a rising flank with a knee, and the current is the same at each of
them, whatever the volts are. Few loads have that property for given volts, and hardly any has it together with this:
nowhere in the recording does it draw more. So the load (a moving-coil loudspeaker: coil, inductance, resonance, two
quality factors) can be found from volts alone, and with it the current at any moment, in units of the limit.

    i / v = D / ((1 + t s) D + s / (w Qes)),   D = s^2 / w^2 + s / (w Qms) + 1,   t = coil_h / coil_ohm

A stage that protects its transistors allows the less current the more volts stand across them (it folds back): the
current less a share of the output's volts is then the same at the knees. To the search that share is one more number
of the load, `fold`, in conductances of the coil.

Gaps: works inside one stretch; knees within HISTORY_S of its start are left out.
Limits: needs FEWEST knees; one loudspeaker in one box, linear. The current's size in amperes stays unknown, as the
coil's resistance does: `limit_v` is their product.
Source: IEC 60268-5 names the parts; the search is our choice, measured by `python -m ampwitness.bench.clip_scores
--sets stages`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import from_analog, recur

IntArray = npt.NDArray[np.intp]
Volts = npt.NDArray[np.float32]

FEWEST, STRONGEST, MOST = 5, 16, 40  # knees: to learn from at all, to begin with, to end with
HISTORY_S = 0.06  # volts so far back decide the current: resonances in a box die away within a third of that
RESONANCES_HZ, ELECTRICAL, COILS_S = (30.0, 42.0, 58.0), (0.45, 0.7, 1.0), (1.5e-4, 3e-4, 5e-4)
# Of loads: logarithms of resonance in Hz, Qes, Qms, t in seconds; then the fold.
USUAL = np.append(np.log([42.0, 0.65, 5.0, 3.5e-4]), 0.0)
LOWEST = np.append(np.log([15.0, 0.2, 1.5, 3e-5]), 0.0)
HIGHEST = np.append(np.log([120.0, 3.0, 20.0, 1.5e-3]), 0.5)
FOLDS = (0.1, 0.2, 0.3)
USUAL_WEIGHT = 0.01
AFTER_KNEE = 2  # samples: the current has come up and is held
AGREE, ROUNDS = 0.02, 16
SLOPE_STEP, FIRST_DAMPING = 1e-5, 1e-3
SETTLED_STEP = 3e-4  # of a parameter's logarithm: steps so short lead nowhere
SPARE_TURNS = 4  # of HISTORY_S, over which responses are transformed
BEST_OF_GRID = 0.12  # of the current: no load that is near the truth leaves more
NEAR, LEAST_NEAR = 0.06, 0.6  # knees whose current is so near the limit, and the share that must be
CHOICES = 2  # how often the near ones are chosen and the load learned from them
WIDEST_SPREAD, LEAST_SPREAD = 0.03, 0.004


@dataclass(frozen=True, slots=True)
class Load:
    """A load as a filter from volts to current, and the current at which the output stage limits."""

    numerator: FloatArray
    denominator: FloatArray
    limit_v: float  # the limit's current times the coil's resistance
    spread: float  # of the current at the knees, as a share
    resonance_hz: float
    is_folding: bool = False

    def current(self, volts: Volts) -> FloatArray:
        """(n,) current for volts (n,), in units of the limit; it was nothing before the first sample.

        Where the limit folds back 0 while the volts still oppose the current: stages differ in what they allow there.
        """
        current = _filtered(self.numerator / self.limit_v, self.denominator, volts)
        return np.where(current * volts > 0, current, 0.0) if self.is_folding else current


def learn_load(
    volts: Volts, rate_hz: float, knee: IntArray, sharpness: FloatArray, *, folds: bool = False
) -> Load | None:
    """Find the load at which the current is the same at all knees.

    Parameters
    ----------
    volts : (n_samples,) volts
    rate_hz : samples a second
    knee : (n,) samples at which a rising flank breaks off, any polarity
    sharpness : (n,) how sharply; the sharpest are looked at first
    folds : whether the limit may rise with the output's volts

    Returns
    -------
    Load; None where no load explains the knees.
    """
    n_back = round(HISTORY_S * rate_hz)
    known = (knee >= n_back) & (knee < len(volts) - AFTER_KNEE - 1)
    knee, sharpness = knee[known], sharpness[known]
    if len(knee) < FEWEST:
        return None
    before = volts[knee[:, None] + np.arange(AFTER_KNEE - n_back, AFTER_KNEE + 1)] * np.sign(volts[knee])[:, None]
    first = before[np.sort(np.argsort(-sharpness, kind="stable")[:STRONGEST])].astype(float)
    loads, responses = _grid(rate_hz, FOLDS if folds else (0.0,))
    spreads = _spreads(_currents(first, responses))
    best = int(np.argmin(spreads))
    if spreads[best] > BEST_OF_GRID:
        return None
    load, chosen = _refine(first, loads[best], rate_hz, AGREE, folds), first
    for _ in range(CHOICES):
        response = _responses(load[None, :], rate_hz)
        limit_v = float(np.median(_currents(chosen, response)))
        near = np.abs(_currents(before, response)[:, 0] / limit_v - 1) < NEAR
        if np.count_nonzero(near) < max(FEWEST, LEAST_NEAR * len(near)):
            return None
        chosen = before[near][:: -(-np.count_nonzero(near) // MOST)].astype(float)
        load = _refine(chosen, load, rate_hz, AGREE / 2, folds)
    currents = _currents(chosen, _responses(load[None, :], rate_hz))
    limit_v, spread = float(np.median(currents)), 1.4826 * float(_spreads(currents)[0])
    is_at_edge = np.any(((load < LOWEST + 0.02) | (load > HIGHEST - 0.02))[: len(load) if folds else -1])
    if is_at_edge or spread > WIDEST_SPREAD or limit_v <= 0:
        return None
    return Load(*_filter(load, rate_hz), limit_v, max(spread, LEAST_SPREAD), float(np.exp(load[0])), folds)


def _filter(load: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    resonance_hz, electrical, mechanical, coil_s = np.exp(load[:-1])
    w = 2 * np.pi * resonance_hz
    motion = np.array([1 / w**2, 1 / (w * mechanical), 1.0])
    drawn = np.polyadd(np.polymul([coil_s, 1.0], motion), [1 / (w * electrical), 0.0])
    return from_analog(np.concatenate(([0.0], motion)) - load[-1] * drawn, drawn, rate_hz)


def _filtered(numerator: FloatArray, denominator: FloatArray, volts: FloatArray | Volts) -> FloatArray:
    return recur(np.convolve(volts, numerator)[: len(volts)], (-denominator[1:]).tolist())


def _responses(loads: FloatArray, rate_hz: float) -> FloatArray:
    """(n_back, m) impulse responses of loads (m, 5), reversed: what they weigh `before` with.

    By way of the frequencies at which the filters of `_filter` are the analog ones; what lies beyond the turns that are
    transformed has died away."""
    n_back = round(HISTORY_S * rate_hz)
    n = SPARE_TURNS * n_back
    s = 2j * rate_hz * np.tan(np.pi * np.arange((n + 1) // 2) / n)  # all but half the rate, where nothing is drawn
    resonance_hz, electrical, mechanical, coil_s = np.exp(loads.T[:-1, :, None])
    w = 2 * np.pi * resonance_hz
    motion = s * s / w**2 + s / (w * mechanical) + 1
    drawn = motion / ((1 + coil_s * s) * motion + s / (w * electrical))
    response = np.fft.irfft(drawn, n, axis=1)[:, :n_back]
    response[:, 0] -= loads[:, -1]
    return np.asarray(response[:, ::-1].T)


@lru_cache(maxsize=4)
def _grid(rate_hz: float, folds: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    loads = np.array([
        [np.log(hz), np.log(electrical), USUAL[2], np.log(coil_s), fold]
        for fold in folds
        for hz in RESONANCES_HZ
        for electrical in ELECTRICAL
        for coil_s in COILS_S
    ])  # fmt: skip
    return loads, _responses(loads, rate_hz)


def _currents(before: FloatArray, responses: FloatArray) -> FloatArray:
    """(n, m) the highest current of the last two samples of each row, for each load."""
    return np.asarray(np.maximum(before[:, :-1] @ responses, before[:, 1:] @ responses))


def _spreads(currents: FloatArray) -> FloatArray:
    """(m,) how far currents (n, m) lie apart, as a share; infinite where they are none."""
    middle = np.median(currents, axis=0)
    apart = np.median(np.abs(currents / np.where(middle > 0, middle, 1.0) - 1), axis=0)
    return np.where(middle > 0, apart, np.inf)


def _refine(before: FloatArray, load: FloatArray, rate_hz: float, agree: float, folds: bool) -> FloatArray:
    """The load near this one at which the currents agree best, those that stray counted but by how far.

    Damped steps, slopes by differences: a step and its slopes are one product."""
    free = len(load) if folds else len(load) - 1
    beside = SLOPE_STEP * np.eye(free + 1, len(load), -1)
    kept = trial = load
    least, damping = np.inf, FIRST_DAMPING
    normal, pull = np.zeros((free, free)), np.zeros(free)
    step = np.zeros(len(load))
    for _ in range(ROUNDS):
        loads = trial + beside
        currents = _currents(before, _responses(loads, rate_hz))
        off = np.concatenate((currents / np.median(currents, axis=0) - 1, USUAL_WEIGHT * (loads - USUAL).T))
        size = np.sqrt(1 + (off[:, 0] / agree) ** 2)
        if (miss := float(np.sum(size))) < least:
            kept, least, damping = trial, miss, damping / 4
            slope = (off[:, 1:] - off[:, :1]) / SLOPE_STEP
            weighed = slope.T / size
            normal, pull = weighed @ slope, weighed @ off[:, 0]
        else:
            damping *= 8
        step[:free] = np.linalg.solve(normal + np.diag(damping * np.diag(normal) + 1e-12), pull)
        trial = np.clip(kept - step, LOWEST, HIGHEST)
        if np.max(np.abs(trial - kept)) < SETTLED_STEP:
            break
    return np.asarray(kept)
