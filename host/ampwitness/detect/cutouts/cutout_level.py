"""The supply at which this amplifier lets go, learned from the stops it made so.

Gaps: none here.
Limits: one stop tells a level and no spread; the delay then is what is usual.
Source: Gaussian likelihood on a grid of delays; our choice of priors, measured by
`python -m ampwitness.bench.cutout_scores --only under`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.cutout_cause import LOW
from ampwitness.detect.cutouts.cutout_measure import GUARD_S
from ampwitness.types import Finding, FloatArray

_LET_GO_V = 0.07  # scatter of the level itself, and of what music leaves on the supply
_FEW = 2  # stops
_LATE_S, _LATE_DOUBT_S = 0.004, 0.004
_DELAY_STEP_S = 0.0005
_GRID_V = 0.002


def learn_level(cutouts: Sequence[Finding]) -> dict[str, Any] | None:
    """The level at which this amplifier let go, learned over repeats.

    An amplifier lets go some milliseconds late, and by then the supply has gone on falling, or has come back: level and
    delay are fitted together, the delay from where the courses of the supply ahead of all stops meet, and from what is
    usual.

    Returns
    -------
    level_v; interval_v, the two ends that hold it with 95 %, the upper one at most `held_v`; uncertainty_v, its
    standard error; late_s, the likely delay; lowest_v, highest_v and spread_v (standard deviation about the fit, None
    for one stop) of the supply at the stops; n_stops; held_v, the lowest supply that it is known to have gone on
    through for 20 ms. None without such a stop.
    """
    chosen = [f for f in cutouts if f.measured.get("cause") == LOW and f.evidence.get("supply_ms_before_v")]
    if not chosen:
        return None
    volts = np.array([float(f.evidence["let_go_v"]) for f in chosen])
    delays_s = np.arange(0.0, GUARD_S + _DELAY_STEP_S / 2, _DELAY_STEP_S)
    courses = [f.evidence["supply_ms_before_v"] for f in chosen]
    at_v = np.array([np.interp(delays_s, 0.001 * np.arange(len(course)), course) for course in courses])
    by_delay_v, scatter_v2 = at_v.mean(axis=0), at_v.var(axis=0)
    prior = ((delays_s - _LATE_S) / _LATE_DOUBT_S) ** 2
    n = len(chosen)
    best = int(np.argmin(n * scatter_v2 / _LET_GO_V**2 + prior))
    doubt_v2 = max(_LET_GO_V**2, float(scatter_v2[best]) * n / max(1, n - 1))
    weights = np.exp(-0.5 * (n * (scatter_v2 - scatter_v2[best]) / doubt_v2 + prior - prior[best]))
    weights /= weights.sum()
    level_v, low_v, high_v = _quantiles(by_delay_v, weights, float(np.sqrt(doubt_v2 / n)))
    late_s = float(weights @ delays_s)
    doubt_v = (high_v - low_v) / 4
    gone_through = _known(chosen, "supply_lowest_held_v") or _known(chosen, "supply_lowest_survived_v")
    held_v = min(gone_through, default=None)
    if len(volts) <= _FEW and (late_v := _known(chosen, "supply_12_ms_before_v")):
        high_v = max(high_v, min(late_v))  # few stops do not tell how late it let go
    if held_v is not None:  # what it went on through, it does not let go at
        high_v = max(min(high_v, held_v), float(volts.min()))
        level_v = min(level_v, high_v)
    return {
        "level_v": level_v,
        "interval_v": (min(level_v, low_v), high_v),
        "uncertainty_v": doubt_v,
        "late_s": late_s,
        "lowest_v": float(volts.min()),
        "highest_v": float(volts.max()),
        "spread_v": float(np.sqrt(scatter_v2[best])) if len(volts) > 1 else None,
        "n_stops": len(volts),
        "held_v": held_v,
    }


def _quantiles(levels_v: FloatArray, weights: FloatArray, spread_v: float) -> tuple[float, float, float]:
    """Median of a mixture of Gaussians as wide as each other, and the two ends that hold 95 % of it."""
    grid_v = np.arange(levels_v.min() - 4 * spread_v, levels_v.max() + 4 * spread_v, _GRID_V)
    density = np.exp(-0.5 * ((grid_v[:, None] - levels_v) / spread_v) ** 2) @ weights
    share = np.cumsum(density) / density.sum()
    middle_v, low_v, high_v = np.interp([0.5, 0.025, 0.975], share, grid_v).tolist()
    return middle_v, low_v, high_v


def _known(cutouts: Sequence[Finding], name: str) -> list[float]:
    return [float(v) for f in cutouts if isinstance(v := f.evidence.get(name), int | float)]
