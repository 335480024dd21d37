"""Whether what is left behind a stop is the programme itself, gone on more softly: a volume that was turned down, or a
talk behind a loud song. Then nothing stopped, and what comes later must not be hidden by an outage that never ends.

Gaps: only one unbroken run is looked at.
Limits: seen two seconds behind the stop. What is as steady as hum or hiss is taken for the programme only where it
follows its logged source.
Source: our choice, measured in tests/detect_cutouts/test_cutout_softer.py.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps

SOFTER_STEPS = 2000  # of 1 ms: so far behind the stop it is looked at
_FROM, _BIN = 500, 100
_SOUNDS_V, _SOUNDS_RATIO = 0.06, 0.015  # rms; of the peak before
_VARIES_RATIO = 1.6  # loudest over softest tenth of a second: hum and hiss stay within 1.2
_ALIKE = 0.7


def goes_on_softly(run: RunSteps, stop: Stop) -> bool:
    """Whether a programme sounds from half a second to two seconds behind a stop; those steps must be known."""
    begin = stop.stop_sample // run.step
    mean = run.steps("mean", begin + _FROM, begin + SOFTER_STEPS).astype(np.float64)
    n = len(mean) // _BIN
    if n * _BIN < SOFTER_STEPS - _FROM:
        return False
    # Less the straight line through each tenth of a second: volts that sink are no sound.
    rows, across = mean.reshape(n, _BIN), np.linspace(-1.0, 1.0, _BIN)
    rows = rows - rows.mean(axis=1, keepdims=True)
    rms = (rows - np.outer(rows @ across / (across @ across), across)).std(axis=1)
    if float(np.quantile(rms, 0.25)) < max(_SOUNDS_V, _SOUNDS_RATIO * stop.peak_v):
        return False
    return float(rms.max()) > _VARIES_RATIO * float(rms.min()) or _follows_source(run, begin)


def _follows_source(run: RunSteps, begin: int) -> bool:
    if "source" not in run:
        return False
    output, source = (run.steps(name, begin + _FROM, begin + SOFTER_STEPS) for name in ("mean", "source"))
    scale = float(np.std(output) * np.std(source))
    return scale > 0 and abs(float(np.mean((output - output.mean()) * (source - source.mean())))) > _ALIKE * scale
