"""Where the output comes back after a stop, and how: at once, over a ramp, with a thump.

Gaps: only one unbroken run is looked at.
Limits: what sounds for less than 30 ms is a click and no return.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutout_measure import NEAR_S, REMOTE_LOW_V, Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge

AT_ONCE_RATIO, STAYS_RATIO, AGAIN_RATIO, QUICK_RAMP_S = 0.35, 0.6, 0.5, 0.045
RESTED_RATIO = 0.25
_SETTLE_S = 0.5  # behind the return: how long its level is compared with
Steps = npt.NDArray[np.int64]


def find_return(run: RunSteps, stop: Stop, at: int, limit: int, known: int) -> tuple[int, int] | None:
    """The step and the sample at which the output is back, from step `at` to `limit`; None: not there.

    Steps up to `known` may be looked at.
    """
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
    if not len(hits):
        return None
    step = at + int(hits[0])
    first, samples = run.samples("output", (step - 2) * run.step, (step + 1) * run.step)
    loud = np.flatnonzero(np.abs(samples - rest[hits[0]]) > limit_v)
    return step, first + int(loud[0]) if len(loud) else step * run.step


def measure_return(run: RunSteps, stop: Stop, step: int, known: int, edges: Sequence[Edge]) -> None:
    """How the output came back at step `step`: with a thump, over a ramp, or at once."""
    rest_v = stop.rest_v
    if abs(stop.rest_v - stop.rest_before_v) > RESTED_RATIO * stop.peak_v:
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
    if stop.resume_s is not None:
        rises = [e.time_s for e in edges if e.level == 1 and stop.start_s < e.time_s <= stop.resume_s]
        stop.remote_rose_s = rises[-1] if rises else None
        stop.remote_was_ignored = _is_remote_low(run, stop, step, edges)


def _is_remote_low(run: RunSteps, stop: Stop, step: int, edges: Sequence[Edge]) -> bool:
    """Whether the remote lead that fell still was low when the output came back: it had not stopped it."""
    fell_s, back_s = stop.remote_fell_s, stop.resume_s
    if fell_s is None or back_s is None:
        return False
    if "remote" in run:
        return bool(np.all(run.steps("remote", step - 2, step + 1) < REMOTE_LOW_V))
    return not any(edge.level == 1 and fell_s < edge.time_s <= back_s + NEAR_S for edge in edges)


def _count_ahead(flags: Steps, n: int) -> Steps:
    """How many of the `n` entries from each one on are set."""
    sums = np.concatenate(([0], np.cumsum(flags)))
    ends = np.minimum(np.arange(len(flags)) + n, len(flags))
    return np.asarray(sums[ends] - sums[:-1])


def _count_left(flags: Steps) -> Steps:
    return np.arange(len(flags), 0, -1)
