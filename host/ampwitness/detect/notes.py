"""Bass notes in the output, 20 to 120 Hz, and what the supply did under each."""

from __future__ import annotations

from typing import Any

import numpy as np

from ampwitness.detect.note_pitch import (
    HIGHEST_HZ,
    LOWEST_HZ,
    Pitch,
    measure_pair,
    measure_pitch,
    name_pitch,
)
from ampwitness.detect.note_supply import (
    RECOVERY_S,
    SMOOTH_S,
    fit_recovery,
    measure_before,
    measure_ripple,
    widen_lowest,
)
from ampwitness.detect.note_tracking import END_RATIO, FLOOR_OVER_NOISE_RATIO, FLOOR_V, RunNotes, SoundingNote
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger, RunBlock, RunBlocks
from ampwitness.types import Finding, Severity, TraceWindow

_BLOCK_S = 0.5
_LEAST_RUN_S = 0.100
_TAIL_S = 0.050  # over which the supply at a note's end is averaged
SAG_OF_NOTE_PERCENT = 10.0  # what the supply may lose under a note before it is more than information


class NoteDetector:
    """Finds bass notes and measures the supply under each.

    Onset: where the output's level, rms over 50 ms in the band 8 to 165 Hz, rises (by 1.5 dB or more from the 50 ms
    before to the 50 ms behind, to above a tenth of the note's peak level), or its pitch turns, the first departure of
    the waveform from what went before is taken: what went before is carried on as a sum of damped sines (linear
    prediction over the 200 ms before), the corner of what is left is fitted by least squares. While another note
    sounds, a new one is one only if at least 15 % of the energy behind the onset is not the old one carried on:
    beats, decays and steady harmonics are not notes. A swell that nothing marks is dated at 10 % of its peak level.
    End: the next onset; or a sudden end, dated on the waveform; or the last instant at which the waveform below 300 Hz
    reached 10 % of its peak, once the level has fallen to 10 % of its peak.
    `level_v`: the highest rms over 50 ms in the band. `peak_v`: largest departure of the output from its mean.
    `attack_s`: onset to 90 % of the peak level, less the 15 ms that averaging over 50 ms adds; good to 10 ms.
    `pitch_hz`: fundamental of a least-squares fit with harmonics over the note without its attack, 4 s at most.

    The supply: `supply_before_v` is the median of up to 250 ms before the onset (evidence says how long, and whether
    it was settled). `supply_lowest_v` is the lowest value of a moving parabola over 2 ms, taken again over 20 to 32 ms
    where a parabola fits that long; the lowest raw sample stands in the evidence. `supply_end_v` is the mean of the
    last 50 ms; `sag_v` before less lowest; `recovery_s` the time constant of one exponential fitted up to the next
    onset (3 s at most); `ripple_v` peak to peak at twice the pitch.

    Gaps
    ----
    A gap ends every note that sounds (said in the evidence); nothing is carried across.

    Limits
    ------
    Notes below a floor of 40 mV rms, or ten times the quietest level of the last 30 s (0.2 V rms at most), are not
    reported. Of notes that begin within 60 ms of each other only one is seen. A note of the same pitch struck again in
    phase with less than 1.5 dB of rise goes on as the old one. A voice whose pitch stays below 123.5 Hz counts as
    notes. Attack values are coarse.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.event_scores`. Pitch names: ISO 16.
    """

    name = "notes"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._blocks = RunBlocks(("output", "supply"), _BLOCK_S)
        self._run: tuple[int, RunNotes] | None = None
        self._found: list[Finding] = []
        self._n_dropped: dict[str, int] = {}

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        if "output" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "no output channel")
            return
        if "supply" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "supply under the notes: no supply channel")
        for block in self._blocks.push(window):
            self._take(block)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for block in self._blocks.finish():
            self._take(block)
        findings = tuple(sorted(self._found, key=lambda f: f.start_s))
        summary: dict[str, Any] = {
            "n_notes": len(findings),
            "floor_v": FLOOR_V,
            "floor_over_noise_ratio": FLOOR_OVER_NOISE_RATIO,
            "n_not_taken_for_notes": dict(self._n_dropped),
        }
        sags = [float(f.measured["sag_v"]) for f in findings if f.measured["sag_v"] is not None]
        if sags:
            summary["largest_sag_v"] = max(sags)
            summary["median_sag_v"] = float(np.median(sags))
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, block: RunBlock) -> None:
        if "output" not in block.volts:
            return
        if self._run is None or self._run[0] != block.run_id:
            self._run = (block.run_id, RunNotes(block))
        run = self._run[1]
        for note in run.take(block):
            self._report(note, run, block)
        if block.is_last and block.first + block.n < _LEAST_RUN_S * block.rate_hz:
            self._ledger.leave_out(block.run_start_s, block.time_s(block.first + block.n), "too short for a bass note")
            return
        self._ledger.judge(block.n / block.rate_hz)
        for span in block.saturated.get("output", ()):
            # A note is still seen there, only its height is not.
            self._ledger.leave_out(span.start_s, span.stop_s, "level: the logger's own input was at a rail")

    def _report(self, note: SoundingNote, run: RunNotes, block: RunBlock) -> None:
        assert note.end is not None
        duration_s = (note.end - note.onset) / run.rate_hz
        pitch, why_not = _judge_pitch(note, run, duration_s)
        if pitch is None:
            self._n_dropped[why_not] = self._n_dropped.get(why_not, 0) + 1
            return
        measured, evidence = _measure_output(note, run, duration_s, pitch)
        supply_measured, supply_evidence = _measure_supply(note, run, pitch)
        measured.update(supply_measured)
        evidence.update(supply_evidence)
        sag_percent = measured["sag_percent"]
        severity: Severity = (
            "attention" if isinstance(sag_percent, float) and sag_percent >= SAG_OF_NOTE_PERCENT else "information"
        )
        self._found.append(
            Finding(
                kind="note",
                start_s=block.time_s(note.onset),
                stop_s=block.time_s(note.end),
                severity=severity,
                measured=measured,
                threshold={"floor_v": note.floor_v, "end_ratio": END_RATIO, "sag_percent": SAG_OF_NOTE_PERCENT},
                evidence=evidence,
            )
        )


