"""The level at which an output is stopped, learned from plateaus: fixed, following the supply, sinking under load.

    level = c + c1 * lagged supply + c2 * lagged |output|,    c1 >= 0, c2 <= 0

learned for each polarity by itself; which lags and which terms is decided by what narrows the spread of the plateaus.

Gaps: each plateau carries its own lagged values; nothing is joined here.
Limits: without a supply channel a rail that follows the supply shows as a wide spread or as load dependence. With
plateaus at one supply voltage only, "regulated" and "following" cannot be told apart, and that is said.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

DRIFT_S = 1.5  # neighbours in time that correct the level
LEAST_SUPPLY_RANGE_V = 0.25  # less says nothing about following
SPREAD_FLOOR_SHARE = 0.0012  # of the level
MOST_FITTED = 1024  # plateaus, spread evenly over those that there are
AT_ONCE = 1024
NARROWER, WIDER = 0.8, 1.2  # times the spread of the smaller model
STRAY_SPREADS = 6.0  # from the level: plateaus that a model leaves out
FEWEST_STRAYS, STRAY_SHARE = 3, 0.08
FEWEST_FOR_LAG = 8  # plateaus, to tell a lag between those that are known,
LAG_STEPS = (-0.8, -0.6, -0.4, -0.2, 0.0, 0.2, 0.4, 0.6, 0.8)  # from the nearest of them
LAG_GAIN = 0.9  # of what the nearest one misses, at most

_Model = tuple[float, FloatArray, int, int, bool, bool]  # spread, coefficients, lags of supply and output, which terms


@dataclass(frozen=True, slots=True)
class Rail:
    """What was learned for one polarity. `predict` gives the level at given conditions."""

    constant_v: float
    per_supply_v: float  # c1
    supply_lag: float  # place in SUPPLY_LAGS_S; between two of them both count
    per_output_v: float  # c2
    output_lag: int
    spread_v: float  # robust standard deviation of plateaus about it
    n_plateaus: int
    supply_range_v: float  # over which plateaus were seen
    ratio_sd: float  # standard error of c1

    @property
    def follows(self) -> bool:
        """Whether it was seen to follow the supply; few plateaus (`few_plateaus`) do not show it."""
        return self.per_supply_v > 0 and bool(np.isfinite(self.ratio_sd))

    def predict(self, supply_v: FloatArray, output_v: FloatArray) -> FloatArray:
        """Level for lagged supply (n, supply lags) and lagged output (n, output lags); NaN supply: the middle one."""
        level = np.full(len(output_v), self.constant_v) + self.per_output_v * output_v[:, self.output_lag]
        if self.per_supply_v:
            level = level + self.per_supply_v * self.supply_of(supply_v)
        return np.asarray(level)

    def supply_of(self, supply_v: FloatArray) -> FloatArray:
        """(n,) the supply that the level follows, of lagged ones (n, supply lags)."""
        return _between_lags(supply_v, self.supply_lag)

    def describe(self, typical_v: float) -> Mapping[str, Any]:
        """Numbers and a word for the report."""
        if self.supply_range_v < LEAST_SUPPLY_RANGE_V:
            kind = "not decided: the supply hardly moved"
        elif self.per_supply_v <= 0:
            kind = "regulated"
        else:
            kind = "following"
        return {
            "kind": kind,
            "level_v": typical_v,
            "constant_v": self.constant_v,
            "supply_ratio": self.per_supply_v,
            "supply_ratio_sd": self.ratio_sd,
            "supply_lag_s": float(np.interp(self.supply_lag, range(len(SUPPLY_LAGS_S)), SUPPLY_LAGS_S)),
            "output_coefficient": self.per_output_v,
            "output_lag_s": OUTPUT_LAGS_S[self.output_lag],
            "spread_v": self.spread_v,
            "n_plateaus": self.n_plateaus,
            "supply_range_v": self.supply_range_v,
        }


def summarise_rail(rail: Rail | None, typical_v: float) -> Mapping[str, Any]:
    """One polarity of `summary["rail_model"]`, always with the same keys.

    Parameters
    ----------
    rail : what was learned; None: no plateau was seen
    typical_v : median plateau, with its sign

    Returns
    -------
    kind "follows supply" | "regulated" | "unknown"; ratio (volts of rail a volt of supply; None unless it follows)
    and ratio_uncertainty (standard); level_v (typical plateau, with its sign; None without one) and
    level_uncertainty_v (spread of plateaus about the model); n_plateaus; supply_range_v (over which they were seen).
    The level at other conditions is constant_v + ratio * supply (+ output_coefficient * lagged |output|).
    """
    if rail is None:
        return {
            "kind": "unknown", "ratio": None, "ratio_uncertainty": None, "level_v": None, "level_uncertainty_v": None,
            "constant_v": None, "output_coefficient": None, "supply_range_v": None, "n_plateaus": 0,
        }  # fmt: skip
    sign = 1.0 if typical_v >= 0 else -1.0
    follows = rail.follows
    is_known = rail.supply_range_v >= LEAST_SUPPLY_RANGE_V
    return {
        "kind": "unknown" if not is_known else "follows supply" if follows else "regulated",
        "ratio": rail.per_supply_v if follows else None,
        "ratio_uncertainty": rail.ratio_sd if follows else None,
        "level_v": typical_v,
        "level_uncertainty_v": rail.spread_v,
        "constant_v": sign * rail.constant_v if follows or not rail.per_supply_v else typical_v,
        "output_coefficient": sign * rail.per_output_v,
        "supply_range_v": rail.supply_range_v,
        "n_plateaus": rail.n_plateaus,
    }


def _shorth(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(m, n) -> (m,) middles and half widths of the shortest intervals that hold half of the values."""
    ordered = np.sort(values, axis=1)
    n = max(2, -(-ordered.shape[1] // 2))
    if ordered.shape[1] < n:
        return ordered[:, 0], np.zeros(len(ordered))
    widths = ordered[:, n - 1 :] - ordered[:, : ordered.shape[1] - n + 1]
    k = np.argmin(widths, axis=1)
    rows = np.arange(len(ordered))
    return (ordered[rows, k] + ordered[rows, k + n - 1]) / 2, widths[rows, k] / 2


def _median(values: FloatArray) -> FloatArray:
    """(m, n) -> (m,) medians."""
    n = values.shape[1]
    part = np.partition(values, ((n - 1) // 2, n // 2), axis=1)
    return np.asarray((part[:, (n - 1) // 2] + part[:, n // 2]) / 2)


def _solve(normal: FloatArray, right: FloatArray) -> FloatArray:
    """(m, k, k), (m, k) -> (m, k); where columns say the same, the smallest coefficients that serve."""
    try:
        return np.asarray(np.linalg.solve(normal, right[:, :, None])[:, :, 0])
    except np.linalg.LinAlgError:
        return np.asarray((np.linalg.pinv(normal, rcond=1e-14, hermitian=True) @ right[:, :, None])[:, :, 0])


def _reweighted(
    columns: FloatArray, level: FloatArray, residual: FloatArray, floor: float
) -> tuple[FloatArray, FloatArray]:
    """Least squares with Tukey weights, of m models at once.

    Parameters
    ----------
    columns : (m, n, terms)
    level : (n,)
    residual : (m, n) a first guess

    Returns
    -------
    (m, terms) coefficients and (m,) spreads
    """
    turned = columns.transpose(0, 2, 1)
    spread = np.full(len(columns), floor)
    coefficient: FloatArray = np.zeros(columns.shape[::2])
    for _ in range(8):
        spread = np.maximum(floor, 1.4826 * _median(np.abs(residual)))
        weight = np.clip(1 - (residual / (5 * spread[:, None])) ** 2, 0, None) ** 2
        weight[np.count_nonzero(weight, axis=1) < columns.shape[2] + 1] = 1.0
        weighted = turned * weight[:, None, :]
        coefficient = _solve(weighted @ columns, weighted @ level)
        residual = level - (columns @ coefficient[:, :, None])[:, :, 0]
    return coefficient, spread


def _between_lags(lagged_v: FloatArray, place: float) -> FloatArray:
    """(n,) of lagged values (n, lags): those at a lag, or between two."""
    low = min(int(place), lagged_v.shape[1] - 1)
    share = place - low
    return np.asarray(lagged_v[:, low] if share <= 0 else (1 - share) * lagged_v[:, low] + share * lagged_v[:, low + 1])


def learn_rail(level_v: FloatArray, supply_v: FloatArray, output_v: FloatArray) -> Rail | None:
    """Learn a rail from plateaus of one polarity.

    Parameters
    ----------
    level_v : (n,) plateaus, positive
    supply_v : (n, supply lags) volts, NaN where not known
    output_v : (n, output lags) volts

    Returns
    -------
    Rail, or None without plateaus.
    """
    n_plateaus = len(level_v)
    if n_plateaus == 0:
        return None
    has_supply = bool(np.all(np.isfinite(supply_v)))
    every = slice(None, None, -(-n_plateaus // MOST_FITTED))
    level_v, supply_v, output_v = level_v[every], supply_v[every], output_v[every]
    n = len(level_v)
    floor = SPREAD_FLOOR_SHARE * float(np.median(level_v))
    middle = float(_shorth(level_v[None, :])[0][0]) if n > 2 else float(np.median(level_v))
    base = max(floor, 1.4826 * float(np.median(np.abs(level_v - middle)))) if n > 2 else floor
    best: _Model = (base, np.array([middle]), 0, 0, False, False)
    supply_range = float(np.ptp(supply_v[:, 0])) if has_supply else 0.0
    follows = has_supply and n >= 6 and supply_range >= LEAST_SUPPLY_RANGE_V
    if n >= 4:
        coefficients, spreads = _reweighted(np.ones((1, n, 1)), level_v, (level_v - middle)[None, :], floor)
        best = (float(spreads[0]), coefficients[0], 0, 0, False, False)
    still = [_without_supply(level_v, lagged) for lagged in supply_v.T] if follows else None
    if still is not None:
        best = _try_terms(best, level_v, supply_v, output_v, floor, still, with_output=False)
    if n >= 12:
        best = _try_terms(best, level_v, supply_v, output_v, floor, still, with_output=True)
    spread, coefficient, near_lag, output_lag, with_supply, with_output = best
    supply_lag = float(near_lag)
    if with_supply and n >= FEWEST_FOR_LAG:
        coefficient, spread, supply_lag = _refine_lag(best, level_v, supply_v, output_v, floor)
    ratio = float(coefficient[1]) if with_supply else 0.0
    sunk = float(coefficient[-1]) if with_output else 0.0
    ratio_sd = float("nan")
    if with_supply:
        lagged = _between_lags(supply_v, supply_lag)
        ratio_sd = spread / max(float(np.std(lagged)) * np.sqrt(n_plateaus), 1e-9)
    return Rail(float(coefficient[0]), ratio, supply_lag, sunk, output_lag, spread, n_plateaus, supply_range, ratio_sd)


def _try_terms(
    best: _Model, level: FloatArray, supply: FloatArray, output: FloatArray,
    floor: float, still: list[FloatArray] | None, with_output: bool,
) -> _Model:  # fmt: skip
    """Keep a larger model only where it narrows the spread by a fifth, or draws in plateaus that were left out.

    still : of each supply lag what `_without_supply` leaves; None: the supply is left out"""
    limit = best[0] * NARROWER
    # Where most plateaus stand at one supply, a level that stands still leaves little spread, and out the others.
    within = STRAY_SPREADS * best[0]
    n_left = np.count_nonzero(np.abs(level - _predict(best, supply, output)) > within)
    fewest = n_left - max(FEWEST_STRAYS, STRAY_SHARE * len(level))
    if limit <= floor and fewest < 0:  # no spread is less, and none can leave out fewer
        return best
    pairs = [
        (supply_lag, output_lag)
        for supply_lag in (range(len(still)) if still is not None else [-1])
        for output_lag in (range(output.shape[1]) if with_output else [-1])
    ]
    columns, start = [], []
    for supply_lag, output_lag in pairs:
        terms: list[FloatArray] = [np.ones(len(level))]
        if still is not None:
            terms.append(supply[:, supply_lag])
        if with_output:
            terms.append(output[:, output_lag])
        columns.append(np.stack(terms, axis=1))
        start.append(level - np.median(level) if still is None else still[supply_lag])
    stacked = np.stack(columns)
    coefficients, spreads = _reweighted(stacked, level, np.stack(start), floor)
    off = np.abs(level - (stacked @ coefficients[:, :, None])[:, :, 0])
    n_strays, misses = np.count_nonzero(off > within, axis=1), np.minimum(off, within).sum(axis=1)
    chosen = None
    least = np.inf
    for k, ((supply_lag, output_lag), coefficient, spread) in enumerate(
        zip(pairs, coefficients, spreads.tolist(), strict=True)
    ):
        if still is not None and coefficient[1] < 0:
            continue
        if with_output and coefficient[-1] > 0:
            continue
        draws_in = spread <= WIDER * best[0] and n_strays[k] <= fewest and misses[k] < least
        if spread < limit or draws_in:
            limit = min(limit, spread)
            least = float(misses[k])
            chosen = (spread, coefficient, max(supply_lag, 0), max(output_lag, 0), still is not None, with_output)
    return best if chosen is None else chosen


def _refine_lag(
    best: _Model, level: FloatArray, supply: FloatArray, output: FloatArray, floor: float
) -> tuple[FloatArray, float, float]:
    """Coefficients, spread and lag of the model near `best` that leaves least, with lags between those that are known.

    Most plateaus stand where the supply hardly moves and do not mind the lag; those at a note's beginning do, which
    the spread does not see: what all miss is summed, each by STRAY_SPREADS at most."""
    spread, coefficient, near, output_lag, _, with_output = best
    places = np.clip(near + np.array(LAG_STEPS), 0, supply.shape[1] - 1)
    places = np.unique(places)
    within = STRAY_SPREADS * spread
    start = level - _predict(best, supply, output)
    columns = []
    for place in places.tolist():
        terms = [np.ones(len(level)), _between_lags(supply, place)]
        columns.append(np.stack([*terms, output[:, output_lag]] if with_output else terms, axis=1))
    stacked = np.stack(columns)
    coefficients, spreads = _reweighted(stacked, level, np.broadcast_to(start, (len(places), len(level))), floor)
    misses = np.minimum(np.abs(level - (stacked @ coefficients[:, :, None])[:, :, 0]), within).sum(axis=1)
    is_allowed = (coefficients[:, 1] > 0) & (spreads <= WIDER * spread)
    if with_output:
        is_allowed &= coefficients[:, -1] <= 0
    k = int(np.argmin(np.where(is_allowed, misses, np.inf)))
    old = float(np.minimum(np.abs(start), within).sum())
    if not is_allowed[k] or misses[k] > LAG_GAIN * old:
        return coefficient, spread, float(near)
    return coefficients[k], float(spreads[k]), float(places[k])


def _predict(model: _Model, supply: FloatArray, output: FloatArray) -> FloatArray:
    """(n,) levels by a model as `_try_terms` takes it."""
    _, coefficient, supply_lag, output_lag, with_supply, with_output = model
    level = np.full(len(output), coefficient[0])
    if with_supply:
        level = level + coefficient[1] * supply[:, supply_lag]
    return level + coefficient[-1] * output[:, output_lag] if with_output else level


def _without_supply(level: FloatArray, lagged: FloatArray) -> FloatArray:
    """(n,) what is left of the levels when the ratio to the supply is taken out that draws most of them together."""
    ratios = np.linspace(0, 1.3 * float(np.max(level) / max(float(np.min(lagged)), 0.5)), 40)
    left = level[None, :] - ratios[:, None] * lagged[None, :]
    middles, widths = _shorth(left)
    best = int(np.argmin(widths))
    return np.asarray(left[best] - middles[best])


def local_drift(time_s: FloatArray, residual_v: FloatArray, at_s: FloatArray) -> FloatArray:
    """Median residual of the plateaus near each moment; zero where fewer than three are near.

    time_s must be sorted. (n,), (n,) -> (len(at_s),)"""
    low = np.searchsorted(time_s, at_s - DRIFT_S)
    n_near = np.searchsorted(time_s, at_s + DRIFT_S) - low
    drift = np.zeros(len(at_s))
    known = np.flatnonzero(n_near >= 3)
    known = known[np.argsort(n_near[known], kind="stable")]  # rows of much the same length together
    for first in range(0, len(known), AT_ONCE):
        rows = known[first : first + AT_ONCE]
        n, place = n_near[rows], np.arange(n_near[rows[-1]])
        near = residual_v[np.minimum(low[rows, None] + place, len(residual_v) - 1)]
        near = np.sort(np.where(place < n[:, None], near, np.inf), axis=1)
        each = np.arange(len(rows))
        drift[rows] = (near[each, (n - 1) // 2] + near[each, n // 2]) / 2
    return drift


def iter_neighbours(at_s: FloatArray, time_s: FloatArray, within_s: float) -> Iterator[tuple[IntArray, IntArray]]:
    """Pairs of one of at_s and one of time_s (sorted) that are `within_s` apart at most, many pairs at a time: all
    first neighbours, then all second ones, ..."""
    low = np.searchsorted(time_s, at_s - within_s)
    high = np.searchsorted(time_s, at_s + within_s, side="right")
    rows = np.flatnonzero(high > low)
    while len(rows):
        yield rows, low[rows]
        low[rows] += 1
        rows = rows[high[rows] > low[rows]]
