"""Where an output that stands at half the supply is switched off: it falls silent, and its own volts sink to nothing.

Bridged outputs and those behind a capacitor play about half the supply. A pause or a mute leaves them there; what
takes these volts away as well switched the stage itself off.

Gaps: only one unbroken run is looked at.
Limits: volts of at least 2 V that sink by a tenth within half a second: a time constant of five seconds at most; or
that are gone at once, where they were half the supply. They
sink alike in a stage that is told to stand by and in one that lost its supply inside.
Source: our choice, measured in tests/detect_cutouts/test_cutout_bias.py.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

BIAS_V = 2.0
HALF_RATIOS = (0.40, 0.60)  # of the supply
_OFF, _BEFORE, _SINKING = 50, 500, 550  # steps
_BIN = 50
_LATEST, _LATEST_OWN = 300, 50  # a thump may hide for so long that it sinks; a block's own begin so early
_SUNK_RATIO = 0.9
_QUIET_RATIO = 0.1  # of half the swing before: a tone of 30 Hz moves twice as far within a step as it crosses zero
_NOISE_V = 0.40  # of one step, highest less lowest, in the logger's noise
_NOISE_TIMES, _SOUNDS_TIMES = 2.5, 2.0
_LOUD_TIMES, _LOUD_RATIO = 8.0, 0.06  # of the logger's noise, of half the swing before
_HEARD, _HEARD_SHARE = 150, 0.5
_CREEPS_RATIO = 0.02  # of the volts before: no bin is higher by more than the one ahead of it
_LEAST_SWING_V = 0.30
_LEVEL, _GONE_RATIO = 2000, 0.2  # steps ahead of a stop; of the volts before, what is left of them


def find_sinking(run: RunSteps, start: int, limit: int, known: int) -> list[int]:
    """Steps near `start` to `limit` from which on a biased output is silent and sinks; those up to `known` are seen."""
    first = max(run.first, start - _BEFORE)
    mean = run.steps("mean", first, known)
    if len(mean) < _BEFORE + _SINKING:
        return []
    halves = mean[: len(mean) // _BEFORE * _BEFORE].reshape(-1, _BEFORE).mean(axis=1)
    if float(np.abs(halves).max()) < BIAS_V / 2:
        return []
    across = run.steps("high", first, known) - run.steps("low", first, known)
    n = len(mean) // _BIN
    level = mean[: n * _BIN].reshape(n, _BIN).mean(axis=1, dtype=np.float64)
    most = across[: n * _BIN].reshape(n, _BIN).max(axis=1)
    out: list[int] = []
    n_before, n_far = _BEFORE // _BIN, _SINKING // _BIN - 1
    for at in _sinking_bins(level, n_before, n_far):
        if out and at * _BIN + first - out[-1] < _SINKING:
            continue
        step = _falls_silent(across, mean, at * _BIN, float(most[at : at + n_far].max()))
        if step is not None and start <= at * _BIN + first - _LATEST_OWN < limit:
            out.append(step + first)
    return out


def _sinking_bins(level: FloatArray, n_before: int, n_far: int) -> list[int]:
    """Bins ahead of which the output stood away from 0, and from which on it sinks without rising again."""
    if len(level) < n_before + n_far + 1:
        return []
    windows = np.lib.stride_tricks.sliding_window_view
    before_v = np.median(windows(level, n_before)[: -n_far - 1], axis=1)
    course = windows(level, n_far)[n_before : n_before + len(before_v)] * np.sign(before_v)[:, None]
    away_v = np.abs(before_v)
    sinks = (away_v >= BIAS_V) & (course[:, -1] < _SUNK_RATIO * course[:, 0]) & (course[:, 0] >= 0.3 * away_v)
    sinks &= np.diff(course, axis=1).max(axis=1) < _CREEPS_RATIO * away_v
    return (np.flatnonzero(sinks) + n_before).tolist()


def _falls_silent(across: FloatArray, mean: FloatArray, at: int, most_v: float) -> int | None:
    """The step behind the last one that sounds, up to 0.3 s before place `at`; None: it sounds on, or never did."""
    before = slice(max(0, at - _BEFORE), at - _LATEST)
    swing_v = 0.5 * float(mean[before].max() - mean[before].min())
    quiet_v = max(_QUIET_RATIO * swing_v, min(_NOISE_V, _NOISE_TIMES * float(np.median(across[at : at + _SINKING]))))
    if swing_v < _LEAST_SWING_V or most_v > quiet_v or float(across[before].max()) < _SOUNDS_TIMES * quiet_v:
        return None
    loud = np.flatnonzero(across[at - _LATEST : at] > quiet_v)
    return at - _LATEST + int(loud[-1]) + 1 if len(loud) else None


def make_stop(run: RunSteps, step: int) -> Stop:
    """The stop of an output that is silent from `step` on while its own volts sink."""
    first, tail = run.samples("output", step * run.step, (step + _OFF) * run.step)
    line = np.polynomial.Polynomial.fit(np.arange(len(tail)), tail, 3)(np.arange(len(tail)))
    mean = run.steps("mean", step - _BEFORE, step)
    _, near = run.samples("output", (step - _BEFORE) * run.step, step * run.step)
    peak_v = 0.5 * float(near.max() - near.min())
    rest_v = float(np.mean(tail[-10 * run.step :]))  # behind a thump
    stop = Stop(run.start_s + first / run.rate_hz, first - 1, peak_v, float(np.std(tail - line)), rest_v)
    stop.sank_from_v = float(np.median(mean))
    return stop


def measure_gone(run: RunSteps, stop: Stop) -> None:
    """Note where the volts of an output that stood at half the supply went with what it played, at once."""
    step = stop.stop_sample // run.step
    if stop.sank_from_v is not None or not stands_at_half(run, step - _LEVEL, step):
        return
    own_v = float(np.median(run.steps("mean", step - _LEVEL, step)))
    if own_v >= BIAS_V and abs(stop.rest_v) < _GONE_RATIO * own_v:
        stop.sank_from_v, stop.sank_to_v, stop.is_gone_at_once = own_v, abs(stop.rest_v), True


def follow_sinking(run: RunSteps, stop: Stop, start: int, until: int) -> None:
    """Note how far the volts of such an output sank while it was off, in these steps."""
    if stop.sank_from_v is None:
        return
    mean = np.abs(run.steps("mean", start, until))
    n = len(mean) // 10
    if n:
        lowest_v = float(mean[: 10 * n].reshape(n, 10).mean(axis=1).min())
        stop.sank_to_v = lowest_v if stop.sank_to_v is None else min(stop.sank_to_v, lowest_v)


def sounds_again(run: RunSteps, stop: Stop, at: int, limit: int, known: int) -> int | None:
    """The step from `at` to `limit` from which on such an output sounds again; its own volts may rise meanwhile."""
    begin = max(at, stop.stop_sample // run.step + _OFF)
    across = run.steps("high", begin, known) - run.steps("low", begin, known)
    loud = np.flatnonzero(
        across[: max(0, limit - begin)] > max(_LOUD_TIMES * stop.off_rms_v, _LOUD_RATIO * stop.peak_v)
    )
    for step in loud.tolist():
        behind = across[step : step + _HEARD]
        n = len(behind) // 10
        tops = behind[: 10 * n].reshape(n, 10).max(axis=1)
        if n and np.mean(tops > max(_LOUD_TIMES * stop.off_rms_v, _LOUD_RATIO * stop.peak_v)) >= _HEARD_SHARE:
            return begin + int(step)
    return None


def stands_at_half(run: RunSteps, start: int, until: int) -> bool:
    """Whether the output stands in these steps where a bridged one does, or one behind a capacitor."""
    if "supply" not in run:
        return False
    level, supply = (run.steps(name, start, until) for name in ("mean", "supply"))
    if not len(level) or float(np.median(supply)) < 2 * BIAS_V:
        return False
    return HALF_RATIOS[0] < float(np.median(level)) / float(np.median(supply)) < HALF_RATIOS[1]
