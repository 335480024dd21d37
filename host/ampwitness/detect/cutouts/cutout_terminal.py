"""Whether one terminal of a bridged output lies still near 0 V while the other plays on: a half that is dead, or a clip
of the logger that came off. Volts alone do not tell the two apart.

Gaps: only one unbroken run is looked at.
Limits: needs both terminals recorded; 0.4 s of what plays.
Source: ours.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.step_stream import RunSteps

_FROM, _TO = 100, 500  # steps behind the place
_STILL_RATIO, _STILL_V, _NEAR_ZERO_V = 0.02, 0.05, 0.5  # rms, of the other terminal's and in volts; mean


def name_silent_terminal(run: RunSteps, place: int) -> str:
    """`positive` or `negative` where that one lies still behind step `place` and the other plays; else empty."""
    a, b = (place + _FROM) * run.step, (place + _TO) * run.step
    (_, output), (_, common) = run.samples("output", a, b), run.samples("common", a, b)
    if len(output) < 0.5 * (b - a) or len(common) != len(output):
        return ""
    sides = {"positive": common + output / 2, "negative": common - output / 2}
    for name, other in (("positive", "negative"), ("negative", "positive")):
        rms_v, plays_v = float(np.std(sides[name])), float(np.std(sides[other]))
        is_still = rms_v < max(_STILL_RATIO * plays_v, _STILL_V) and plays_v > 4 * _STILL_V
        if is_still and abs(float(np.mean(sides[name]))) < _NEAR_ZERO_V:
            return name
    return ""
