"""The supply's answer to what the amplifier takes, fitted: at once, and through lags.

    supply = open voltage (with a slope, by half minutes) - sum over terms of weight * lag(demand)

`demand` is the amplifier's current up to a factor: mean square of the output over the supply volts, or a measured
current. A term without lag is battery, cables and contacts; a lag of some 10 ms with positive weight is a capacitor
that gives way, with negative weight an alternator that takes over; a lag of seconds is the battery's slow part.

Gaps: each unbroken stretch starts its lags anew.
Limits: linear; an alternator at its current limit is not. Other consumers that switch in step with the music are taken
for the amplifier.
Source: least squares with Tukey's weights; our choice of lags, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import follow

FAST_LAGS_S = (0.010, 0.020, 0.035, 0.060, 0.100, 0.170, 0.300)
SLOW_LAGS_S = (0.6, 1.0, 1.7, 3.0, 5.0)
CHUNK_S = 30.0
MOST_CHUNKS = 40  # the liveliest: more adds time, not knowledge
WARM_UP_S = 5.0  # before a chunk, so that lags know what came before
FEWEST_STEPS = 200
LEAST_SHARE = 0.02  # of the whole, that a term must carry
FAST_MOST_S = 0.3  # what a bass note feels within itself; slower parts belong to the battery
MOST_SLOW_SHARE = 0.6  # of the fast part, that a battery's slow part is believed to reach; common practice, no source
_SPREAD_FLOOR_V = 0.0005
_TUKEY = 4.7
_GROUP_S = 1.0  # neighbours within which residuals are not independent
_STRAY = 0.15  # so far off may shares be that were fitted apart
_WORTH = 0.985  # a further term must narrow the spread to this


@dataclass(frozen=True, slots=True)
class Term:
    """One part of the answer: `weight` volts (or ohms) per unit of demand, reached with time constant `lag_s`."""

    lag_s: float  # 0: at once
    weight: float


@dataclass(frozen=True, slots=True)
class SupplyFit:
    """The answer to demand, with how well it is known. `covariance` is that of the weights, in their order."""

    terms: tuple[Term, ...]
    covariance: FloatArray
    spread_v: float  # robust, of one step
    n_steps: int
    highest_demand: float
    typical_demand: float  # mean, each step weighted by its own: what the answer was mostly seen at

    def step_answer(self, after_s: float) -> tuple[float, float]:
        """Weight reached `after_s` after demand stepped from 0 to 1 and stayed, and its standard error."""
        shares = np.array([_share(term.lag_s, after_s) for term in self.terms])
        weights = np.array([term.weight for term in self.terms])
        return float(shares @ weights), float(np.sqrt(max(0.0, shares @ self.covariance @ shares)))

    def without_others(self, *, is_charging: bool) -> SupplyFit:
        """The same with no more of a slow part than a battery has, and at rest none that gives back what the fast part
        took, as only a regulator does, and that no more than all: what goes beyond is other consumers, which ran in
        step in what was fitted and need not elsewhere."""
        fast, slow = (sum(t.weight for t in self.terms if (t.lag_s <= FAST_MOST_S) == side) for side in (True, False))
        believed = min(max(slow, -fast if is_charging else 0.0), MOST_SLOW_SHARE * fast)
        if fast <= 0 or slow == believed:
            return self
        scale = believed / slow
        terms = tuple(replace(t, weight=t.weight * scale) if t.lag_s > FAST_MOST_S else t for t in self.terms)
        return replace(self, terms=terms)

    def slow_part(self) -> SupplyFit:
        """Its slow terms alone, for what they take; how well they are known goes with all of them."""
        return replace(self, terms=tuple(term for term in self.terms if term.lag_s > FAST_MOST_S))

    def part(self, least_lag_s: float, most_lag_s: float) -> tuple[float, float]:
        """Summed weight of the terms whose lag lies in the range, and its standard error."""
        shares = np.array([1.0 if least_lag_s <= term.lag_s <= most_lag_s else 0.0 for term in self.terms])
        weights = np.array([term.weight for term in self.terms])
        return float(shares @ weights), float(np.sqrt(max(0.0, shares @ self.covariance @ shares)))


def _share(lag_s: float, after_s: float) -> float:
    return 1.0 if lag_s <= 0 else float(-np.expm1(-after_s / lag_s))


def lag_steps(demand: FloatArray, lag_s: float, breaks: npt.NDArray[np.bool_]) -> FloatArray:
    """Mean over each step of the first-order lag of a demand that is constant within a step.

    Parameters
    ----------
    demand : (n,) by steps of STEP_S
    lag_s : time constant; 0 gives the demand itself
    breaks : (n,) True where a step does not follow the one before it; the lag starts there as if settled
    """
    if lag_s <= 0:
        return demand
    keep = float(np.exp(-STEP_S / lag_s))
    held = lag_s / STEP_S * (1 - keep)
    out = np.empty(len(demand))
    edges = [*np.flatnonzero(breaks).tolist(), len(demand)]
    if not edges or edges[0] != 0:
        edges = [0, *edges]
    for first, last in pairwise(edges):
        part = demand[first:last]
        out[first:last] = part + (follow(part, keep) - part) * held
    return out


def find_breaks(steps: SupplySteps) -> npt.NDArray[np.bool_]:
    """(n,) True where a step does not follow the one before it."""
    return np.concatenate(([True], np.diff(steps.index) != 1)) if len(steps) else np.zeros(0, dtype=bool)


@dataclass(frozen=True, slots=True)
class _Chunk:
    rows: slice  # into the gathered arrays
    frame: FloatArray  # (n, 2) constant and slope


@dataclass(frozen=True, slots=True)
class _Gathered:
    features: FloatArray  # (n, 1 + lags)
    volts: FloatArray
    group: npt.NDArray[np.int64]
    chunks: tuple[_Chunk, ...]


_LAGS_S = (0.0, *FAST_LAGS_S, *SLOW_LAGS_S)


def _gather(
    steps: SupplySteps,
    demand: FloatArray,
    volts: FloatArray,
    usable: npt.NDArray[np.bool_],
    most_chunks: int = MOST_CHUNKS,
) -> _Gathered | None:
    """The liveliest chunks with all their lags."""
    chunk_of = (steps.index * STEP_S // CHUNK_S).astype(np.int64)
    usable = usable & np.isfinite(demand) & np.isfinite(volts)
    bounds = np.flatnonzero(np.diff(chunk_of, prepend=-1, append=-1))
    spans = [(int(a), int(b)) for a, b in pairwise(bounds) if usable[a:b].sum() >= 50]
    spans.sort(key=lambda span: -float(np.var(demand[span[0] : span[1]][usable[span[0] : span[1]]])))
    breaks = find_breaks(steps)
    warm = round(WARM_UP_S / STEP_S)
    chosen = sorted(spans[:most_chunks])
    features = np.empty((sum(int(usable[a:b].sum()) for a, b in chosen), len(_LAGS_S)))
    kept_volts, groups, chunks, at = [], [], [], 0
    for first, last in chosen:
        start = max(0, first - warm)
        filled = np.where(np.isfinite(demand[start:last]), demand[start:last], 0.0)
        own_breaks = breaks[start:last].copy()
        own_breaks[0] = True
        mine = usable[first:last]
        time_s = (steps.index[first:last][mine] + 0.5) * STEP_S
        for column, lag_s in enumerate(_LAGS_S):
            lagged = lag_steps(filled, lag_s, own_breaks)[first - start :]
            features[at : at + len(time_s), column] = lagged[mine]
        kept_volts.append(volts[first:last][mine])
        groups.append((time_s // _GROUP_S).astype(np.int64))
        frame = np.stack((np.ones(len(time_s)), (time_s - time_s.mean()) / CHUNK_S), axis=1)
        chunks.append(_Chunk(slice(at, at + len(time_s)), frame))
        at += len(time_s)
    if at < FEWEST_STEPS:
        return None
    return _Gathered(features, np.concatenate(kept_volts), np.concatenate(groups), tuple(chunks))


def _project(chunk: _Chunk, weight: FloatArray, columns: FloatArray) -> FloatArray:
    """(n, k) columns of one chunk without what its own constant and slope explain, under the weights."""
    weighted = chunk.frame.T * weight[chunk.rows]
    inner = weighted @ chunk.frame + 1e-9 * np.eye(2)
    out: FloatArray = columns - chunk.frame @ np.linalg.solve(inner, weighted @ columns)
    return out


def _normal(got: _Gathered, weight: FloatArray, chosen: list[int]) -> tuple[FloatArray, FloatArray, float]:
    """Products of chosen features with each other and with the volts, and of the volts, all projected; by chunks, as
    a copy of everything takes as much memory as the rest of a report."""
    size = len(chosen)
    total = np.zeros((size + 1, size + 1))
    for chunk in got.chunks:
        both = np.column_stack((got.features[chunk.rows][:, chosen], got.volts[chunk.rows]))
        both = _project(chunk, weight, both)
        total += both.T @ (both * weight[chunk.rows, None])
    return total[:size, :size], total[:size, size], float(total[size, size])


def _solve(gram: FloatArray, right: FloatArray, chosen: list[int], ridge: float = 1e-10) -> FloatArray:
    part = gram[np.ix_(chosen, chosen)]
    return np.asarray(np.linalg.solve(part + ridge * np.trace(part) / len(chosen) * np.eye(len(chosen)), right[chosen]))


def _reweight(got: _Gathered, chosen: list[int], n_rounds: int = 10) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Robust solution on some columns: solution, weights, residuals."""
    weight: FloatArray = np.ones(len(got.volts))
    solution: FloatArray = np.zeros(len(chosen))
    residual = got.volts
    for k in range(n_rounds):
        gram, right, _ = _normal(got, weight, chosen)
        solution = _solve(gram, right, list(range(len(chosen))), 1e-8)
        residual = np.empty(len(got.volts))
        for chunk in got.chunks:
            left = got.volts[chunk.rows] - got.features[chunk.rows][:, chosen] @ solution
            residual[chunk.rows] = _project(chunk, weight, left[:, None])[:, 0]
        middle = float(np.median(residual))
        spread = max(_SPREAD_FLOOR_V, 1.4826 * float(np.median(np.abs(residual - middle))))
        if k < 3:  # absolute deviations first: they need no good start
            weight = spread / np.maximum(np.abs(residual - middle), spread)
        else:
            weight = np.clip(1 - ((residual - middle) / (_TUKEY * spread)) ** 2, 0, None) ** 2 + 1e-6
    return solution, weight, residual


