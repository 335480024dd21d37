"""An output that breaks off again and again for less than 50 ms: a protection that tries again at once.

One such break is no stop: it may be anything. Several in a row, about as long as each other, silent, and mostly with
sharp edges, are no programme that was played on an instrument.

Gaps: only one unbroken run is looked at; a row of breaks ends with it.
Limits: breaks of 6 to 49 ms, with less than 0.15 s between them; of a signal that never pauses a single one of 20 ms.
A programme that was cut into such pieces looks the same where its source is not logged, and that is said.
Source: our choice, measured in tests/detect_cutouts/test_cutout_stutter.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.cutouts.cutout_beside import WatchBeside
from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps

LEAST_STEPS, MOST_STEPS = 6, 49  # of 1 ms; what is longer is a stop
ALONE_STEPS = 20  # what is told alone, where the signal never pauses
NEXT_STEPS = 150  # so soon the next one follows
_LEAST_BREAKS, _LEAST_WITHOUT_SOURCE = 3, 4
_QUIET_RATIO, _NOISE_V = 0.02, 0.06  # half swing
_REST_RATIO = 0.05  # of the peak: so near to rest lies what is silent, as no flat top does
_LEAST_PEAK_V = 0.30
_NEAR, _EDGE = 60, 3  # steps
_SHARP_RATIO, _SHARP_SHARE = 0.25, 0.6
_ALIKE_RATIO = 2.0  # of the median length
_PLAYS_RATIO, _STOPS_RATIO, _SOURCE_LEAST_V = 0.5, 0.15, 0.010


@dataclass(frozen=True, slots=True)
class Break:
    """Steps from `start` to `stop` in which the output is silent, and whether an edge of it is sharp."""

    start: int
    stop: int
    is_sharp: bool
    peak_v: float


class StutterWatch(WatchBeside):
    """Follows the short breaks of one run; once they are a row, one stop from the first of them to the last's end."""

    def __init__(
        self,
        run: RunSteps,
        measure: Callable[[Stop, int], None],
        take_stop: Callable[[Stop], None],
        is_continuous: bool = False,
    ) -> None:
        super().__init__(run, measure, take_stop)
        self._is_continuous = is_continuous
        self._breaks: list[Break] = []

    def follow(self, start: int, limit: int, known: int) -> None:
        """Look at the steps from `start` to `limit`; those up to `known` may be looked at."""
        for one in list_breaks(self._run, start, limit, known, self._is_continuous):
            self.end(one.start)
            self._breaks.append(one)
            if self._stop is None and self._is_told():
                stop = start_stutter(self._run, self._breaks)
                self._measure(stop, min(known, one.stop))
                measure_broken_source(self._run, stop, self._breaks)
                self._stop = stop
        self.end(limit)

    def _is_told(self) -> bool:
        one = self._breaks[-1]
        # A signal that never pauses lies still for so long at no crossing of zero.
        is_stop = self._is_continuous and one.is_sharp and one.stop - one.start >= ALONE_STEPS
        return is_stop or is_stutter(self._breaks, "source" in self._run)

    def end(self, step: int, is_last: bool = False) -> None:
        """Close a row of breaks that none follows soon enough, seen from `step`."""
        if not self._breaks or not (is_last or step - self._breaks[-1].stop > NEXT_STEPS):
            return
        breaks, stop, self._breaks, self._stop = self._breaks, self._stop, [], None
        if stop is None:
            return
        stop.end_s = stop.resume_s = self._run.time_s(breaks[-1].stop)
        stop.ended_how = "the output came back"
        if len(breaks) == 1:
            if stop.is_truncated:  # noise of a narrow band comes to rest for as long
                stop.return_how = "at once"
                self._take_stop(stop)
            return
        n, break_s = len(breaks), float(np.median([b.stop - b.start for b in breaks])) * self._run.step_s
        stop.extra["n_breaks"], stop.extra["break_s"] = n, break_s
        stop.return_how = f"at once, each time: it was off {n} times, for {1e3 * break_s:.0f} ms each"
        self._take_stop(stop)


