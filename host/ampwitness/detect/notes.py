"""Bass notes in the output, 20 to 120 Hz, and what the supply did under each."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ampwitness.detect.note_decimate import BAND_STEP, SMOOTH_S, Bands, parabola_taps
from ampwitness.detect.note_runs import NoteBlock, NoteRuns
from ampwitness.detect.note_sag import (
    TAIL_S,
    LowestMeter,
    RecoveryFitter,
    fell_at_end,
    measure_before,
    measure_ripples,
    measure_slopes,
)
from ampwitness.detect.note_spectrum import HIGHEST_HZ, LOWEST_HZ, Pitch, measure_pitches, name_pitch
from ampwitness.detect.note_swell import LEAST_ATTACK_S, date_swell
from ampwitness.detect.note_table import NoteTable, RowView
from ampwitness.detect.note_walk import END_RATIO, FLOOR_OVER_NOISE_RATIO, FLOOR_V, RunNotes, SoundingNote
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger
from ampwitness.finding_list import FindingList, KeptTable
from ampwitness.types import Finding, FloatArray, Severity, TraceWindow

_LEAST_RUN_S = 0.100
_LEAST_NOTE_S = 0.045
_LEAST_CUT_S = 0.100  # of what sounded when the data began: no attack is there to tell it from a voice
_RINGS_S = 0.050  # a note that ended no longer ago still rings
_SAME_PITCH = 0.02  # under another note a ringing one is measured no better
_BESIDE_RATIO, _NEW_BESIDE = 0.25, 0.40  # of power, of novelty: a line beside a ringing one is the new note
_BEATING_HZ, _BEAT_LEVEL = 7.0, 0.6  # notes no further apart beat slowly; a note of the two so soft is their beat
_TAIL_S, _TAIL_BEAT_LEVEL = 2.0, 0.10  # so long after the last of two such notes, so soft
_HARDLY_NEW, _SWELLS_WITHIN_S = 0.40, 0.100  # of two notes that ring on: so little new, so soon behind, is their beat
_NO_TONE_BETWEEN = 2 ** (1.5 / 12)  # nearer to each other than this, notes have no other between them
_OLD_IN_TAIL = 0.70  # so little new in a tail, at the pitch of one of the last notes: it is heard again, not struck
_LEAST_TURNED_S = 0.090  # of a note that began with a turn and was cut off by the next: the next one, seen from afar
_CLEARLY_TONE = 0.80  # of it explained by one note: no second look is needed
_STANDS_OUT = 0.5  # of the energy behind an onset, that must be new for a second look
_STRONG_RATIO = 0.2  # of the highest mean square
_LEAST_STRONG_S = 0.080
_MOST_OF_IT = 0.9
_LEAST_PERIODS = 5.0  # of it: fewer of noise's lowest lines look like a tone
_BATCH = 384  # notes that are measured together: some 10 MB wait at most
SAG_OF_NOTE_PERCENT = 10.0  # what the supply may lose under a note before it is more than information

_AVERAGE = f"parabola, found over {1000 * SMOOTH_S:.0f} ms, taken over the span it fits"
_NAN = float("nan")


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
    of 50); good to 9 ms.
    `pitch_hz`: fundamental of the note without its attack, 4 s at most, `pitch_name` and `pitch_cents` after ISO 16.

    The supply: `supply_before_v` is the mean of up to 250 ms before the onset (`supply_before_looked_s` says how long,
    `supply_before_settled` whether it stood still with nothing sounding). `supply_lowest_averaged_v` (`supply_lowest_v`
    is the same) is the lowest value of a moving parabola over 2 ms, taken again over 20 to 32 ms where a parabola fits
    that long; `supply_lowest_raw_v` the lowest sample. `supply_end_v` is the mean of the last 50 ms; `sag_v` before
    less lowest; `sag_slope_v_per_s` the mean slope of its fall from 10 to 90 %, within the note's first second;
    `recovery_s` the time constant of one exponential, beside what rises slowly where that is needed, fitted up to the
    next onset (3 s at most); `ripple_v` peak to peak at twice the pitch.

    Gaps
    ----
    A gap ends every note that sounds (said in the evidence); nothing is carried across.

    Limits
    ------
    Notes below a floor of 40 mV rms, or ten times the quietest level of the last 40 s (0.2 V rms at most), are not
    reported. Of notes that begin within 60 ms of each other only one is seen. A note of the same pitch struck again in
    phase with less than 1.5 dB of rise goes on as the old one. Of notes that stand less than 20 dB above what else
    sounds in the band, or last less than 0.12 s beside it, some are missed; one that goes under in it ends where that
    falls. A voice whose pitch stays below 123.5 Hz counts as notes. Attack values are coarse. Nothing is told before
    `finish`.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.event_scores --what notes`. Pitch names: ISO 16.
    """

    name = "notes"

    def __init__(self) -> None:
        self._ledger = Ledger(self.name)
        self._runs = NoteRuns()
        self._run: tuple[int, RunNotes] | None = None
        self._waiting: list[tuple[SoundingNote, Bands, NoteBlock]] = []
        self._found = KeptTable("note", ("sag_v", "sag_without_end_v", "level_v"))
        self._n_dropped: dict[str, int] = {}
        self._last_pitches: deque[Pitch] = deque(maxlen=3)
        self._last_level_v = 0.0
        self._meters: dict[tuple[float, int], _SupplyMeter] = {}

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
        sags = findings.values("sag_v")
        sags = sags[np.isfinite(sags)]
        if len(sags):
            summary["largest_sag_v"] = float(sags.max())
            summary["median_sag_v"] = float(np.median(sags))
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, block: NoteBlock) -> None:
        n = len(block.output)
        if self._run is None or self._run[0] != block.run_id:
            self._run = (block.run_id, RunNotes(block))
        run = self._run[1]
        if not (block.is_last and block.first + n == 0):
            where = block.without_samples()
            self._waiting += [(note, run.bands, where) for note in run.take(block)]
        if len(self._waiting) >= _BATCH:
            self._measure()
        if block.is_last and block.first + n < _LEAST_RUN_S * block.rate_hz:
            stop_s = block.time_s(block.first + n)
            self._ledger.leave_out(block.run_start_s, stop_s, "too short for a bass note")
            return
        self._ledger.judge(n / block.rate_hz)

    # ---- many notes at once ----------------------------------------------------------------------------------------

    def _measure(self) -> None:
        """Measure the notes that wait."""
        waiting, self._waiting = self._waiting, []
        parts = [_sounding_part(note, bands) for note, bands, _ in waiting]
        pitches: list[Pitch | None] = [None] * len(waiting)
        for bands in {id(bands): bands for _, bands, _ in waiting}.values():
            places = [place for place, (_, b, _) in enumerate(waiting) if b is bands]
            some = measure_pitches([parts[place] for place in places], bands.band_hz, bands.response)
            for place, pitch in zip(places, some, strict=True):
                pitches[place] = pitch
        strong = self._look_at_strong_parts(waiting, parts, pitches)
        kept = []
        for place, ((note, bands, block), part, pitch) in enumerate(zip(waiting, parts, pitches, strict=True)):
            chosen, why_not = _judge(note, pitch, self._last_pitches, len(part) / bands.band_hz, bands.rate_hz)
            if chosen is None and place in strong:
                pitch, seconds = strong[place]
                chosen, why_not = _judge(note, pitch, self._last_pitches, seconds, bands.rate_hz)
            if chosen is not None and self._beats_on(note, chosen):
                chosen, why_not = None, "two notes that ring on, beating"
            if chosen is None or pitch is None:
                self._n_dropped[why_not] = self._n_dropped.get(why_not, 0) + 1
                continue
            self._last_pitches.append(chosen)
            self._last_level_v = note.level_peak_v
            _date_again(note, bands, chosen.frequency_hz)
            kept.append((note, bands, block, chosen))
        if not kept:
            return
        for bands in {id(bands): bands for _, bands, _, _ in kept}.values():
            self._report([entry for entry in kept if entry[1] is bands], bands)

    def _look_at_strong_parts(
        self,
        waiting: list[tuple[SoundingNote, Bands, NoteBlock]],
        parts: list[FloatArray],
        pitches: list[Pitch | None],
    ) -> dict[int, tuple[Pitch, float]]:
        """By place, the pitch of the strong part of notes that go under in what else sounds, and how long that is."""
        found: dict[int, tuple[Pitch, float]] = {}
        for bands in {id(bands): bands for _, bands, _ in waiting}.values():
            cut: dict[int, FloatArray] = {}
            for place, (note, b, _) in enumerate(waiting):
                pitch = pitches[place]
                if b is bands and pitch is not None and pitch.explained_ratio < _CLEARLY_TONE:
                    part = _strong_part(note, bands, parts[place])
                    if part is not None:
                        cut[place] = part
            some = measure_pitches(list(cut.values()), bands.band_hz, bands.response) if cut else []
            for (place, part), pitch in zip(cut.items(), some, strict=True):
                seconds = len(part) / bands.band_hz
                if pitch is not None and pitch.frequency_hz * seconds >= _LEAST_PERIODS:
                    found[place] = (pitch, seconds)
        return found

    def _beats_on(self, note: SoundingNote, pitch: Pitch) -> bool:
        """Whether this is what two notes near in pitch, ringing on together, swell up to."""
        is_soft = note.level_peak_v < _TAIL_BEAT_LEVEL * self._last_level_v and note.since_last_s < _TAIL_S
        if is_soft and note.novelty_ratio < _OLD_IN_TAIL:
            return any(abs(pitch.frequency_hz / last.frequency_hz - 1.0) <= _SAME_PITCH for last in self._last_pitches)
        if len(self._last_pitches) < 2:
            return False
        low, high = sorted((self._last_pitches[-2].frequency_hz, self._last_pitches[-1].frequency_hz))
        if note.novelty_ratio < _HARDLY_NEW and note.since_last_s < _SWELLS_WITHIN_S and high < _NO_TONE_BETWEEN * low:
            return 1.01 * low < pitch.frequency_hz < 0.99 * high
        if not (note.since_last_s < _RINGS_S or is_soft):
            return False
        if not _SAME_PITCH * low < high - low < _BEATING_HZ or note.level_peak_v >= _BEAT_LEVEL * self._last_level_v:
            return False
        return (1 - _SAME_PITCH) * low <= pitch.frequency_hz <= (1 + _SAME_PITCH) * high

    def _report(self, kept: list[tuple[SoundingNote, Bands, NoteBlock, Pitch]], bands: Bands) -> None:
        """Findings of notes of one run."""
        notes = [note for note, _, _, _ in kept]
        pitches = [pitch for _, _, _, pitch in kept]
        n = np.array([max(note.n, 1) for note in notes])
        sum_v, sum_v2 = np.array([note.sum_v for note in notes]), np.array([note.sum_v2 for note in notes])
        mean_v = sum_v / n
        highest_v, lowest_v = np.array([note.highest_v for note in notes]), np.array([note.lowest_v for note in notes])
        duration_s = np.array([note.end - note.onset for note in notes]) / bands.rate_hz
        names = [name_pitch(pitch.frequency_hz) for pitch in pitches]
        cents = np.array([off for _, off in names])
        pitch_hz = np.array([pitch.frequency_hz for pitch in pitches])
        measured: dict[str, FloatArray] = {
            "pitch_hz": pitch_hz,
            "pitch_cents": cents,
            "level_v": np.array([note.level_peak_v for note in notes]),
            "peak_v": np.maximum(highest_v - mean_v, mean_v - lowest_v),
            "attack_s": np.array([_measure_attack(note, bands) for note in notes]),
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
            self._meters[key] = _SupplyMeter(bands)
        supply = self._meters[key].measure(notes, pitch_hz)
        measured.update(supply.measured)
        evidence.update(supply.evidence)
        texts.update(supply.texts)
        flags = {"supply_before_settled": supply.is_settled}
        numbers = NoteTable(measured, flags, {"pitch_name": texts["pitch_name"]}, {})
        reasons = NoteTable(evidence, flags, texts, {"partials_v": [pitch.amplitudes_v for pitch in pitches]})
        is_deep = supply.measured["sag_percent"] >= SAG_OF_NOTE_PERCENT
        for row, (note, _, block, _) in enumerate(kept):
            severity: Severity = "attention" if is_deep[row] else "information"
            finding = Finding(
                kind="note",
                start_s=block.time_s(note.onset),
                stop_s=block.time_s(note.end),
                severity=severity,
                measured=RowView(numbers, row),
                threshold=_threshold(note.floor_v),
                evidence=RowView(reasons, row),
            )
            self._found.extend([finding])


_THRESHOLDS: dict[float, dict[str, float]] = {}


def _threshold(floor_v: float) -> dict[str, float]:
    """The same object for the same floor: most notes of a day share one."""
    if floor_v not in _THRESHOLDS:
        if len(_THRESHOLDS) > 100:
            _THRESHOLDS.clear()
        _THRESHOLDS[floor_v] = {"floor_v": floor_v, "end_ratio": END_RATIO, "sag_percent": SAG_OF_NOTE_PERCENT}
    return _THRESHOLDS[floor_v]


def _sounding_part(note: SoundingNote, bands: Bands) -> FloatArray:
    """The band while the note sounded, without its attack and its very end."""
    band = _join(note.band)
    duration_s = (note.end - note.onset) / bands.rate_hz
    band = band[: max(0, round(note.end / bands.factor / 2) - note.band_first)]
    skip = round(min(max(0.2 * duration_s, 0.008), 0.080) * bands.band_hz)
    keep_off = 0 if duration_s < 0.150 else round(0.005 * bands.band_hz)
    part: FloatArray = band[skip : len(band) - keep_off]
    return part


def _strong_part(note: SoundingNote, bands: Bands, part: FloatArray) -> FloatArray | None:
    """The part of a note up to where its level falls below `_STRONG_RATIO` of the highest; None where that is nearly
    all of it, or too short, or the beginning did not stand out of what sounded before."""
    if not note.novelty_ratio >= _STANDS_OUT:
        return None
    levels = _join(note.levels)
    if not len(levels):
        return None
    top = int(np.argmax(levels[: round(0.3 * bands.band_hz)]))
    low = np.flatnonzero(levels[top:] < _STRONG_RATIO * levels[top])
    skip = len(_join(note.band)) - len(part)
    n = (top + int(low[0]) if len(low) else len(levels)) - skip
    if n < _LEAST_STRONG_S * bands.band_hz or n > _MOST_OF_IT * len(part):
        return None
    return part[:n]


def _date_again(note: SoundingNote, bands: Bands, pitch_hz: float) -> None:
    """A note that swells began before its rise stood out."""
    if note.band_before is None or note.since_last_s * bands.rate_hz < 1.0:
        return
    if not _measure_attack(note, bands) >= LEAST_ATTACK_S:
        return
    band = np.concatenate((note.band_before, *note.band))
    a_band = bands.factor * BAND_STEP
    before = note.band_first - len(note.band_before)
    at = date_swell(band, round(note.onset / a_band) - before, bands.band_hz, pitch_hz)
    if at is None:
        return
    earliest = note.onset - note.since_last_s * bands.rate_hz
    note.onset = min(max((before + at) * a_band, earliest, 0.0), note.end - 1.0)
    note.onset_basis = "a swell: where its rise, carried back, leaves nothing"


def _judge(
    note: SoundingNote, pitch: Pitch | None, before: Sequence[Pitch], seconds: float, rate_hz: float
) -> tuple[Pitch | None, str]:
    """The pitch, or None and why what sounded is no bass note."""
    if note.end - note.onset < _LEAST_NOTE_S * rate_hz:
        return None, "shorter than 45 ms"
    if note.onset == 0.0 and note.end < _LEAST_CUT_S * rate_hz:
        return None, "shorter than 100 ms and cut off by the beginning of the data"
    is_cut = note.end_basis == "the next note began" and note.end - note.onset < _LEAST_TURNED_S * rate_hz
    if is_cut and note.onset_basis.endswith("(pitch changed)"):
        return None, "shorter than 90 ms between a turn and the next note"
    if note.level_peak_v < note.floor_v:
        return None, "below the floor"
    if pitch is None:
        return None, "no sine fits"
    if not LOWEST_HZ <= pitch.frequency_hz <= HIGHEST_HZ:
        return None, "pitch outside 19 to 123.5 Hz"
    # Noise in the band looks like a tone the more, the shorter it is looked at.
    least = 0.93 if seconds < 0.120 else 0.80 if seconds < 0.300 else 0.55
    if pitch.explained_ratio < least and (pitch.both_ratio < 0.90 or seconds < 0.200):
        return None, "not a tone: too little of it repeats"
    if before and note.since_last_s < _RINGS_S:
        if _is_octave_of_ringing(pitch, before[-1]) or _is_octave_again(pitch, before):
            upper = tuple(pitch.amplitudes_v[1::2])
            return replace(pitch, frequency_hz=2.0 * pitch.frequency_hz, amplitudes_v=upper), ""
        if note.novelty_ratio >= _NEW_BESIDE and _is_new_beside_ringing(pitch, before):
            height_v = float(np.sqrt(pitch.beside_ratio)) * max(pitch.amplitudes_v)
            return replace(
                pitch, frequency_hz=pitch.beside_hz, amplitudes_v=(height_v,), beside_hz=pitch.frequency_hz
            ), ""
    return pitch, ""


def _is_new_beside_ringing(pitch: Pitch, before: Sequence[Pitch]) -> bool:
    """Whether the strongest line is that of the note before, ringing on, and the one beside it is new: of no note of
    late."""
    if not pitch.beside_ratio >= _BESIDE_RATIO or not pitch.amplitudes_v:
        return False
    is_old = [
        [abs(hz / old.frequency_hz - 1.0) <= _SAME_PITCH for old in before]
        for hz in (pitch.frequency_hz, pitch.beside_hz)
    ]
    return is_old[0][-1] and not any(is_old[1])


def _is_octave_of_ringing(pitch: Pitch, last: Pitch) -> bool:
    """Whether the root is that of the note before, ringing on, and what is new lies an octave above: the even partials
    grew much stronger against the root."""
    if abs(pitch.frequency_hz / last.frequency_hz - 1.0) > _SAME_PITCH or 2.0 * pitch.frequency_hz > HIGHEST_HZ:
        return False
    now, then = pitch.amplitudes_v, last.amplitudes_v
    if len(now) < 2 or now[1] <= 1.2 * now[0]:
        return False
    return len(then) < 2 or then[1] * now[0] < 0.4 * now[1] * then[0]


def _is_octave_again(pitch: Pitch, before: Sequence[Pitch]) -> bool:
    """Whether the last note lay an octave above a root that still rings, weaker than it was struck, and comes again."""
    now = pitch.amplitudes_v
    if abs(0.5 * before[-1].frequency_hz / pitch.frequency_hz - 1.0) > _SAME_PITCH or len(now) < 2:
        return False
    roots = [old for old in list(before)[:-1] if abs(pitch.frequency_hz / old.frequency_hz - 1.0) <= _SAME_PITCH]
    return now[1] > 1.2 * now[0] and any(now[0] < 0.5 * old.amplitudes_v[0] for old in roots if old.amplitudes_v)


# Where the mean square over 50 ms reaches 81 % of its largest, and where the envelope reaches 90 %, in closed form
# for rises along a line and along half a cosine, which differ by 1 ms at most.
_AVERAGED_S = (0.0158, 0.0170, 0.0238, 0.0315, 0.0395, 0.0565, 0.0840, 0.1223, 0.2010, 0.3008)
_ATTACK_S = (0.0, 0.001, 0.010, 0.020, 0.030, 0.050, 0.080, 0.120, 0.200, 0.300)


def _measure_attack(note: SoundingNote, bands: Bands) -> float:
    levels = _join(note.levels)
    limit = 0.81 * note.level_peak_v**2
    loud = levels >= limit
    first = int(loud.argmax()) if len(loud) else 0
    if not len(loud) or not loud[first]:
        return _NAN
    at = float(first)
    if first:
        at -= float((levels[first] - limit) / max(levels[first] - levels[first - 1], 1e-12))
    averaged_s = (note.band_first + at) / bands.band_hz - note.onset / bands.rate_hz
    if averaged_s > _AVERAGED_S[-1]:
        return averaged_s
    return float(np.interp(averaged_s, _AVERAGED_S, _ATTACK_S))


@dataclass(frozen=True, slots=True)
class _UnderNotes:
    """Columns about the supply under some notes; NaN where not judged."""

    measured: dict[str, FloatArray]
    evidence: dict[str, FloatArray]
    texts: dict[str, list[str]]
    is_settled: FloatArray


class _SupplyMeter:
    """Measures the supply under notes of one rate."""

    def __init__(self, bands: Bands) -> None:
        self._rate_hz, self._thin_hz = bands.rate_hz, bands.rate_hz / bands.thin_step
        self._lowest = LowestMeter(bands.rate_hz)
        self._recovery = RecoveryFitter(self._thin_hz)
        half = max(1, round(0.5 * SMOOTH_S * bands.rate_hz))
        self._at, self._taps = np.arange(-half, half + 1), parabola_taps(half)

    def measure(self, notes: list[SoundingNote], pitch_hz: FloatArray) -> _UnderNotes:
        """All columns."""
        tails = [note.supply_tail for note in notes if note.supply_tail is not None]
        befores = [note.supply_before for note in notes if note.supply_before is not None]
        if len(tails) < len(notes) or len(befores) < len(notes):
            return self._without(len(notes))
        rate_hz, thin_hz = self._rate_hz, self._thin_hz
        before = measure_before(befores, thin_hz, np.array([note.since_last_s for note in notes]))
        lowest_v, average_s = self._lowest.measure(
            [
                tail if note.supply_around is None else note.supply_around
                for note, tail in zip(notes, tails, strict=True)
            ],
            [note.supply_around_at for note in notes],
        )
        is_seen = np.array([note.supply_around is not None for note in notes])
        lowest_v, average_s = np.where(is_seen, lowest_v, np.nan), np.where(is_seen, average_s, np.nan)
        raw_v = np.array([note.supply_raw_v for note in notes])
        raw_v = np.where(np.isfinite(raw_v), raw_v, np.nan)
        sag_v = before.volts - lowest_v
        sag_percent = np.where(before.volts > 1.0, 100.0 * sag_v / np.maximum(before.volts, 1.0), np.nan)
        n_tail = round(TAIL_S * thin_hz)
        heads = [_join(note.supply_head) for note in notes]
        ripple_v = measure_ripples(tails, thin_hz, 2.0 * pitch_hz)
        angle = (4 * np.pi * pitch_hz / rate_hz)[:, None] * self._at[None, :]
        recovery_s, how = self._recovery.fit([_join([note.supply_after]) for note in notes])
        lowest_at = np.array([_NAN if note.supply_lowest_at is None else note.supply_lowest_at for note in notes])
        end_v = np.array([float(t[-n_tail:].sum()) / min(len(t), n_tail) if len(t) else _NAN for t in tails])
        onset, end = np.array([note.onset for note in notes]), np.array([note.end for note in notes])
        fell_late = fell_at_end(before.volts - end_v, sag_v, (end - lowest_at) / rate_hz, (end - onset) / rate_hz)
        measured = {
            "supply_before_v": before.volts,
            "supply_before_looked_s": before.looked_s,
            "supply_lowest_v": lowest_v,
            "supply_lowest_averaged_v": lowest_v,
            "supply_lowest_raw_v": raw_v,
            "supply_end_v": end_v,
            "sag_v": sag_v,
            "sag_without_end_v": np.where(fell_late, before.volts - end_v, sag_v),
            "sag_percent": sag_percent,
            "sag_slope_v_per_s": measure_slopes(heads, thin_hz, before.volts, before.wobble_v),
            "recovery_s": recovery_s,
            "ripple_v": ripple_v / (np.cos(angle) @ self._taps),  # what the moving parabola leaves of it
        }
        evidence = {
            "supply_before_looked_s": before.looked_s,
            "supply_lowest_raw_v": raw_v,
            "supply_lowest_s_after_onset": (lowest_at - onset) / rate_hz,
            "supply_lowest_parabola_v": np.where(is_seen, np.array([note.supply_smooth_v for note in notes]), np.nan),
            "supply_average_s": average_s,
        }
        texts = {
            "supply_before_not_settled": list(before.why_not),
            "supply_average": [_AVERAGE] * len(notes),
            "recovery": how,
        }
        return _UnderNotes(measured, evidence, texts, before.is_settled.astype(float))

    @staticmethod
    def _without(n: int) -> _UnderNotes:
        nothing = np.full(n, np.nan)
        return _UnderNotes(
            dict.fromkeys(_SUPPLY_MEASURED, nothing),
            dict.fromkeys(_SUPPLY_EVIDENCE, nothing),
            {"supply": ["not judged: no supply channel"] * n},
            nothing,
        )


def _join(pieces: list[FloatArray] | list[FloatArray | None]) -> FloatArray:
    there = [piece for piece in pieces if piece is not None]
    return there[0] if len(there) == 1 else np.concatenate(there) if there else np.empty(0)


_SUPPLY_MEASURED = (
    "supply_before_v",
    "supply_before_looked_s",
    "supply_lowest_v",
    "supply_lowest_averaged_v",
    "supply_lowest_raw_v",
    "supply_end_v",
    "sag_v",
    "sag_without_end_v",
    "sag_percent",
    "sag_slope_v_per_s",
    "recovery_s",
    "ripple_v",
)
_SUPPLY_EVIDENCE = (
    "supply_before_looked_s",
    "supply_lowest_raw_v",
    "supply_lowest_s_after_onset",
    "supply_lowest_parabola_v",
    "supply_average_s",
)
