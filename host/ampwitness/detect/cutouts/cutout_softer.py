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
UP_TO_STEPS, NEAR_STEPS = 300, 30
NOTE_STEPS, NOTE_RATIO = 12, 0.5  # what sounds for half a cycle of 40 Hz, as loud as the peak before, is a note
_SHORT, _QUIET, _BURST = 25, 50, 60  # steps
_ENDS_RATIO = 5.0  # rms before, of the rms behind


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


def sounds_up_to(run: RunSteps, stop: Stop, step: int, known: int) -> bool:
    """Whether what is left behind a stop sounds on for a third of a second at least up to a step, and ends there."""
    begin = step - UP_TO_STEPS
    if begin < stop.stop_sample // run.step + NEAR_STEPS or step + _QUIET > known:
        return False
    before, behind = (run.steps("mean", a, b).astype(np.float64) for a, b in ((begin, step), (step + 5, step + _QUIET)))
    rms = before[: UP_TO_STEPS // _SHORT * _SHORT].reshape(-1, _SHORT).std(axis=1)
    return float(np.median(rms)) > max(_SOUNDS_V, _ENDS_RATIO * float(behind.std()))


def find_burst(run: RunSteps, stop: Stop, step: int) -> int | None:
    """Since which step something is heard that ends at `step`, too short to be told from a click; None: nothing is."""
    begin = max(step - _BURST, stop.stop_sample // run.step + NEAR_STEPS // 2)
    high, low = run.steps("high", begin, step + 5), run.steps("low", begin, step + 5)
    limit_v = max(6.0 * stop.off_rms_v, 0.03 * stop.peak_v)
    loud = np.flatnonzero(np.maximum(high - stop.rest_v, stop.rest_v - low) > limit_v)
    return min(begin + int(loud[0]), step) if len(loud) else None


def _follows_source(run: RunSteps, begin: int) -> bool:
    if "source" not in run:
        return False
    output, source = (run.steps(name, begin + _FROM, begin + SOFTER_STEPS) for name in ("mean", "source"))
    scale = float(np.std(output) * np.std(source))
    return scale > 0 and abs(float(np.mean((output - output.mean()) * (source - source.mean())))) > _ALIKE * scale
