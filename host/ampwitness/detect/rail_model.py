"""The level at which an output is stopped, learned from plateaus: fixed, following the supply, sinking under load.

    level = c + c1 * lagged supply + c2 * lagged |output|,    c1 >= 0, c2 <= 0

learned for each polarity by itself; which lags and which terms is decided by what narrows the spread of the plateaus.

Gaps: each plateau carries its own lagged values; nothing is joined here.
Limits: without a supply channel a rail that follows the supply shows as a wide spread or as load dependence. With
plateaus at one supply voltage only, "regulated" and "following" cannot be told apart, and that is said.
Source: our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

DRIFT_S = 1.5  # neighbours in time that correct the level
LEAST_SUPPLY_RANGE_V = 0.25  # less says nothing about following
SPREAD_FLOOR_SHARE = 0.0012  # of the level


@dataclass(frozen=True, slots=True)
class Rail:
    """What was learned for one polarity. `predict` gives the level at given conditions."""

    constant_v: float
    per_supply_v: float  # c1
    supply_lag: int  # index into SUPPLY_LAGS_S
    per_output_v: float  # c2
    output_lag: int
    spread_v: float  # robust standard deviation of plateaus about it
    n_plateaus: int
    supply_range_v: float  # over which plateaus were seen
    ratio_sd: float  # standard error of c1

    def predict(self, supply_v: FloatArray, output_v: FloatArray) -> FloatArray:
        """Level for lagged supply (n, supply lags) and lagged output (n, output lags); NaN supply: the middle one."""
        level = np.full(len(output_v), self.constant_v) + self.per_output_v * output_v[:, self.output_lag]
        if self.per_supply_v:
            level = level + self.per_supply_v * supply_v[:, self.supply_lag]
        return np.asarray(level)

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
            "supply_lag_s": SUPPLY_LAGS_S[self.supply_lag],
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
    follows = rail.per_supply_v > 0
    is_known = rail.supply_range_v >= LEAST_SUPPLY_RANGE_V
    return {
        "kind": "unknown" if not is_known else "follows supply" if follows else "regulated",
        "ratio": rail.per_supply_v if follows else None,
        "ratio_uncertainty": rail.ratio_sd if follows else None,
        "level_v": typical_v,
        "level_uncertainty_v": rail.spread_v,
        "constant_v": sign * rail.constant_v,
        "output_coefficient": sign * rail.per_output_v,
        "supply_range_v": rail.supply_range_v,
        "n_plateaus": rail.n_plateaus,
    }


def _shorth(values: FloatArray, share: float = 0.5) -> tuple[float, float]:
    """Middle and half width of the shortest interval that holds `share` of the values."""
    ordered = np.sort(values)
    n = max(2, int(np.ceil(share * len(ordered))))
    if len(ordered) < n:
        return float(ordered[0]), 0.0
    widths = ordered[n - 1 :] - ordered[: len(ordered) - n + 1]
    k = int(np.argmin(widths))
    return float((ordered[k] + ordered[k + n - 1]) / 2), float(widths[k] / 2)


def _columns(supply: FloatArray | None, output: FloatArray | None, n: int) -> FloatArray:
    parts: list[FloatArray] = [np.ones(n)]
    if supply is not None:
        parts.append(supply)
    if output is not None:
        parts.append(output)
    return np.stack(parts, axis=1)


def _reweighted(columns: FloatArray, level: FloatArray, residual: FloatArray, floor: float) -> tuple[FloatArray, float]:
    """Least squares with Tukey weights, from a first guess of the residuals; returns coefficients and spread."""
    coefficient = np.zeros(columns.shape[1])
    spread = floor
    for _ in range(8):
        spread = max(floor, 1.4826 * float(np.median(np.abs(residual))))
        weight = np.clip(1 - (residual / (5 * spread)) ** 2, 0, None) ** 2
        if np.count_nonzero(weight) < columns.shape[1] + 1:
            weight = np.ones(len(level))
        root = np.sqrt(weight)[:, None]
        coefficient = np.linalg.lstsq(columns * root, level * root[:, 0], rcond=None)[0]
        residual = level - columns @ coefficient
    return coefficient, spread


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
    n = len(level_v)
    if n == 0:
        return None
    floor = SPREAD_FLOOR_SHARE * float(np.median(level_v))
    middle, _ = _shorth(level_v) if n > 2 else (float(np.median(level_v)), 0.0)
    base = max(floor, 1.4826 * float(np.median(np.abs(level_v - middle)))) if n > 2 else floor
    best: tuple[float, FloatArray, int, int, bool, bool] = (base, np.array([middle]), 0, 0, False, False)
    has_supply = bool(np.all(np.isfinite(supply_v)))
    supply_range = float(np.ptp(supply_v[:, 0])) if has_supply else 0.0
    follows = has_supply and n >= 6 and supply_range >= LEAST_SUPPLY_RANGE_V
    if n >= 4:
        coefficient, spread = _reweighted(np.ones((n, 1)), level_v, level_v - middle, floor)
        best = (spread, coefficient, 0, 0, False, False)
    if follows:
        best = _try_terms(best, level_v, supply_v, output_v, floor, with_output=False)
    if n >= 12:
        best = _try_terms(best, level_v, supply_v if follows else None, output_v, floor, with_output=True)
    spread, coefficient, supply_lag, output_lag, with_supply, with_output = best
    ratio = float(coefficient[1]) if with_supply else 0.0
    sunk = float(coefficient[-1]) if with_output else 0.0
    ratio_sd = float("nan")
    if with_supply:
        lagged = supply_v[:, supply_lag]
        ratio_sd = spread / max(float(np.std(lagged)) * np.sqrt(n), 1e-9)
    return Rail(float(coefficient[0]), ratio, supply_lag, sunk, output_lag, spread, n, supply_range, ratio_sd)


def _try_terms(
    best: tuple[float, FloatArray, int, int, bool, bool],
    level: FloatArray,
    supply: FloatArray | None,
    output: FloatArray,
    floor: float,
    with_output: bool,
) -> tuple[float, FloatArray, int, int, bool, bool]:
    """Keep a larger model only where it narrows the spread by a fifth."""
    limit = best[0] * 0.8
    n = len(level)
    for supply_lag in range(supply.shape[1]) if supply is not None else [-1]:
        lagged = None if supply is None else supply[:, supply_lag]
        start = level - np.median(level)
        if lagged is not None:
            ratios = np.linspace(0, 1.3 * float(np.max(level) / max(float(np.min(lagged)), 0.5)), 40)
            widths = [_shorth(level - ratio * lagged)[1] for ratio in ratios]
            ratio = ratios[int(np.argmin(widths))]
            start = level - ratio * lagged - _shorth(level - ratio * lagged)[0]
        for output_lag in range(output.shape[1]) if with_output else [-1]:
            loaded = output[:, output_lag] if with_output else None
            columns = _columns(lagged, loaded, n)
            coefficient, spread = _reweighted(columns, level, start, floor)
            if lagged is not None and coefficient[1] < 0:
                continue
            if with_output and coefficient[-1] > 0:
                continue
            if spread < limit:
                limit = spread
                best = (spread, coefficient, max(supply_lag, 0), max(output_lag, 0), lagged is not None, with_output)
    return best


def local_drift(time_s: FloatArray, residual_v: FloatArray, at_s: FloatArray) -> FloatArray:
    """Median residual of the plateaus near each moment; zero where fewer than three are near.

    time_s must be sorted. (n,), (n,) -> (len(at_s),)"""
    low = np.searchsorted(time_s, at_s - DRIFT_S)
    high = np.searchsorted(time_s, at_s + DRIFT_S)
    drift = np.zeros(len(at_s))
    for k in np.flatnonzero(high - low >= 3):
        drift[k] = np.median(residual_v[low[k] : high[k]])
    return drift
