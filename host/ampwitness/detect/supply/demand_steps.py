"""Whether the demand rose fast enough, often enough, for the supply's time constants to show.

Gaps: a rise across one is not counted.
Limits: rises within 50 ms; a demand that swells and fades gently leaves every lag the same picture.
Source: our choice, held by tests/supply/test_demand_steps.py.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.supply_history import STEP_S
from ampwitness.types import FloatArray

RISE_S = 0.05
RISE_SHARE = 0.3  # of the loud level, mean square
APART_S = 0.2
LOUD_QUANTILE = 0.99


def count_rises(demand: FloatArray, index: npt.NDArray[np.int64]) -> int:
    """How often a demand rose by RISE_SHARE of its loud level within RISE_S.

    Parameters
    ----------
    demand : (n,) by steps of STEP_S: amperes or mean square of the output; NaN where not known
    index : (n,) number of each step: they need not follow one another
    """
    reach = round(RISE_S / STEP_S)
    demand = np.nan_to_num(demand)
    if len(demand) <= reach:
        return 0
    follows = index[reach:] - index[:-reach] == reach
    rises = follows & (demand[reach:] - demand[:-reach] > RISE_SHARE * float(np.quantile(demand, LOUD_QUANTILE)))
    at = np.flatnonzero(rises)
    return int(np.sum(np.diff(index[at], prepend=-1_000_000) > round(APART_S / STEP_S)))
