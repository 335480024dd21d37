"""Cut-outs: the output stops as no note does, and what supply, ground, remote lead and source did around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.cutout_cause import (
    LOOSE_SUPPLY,
    LOW,
    PAUSE,
    PROTECTION,
    SOURCE,
    TOGETHER,
    Cause,
    decide_cause,
)
from ampwitness.detect.cutouts.cutout_gap import settle_behind_gap
from ampwitness.detect.cutouts.cutout_later import went_on_later
from ampwitness.detect.cutouts.cutout_level import learn_level
from ampwitness.detect.cutouts.cutout_low import AT_LEVEL_V, fell_unseen, is_past, was_survived
from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.cutouts.cutout_protection import HEAT_SEEN_S, OVER_CURRENT, is_cooling
from ampwitness.detect.cutouts.cutout_retry import count_retries
from ampwitness.detect.cutouts.cutout_siblings import count_lost_alike, count_new_lows, count_silent
from ampwitness.detect.cutouts.cutout_stood import LOST, STUCK, UNDER
from ampwitness.detect.cutouts.cutout_told import is_told, let_go_v, make_finding
from ampwitness.detect.cutouts.cutout_watch import RunWatch
from ampwitness.detect.cutouts.mark_ties import measure_liveness
from ampwitness.detect.cutouts.rests import MOST_REST_S, RestCount, sum_rests
from ampwitness.detect.cutouts.silences import BriefSilences, Silence, SilenceWatch, sum_silences
from ampwitness.detect.cutouts.supply_lead import LeadOff, SupplyLeadWatch, forget_supply
from ampwitness.detect.cutouts.turn_on import TurnOnWatch, is_turn_on_thump
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.step_stream import RunSteps, StepStream
from ampwitness.detect.streams import Ledger
from ampwitness.types import Edge, TraceWindow

RETRY_S = 10.0
MINUTE_S = 60.0
AGAIN_S = 2.0
ALIKE_RATIO = 1.3  # what lasts so much longer than all others is not like them
STILL_STUCK_S = 0.2
THUMP_S = 1.0
LEAST_COOLING, COOLING_RATIO = 2, 1.5
HUM_NEAR_S = 0.2
HUM_EXPLAINS = (PROTECTION, "not decided", SOURCE)
COMMON = "common"  # looked at around stops only
ROLES = ("output", "supply", "battery", "ground", "remote", "source", "current")


class CutoutDetector:
    """Finds where the output stops as no note does, and says what came with it.

    The output has stopped when, after a swing of at least 0.3 V within the last 500 ms, its rms about the mean over
    the next 50 ms is 26 dB lower. Start of a tone's end is where it leaves its own continuation (linear prediction over
    the 170 ms before); of anything else the last sample above 2 % of that swing or 5 sigma of the quiet after it. End
    is the first sample away from rest again that is no click of less than 30 ms. Such a stop is a finding
    - with evidence that supply, ground or remote lead was lost, or that the output rests at DC;
    - with evidence of a low supply, or of a source that stopped or played on, when it was abrupt; a supply that was low
      (below 90 % of usual and lower than the output ever outlived) asks for a cut in mid-cycle beside it unless it was
      below 10.5 V (of a 12 V supply; twice that of 24 V) and 0.3 V lower than ever, or its source was logged and played
      on. Where it was low once, in a
      programme that stops by itself, that is "not decided", and where something sounds on long behind the lowest supply
      it is none;
    - without evidence, only when the wave was cut in mid-cycle (a tone that stood above an eighth of the swing where it
      broke off and was gone within 3 ms; noise-like material whose level held to the last 6 ms), or kept its level up
      to its zero crossing with a second of silence behind it: "not decided: the signal may have paused at the source",
      with the kind of protection it would be consistent with;
    - always, when the signal is known never to pause (`is_continuous`).

    Parameters
    ----------
    is_continuous : the signal never pauses (tones, noise), so any silence of 50 ms is a cut-out, and one of 20 ms that
        is cut off or comes back sharply
    reference_point : where the logger's ground was clipped, as typed; None: not known. See `decide_cause`

    Gaps
    ----
    A gap is never a cut-out. A stop is found only when 50 ms of quiet were recorded behind it, shorter ones only in a
    row; a gap in the silence ends the outage as far as it is known (`recovered` where it sounds right behind the gap).

    Limits
    ------
    What stopped at the source with a slow end is a pause and not reported; nor is what breaks off within 7 degrees of a
    zero crossing for less than a second. Silences of a second and more that no finding explains, or of a third of one
    in a programme that hardly rests, are counted in the summary (`silences`). All volts are relative to the logger's
    reference: a lost ground of the logger itself is not judged, one of the amplifier only with a `ground` channel, or
    with battery and supply together seen from the amplifier's own ground.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.cutout_scores`.
    """

    name = "cutouts"

    def __init__(self, *, is_continuous: bool = False, reference_point: str | None = None) -> None:
        self._is_continuous = is_continuous
        self._reference = reference_point
        self._ledger = Ledger(self.name)
        self._stream = StepStream(ROLES, ("output", "supply", "source"), (COMMON,))
        self._watch: tuple[RunSteps, RunWatch] | None = None
        self._gap_from_s: float | None = None  # where the run before this one ended
        self._edges: list[Edge] = []
        self._kept: list[tuple[Stop, Cause]] = []
        self._cooling: list[tuple[Stop, Cause]] = []  # that are told only beside others like them
        self._n_stops = 0
        self._marks_s: list[float] = []  # not looked at yet
        self._at_marks: list[dict[str, float]] = []
        self._switchings: list[dict[str, Any]] = []
        self._turn_on = TurnOnWatch(self._switchings)
        self._silences: list[Silence] = []
        self._rests = RestCount()
        self._brief = BriefSilences()
        self._silence = SilenceWatch(self._silences, self._rests, self._brief)
        self._lead_off: list[LeadOff] = []
        self._lead = SupplyLeadWatch(self._lead_off)

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        if "remote" in window.lines_on and not self._edges:
            # It stood high from the first scan on and need not have moved since: a line that is not connected is low.
            self._edges.append(Edge("remote", 1, -np.inf, "", 0))
        self._edges += [edge for edge in window.edges if edge.role == "remote"]
        self._marks_s += [mark.time_s for mark in window.marks]
        if "output" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "no output channel")
            return
        if "supply" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "cause by supply: no supply channel")
        for run, is_last in self._stream.push(window):
            self._take(run, is_last)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for run, is_last in self._stream.finish():
            self._take(run, is_last)
        self._kept = [
            kept for kept in self._kept if _stays(kept) or not is_turn_on_thump(kept[0].start_s, self._switchings)
        ]
        self._judge_again(lambda stop: forget_supply(stop, self._lead_off))
        self._judge_again(went_on_later)
        self._compare_siblings()
        self._take_cooling()
        self._count_at_level()
        self._count_neighbours()
        if not self._is_continuous:
            self._count_alike()
            plain = (stop for stop, cause in self._kept if cause.words == PAUSE and stop.is_truncated)
            count_retries(sorted(plain, key=lambda stop: stop.start_s))
            self._count_by_itself()
        self._kept = [(stop, decide_cause(stop, self._reference)) for stop, _ in self._kept]
        rests = [] if self._is_continuous else self._take_rests()
        found = (make_finding(stop, cause, is_continuous=self._is_continuous) for stop, cause in self._kept)
        findings = tuple(sorted(found, key=lambda finding: finding.start_s))
        level = learn_level(findings)
        summary = {
            "is_continuous": self._is_continuous,
            "reference_point": self._reference,
            "n_stops_seen": self._n_stops,
            "n_cutouts": len(findings),
            "under_voltage": level,
            "switchings": self._switchings,
            "silences": sum_silences(
                sorted([*self._silences, *self._brief.find_told(self._silences)]),
                ((f.start_s, f.stop_s) for f in findings),
                self._switchings,
                level,
            ),
            "rests": sum_rests(rests),
            "output_at_marks": self._at_marks,
            "supply_lead_off": [asdict(span) for span in self._lead_off],
        }
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, run: RunSteps, is_last: bool) -> None:
        if self._watch is None or self._watch[0] is not run:
            is_near = self._watch is not None and run.start_s - self._watch[0].stop_s < HEAT_SEEN_S
            self._gap_from_s = None if self._watch is None else self._watch[0].stop_s
            beside = (self._keep, self._look_beside)
            tail = None if self._watch is None else self._watch[1].tail
            self._watch = (run, RunWatch(run, self._is_continuous, self._edges, *beside, is_near, tail))
            self._turn_on = TurnOnWatch(self._switchings, is_near)
        self._watch[1].take(is_last)
        if is_last:
            self._turn_on.end()
            self._silence.end()
            self._lead.end()
            self._ledger.judge(run.n_samples / run.rate_hz)
        # An input at its rail still shows that there is an output: only its height is unknown.

    def _look_beside(self, run: RunSteps, start: int, limit: int, known: int) -> None:
        """Switchings, silences, and what the output did at each mark."""
        if start == 0 and self._gap_from_s is not None:
            settle_behind_gap(run, known, self._gap_from_s, (stop for stop, _ in self._kept), self._switchings)
        self._turn_on.advance(run, start, limit, known, self._edges)
        self._silence.advance(run, start, limit)
        self._lead.advance(run, start, limit)
        limit_s = run.time_s(limit)
        self._rests.forget(limit_s, (stop.start_s for stop, cause in self._kept if _may_be_rest(stop, cause)))
        for mark_s in [m for m in self._marks_s if m < limit_s]:
            self._marks_s.remove(mark_s)
            live = measure_liveness(run, mark_s, known)
            if live is not None and mark_s >= run.start_s:
                self._at_marks.append(live)

    def _keep(self, stop: Stop) -> None:
        """Keep a stop that is a finding; the rest are pauses and forgotten at once."""
        self._n_stops += 1
        if stop.hum is not None and self._explains_others(stop):
            return
        cause = decide_cause(stop, self._reference)
        if not (self._is_continuous or is_told(stop, cause)):
            if cause.words == PAUSE and is_cooling(stop):
                self._cooling.append((stop, cause))
            return
        if cause.words == UNDER:  # what stands on once the programme has ended is the same
            self._kept = [k for k in self._kept if k[1].words != STUCK or k[0].start_s < stop.start_s]
        before = self._kept[-1] if self._kept else None
        if before and before[0].is_under and stop.is_from_first and stop.start_s - before[0].end_s < HEAT_SEEN_S:
            before[0].end_s, before[0].resume_s, before[0].ended_how = stop.end_s, stop.resume_s, stop.ended_how
            return  # they stood on across a gap
        if before and cause.words == before[1].words == STUCK and stop.start_s - before[0].end_s < STILL_STUCK_S:
            # One level that rose slowly, or on which something still sounds for a moment.
            before[0].end_s, before[0].resume_s, before[0].ended_how = stop.end_s, stop.resume_s, stop.ended_how
            before[0].rest_v, before[0].return_how = stop.rest_v, stop.return_how
            return
        self._kept.append((stop, cause))

    def _take_rests(self) -> list[tuple[float, float]]:
        """Let go of what is one of the rests that the programme makes again and again: (start_s, stop_s) of each."""
        plain = sorted((k for k in self._kept if _may_be_rest(*k)), key=lambda kept: kept[0].start_s)
        rests = [plain[n] for n in self._rests.find_rests([(s.start_s, s.end_s) for s, _ in plain])]
        self._kept = [kept for kept in self._kept if not any(kept is rest for rest in rests)]
        return [(stop.start_s, stop.end_s) for stop, _ in rests]

    def _explains_others(self, hum: Stop) -> bool:
        """Let a hum explain the stops within it; whether one of them is its own beginning, or is explained better."""
        inside = [k for k in self._kept if hum.start_s - HUM_NEAR_S < k[0].start_s < hum.end_s]
        is_told = any(stop.start_s < hum.start_s - HUM_NEAR_S < stop.end_s for stop, _ in self._kept)
        is_told = is_told and hum.hum is not None and hum.hum.mains_hz is None
        if is_told or any(not cause.words.startswith(HUM_EXPLAINS) for _, cause in inside):
            return True
        self._kept = [kept for kept in self._kept if kept not in inside]
        if not inside or inside[0][0].start_s > hum.start_s + HUM_NEAR_S:
            return False
        stop = inside[0][0]
        stop.hum, stop.source = hum.hum, hum.source
        stop.end_s, stop.resume_s, stop.ended_how = hum.end_s, hum.resume_s, hum.ended_how
        self._kept.append((stop, decide_cause(stop, self._reference)))
        return True

    def _judge_again(self, is_other: Callable[[Stop], bool]) -> None:
        """Judge those again of which more is known by now; the ends of notes among them are none."""
        kept = []
        for stop, cause in self._kept:
            if is_other(stop):
                cause = decide_cause(stop, self._reference)
                if not (self._is_continuous or is_told(stop, cause)):
                    continue
            kept.append((stop, cause))
        self._kept = kept

    def _compare_siblings(self) -> None:
        """Judge those again of which other stops say more."""
        plain = [stop for stop, cause in self._kept if cause.words == PAUSE or cause.words.startswith(PROTECTION)]
        count_new_lows(plain)
        self._judge_again(lambda stop: stop.n_new_lows > 0)
        low = [stop for stop, cause in self._kept if cause.words == LOW]
        count_lost_alike(low, [stop for stop, cause in self._kept if cause.words in (LOST, LOOSE_SUPPLY)])
        self._judge_again(lambda stop: stop.n_lost_alike > 0)
        count_silent([stop for stop, cause in self._kept if cause.words in (LOW, TOGETHER)])
        self._judge_again(lambda stop: stop.n_silent > 0)

    def _take_cooling(self) -> None:
        """Where stops come again and again behind long heat and end slowly, those about as long that began in a softer
        moment are told as well."""
        told = [stop for stop, cause in self._kept if cause.words == PAUSE and is_cooling(stop)]
        if len(told) < LEAST_COOLING:
            return
        lengths_s = [stop.end_s - stop.start_s for stop in told]
        shortest_s, longest_s = min(lengths_s) / COOLING_RATIO, max(lengths_s) * COOLING_RATIO
        like = [kept for kept in self._cooling if shortest_s < kept[0].end_s - kept[0].start_s < longest_s]
        self._kept += like
        for stop in (*told, *(stop for stop, _ in like)):
            stop.n_cooling = len(told) + len(like) - 1

    def _count_neighbours(self) -> None:
        """How many stops of one cause lie within ten seconds: an amplifier that retries."""
        by_cause: dict[str, list[Stop]] = {}
        for stop, cause in sorted(self._kept, key=lambda kept: kept[0].start_s):
            by_cause.setdefault(cause.words.partition(":")[0], []).append(stop)
        for stops in by_cause.values():
            starts = np.array([stop.start_s for stop in stops])
            was_at_peak = False
            for place, stop in enumerate(stops):
                stop.n_before_10_s = int(np.sum((starts < stop.start_s) & (starts > stop.start_s - RETRY_S)))
                stop.n_after_10_s = int(np.sum((starts > stop.start_s) & (starts < stop.start_s + RETRY_S)))
                # What a first stop at a peak began, the tries behind it go on with: they come soon after the return.
                if place and stop.start_s - stops[place - 1].end_s < AGAIN_S:
                    stop.is_again = was_at_peak
                was_at_peak = decide_cause(stop, self._reference).protection == OVER_CURRENT

    def _count_at_level(self) -> None:
        """How many stops came at no lower a supply than one that its own does not explain: a guard has one level."""
        low = [s for s, c in self._kept if c.words in (LOW, TOGETHER) and s.supply is not None and not fell_unseen(s)]
        volts = np.array([let_go_v(s) for s in low])
        at_once = np.array([not is_past(s) for s in low], dtype=bool)
        for stop, cause in self._kept:
            if stop.supply is None:
                continue
            is_low, is_as_high = cause.words in (LOW, TOGETHER), volts > let_go_v(stop) - AT_LEVEL_V
            stop.n_as_low = int(np.sum(is_as_high & at_once)) - (is_low and not is_past(stop))
            if cause.words == TOGETHER or stop.supply.outlived_s > 0 or was_survived(stop):
                stop.n_at_level = int(np.sum(is_as_high)) - is_low

    def _count_alike(self) -> None:
        """How many stops beside each one are as long without anything that explains them: a programme that stops so."""
        plain = [stop for stop, cause in self._kept if cause.words == PAUSE and stop.resume_s is not None]
        plain.sort(key=lambda stop: stop.start_s)
        starts = np.array([stop.start_s for stop in plain])
        lengths = np.array([stop.end_s - stop.start_s for stop in plain])
        for stop, _ in self._kept:
            if stop.resume_s is None:
                continue
            first, last = np.searchsorted(starts, [stop.start_s - RETRY_S, stop.start_s + RETRY_S])
            others = lengths[first:last][starts[first:last] != stop.start_s]
            is_like_them = len(others) > 0 and ALIKE_RATIO * float(others.max()) > stop.end_s - stop.start_s
            stop.n_alike = len(others) if is_like_them else 0

    def _count_by_itself(self) -> None:
        """How many stops within a minute of each the programme made, or nothing explains; no shorter ones, but where
        the output sounded on behind the lowest supply."""
        by_itself = [stop for stop, cause in self._kept if cause.words in (PAUSE, SOURCE)]
        starts = np.array([stop.start_s for stop in by_itself])
        lengths = np.array([stop.end_s - stop.start_s for stop in by_itself])
        for stop, cause in self._kept:
            if cause.words in (LOW, TOGETHER) and len(by_itself):
                is_long = (ALIKE_RATIO * lengths > stop.end_s - stop.start_s) | is_past(stop)
                stop.n_by_itself = int(np.sum(is_long & (np.abs(starts - stop.start_s) < MINUTE_S)))


def _may_be_rest(stop: Stop, cause: Cause) -> bool:
    """Whether a stop is as short as a rest, and nothing explains it."""
    return cause.words == PAUSE and stop.resume_s is not None and stop.end_s - stop.start_s <= MOST_REST_S


def _stays(kept: tuple[Stop, Cause]) -> bool:
    """Whether volts stand longer than any thump of a turn-on."""
    return kept[1].words == STUCK and kept[0].end_s - kept[0].start_s > THUMP_S