def _choose(got: _Gathered) -> list[int]:
    """Which lags are worth having: none, a fast one, a slow one, or one of each."""
    everything = list(range(len(_LAGS_S)))
    _, weight, _ = _reweight(got, everything, 7)
    gram, right, whole = _normal(got, weight, everything)
    fast = [None, *range(1, 1 + len(FAST_LAGS_S))]
    slow = [None, *range(1 + len(FAST_LAGS_S), len(_LAGS_S))]
    best: dict[int, tuple[float, list[int]]] = {}
    for a in fast:
        for b in slow:
            chosen = [0, *(k for k in (a, b) if k is not None)]
            solution = _solve(gram, right, chosen)
            left = whole - float(solution @ right[chosen])
            if len(chosen) not in best or left < best[len(chosen)][0]:
                best[len(chosen)] = (max(left, 1e-12), chosen)
    left, picked = best[1]
    for n_terms in (2, 3):
        if best[n_terms][0] < left * _WORTH**2:
            left, picked = best[n_terms]
    return picked


def fit_supply(
    steps: SupplySteps,
    demand: FloatArray,
    volts: FloatArray,
    usable: npt.NDArray[np.bool_],
    most_chunks: int = MOST_CHUNKS,
) -> SupplyFit | None:
    """Fit how far `volts` fall under a demand.

    Parameters
    ----------
    steps : where the rows lie in time
    demand : (n,) what the amplifier takes, any unit; NaN where unknown
    volts : (n,) what falls (give a difference with its sign turned to fit a share)
    usable : (n,) which rows may be used
    most_chunks : half minutes looked at, the liveliest

    Returns
    -------
    SupplyFit, or None with less than 2 s of usable steps or no demand that changes.
    """
    got = _gather(steps, demand, volts, usable, most_chunks)
    if got is None or float(np.ptp(got.features[:, 0])) <= 0:
        return None
    return _finish_fit(got, _choose(got), may_drop=True)


