"""Follows the notes of one unbroken run: where each begins and ends, and what is summed up while it sounds."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from dataclasses import dataclass, field
from math import ceil, sqrt
from typing import Literal

import numpy as np

from ampwitness.detect.note_decimate import BAND_STEP, Bands, History
from ampwitness.detect.note_departure import (
    BEFORE,
    BEHIND,
    MARGIN,
    STEADY_RATIO,
    TURN_MARGIN,
    DepartureFinder,
    Departures,
    RawKnees,
)
from ampwitness.detect.note_levels import Levels, find_places, measure_levels
from ampwitness.detect.note_runs import NoteBlock
from ampwitness.detect.note_sag import AROUND_S, HEAD_S, RECOVERY_S
from ampwitness.detect.note_spectrum import HIGHEST_HZ, LOWEST_HZ
from ampwitness.detect.note_swell import BEFORE_S, is_one_swell
from ampwitness.types import FloatArray

FLOOR_V = 0.040  # rms in the band: 20 dB above the input's own noise, about 4 mV rms there
FLOOR_OVER_NOISE_RATIO = 10.0
END_RATIO = 0.10
NOVELTY_WHILE_SOUNDING = 0.21
NOVELTY_OF_PITCH = 0.15
NOVELTY_OF_SOON = 0.50  # the same of a rise that is not strong
NOVELTY_OF_SHORT_KNOWN = 0.30  # of a turn, where the note has not sounded long enough to be predicted well
LATE_AT, NOVELTY_OF_LATE = 14.0, 0.50  # slow samples behind a rise, from which on; of all in its first 60 ms
LEAST_NOTE_S = 0.060
LEAST_BEFORE_TURN_S = 0.130  # what the prediction needs to know a note by, and no drum's glide lasts
PITCH_FROM_S = 4.0
_LEAST_NOISE_V, _MOST_NOISE_V = 0.001, 0.020
_TAIL_BEATS = ((0.5, 2.0 * END_RATIO), (2.0, 0.04))  # so long after a note, so much of it may still swell up as beats
SWELL_WITHIN_S, SWELL_BEHIND_S = 0.250, 0.060  # of a note's beginning; behind the place that is looked at
_DECIDE_BEHIND_S = 0.200
_BLOCKS_AT_ONCE = 3  # looked at together: most of a call's time goes into setting it up
_KEEP_S = 4.6
_KEEP_RAW_S = 0.45
_LAG_S = 0.160
_STILL_SOUNDS_S = 0.016  # half a period of 31 Hz: within this of the next onset a note is not over
_SETTLE_S = 0.010
_EARLIEST_S = 0.030  # what is found before sounded when the data began
_BEAT_S = 0.100
_AFAR_S, _AFAR_NOVELTY = 0.080, 0.05
_RUNAWAY_RATIO = 4.0
_FURTHER = 30  # slow samples
_SOON_S, _SOON_RATIO = 0.130, 4.0  # so soon after an onset only a rise of power by so much is another
_SHORT_KNOWN = 40  # slow samples
_STEEP_RATIO = 100.0  # of power: no beat between two notes does that within 50 ms
_NEARER = 23  # slow samples: the prediction then ends 7 ms before a departure


@dataclass(slots=True, eq=False)
class SoundingNote:
    """One note while it sounds, then until its recovery is known. Sample numbers count raw samples of the run."""

    onset: float
    onset_basis: str
    novelty_ratio: float
    floor_v: float
    since_last_s: float  # infinite: no note before in this run
    end: float = np.nan
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
    supply_around: FloatArray | None = None  # 18 ms to either side of the lowest value
    supply_around_at: int = 0
    supply_before: FloatArray | None = None  # through the moving parabola
    supply_head: list[FloatArray] = field(default_factory=list)
    supply_tail: FloatArray | None = None  # last second of the note at most
    supply_after: FloatArray | None = None
    band_before: FloatArray | None = None  # the last part ahead of the onset
    band_first: int = 0
    n_band: int = 0
    band: list[FloatArray] = field(default_factory=list)
    levels: list[FloatArray] = field(default_factory=list)  # mean squares
    slow_to: int = 0
    n_slow: int = 0
    slow_sum_v: float = 0.0
    slow_highest_v: float = -np.inf
    slow_lowest_v: float = np.inf


@dataclass(frozen=True, slots=True)
class _Stretch:
    """What one block adds: how far notes are decided on, the floor there, and how many places lie up to its end."""

    stop: int  # band sample
    floor_v: float
    n_places: int


@dataclass(frozen=True, slots=True)
class _Step:
    """A place at which something may begin or end."""

    place: int  # its number
    at: int  # band sample
    is_turn: bool
    onset_slow: float  # slow samples; NaN: nothing begins
    is_lull: bool
    novelty: float
    end_slow: float  # where what sounded stops; NaN: it does not


class RunNotes:
    """Finds the notes of one run. `take` returns those that are complete, recovery included.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, block: NoteBlock) -> None:
        self.rate_hz = block.rate_hz
        self.bands = Bands(block.rate_hz, block.supply is not None)
        self.floor_v = FLOOR_V
        self._finder = DepartureFinder(self.bands.slow_taps, self.bands.factor)
        self._knees = RawKnees(block.rate_hz)
        self._raw_a_band = self.bands.factor * BAND_STEP
        self._at = 0  # next band sample to decide on
        self._stops: list[int] = []  # how far each of the blocks that wait lets notes be decided on
        self._note: SoundingNote | None = None
        self._waiting: list[SoundingNote] = []
        self._pieces: list[tuple[SoundingNote, int, int]] = []
        self._quiet: deque[float] = deque(maxlen=2)
        self._armed_v2 = np.inf  # lowest level since the last note ended
        self._beats = np.empty(0, dtype=np.intp)
        self._empty: list[int] = []  # places of this block at which nothing departs
        self._known: dict[tuple[int, int], tuple[float, float]] = {}  # see `_measure_since_each`
        self._last_end = -np.inf
        self._last_peak_v = 0.0
        self._levels = Levels(np.empty(0), np.empty(0), np.empty(0))

    # ---- one block after the other ---------------------------------------------------------------------------------

    def take(self, block: NoteBlock) -> list[SoundingNote]:
        """Look at the next block of the run."""
        bands = self.bands
        bands.append(block.output, block.supply, block.is_last)
        stop = bands.band.stop - (0 if block.is_last else round(_DECIDE_BEHIND_S * bands.band_hz))
        self._stops.append(max(stop, self._at))
        if len(self._stops) < _BLOCKS_AT_ONCE and not block.is_last:
            return []
        if len(bands.band.values) > 2:
            self._decide()
        self._stops.clear()
        if block.is_last and self._note is not None:
            self._close(float(bands.output.stop), "the data ended while the note sounded")
        elif self._note is not None:
            self._collect(self._note, self._at)
        self._sum_up()
        done = self._finished(block.is_last)
        bands.forget(
            self._at - round(_KEEP_S * bands.band_hz), self._at * self._raw_a_band - round(_KEEP_RAW_S * self.rate_hz)
        )
        return done

    def _decide(self) -> None:
        """Find places block by block, look at those of all blocks together, and follow the notes through them."""
        band = self.bands.band
        before, behind = (round(span_s * self.bands.band_hz) for span_s in (1.0, _DECIDE_BEHIND_S))
        skipped = max(0, self._at - before - band.first)  # long ago: not looked at again
        self._first = band.first + skipped
        part = band.values[skipped:]
        levels = self._levels = measure_levels(part, self.bands.band_hz)
        stretches: list[_Stretch] = []
        places: list[tuple[int, bool]] = []
        first = self._at
        for stop in self._stops:
            if stop <= first:
                continue
            here = levels.around[first - self._first : stop - self._first : 10]
            self._quiet.append(float(np.sqrt(np.partition(here, len(here) // 10)[len(here) // 10])))
            noise_v = min(max(min(self._quiet), _LEAST_NOISE_V), _MOST_NOISE_V)
            floor_v = max(FLOOR_V, FLOOR_OVER_NOISE_RATIO * noise_v)
            a = max(0, first - before - self._first)
            around = slice(a, stop + behind - self._first)
            at = self._first + a
            found = find_places(
                part[around], levels.part(around), self.bands.band_hz, first - at, stop - at, noise_v, floor_v
            )
            places += [(place + at, is_turn) for place, is_turn in found]
            stretches.append(_Stretch(stop, floor_v, len(places)))
            first = stop
        self._walk(places, stretches)

    def _walk(self, places: list[tuple[int, bool]], stretches: list[_Stretch]) -> None:
        self._empty, self._known, self._beats = [], {}, self._beats[:0]
        steps = self._look_at(places) if places else []
        done = 0
        for stretch in stretches:
            self.floor_v = stretch.floor_v
            while done < len(steps) and steps[done].place < stretch.n_places:
                self._take_step(steps[done])
                done += 1
            self._advance(stretch.stop, None)

    def _look_at(self, places: list[tuple[int, bool]]) -> list[_Step]:
        """What was found at places, of those at which something may begin or end."""
        at = np.array([place for place, _ in places], dtype=np.intp)
        is_turn = np.array([turn for _, turn in places], dtype=bool)
        here = at - self._first
        is_steep = self._levels.ahead[here] > _STEEP_RATIO * (self._levels.before[here] + _MOST_NOISE_V**2)
        slow_at = at * BAND_STEP
        found = self._look(slow_at, np.zeros(len(at), dtype=np.intp), is_steep)
        # A rise that lies a little ahead of what is new holds hardly any of it in its first 30 ms.
        is_late = (found.at > LATE_AT) & (found.novelty_long >= NOVELTY_OF_LATE)
        novelty = np.where(is_turn | is_late, found.novelty_long, found.novelty_short)
        onset = slow_at + found.at
        is_lull = found.is_lull.copy()
        # Where all that is new lies behind the first 30 ms, the place was too far ahead of it: look from there.
        is_ahead = (found.novelty_short < NOVELTY_WHILE_SOUNDING) & (found.novelty_long >= NOVELTY_OF_LATE)
        rows = np.flatnonzero(is_ahead & ~is_turn & ~is_late & ~found.is_end)
        if len(rows):
            nearer = slow_at[rows] + _FURTHER
            again = self._look(nearer, np.zeros(len(rows), dtype=np.intp), is_steep[rows])
            novelty[rows], onset[rows] = again.novelty_short, nearer + again.at
            is_lull[rows] = again.is_lull
        # A prediction that grew without bound had seen the beginning of the note already: look from further ahead.
        rows = np.flatnonzero((novelty > _RUNAWAY_RATIO) & ~is_lull & ~found.is_end)
        if len(rows):
            ahead = slow_at[rows] - _FURTHER
            again = self._look(ahead, np.zeros(len(rows), dtype=np.intp), is_steep[rows])
            novelty[rows], onset[rows] = again.novelty_long, ahead + again.at
        is_new = novelty >= np.where(is_turn, NOVELTY_OF_PITCH, NOVELTY_WHILE_SOUNDING)
        # A turn in which nothing departs at first, shortly ahead of a rise, is that rise seen from afar.
        rises = at[is_new & ~is_turn]
        if len(rises):
            ahead = rises[np.minimum(np.searchsorted(rises, at), len(rises) - 1)] - at
            is_far = is_turn & (ahead > 0) & (ahead <= round(_AFAR_S * self.bands.band_hz))
            is_new &= ~(is_far & (found.novelty_short < _AFAR_NOVELTY))
        rows = np.flatnonzero(found.is_end & (found.at < 24.0))
        onset[found.is_end] = np.nan
        if len(rows):  # what was found is a stop: look for a departure from the silence behind it
            quiet_from = (BEFORE + np.ceil(found.at[rows] + 2.0)).astype(np.intp)
            again = self._look(slow_at[rows], quiet_from, np.ones(len(rows), dtype=bool), quiet_from)
            onset[rows] = slow_at[rows] + again.at
            is_lull[rows] = True
        rows = np.flatnonzero(is_new & ~is_lull & ~is_turn & np.isfinite(onset))
        onset[rows] = self._look_nearer(onset[rows])
        is_steady = found.unexplained < STEADY_RATIO  # noise and drums turn all the time
        rows = np.flatnonzero(is_new & ~is_lull & is_turn & is_steady & np.isfinite(onset))
        onset[rows] = self._look_from_both_sides(onset[rows])
        rows = np.flatnonzero(is_new & found.is_lull & ~found.is_end & np.isfinite(onset))
        onset[rows] = self._look_closely(onset[rows], slow_at[rows] + found.lull_at[rows])
        self._beats = at[~is_new & ~found.is_end]
        # The last 200 ms, whatever began or ended in them, carry on into what follows: a beat, no note.
        is_looked_at = is_new | found.is_end
        # Where nothing departs no note begins: while one sounds such a place is passed over.
        is_early = at < round(_EARLIEST_S * self.bands.band_hz)
        is_empty = is_looked_at & ~found.is_end & ~np.isfinite(onset) & ~is_early
        self._empty = at[is_empty].tolist()
        self._known = self._measure_since_each(at, np.where(is_looked_at & ~is_empty & ~is_lull, onset, np.nan))
        ends = np.where(found.is_end, slow_at + found.at, np.nan)
        columns = zip(onset.tolist(), is_lull.tolist(), novelty.tolist(), ends.tolist(), strict=True)
        steps = [_Step(k, *place, *row) for k, (place, row) in enumerate(zip(places, columns, strict=True))]
        return [steps[k] for k in np.flatnonzero(is_looked_at & ~is_empty).tolist()]

    def _take_step(self, step: _Step) -> None:
        if step.at < self._at:
            return
        self._advance(step.at, step.at)
        if step.at < self._at:
            return
        if np.isfinite(step.end_slow):
            self._stop_at(step.end_slow * self.bands.factor)
        self._try_open(step.at, step.is_turn, step.onset_slow, step.is_lull, step.novelty)

    def _measure_since_each(self, at: np.ndarray, onset: FloatArray) -> dict[tuple[int, int], tuple[float, float]]:
        """How new what lies behind places is to the notes that may have begun shortly ahead of them, by place and by
        `_start_behind`; all at once, as one by one they would take ten times as long. NaN: not asked for."""
        rows = np.flatnonzero(np.isfinite(onset))
        raw = onset[rows] * self.bands.factor
        keys = []
        for last, row in enumerate(rows.tolist()):
            for since in range(last - 1, -1, -1):
                if not 0.0 <= raw[last] - raw[since] < BEFORE * self.bands.factor:
                    break
                keys.append((int(at[row]), self._start_behind(float(raw[since]), int(at[row]))))
        keys = list(dict.fromkeys(keys))
        if not keys:
            return {}
        slow_at, starts = np.array([(place * BAND_STEP, start) for place, start in keys], dtype=np.intp).T
        short, long = self._finder.measure_novelty(self._around(self.bands.high, slow_at, "constant"), starts)
        return dict(zip(keys, zip(short.tolist(), long.tolist(), strict=True), strict=True))

    def _start_behind(self, note_onset: float, at: int) -> int:
        """First sample around a place that the note since `note_onset` has to itself, its attack left out."""
        start = round((note_onset + _SETTLE_S * self.rate_hz) / self.bands.factor) - at * BAND_STEP + BEFORE
        return min(max(start, 0), BEFORE - 60)

    def _novelty_since(self, note_onset: float, at: int) -> tuple[int, tuple[float, float]]:
        """`_start_behind`, and how new what lies behind the place is over 30 and 60 ms."""
        start = self._start_behind(note_onset, at)
        known = self._known.get((at, start))
        if known is None:
            high = self._around(self.bands.high, np.array([at * BAND_STEP]), "constant")
            short, long = self._finder.measure_novelty(high, np.array([start]))
            known = (float(short[0]), float(long[0]))
        return start, known

    def _look(
        self, slow_at: np.ndarray, starts: np.ndarray, is_steep: np.ndarray, quiet_from: np.ndarray | None = None
    ) -> Departures:
        """Departures at places of the slow signals."""
        slow = self._around(self.bands.slow, slow_at, "edge").astype(np.float64)
        return self._finder.find(slow, self._around(self.bands.high, slow_at, "constant"), starts, is_steep, quiet_from)

    def _around(self, signal: History, at: np.ndarray, ahead: Literal["edge", "constant"]) -> FloatArray:
        """(k, BEFORE + BEHIND) samples around places; behind the last it goes on, ahead of the run too or is silent."""
        values, begin = signal.values, at - BEFORE - signal.first
        n_ahead, n_behind = max(0, -int(begin.min())), max(0, int(begin.max()) + BEFORE + BEHIND - len(values))
        if n_ahead:
            values = np.pad(values, (n_ahead, 0), ahead)
        if n_behind:
            values = np.pad(values, (0, n_behind), "edge")
        out: FloatArray = np.lib.stride_tricks.sliding_window_view(values, BEFORE + BEHIND)[begin + n_ahead]
        return out

    def _look_nearer(self, onset: FloatArray) -> FloatArray:
        """The same departures, predicted from right before them: over a shorter way the prediction drifts less."""
        rows, seen = np.arange(len(onset)), np.full(len(onset), -1)
        for _ in range(2):
            places = np.round(onset[rows]).astype(np.intp) + _NEARER
            rows, places = rows[places != seen[rows]], places[places != seen[rows]]
            if not len(rows):
                break
            seen[rows] = places
            found = self._look(places, np.zeros(len(rows), dtype=np.intp), np.zeros(len(rows), dtype=bool))
            moved = places + found.at
            onset[rows] = np.where(
                np.isfinite(moved) & ~found.is_lull & (moved < onset[rows] + 40.0), moved, onset[rows]
            )
        return onset

    def _look_from_both_sides(self, onset: FloatArray) -> FloatArray:
        """Turns of the pitch, dated by what sounds before and what sounds behind."""
        if not len(onset):
            return onset
        middle = np.round(onset).astype(np.intp)
        off = MARGIN - TURN_MARGIN
        ahead = self._around(self.bands.high, middle + off, "constant")
        # Reversed in time the sample at `middle - off` is the place: as many lie ahead of it as else lie behind.
        behind = self._around(self.bands.high, middle - off + BEFORE - BEHIND + 1, "constant")[:, ::-1]
        return np.where(np.isfinite(at := self._finder.date_turns(ahead, behind)), middle + at, onset)

    def _look_closely(self, onset: FloatArray, lull_from: np.ndarray) -> FloatArray:
        """Departures from silence, on the samples as they came where those stand out of the noise."""
        if not len(onset):
            return onset
        raw, factor, knees = self.bands.output, self.bands.factor, self._knees
        middle = np.round(onset * factor).astype(np.intp)
        places = middle[:, None] + np.arange(-knees.before, knees.behind)[None, :]
        samples = raw.values[np.clip(places - raw.first, 0, len(raw.values) - 1)].astype(np.float64)
        at = knees.find(samples, np.maximum(lull_from * factor - middle + knees.before, 0))
        return np.where(np.isfinite(at), (middle - knees.before + at) / factor, onset)

    # ---- while nothing new begins ----------------------------------------------------------------------------------

    def _advance(self, to: int, place: int | None) -> None:
        while self._at < to:
            if self._note is None:
                passed = bisect_right(self._empty, self._at)
                if passed < len(self._empty) and self._empty[passed] < to:
                    self._wait(self._empty[passed], self._empty[passed])
                else:
                    self._wait(to, place)
                continue
            part = self._levels.around[self._at - self._first : to - self._first]
            note = self._note
            highest = max(note.level_peak_v**2, float(np.maximum.reduce(part)))
            low_v2 = 0.25 * note.floor_v**2
            if float(np.minimum.reduce(part)) >= max(END_RATIO**2 * highest, low_v2):
                note.level_peak_v = sqrt(highest)
                self._at = to
                return
            peak = np.maximum.accumulate(np.maximum(part, note.level_peak_v**2))
            below = (part < np.maximum(END_RATIO**2 * peak, low_v2)).nonzero()[0].tolist()
            ended = next((i for i in below if self._stays_low(i, float(part[i]))), None)
            upto = len(part) if ended is None else ended
            if upto:
                note.level_peak_v = sqrt(peak[upto - 1])
            self._at += max(upto, 1)
            if ended is not None:
                self._close(self._last_tenth(self._at, note), "10 % of its peak")
                self._armed_v2 = float(part[ended])

    def _stays_low(self, i: int, level_v2: float) -> bool:
        behind = self._at - self._first + i + round(0.025 * self.bands.band_hz) - 1
        return float(self._levels.around[min(behind, len(self._levels.around) - 1)]) <= level_v2 * 2.25

    def _wait(self, to: int, place: int | None) -> None:
        """No note sounds: has one begun so slowly that nothing marks its beginning?"""
        part = self._levels.around[self._at - self._first : to - self._first]
        floor_v = self.floor_v
        since = self._at * self._raw_a_band - self._last_end
        for within_s, ratio in _TAIL_BEATS:
            if since < within_s * self.rate_hz:
                floor_v = max(floor_v, ratio * self._last_peak_v)
        if float(np.maximum.reduce(part)) >= floor_v**2:
            lowest = np.minimum.accumulate(np.minimum(part, self._armed_v2))
            up = np.flatnonzero((part >= floor_v**2) & ((part >= 4.0 * lowest) | (self._armed_v2 > 1e9)))
            for i in up[:1]:
                at = self._at + int(i)
                self._armed_v2 = float(lowest[i])
                if place is not None and at - 2 <= place <= at + round(0.080 * self.bands.band_hz):
                    self._at = to
                    return
                if len(self._beats) and np.min(np.abs(self._beats - at)) <= round(_BEAT_S * self.bands.band_hz):
                    self._armed_v2 = float(part[i])  # what went before, swelling again
                    self._at = at + 1
                    return
                if at < round(_EARLIEST_S * self.bands.band_hz):
                    self._open(0.0, "already sounding when the data began", np.nan)
                else:
                    self._open(at * self._raw_a_band, "slow: where the level passed the floor", np.nan)
                self._armed_v2 = np.inf
                self._at = at
                return
        self._armed_v2 = min(self._armed_v2, float(np.minimum.reduce(part)))
        self._at = to

    # ---- a note begins ---------------------------------------------------------------------------------------------

    def _stop_at(self, raw_at: float) -> None:
        """What sounded stopped here, shortly before a new note."""
        if self._note is not None and raw_at > self._note.onset:
            behind = round((raw_at + 0.060 * self.rate_hz) / self._raw_a_band)
            self._close(
                min(self._last_tenth(behind, self._note, raw_at + 0.004 * self.rate_hz), raw_at), "10 % of its peak"
            )

    def _try_open(self, at: int, is_turn: bool, onset_slow: float, is_lull: bool, novelty: float) -> None:
        note = self._note
        if is_turn and note is None:
            return  # nothing sounds that could turn
        onset = onset_slow * self.bands.factor
        if not np.isfinite(onset) or onset < 0.010 * self.rate_hz:
            if note is None and at < round(_EARLIEST_S * self.bands.band_hz):
                self._open(0.0, "already sounding when the data began", np.nan)
            return
        if note is not None:
            since = onset - note.onset
            if since < (LEAST_BEFORE_TURN_S if is_turn else LEAST_NOTE_S) * self.rate_hz:
                return
            levels = self._levels
            if not is_lull and since < _SOON_S * self.rate_hz:
                here = at - self._first
                if levels.ahead[here] < _SOON_RATIO * levels.before[here]:
                    return
            if not is_lull and since < BEFORE * self.bands.factor:
                # Judged again by what the note itself did, without what came before it.
                start, both = self._novelty_since(note.onset, at)
                novelty = both[int(is_turn)]
                if start > _SHORT_KNOWN and novelty < (NOVELTY_OF_SHORT_KNOWN if is_turn else NOVELTY_OF_SOON):
                    here = at - self._first
                    if is_turn or levels.ahead[here] < _SOON_RATIO * levels.before[here]:
                        return
            if novelty < (NOVELTY_OF_PITCH if is_turn else NOVELTY_WHILE_SOUNDING) and not is_lull:
                return
            if onset - note.onset < LEAST_NOTE_S * self.rate_hz:
                return
            if not is_lull and since < SWELL_WITHIN_S * self.rate_hz and self._goes_on(note, at):
                return
            end, how = self._last_tenth(round(onset / self._raw_a_band), note, onset), "10 % of its peak"
            if onset - end < _STILL_SOUNDS_S * self.rate_hz:
                end, how = onset, "the next note began"
            self._close(end, how)
        self._open(onset, "first departure of the waveform" + (" (pitch changed)" if is_turn else ""), novelty)

    def _goes_on(self, note: SoundingNote, at: int) -> bool:
        """Whether what sounds swells on through here, and nothing new begins."""
        bands = self.bands
        part = bands.band.part(note.band_first, at + round(SWELL_BEHIND_S * bands.band_hz))
        return is_one_swell(part, bands.band_hz, LOWEST_HZ, HIGHEST_HZ)

    def _open(self, onset: float, basis: str, novelty: float) -> None:
        onset = max(onset, 0.0)
        since_s = max(0.0, (onset - self._last_end) / self.rate_hz)
        note = SoundingNote(onset, basis, novelty, self.floor_v, since_s)
        note.acc_at = ceil(onset)
        note.band_first = -(-note.acc_at // self._raw_a_band)
        note.slow_to = -(-note.acc_at // self.bands.factor)
        band = self.bands.band
        note.band_before = band.part(note.band_first - round(BEFORE_S * self.bands.band_hz), note.band_first).copy()
        for waiting in self._waiting:
            if waiting.next_onset is None:
                waiting.next_onset = onset
        if self.bands.supply is not None:
            at = note.acc_at // self.bands.thin_step
            note.supply_before = self.bands.thinned(at - round(0.250 * self.rate_hz / self.bands.thin_step), at)
        self._note = note

    # ---- a note sounds ---------------------------------------------------------------------------------------------

    def _collect(self, note: SoundingNote, to: int) -> None:
        """Take band samples up to `to`, and mark raw ones up to some time before to be summed up."""
        bands = self.bands
        start = note.band_first + note.n_band
        if to > start and note.n_band < PITCH_FROM_S * bands.band_hz:
            part = bands.band.part(start, to)
            note.band.append(part.copy())
            levels = self._levels.around[max(0, start - self._first) : max(0, to - self._first)]
            note.levels.append(levels.copy())
            note.n_band += len(part)
        self._see_slow(note, to * BAND_STEP)
        self._mark(note, to * self._raw_a_band - round(_LAG_S * self.rate_hz))

    def _see_slow(self, note: SoundingNote, to: int) -> None:
        if to <= note.slow_to:
            return
        part = self.bands.slow.part(note.slow_to, to)
        if len(part):
            # The ufuncs themselves: the methods of an array take twice as long on so few samples.
            note.slow_highest_v = max(note.slow_highest_v, float(np.maximum.reduce(part)))
            note.slow_lowest_v = min(note.slow_lowest_v, float(np.minimum.reduce(part)))
            note.slow_sum_v += float(np.add.reduce(part))
            note.n_slow += len(part)
            note.slow_to = to

    def _mark(self, note: SoundingNote, to: int) -> None:
        to = min(to, self.bands.output.stop)
        if to > note.acc_at:
            self._pieces.append((note, note.acc_at, to))
            note.acc_at = to

    def _sum_up(self) -> None:
        """Sums and extremes of all pieces that were marked."""
        pieces, self._pieces = self._pieces, []
        if not pieces:
            return
        bands = self.bands
        edges = np.array([(a, b) for _, a, b in pieces], dtype=np.intp).reshape(-1)
        raw = bands.output.values
        at = edges - bands.output.first
        sums, squares = _reduce(np.add, raw, at), _reduce(np.add, raw * raw, at)
        highest, lowest = _reduce(np.maximum, raw, at), _reduce(np.minimum, raw, at)
        supply = None
        if bands.supply is not None:
            supply = _reduce(np.minimum, bands.supply.values, edges - bands.supply.first)
        for place, (note, a, b) in enumerate(pieces):
            note.n += b - a
            note.sum_v += sums[place]
            note.sum_v2 += squares[place]
            note.highest_v, note.lowest_v = max(note.highest_v, highest[place]), min(note.lowest_v, lowest[place])
            if supply is not None:
                note.supply_raw_v = min(note.supply_raw_v, supply[place])
                self._see_supply(note, a, b)

    def _see_supply(self, note: SoundingNote, a: int, b: int) -> None:
        bands = self.bands
        assert bands.supply is not None
        first, last = -(-a // bands.step), -(-b // bands.step)
        part = bands.parabola.part(first, last)
        if not len(part):
            return
        wanted = round(HEAD_S * self.rate_hz / bands.thin_step) - sum(map(len, note.supply_head))
        if wanted > 0:
            begin = -(-a // bands.thin_step)
            note.supply_head.append(bands.thinned(begin, min(begin + wanted, -(-b // bands.thin_step))))
        lowest = int(part.argmin())
        if part[lowest] < note.supply_smooth_v:
            note.supply_smooth_v, note.supply_lowest_at = float(part[lowest]), (first + lowest) * bands.step
            around = round(AROUND_S * self.rate_hz)
            begin = max(note.supply_lowest_at - around, ceil(note.onset), bands.supply.first)
            note.supply_around = bands.supply.part(begin, note.supply_lowest_at + around).copy()
            note.supply_around_at = note.supply_lowest_at - begin

    # ---- a note ends -----------------------------------------------------------------------------------------------

    def _last_tenth(self, at: int, note: SoundingNote, before: float | None = None) -> float:
        """The last instant at which the waveform below 300 Hz reached a tenth of its peak, ahead of raw sample `before`
        if that is given."""
        bands = self.bands
        last = at * BAND_STEP + 10
        if before is not None:  # the filter lets a new note be seen 4 ms ahead
            last = min(last, int(before / bands.factor) - 4)
        self._see_slow(note, min(last, at * BAND_STEP))
        first = max(bands.slow.first, at * BAND_STEP - 120, int(note.onset / bands.factor))
        if last <= first or note.n_slow == 0:
            return float(at * self._raw_a_band)
        mean_v = note.slow_sum_v / note.n_slow
        size = np.abs(bands.slow.part(first, last) - mean_v)
        limit_v = END_RATIO * max(note.slow_highest_v - mean_v, mean_v - note.slow_lowest_v)
        loud = (size >= limit_v).nonzero()[0]
        if not len(loud):
            return float(at * self._raw_a_band)
        i = int(loud[-1])
        more = 0.0 if i + 1 >= len(size) else float((size[i] - limit_v) / max(size[i] - size[i + 1], 1e-9))
        return (first + i + min(more, 1.0)) * bands.factor

    def _close(self, end: float, basis: str) -> None:
        note, self._note = self._note, None
        assert note is not None
        note.end, note.end_basis = max(end, note.onset + 1.0), basis
        stop = ceil(note.end)
        self._collect(note, -(-stop // self._raw_a_band))
        self._mark(note, stop)
        self._last_end, self._last_peak_v = note.end, note.level_peak_v
        if self.bands.supply is not None:
            second = round(1.0 * self.rate_hz)
            a = max(ceil(note.onset), stop - second)
            note.supply_tail = self.bands.thinned(a // self.bands.thin_step, stop // self.bands.thin_step)
        self._waiting.append(note)

    def _finished(self, is_last: bool) -> list[SoundingNote]:
        known_to = self._at * self._raw_a_band
        done = []
        for note in self._waiting:
            if is_last or note.next_onset is not None or known_to - note.end > (RECOVERY_S + 0.05) * self.rate_hz:
                if self.bands.supply is not None:
                    a = ceil(note.end + 0.0005 * self.rate_hz)
                    b = a + round(RECOVERY_S * self.rate_hz)
                    if note.next_onset is not None:
                        b = min(b, int(note.next_onset - 0.001 * self.rate_hz))
                    step = self.bands.thin_step
                    note.supply_after = self.bands.thinned(-(-a // step), max(-(-a // step), b // step))
                done.append(note)
        self._waiting = [note for note in self._waiting if note not in done]
        return done


def _reduce(function: np.ufunc, values: FloatArray, edges: np.ndarray) -> list[float]:
    """A reduction over values[edges[0]:edges[1]], values[edges[2]:edges[3]], ... in order."""
    starts = edges
    if edges[-1] >= len(values):
        starts = edges[:-1]
    out: list[float] = function.reduceat(values, starts)[::2].tolist()
    return out
