"""Where the output comes back after a stop, and how: at once, over a ramp, with a thump.

Gaps: only one unbroken run is looked at.
Limits: what sounds for less than 30 ms is a click and no return.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_bias import sounds_again
from ampwitness.detect.cutouts.cutout_measure import REMOTE_LOW_V, Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge

AT_ONCE_RATIO, STAYS_RATIO, AGAIN_RATIO, QUICK_RAMP_S = 0.35, 0.6, 0.5, 0.045
RESTED_RATIO = 0.25
GROUND_JUMP_V = 1.0
_SETTLE_S = 0.5  # behind the return: how long its level is compared with
_AHEAD, _BEHIND = 20, 100  # steps around a return
_THUMP_STEPS = 250
_SOUNDS_RATIO = 0.1
_SOUND_STEPS, _CLICK_BINS, _MOST_BINS = 150, 3, 8
_DC_V, _LEFT_RATIO = 1.5, 0.3
Steps = npt.NDArray[np.int64]


def find_return(
    run: RunSteps, stop: Stop, at: int, limit: int, known: int, edges: Sequence[Edge]
) -> tuple[int, int] | None:
    """The step and the sample at which the output is back, from step `at` to `limit`; None: not there.

    Steps up to `known` may be looked at. While a remote lead that fell stays low, what sounds for less than a quarter
    of a second is the thump of the turn-off.
    """
    if stop.sank_from_v is not None:
        again = sounds_again(run, stop, at, limit, known)
        return None if again is None else (again, again * run.step)
    limit_v = max(6.0 * stop.off_rms_v, 0.03 * stop.peak_v)
    off_step = stop.stop_sample // run.step + 3
    # The level at rest may creep while the output is off: measure from where it stood 20 to 60 ms before.
    lead = max(0, min(at - off_step, at - run.first, 60))
    end = min(limit + 150, known)
    mean = run.steps("mean", at - lead, end).astype(np.float64)
    sums = np.concatenate(([0.0], np.cumsum(mean)))
    place = np.arange(lead, len(mean))
    b = np.maximum(place - 20, 1)
    a = np.maximum(b - 40, 0)
    rest = (sums[b] - sums[a]) / (b - a)
    rest = np.where(place - 20 < 1, stop.rest_v, rest)
    high, low = run.steps("high", at, end), run.steps("low", at, end)
    away = (np.maximum(high - rest, rest - low) > limit_v).astype(np.int64)
    still = (np.maximum(high - stop.rest_v, stop.rest_v - low) > limit_v).astype(np.int64)
    # One step alone is a spike of noise, and what is gone within 30 ms a click: neither is the signal.
    soon = _count_ahead(away, 10)
    long = _count_ahead(still, 150)
    n = limit - at
    hits = np.flatnonzero((away[:n] > 0) & (soon[:n] >= 2) & ((long[:n] >= 30) | (_count_left(still) < 150)[:n]))
    if stop.remote_fell_s is not None and len(hits):
        hits = hits[_sounds_on(run, stop, at + hits, known) | (at + hits >= _remote_rise(run, stop, at, limit, edges))]
    is_put = stop.ground_jump_v is not None and abs(stop.ground_jump_v) > GROUND_JUMP_V
    if len(hits):
        # Steady volts that still creep to where they will stand are no return; what leaves them by much is.
        is_stuck = abs(stop.rest_v) > _DC_V and stop.rests_steadily and not is_put
        left = np.abs(mean[lead : lead + n] - stop.rest_v)[hits] > _LEFT_RATIO * abs(stop.rest_v)
        # A loose ground puts the output to and fro: there it must sound most of the time.
        sounds = _sounds_at(run, at + hits, limit_v, known, _MOST_BINS if is_put else _CLICK_BINS)
        hits = hits[sounds | left if is_stuck else sounds]
    if not len(hits):
        return None
    step = at + int(hits[0])
    first, samples = run.samples("output", (step - 2) * run.step, (step + 1) * run.step)
    loud = np.flatnonzero(np.abs(samples - rest[hits[0]]) > limit_v)
    return step, first + int(loud[0]) if len(loud) else step * run.step


def measure_return(run: RunSteps, stop: Stop, step: int, known: int, edges: Sequence[Edge]) -> None:
    """How the output came back at step `step`: with a thump, over a ramp, or at once."""
    rest_v = stop.rest_v
    if stop.sank_from_v is not None or abs(stop.rest_v - stop.rest_before_v) > RESTED_RATIO * stop.peak_v:
        return  # a steady level that ends is no thump
    end = min(known, step + round(_SETTLE_S / run.step_s))
    high, low = run.steps("high", step, end) - rest_v, run.steps("low", step, end) - rest_v
    mean = run.steps("mean", step, end) - rest_v
    swing = np.maximum(high, -low)
    if len(swing) < 60:
        stop.return_how = "not judged: the data ended"
        return
    later = float(np.max(swing[50:]))
    reach = np.maximum.accumulate(swing) >= 0.7 * later
    stop.return_ramp_s = float(np.argmax(reach)) * run.step_s
    # A thump pushes one way: its mean over 25 ms stands out of what the signal's own means do later. Before a ramp it
    # is a jump that no ramp makes.
    sums = np.concatenate(([0.0], np.cumsum(mean)))
    means = (sums[25:] - sums[:-25]) / 25
    usual_v = float(np.sqrt(np.mean(means[50:] ** 2))) if len(means) > 60 else np.inf
    early_v = float(means[int(np.argmax(np.abs(means[:15])))])
    pushes = abs(early_v) > 4.0 * usual_v + 0.05 and abs(early_v) > 0.02 * stop.peak_v
    jump_v = float(swing[:3].max())
    # A programme changes its level by itself: what jumps to half of what it was and stays there is back at once.
    n = len(swing[50:]) // 25
    usual = float(np.median(swing[50 : 50 + 25 * n].reshape(n, 25).max(axis=1))) if n else later
    if (
        stop.return_ramp_s > QUICK_RAMP_S
        and float(swing[:8].max()) >= max(AT_ONCE_RATIO * usual, AGAIN_RATIO * stop.peak_v)
        and float(swing[30:80].max()) >= STAYS_RATIO * usual
    ):
        stop.return_ramp_s = 0.0
    jumps = stop.return_ramp_s > 0.015 and jump_v > max(0.12 * later, 0.005 / stop.return_ramp_s * later)
    if pushes or jumps:
        place = int(np.argmax(swing[:4])) if jumps else int(np.argmax(swing[:25]))
        stop.return_thump_v = float(high[place] if high[place] > -low[place] else low[place])
    ramp = f"over {1e3 * stop.return_ramp_s:.0f} ms" if stop.return_ramp_s > 0.015 else "at once"
    thump = "" if stop.return_thump_v is None else f", with a thump of {stop.return_thump_v:.1f} V"
    stop.return_how = ramp + thump
    supply = run.steps("supply", step, step + 1) if "supply" in run else np.empty(0)
    stop.supply_at_return_v = float(supply[0]) if len(supply) else None
    around = run.steps("supply", step - _AHEAD, min(known, step + _BEHIND)) if "supply" in run else np.empty(0)
    if len(around) and stop.return_thump_v is None:
        stop.extra["supply_around_return_v"] = float(around.max())
    if stop.resume_s is not None:
        rises = [e.time_s for e in edges if e.level == 1 and stop.start_s < e.time_s <= stop.resume_s]
        stop.remote_rose_s = rises[-1] if rises else stop.remote_rose_s
        stop.remote_was_ignored = _is_remote_ignored(run, stop, step, known, edges)


def _is_remote_ignored(run: RunSteps, stop: Stop, step: int, known: int, edges: Sequence[Edge]) -> bool:
    """Whether the output came back and sounded on while the remote lead that fell still was low: it had not stopped it.

    What an amplifier that switches off lets out is a thump, and over after a quarter of a second.
    """
    fell_s = stop.remote_fell_s
    if fell_s is None:
        return False
    if not _sounds_on(run, stop, np.array([step]), known)[0]:
        return False
    until = step + 2 * _THUMP_STEPS
    if "remote" in run:
        return bool(np.all(run.steps("remote", step - 2, until) < REMOTE_LOW_V))
    return not any(edge.level == 1 and fell_s < edge.time_s <= run.time_s(until) for edge in edges)


def _sounds_on(run: RunSteps, stop: Stop, steps: Steps, known: int) -> npt.NDArray[np.bool_]:
    """Whether the output still sounds in at least half of the second quarter of a second behind each step."""
    sounds = np.zeros(len(steps), dtype=bool)
    for number, step in enumerate(steps.tolist()):
        a, b = step + _THUMP_STEPS, min(known, step + 2 * _THUMP_STEPS)
        high, low = run.steps("high", a, b), run.steps("low", a, b)
        n = len(high) // 25
        if n < _THUMP_STEPS // 25:
            continue
        swing = 0.5 * (high[: 25 * n].reshape(n, 25).max(axis=1) - low[: 25 * n].reshape(n, 25).min(axis=1))
        sounds[number] = np.mean(swing > _SOUNDS_RATIO * stop.peak_v) >= 0.5
        if sounds[number]:
            break  # the first is asked for
    return sounds


def _sounds_at(run: RunSteps, steps: Steps, limit_v: float, known: int, n_least: int) -> npt.NDArray[np.bool_]:
    """Whether the output sounds in `n_least` of the 15 bins of 10 ms behind each step, and does not merely ring slowly,
    or creep to another level: what is no straight line within a bin counts."""
    sounds = np.zeros(len(steps), dtype=bool)
    along = np.arange(10) - 4.5
    for number, step in enumerate(steps.tolist()):
        end = min(known, step + _SOUND_STEPS)
        n = (end - step) // 10
        mean, high, low = (run.steps(name, step, step + 10 * n).reshape(n, 10) for name in ("mean", "high", "low"))
        line = mean.mean(axis=1)[:, None] + ((mean @ along) / (along @ along))[:, None] * along
        swing = np.maximum((high - line).max(axis=1), (line - low).max(axis=1))
        sounds[number] = np.sum(swing > limit_v / 3) >= min(n_least, n)
        if sounds[number]:
            break  # the first is asked for
    return sounds


def _remote_rise(run: RunSteps, stop: Stop, at: int, limit: int, edges: Sequence[Edge]) -> float:
    """The step at which the remote lead rose again behind its fall, as far as is known at `limit`; inf: it did not."""
    if stop.remote_fell_s is None:
        return 0.0
    if "remote" in run:
        volts = run.steps("remote", at, limit + 1)
        high = np.flatnonzero(volts >= REMOTE_LOW_V)
        return at + float(high[0]) - 1 if len(high) else np.inf
    rises = (edge.time_s for edge in edges if edge.level == 1 and edge.time_s > stop.remote_fell_s)
    return (next(rises, np.inf) - run.start_s) / run.step_s - 1


def _count_ahead(flags: Steps, n: int) -> Steps:
    """How many of the `n` entries from each one on are set."""
    sums = np.concatenate(([0], np.cumsum(flags)))
    ends = np.minimum(np.arange(len(flags)) + n, len(flags))
    return np.asarray(sums[ends] - sums[:-1])


def _count_left(flags: Steps) -> Steps:
    return np.arange(len(flags), 0, -1)