def fit_with_lags(
    steps: SupplySteps,
    demand: FloatArray,
    volts: FloatArray,
    usable: npt.NDArray[np.bool_],
    lags_s: tuple[float, ...],
) -> SupplyFit | None:
    """`fit_supply` with lags that are given (of FAST_LAGS_S and SLOW_LAGS_S), to compare parts of one supply."""
    got = _gather(steps, demand, volts, usable)
    if got is None or float(np.ptp(got.features[:, 0])) <= 0:
        return None
    return _finish_fit(got, [_LAGS_S.index(lag_s) for lag_s in lags_s])


def _finish_fit(got: _Gathered, chosen: list[int], *, may_drop: bool = False) -> SupplyFit:
    solution, weight, residual = _reweight(got, chosen)
    if may_drop:  # what hardly counts is noise, not a part of the supply
        least = LEAST_SHARE * abs(float(solution.sum()))
        kept = [k for k, size in zip(chosen, np.abs(solution), strict=True) if k == 0 or size >= least]
        if len(kept) < len(chosen):
            return _finish_fit(got, kept)
    inverse = np.linalg.pinv(_normal(got, weight, chosen)[0])
    _, group = np.unique(got.group, return_inverse=True)
    sums = np.zeros((int(group.max()) + 1, len(chosen)))
    for chunk in got.chunks:
        part = _project(chunk, weight, got.features[chunk.rows][:, chosen])
        np.add.at(sums, group[chunk.rows], part * (weight * residual)[chunk.rows, None])
    n_groups = len(sums)
    middle = sums.T @ sums * (n_groups / max(1, n_groups - len(chosen)))
    spread = max(_SPREAD_FLOOR_V, 1.4826 * float(np.median(np.abs(residual - np.median(residual)))))
    terms = tuple(Term(_LAGS_S[k], -float(value)) for k, value in zip(chosen, solution, strict=True))
    demand = np.maximum(got.features[:, 0], 0.0)
    typical = float(demand @ demand / max(float(demand.sum()), 1e-12))
    return SupplyFit(terms, inverse @ middle @ inverse, spread, len(got.volts), float(demand.max()), typical)


