"""Cut-outs: the output stops as no note does, and what supply, ground, remote lead and source did around it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.cutout_candidates import FALL_DB, LEAST_PEAK_V
from ampwitness.detect.cutouts.cutout_cause import (
    AT_LEVEL_V,
    LOW,
    MANY_ALIKE,
    NO_SUPPLY_V,
    PAUSE,
    PROTECTION,
    REMOTE,
    SOURCE,
    STUCK,
    TOGETHER,
    UNDER,
    Cause,
    decide_cause,
    is_past,
)
from ampwitness.detect.cutouts.cutout_level import learn_level
from ampwitness.detect.cutouts.cutout_measure import ABRUPT_RATIO, LAST_RMS_RATIO, OFF_S, TRUNCATED_RATIO, Stop
from ampwitness.detect.cutouts.cutout_protection import HEAT_SEEN_S, OVER_CURRENT
from ampwitness.detect.cutouts.cutout_watch import RunWatch
from ampwitness.detect.cutouts.mark_ties import measure_liveness
from ampwitness.detect.cutouts.silences import LEAST_SILENCE_S, SilenceWatch, sum_silences
from ampwitness.detect.cutouts.turn_on import TurnOnWatch, is_turn_on_thump
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.step_stream import RunSteps, StepStream
from ampwitness.detect.streams import Ledger
from ampwitness.types import Edge, Finding, Severity, TraceWindow
from ampwitness.units import seconds_to_clock

RETRY_S = 10.0
MINUTE_S = 60.0
AGAIN_S = 2.0
ALIKE_RATIO = 1.3  # what lasts so much longer than all others is not like them
COLLAPSE_S = 0.030
SWITCHED_OFF_S = 5.0  # a remote lead that stays low so long was switched off, or came off for good
STILL_STUCK_S = 0.2
THUMP_S = 1.0
HUM_NEAR_S = 0.2
HUM_EXPLAINS = (PROTECTION, "not decided", SOURCE)
SOFT_RATIO, SOFT_RMS_RATIO = 0.15, 0.20  # a note that faded stands lower in its last half-cycle
STEADY_RATIO = (
    0.8  # of the level before, in the last half-cycle and in the last 6 ms: nothing faded, wherever it broke off
)
HELD_RATIO = 0.05  # of the swing before: what is as low as this, but held its level to the last 6 ms, did not fade
SILENT_V, HISS_V, SILENT_RATIO = 0.06, 0.12, 0.015
ROLES = ("output", "supply", "battery", "ground", "remote", "source")


class CutoutDetector:
    """Finds where the output stops as no note does, and says what came with it.

    The output has stopped when, after a swing of at least 0.3 V within the last 500 ms, its rms about the mean over
    the next 50 ms is 26 dB lower. Start of a tone's end is where it leaves its own continuation (linear prediction over
    the 170 ms before); of anything else the last sample above 2 % of that swing or 5 sigma of the quiet after it. End
    is the first sample away from rest again that is no click of less than 30 ms. Such a stop is a finding
    - with evidence that supply, ground or remote lead was lost, or that the output rests at DC;
    - with evidence of a low supply, or of a source that stopped or played on, when it was abrupt; a supply that was low
      (below 90 % of usual and lower than the output ever outlived) asks for a cut in mid-cycle beside it unless it was
      below 10.5 V and 0.3 V lower than ever. Where it was low once, in a programme that stops by itself, that is "not
      decided", and where something sounds on long behind the lowest supply it is none;
    - without evidence, only when the wave was cut in mid-cycle (a tone that stood above an eighth of the swing where it
      broke off and was gone within 3 ms; noise-like material whose level held to the last 6 ms), or kept its level up
      to its zero crossing with a second of silence behind it: "not decided: the signal may have paused at the source",
      with the kind of protection it would be consistent with;
    - always, when the signal is known never to pause (`is_continuous`).

    Parameters
    ----------
    is_continuous : the signal never pauses (tones, noise), so any silence of 50 ms is a cut-out
    reference_point : where the logger's ground was clipped, as typed; None: not known. See `decide_cause`

    Gaps
    ----
    A gap is never a cut-out. A stop is found only when 50 ms of quiet were recorded behind it, shorter ones only in a
    row; a gap in the silence ends the outage as far as it is known (`recovered` False, said in the evidence).

    Limits
    ------
    What stopped at the source with a slow end is a pause and not reported; nor is what breaks off within 7 degrees of a
    zero crossing for less than a second. Silences of a second and more that no finding explains are counted in the
    summary (`silences`). All volts are relative to the logger's reference: a lost ground of the
    logger itself is not judged, one of the amplifier only with a `ground` channel, or with battery and supply together
    seen from the amplifier's own ground.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.cutout_scores`.
    """

    name = "cutouts"

    def __init__(self, *, is_continuous: bool = False, reference_point: str | None = None) -> None:
        self._is_continuous = is_continuous
        self._reference = reference_point
        self._ledger = Ledger(self.name)
        self._stream = StepStream(ROLES, ("output", "supply", "source"))
        self._watch: tuple[RunSteps, RunWatch] | None = None
        self._edges: list[Edge] = []
        self._kept: list[tuple[Stop, Cause]] = []
        self._n_stops = 0
        self._marks_s: list[float] = []  # not looked at yet
        self._at_marks: list[dict[str, float]] = []
        self._switchings: list[dict[str, Any]] = []
        self._turn_on = TurnOnWatch(self._switchings)
        self._silences_s: list[tuple[float, float]] = []
        self._silence = SilenceWatch(self._silences_s)

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
        self._count_at_level()
        self._count_neighbours()
        if not self._is_continuous:
            self._count_alike()
            self._count_by_itself()
        found = (self._finding(stop, decide_cause(stop, self._reference)) for stop, _ in self._kept)
        findings = tuple(sorted(found, key=lambda finding: finding.start_s))
        summary = {
            "is_continuous": self._is_continuous,
            "reference_point": self._reference,
            "n_stops_seen": self._n_stops,
            "n_cutouts": len(findings),
            "under_voltage": learn_level(findings),
            "switchings": self._switchings,
            "silences": sum_silences(self._silences_s, (f.start_s for f in findings), self._switchings),
            "output_at_marks": self._at_marks,
        }
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, run: RunSteps, is_last: bool) -> None:
        if self._watch is None or self._watch[0] is not run:
            is_near = self._watch is not None and run.start_s - self._watch[0].stop_s < HEAT_SEEN_S
            beside = (self._keep, self._look_beside)
            self._watch = (run, RunWatch(run, self._is_continuous, self._edges, *beside, is_near))
            self._turn_on = TurnOnWatch(self._switchings, is_near)
        self._watch[1].take(is_last)
        if is_last:
            self._turn_on.end()
            self._silence.end()
            self._ledger.judge(run.n_samples / run.rate_hz)
        # An input at its rail still shows that there is an output: only its height is unknown.

    def _look_beside(self, run: RunSteps, start: int, limit: int, known: int) -> None:
        """Switchings, silences, and what the output did at each mark."""
        self._turn_on.advance(run, start, limit, known, self._edges)
        self._silence.advance(run, start, limit)
        limit_s = run.time_s(limit)
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
        if not (self._is_continuous or _is_reported(stop, cause)):
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
        low = [s for s, c in self._kept if c.words in (LOW, TOGETHER) and s.supply is not None]
        volts = np.array([_let_go_v(s) for s in low])
        at_once = np.array([not is_past(s) for s in low], dtype=bool)
        for stop, cause in self._kept:
            if stop.supply is None:
                continue
            is_low, is_as_high = cause.words in (LOW, TOGETHER), volts > _let_go_v(stop) - AT_LEVEL_V
            stop.n_as_low = int(np.sum(is_as_high & at_once)) - (is_low and not is_past(stop))
            if cause.words == TOGETHER or stop.supply.outlived_s > 0:
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

    def _finding(self, stop: Stop, cause: Cause) -> Finding:
        words = cause.words
        if words == PAUSE and self._is_continuous:
            words = f"not decided: it stopped though the signal never pauses, {cause.protection}"
        supply = stop.supply
        return Finding(
            kind="cutout",
            start_s=stop.start_s,
            stop_s=stop.end_s,
            severity=_severity(stop, cause, self._is_continuous),
            measured={
                "outage_s": stop.end_s - stop.start_s,
                "cause": words,
                "confidence": cause.confidence,
                "supply_at_start_v": None if supply is None else supply.at_stop_v,
                "supply_lowest_before_v": None if supply is None else supply.lowest_v,
                "recovered": stop.resume_s is not None,
                "returned": stop.return_how or None,
                "start_uncertainty_s": stop.start_uncertainty_s,
            },
            threshold={
                "off_s": OFF_S,
                "fall_db": FALL_DB,
                "least_peak_v": LEAST_PEAK_V,
                "truncated_ratio": TRUNCATED_RATIO,
            },
            evidence=_evidence(stop, cause),
        )


def _stays(kept: tuple[Stop, Cause]) -> bool:
    """Whether volts stand longer than any thump of a turn-on."""
    return kept[1].words == STUCK and kept[0].end_s - kept[0].start_s > THUMP_S


def _is_reported(stop: Stop, cause: Cause) -> bool:
    if stop.is_dc_only:
        return cause.words == STUCK
    if stop.hum is not None or stop.plays_softer:
        return stop.hum is not None or (cause.is_evident and cause.words != SOURCE)
    is_abrupt = stop.abrupt_ratio >= ABRUPT_RATIO
    is_cut = stop.is_truncated
    if not cause.is_evident:
        is_told = is_cut or (_stays_steady(stop) and stop.end_s - stop.start_s >= LEAST_SILENCE_S)
        return (is_told and _is_silent(stop)) or (is_abrupt and cause.words.startswith("not decided: remote"))
    if cause.words == LOW and is_past(stop) and not _is_silent(stop):
        return False
    if cause.words == LOW:
        return is_cut or ((is_abrupt or _follows_a_collapse(stop)) and not cause.needs_a_cut)
    if cause.words == SOURCE:
        return is_cut
    return True


def _is_silent(stop: Stop) -> bool:
    """Whether nothing is left but hiss. Where something plays on under the note that ended, the amplifier is on."""
    return stop.off_rms_v <= max(HISS_V if stop.is_hiss else SILENT_V, SILENT_RATIO * stop.peak_v)


def _follows_a_collapse(stop: Stop) -> bool:
    """Whether the supply fell right before a stop in a softer moment of the wave: a note seldom ends just then."""
    fell_before_s = None if stop.supply is None else stop.supply.fell_before_s
    is_soon = fell_before_s is not None and fell_before_s <= COLLAPSE_S
    is_high = stop.abrupt_ratio >= SOFT_RATIO and stop.last_rms_ratio >= SOFT_RMS_RATIO
    is_deep = stop.supply is not None and stop.supply.lowest_v < NO_SUPPLY_V and stop.abrupt_ratio >= HELD_RATIO
    return is_soon and (is_high or is_deep or _held_its_level(stop))


def _stays_steady(stop: Stop) -> bool:
    return stop.abrupt_ratio >= STEADY_RATIO and stop.last_rms_ratio >= STEADY_RATIO


def _held_its_level(stop: Stop) -> bool:
    return stop.abrupt_ratio >= HELD_RATIO and stop.last_rms_ratio >= LAST_RMS_RATIO


def _severity(stop: Stop, cause: Cause, is_continuous: bool) -> Severity:
    if cause.words in (STUCK, UNDER):
        return "danger"
    if cause.words == SOURCE or (cause.words == PAUSE and stop.n_alike >= MANY_ALIKE):
        return "information"
    if cause.words == REMOTE and stop.end_s - stop.start_s > SWITCHED_OFF_S:
        return "attention"  # as every drive ends
    return "serious" if cause.is_evident or is_continuous else "attention"


def grade_stop(stop: Stop) -> str:
    """How abrupt the stop was, in words."""
    if stop.is_truncated:
        return "cut in mid-cycle"
    is_abrupt = stop.abrupt_ratio >= ABRUPT_RATIO or _held_its_level(stop)
    return "within about a half-cycle" if is_abrupt else "faded"


def _evidence(stop: Stop, cause: Cause) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "level_before_v": stop.peak_v,
        "off_rms_v": stop.off_rms_v,
        "rest_v": stop.rest_v,
        "rest_before_v": stop.rest_before_v,
        "sank_from_v": stop.sank_from_v,
        "sank_to_v": stop.sank_to_v,
        "hum_v": None if stop.hum is None else stop.hum.rms_v,
        "level_in_last_half_cycle_ratio": stop.abrupt_ratio,
        "cut_at_ratio": stop.cut_ratio if stop.cut_s is not None else None,
        "fall_s": stop.fall_s if stop.cut_s is not None else None,
        "last_rms_ratio": stop.last_rms_ratio,
        "cut_in_mid_cycle": stop.is_truncated,
        "stopped_how": grade_stop(stop),
        "at_level_ratio": stop.at_level_ratio,
        "level_share": stop.level_share,
        "loud_of_last_minute_s": stop.heat_s,
        "protection": cause.protection,
        "ended": stop.ended_how,
        "return_ramp_s": stop.return_ramp_s,
        "return_thump_v": stop.return_thump_v,
        "supply_at_return_v": stop.supply_at_return_v,
        "remote_fell_s": stop.remote_fell_s,
        "remote_rose_s": stop.remote_rose_s,
        "ground_jump_v": stop.ground_jump_v,
        "battery_jump_v": stop.battery_jump_v,
        "remote_flickers_s": stop.remote_flickers_s,
        "remote_sag_v": stop.remote_sag_v,
        "pop_v": stop.pop_v,
        "dc_before_v": stop.dc_v,
        "source": stop.source,
        "n_supply_falls": stop.n_supply_falls,
        "n_stops_in_10_s": stop.n_before_10_s + stop.n_after_10_s + 1,
        "n_alike_unexplained": stop.n_alike,
        "events": [{"time_s": time_s, "what": what} for time_s, what in cause.events],
        "in_time_order": _in_words(cause.events, stop),
        "reasons": cause.reasons,
        "not_excluded": cause.not_excluded,
    }
    if stop.supply is None:
        evidence["supply"] = "not judged: no supply channel"
    else:
        evidence["supply_reference_v"] = stop.supply.reference_v
        evidence["supply_lowest_s_before"] = stop.supply.lowest_before_s
        evidence["supply_lowest_survived_v"] = stop.supply.survived_v
        evidence["supply_lowest_held_v"] = stop.supply.held_v
        evidence["supply_12_ms_before_v"] = stop.supply.late_v
        evidence["supply_after_v"] = stop.supply.after_v
        evidence["supply_ms_before_v"] = stop.supply.course_v
        evidence["supply_slope_v_per_s"] = stop.supply.slope_v_per_s
        evidence["let_go_v"] = _let_go_v(stop)
    return evidence


def _let_go_v(stop: Stop) -> float:
    assert stop.supply is not None
    recent = stop.supply.lowest_before_s < 0.020
    return stop.supply.lowest_v if recent else stop.supply.at_stop_v


def _in_words(events: Sequence[tuple[float, str]], stop: Stop) -> tuple[str, ...]:
    """What happened in order; what lies closer to the stop than its start is known is said to be together with it."""
    out = []
    for time_s, what in events:
        text = f"{what} at {seconds_to_clock(time_s)}"
        if what != "output stopped":
            off_s = time_s - stop.start_s
            if abs(off_s) <= stop.start_uncertainty_s:
                text += f" (together with the stop, to within {1e3 * stop.start_uncertainty_s:.0f} ms)"
            else:
                text += f" ({1e3 * abs(off_s):.1f} ms {'before' if off_s < 0 else 'after'} the stop)"
        out.append(text)
    return tuple(out)
