"""Whether the output went on, later in the run, through lower supplies than the one it seemed to have stopped at.

A guard that waits lets go when the supply has been low for as long as it waits: so lows are compared by how long they
lasted, and only where all lengths say the same is it the programme that had stopped.

Gaps: only one unbroken run is looked at.
Limits: waits of 1 to 48 ms; what the output went on through is looked for from its return on.
Source: our choice, measured in tests/detect_cutouts/test_cutout_later.py and by
`python -m ampwitness.bench.cutout_scores --only under`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.cutouts.cutout_outlived import LOW_RATIO
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

WAITS = (1, 2, 4, 6, 8, 10, 12, 16, 24, 32, 48)  # steps
LOWER_V = 0.03  # so much lower, at every wait
_BEFORE = 300  # steps


def measure_lows(run: RunSteps, stop: Stop) -> None:
    """Keep the lowest supply of the 0.3 s before a stop that lasted for each of `WAITS`."""
    step = round((stop.stop_s - run.start_s) / run.step_s)
    volts = run.steps("supply", step - _BEFORE, step)
    stop.lows_v = find_lows(volts, np.ones(len(volts), dtype=bool))
    stop.later_lows_v = np.full(len(WAITS), np.inf)


def find_lows(supply: FloatArray, is_live: npt.NDArray[np.bool_]) -> FloatArray:
    """(len(WAITS),) lowest supply that lasted for each of `WAITS`; infinite: the output did not sound for as long.

    supply, is_live : (n,) steps, and in which of them the output sounded
    """
    volts = np.where(is_live, supply, np.inf)
    out = np.full(len(WAITS), np.inf)
    held, known = volts, 1  # highest of each `known` steps in a row
    for place, wait in enumerate(WAITS):
        if len(volts) < wait:
            break
        more, known = wait - known, wait  # at most twice as long: two of the shorter ones cover it
        held = np.maximum(held[: len(held) - more], held[more:]) if more else held
        out[place] = held.min()
    return out


def went_on_later(stop: Stop) -> bool:
    """Whether the output went on through lower ones at every wait at which its supply was low before it stopped."""
    if stop.supply is None or stop.lows_v is None or stop.later_lows_v is None:
        return False
    limit_v = LOW_RATIO * stop.supply.reference_v
    if stop.supply.lowest_v > limit_v:  # it never fell so far: the lower half of its fall
        limit_v = (stop.supply.reference_v + stop.supply.lowest_v) / 2
    is_low = stop.lows_v < limit_v
    return bool(is_low.any()) and bool(np.all(stop.later_lows_v[is_low] < stop.lows_v[is_low] - LOWER_V))