def predict_fall(fit: SupplyFit, demand: FloatArray, breaks: npt.NDArray[np.bool_]) -> FloatArray:
    """(n,) volts that the fit says are lost to demand at each step."""
    filled = np.where(np.isfinite(demand), demand, 0.0)
    total = np.zeros(len(demand))
    for term in fit.terms:
        total += term.weight * lag_steps(filled, term.lag_s, breaks)
    return total


def find_shares(
    steps: SupplySteps, demand: FloatArray, rows: npt.NDArray[np.bool_], fit: SupplyFit | None
) -> dict[str, tuple[float, float]]:
    """Share of each part of the path in the fast answer, with its standard error; empty without further channels."""
    supply, battery, ground = (steps.volts.get(role) for role in ("supply", "battery", "ground"))
    if fit is None or supply is None:
        return {}
    falls: dict[str, FloatArray] = {}
    if battery is not None and ground is not None:
        falls = {"plus lead": supply - battery, "return lead": ground, "battery": battery - ground}
    elif battery is not None:
        falls = {"plus lead": supply - battery, "battery and return lead": battery}
    elif ground is not None:
        falls = {"return lead": ground, "battery and plus lead": supply - ground}
    lags_s = tuple(term.lag_s for term in fit.terms)
    whole, _ = fit.part(0.0, FAST_MOST_S)
    shares = {}
    for name, volts in falls.items():
        part = fit_with_lags(steps, demand, volts, rows & np.isfinite(volts), lags_s)
        if part is not None and whole > 0:
            weight, error = part.part(0.0, FAST_MOST_S)
            shares[name] = (weight / whole, error / whole)
    # The parts' falls add up to the supply's. Where their shares do not, a connection jumped, and none of them is told.
    total, errors = sum(share for share, _ in shares.values()), [error for _, error in shares.values()]
    is_sound = abs(total - 1.0) <= _STRAY + 2 * float(np.hypot.reduce(errors)) if shares else False
    is_sound &= all(-_STRAY - 2 * error <= share <= 1.0 + _STRAY + 2 * error for share, error in shares.values())
    return shares if is_sound else {}
