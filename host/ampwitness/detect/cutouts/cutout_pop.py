"""Where the wave really ended when its stop made a pop: an output stage that lets go leaves a swing that dies away.

Looked for are the last lobes in front of the quiet, six at most. From the cut on they are one damped swing, which two
numbers carry on from millisecond to millisecond; what played before is not.

Gaps: only one unbroken run is looked at.
Limits: a pop that changes its sign more than five times is taken for what plays on. Dated to 1 ms.
Source: linear prediction of order two by least squares; our choice of limits, measured by
`python -m ampwitness.bench.cutout_scores --faults`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

_BEHIND = 10  # steps of quiet that are looked at as well
_MOST_CHANGES = 5  # of the sign within a pop
_LOBE_RATIO = 0.05  # of the swing before: what is lower is no lobe of its own
_LONGEST, _SHORTEST = 120, 8  # steps of a pop
_BEFORE, _LONG_BEFORE = 25, 185  # steps whose level must have held
_HELD_RATIO = 0.6
_LEFT_RATIO = 0.015  # of the swing before, rms: what the swing carried on may leave
_FLOOR_RATIO = 2.5  # times the least that is left by any tail: no more
_JUMP_RATIO, _ROUGH_RATIO = 0.15, 0.08  # of the swing before
_STANDS_OUT = 6.0  # what played before leaves so much more
_DOUBT_S, _EARLIER_S = 0.003, 0.0125  # the latter where it may have begun ahead of the last lobes
_LEAST_APART = 1e-9  # of the sums' determinant
_HIGHEST_RATIO = 1.2  # of the swing before: a louder pop is none


def measure_pop(run: RunSteps, stop: Stop) -> None:
    """Set `pop_s`, where the wave was cut, its doubt, and `pop_v`, the highest of the pop; nothing without one."""
    end = stop.stop_sample // run.step + 1
    first = max(run.first, end - _LONGEST - _LONG_BEFORE)
    wave = run.steps("mean", first, end + _BEHIND).astype(np.float64) - stop.rest_v
    square = run.steps("square", first, end + _BEHIND) - 2 * stop.rest_v * run.steps("mean", first, end + _BEHIND)
    power = square.astype(np.float64) + stop.rest_v**2
    n = end - first
    least_v = max(5 * stop.off_rms_v, _LOBE_RATIO * stop.peak_v)
    begin = max(_begin_of_last_lobes(wave[:n], least_v), n - _LONGEST, _BEFORE + 30)
    if n - begin < _SHORTEST or len(wave) < n + 4:
        return
    all_weights, all_left_v = carry_on_each(wave[begin:], n - _SHORTEST + 1 - begin)
    limit_v = max(3.0 * stop.off_rms_v, _LEFT_RATIO * stop.peak_v)
    floor_v = max(float(all_left_v.min()), 0.5 * stop.off_rms_v)
    for at, (weights, left_v) in enumerate(zip(all_weights, all_left_v.tolist(), strict=True), begin):
        if left_v > min(limit_v, _FLOOR_RATIO * floor_v):
            continue
        treble_v = np.sqrt(max(float(np.mean(power[at + 1 : n] - wave[at + 1 : n] ** 2)), 0.0))
        if treble_v > 2.0 * limit_v:
            continue
        before = wave[at - _BEFORE : at + 2]
        left = before[2:] - before[1:-1] * weights[0] - before[:-2] * weights[1]
        rough_v = np.sqrt(max(float(np.mean(power[at - 12 : at] - wave[at - 12 : at] ** 2)), 0.0))
        held = np.mean(power[at - _BEFORE : at]) >= _HELD_RATIO**2 * np.mean(power[max(0, at - _LONG_BEFORE) : at])
        # A note that dies away is carried on as well as a pop, but there is no jump where that begins.
        jumps = float(np.max(np.abs(left[-4:]))) >= max(_JUMP_RATIO * stop.peak_v, _STANDS_OUT * left_v)
        was_rough = rough_v >= max(_ROUGH_RATIO * stop.peak_v, _STANDS_OUT * max(treble_v, stop.off_rms_v))
        stands_out = jumps or was_rough
        highest_v = float(np.max(np.abs(wave[at + 1 : n])))
        if held and stands_out and highest_v < _HIGHEST_RATIO * stop.peak_v:
            stop.pop_s, stop.pop_doubt_s = run.time_s(first + at), _DOUBT_S if at > begin else _EARLIER_S
            stop.pop_v = float(wave[at + 1 + int(np.argmax(np.abs(wave[at + 1 : n])))])
        return


def _begin_of_last_lobes(wave: FloatArray, least_v: float) -> int:
    """From where on the wave changes its sign five times at most, of what is higher than `least_v`."""
    high = np.flatnonzero(np.abs(wave) > least_v)
    if len(high) < 2:
        return len(wave)
    changes = np.flatnonzero(np.diff(np.sign(wave[high])))
    return int(high[changes[-_MOST_CHANGES - 1] + 1]) if len(changes) > _MOST_CHANGES else int(high[0])


def carry_on_each(wave: FloatArray, n_starts: int) -> tuple[FloatArray, FloatArray]:
    """The two weights that carry the wave on best by least squares, from each of its first samples on, (n_starts, 2),
    and the rms of what they leave, (n_starts,): all from the same sums, taken from the end.

    Parameters
    ----------
    wave : (n,) at least four samples more than `n_starts`
    n_starts : first samples that are tried
    """
    now, last, before = wave[2:], wave[1:-1], wave[:-2]
    pairs = np.stack((last * last, last * before, before * before, now * last, now * before, now * now))
    aa, ab, bb, ya, yb, yy = np.cumsum(pairs[:, ::-1], axis=1)[:, ::-1][:, :n_starts]
    det = aa * bb - ab * ab
    is_apart = det > _LEAST_APART * np.maximum(aa * bb, 1e-30)
    safe = np.where(is_apart, det, 1.0)
    weights = np.stack(((ya * bb - yb * ab) / safe, (yb * aa - ya * ab) / safe), axis=1)
    # Samples that stand in one ratio to those ahead of them tell one weight only.
    weights[~is_apart] = np.stack((ya / np.maximum(aa, 1e-30), np.zeros_like(ya)), axis=1)[~is_apart]
    lost = np.maximum(yy - weights[:, 0] * ya - weights[:, 1] * yb, 0.0)
    return weights, np.maximum(np.sqrt(lost / (len(now) - np.arange(n_starts))), 1e-6)
