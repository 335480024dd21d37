"""A stop that a gap hides: the output played up to the gap, and behind it it is silent though nothing says it may be.

Gaps: that is what this is about: a stop is dated to the middle of the gap, and no better than its half.
Limits: gaps of five seconds at most, in which a programme and a person do little. What supply and remote lead did
within the gap is known only where they still stand low behind it; without that a logged source must play on behind it,
as a programme may have ended within. Battery and ground are not compared across a gap.
Source: our choice, measured in tests/detect_cutouts/test_cutout_in_gap.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.cutouts.cutout_gap import NEAR_S
from ampwitness.detect.cutouts.cutout_measure import OFF_S, REMOTE_LOW_V, Stop, SupplyEvidence
from ampwitness.detect.cutouts.cutout_source import SOURCE_LEAST_V, SOURCE_OFF_RATIO, measure_gain, plays_unheard
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge

MOST_GAP_S = 5.0
_TAIL, _LAST, _BIN, _SOON = 500, 100, 50, 300  # steps
_OFF = round(OFF_S * 1000)
_LEAST_V, _SOUNDS_RATIO, _QUIET_RATIO = 0.3, 0.25, 0.05


@dataclass(frozen=True, slots=True)
class Tail:
    """The last half second of a run whose output sounded to its end."""

    stop_s: float
    peak_v: float
    mean_v: float
    supply_v: float | None  # median
    remote_v: float | None  # highest
    source_v: float  # rms
    gain_ratio: float  # output over source, rms, the least of its tenths: treble that no crossover passes is not missed


def measure_tail(run: RunSteps) -> Tail | None:
    """What a run ends with; None where its output did not sound up to the end."""
    high, low = (run.steps(name, run.stop - _TAIL, run.stop) for name in ("high", "low"))
    if len(high) < _LAST:
        return None
    peak_v = 0.5 * float(high.max() - low.min())
    last_v = 0.5 * float(high[-_LAST:].max() - low[-_LAST:].min())
    if peak_v < _LEAST_V or last_v < _SOUNDS_RATIO * peak_v:
        return None
    supply, remote = (
        run.steps(role, run.stop - _TAIL, run.stop) if role in run else np.empty(0) for role in ("supply", "remote")
    )
    gains = [measure_gain(run, at, at + _BIN) for at in range(run.stop - len(high), run.stop - _BIN + 1, _BIN)]
    source_v, _ = measure_gain(run, run.stop - _TAIL, run.stop)
    return Tail(
        stop_s=run.stop_s,
        peak_v=peak_v,
        mean_v=float(np.mean(run.steps("mean", run.stop - _TAIL, run.stop))),
        supply_v=float(np.median(supply)) if len(supply) else None,
        remote_v=float(remote.max()) if len(remote) else None,
        source_v=source_v,
        gain_ratio=min((ratio for volts, ratio in gains if volts >= SOURCE_LEAST_V), default=0.0),
    )


def find_stop_in_gap(run: RunSteps, known: int, tail: Tail, edges: Sequence[Edge]) -> Stop | None:
    """The stop within the gap ahead of a run that begins with silence; None where there is none.

    Parameters
    ----------
    run, known : the run behind the gap, of which the steps up to `known` may be looked at
    tail : the end of the run before it
    edges : changes of the remote line so far
    """
    long_s = run.start_s - tail.stop_s
    mean, square = (run.steps(name, 0, min(_OFF, known)).astype(np.float64) for name in ("mean", "square"))
    if not NEAR_S < long_s <= MOST_GAP_S or len(mean) < _OFF:
        return None
    rest_v, off_rms_v = float(mean.mean()), float(np.sqrt(max(square.mean() - mean.mean() ** 2, 0.0)))
    if np.sqrt(2.0) * off_rms_v > _QUIET_RATIO * tail.peak_v:
        return None
    stop = Stop(run.start_s, 0, tail.peak_v, off_rms_v, rest_v, rest_before_v=tail.mean_v)
    stop.gap_s = (tail.stop_s, run.start_s)
    stop.fade_s, stop.fade_doubt_s = tail.stop_s + 0.5 * long_s, 0.5 * long_s
    _compare_supply(run, tail, stop)
    _compare_remote(run, tail, stop, edges)
    if "source" in run and tail.source_v >= SOURCE_LEAST_V:
        stop.source_gain_ratio = tail.gain_ratio
        soon_v, _ = measure_gain(run, 0, min(_SOON, known))
        is_off = soon_v < SOURCE_OFF_RATIO * tail.source_v
        stop.source = "stopped" if is_off else "not judged"
        if plays_unheard(run, stop, 0, min(_SOON, known)):
            stop.source = "played on"
    return stop


def _compare_supply(run: RunSteps, tail: Tail, stop: Stop) -> None:
    if tail.supply_v is None or "supply" not in run:
        return
    supply = run.steps("supply", 0, _OFF)
    at_stop_v, soon_v = float(supply[:2].mean()), float(supply[:20].min())
    after_v = float(np.median(supply))
    stop.supply = SupplyEvidence(tail.supply_v, at_stop_v, at_stop_v, 0.0, None, after_v, soon_v, at_stop_v, None)


def _compare_remote(run: RunSteps, tail: Tail, stop: Stop, edges: Sequence[Edge]) -> None:
    """Whether the remote lead, up at the end of the run before, is low behind the gap."""
    if "remote" in run and tail.remote_v is not None:
        stop.remote_is_known = True
        if tail.remote_v > REMOTE_LOW_V and float(run.steps("remote", 0, _OFF).max()) < REMOTE_LOW_V:
            stop.remote_fell_s = stop.fade_s
        return
    before = [edge for edge in edges if edge.time_s <= run.start_s]
    stop.remote_is_known = bool(edges)
    if before and before[-1].level == 0 and before[-1].time_s >= tail.stop_s - _TAIL * run.step_s:
        stop.remote_fell_s = before[-1].time_s
