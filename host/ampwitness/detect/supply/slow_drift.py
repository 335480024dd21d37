"""A battery's slowest part, which takes tens of seconds: told by how the volts drift with what was played meanwhile.

`supply_fit` looks at half minutes, each with a level and a slope of its own, which swallow what takes longer than some
seconds. Under dense music the battery then seems to stand lower from minute to minute, and what it lost is charged to
nobody: settled volts are too low by what it would regain within a minute of silence. So the volts without what the
fast parts take, second by second, are asked whether one lag of the amplifier's demand explains how they drift.

Gaps: each unbroken stretch starts its lags anew.
Limits: at rest only, as an alternator sets its own volts. A consumer that joins with the music and stays looks the same
where its course is that of the lag. A drift of less than LEAST_DRIFT_V is left as it is.
Source: a first-order lag by least squares with Tukey's weights; the limits are our choice.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.settled_volts import SHORT_BLOCK_S, settle_by_block
from ampwitness.detect.supply.supply_fit import lag_steps
from ampwitness.detect.supply.supply_history import SupplySteps
from ampwitness.types import FloatArray

LAGS_S = (10.0, 20.0, 40.0)
LEAST_DRIFT_V = 0.05  # from the tenth to the ninetieth percentile of seconds
LEAVES = 0.55  # of the spread about one level, that a lag may leave at most
MOST_SHARE = 1.0  # of the fast part; common practice, no source
FEWEST_BLOCKS = 10
_TUKEY, _SPREAD_FLOOR_V = 4.7, 0.002


def find_drift(
    steps: SupplySteps,
    open_v: FloatArray,
    demand: FloatArray,
    rows: npt.NDArray[np.bool_],
    breaks: npt.NDArray[np.bool_],
    fast: float,
) -> FloatArray:
    """(n,) volts that a battery's slowest part has lost at each step; 0 where none is shown.

    Parameters
    ----------
    steps : of the whole recording
    open_v, demand : (n,) volts without what the fitted terms take, and what the amplifier takes
    rows : (n,) of the state that is asked for
    breaks : (n,) where a step does not follow the one before it
    fast : weight of the fast terms, volts a unit of demand
    """
    none: FloatArray = np.zeros(len(open_v))
    time_s, volts = settle_by_block(steps.time_s, open_v, demand, rows, SHORT_BLOCK_S)
    if len(time_s) < FEWEST_BLOCKS or float(np.ptp(np.quantile(volts, (0.1, 0.9)))) < LEAST_DRIFT_V:
        return none
    filled = np.where(np.isfinite(demand), demand, 0.0)
    spread_v = _robust_spread(volts - np.median(volts))
    best, least_v = none, LEAVES * spread_v
    for lag_s in LAGS_S:
        lagged = lag_steps(filled, lag_s, breaks)
        weight, left_v = _fit(np.interp(time_s, steps.time_s, lagged), volts)
        if left_v <= least_v and 0 < weight <= MOST_SHARE * fast:
            best, least_v = weight * lagged, left_v
    return best


def _fit(lagged: FloatArray, volts: FloatArray) -> tuple[float, float]:
    """By how much the volts fall a unit of the lagged demand, and the spread about that."""
    rows, count = np.stack((np.ones(len(lagged)), -lagged), axis=1), np.ones(len(lagged))
    weight = spread_v = 0.0
    for _ in range(8):
        solution = np.linalg.lstsq(rows * count[:, None], volts * count, rcond=None)[0]
        left_v, weight = volts - rows @ solution, float(solution[1])
        spread_v = _robust_spread(left_v)
        count = np.clip(1 - (left_v / (_TUKEY * spread_v)) ** 2, 0, None)
    return weight, spread_v


def _robust_spread(left_v: FloatArray) -> float:
    return max(_SPREAD_FLOOR_V, 1.4826 * float(np.median(np.abs(left_v))))
