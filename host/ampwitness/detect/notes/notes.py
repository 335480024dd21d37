"""Bass notes in the output, 20 to 120 Hz, and what the supply did under each."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from math import isfinite
from typing import Any

import numpy as np

from ampwitness.detect.notes.noise_rest import REASON, NoiseRest
from ampwitness.detect.notes.note_beside import find_beside
from ampwitness.detect.notes.note_decimate import Bands
from ampwitness.detect.notes.note_drum import DRUM, is_beat, is_drum
from ampwitness.detect.notes.note_glide import LEAST_OF_ROLL_S, straighten
from ampwitness.detect.notes.note_judge import (
    ECHO,
    NO_TONE,
    NOISE,
    STRUCK,
    beats_on,
    find_noise,
    is_attack_of,
    is_echo,
    is_old,
    is_tone,
    judge_note,
)
from ampwitness.detect.notes.note_parts import (
    STANDS_OUT,
    agree_in_pieces,
    date_again,
    find_rolls,
    measure_attacks,
    sounding_part,
    strong_part,
)
from ampwitness.detect.notes.note_runs import NoteBlock, NoteRuns
from ampwitness.detect.notes.note_saturated import SaturatedSpans
from ampwitness.detect.notes.note_spectrum import HIGHEST_HZ, LOWEST_HZ, Pitch, measure_pitches, name_pitch
from ampwitness.detect.notes.note_sums import END_RATIO
from ampwitness.detect.notes.note_supply import SupplyMeter
from ampwitness.detect.notes.note_table import NoteTable, RowView
from ampwitness.detect.notes.note_walk import FLOOR_OVER_NOISE_RATIO, FLOOR_V, RunNotes
from ampwitness.detect.notes.sounding_note import SoundingNote
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger
from ampwitness.finding_list import FindingList, KeptTable
from ampwitness.types import Finding, FloatArray, Severity, TraceWindow

_LEAST_RUN_S = 0.100
_CLEARLY_TONE = 0.80  # of it explained by one note: no second look is needed
_STRAIGHT_TONE = 0.90  # the same of one whose slide was taken out: that suits noise too, a little
_LEAST_PERIODS = 5.0  # of it: fewer of noise's lowest lines look like a tone
_LOUD_BEAT = 0.5  # of the level of a note in the middle
_BATCH = 384  # notes that are measured together: some 10 MB wait at most
_LONGEST_WAIT_S = 600.0  # each note holds the two minutes in which it ended; long ones are few
# By the supply's model and the report, of all notes: making each again for a number costs ten times as much.
_ASKED_FOR = ("sag_v", "sag_without_end_v", "level_v", "peak_v", "supply_lowest_averaged_v")
SAG_OF_NOTE_PERCENT = 10.0  # what the supply may lose under a note before it is more than information


class NoteDetector:
    """Finds bass notes and measures the supply under each.

    Onset: where the output's level, rms over 50 ms in the band 8 to 165 Hz, rises (by 1.5 dB or more from the 50 ms
    before to the 50 ms behind), or its pitch turns, the first departure of the waveform from what went before is
    taken: what went before is carried on by linear prediction from the 200 ms before, and the corner of what is left
    is fitted by least squares; a turn of the pitch is dated where what is carried on from before and what is carried
    back from behind fit equally well. It is a new note only if at least 21 % of the energy behind the onset (15 % where
    the pitch turns) is not the old carried on: beats, decays and steady harmonics are not notes. A swell that nothing
    marks is dated where it passes the floor, and any note that takes 30 ms or more to rise out of silence where its
    rise, carried back as a power of time, leaves zero.
    End: the next onset, or the last instant at which the waveform below 300 Hz reached 10 % of its peak, once the level
    has fallen to 10 % of its peak.
    `level_v`: the highest rms over 50 ms in the band. `peak_v`: largest departure of the output from its mean.
    `energy_v2s`: the output's squares, less those of its mean, summed over time.
    `attack_s`: onset to 90 % of the peak level, less what averaging over 50 ms adds to it (16 ms to a step, 7 to a rise
    of 50); averaged over whole periods below 80 Hz; nine of ten good to 7 ms, 12 of notes that die as they rise, 26 ms
    at most where strong partials beat below 35 Hz.
    `pitch_hz`: fundamental of the note without its attack, 4 s at most, of one whose pitch slides that of its end;
    `pitch_name` and `pitch_cents` after ISO 16. Of a drum that is no tone none of them is told (`note_drum`).

    The supply: `supply_before_v` is the mean of up to 250 ms before the onset (`supply_before_looked_s` says how long,
    `supply_before_settled` whether it stood still with nothing sounding). `supply_lowest_averaged_v` (`supply_lowest_v`
    is the same) is the lowest value of a moving parabola over 2 ms, between samples, taken again over 20 to 32 ms where
    a parabola fits that long; `supply_lowest_raw_v` the lowest sample. `supply_end_v` is the mean of the last 50 ms;
    `sag_v` before less lowest; `sag_slope_v_per_s` the mean slope of its fall from 10 to 90 %, within the note's first
    second; `recovery_s` the time constant of one exponential, beside what rises slowly where that is needed, fitted up
    to the next onset (3 s at most); `ripple_v` peak to peak at twice the pitch.

    Gaps
    ----
    A gap ends every note that sounds (said in the evidence); nothing is carried across.

    Limits
    ------
    Notes below a floor of 40 mV rms, or ten times the quietest level of the last 40 s (0.2 V rms at most), are not
    reported; within 3 dB above it some are missed, and those found are dated 30 ms late. Of notes that begin within 60
    ms of each other only one is seen. A note of the same pitch struck again in phase with less than 1.5 dB of rise
    goes on as the old one. Of notes that stand less than 20 dB above what else sounds in the band, or last less than
    0.12 s beside it, some are missed; one that goes under in it ends where that falls. A voice whose pitch stays below
    123.5 Hz counts as notes. Where most of what begins is no tone, as in noise, short notes within 8 dB of it are left
    out; steady noise is looked at every quarter of an hour (`noise_rest`). Attack values are coarse. Nothing is told
    before `finish`.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.event_scores --what notes`. Pitch names: ISO 16.
    """

    name = "notes"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._runs = NoteRuns()
        self._rest = NoiseRest()
        self._run: tuple[int, RunNotes] | None = None
        self._waiting: list[tuple[SoundingNote, Bands, NoteBlock]] = []
        self._found = KeptTable("note", _ASKED_FOR, ("supply_before_settled",))
        self._n_dropped: dict[str, int] = {}
        self._last_pitches: deque[Pitch] = deque(maxlen=3)
        self._last_level_v = 0.0
        self._left_out_v: list[float] = []  # levels of beats that are no notes
        self._meters: dict[tuple[float, int], SupplyMeter] = {}
        self._saturated = SaturatedSpans()

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        trace = window.traces.get("output")
        if trace is None:
            self._ledger.leave_out(window.start_s, window.stop_s, "no output channel")
            for block in self._runs.finish():
                self._take(block)
            return
        if "supply" not in window.traces:
            self._ledger.leave_out(window.start_s, window.stop_s, "supply under the notes: no supply channel")
        for span in trace.saturated:
            # A note is still seen there, only its height is not.
            self._ledger.leave_out(span.start_s, span.stop_s, "level: the logger's own input was at a rail")
        if "supply" in window.traces:
            saturated = window.traces["supply"].saturated
            self._saturated.add(saturated)
            for span in saturated:
                self._ledger.leave_out(
                    span.start_s, span.stop_s, "supply under the notes: the logger's own input was at a rail"
                )
        for block in self._runs.push(window):
            self._take(block)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for block in self._runs.finish():
            self._take(block)
        self._measure()
        findings = FindingList([self._found])
        summary: dict[str, Any] = {
            "n_notes": len(findings),
            "floor_v": FLOOR_V,
            "floor_over_noise_ratio": FLOOR_OVER_NOISE_RATIO,
            "n_not_taken_for_notes": dict(self._n_dropped),
        }
        loud_v = _LOUD_BEAT * float(np.median(findings.values("level_v"))) if len(findings) else 0.0
        summary["n_loud_not_taken"] = sum(level_v >= loud_v for level_v in self._left_out_v)
        sags = findings.values("sag_v")
        sags = sags[np.isfinite(sags)]
        if len(sags):
            summary["largest_sag_v"] = float(sags.max())
            summary["median_sag_v"] = float(np.median(sags))
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, block: NoteBlock) -> None:
        if self._rest.leaves_out(block.output, block.is_last):
            self._ledger.leave_out(block.time_s(block.first), block.time_s(block.first + len(block.output)), REASON)
            end = self._runs.split()
            if end is not None and self._run is not None and self._run[0] == end.run_id:
                self._look_at(replace(end, first=block.first))
            return
        self._look_at(block)

    def _look_at(self, block: NoteBlock) -> None:
        n = len(block.output)
        if self._run is None or self._run[0] != block.run_id:
            self._run = (block.run_id, RunNotes(block))
        run = self._run[1]
        if not (block.is_last and block.first + n == 0):
            where = block.without_samples()
            self._waiting += [(note, run.bands, where) for note in run.take(block)]
        if len(self._waiting) >= _BATCH or self._waits_long(block):
            self._measure()
        if block.is_last and block.first + n < _LEAST_RUN_S * block.rate_hz:
            stop_s = block.time_s(block.first + n)
            self._ledger.leave_out(block.run_start_s, stop_s, "too short for a bass note")
            return
        self._ledger.judge(n / block.rate_hz)

    def _waits_long(self, block: NoteBlock) -> bool:
        """Whether the note that waits longest has done so for long: tones of minutes fill no batch within hours."""
        if not self._waiting:
            return False
        note, _, its_block = self._waiting[0]
        return block.time_s(block.first) - its_block.time_s(note.end) > _LONGEST_WAIT_S

    # ---- many notes at once ----------------------------------------------------------------------------------------

    def _measure(self) -> None:
        """Measure the notes that wait."""
        waiting, self._waiting = self._waiting, []
        parts = [sounding_part(note, bands) for note, bands, _ in waiting]
        pitches: list[Pitch | None] = [None] * len(waiting)
        for bands in {id(bands): bands for _, bands, _ in waiting}.values():
            places = [place for place, (_, b, _) in enumerate(waiting) if b is bands]
            some = measure_pitches([parts[place] for place in places], bands.band_hz, bands.response)
            for place, pitch in zip(places, some, strict=True):
                pitches[place] = pitch
            for place, is_in_roll in zip(places, find_rolls([waiting[p][0] for p in places], bands), strict=True):
                waiting[place][0].is_in_roll = bool(is_in_roll)
        strong, glides = self._look_again(waiting, parts, pitches)
        pieces = self._look_at_pieces(waiting, parts, pitches)
        judged: list[tuple[Pitch | None, str]] = []
        for place, ((note, bands, _), part, pitch) in enumerate(zip(waiting, parts, pitches, strict=True)):
            chosen: Pitch | None = None
            seen = [others[place] for others in (strong, glides, pieces) if place in others]
            as_it_stands = (pitch, len(part) / bands.band_hz)
            # What slides as it is struck again looks nearly like a tone as it stands, of another pitch.
            for one, seconds in [*seen, as_it_stands] if note.is_in_roll else [as_it_stands, *seen]:
                if chosen is None:
                    chosen, why_not = judge_note(note, one, self._last_pitches, seconds, bands.rate_hz, bands.band_hz)
            is_over_another = note.since_last_s * bands.rate_hz < 1.0 and note.novelty_ratio < STRUCK
            if is_over_another and (why_not == NO_TONE or is_old(chosen, self._last_pitches)):
                over = find_beside(note, bands, self._last_pitches)
                if over is not None:
                    chosen, why_not = judge_note(note, over[0], (), over[1], bands.rate_hz, bands.band_hz)
            if chosen is not None and beats_on(note, chosen, self._last_pitches, self._last_level_v):
                chosen, why_not = None, "two notes that ring on, beating"
            if chosen is not None and is_echo(note, bands.rate_hz, bands.band_hz):
                chosen, why_not = None, ECHO
            if why_not == NO_TONE and pitch is not None and is_drum(note, bands):
                judged.append((replace(pitch, frequency_hz=np.nan, amplitudes_v=(), beside_hz=np.nan), DRUM))
                continue
            if chosen is not None:
                self._last_pitches.append(chosen)
                self._last_level_v = note.level_peak_v
            judged.append((chosen, why_not))
        self._drop_noise(waiting, judged)
        kept: list[tuple[SoundingNote, Bands, NoteBlock, Pitch]] = []
        for place, ((note, bands, block), (chosen, why_not)) in enumerate(zip(waiting, judged, strict=True)):
            if chosen is not None and place and waiting[place - 1][1] is bands:
                earlier, (_, was_none) = waiting[place - 1][0], judged[place - 1]
                if is_attack_of(earlier, was_none, note, chosen, bands.rate_hz):
                    note.begin_as(earlier)
                    if was_none == DRUM:
                        kept.pop()
            if chosen is None:
                if why_not == NO_TONE and is_beat(note, bands):
                    self._left_out_v.append(note.level_peak_v)
                self._n_dropped[why_not] = self._n_dropped.get(why_not, 0) + 1
                continue
            date_again(note, bands, chosen)
            kept.append((note, bands, block, chosen))
        self._rest.count(len(waiting), len(kept))
        if not kept:
            return
        for bands in {id(bands): bands for _, bands, _, _ in kept}.values():
            self._report([entry for entry in kept if entry[1] is bands], bands)

    @staticmethod
    def _drop_noise(
        waiting: list[tuple[SoundingNote, Bands, NoteBlock]], judged: list[tuple[Pitch | None, str]]
    ) -> None:
        """Take their pitch from notes that are swells of noise, run by run."""
        for bands in {id(bands): bands for _, bands, _ in waiting}.values():
            places = [place for place, (_, b, _) in enumerate(waiting) if b is bands]
            some = [judged[place] for place in places]
            notes = [waiting[place][0] for place in places]
            noise = find_noise(notes, [why for _, why in some], [pitch is not None for pitch, _ in some], bands.rate_hz)
            for row in np.flatnonzero(noise).tolist():
                judged[places[row]] = (None, NOISE)

    def _look_again(
        self,
        waiting: list[tuple[SoundingNote, Bands, NoteBlock]],
        parts: list[FloatArray],
        pitches: list[Pitch | None],
    ) -> tuple[dict[int, tuple[Pitch, float]], dict[int, tuple[Pitch, float]]]:
        """By place, of notes that are no tones as they stand, a pitch and how long it is there: of the strong part of
        those that go under in what else sounds; and that which notes slide to. Measured together, as a call costs as
        much as some tens of notes."""
        strong: dict[int, tuple[Pitch, float]] = {}
        glides: dict[int, tuple[Pitch, float]] = {}
        for bands in {id(bands): bands for _, bands, _ in waiting}.values():
            cut: dict[int, FloatArray] = {}
            slid: list[int] = []
            rolled: list[int] = []
            for place, ((note, b, _), part, pitch) in enumerate(zip(waiting, parts, pitches, strict=True)):
                if b is not bands or pitch is None:
                    continue
                is_none = not is_tone(pitch, len(part) / bands.band_hz)
                # A tone that may be a note is taken as it stands, but of a roll.
                is_asked = is_none or note.is_in_roll or not LOWEST_HZ <= pitch.frequency_hz <= HIGHEST_HZ
                if is_asked and pitch.explained_ratio < _CLEARLY_TONE:
                    few = strong_part(note, bands, part)
                    if few is not None:
                        cut[place] = few
                if note.novelty_ratio >= STANDS_OUT and is_none:
                    (rolled if note.is_in_roll else slid).append(place)
            stills = straighten([parts[place] for place in slid], bands.band_hz)
            stills += straighten([parts[place] for place in rolled], bands.band_hz, LEAST_OF_ROLL_S)
            straight = {place: still for place, still in zip(slid + rolled, stills, strict=True) if still is not None}
            asked = [*cut.values(), *(still for still, _ in straight.values())]
            found = measure_pitches(asked, bands.band_hz, bands.response)
            for (place, few), pitch in zip(cut.items(), found, strict=False):
                seconds = len(few) / bands.band_hz
                if pitch is not None and pitch.frequency_hz * seconds >= _LEAST_PERIODS:
                    strong[place] = (pitch, seconds)
            for (place, (_, ratio)), pitch in zip(straight.items(), found[len(cut) :], strict=True):
                if pitch is not None and pitch.explained_ratio >= _STRAIGHT_TONE:
                    there = replace(pitch, frequency_hz=pitch.frequency_hz * ratio)
                    glides[place] = (there, len(parts[place]) / bands.band_hz)
        return strong, glides

    def _look_at_pieces(
        self,
        waiting: list[tuple[SoundingNote, Bands, NoteBlock]],
        parts: list[FloatArray],
        pitches: list[Pitch | None],
    ) -> dict[int, tuple[Pitch, float]]:
        """By place, the pitch on which pieces agree of notes that are no tones as a whole, and how long they are."""
        found: dict[int, tuple[Pitch, float]] = {}
        for bands in {id(bands): bands for _, bands, _ in waiting}.values():
            places = [
                place
                for place, ((note, b, _), part, pitch) in enumerate(zip(waiting, parts, pitches, strict=True))
                if b is bands
                and pitch is not None
                and note.novelty_ratio >= STANDS_OUT
                and not is_tone(pitch, len(part) / bands.band_hz)
            ]
            agreed = agree_in_pieces([parts[place] for place in places], bands.band_hz)
            for place, pitch in zip(places, agreed, strict=True):
                if pitch is not None:
                    found[place] = (pitch, len(parts[place]) / bands.band_hz)
        return found

    def _report(self, kept: list[tuple[SoundingNote, Bands, NoteBlock, Pitch]], bands: Bands) -> None:
        """Findings of notes of one run."""
        notes = [note for note, _, _, _ in kept]
        pitches = [pitch for _, _, _, pitch in kept]
        n = np.array([max(note.n, 1) for note in notes])
        sum_v, sum_v2 = np.array([note.sum_v for note in notes]), np.array([note.sum_v2 for note in notes])
        mean_v = sum_v / n
        highest_v, lowest_v = np.array([note.highest_v for note in notes]), np.array([note.lowest_v for note in notes])
        duration_s = np.array([note.end - note.onset for note in notes]) / bands.rate_hz
        names = [name_pitch(pitch.frequency_hz) if isfinite(pitch.frequency_hz) else ("", np.nan) for pitch in pitches]
        cents = np.array([off for _, off in names])
        pitch_hz = np.array([pitch.frequency_hz for pitch in pitches])
        measured: dict[str, FloatArray] = {
            "pitch_hz": pitch_hz,
            "pitch_cents": cents,
            "level_v": np.array([note.level_peak_v for note in notes]),
            "peak_v": np.maximum(highest_v - mean_v, mean_v - lowest_v),
            "attack_s": measure_attacks(notes, bands, pitch_hz),
            "energy_v2s": np.maximum(sum_v2 - n * mean_v * mean_v, 0.0) / bands.rate_hz,
        }
        evidence: dict[str, FloatArray] = {
            "pitch_off_cents": cents,
            "explained_ratio": np.array([pitch.explained_ratio for pitch in pitches]),
            "pitch_beside_hz": np.array([pitch.beside_hz for pitch in pitches]),
            "rms_v": np.sqrt(sum_v2 / n),
            "novelty_ratio": np.array([note.novelty_ratio for note in notes]),
            "duration_s": duration_s,
        }
        texts: dict[str, list[str]] = {
            "pitch_name": [name for name, _ in names],
            "onset_basis": [note.onset_basis for note in notes],
            "end_basis": [note.end_basis for note in notes],
        }
        key = (bands.rate_hz, bands.thin_step)
        if key not in self._meters:
            self._meters[key] = SupplyMeter(bands)
        start_s = np.array([block.time_s(note.onset) for note, _, block, _ in kept])
        supply = self._saturated.leave_out(self._meters[key].measure(notes, pitch_hz), start_s, start_s + duration_s)
        measured.update(supply.measured)
        evidence.update(supply.evidence)
        texts.update(supply.texts)
        flags = {"supply_before_settled": supply.is_settled}
        numbers = NoteTable(measured, flags, {"pitch_name": texts["pitch_name"]}, {})
        reasons = NoteTable(evidence, flags, texts, {"partials_v": [pitch.amplitudes_v for pitch in pitches]})
        is_deep = supply.measured["sag_percent"] >= SAG_OF_NOTE_PERCENT
        severities: tuple[Severity, Severity] = ("information", "attention")
        findings = [
            Finding(
                kind="note",
                start_s=block.time_s(note.onset),
                stop_s=block.time_s(note.end),
                severity=severities[deep],
                measured=RowView(numbers, row),
                threshold=_threshold(note.floor_v),
                evidence=RowView(reasons, row),
            )
            for row, ((note, _, block, _), deep) in enumerate(zip(kept, is_deep.tolist(), strict=True))
        ]
        self._found.extend(findings, {**{name: measured[name] for name in _ASKED_FOR}, **flags})


_THRESHOLDS: dict[float, dict[str, float]] = {}


def _threshold(floor_v: float) -> dict[str, float]:
    """The same object for the same floor: most notes of a day share one."""
    if floor_v not in _THRESHOLDS:
        if len(_THRESHOLDS) > 100:
            _THRESHOLDS.clear()
        _THRESHOLDS[floor_v] = {"floor_v": floor_v, "end_ratio": END_RATIO, "sag_percent": SAG_OF_NOTE_PERCENT}
    return _THRESHOLDS[floor_v]
