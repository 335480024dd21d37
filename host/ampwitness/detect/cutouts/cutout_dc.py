"""Steady volts at the output: before a stop, on which a guard against DC acts, and where they rose out of silence.

Gaps: only one unbroken run is looked at, three seconds back.
Limits: volts that stand out of the means of the programme over 64 ms for 25 ms at least; low bass hides more.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores --faults`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps

DC_BIN = 100  # steps
_HISTORY = 3000  # steps
_MEAN = 64  # steps: with soft ends, so that of a bass of 30 Hz and more a hundredth is left
_OUTPUT = ("mean", "high", "low")
_WEIGHTS = np.hanning(_MEAN + 2)[1:-1] / np.sum(np.hanning(_MEAN + 2))
_LEAST_V, _STANDS_OUT = 1.0, 6.0
_SHORTEST = 25
_LATE = 2  # steps: the cut itself
STEADY_RATIO = 0.3  # steady volts stay within this of themselves
_REST_BIN, _REST_FROM, _REST_TO = 10, 30, 350  # steps behind a stop
_REST_SWING_RATIO = 0.10
_LONG_BINS, _LONG_RATIO, _STILL_RATIO = (
    20,
    0.2,
    0.04,
)  # the crest of a slow wave stands still as well: a short rest must be flat
_LEAST_BINS, _LEAST_STEADY_BINS, _FLAT_RATIO, _JUMP_RATIO = 3, 5, 0.12, 0.6


def measure_dc(run: RunSteps, stop: Stop) -> None:
    """Set `dc_v` and `dc_since_s` where steady volts stood at the output right before it stopped."""
    end = round((stop.start_s - run.start_s) / run.step_s) - _LATE
    first = max(run.first, end - _HISTORY)
    mean = run.steps("mean", first, end).astype(np.float64)
    if len(mean) < 12 * _MEAN:
        return
    means = np.convolve(mean, _WEIGHTS, "valid")
    earlier = means[: -5 * _MEAN]
    usual_v = float(np.median(earlier))
    # The highest of what the programme does by itself counts, not its scatter alone: a drum pushes one way at times.
    chance_v = max(_STANDS_OUT * 1.4826 * float(np.median(np.abs(earlier - usual_v))),
                   1.5 * float(np.max(np.abs(earlier - usual_v))))  # fmt: skip
    last_v = float(means[-1]) - usual_v
    if abs(last_v) < max(_LEAST_V, chance_v):
        return
    # Where half of it was reached; a mean reaches half of a step's height in its middle.
    under = np.flatnonzero(np.abs(means - usual_v) < 0.5 * abs(last_v))
    since = int(under[-1]) + 1 + _MEAN // 2
    if len(mean) - since < _SHORTEST:
        return
    stop.dc_v, stop.dc_since_s = last_v, run.time_s(first + since)


def rests_steadily(run: RunSteps, stop: Stop, known: int) -> bool:
    """Whether the volts at which the output rests stand still, or stood until they ended at once.

    What lies under a programme and below any tone (a warped record, a coupling capacitor that rings, a thump that dies
    away) rests away from zero for a moment as well, and moves on. Steps up to `known` may be looked at.
    """
    begin = stop.stop_sample // run.step + _REST_FROM
    n = (min(known, begin + _REST_TO) - begin) // _REST_BIN
    if n < _LEAST_BINS:
        return False
    mean, high, low = (run.steps(name, begin, begin + n * _REST_BIN).reshape(n, _REST_BIN) for name in _OUTPUT)
    swing = 0.5 * (high.max(axis=1) - low.min(axis=1))
    sounds = np.flatnonzero(swing > max(5.0 * stop.off_rms_v, _REST_SWING_RATIO * stop.peak_v))
    level = mean.mean(axis=1, dtype=np.float64)[: int(sounds[0]) if len(sounds) else n]
    late = level[len(level) // 2 :]
    if len(late) < _LEAST_BINS:
        return False  # too short to be called stuck
    ratio = _LONG_RATIO if len(level) >= _LONG_BINS else _STILL_RATIO
    if float(late.max() - late.min()) < ratio * abs(float(np.median(late))):
        return True
    off = np.abs(level - stop.rest_v) / max(abs(stop.rest_v), 1e-9)
    away = np.flatnonzero(off > STEADY_RATIO)
    if not len(away):
        return False
    ended = int(away[0])
    if ended <= _LEAST_STEADY_BINS or float(off[: ended - 1].max()) > _FLAT_RATIO:
        return False
    # What ends at once stood until then: a fuse that blows, a guard that acts.
    return bool(np.max(off[ended : ended + 2]) > _JUMP_RATIO)


def find_rise(run: RunSteps, begin: int, level_v: float) -> int:
    """The step at which steady volts rose that are known to stand from step `begin` on."""
    first = max(run.first, begin - _HISTORY)
    mean = run.steps("mean", first, begin + DC_BIN)
    quiet = np.flatnonzero(np.abs(mean) <= 0.5 * abs(level_v))
    half = int(quiet[-1]) + 1 if len(quiet) else 0
    # It may have risen slowly: back to where it stood at its usual level.
    usual_v = float(np.median(mean[: max(1, half // 2)]))
    low = np.flatnonzero(np.abs(mean[:half] - usual_v) <= 0.05 * abs(level_v))
    return first + (int(low[-1]) + 1 if len(low) else half)