def _judge_pitch(note: SoundingNote, run: RunNotes, duration_s: float) -> tuple[Pitch | None, str]:
    """The pitch, or None and why what sounded is no bass note."""
    if duration_s < 0.045:
        return None, "shorter than 45 ms"
    if note.level_peak_v < note.floor_v:
        return None, "below the floor"
    assert note.end is not None
    rate_hz = run.band.rate_hz
    slow = np.concatenate(note.slow) if note.slow else np.empty(0)
    slow = slow[: max(0, int(note.end / run.band.factor) - note.slow_first)]
    skip = round(float(np.clip(0.2 * duration_s, 0.008, 0.080)) * rate_hz)
    keep_off = 0 if duration_s < 0.150 else round(0.005 * rate_hz)
    part = slow[skip : len(slow) - keep_off]
    pitch = measure_pitch(part, rate_hz)
    if pitch is None:
        return None, "no sine fits"
    if not LOWEST_HZ <= pitch.frequency_hz <= HIGHEST_HZ:
        return None, "pitch outside 19 to 123.5 Hz"
    seconds = len(part) / rate_hz
    # Noise in the band looks like a tone the more, the shorter it is looked at.
    least = 0.90 if seconds < 0.120 else 0.75 if seconds < 0.300 else 0.55
    if pitch.explained_ratio < least:
        pair = measure_pair(part, rate_hz)
        if pair is None or pair[0].explained_ratio < 0.90:
            return None, "not a tone: too little of it repeats"
        return pair[0], ""
    return pitch, ""


