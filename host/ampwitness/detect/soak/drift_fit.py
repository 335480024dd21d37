"""Slow changes in a series of levels: flat, then a ramp, then flat again; as many as there are.

Gaps: missing bins are left out of the sums; the time between them counts.
Limits: changes below LEAST_DB are not told from the logger's own reference, which may wander by REFERENCE_DB.
Source: our choice, measured by `python -m ampwitness.bench.soak_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

LEAST_DB = 0.1
REFERENCE_DB = 0.03  # design assumption for the board's own reference over a recording, no source
NODE_S = 300.0
MAX_NODES = 400
LEAST_NODES = 12  # an hour
STEP_DB = 0.5  # a change this large from one few minutes to the next is a step: somebody or something switched
MOST_SCATTER_DB = 0.06  # of nodes; above it the drive was not constant
MOST_BIN_SCATTER_DB = 0.25  # the same of single minutes
_SIDE_BINS = 5
_BRIEF_S, _AT_ONCE_RATIO = 1200.0, 0.7  # a ramp between nodes of five minutes, of which so much came within two bins
_MOST_STEPS = 100
_AROUND_BINS, _ODD_SCATTERS = 31, 6.0
_MOST_IN_A_HOLE = 24
_MAX_DRIFTS = 6
_HELD_NODES = 3
_JOIN_S = 3600.0  # ramps one way that follow so closely are one drift: heating is fast first, then slow
_ROUNDS = 6
_WANDER_S = 3 * 3600.0
_TAUS_S = (900.0, 1800.0, 3600.0, 5400.0, 7200.0, 10800.0)
_MUCH_BETTER = 1.0
_LIKELY = 6.6  # of twice the logarithm: more than chance alone asks for, as no ramp bends as sharply as it is drawn


@dataclass(frozen=True, slots=True)
class Drift:
    """A slow change of level. `start_uncertainty_s` allows for the wander of the logger's reference."""

    start_s: float
    stop_s: float
    change_db: float
    start_uncertainty_s: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch between steps: what was found in it, or why it was not judged (then `reason` is not empty)."""

    start_s: float
    stop_s: float
    drifts: tuple[Drift, ...]
    scatter_db: float | None
    reason: str


def find_steps(level_db: FloatArray) -> list[tuple[int, float]]:
    """Abrupt changes in a series: index of the first value behind each, and the change in dB.

    Medians of five values on either side are compared, so that a single odd value is no step.
    """
    n = len(level_db)
    if n < 2 * _SIDE_BINS:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(level_db, _SIDE_BINS)
    medians = np.median(windows, axis=1)
    change = medians[_SIDE_BINS:] - medians[:-_SIDE_BINS]  # entry k: across index k + _SIDE_BINS
    steps = []
    over = np.abs(change) > STEP_DB
    k = 0
    while k < len(change):
        if not over[k]:
            k += 1
            continue
        stop = k
        while stop < len(change) and over[stop]:
            stop += 1
        best = k + int(np.argmax(np.abs(change[k:stop])))
        steps.append((_place_step(level_db, best + _SIDE_BINS), float(change[best])))
        k = stop
    return steps


def _place_step(level_db: FloatArray, near: int) -> int:
    """The first value behind a step: medians say it to a few values, where two means explain most says it exactly."""
    first = max(0, near - 2 * _SIDE_BINS)
    part = level_db[first : near + 2 * _SIDE_BINS]
    sums, counts = np.cumsum(part - part.mean())[:-1], np.arange(1, len(part))
    inside = np.abs(first + counts - near) <= _SIDE_BINS
    return first + 1 + int(np.argmax(np.where(inside, sums**2 * (1 / counts + 1 / counts[::-1]), -1.0)))


def find_drifts(
    time_s: FloatArray, level_db: FloatArray, bin_s: float
) -> tuple[list[Stretch], list[tuple[int, float]]]:
    """Drifts of a series of levels, stretch by stretch between its steps.

    Parameters
    ----------
    time_s : (n,) middles of the bins, increasing
    level_db : (n,) levels, finite
    bin_s : length of a bin

    Returns
    -------
    The stretches in order of time, and the steps between them (as of `find_steps`).
    """
    if len(level_db) >= 3 and (scatter_db := _scatter(level_db)) > MOST_BIN_SCATTER_DB:
        whole = Stretch(
            float(time_s[0] - bin_s / 2), float(time_s[-1] + bin_s / 2), (), scatter_db, _varied(scatter_db)
        )
        return [whole], []
    steps = find_steps(level_db)
    parts = [(a, b) for a, b in pairwise([0, *(at for at, _ in steps), len(level_db)]) if b > a]
    stretches: list[Stretch] = []
    while parts:
        a, b = parts.pop(0)
        # The value on either side of a step may hold some of both levels.
        c, d = a + (a > 0), b - (b < len(level_db))
        if d <= c:
            continue
        stretch = _judge_stretch(time_s[c:d], level_db[c:d], bin_s)
        at = _abrupt_in(stretch, time_s[c:d], level_db[c:d]) if len(steps) < _MOST_STEPS else None
        if at is None:
            stretches.append(stretch)
            continue
        steps.append((c + at[0], at[1]))
        parts[:0] = [(a, c + at[0]), (c + at[0], b)]
    return stretches, sorted(steps)


def _abrupt_in(stretch: Stretch, time_s: FloatArray, level_db: FloatArray) -> tuple[int, float] | None:
    """A change that was told as a drift and is none, as nearly all of it came at once: where, and by how much."""
    for drift in stretch.drifts:
        if drift.stop_s - drift.start_s > _BRIEF_S:
            continue
        middle = int(np.searchsorted(time_s, 0.5 * (drift.start_s + drift.stop_s)))
        at = _place_step(level_db, min(max(middle, _SIDE_BINS), len(level_db) - _SIDE_BINS))
        before, behind = level_db[max(0, at - 1 - _SIDE_BINS) : at - 1], level_db[at + 1 : at + 1 + _SIDE_BINS]
        if len(before) and len(behind):
            change_db = float(np.median(behind) - np.median(before))
            if abs(change_db) > _AT_ONCE_RATIO * abs(drift.change_db) and change_db * drift.change_db > 0:
                return at, change_db
    return None


def _judge_stretch(time_s: FloatArray, level_db: FloatArray, bin_s: float) -> Stretch:
    start_s, stop_s = float(time_s[0] - bin_s / 2), float(time_s[-1] + bin_s / 2)
    node_s = max(NODE_S, bin_s, (stop_s - start_s) / MAX_NODES)
    lasting = _lasts(level_db)
    times, levels = _to_nodes(time_s[lasting], level_db[lasting], node_s)
    if len(times) < LEAST_NODES:
        return Stretch(start_s, stop_s, (), None, "less than an hour at one level")
    scatter_db = _scatter(levels)
    if scatter_db > MOST_SCATTER_DB:
        return Stretch(start_s, stop_s, (), scatter_db, _varied(scatter_db))
    return Stretch(start_s, stop_s, tuple(_fit_all(times, levels, node_s, scatter_db)), scatter_db, "")


def _lasts(level_db: FloatArray) -> npt.NDArray[np.bool_]:
    """(n,) which values agree with most of those around them: what lasts for minutes only is no drift, nor part of one.

    Two steps that follow closely, or one next to an end, leave such values.
    """
    if len(level_db) < _AROUND_BINS:
        return np.ones(len(level_db), dtype=bool)
    padded = np.pad(level_db, _AROUND_BINS // 2, mode="reflect")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, _AROUND_BINS), axis=1)
    return np.asarray(np.abs(level_db - usual) <= max(LEAST_DB, _ODD_SCATTERS * _scatter(level_db)))


def _varied(scatter_db: float) -> str:
    return f"the level varied by {scatter_db:.2f} dB from one few minutes to the next: the drive was not constant"


def _to_nodes(time_s: FloatArray, level_db: FloatArray, node_s: float) -> tuple[FloatArray, FloatArray]:
    """Means of the levels in equal spans of time."""
    number = np.floor((time_s - time_s[0]) / node_s + 1e-9).astype(np.int64)
    borders = np.flatnonzero(np.diff(number)) + 1
    times = np.array([part.mean() for part in np.split(time_s, borders)])
    levels = np.array([part.mean() for part in np.split(level_db, borders)])
    return times, levels


def _scatter(levels: FloatArray) -> float:
    """Standard deviation of what does not follow from the neighbours; slow changes do not count."""
    bends = levels[1:-1] - 0.5 * (levels[:-2] + levels[2:])
    return float(1.4826 * np.median(np.abs(bends)) / np.sqrt(1.5))


@dataclass(frozen=True, slots=True)
class _Shape:
    """A change of 1 dB: a ramp from node to node, or an exponential approach from a node on, `tau_s` long."""

    start_s: float
    stop_s: float  # of an approach: where 98 % are reached, or the stretch ends
    course: FloatArray  # (n,) 0 before, up to 1
    doubt_s: float  # standard error of the start


class _Fitter:
    """Least squares in which errors of neighbouring nodes go together as the logger's reference wanders.

    A reference that wanders over hours bends the level like a slow drift does; equal weights would let a bend hours
    away move the date of a drift. The wander is taken as correlated over `_WANDER_S` (Matern, order 3/2).
    """

    def __init__(self, times: FloatArray, scatter_db: float) -> None:
        n = len(times)
        self.times = times
        self._starts = starts = _fill_holes(times)  # where a change may begin or end: within a hole as well
        n_before = np.searchsorted(times, starts - 1e-6)
        lag = np.sqrt(3) * np.abs(times[:, None] - times[None, :]) / _WANDER_S
        noise = max(scatter_db, 0.001) ** 2
        covariance = (REFERENCE_DB / 4) ** 2 * (1 + lag) * np.exp(-lag) + noise * np.eye(n)
        whitener = np.linalg.inv(np.linalg.cholesky(covariance))
        one = whitener @ np.ones(n)
        # Whitened, and what a constant level explains taken out.
        self._whiten = whitener - np.outer(one, one @ whitener) / (one @ one)
        since = np.maximum(times[:, None] - starts[None, :], 0.0)
        hinges = self._whiten @ since
        self._hinges, self._gram = hinges, hinges.T @ hinges
        a, b = np.triu_indices(len(starts), 1)
        held = (n - n_before[a] > _HELD_NODES) & (n_before[b] >= _HELD_NODES)  # a few odd nodes at an end are no drift
        self._a, self._b = a[held], b[held]
        self._n_usable = int(np.sum(n - n_before > _HELD_NODES))
        self._taus_s = [tau for tau in _TAUS_S if tau < times[-1] - times[0]]
        self._approaches = [self._whiten @ -np.expm1(-since / tau) for tau in self._taus_s]

    def best(self, levels: FloatArray, least_db: float = 0.0) -> tuple[_Shape, float]:
        """The shape that explains most of `levels`, and its change in dB; a ramp of at least so much if there is one.

        Else one of many small steps, as a guard takes them, would stand for the drift that they make together.
        """
        y = self._whiten @ levels
        g = self._hinges.T @ y
        a, b, times, starts = self._a, self._b, self.times, self._starts
        length = starts[b] - starts[a]
        power = np.maximum(self._gram[a, a] - 2 * self._gram[a, b] + self._gram[b, b], 1e-12)
        product = g[a] - g[b]
        explained = product**2 / power
        k = int(np.argmax(np.where(np.abs(product * length) >= least_db * power, explained, 0.0)))
        gain = float(explained[k])
        change_db = float(product[k] * length[k] / power[k])
        start, stop = float(starts[a[k]]), float(starts[b[k]])
        by_start = np.zeros(len(starts))
        np.maximum.at(by_start, a, explained)
        doubt_s = _doubt(starts, by_start, start)
        shape = _Shape(start, stop, np.clip((times - start) / (stop - start), 0.0, 1.0), doubt_s)
        # an approach may begin where another one, quicker or slower, does nearly as well
        by_approach = np.zeros(len(starts))
        for tau_s, approach in zip(self._taus_s, self._approaches, strict=True):
            usable = approach[:, : self._n_usable]
            power = np.maximum((usable * usable).sum(axis=0), 1e-12)
            product = usable.T @ y
            np.maximum(by_approach[: len(power)], product**2 / power, out=by_approach[: len(power)])
            k = int(np.argmax(product**2 / power))
            if product[k] ** 2 / power[k] > gain * _MUCH_BETTER:
                gain = float(product[k] ** 2 / power[k])
                course = -np.expm1(-np.maximum(times - starts[k], 0.0) / tau_s)
                change_db = float(product[k] / power[k] * course[-1])
                stop = float(min(times[-1], starts[k] + 4 * tau_s))
                shape = _Shape(float(starts[k]), stop, course / course[-1], np.nan)
        if np.isnan(shape.doubt_s):
            shape = replace(shape, doubt_s=_doubt(starts, by_approach, shape.start_s))
        return shape, change_db


def _fill_holes(times: FloatArray) -> FloatArray:
    """The times, and more of them as far apart where some are missing."""
    usual_s = float(np.median(np.diff(times)))
    filled = [
        np.arange(1, n) * (later - time) / n + time
        for time, later in pairwise(times.tolist())
        if (n := min(_MOST_IN_A_HOLE, round((later - time) / usual_s))) > 1
    ]
    return np.sort(np.concatenate((times, *filled)))


def _doubt(times: FloatArray, gains: FloatArray, start_s: float) -> float:
    """Standard error of a start: half of how far away another start explains nearly as much, as in 95 % it does."""
    near = times[gains > gains.max() - _LIKELY]
    return 0.5 * float(np.max(np.abs(near - start_s)))


def _fit_all(times: FloatArray, levels: FloatArray, node_s: float, scatter_db: float) -> list[Drift]:
    """One shape after another as long as each is large enough, then each again with the others taken out."""
    least_db = max(LEAST_DB, 4 * scatter_db)
    fitter = _Fitter(times, scatter_db)
    found: list[tuple[_Shape, float]] = []

    def without(number: int | None) -> FloatArray:
        others = (change_db * shape.course for i, (shape, change_db) in enumerate(found) if i != number)
        return np.asarray(levels - sum(others, np.zeros(len(times))))

    for _ in range(_MAX_DRIFTS):
        new = fitter.best(without(None), least_db)
        if abs(new[1]) < least_db:
            break
        found.append(new)
        for _ in range(_ROUNDS if len(found) > 1 else 0):
            for k in range(len(found)):
                found[k] = fitter.best(without(k))
    drifts: list[Drift] = []
    for shape, change_db in sorted(found, key=lambda pair: pair[0].start_s):
        if abs(change_db) < least_db:
            continue
        new_drift = Drift(shape.start_s, shape.stop_s, change_db, max(node_s, shape.doubt_s))
        last = drifts[-1] if drifts else None
        if last is not None and last.change_db * change_db > 0 and shape.start_s - last.stop_s < _JOIN_S:
            both_db = last.change_db + change_db
            drifts[-1] = Drift(last.start_s, max(last.stop_s, shape.stop_s), both_db, last.start_uncertainty_s)
        else:
            drifts.append(new_drift)
    return drifts
