"""Follows the output of one unbroken run: finds where it stops as no note does, and where it comes back.

Works in blocks of ten seconds counted from the start of the run, each looked at once six tenths of a second behind it
are known; so nothing depends on how the recording was cut into windows.

Gaps: a run ends at a gap; an outage that is open then stays open ("ended_how" says so).
Limits: what is quiet for less than 50 ms is no stop, unless it breaks off so again and again (`cutout_stutter`).
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_bias import find_sinking, follow_sinking, make_stop, stands_at_half
from ampwitness.detect.cutouts.cutout_cause import decide_cause
from ampwitness.detect.cutouts.cutout_dc import DC_BIN, measure_dc, rests_steadily
from ampwitness.detect.cutouts.cutout_dc_rise import DC_V, DcWatch
from ampwitness.detect.cutouts.cutout_dc_under import DcUnderWatch
from ampwitness.detect.cutouts.cutout_fade import measure_fade, measure_fade_behind
from ampwitness.detect.cutouts.cutout_hum import HumWatch
from ampwitness.detect.cutouts.cutout_measure import (
    OFF_S,
    Stop,
    count_falls,
    measure_jumps,
    measure_level,
    measure_supply,
    measure_wave,
)
from ampwitness.detect.cutouts.cutout_outlived import measure_outlived
from ampwitness.detect.cutouts.cutout_pop import measure_pop
from ampwitness.detect.cutouts.cutout_remote import STAYED_BEFORE_S, list_remote_changes, measure_remote
from ampwitness.detect.cutouts.cutout_return import GROUND_JUMP_V, find_return, measure_return
from ampwitness.detect.cutouts.cutout_softer import SOFTER_STEPS, goes_on_softly
from ampwitness.detect.cutouts.cutout_source import follow_source, measure_source, plays_again
from ampwitness.detect.cutouts.cutout_stutter import StutterWatch
from ampwitness.detect.cutouts.cutout_unlike import UnlikeWatch
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge, FloatArray

Steps = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

RECENT_S = 0.500  # the level before is the highest swing within this span
RECENT_CONTINUOUS_S = 5.0
FALL_DB = 26.0  # the level falls by at least this much
LEAST_FALL_DB = 20.0  # a weak signal, of which more than the other is lost in the logger's noise
LEAST_PEAK_V = 0.30  # what is weaker than this is not called a signal
_FALL_RATIO, _LEAST_FALL_RATIO = 10 ** (-FALL_DB / 20), 10 ** (-LEAST_FALL_DB / 20)
_NOISE_V = 0.12  # swing of what the logger's noise may hold
_COARSE = 1.26  # three of the five bins hold at most this much more rms than all of them
BLOCK_STEPS = 10_000
AHEAD_STEPS = 600
_KEEP_STEPS = 3000
_BIN = 10
_N_OFF = round(OFF_S * 1000)
_LONG_OFF, _DEEP_RATIO = 150, 10 ** (-9 / 20)  # steps; what fell by 9 dB more need not be quiet for as long
_LEVEL_BINS = 50  # half a second, over which the level of a signal that never pauses is taken
_TRIED_CONTINUOUS = 300  # steps: so long may a slow mute take from the looser measure of quiet to the exact one
_HELD_RATIO = 0.12  # of the swing before, in the last 10 ms: less is a note that faded, unless other evidence calls
_LAST_RATIO = 0.22  # the last 5 ms, of the 25 ms before them
_NEAR_SINKING = 350  # steps: a thump may hide the silence of a stage that sinks for so long
_SURVIVED_BEFORE = 300  # steps: what the supply did earlier than this before a stop, the output outlived
_ABRUPT_RATIO = 0.25
_POP_STEPS = 8
_LIVE_STEPS = 1000  # what came back later than that before has no usual level yet
_PLAIN_V = 10.6


class RunWatch:
    """Follows the output through one unbroken run.

    Parameters
    ----------
    run : the run; it grows while it is followed
    is_continuous : any silence is a stop
    edges : changes of the remote line so far, by time; grows too
    take_stop : called with each stop once it is over
    beside : called with run, start, limit and known steps of each block that was judged
    is_behind_a_gap : within a minute before the run there was another
    """

    def __init__(
        self,
        run: RunSteps,
        is_continuous: bool,
        edges: Sequence[Edge],
        take_stop: Callable[[Stop], None],
        beside: Callable[[RunSteps, int, int, int], None],
        is_behind_a_gap: bool = False,
    ) -> None:
        self._run, self._edges, self._take_stop, self._beside = run, edges, take_stop, beside
        self._is_continuous, self._is_behind_a_gap = is_continuous, is_behind_a_gap
        self._n_recent = round((RECENT_CONTINUOUS_S if is_continuous else RECENT_S) * 1000) // _BIN
        self._keep = max(_KEEP_STEPS, self._n_recent * _BIN + 1000)
        self._at = 0  # next step to judge
        self._on_since = 0
        self._was_quiet = False
        self._open: Stop | None = None
        self._survived_v = np.inf  # lowest supply through which the output went on
        self._held_v = np.inf  # the same of dips as long as a guard may wait
        self._last_high_v = np.inf  # highest supply of the last bin; infinite: nothing sounded
        self._survived_to = 0
        self._supply_seconds: deque[FloatArray] = deque(maxlen=60)  # the steps of each
        self._peak_seconds: deque[float] = deque(maxlen=10)
        self._rms_seconds: deque[float] = deque(maxlen=60)
        self._learned_to = 0
        self._dc = DcWatch(run)
        self._swing: dict[int, float] = {}  # of each candidate, the swing before it
        self._stutter = StutterWatch(run, self._measure, take_stop)
        self._hum = HumWatch(run, self._measure, take_stop)
        self._under = DcUnderWatch(run, self._measure, take_stop)
        self._unlike = UnlikeWatch(run, self._measure, take_stop)

    def take(self, is_last: bool) -> None:
        """Look at what has become known."""
        run = self._run
        while run.stop >= self._at + BLOCK_STEPS + AHEAD_STEPS:
            self._advance(self._at + BLOCK_STEPS, self._at + BLOCK_STEPS + AHEAD_STEPS)
            run.forget(self._at - self._keep)
        if is_last:
            while self._at < run.stop:
                limit = min(self._at + BLOCK_STEPS, run.stop)
                self._advance(limit, min(limit + AHEAD_STEPS, run.stop))
            self._stutter.end(run.stop, is_last=True)
            self._hum.end(run.stop)
            self._under.end(run.stop)
            self._unlike.end(run.stop)
            if self._open is not None:
                self._open.end_s = run.stop_s
                self._open.ended_how = "the data ended while the output was still off"
                self._close()

    def _advance(self, limit: int, known: int) -> None:
        """Judge the steps up to `limit`; those up to `known` may be looked at."""
        start = self._at
        candidates = self._find_candidates(limit, known)
        sinking = find_sinking(self._run, start, limit, known)
        for step in sinking:
            candidates = candidates[(candidates < step - _NEAR_SINKING) | (candidates > step + AHEAD_STEPS)]
        candidates = np.sort(np.concatenate((candidates[candidates >= start], np.array(sinking, dtype=np.int64))))
        at = start
        while at < limit:
            if self._open is not None:
                at = self._find_resume(at, limit, known)
                continue
            later = candidates[candidates >= self._on_since]
            if not len(later):
                break
            at, candidates = int(later[0]), later[1:]
            if at in sinking:
                self._open = make_stop(self._run, at)
                self._dc.own_v = self._open.sank_from_v
                self._measure(self._open, known)
            else:
                self._open_stop(at, known)
            at = at + 1 if self._open is None else min(limit, max(self._open.stop_sample // self._run.step + 3, at + 1))
        if self._open is None:
            self._find_dc(start, limit, known)
            at = limit if self._open is None else self._open.last_step
            while self._open is not None and at < limit:
                at = self._find_resume(at, limit, known)
        self._stutter.follow(max(start, self._on_since) if self._open is None else limit, limit, known)
        self._hum.follow(start, limit, known)
        self._under.follow(start, limit, known)
        self._unlike.follow(start, limit, known)
        self._learn(limit)
        self._beside(self._run, start, limit, known)
        self._at = limit

    def _find_candidates(self, limit: int, known: int) -> Steps:
        """Steps behind which the output goes quiet and that deserve a closer look; notes `_swing` of each."""
        run, start, first = self._run, self._at, self._run.first
        begin = max(first, (max(self._on_since, start - self._n_recent * _BIN)) // _BIN * _BIN)
        n_bins = (known - begin) // _BIN
        if n_bins < 4:
            return np.empty(0, dtype=np.int64)
        shape, part = (n_bins, _BIN), slice(begin - first, begin - first + n_bins * _BIN)
        tops, bottoms = _over_bins(np.maximum, run["high"][part]), _over_bins(np.minimum, run["low"][part])
        size = self._n_recent + 1
        up, down = _highest_of_last(tops, size), -_highest_of_last(-bottoms, size)
        swing = 0.5 * (up - down).astype(np.float64)
        # First in steps of 10 ms: behind a quiet step lie three whole bins that are quiet, if by a looser measure.
        ones = np.ones(_BIN, dtype=np.float32)
        mean = (run["mean"][part].reshape(shape) @ ones).astype(np.float64) / _BIN
        square = (run["square"][part].reshape(shape) @ ones).astype(np.float64) / _BIN
        m3, s3 = ((v[1:-2] + v[2:-1] + v[3:]) / 3 for v in (mean, square))
        level = np.minimum(swing, _loudest_level(mean, square, size)) if self._is_continuous else swing
        is_quiet = 2.0 * (s3 - m3**2) < (_COARSE * _quiet_v(level[:-3])) ** 2
        is_quiet &= swing[:-3] >= LEAST_PEAK_V
        lead = (start - begin) // _BIN if start > begin else 0
        rising = is_quiet & ~np.concatenate(([self._was_quiet if lead == 0 else False], is_quiet[:-1]))
        if 0 < lead < len(rising):  # a last piece may be too short for a bin of its own
            rising[lead] = is_quiet[lead] and not self._was_quiet
        last = min((limit - begin) // _BIN, len(is_quiet)) - 1
        if last >= lead:
            self._was_quiet = bool(is_quiet[last])
        bins = np.flatnonzero(rising[lead : last + 1]) + lead
        at = self._place(bins * _BIN + begin, level[bins], known)
        kept = at >= 0
        at, bins = at[kept], bins[kept]
        self._swing = dict(zip(at.tolist(), swing[bins].tolist(), strict=True))
        if self._is_continuous or not len(at):
            return at
        return np.asarray(at[self._deserves(at, swing[bins], known)])

    def _place(self, coarse: Steps, level: FloatArray, known: int) -> Steps:
        """The first step near each coarse one behind which 50 ms are quiet; -1: none."""
        run, first = self._run, self._run.first
        if not len(coarse):
            return coarse
        # A step's own end blurs a sudden stop, hence three steps of grace.
        grace, n_tried = 3, _TRIED_CONTINUOUS if self._is_continuous else 60
        n_long = _LONG_OFF if self._is_continuous else _N_OFF
        rows = coarse[:, None] + np.arange(-20, n_tried - 20 + n_long)[None, :] - first
        inside = (rows >= 0) & (rows < known - first)
        rows = np.clip(rows, 0, known - first - 1)
        pad = np.zeros((len(coarse), 1))
        m1 = np.concatenate((pad, np.cumsum(run["mean"][rows], axis=1, dtype=np.float64)), axis=1)
        m2 = np.concatenate((pad, np.cumsum(run["square"][rows], axis=1, dtype=np.float64)), axis=1)

        def swings(n: int) -> FloatArray:
            mean = (m1[:, n : n_tried + n] - m1[:, grace : n_tried + grace]) / (n - grace)
            square = (m2[:, n : n_tried + n] - m2[:, grace : n_tried + grace]) / (n - grace)
            return np.where(inside[:, :n_tried] & inside[:, n - 1 : n_tried + n - 1], 2.0 * (square - mean**2), np.inf)

        ratio = _DEEP_RATIO if self._is_continuous else 1.0  # noise of few hertz stands low for moments by itself
        is_quiet = swings(_N_OFF) < _quiet_v(level[:, None], ratio) ** 2
        if self._is_continuous:
            is_quiet |= swings(n_long) < _quiet_v(level[:, None]) ** 2
        return np.asarray(np.where(is_quiet.any(axis=1), coarse - 20 + np.argmax(is_quiet, axis=1), -1))

    def _deserves(self, at: Steps, swing: FloatArray, known: int) -> Flags:
        """Whether the wave held up to the end, or something else calls for a closer look: all candidates at once."""
        run = self._run
        first = run.first
        n = known - first
        rows = np.clip(at[:, None] + np.arange(-20, 60)[None, :] - first, 0, n - 1)
        high, low, mean = run["high"][rows], run["low"][rows], run["mean"][rows]
        rest = mean[:, -35:].mean(axis=1)[:, None]
        noise = 0.5 * (high[:, -35:].max(axis=1) - low[:, -35:].min(axis=1))[:, None]
        size = np.maximum(high - rest, rest - low)
        is_loud = size > np.maximum(0.02 * swing[:, None], 1.5 * noise)
        last = size.shape[1] - 1 - np.argmax(is_loud[:, ::-1], axis=1)
        around = np.clip(last[:, None] + np.arange(-29, 1)[None, :], 0, size.shape[1] - 1)
        sizes = np.take_along_axis(size, around, axis=1)
        held = sizes[:, -10:].max(axis=1) > _HELD_RATIO * swing
        held &= sizes[:, -5:].max(axis=1) > _LAST_RATIO * sizes[:, :-5].max(axis=1)
        before_rest = mean[:, :20].mean(axis=1)
        held |= (np.abs(rest[:, 0]) > 1.0) & (np.abs(rest[:, 0] - before_rest) > 1.0)  # it rests elsewhere
        # A pop dies away on one side of rest.
        sides = np.take_along_axis(mean - rest, around[:, -_POP_STEPS - 1 : -1], axis=1)
        held |= (np.abs(np.sign(sides).sum(axis=1)) == _POP_STEPS) & is_loud.any(axis=1)
        for role in ("supply", "remote", "ground", "battery"):
            if role in run:
                held |= self._side_moved(role, at, known, sizes[:, -13:].max(axis=1) > _ABRUPT_RATIO * swing)
        if "source" in run:
            source = run["source_square"]
            after = source[np.clip(at[:, None] + np.arange(5, 50)[None, :] - first, 0, n - 1)].mean(axis=1)
            before = source[np.clip(at[:, None] + np.arange(-300, -10)[None, :] - first, 0, n - 1)].mean(axis=1)
            held |= (before > 1e-4) & (after > 0.2 * before)
            held |= plays_again(run, at, known)
        for edge, after in zip(self._edges, [*self._edges[1:], None], strict=False):
            if edge.level == 0:
                edge_at = (edge.time_s - run.start_s) / run.step_s
                rose_at = np.inf if after is None else (after.time_s - run.start_s) / run.step_s
                since = at - edge_at
                held |= (since > -50) & ((since < 1000) | ((since < STAYED_BEFORE_S / run.step_s) & (at < rose_at)))
        return np.asarray(held)

    def _side_moved(self, role: str, at: Steps, known: int, is_abrupt: Flags) -> Flags:
        """Whether another channel moved by a lot around each candidate."""
        run = self._run
        n = known - run.first
        values = run[role][np.clip(at[:, None] + np.arange(-300, 50, 5)[None, :] - run.first, 0, n - 1)]
        if role == "ground":
            return np.asarray(values.max(axis=1) - values.min(axis=1) > 1.0)
        lowest = values.min(axis=1)
        moved = lowest < 0.6 * values.max(axis=1)
        if role == "supply":  # a supply that merely sags asks for an abrupt stop beside it
            moved |= is_abrupt & (lowest < _PLAIN_V)
        return np.asarray(moved)

    def _open_stop(self, at: int, known: int) -> None:
        run = self._run
        swing_v = self._swing[at]
        _, quiet = run.samples("output", (at + _N_OFF // 2) * run.step, (at + _N_OFF + 1) * run.step)
        if len(quiet) == 0:
            return
        rest_v, off_rms_v = float(np.median(quiet)), float(np.std(quiet))
        _, later = run.samples("output", (at + 2 * _N_OFF) * run.step, min(at + 4 * _N_OFF, known) * run.step)
        if len(later) > 20 * run.step and float(np.std(later)) < off_rms_v:  # a slow fall still sounds at first
            rest_v, off_rms_v = float(np.median(later)), float(np.std(later))
        first, near = run.samples("output", (at - 30) * run.step, (at + _N_OFF // 2) * run.step)
        limit_v = max(5.0 * off_rms_v, 0.02 * swing_v)
        loud = np.flatnonzero(np.abs(near - rest_v) > limit_v)
        sample = first + (int(loud[-1]) if len(loud) else len(near) - 1)
        stop = Stop(run.start_s + (sample + 1) / run.rate_hz, sample, swing_v, off_rms_v, rest_v)
        self._measure(stop, known)
        self._open = stop

    def _measure(self, stop: Stop, known: int) -> None:
        run = self._run
        step = stop.stop_sample // run.step
        self._learn(max(step, self._at))
        before = run.steps("mean", step - 500, step - 20)
        stop.rest_before_v = float(np.mean(before)) if len(before) else stop.rest_v
        if abs(stop.rest_v) > DC_V / 2:
            stop.rests_steadily = rests_steadily(run, stop, known)
            stop.is_half = not self._has_sounded(step)
        measure_wave(run, stop, self._on_since)
        loudest = max(self._rms_seconds, default=0.0)
        stop.heat_s = float(sum(1 for rms in self._rms_seconds if rms > 0.5 * loudest))
        if self._is_behind_a_gap:
            stop.heat_known_s = stop.stop_s - run.start_s
        if "supply" in run:
            self._learn_survived(step - _SURVIVED_BEFORE)
            reference_v = self._reference(step)
            known_v = (v if np.isfinite(v) else None for v in (self._survived_v, self._held_v))
            stop.supply = measure_supply(run, stop.stop_sample, known, reference_v, *known_v)
        measure_jumps(run, stop)
        if not (stop.is_truncated or self._is_continuous):
            measure_pop(run, stop)
        measure_source(run, stop)
        # Dating a fall costs more than all else: only of stops that may be told of, which most ends of notes may not.
        if not stop.is_truncated and (self._is_continuous or may_be_told(run, stop, self._edges)):
            measure_fade(run, stop, self._is_continuous, self._on_since, known)
            if stop.fade_s is not None and stop.fade_s < run.time_s(self._on_since):
                stop.fade_s = None  # before that it was off
        measure_outlived(run, stop, self._on_since)
        if step - self._on_since >= _LIVE_STEPS:
            measure_dc(run, stop)
        measure_level(run, stop, max(self._peak_seconds, default=0.0))
        measure_remote(run, stop, self._edges, run.time_s(self._on_since))
        if stop.remote_fell_s is not None and not self._is_continuous:
            measure_fade_behind(run, stop, stop.remote_fell_s)
        usual = run.steps("ground", step - 300, step - 50) if "ground" in run else np.empty(0)
        stop.extra["ground_usual_v"] = float(np.median(usual)) if len(usual) else 0.0
        stop.last_step = max(run.first, step - 500)

    def _reference(self, step: int) -> float:
        if self._supply_seconds:
            # The upper part of each second: one that is full of bass does not make a low supply normal. Worked out here
            # and not as the seconds come: few stops ask for it.
            upper = np.partition(np.array(self._supply_seconds), 750, axis=1)[:, 750].tolist()
            return float(np.percentile(upper, 100 if len(upper) < 8 else 75))
        known = self._run.steps("supply", 0, max(step - 20, 20))
        return float(np.percentile(known, 75))

    def _find_resume(self, at: int, limit: int, known: int) -> int:
        """Look for the output's return from step `at`; the step from which to go on."""
        run, stop = self._run, self._open
        assert stop is not None
        found = find_return(run, stop, at, limit, known, self._edges)
        step = limit if found is None else found[0]
        seen_at = stop.stop_sample // run.step + SOFTER_STEPS
        if at < seen_at <= step and goes_on_softly(run, stop):
            stop.resume_s = stop.end_s = run.time_s(seen_at)
            stop.plays_softer, stop.ended_how = True, "the programme goes on more softly"
            self._on_since = self._survived_to = seen_at
            self._close()
            return seen_at
        if self._dc_rises(stop, at, step, known):
            return limit if self._open is None else self._open.last_step
        count_falls(run, stop, stop.last_step, step)
        follow_source(run, stop, step)
        follow_sinking(run, stop, at, step)
        stop.last_step = step
        if found is None:
            return limit
        stop.resume_s = stop.end_s = run.start_s + found[1] / run.rate_hz
        stop.ended_how = "the output came back"
        measure_return(run, stop, step, known, self._edges)
        self._on_since = self._survived_to = step
        self._last_high_v = np.inf
        if stop.is_half and stands_at_half(run, step, min(known, step + DC_BIN)):
            self._open = None  # it plays on these volts: they are its own
        else:
            self._close()
        return max(step, at + 1)

    def _close(self) -> None:
        stop, self._open = self._open, None
        assert stop is not None
        stop.is_half = stop.is_half and stands_at_half(self._run, stop.last_step - DC_BIN, stop.last_step)
        self._take_stop(stop)

    def _dc_rises(self, stop: Stop, start: int, step: int, known: int) -> bool:
        """Whether steady volts came while the output was off, up to step `step`: then these are the stop."""
        if stop.is_dc_only or stop.sank_from_v is not None or abs(stop.rest_v - stop.rest_before_v) > DC_V:
            return False
        if stop.ground_jump_v is not None and abs(stop.ground_jump_v) > GROUND_JUMP_V:
            return False
        begin = max(start, stop.stop_sample // self._run.step + 1)
        if not self._find_dc(begin, step, known, stop.rest_before_v):
            return False
        assert self._open is not None
        stop.end_s, stop.ended_how = self._open.start_s, "steady volts rose at the output"
        self._take_stop(stop)
        return True

    def _find_dc(self, start: int, limit: int, known: int, usual_v: float = 0.0) -> bool:
        """Open a stop where the level stays away from rest without a signal on it, where nothing played before."""
        found = self._dc.find(max(start, self._on_since), limit, known, usual_v)
        if found is None:
            return False
        run, (until, stop) = self._run, found
        self._measure(stop, known)
        step = stop.stop_sample // run.step
        before = run.steps("mean", step - 100, step - 1)
        stop.cut_s, stop.rest_before_v = None, float(np.mean(before)) if len(before) else 0.0
        stop.off_rms_v, stop.rests_steadily = 0.02 * abs(stop.rest_v), True
        stop.last_step = until
        self._open = stop
        return True

    def _has_sounded(self, to: int) -> bool:
        """Whether the output sounded before step `to` of this run."""
        swing = self._run.steps("high", 0, to) - self._run.steps("low", 0, to)
        return self._run.first > 0 or float(swing.max(initial=0.0)) > 2 * LEAST_PEAK_V

    def _learn_survived(self, to: int) -> None:
        """Fold the supply under a sounding output into what is known to be survived."""
        run = self._run
        a, b = -(-self._survived_to // _BIN) * _BIN, to // _BIN * _BIN
        a = max(a, run.first)
        if b > a:
            supply = _over_bins(np.minimum, run.steps("supply", a, b))
            swing = _over_bins(np.maximum, run.steps("high", a, b) - run.steps("low", a, b))
            is_live = swing >= 2 * LEAST_PEAK_V
            if is_live.any():
                self._survived_v = min(self._survived_v, float(supply[is_live].min()))
            highest = np.where(is_live, _over_bins(np.maximum, run.steps("supply", a, b)), np.inf)
            before = np.concatenate(([self._last_high_v], highest[:-1]))
            self._held_v = min(self._held_v, float(np.maximum(before, highest).min()))
            self._last_high_v = float(highest[-1])
            self._survived_to = b

    def _learn(self, to: int) -> None:
        """Remember what the supply and the output are usually like, for each whole second before step `to`."""
        run = self._run
        if self._open is None and "supply" in run:
            self._learn_survived(to - _SURVIVED_BEFORE)
        n = (to - self._learned_to) // 1000
        if n <= 0:
            return
        a, b = self._learned_to, self._learned_to + 1000 * n
        self._learned_to = b
        if "supply" in run:
            self._supply_seconds.extend(run.steps("supply", a, b).reshape(n, 1000).copy())
        high, low = run.steps("high", a, b).reshape(n, 1000), run.steps("low", a, b).reshape(n, 1000)
        self._peak_seconds.extend(float(v) for v in np.maximum(high.max(axis=1), -low.min(axis=1)))
        self._rms_seconds.extend(float(v) for v in np.sqrt(run.steps("square", a, b).reshape(n, 1000).mean(axis=1)))


def may_be_told(run: RunSteps, stop: Stop, edges: Sequence[Edge]) -> bool:
    """Whether a stop that is no cut in mid-cycle may be a finding, whenever exactly it began."""
    return decide_cause(stop).is_evident or any(is_low for _, is_low in list_remote_changes(run, stop, edges))


def _quiet_v(swing: FloatArray, ratio: float = 1.0) -> FloatArray:
    """Swing below which the output counts as quiet, of the swing before it; `ratio`: of the usual fall."""
    return np.asarray(np.maximum(ratio * _FALL_RATIO * swing, np.minimum(_LEAST_FALL_RATIO * swing, _NOISE_V)))


def _loudest_level(mean: FloatArray, square: FloatArray, size: int) -> FloatArray:
    """(n,) what a tone of the power of the loudest half second within the last `size` bins would swing by.

    Noise has crests far above its rms: a level that counts from them calls it silent while it plays on.
    """
    n = np.minimum(np.arange(len(mean)) + 1, _LEVEL_BINS)
    sums = (np.cumsum(np.concatenate((np.zeros(_LEVEL_BINS), v))) for v in (mean, square))
    m, s = ((c[_LEVEL_BINS:] - c[:-_LEVEL_BINS]) / n for c in sums)
    return np.sqrt(_highest_of_last(2.0 * np.maximum(s - m**2, 0.0), size))


def _over_bins(function: np.ufunc, steps: FloatArray) -> FloatArray:
    """(n / _BIN,) a reduction of each bin of whole bins of steps: column by column, as rows so short are slow."""
    out = steps[::_BIN].copy()
    for at in range(1, _BIN):
        function(out, steps[at::_BIN], out=out)
    return out


def _highest_of_last(values: FloatArray, n: int) -> FloatArray:
    """(m,) the highest of each value and the n - 1 ahead of it, as far as there are any."""
    out, reach = values.copy(), 1
    while reach < n:  # of twice as many, again and again
        step = min(reach, n - reach)
        np.maximum(out[step:], out[:-step].copy(), out=out[step:])
        reach += step
    return out
