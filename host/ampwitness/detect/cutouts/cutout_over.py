"""Whether the supply had risen right before a stop to where guards against over-voltage let go: a load dump, a charger
out of control.

Gaps: only one unbroken run is looked at.
Limits: dated to 1 ms, the step it is kept in. Rises of the last 0.3 s; what the output went on through, 10 ms long,
did not stop it.
Source: 16 V: guards of amplifiers for 12 V commonly act from there on (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import OverVoltage, Stop
from ampwitness.detect.step_stream import RunSteps

HIGH_V, ABOVE_V = 16.0, 1.0  # of a 12 V supply, and so much above what is usual
_FRESH_V = 0.3  # higher than what the output went on through
_BEFORE, _DELAY = 300, 60  # steps: looked at; since when it may be back below


def measure_over(run: RunSteps, stop: Stop, went_on_v: float) -> OverVoltage | None:
    """The supply's rise ahead of a stop; None: there was none. The output had gone on through `went_on_v`."""
    supply = stop.supply
    if supply is None:
        return None
    limit_v = max(supply.of_12_v(HIGH_V), supply.reference_v + supply.of_12_v(ABOVE_V))
    step = round((stop.start_s - run.start_s) / run.step_s)
    first = max(run.first, step - _BEFORE)
    volts = run.steps("supply", first, step + 1)
    high = np.flatnonzero(volts > limit_v)
    if not len(high) or len(volts) - 1 - int(high[-1]) > _DELAY:
        return None
    at = int(np.argmax(volts))
    if float(volts[at]) <= went_on_v + _FRESH_V:
        return None
    return OverVoltage(limit_v, run.time_s(first + int(high[0])), float(volts[at]), run.time_s(first + at))


def is_over(stop: Stop) -> bool:
    """Whether the supply had risen too high, and the output did not come back at one as high, as no guard lets it."""
    if stop.over is None:
        return False
    back_v = stop.supply_at_return_v if stop.resume_s is not None else None
    return back_v is None or back_v < max(stop.over.limit_v, stop.over.highest_v - _FRESH_V)
