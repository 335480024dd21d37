"""Whether the signal at the amplifier's input went on when its output stopped: numbers, which `cutout_cause` judges.

The source went on where it still carried what the output, at the gain of the seconds before, would have shown. A fade
passes through the amplifier: source and output fall together, and this gain holds.

Gaps: only one unbroken run is looked at.
Limits: a source weaker than 10 mV rms may be an open input, and is not judged. Source and output are compared in rms
over 20 ms and more, not wave by wave.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

Steps = npt.NDArray[np.int64]

SOURCE_LEAST_V = 0.010  # rms: a weaker source channel may be an open input
SOURCE_ON_RATIO = 0.5
SOURCE_OFF_RATIO = 0.15
HELD_RATIO = 0.8  # of the rms before: no fade
MISSING_RATIO = 3.0  # the output would have been this many times what it was, had the amplifier played on
_SIDES = ((-60, 0), (3, 50))  # steps
_LEAST_STEPS, _ALIKE, _SAME_GAIN = 20, 0.7, (0.5, 2.0)
_GAIN_STEPS = 2500
_OFF_STEPS = 48  # so long is a stop quiet at least
_BLOCK = 50
_SOON_BLOCKS = 4  # within 0.6 s
_MANY_BLOCKS, _WAKES_S = 8, 0.6
_BLOCKS = 2  # blocks in which the source is heard and the output is not: one may be the return's own delay


def measure_source(run: RunSteps, stop: Stop) -> None:
    """Whether the source played on behind the stop, and when it stopped where it did not."""
    if "source" not in run:
        return
    step = stop.stop_sample // run.step
    longer_v = _ac_rms(run, "source", step - _GAIN_STEPS, step - 10)
    stop.source_gain_ratio = _ac_rms(run, "", step - _GAIN_STEPS, step - 10) / longer_v if longer_v > 0 else 0.0
    before_v, after_v = _ac_rms(run, "source", step - 300, step - 10), _ac_rms(run, "source", step + 5, step + 60)
    # A note that decays across the stop is weaker behind it than in the mean of 0.3 s before, not than right before.
    near_v, soon_v = _ac_rms(run, "source", step - 25, step), _ac_rms(run, "source", step + 3, step + 28)
    holds = after_v > SOURCE_ON_RATIO * before_v or (stop.is_truncated and soon_v > SOURCE_ON_RATIO * near_v)
    if holds and plays_unheard(run, stop, step + 5, step + _OFF_STEPS):
        stop.source = "played on"
        return
    # At the end of a fade the source is near its own noise, which plays on whatever happens.
    is_weak = before_v < max(SOURCE_LEAST_V, 0.2 * _ac_rms(run, "source", step - _GAIN_STEPS, step - 300))
    is_off = not is_weak and after_v < SOURCE_OFF_RATIO * before_v
    # What was cut in mid-cycle and had held its level was no fade: what counts is how it stood right before.
    is_cut = stop.is_truncated and stop.last_rms_ratio >= HELD_RATIO
    is_off |= is_cut and near_v >= SOURCE_LEAST_V and soon_v < SOURCE_OFF_RATIO * near_v
    if not is_off:
        stop.source = "not judged"
        stop.follows_source = _follows(run, stop, step)
        return
    stop.source = "stopped"
    first, samples = run.samples("source", (step - 60) * run.step, (step + 60) * run.step)
    tail = samples[-round(0.040 * run.rate_hz) :]
    rest_v, noise_v = float(np.median(tail)), float(np.std(tail))
    peak_v = float(np.max(np.abs(samples - rest_v)))
    hidden_v = 5 * stop.off_rms_v / stop.source_gain_ratio if stop.source_gain_ratio > 0 else 0.0
    # Where noise hides the output's end, it hides as much of the source's: else that seems to sound on for longer.
    loud = np.flatnonzero(np.abs(samples - rest_v) > min(max(5 * noise_v, 0.02 * peak_v, hidden_v), 0.5 * peak_v))
    if len(loud):
        stop.source_stop_s = run.start_s + (first + int(loud[-1]) + 1) / run.rate_hz


def _follows(run: RunSteps, stop: Stop, step: int) -> bool:
    """Whether the output is the source's own wave at its usual gain on both sides of a stop: the amplifier plays on,
    however little."""
    for begin, end in _SIDES:
        output, source = (run.steps(name, step + begin, step + end).astype(np.float64) for name in ("mean", "source"))
        if len(output) < _LEAST_STEPS:
            return False
        output, source = output - output.mean(), source - source.mean()
        due_v, is_v = stop.source_gain_ratio * float(np.std(source)), float(np.std(output))
        if not _SAME_GAIN[0] * due_v < is_v < _SAME_GAIN[1] * due_v:
            return False
        if abs(float(np.mean(output * source))) < _ALIKE * float(np.std(output) * np.std(source)):
            return False
    return True


def plays_again(run: RunSteps, at: Steps, known: int) -> npt.NDArray[np.bool_]:
    """(k,) whether the source plays soon behind each of these steps where the output was quiet, and the output does
    not, nor did meanwhile. Nothing from step `known` on is looked at."""
    last = known - run.first - 1
    before, behind = (at[:, None] + np.arange(a, b)[None, :] - run.first for a, b in ((-500, -10), (50, 600)))
    was, now = np.clip(before, 0, last), np.clip(behind, 0, last).reshape(len(at), -1, _BLOCK)

    def power(square: str, mean: str, rows: Steps) -> FloatArray:
        return np.asarray(np.maximum(run[square][rows].mean(axis=-1) - run[mean][rows].mean(axis=-1) ** 2, 0.0))

    heard, played = power("source_square", "source", now), power("square", "mean", now)
    gain = power("square", "mean", was) / np.maximum(power("source_square", "source", was), 1e-12)
    is_heard = heard > SOURCE_LEAST_V**2
    follows = played > gain[:, None] * heard / MISSING_RATIO**2
    is_missing = is_heard & ~follows & (np.cumsum(is_heard & follows, axis=1) == 0)
    return np.asarray(is_missing.sum(axis=1) >= _SOON_BLOCKS)


def follow_source(run: RunSteps, stop: Stop, until: int) -> None:
    """While the output is off, up to step `until`: a source heard again that the output does not follow played on.

    Where the wave was cut in mid-cycle and the stop itself left it open; else only where the source was heard again
    soon, and for longer: an amplifier that wakes by itself is late as well. Then the stop lies in between.
    """
    if stop.source not in ("not judged", "stopped") or stop.is_dc_only or "source" not in run:
        return
    stopped_at = stop.stop_sample // run.step
    step = round(stop.extra.get("source_step", stopped_at + 5))
    while step + _BLOCK <= until:
        if plays_unheard(run, stop, step, step + _BLOCK):
            stop.extra["source_blocks"] = stop.extra.get("source_blocks", 0.0) + 1
            stop.extra.setdefault("source_again", float(step))
        step += _BLOCK
    stop.extra["source_step"] = step
    n_blocks, silent_s = (
        stop.extra.get("source_blocks", 0.0),
        (stop.extra.get("source_again", step) - stopped_at) * run.step_s,
    )
    if stop.is_truncated and stop.source == "not judged" and n_blocks >= _BLOCKS:
        stop.source = "played on"
    elif not stop.is_truncated and n_blocks >= _MANY_BLOCKS and silent_s < _WAKES_S:
        stop.source, stop.unseen_s = "played on", silent_s
    elif stop.source == "stopped" and n_blocks >= _MANY_BLOCKS and silent_s < _WAKES_S:
        stop.source_back_s = silent_s
    if stop.source == "played on" and "supply" in run:
        supply = run.steps("supply", stopped_at, stopped_at + round(silent_s / run.step_s))
        stop.unseen_lowest_v = float(supply.min()) if len(supply) else None


def measure_gain(run: RunSteps, start: int, until: int) -> tuple[float, float]:
    """Rms of the source over some steps, and that of the output over it; (0, 0) without a source."""
    source_v = _ac_rms(run, "source", start, until) if "source" in run else 0.0
    return source_v, _ac_rms(run, "", start, until) / source_v if source_v > 0 else 0.0


def plays_unheard(run: RunSteps, stop: Stop, start: int, until: int) -> bool:
    """Whether the source carried what the output ought to have shown, and did not."""
    source_v = _ac_rms(run, "source", start, until)
    due_v = stop.source_gain_ratio * source_v
    return source_v >= SOURCE_LEAST_V and due_v > MISSING_RATIO * _ac_rms(run, "", start, until)


def _ac_rms(run: RunSteps, role: str, start: int, stop: int) -> float:
    """Rms about the mean over whole steps, of the source or (no role) of the output."""
    mean, square = (run.steps(name, start, stop) for name in ((role, f"{role}_square") if role else ("mean", "square")))
    if len(mean) == 0:
        return 0.0
    mean_v, mean_square = float(np.mean(mean, dtype=np.float64)), float(np.mean(square, dtype=np.float64))
    return float(np.sqrt(max(mean_square - mean_v**2, 0.0)))