def _measure_output(
    note: SoundingNote, run: RunNotes, duration_s: float, pitch: Pitch
) -> tuple[dict[str, Any], dict[str, Any]]:
    levels = np.concatenate(note.levels) if note.levels else np.empty(0)
    mean_v = note.sum_v / max(note.n, 1)
    name, cents = name_pitch(pitch.frequency_hz)
    attack_s: float | None = None
    loud = np.flatnonzero(levels >= 0.9 * note.level_peak_v)
    if len(loud):
        attack_s = max(0.0, (note.slow_first + int(loud[0]) - note.onset / run.band.factor) / run.band.rate_hz - 0.015)
    measured: dict[str, Any] = {
        "pitch_hz": pitch.frequency_hz,
        "level_v": note.level_peak_v,
        "peak_v": max(note.highest_v - mean_v, mean_v - note.lowest_v) if note.n else None,
        "attack_s": attack_s,
    }
    evidence: dict[str, Any] = {
        "pitch_name": name,
        "pitch_off_cents": cents,
        "explained_ratio": pitch.explained_ratio,
        "partials_v": list(pitch.amplitudes_v),
        "rms_v": float(np.sqrt(note.sum_v2 / note.n)) if note.n else None,
        "onset_basis": note.onset_basis,
        "novelty_ratio": note.novelty_ratio,
        "end_basis": note.end_basis,
        "duration_s": duration_s,
    }
    return measured, evidence


def _measure_supply(note: SoundingNote, run: RunNotes, pitch: Pitch) -> tuple[dict[str, Any], dict[str, Any]]:
    names = ("supply_before_v", "supply_lowest_v", "supply_end_v", "sag_v", "sag_percent", "recovery_s", "ripple_v")
    measured: dict[str, Any] = dict.fromkeys(names)
    if run.supply is None or note.supply_before is None or note.supply_tail is None:
        return measured, {"supply": "not judged: no supply channel"}
    rate_hz = run.rate_hz
    before = measure_before(note.supply_before, rate_hz, min(note.since_last_s, 10.0))
    tail = note.supply_tail
    averaged_s: float | None = None
    if note.supply_around is not None:
        measured["supply_lowest_v"], averaged_s = widen_lowest(note.supply_around, note.supply_around_at, rate_hz)
    if len(tail):
        measured["supply_end_v"] = float(tail[-round(_TAIL_S * rate_hz) :].mean())
        measured["ripple_v"] = measure_ripple(tail[-round(0.75 * len(tail)) :], rate_hz, 2.0 * pitch.frequency_hz)
    evidence: dict[str, Any] = {
        "supply_before_looked_s": before.looked_s,
        "supply_before_settled": before.is_settled,
        "supply_lowest_raw_v": note.supply_raw_v if np.isfinite(note.supply_raw_v) else None,
        "supply_lowest_s_after_onset": (
            None if note.supply_lowest_at is None else (note.supply_lowest_at - note.onset) / rate_hz
        ),
        "supply_lowest_parabola_v": note.supply_smooth_v if np.isfinite(note.supply_smooth_v) else None,
        "supply_average": f"parabola, found over {1000 * SMOOTH_S:.0f} ms, taken over the span it fits",
        "supply_average_s": averaged_s,
    }
    if before.why_not is not None:
        evidence["supply_before_not_settled"] = before.why_not
    if before.volts is not None:
        measured["supply_before_v"] = before.volts
        if measured["supply_lowest_v"] is not None:
            measured["sag_v"] = before.volts - measured["supply_lowest_v"]
            measured["sag_percent"] = 100.0 * measured["sag_v"] / before.volts if before.volts > 1.0 else None
    after = run.supply_after(note, RECOVERY_S)
    if after is not None:
        measured["recovery_s"], evidence["recovery"] = fit_recovery(after, rate_hz)
    return measured, evidence
