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

from ampwitness.detect.cutouts.cutout_bias import (
    find_sinking,
    follow_sinking,
    make_stop,
    measure_gone,
    stands_at_half,
)
from ampwitness.detect.cutouts.cutout_candidates import BIN, LEAST_PEAK_V, N_OFF, CandidateSearch, over_bins
from ampwitness.detect.cutouts.cutout_cause import LOW, SOURCE, TOGETHER, decide_cause
from ampwitness.detect.cutouts.cutout_common import measure_common_fall
from ampwitness.detect.cutouts.cutout_dc import DC_BIN, measure_dc, rests_steadily
from ampwitness.detect.cutouts.cutout_dc_rise import DC_V, DcWatch
from ampwitness.detect.cutouts.cutout_dc_under import DcUnderWatch
from ampwitness.detect.cutouts.cutout_fade import measure_fade, measure_fade_behind
from ampwitness.detect.cutouts.cutout_gap import STILL_OFF
from ampwitness.detect.cutouts.cutout_hum import HumWatch
from ampwitness.detect.cutouts.cutout_in_gap import Tail, find_stop_in_gap, measure_tail
from ampwitness.detect.cutouts.cutout_later import find_lows, measure_lows
from ampwitness.detect.cutouts.cutout_lift import date_by_lift, measure_lift
from ampwitness.detect.cutouts.cutout_low import is_new_low
from ampwitness.detect.cutouts.cutout_measure import (
    Stop,
    count_falls,
    measure_jumps,
    measure_level,
    measure_supply,
    measure_wave,
)
from ampwitness.detect.cutouts.cutout_noise import is_hiss
from ampwitness.detect.cutouts.cutout_outlived import LOW_RATIO, measure_outlived
from ampwitness.detect.cutouts.cutout_over import measure_over
from ampwitness.detect.cutouts.cutout_pop import measure_pop
from ampwitness.detect.cutouts.cutout_remote import follow_remote, list_remote_changes, measure_remote, settle_remote
from ampwitness.detect.cutouts.cutout_return import GROUND_JUMP_V, find_return, measure_return
from ampwitness.detect.cutouts.cutout_softer import (
    NEAR_STEPS,
    NOTE_RATIO,
    NOTE_STEPS,
    SOFTER_STEPS,
    UP_TO_STEPS,
    find_burst,
    goes_on_softly,
    sounds_up_to,
)
from ampwitness.detect.cutouts.cutout_source import follow_source, measure_source
from ampwitness.detect.cutouts.cutout_stood import STUCK
from ampwitness.detect.cutouts.cutout_stutter import StutterWatch
from ampwitness.detect.cutouts.cutout_surge import measure_surge
from ampwitness.detect.cutouts.cutout_unlike import UnlikeWatch
from ampwitness.detect.cutouts.supply_lead import GONE_V
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge

Steps = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

