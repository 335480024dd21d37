"""The supply at which this amplifier lets go, learned from the stops it made so.

Gaps: none here.
Limits: one stop tells a level and no spread; the delay then is what is usual.
Source: least squares; our choice of priors, measured by `python -m ampwitness.bench.cutout_scores --only under`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.cutout_cause import LOW
from ampwitness.types import Finding

_LET_GO_V = 0.07  # scatter of the level itself, and of what music leaves on the supply
_FEW = 2  # stops
_LATE_S, _LATE_DOUBT_S = 0.004, 0.004


def learn_level(cutouts: Sequence[Finding]) -> dict[str, Any] | None:
    """The level at which this amplifier let go, learned over repeats.

    An amplifier lets go some milliseconds late, and by then the supply has gone on falling: level and delay are fitted
    together, the delay from stops at different slopes and from what is usual.

    Returns
    -------
    level_v; interval_v, the two ends that hold it with 95 %, the upper one at most `held_v`; uncertainty_v, its
    standard error; late_s, the delay; lowest_v, highest_v and spread_v (standard deviation about the fit, None for one
    stop) of the supply at the stops; n_stops; held_v, the lowest supply that it is known to have gone on through for
    20 ms. None without such a stop.
    """
    chosen = [f for f in cutouts if f.measured.get("cause") == LOW and "let_go_v" in f.evidence]
    if not chosen:
        return None
    volts = np.array([float(f.evidence["let_go_v"]) for f in chosen])
    slopes = np.array([min(0.0, float(f.evidence["supply_slope_v_per_s"])) for f in chosen])
    rows = np.vstack((np.column_stack((np.ones(len(volts)), slopes)) / _LET_GO_V, (0.0, 1.0 / _LATE_DOUBT_S)))
    wanted = np.append(volts / _LET_GO_V, _LATE_S / _LATE_DOUBT_S)
    level_v, late_s = np.linalg.lstsq(rows, wanted, rcond=None)[0].tolist()
    if late_s < 0:
        level_v, late_s = float(np.mean(volts)), 0.0
    left_v = volts - level_v - slopes * late_s
    scatter = float(np.sum((rows @ (level_v, late_s) - wanted) ** 2)) / max(1, len(volts) - 1)
    doubt_v = float(np.sqrt(np.linalg.inv(rows.T @ rows)[0, 0] * max(1.0, scatter)))
    gone_through = _known(chosen, "supply_lowest_held_v") or _known(chosen, "supply_lowest_survived_v")
    held_v = min(gone_through, default=None)
    high_v = level_v + 2 * doubt_v
    if len(volts) <= _FEW and (late_v := _known(chosen, "supply_12_ms_before_v")):
        high_v = max(high_v, min(late_v))  # few stops do not tell how late it let go
    if held_v is not None:  # what it went on through, it does not let go at
        high_v = max(min(high_v, held_v), float(volts.min()))
        level_v = min(level_v, high_v)
    return {
        "level_v": level_v,
        "interval_v": (min(level_v, level_v - 2 * doubt_v), high_v),
        "uncertainty_v": doubt_v,
        "late_s": late_s,
        "lowest_v": float(volts.min()),
        "highest_v": float(volts.max()),
        "spread_v": float(np.sqrt(np.mean(left_v**2))) if len(volts) > 1 else None,
        "n_stops": len(volts),
        "held_v": held_v,
    }


def _known(cutouts: Sequence[Finding], name: str) -> list[float]:
    return [float(v) for f in cutouts if isinstance(v := f.evidence.get(name), int | float)]
