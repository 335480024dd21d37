"""Follows the notes of one unbroken run: where each begins and ends, and what is summed up while it sounds."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ampwitness.detect.note_bands import SlowBand, measure_centre, measure_levels
from ampwitness.detect.note_onset import Departure, find_departure, measure_novelty
from ampwitness.detect.note_supply import SMOOTH_S, smooth
from ampwitness.detect.streams import RunBlock
from ampwitness.types import FloatArray

FLOOR_V = 0.040  # rms in the band: 20 dB above the input's own noise, about 4 mV rms there
FLOOR_OVER_NOISE_RATIO = 10.0
END_RATIO = 0.10
RISE_DB = 1.5
CENTRE_OCTAVES = 0.040
NOVELTY_WHILE_SOUNDING = 0.15
NOVELTY_OF_PITCH = 0.17
LEAST_NOTE_S = 0.060
LEAST_BEFORE_TURN_S = 0.130  # what the prediction needs to know a note by, and no drum's glide lasts
PITCH_FROM_S = 4.0
_LEAST_NOISE_V, _MOST_NOISE_V = 0.001, 0.020
_DECIDE_BEHIND_S = 0.200
_KEEP_SLOW_S = 1.0
_KEEP_RAW_S = 5.0
_LAG_S = 0.080
_PREDICT_S = 0.230
_LULL_S = 0.012
_SUDDEN_S = 0.003
_STILL_SOUNDS_S = 0.016  # half a period of 31 Hz: within this of the next onset a note is not over
_LULL_RATIO = 0.05
_LULL_NOISE_V = 0.060  # the logger's own noise, with a margin
_PITCH_LEAST_RATIO = 0.63


@dataclass(slots=True)
class SoundingNote:
    """One note while it sounds, then until its recovery is known. Sample numbers count raw samples of the run."""

    onset: float
    onset_basis: str
    novelty_ratio: float | None
    floor_v: float
    since_last_s: float  # infinite: no note before in this run
    end: float | None = None
    end_basis: str = ""
    next_onset: float | None = None
    level_peak_v: float = 0.0
    acc_at: int = 0
    n: int = 0
    sum_v: float = 0.0
    sum_v2: float = 0.0
    highest_v: float = -np.inf
    lowest_v: float = np.inf
    supply_raw_v: float = np.inf
    supply_smooth_v: float = np.inf
    supply_lowest_at: int | None = None
    supply_around: FloatArray | None = None  # 17 ms to either side of the lowest value
    supply_around_at: int = 0
    supply_before: FloatArray | None = None
    supply_tail: FloatArray | None = None  # last second of the note at most
    slow_first: int = 0
    slow_to: int = 0
    slow_highest_v: float = -np.inf
    slow_lowest_v: float = np.inf
    slow: list[FloatArray] = field(default_factory=list)
    n_slow: int = 0
    levels: list[FloatArray] = field(default_factory=list)  # of the first 4 s, one a slow sample
    saturated: bool = False


class RunNotes:
    """Finds the notes of one run. `take` returns those that are complete, recovery included.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, block: RunBlock) -> None:
        self.rate_hz = block.rate_hz
        self.band = SlowBand(block.rate_hz)
        self.output: FloatArray = np.empty(0)
        self.supply: FloatArray | None = np.empty(0) if "supply" in block.volts else None
        self.raw_first = 0
        self._at = 0  # next slow sample to decide on
        self._note: SoundingNote | None = None
        self._waiting: list[SoundingNote] = []
        self._quiet: deque[float] = deque(maxlen=60)
        self._armed_v = np.inf  # lowest level since the last note ended
        self._last_end: float | None = None
        self._last_peak_v = 0.0
        self.floor_v = FLOOR_V

    # ---- one block after the other ---------------------------------------------------------------------------------

    def take(self, block: RunBlock) -> list[SoundingNote]:
        """Look at the next block of the run."""
        self.output = np.concatenate((self.output, block.volts["output"]))
        if self.supply is not None:
            self.supply = np.concatenate((self.supply, block.volts["supply"]))
        self.band.append(block.volts["output"], block.is_last)
        slow_hz = self.band.rate_hz
        if len(self.band.band) > 2:
            self._decide(block.is_last)
        if block.is_last and self._note is not None:
            self._close(self.raw_first + len(self.output), "the data ended while the note sounded")
        done = self._finished(block.is_last)
        self.band.forget(self._at - round(_KEEP_SLOW_S * slow_hz))
        self._forget_raw()
        return done

    def _decide(self, is_last: bool) -> None:
        band = self.band
        back, ahead, level = measure_levels(band.band, band.rate_hz)
        stop = band.stop if is_last else band.stop - round(_DECIDE_BEHIND_S * band.rate_hz)
        if stop <= self._at:
            return
        here = level[self._at - band.first : stop - band.first]
        self._quiet.append(float(np.percentile(here, 10)))
        noise_v = float(np.clip(min(self._quiet), _LEAST_NOISE_V, _MOST_NOISE_V))
        self.floor_v = max(FLOOR_V, FLOOR_OVER_NOISE_RATIO * noise_v)
        candidates = self._find_candidates(back, ahead, noise_v, is_last)
        for at, kind in candidates:
            if at >= stop:
                break
            if at < self._at:
                continue
            self._advance(at, level, candidates)
            self._try_open(at, kind, level)
        self._advance(stop, level, candidates)

    def _find_candidates(
        self, back: FloatArray, ahead: FloatArray, noise_v: float, is_last: bool
    ) -> list[tuple[int, str]]:
        """Slow samples at which the level rises, or the pitch changes, more than around them."""
        band = self.band
        n = len(back)
        margin = 0 if is_last else round(0.110 * band.rate_hz)
        rise_db = 20 * np.log10(np.maximum(ahead, 1e-9) / np.hypot(back, noise_v))
        is_loud = ahead >= self.floor_v
        found = {
            int(i): "rise" for i in _peaks(rise_db, round(0.040 * band.rate_hz)) if rise_db[i] >= RISE_DB and is_loud[i]
        }
        centre_back, centre_ahead = measure_centre(band.band, band.rate_hz)
        turn = np.abs(np.log2(np.maximum(centre_ahead, 1.0) / np.maximum(centre_back, 1.0)))
        # A pitch that turns keeps its level for a while: what fades away turns too.
        later = np.concatenate((ahead[round(0.050 * band.rate_hz) :], np.zeros(round(0.050 * band.rate_hz))))[:n]
        fades = (ahead < _PITCH_LEAST_RATIO * back) | (later < _PITCH_LEAST_RATIO * back)
        turn[(back < self.floor_v) | ~is_loud | fades] = 0.0
        for i in _peaks(turn, round(0.040 * band.rate_hz)):
            near = range(int(i) - round(0.050 * band.rate_hz), int(i) + round(0.050 * band.rate_hz) + 1)
            if turn[i] >= CENTRE_OCTAVES and not any(k in found for k in near):
                found[int(i)] = "pitch"
        return [(i + band.first, kind) for i, kind in sorted(found.items()) if i < n - margin]

    # ---- while nothing new begins ----------------------------------------------------------------------------------

    def _advance(self, to: int, level: FloatArray, candidates: list[tuple[int, str]]) -> None:
        first = self.band.first
        while self._at < to:
            part = level[self._at - first : to - first]
            if self._note is None:
                self._wait(part, to, candidates)
                continue
            note = self._note
            peak = np.maximum.accumulate(np.concatenate(([note.level_peak_v], part)))[1:]
            hold = round(0.025 * self.band.rate_hz)
            below = part < np.maximum(END_RATIO * peak, 0.5 * note.floor_v)
            ended = next((int(i) for i in np.flatnonzero(below) if self._stays_low(int(i), part[i], level, hold)), None)
            upto = len(part) if ended is None else ended
            if upto:
                note.level_peak_v = float(peak[upto - 1])
            self._collect(note, self._at + upto, level)
            self._at += max(upto, 1)
            if ended is not None:
                end, basis = self._refine_end(self._at, level, note)
                self._close(end, basis)
                self._armed_v = float(part[ended])

    def _stays_low(self, i: int, level_v: float, level: FloatArray, hold: int) -> bool:
        behind = level[self._at - self.band.first + i : self._at - self.band.first + i + hold]
        return float(behind[-1]) <= level_v * 1.5

    def _wait(self, part: FloatArray, to: int, candidates: list[tuple[int, str]]) -> None:
        """No note sounds: has one begun so slowly that nothing marks its beginning?"""
        lowest = np.minimum.accumulate(np.concatenate(([self._armed_v], part)))[1:]
        floor_v = self.floor_v
        if self._last_end is not None and self._at * self.band.factor - self._last_end < 0.5 * self.rate_hz:
            floor_v = max(floor_v, 2.0 * END_RATIO * self._last_peak_v)  # its tail may beat
        up = np.flatnonzero((part >= floor_v) & ((part >= 2.0 * lowest) | (lowest >= 1e9)))
        for i in up[:1]:
            at = self._at + int(i)
            near = round(0.080 * self.band.rate_hz)
            ahead = [c for c, _ in candidates if at - 2 <= c <= at + near]
            if ahead:
                self._armed_v = float(lowest[i])
                self._at = min(to, max(ahead[0], self._at + 1))
                return
            if at < round(0.030 * self.band.rate_hz):
                self._open(0.0, "already sounding when the data began", None)
            else:
                self._open(at * self.band.factor, "slow: where the level passed the floor", None)
            self._armed_v = np.inf
            self._at = at
            return
        if len(lowest):
            self._armed_v = float(lowest[-1])
        self._at = to

    # ---- a note begins ---------------------------------------------------------------------------------------------

    def _try_open(self, at: int, kind: str, level: FloatArray) -> None:
        if kind == "pitch" and self._note is None:
            return  # nothing sounds that could turn
        found = self._departure(at, level, novelty_s=0.060 if kind == "pitch" else 0.030)
        if found is None:
            if self._note is None and at < round(0.030 * self.band.rate_hz):
                self._open(0.0, "already sounding when the data began", None)
            return
        departure, onset = found
        note = self._note
        ended = self._is_an_end(onset)
        if ended:
            # What went before stopped shortly before the new note: look again, from the silence between.
            silence_from = onset
            again = self._departure(at, level, after=silence_from)
            if note is not None:
                behind = round((silence_from + 0.060 * self.rate_hz) / self.band.factor)
                self._collect(note, max(note.slow_first + note.n_slow, round(silence_from / self.band.factor)), level)
                self._close(*self._last_tenth(behind, note, None if again is None else again[1]))
                note = None
            if again is None:
                return
            departure, onset = again
        if not ended and self._carries_on(at, onset, kind):
            return
        if note is not None:
            least = NOVELTY_WHILE_SOUNDING if kind == "rise" else NOVELTY_OF_PITCH
            least_s = LEAST_NOTE_S if kind == "rise" else LEAST_BEFORE_TURN_S
            if departure.novelty_ratio < least or onset - note.onset < least_s * self.rate_hz:
                return
            self._collect(note, max(note.slow_first + note.n_slow, round(onset / self.band.factor)), level)
            end, basis = self._last_tenth(round(onset / self.band.factor), note, onset)
            if onset - end < _STILL_SOUNDS_S * self.rate_hz:
                end, basis = onset, "the next note began"
            self._close(end, basis)
        basis = "first departure of the waveform" + (" (pitch changed)" if kind == "pitch" else "")
        self._open(onset, basis, departure.novelty_ratio)

    def _carries_on(self, at: int, onset: float, kind: str) -> bool:
        """Whether the last 200 ms, whatever began or ended in them, carry on into what follows: then it is a beat."""
        is_ringing = self._note is not None or (
            self._last_end is not None and onset - self._last_end < 0.5 * _PREDICT_S * self.rate_hz
        )
        if not is_ringing:
            return False
        band, rate_hz = self.band, self.rate_hz
        raw_at = at * band.factor
        start = max(raw_at - round(_PREDICT_S * rate_hz), self.raw_first, band.first * band.factor)
        n_before = raw_at - round(0.030 * rate_hz) - start
        if n_before < round(0.060 * rate_hz):
            return False
        far = raw_at - start + round((0.060 if kind == "pitch" else 0.030) * rate_hz)
        samples = self.output[start - self.raw_first : start - self.raw_first + far + round(0.010 * rate_hz)]
        slow = band.slow[-(-start // band.factor) - band.first : (start + n_before) // band.factor - band.first]
        novelty = measure_novelty(samples, rate_hz, n_before, raw_at - start, slow, band.rate_hz, far)
        return novelty is not None and novelty < NOVELTY_WHILE_SOUNDING

    def _is_an_end(self, onset: float) -> bool:
        """Whether what was found as a departure is the stop of what went before, not yet the beginning of a note."""
        middle = round(onset) - self.raw_first
        before = self.output[max(0, middle - round(0.025 * self.rate_hz)) : middle]
        first, last = middle + round(0.001 * self.rate_hz), middle + round(0.025 * self.rate_hz)
        behind = self.output[first:last]
        return min(len(before), len(behind)) > 8 and float(np.std(behind)) < 0.25 * float(np.std(before))

    def _departure(
        self,
        at: int,
        level: FloatArray,
        after: float | None = None,
        novelty_s: float = 0.030,
    ) -> tuple[Departure, float] | None:
        band, rate_hz = self.band, self.rate_hz
        raw_at = at * band.factor
        margin = round(0.030 * rate_hz)
        start = max(raw_at - round(_PREDICT_S * rate_hz), self.raw_first)
        if self._note is not None:
            start = max(start, min(round(self._note.onset + 0.010 * rate_hz), raw_at - margin - round(0.030 * rate_hz)))
        elif self._last_end is not None and raw_at - self._last_end > 0.015 * rate_hz:
            start = max(start, round(self._last_end + 0.002 * rate_hz))
        i = max(0, at - round(0.050 * band.rate_hz) - band.first)
        is_silent = after is not None or bool(level[i] < 0.5 * self.floor_v)
        if is_silent and after is None:
            # From the last loud moment on: what came before it is no measure of the silence.
            loud = np.flatnonzero(level[: i + 1] >= 0.5 * self.floor_v)
            if len(loud):
                start = max(start, (band.first + int(loud[-1])) * band.factor)
        start = max(start, self.raw_first)
        if after is not None:
            start = max(start, round(after + 0.0015 * rate_hz))
            margin = min(margin, (raw_at - start) // 2)
        lull = None if after is not None or is_silent else self._find_lull(raw_at, start)
        if lull is not None:
            start, is_silent = lull, True
            margin = raw_at - start - round(_LULL_S * rate_hz)
        n_before = raw_at - margin - start
        if n_before < round(0.010 * rate_hz):
            n_before = round(0.5 * (raw_at - start))
            if n_before < round((0.006 if after is None else 0.002) * rate_hz):
                return None
        stop = min(raw_at + round((novelty_s + 0.020) * rate_hz), self.raw_first + len(self.output))
        samples = self.output[start - self.raw_first : stop - self.raw_first]
        slow_first = -(-start // band.factor)
        slow_stop = (start + n_before) // band.factor
        slow = band.slow[max(0, slow_first - band.first) : slow_stop - band.first] if not is_silent else np.empty(0)
        departure = find_departure(samples, rate_hz, n_before, raw_at - start, slow, band.rate_hz, novelty_s)
        return None if departure is None else (departure, start + departure.at)

    def _find_lull(self, raw_at: int, start: int) -> int | None:
        """Where the last quiet 12 ms before the rise begin: the old note has gone and the new one is not there yet."""
        width = round(_LULL_S * self.rate_hz)
        first = max(start, raw_at - round(0.080 * self.rate_hz))
        part = self.output[first - self.raw_first : raw_at - self.raw_first]
        behind = self.output[raw_at - self.raw_first : raw_at - self.raw_first + round(0.030 * self.rate_hz)]
        if len(part) < 2 * width or len(behind) < width:
            return None
        sums = np.concatenate(([0.0], np.cumsum(part)))
        squares = np.concatenate(([0.0], np.cumsum(part**2)))
        mean = (sums[width:] - sums[:-width]) / width
        rms = np.sqrt(np.maximum((squares[width:] - squares[:-width]) / width - mean**2, 0.0))
        # The flat top of a clipped wave is still, but not at rest.
        rest_first = max(self.raw_first, raw_at - round(0.200 * self.rate_hz)) - self.raw_first
        lately = self.output[rest_first : raw_at - self.raw_first]
        off_v = np.abs(mean - float(lately.mean()))
        rms[off_v > max(4.0 * _LULL_RATIO * float(np.std(behind)), 0.25 * float(lately.std()))] = np.inf
        quietest = float(rms.min())
        strength = float(np.std(behind))
        if quietest > max(_LULL_RATIO * strength, min(3.0 * _LULL_RATIO * strength, _LULL_NOISE_V)):
            return None
        # The last one that is as quiet: nearest to the rise.
        return first + int(np.flatnonzero(rms <= 1.25 * quietest)[-1])

    def _open(self, onset: float, basis: str, novelty: float | None) -> None:
        since_s = np.inf if self._last_end is None else max(0.0, (onset - self._last_end) / self.rate_hz)
        note = SoundingNote(onset, basis, novelty, self.floor_v, since_s)
        note.acc_at = int(np.ceil(onset))
        note.slow_first = -(-int(np.ceil(onset)) // self.band.factor)
        for waiting in self._waiting:
            if waiting.next_onset is None:
                waiting.next_onset = onset
        if self.supply is not None:
            a = max(self.raw_first, note.acc_at - round(0.250 * self.rate_hz))
            note.supply_before = self.supply[a - self.raw_first : note.acc_at - self.raw_first].copy()
        self._note = note

    # ---- a note sounds ---------------------------------------------------------------------------------------------

    def _collect(self, note: SoundingNote, to: int, level: FloatArray) -> None:
        """Take slow samples up to `to`, and raw ones up to 80 ms before."""
        band = self.band
        start = note.slow_first + note.n_slow
        if to > start and note.n_slow < PITCH_FROM_S * band.rate_hz:
            part = band.slow[max(0, start - band.first) : to - band.first]
            note.slow.append(part.copy())
            note.levels.append(level[max(0, start - band.first) : to - band.first].copy())
            note.n_slow += len(part)
        new = band.slow[max(0, max(note.slow_to, note.slow_first) - band.first) : max(0, to - band.first)]
        if len(new):
            note.slow_highest_v = max(note.slow_highest_v, float(new.max()))
            note.slow_lowest_v = min(note.slow_lowest_v, float(new.min()))
            note.slow_to = to
        self._sum_up(note, (to - round(_LAG_S * band.rate_hz)) * band.factor)

    def _sum_up(self, note: SoundingNote, to: int) -> None:
        to = min(to, self.raw_first + len(self.output))
        a = max(note.acc_at, self.raw_first)
        if to <= a:
            return
        part = self.output[a - self.raw_first : to - self.raw_first]
        note.n += len(part)
        note.sum_v += float(part.sum())
        note.sum_v2 += float(part @ part)
        note.highest_v, note.lowest_v = max(note.highest_v, float(part.max())), min(note.lowest_v, float(part.min()))
        if self.supply is not None:
            raw = self.supply[a - self.raw_first : to - self.raw_first]
            note.supply_raw_v = min(note.supply_raw_v, float(raw.min()))
            half = round(0.5 * SMOOTH_S * self.rate_hz)
            lead = min(half, a - self.raw_first)
            wide = smooth(self.supply[a - lead - self.raw_first : to + half - self.raw_first], self.rate_hz)
            part = wide[lead : lead + len(raw)]
            if np.isfinite(part).any():
                lowest = int(np.nanargmin(part))
                if part[lowest] < note.supply_smooth_v:
                    note.supply_smooth_v, note.supply_lowest_at = float(part[lowest]), a + lowest
                    place, around = a + lowest - self.raw_first, round(0.017 * self.rate_hz)
                    first = max(0, place - around, int(np.ceil(note.onset)) - self.raw_first)
                    note.supply_around = self.supply[first : place + around].copy()
                    note.supply_around_at = place - first
        note.acc_at = to

    # ---- a note ends -----------------------------------------------------------------------------------------------

    def _refine_end(self, at: int, level: FloatArray, note: SoundingNote) -> tuple[float, str]:
        """A sudden end is dated on the waveform, read backwards; a decay where it passed 10 % of its peak."""
        band, rate_hz = self.band, self.rate_hz
        i = at - band.first
        earlier = level[max(0, i - round(0.120 * band.rate_hz)) : i]
        loud = np.flatnonzero(earlier > 0.4 * note.level_peak_v)
        fall_s = (len(earlier) - int(loud[-1])) / band.rate_hz if len(loud) else np.inf
        decayed = at * band.factor
        if fall_s > 0.080:
            return self._last_tenth(at, note)
        start = max(self.raw_first, decayed - round(0.120 * rate_hz))
        stop = min(self.raw_first + len(self.output), decayed + round(0.060 * rate_hz))
        samples = self.output[start - self.raw_first : stop - self.raw_first][::-1]
        n_after = stop - (decayed + round(0.006 * rate_hz))
        if n_after < round(0.010 * rate_hz):
            return self._last_tenth(at, note)
        pivot = max(n_after, stop - (decayed - round(0.035 * rate_hz)))
        found = find_departure(samples, rate_hz, n_after, pivot, np.empty(0), band.rate_hz)
        if found is None:
            return self._last_tenth(at, note)
        end = stop - found.at
        # Sudden if it stood above a tenth of its peak right up to there.
        tenth, how = self._last_tenth(at, note)
        if not -0.001 * rate_hz < end - tenth < _SUDDEN_S * rate_hz:
            return tenth, how
        return float(end), "sudden: last departure of the waveform"

    def _last_tenth(self, at: int, note: SoundingNote, before: float | None = None) -> tuple[float, str]:
        """The last instant at which the waveform below 300 Hz reached a tenth of its peak, and before sample `before`
        if that is given."""
        band = self.band
        first = max(band.first, at - round(0.120 * band.rate_hz))
        last = at + round(0.010 * band.rate_hz)
        if before is not None:  # the filter lets a new note be seen 4 ms ahead
            last = min(last, round(before / band.factor) - round(0.004 * band.rate_hz))
        part = band.slow[first - band.first : max(first, last) - band.first]
        mean_v = (
            float(np.mean(np.concatenate(note.slow))) if note.n_slow else float(np.mean(part)) if len(part) else 0.0
        )
        peak_v = max(note.slow_highest_v - mean_v, mean_v - note.slow_lowest_v)
        loud = np.flatnonzero(np.abs(part - mean_v) >= END_RATIO * peak_v)
        place = first + int(loud[-1]) if len(loud) else at
        return float(place * band.factor), "decay: 10 % of its peak"

    def _close(self, end: float, basis: str) -> None:
        note, self._note = self._note, None
        assert note is not None
        note.end, note.end_basis = max(end, note.onset + 1.0), basis
        self._sum_up(note, int(np.ceil(note.end)))
        if self.supply is not None:
            a = max(int(np.ceil(note.onset)), round(note.end - 1.0 * self.rate_hz), self.raw_first)
            note.supply_tail = self.supply[a - self.raw_first : round(note.end) - self.raw_first].copy()
        self._last_end, self._last_peak_v = note.end, note.level_peak_v
        self._waiting.append(note)

    def _finished(self, is_last: bool) -> list[SoundingNote]:
        known_to = self._at * self.band.factor
        done = [
            note
            for note in self._waiting
            if is_last
            or note.next_onset is not None
            or (note.end is not None and known_to - note.end > 3.05 * self.rate_hz)
        ]
        self._waiting = [note for note in self._waiting if note not in done]
        return done

    def supply_after(self, note: SoundingNote, longest_s: float) -> FloatArray | None:
        """The supply from a note's end to the next onset, `longest_s` at most."""
        if self.supply is None or note.end is None:
            return None
        a = int(np.ceil(note.end + 0.0005 * self.rate_hz))
        b = a + round(longest_s * self.rate_hz)
        if note.next_onset is not None:
            b = min(b, int(note.next_onset - 0.001 * self.rate_hz))
        return self.supply[max(a, self.raw_first) - self.raw_first : max(a, b) - self.raw_first]

    def _forget_raw(self) -> None:
        n = len(self.output) - round(_KEEP_RAW_S * self.rate_hz)
        if n > 0:
            self.output = self.output[n:].copy()
            if self.supply is not None:
                self.supply = self.supply[n:].copy()
            self.raw_first += n


def _peaks(values: FloatArray, reach: int) -> npt.NDArray[np.intp]:
    """Indices that are the largest within `reach` to either side (the first of equals)."""
    n = len(values)
    if n == 0:
        return np.empty(0, dtype=np.intp)
    padded = np.concatenate((np.full(reach, -np.inf), values, np.full(reach, -np.inf)))
    largest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    hits = np.flatnonzero(values >= largest)
    if len(hits) < 2:
        return hits
    kept: npt.NDArray[np.intp] = hits[np.concatenate(([True], np.diff(hits) > reach))]
    return kept