def list_breaks(run: RunSteps, start: int, limit: int, known: int, is_continuous: bool = False) -> list[Break]:
    """The breaks that begin from step `start` to `limit`; steps up to `known` may be looked at. One alone is left out,
    unless the signal never pauses and it lasts for `ALONE_STEPS`."""
    first = max(run.first, start - _NEAR)
    last = min(known, limit + _NEAR + MOST_STEPS)
    high, low, mean = (run.steps(name, first, last) for name in ("high", "low", "mean"))
    if len(mean) < 2 * _NEAR:
        return []
    top_v = 0.5 * float(high.max() - low.min())
    if top_v < _LEAST_PEAK_V:
        return []
    is_quiet = high - low < 2 * max(_QUIET_RATIO * top_v, _NOISE_V)
    if np.count_nonzero(is_quiet) < LEAST_STEPS:
        return []
    rest_v = float(mean.mean())
    is_quiet &= np.abs(mean - rest_v) < _REST_RATIO * top_v + _NOISE_V
    edges = np.flatnonzero(np.diff(np.concatenate(([False], is_quiet, [False])).astype(np.int8)))
    begins, ends = edges[::2], edges[1::2]
    n = ends - begins
    kept = (n >= LEAST_STEPS) & (n <= MOST_STEPS) & (begins > 0) & (ends < len(mean))
    kept &= (begins + first >= start) & (begins + first < limit)
    begins, ends = begins[kept], ends[kept]
    # One alone is no row; at the block's ends another may lie beyond.
    since = begins - np.concatenate(([start - first], ends[:-1]))
    until = np.concatenate((begins[1:], [limit - first]))[: len(ends)] - ends
    in_a_row = (since <= NEXT_STEPS) | (until <= NEXT_STEPS) | (is_continuous & (ends - begins >= ALONE_STEPS))
    out = []
    for a, b in zip(begins[in_a_row].tolist(), ends[in_a_row].tolist(), strict=True):
        size = np.maximum(high - rest_v, rest_v - low)[max(0, a - _NEAR) : b + _NEAR]
        at, peak_v = min(a, _NEAR), float(size.max())
        silent_v = max(_QUIET_RATIO * peak_v, _NOISE_V) + _REST_RATIO * peak_v
        if peak_v < _LEAST_PEAK_V or float(size[at + 1 : at + b - a - 1].max()) > silent_v:
            continue
        before_v, after_v = size[max(0, at - _EDGE) : at].max(), size[at + b - a :][:_EDGE].max()
        out.append(Break(a + first, b + first, max(before_v, after_v) > _SHARP_RATIO * peak_v, peak_v))
    return out


def is_stutter(breaks: list[Break], has_source: bool) -> bool:
    """Whether a row of breaks is none that music makes."""
    n = np.array([b.stop - b.start for b in breaks])
    if len(n) < (_LEAST_BREAKS if has_source else _LEAST_WITHOUT_SOURCE):
        return False
    are_alike = n.max() <= _ALIKE_RATIO * np.median(n) and n.min() >= np.median(n) / _ALIKE_RATIO
    return bool(are_alike) and float(np.mean([b.is_sharp for b in breaks])) >= _SHARP_SHARE


def start_stutter(run: RunSteps, breaks: list[Break]) -> Stop:
    """The stop that a row of breaks begins with, at its first one."""
    one = breaks[0]
    _, quiet = run.samples("output", (one.start + 1) * run.step, (one.stop - 1) * run.step)
    rest_v, off_rms_v = float(np.median(quiet)), float(np.std(quiet))
    first, near = run.samples("output", (one.start - _EDGE) * run.step, (one.start + 2) * run.step)
    loud = np.flatnonzero(np.abs(near - rest_v) > max(5.0 * off_rms_v, _QUIET_RATIO * one.peak_v))
    sample = first + (int(loud[-1]) if len(loud) else 0)
    return Stop(run.start_s + (sample + 1) / run.rate_hz, sample, one.peak_v, off_rms_v, rest_v)


def measure_broken_source(run: RunSteps, stop: Stop, breaks: list[Break]) -> None:
    """Whether the source played on in the breaks."""
    if "source" not in run:
        return
    whole = run.steps("source_square", breaks[0].start - _NEAR, breaks[-1].stop)
    inside = np.concatenate([run.steps("source_square", b.start, b.stop) for b in breaks])
    whole_v, inside_v = (float(np.sqrt(np.mean(v, dtype=np.float64))) if len(v) else 0.0 for v in (whole, inside))
    stop.source = "not judged"
    if whole_v >= _SOURCE_LEAST_V and inside_v > _PLAYS_RATIO * whole_v:
        stop.source = "played on"
    elif inside_v < _STOPS_RATIO * whole_v:
        stop.source, stop.source_stop_s = "stopped", stop.stop_s
