"""Whether both terminals of a bridged output jumped up together right before a stop: the amplifier was lifted as a
whole, as when its ground is lost and its own current pulls it towards the supply.

Gaps: only one unbroken run is looked at.
Limits: outputs of which both terminals were logged; jumps of 1.5 V at least, dated to 1 ms, of a middle that does not
follow the programme. Seen from the amplifier's own ground nothing is lifted.
Source: our choice, measured in tests/detect_cutouts/test_cutout_lift.py.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

LEAST_V = 1.5  # a ground lead drops tenths of a volt
_FROM, _NEAR, _BEHIND = 400, 60, 30  # steps around the stop
_SPREADS = 2.0  # of the way the middle goes by itself
_HELD = 3  # steps for which it stays up at least
_BEFORE, _AFTER = (-70, -50), (20, 40)


def measure_lift(run: RunSteps, stop: Stop) -> None:
    """Note the jump of the terminals' middle around a stop, and when it came."""
    at = round((stop.stop_s - run.start_s) / run.step_s)
    first, samples = run.samples("common", (at - _FROM) * run.step, (at + _BEHIND) * run.step)
    lead = -first % run.step
    steps = _means(samples[lead:], run.step)
    begin = at - _NEAR - (first + lead) // run.step
    if begin < _NEAR or len(steps) < begin + _HELD:
        return
    before, around = steps[:begin], steps[begin:]
    usual_v, spread_v = float(np.median(before)), float(np.ptp(before))
    held = np.lib.stride_tricks.sliding_window_view(around, _HELD).min(axis=1) - usual_v
    jump_v = float(held.max())
    if jump_v <= max(LEAST_V, _SPREADS * spread_v):
        return
    stop.lift_v = jump_v
    stop.lift_s = run.time_s(at - _NEAR + int(np.argmax(around - usual_v > 0.5 * jump_v)))


def may_be_lifted(run: RunSteps, step: int) -> bool:
    """Whether the terminals' middle stands higher behind the step at which the output went quiet than well before it: a
    ground may go just as a note ends. Cheap, and no more than a reason for a closer look."""
    before, behind = (run.samples("common", *((step + n) * run.step for n in span))[1] for span in (_BEFORE, _AFTER))
    return len(before) > 0 and len(behind) > 0 and float(np.mean(behind) - np.mean(before)) > LEAST_V


def date_by_lift(stop: Stop) -> None:
    """Date a slow stop that a lost ground explains to its jump: what faded before was the programme's own."""
    if stop.fade_s is not None and stop.lift_s is not None and stop.fade_s < stop.lift_s <= stop.stop_s:
        stop.fade_s, stop.fade_doubt_s = stop.lift_s, stop.stop_s - stop.lift_s


def _means(samples: FloatArray, step: int) -> FloatArray:
    n = len(samples) // step
    return np.asarray(samples[: n * step].reshape(n, step).mean(axis=1))