BLOCK_STEPS = 10_000
AHEAD_STEPS = 600
_KEEP_STEPS = 3000
_NEAR_SINKING = 350  # steps: a thump may hide the silence of a stage that sinks for so long
_SOON = 60  # steps: the rest of a slow mute
_SURVIVED_BEFORE = 300  # steps: what the supply did earlier than this before a stop, the output outlived
_LIVE_STEPS = 1000  # what came back later than that before has no usual level yet


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
    tail : how that ended, where its output sounded up to the end
    """

    def __init__(
        self,
        run: RunSteps,
        is_continuous: bool,
        edges: Sequence[Edge],
        take_stop: Callable[[Stop], None],
        beside: Callable[[RunSteps, int, int, int], None],
        is_behind_a_gap: bool = False,
        tail: Tail | None = None,
    ) -> None:
        self._run, self._edges, self._take_stop, self._beside = run, edges, take_stop, beside
        self._is_continuous, self._is_behind_a_gap = is_continuous, is_behind_a_gap
        self._before = tail
        self.tail: Tail | None = None  # set once the run is over
        self._candidates = CandidateSearch(run, is_continuous, edges)
        self._keep = max(_KEEP_STEPS, self._candidates.n_recent * BIN + 1000)
        self._at = 0  # next step to judge
        self._on_since = 0
        self._open: Stop | None = None
        self._survived_v = np.inf  # lowest supply through which the output went on
        self._held_v = np.inf  # the same of dips as long as a guard may wait
        self._went_on_high_v = -np.inf  # highest supply, 10 ms long, through which the output went on
        self._last_high_v = np.inf  # highest supply of the last bin; infinite: nothing sounded
        self._survived_to = 0
        self._low_stops: list[Stop] = []  # those for which it is asked what the output goes on through later
        self._supply_seconds: deque[float] = deque(maxlen=60)
        self._peak_seconds: deque[float] = deque(maxlen=10)
        self._rms_seconds: deque[float] = deque(maxlen=60)
        self._learned_to = 0
        self._dc = DcWatch(run)
        self._stutter = StutterWatch(run, self._measure, take_stop, is_continuous)
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
            self.tail = measure_tail(run) if self._open is None else None
            if self._open is not None:
                self._open.end_s = run.stop_s
                self._open.ended_how = STILL_OFF
                self._close()

    def _advance(self, limit: int, known: int) -> None:
        """Judge the steps up to `limit`; those up to `known` may be looked at."""
        start = self._at
        if start == 0 and self._before is not None:
            self._open = find_stop_in_gap(self._run, known, self._before, self._edges)
        candidates = self._candidates.find(start, self._on_since, limit, known)
        sinking = find_sinking(self._run, start, limit, known)
        soon = []  # what sinks from the block behind this one on is left to that, with the silence it begins with
        if len(candidates) and candidates[-1] > limit - _NEAR_SINKING:
            soon = find_sinking(self._run, limit, limit + _NEAR_SINKING, known)
        for step in (*sinking, *soon):
            candidates = candidates[(candidates < step - _NEAR_SINKING) | (candidates > step + AHEAD_STEPS)]
        candidates = np.sort(np.concatenate((candidates, np.array(sinking, dtype=np.int64))))
        at = start
        while at < limit:
            if self._open is not None:
                at = max(at, self._open.stop_sample // self._run.step + 3)  # it may stop in the block behind this
                if at >= limit:
                    break
                found = find_return(self._run, self._open, at, limit, known, self._edges)
                # What stops behind the return is looked at once it has come back.
                inside = candidates if found is None else candidates[candidates <= found[0]]
                within = self._find_stop_within(inside, at, known)
                if within is not None:
                    found = find_return(self._run, self._open, at, within[0], known, self._edges)
                at = self._follow_open(at, found, limit if within is None else within[0], known)
                if within is not None and at == within[0] and self._open is not None:
                    self._goes_on(*within)
                continue
            later = candidates[candidates >= max(self._on_since, at)]
            if not len(later):
                break
            at, candidates = int(later[0]), later[1:]
            if at in sinking:
                self._open = make_stop(self._run, at)
                self._dc.own_v = self._open.sank_from_v
                self._measure(self._open, known)
            else:
                self._open = self._make_stop(at, known)
            at = at + 1 if self._open is None else min(limit, max(self._open.stop_sample // self._run.step + 3, at + 1))
        if self._open is None:
            self._find_dc(start, limit, known)
            at = limit if self._open is None else self._open.last_step
            while self._open is not None and at < limit:
                found = find_return(self._run, self._open, at, limit, known, self._edges)
                at = self._follow_open(at, found, limit, known)
        self._stutter.follow(max(start, self._on_since) if self._open is None else limit, limit, known)
        self._hum.follow(start, limit, known)
        self._under.follow(start, limit, known)
        self._unlike.follow(start, limit, known)
        self._learn(limit)
        self._beside(self._run, start, limit, known)
        self._at = limit

    def _make_stop(self, at: int, known: int, *, only_cut: bool = False) -> Stop | None:
        """Measure the stop near a candidate; `only_cut`: None where the wave was not cut in mid-cycle."""
        run = self._run
        swing_v = self._candidates.swing_v[at]
        _, quiet = run.samples("output", (at + N_OFF // 2) * run.step, (at + N_OFF + 1) * run.step)
        if len(quiet) == 0:
            return None
        rest_v, off_rms_v = float(np.median(quiet)), float(np.std(quiet))
        _, later = run.samples("output", (at + 2 * N_OFF) * run.step, min(at + 4 * N_OFF, known) * run.step)
        if len(later) > 20 * run.step and float(np.std(later)) < off_rms_v:  # a slow fall still sounds at first
            quiet, rest_v, off_rms_v = later, float(np.median(later)), float(np.std(later))
        first, near = run.samples("output", (at - 30) * run.step, (at + N_OFF // 2) * run.step)
        limit_v = max(5.0 * off_rms_v, 0.02 * swing_v)
        loud = np.flatnonzero(np.abs(near - rest_v) > limit_v)
        sample = first + (int(loud[-1]) if len(loud) else len(near) - 1)
        stop = Stop(run.start_s + (sample + 1) / run.rate_hz, sample, swing_v, off_rms_v, rest_v)
        stop.is_hiss = is_hiss(quiet, run.step)
        if only_cut:
            self._measure_end(stop)
            if not stop.is_truncated:
                return None
        measure_gone(run, stop)
        self._measure(stop, known)
        return stop

    def _measure_end(self, stop: Stop) -> None:
        """How the wave ended."""
        measure_wave(self._run, stop, self._on_since)
        if not (stop.is_truncated or self._is_continuous):
            measure_pop(self._run, stop)

    def _measure(self, stop: Stop, known: int) -> None:
        run = self._run
        step = stop.stop_sample // run.step
        self._learn(max(step, self._at))
        before = run.steps("mean", step - 500, step - 20)
        stop.rest_before_v = float(np.mean(before)) if len(before) else stop.rest_v
        if abs(stop.rest_v) > DC_V / 2:
            stop.rests_steadily = rests_steadily(run, stop, known)
            stop.is_half = not self._has_sounded(step)
        self._measure_end(stop)
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
        measure_common_fall(run, stop)
        measure_surge(run, stop)
        measure_lift(run, stop)
        measure_source(run, stop)
        # Dating a fall costs more than all else: only of stops that may be told of, which most ends of notes may not.
        if not stop.is_truncated and (self._is_continuous or may_be_told(run, stop, self._edges)):
            measure_fade(run, stop, self._is_continuous, self._on_since, known)
            if stop.fade_s is not None and stop.fade_s < run.time_s(self._on_since):
                stop.fade_s = None  # before that it was off
            date_by_lift(stop)
        measure_outlived(run, stop, self._on_since)
        stop.over = measure_over(run, stop, self._went_on_high_v)
        is_low = stop.supply is not None and stop.supply.lowest_v < LOW_RATIO * stop.supply.reference_v
        if (is_low and decide_cause(stop).words in (LOW, TOGETHER)) or is_new_low(stop):
            measure_lows(run, stop)
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
            few = len(self._supply_seconds) < 8
            return float(np.percentile(self._supply_seconds, 100 if few else 75))
        known = self._run.steps("supply", 0, max(step - 20, 20))
        return float(np.percentile(known, 75))

    def _follow_open(self, at: int, found: tuple[int, int] | None, limit: int, known: int) -> int:
        """Follow the open stop from step `at` to the output's return (None: not up to `limit`); where to go on."""
        run, stop = self._run, self._open
        assert stop is not None
        step = limit if found is None else found[0]
        seen_at = stop.stop_sample // run.step + SOFTER_STEPS
        if at < seen_at <= step and goes_on_softly(run, stop):
            self._goes_on(seen_at, seen_at, is_softer=True)
            return seen_at
        if self._dc_rises(stop, at, step, known):
            return limit if self._open is None else self._open.last_step
        count_falls(run, stop, stop.last_step, step)
        follow_source(run, stop, step)
        follow_remote(run, stop, self._edges, stop.last_step, step)
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

    def _find_stop_within(self, candidates: Steps, at: int, known: int) -> tuple[int, int, bool] | None:
        """The next step at which what sounds within a pause that is open stops for a cause of its own, since when it
        sounds, and whether it is a programme gone softer, or else the first milliseconds of what follows the pause."""
        stop = self._open
        assert stop is not None
        inside = candidates[candidates >= max(at, stop.stop_sample // self._run.step + NEAR_STEPS)].tolist()
        if not inside or self._is_continuous or stop.is_dc_only or stop.sank_from_v is not None:
            return None
        cause = decide_cause(stop)
        if cause.is_evident and cause.words != SOURCE and (stop.is_truncated or not cause.needs_a_cut):
            return None
        for step in inside:
            if sounds_up_to(self._run, stop, step, known):
                return step, step - UP_TO_STEPS, True
            since = find_burst(self._run, stop, step)
            if since is not None and self._is_cut(step, since, known):
                return step, since, False
        return None

    def _is_cut(self, step: int, since: int, known: int) -> bool:
        """Whether what sounds from `since` on is cut at `step` in mid-cycle, with something that explains it; or is a
        note that had begun, as loud as what played before the pause."""
        known_before = (self._on_since, self._survived_v, self._held_v, self._survived_to, self._last_high_v)
        went_on_high_v = self._went_on_high_v
        self._on_since = since
        stop = self._make_stop(step, known, only_cut=True)
        self._on_since, self._survived_v, self._held_v, self._survived_to, self._last_high_v = known_before
        self._went_on_high_v = went_on_high_v
        if stop is None:
            return False
        cause = decide_cause(stop)
        if cause.is_evident:
            return cause.words not in (SOURCE, STUCK)  # steady volts have a watch of their own
        pause = self._open
        assert pause is not None
        is_loud = stop.abrupt_ratio * stop.peak_v >= NOTE_RATIO * pause.peak_v
        return step - since >= NOTE_STEPS and is_loud and not pause.is_truncated

    def _goes_on(self, step: int, since: int, is_softer: bool) -> None:
        """The open stop was a pause, or none: the programme sounds at `step`, and has since another one at least."""
        stop = self._open
        assert stop is not None
        stop.plays_softer = is_softer
        stop.ended_how = "the programme goes on more softly" if stop.plays_softer else "the output came back"
        stop.resume_s = stop.end_s = self._run.time_s(step if stop.plays_softer else since)
        self._on_since = self._survived_to = since
        self._close()

    def _close(self) -> None:
        stop, self._open = self._open, None
        assert stop is not None
        settle_remote(stop)
        stop.is_half = stop.is_half and stands_at_half(self._run, stop.last_step - DC_BIN, stop.last_step)
        if stop.lows_v is not None and (decide_cause(stop).words in (LOW, TOGETHER) or is_new_low(stop)):
            self._low_stops.append(stop)
        self._take_stop(stop)

    def _dc_rises(self, stop: Stop, start: int, step: int, known: int) -> bool:
        """Whether steady volts came while the output was off, up to step `step`: then these are the stop."""
        usual_v = self._dc.find_usual_of(stop)
        if stop.is_dc_only or stop.sank_from_v is not None or abs(stop.rest_v - stop.rest_before_v) > DC_V:
            return False
        if stop.ground_jump_v is not None and abs(stop.ground_jump_v) > GROUND_JUMP_V:
            return False
        begin = max(start, stop.stop_sample // self._run.step + 1)
        if not self._find_dc(begin, step, known, usual_v):
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
        stop.cut_s, stop.rest_before_v = None, self._dc.find_usual(step)
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
        a, b = -(-self._survived_to // BIN) * BIN, to // BIN * BIN
        a = max(a, run.first)
        if b > a:
            supply = over_bins(np.minimum, run.steps("supply", a, b))
            swing = over_bins(np.maximum, run.steps("high", a, b) - run.steps("low", a, b))
            is_live = (swing >= 2 * LEAST_PEAK_V) & (supply >= GONE_V)  # below that a contact was lost
            is_live &= self._sounds_on(a, b)
            if is_live.any():
                self._survived_v = min(self._survived_v, float(supply[is_live].min()))
                self._went_on_high_v = max(self._went_on_high_v, float(supply[is_live].max()))
            highest = np.where(is_live, over_bins(np.maximum, run.steps("supply", a, b)), np.inf)
            before = np.concatenate(([self._last_high_v], highest[:-1]))
            self._held_v = min(self._held_v, float(np.maximum(before, highest).min()))
            self._last_high_v = float(highest[-1])
            self._survived_to = b
            if self._low_stops:
                lows_v = find_lows(run.steps("supply", a, b), np.repeat(is_live, BIN))
                for stop in self._low_stops:
                    assert stop.later_lows_v is not None
                    stop.later_lows_v = np.minimum(stop.later_lows_v, lows_v)

    def _sounds_on(self, start: int, stop: int) -> Flags:
        """For each bin whether the output sounds soon behind it: what it fell silent at was not outlived, whatever it
        fell silent for. Looks no further than what is known behind `stop`."""
        high, low = (self._run.steps(name, start, stop + _SURVIVED_BEFORE) for name in ("high", "low"))
        is_loud = over_bins(np.maximum, high - low) >= 2 * LEAST_PEAK_V
        n_before = np.concatenate(([0], np.cumsum(is_loud)))
        places = np.arange((stop - start) // BIN)
        first, last = (np.minimum(places + n // BIN, len(is_loud)) for n in (_SOON, _SURVIVED_BEFORE))
        return np.asarray(n_before[last] > n_before[first])

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
            # The upper part of what was seen: a second full of bass does not make a low supply normal.
            supply = np.partition(run.steps("supply", a, b).reshape(n, 1000), 750, axis=1)[:, 750]
            self._supply_seconds.extend(float(v) for v in supply)
        high, low = run.steps("high", a, b).reshape(n, 1000), run.steps("low", a, b).reshape(n, 1000)
        self._peak_seconds.extend(float(v) for v in np.maximum(high.max(axis=1), -low.min(axis=1)))
        square = run.steps("square", a, b).reshape(n, 1000).mean(axis=1)
        self._rms_seconds.extend(float(v) for v in np.sqrt(square))
        self._dc.learn(run.steps("mean", a, b).reshape(n, 1000).mean(axis=1), square)


def may_be_told(run: RunSteps, stop: Stop, edges: Sequence[Edge]) -> bool:
    """Whether a stop that is no cut in mid-cycle may be a finding, whenever exactly it began."""
    return decide_cause(stop).is_evident or any(is_low for _, is_low in list_remote_changes(run, stop, edges))
