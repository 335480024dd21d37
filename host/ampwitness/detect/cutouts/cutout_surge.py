"""Whether the logged current rose right before a stop further than it ever had, and than the output's height explains:
a short in load or leads does that, and no programme.

Gaps: only one unbroken run is looked at, three seconds back.
Limits: of a sensor's volts, whatever amperes they are and whichever way it is turned; a surge shorter than a
millisecond is averaged over that. Behind capacitors a surge arrives late and low.
Source: ours.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps

_BEFORE, _NEAR, _BEHIND = 3000, 20, 3  # steps
_LEAST_BEFORE = 1000
SURGE_RATIO = 1.5  # of the highest before
_LEAST_V = 0.03  # of the sensor


def measure_surge(run: RunSteps, stop: Stop) -> None:
    """Note how many times as far as ever the current rose, and when."""
    if "current" not in run or not stop.is_truncated:
        return
    step = round((stop.start_s - run.start_s) / run.step_s)
    first = max(run.first, step - _BEFORE)
    volts = run.steps("current", first, step + _BEHIND).astype(np.float64)
    high, low = (run.steps(name, first, step + _BEHIND) - stop.rest_v for name in ("high", "low"))
    height = np.maximum(high, -low)
    n = step - _NEAR - first
    if n < _LEAST_BEFORE or len(volts) <= n:
        return
    far = volts - np.median(volts[:n])
    side = 1.0 if abs(far[n:].max()) >= abs(far[n:].min()) else -1.0
    far *= side
    highest = max(float(far[:n].max()), _LEAST_V)
    at = n + int(np.argmax(far[n:]))
    # What plays louder takes more, as the square of it.
    louder = max(1.0, float(height[n:].max()) / max(float(height[:n].max()), 1e-9)) ** 2
    if far[at] >= SURGE_RATIO * louder * highest:
        stop.surge_ratio, stop.surge_s = float(far[at]) / highest, run.time_s(first + at)
