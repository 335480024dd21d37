"""Follows the notes of one unbroken run: where each begins and ends, and what is summed up while it sounds."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from dataclasses import dataclass
from math import ceil, isfinite, sqrt

import numpy as np

from ampwitness.detect.notes.note_break import Breaks
from ampwitness.detect.notes.note_decimate import BAND_STEP, BLOCKS_AT_ONCE, LEVEL_S, Bands
from ampwitness.detect.notes.note_departure import BEFORE
from ampwitness.detect.notes.note_leaving import Instant, find_clear, only_ends
from ampwitness.detect.notes.note_levels import RISE_RATIO, Levels, find_places, measure_levels
from ampwitness.detect.notes.note_places import (
    EARLIEST_S,
    LATE_AT,
    LEAST_NOISE_V,
    LEAST_NOTE_S,
    MOST_NOISE_V,
    NOVELTY_OF_LATE,
    NOVELTY_OF_PITCH,
    NOVELTY_WHILE_SOUNDING,
    PLAIN_RISE_RATIO,
    RUNAWAY_RATIO,
    STRONG_RISE_RATIO,
    PlaceLooker,
    Step,
)
from ampwitness.detect.notes.note_recovery import RECOVERY_S
from ampwitness.detect.notes.note_runs import NoteBlock
from ampwitness.detect.notes.note_sums import END_RATIO, PITCH_FROM_S, NoteSums
from ampwitness.detect.notes.note_swell import BEFORE_S
from ampwitness.detect.notes.note_turns import Turns
from ampwitness.detect.notes.sounding_note import SoundingNote, join

FLOOR_V = 0.040  # rms in the band: 20 dB above the input's own noise, about 4 mV rms there
FLOOR_OVER_NOISE_RATIO = 10.0
NOVELTY_OF_SOON = 0.50  # the same of a rise that is not strong
NOVELTY_OF_STRUCK = 0.60  # of any rise, that makes it strong enough soon after an onset
NOVELTY_OF_SHORT_KNOWN = 0.30  # of a turn, where the note has not sounded long enough to be predicted well
LEAST_BEFORE_TURN_S = 0.130  # what the prediction needs to know a note by, and no drum's glide lasts
_TAIL_BEATS = ((0.5, 2.0 * END_RATIO), (2.0, 0.04))  # so long after a note, so much of it may still swell up as beats
_DECIDE_BEHIND_S = 0.200
_KEEP_S = 4.6
_KEEP_RAW_S = 0.45
_STILL_SOUNDS_S = 0.016  # half a period of 31 Hz: within this of the next onset a note is not over
_BEAT_S = 0.100
_SETTLED_S = 0.200  # the high-pass of 8 Hz and the 50 ms of the level have forgotten a step
_SOON_S = 0.130  # so soon after an onset only a strong rise is another
_GLIDES_S, _RISE_OF_STRUCK = 0.100, 2.5  # so soon a slide beside a tone looks new, but rises (of power) by less
_LEAPS_S, _LEAPS_RATIO = (0.040, 0.008), 1.5  # ahead: a period of the lowest notes
_CUT_BY_NEXT = "the next note began"
_SHORT_KNOWN = 40  # slow samples
_CARRIED_BACK_FROM_HZ = 30.0
_PERIOD_S, _SOFT_V = 0.040, 0.3  # no longer quiet than that may be a wave's own quiet in each period; rms


@dataclass(frozen=True, slots=True)
class _Stretch:
    """What one block adds: how far notes are decided on, the floor there, and how many places lie up to its end."""

    stop: int  # band sample
    floor_v: float
    n_places: int


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
        self._looker = PlaceLooker(self.bands)
        self._sums = NoteSums(self.bands)
        self._raw_a_band = self.bands.factor * BAND_STEP
        self._turns = Turns(self.bands)
        self._breaks = Breaks(self.bands)
        self._at = 0  # next band sample to decide on
        self._stops: list[int] = []  # how far each of the blocks that wait lets notes be decided on
        self._note: SoundingNote | None = None
        self._waiting: list[SoundingNote] = []
        self._unfollowed: list[SoundingNote] = []  # those of them behind which no other has begun
        self._quiet: deque[float] = deque(maxlen=2)
        self._armed_v2 = np.inf  # lowest level since the last note ended
        self._last_end = -np.inf
        self._last_peak_v = 0.0
        self._levels = Levels(np.empty(0), np.empty(0), np.empty(0))  # from band sample `_first` on
        self._first = 0
        self._clear_hz: dict[Instant, float] = {}  # behind which one pitch sounds, of the places looked at together
        self._extremes: dict[int, tuple[int, float, float]] = {}  # of the level, from one place to the next

    # ---- one block after the other ---------------------------------------------------------------------------------

    def take(self, block: NoteBlock) -> list[SoundingNote]:
        """Look at the next block of the run."""
        bands = self.bands
        bands.append(block.output, block.supply, block.is_last)
        stop = bands.band.stop - (0 if block.is_last else round(_DECIDE_BEHIND_S * bands.band_hz))
        self._stops.append(max(stop, self._at))
        if len(self._stops) < BLOCKS_AT_ONCE and not block.is_last:
            return []
        if len(bands.band.values) > 2:
            self._decide()
        self._stops.clear()
        if block.is_last and self._note is not None:
            self._close(float(bands.output.stop), "the data ended while the note sounded")
        elif self._note is not None:
            self._sums.collect(self._note, self._at, self._levels.around, self._first)
        self._sums.sum_up()
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
            noise_v = min(max(min(self._quiet), LEAST_NOISE_V), MOST_NOISE_V)
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
        steps = self._looker.look_at(places, self._levels, self._first)
        self._turns.expect([step.at for step in steps if step.is_turn])
        smooth = [step for step in steps if self._may_be_smooth(step)]
        are_weak = [self._rises_less(step.at, STRONG_RISE_RATIO) for step in smooth]
        self._breaks.expect([step.onset_slow for step in smooth], are_weak)
        self._clear_hz = find_clear(self.bands.band, self.bands.band_hz, [self._instant(step) for step in smooth])
        self._take_extremes([step.at for step in steps], stretches[-1].stop if stretches else self._at)
        done = 0
        for stretch in stretches:
            self.floor_v = stretch.floor_v
            while done < len(steps) and steps[done].place < stretch.n_places:
                self._take_step(steps[done])
                done += 1
            self._advance(stretch.stop, None)

    def _take_extremes(self, places: list[int], stop: int) -> None:
        """Highest and lowest level from each place to the next, all at once, as they are asked for one by one."""
        edges = sorted(
            {self._at, *(place for place in (*places, *self._looker.empty) if self._at < place < stop), stop}
        )
        around, starts = self._levels.around[: stop - self._first], np.array(edges[:-1], dtype=np.intp) - self._first
        self._extremes = {}
        if len(starts):
            columns = (np.maximum.reduceat(around, starts).tolist(), np.minimum.reduceat(around, starts).tolist())
            self._extremes = dict(zip(edges[:-1], zip(edges[1:], *columns, strict=True), strict=True))

    def _extremes_to(self, to: int) -> tuple[float, float]:
        """Highest and lowest mean square from where the walk stands to a band sample."""
        at, highest, lowest = self._at, 0.0, np.inf
        while at < to and (known := self._extremes.get(at)) is not None:
            at, highest, lowest = known[0], max(highest, known[1]), min(lowest, known[2])
        if at == to:
            return highest, lowest
        part = self._levels.around[self._at - self._first : to - self._first]
        return float(np.maximum.reduce(part)), float(np.minimum.reduce(part))

    def _take_step(self, step: Step) -> None:
        if step.at < self._at:
            return
        self._advance(step.at, step.at)
        if step.at < self._at:
            return
        if self._is_own_quiet(step):
            return
        # What is pulled down and let up again stops by its level or not at all: where nothing begins, that is asked.
        if isfinite(step.end_slow) and isfinite(step.onset_slow):
            self._stop_at(step.end_slow * self.bands.factor)
        self._try_open(step)

    def _is_own_quiet(self, step: Step) -> bool:
        """Whether what falls quiet for a moment and begins again is one wave that does so each period."""
        if self._note is None or not isfinite(step.onset_slow):
            return False
        is_short = step.onset_slow - step.end_slow < _PERIOD_S * self.bands.slow_hz
        # A soft low wave is as still as silence for a moment.
        if not is_short and not (step.is_lull and self._note.level_peak_v < _SOFT_V):
            return False
        return self._breaks.goes_through(self._note.onset / self.bands.factor, step.onset_slow)

    # ---- while nothing new begins ----------------------------------------------------------------------------------

    def _advance(self, to: int, place: int | None) -> None:
        while self._at < to:
            if self._note is None:
                passed = bisect_right(self._looker.empty, self._at)
                if passed < len(self._looker.empty) and self._looker.empty[passed] < to:
                    self._wait(self._looker.empty[passed], self._looker.empty[passed])
                else:
                    self._wait(to, place)
                continue
            note = self._note
            settled = self._settled_at(note)
            if self._at == settled:
                note.level_peak_v = 0.0
            until = min(to, settled) if self._at < settled else to
            highest, lowest = self._extremes_to(until)
            highest = max(note.level_peak_v**2, highest)
            low_v2 = 0.25 * note.floor_v**2
            if lowest >= max(END_RATIO**2 * highest, low_v2):
                note.level_peak_v = sqrt(highest)
                self._at = until
                continue
            part = self._levels.around[self._at - self._first : until - self._first]
            peak = np.maximum.accumulate(np.maximum(part, note.level_peak_v**2))
            below = (part < np.maximum(END_RATIO**2 * peak, low_v2)).nonzero()[0].tolist()
            ended = next((i for i in below if self._stays_low(i, float(part[i]))), None)
            upto = len(part) if ended is None else ended
            if upto:
                note.level_peak_v = sqrt(peak[upto - 1])
            self._at += max(upto, 1)
            if ended is not None:
                self._close(self._sums.last_tenth(self._at, note), "10 % of its peak")
                self._armed_v2 = float(part[ended])

    def _settled_at(self, note: SoundingNote) -> int:
        """From which band sample on the level is the note's: what sounds as the data begin is a step to the band's
        high-pass, whose answer stands up to a sixth above a steady tone."""
        return round(_SETTLED_S * self.bands.band_hz) if note.onset == 0.0 else 0

    def _stays_low(self, i: int, level_v2: float) -> bool:
        behind = self._at - self._first + i + round(0.025 * self.bands.band_hz) - 1
        return float(self._levels.around[min(behind, len(self._levels.around) - 1)]) <= level_v2 * 2.25

    def _wait(self, to: int, place: int | None) -> None:
        """No note sounds: has one begun so slowly that nothing marks its beginning?"""
        highest, least = self._extremes_to(to)
        floor_v = self.floor_v
        since = self._at * self._raw_a_band - self._last_end
        for within_s, ratio in _TAIL_BEATS:
            if since < within_s * self.rate_hz:
                floor_v = max(floor_v, ratio * self._last_peak_v)
        if highest >= floor_v**2:
            part = self._levels.around[self._at - self._first : to - self._first]
            lowest = np.minimum.accumulate(np.minimum(part, self._armed_v2))
            up = np.flatnonzero((part >= floor_v**2) & ((part >= 4.0 * lowest) | (self._armed_v2 > 1e9)))
            for i in up[:1]:
                at = self._at + int(i)
                self._armed_v2 = float(lowest[i])
                if place is not None and at - 2 <= place <= at + round(0.080 * self.bands.band_hz):
                    self._at = to
                    return
                beats = self._looker.beats
                if len(beats) and np.min(np.abs(beats - at)) <= round(_BEAT_S * self.bands.band_hz):
                    self._armed_v2 = float(part[i])  # what went before, swelling again
                    self._at = at + 1
                    return
                if at < round(EARLIEST_S * self.bands.band_hz):
                    self._open(0.0, "already sounding when the data began", np.nan)
                else:
                    self._open(at * self._raw_a_band, "slow: where the level passed the floor", np.nan)
                self._armed_v2 = np.inf
                self._at = at
                return
        self._armed_v2 = min(self._armed_v2, least)
        self._at = to

    # ---- a note begins ---------------------------------------------------------------------------------------------

    def _stop_at(self, raw_at: float) -> None:
        """What sounded stopped here, shortly before a new note."""
        if self._note is not None and raw_at > self._note.onset:
            behind = round((raw_at + 0.060 * self.rate_hz) / self._raw_a_band)
            end = self._sums.last_tenth(behind, self._note, raw_at + 0.004 * self.rate_hz)
            self._close(min(end, raw_at), "10 % of its peak")
            self._armed_v2 = float(self._levels.around[min(self._at - self._first, len(self._levels.around) - 1)])

    def _sounds_from_the_start(self, at: int) -> bool:
        """Whether a place lies as near to where the data begin as one may that `_wait` leaves to be looked at."""
        is_near = self._first == 0 and at < round((EARLIEST_S + 0.080) * self.bands.band_hz)
        return is_near and float(self._levels.around[0]) >= self.floor_v**2

    def _try_open(self, step: Step) -> None:
        at, is_turn, onset_slow, is_lull, novelty = step.at, step.is_turn, step.onset_slow, step.is_lull, step.novelty
        note = self._note
        onset = onset_slow * self.bands.factor
        is_begun = not isfinite(onset) or onset < 0.010 * self.rate_hz
        if note is None and (is_turn or is_begun):  # nothing is known to sound that could turn
            is_early = at < round(EARLIEST_S * self.bands.band_hz) and not is_turn
            if is_early or (is_begun and isfinite(onset)) or (is_turn and self._sounds_from_the_start(at)):
                self._open(0.0, "already sounding when the data began", np.nan)
            return
        if is_begun:
            return
        if note is not None:
            since = onset - note.onset
            if since < (LEAST_BEFORE_TURN_S if is_turn else LEAST_NOTE_S) * self.rate_hz:
                return
            levels = self._levels
            if not is_lull and since < _SOON_S * self.rate_hz:
                here = at - self._first
                rise = levels.ahead[here] / max(levels.before[here], 1e-12)
                least = _RISE_OF_STRUCK if since < _GLIDES_S * self.rate_hz else RISE_RATIO
                is_struck = not is_turn and novelty >= NOVELTY_OF_STRUCK
                is_struck &= rise >= least or (rise >= RISE_RATIO and self._leaps_up(onset_slow))
                if not is_struck and rise < STRONG_RISE_RATIO:
                    return
            if not is_lull and since < BEFORE * self.bands.factor:
                # Judged again by what the note itself did, without what came before it.
                start, both = self._looker.novelty_since(note.onset, at)
                is_late = onset_slow - at * BAND_STEP > LATE_AT and both[1] >= NOVELTY_OF_LATE
                novelty = both[int(is_turn or is_late)]
                is_weak = self._rises_less(at, STRONG_RISE_RATIO)
                if since < _GLIDES_S * self.rate_hz and is_weak and max(both) > RUNAWAY_RATIO:
                    return  # a slide, which prediction carries on to anywhere
                least = NOVELTY_OF_SHORT_KNOWN if is_turn else NOVELTY_OF_SOON
                if start > _SHORT_KNOWN and novelty < least and (is_turn or is_weak):
                    return
            if novelty < (NOVELTY_OF_PITCH if is_turn else NOVELTY_WHILE_SOUNDING) and not is_lull:
                return
            # The same pitch struck again without a rise breaks, which is asked below. Over an octave that rings on, one
            # may lead nowhere and hardly break.
            is_asked = not step.is_over_steady
            if is_asked and is_turn and novelty < NOVELTY_OF_STRUCK and self._turns.stay_at(at):
                return
            if is_asked and self._may_be_smooth(step) and not self._breaks.is_at(onset_slow):
                return
            # Of the lowest notes too few periods lie in what is carried back.
            is_known = self._breaks.pitch_at(onset_slow) >= _CARRIED_BACK_FROM_HZ
            if not is_lull and is_known and self._looker.was_there(onset_slow, novelty, since / self.rate_hz):
                return
            if note.since_last_s * self.rate_hz < 1.0 and not is_lull and self._only_ends(note, step):
                return
            end, how = self._sums.last_tenth(round(onset / self._raw_a_band), note, onset), "10 % of its peak"
            if onset - end < _STILL_SOUNDS_S * self.rate_hz:
                end, how = onset, _CUT_BY_NEXT
            self._close(end, how)
        self._open(onset, "first departure of the waveform" + (" (pitch changed)" if is_turn else ""), novelty)

    def _leaps_up(self, onset_slow: float) -> bool:
        """Whether the waveform swings much further right behind an instant than ahead of it, as no slide does."""
        at, (ahead, behind) = ceil(onset_slow), (round(span_s * self.bands.slow_hz) for span_s in _LEAPS_S)
        before, then = self.bands.high.part(at - ahead, at), self.bands.high.part(at, at + behind)
        return bool(len(before) and len(then) and np.abs(then).max() >= _LEAPS_RATIO * np.abs(before).max())

    def _instant(self, step: Step) -> Instant:
        return step.onset_slow / BAND_STEP, step.at + round(_DECIDE_BEHIND_S * self.bands.band_hz)

    def _only_ends(self, note: SoundingNote, step: Step) -> bool:
        """Whether something older that rang on under the note ends here, and nothing begins."""
        hz = self._clear_hz.get(self._instant(step))
        if hz is None:
            return False
        alone_from = only_ends(self.bands.band, self.bands.band_hz, note.band_first, *self._instant(step), hz)
        note.alone_from = note.alone_from if alone_from is None else alone_from
        return alone_from is not None

    def _may_be_smooth(self, step: Step) -> bool:
        """Whether vibrato, tremolo, or partials that come and go may look like this beginning."""
        return not step.is_lull and isfinite(step.onset_slow) and self._rises_less(step.at, PLAIN_RISE_RATIO)

    def _rises_less(self, at: int, ratio: float) -> bool:
        """Whether the level behind a band sample is less than so many times (of power) that ahead of it."""
        return bool(self._levels.ahead[at - self._first] < ratio * self._levels.before[at - self._first])

    def _open(self, onset: float, basis: str, novelty: float) -> None:
        onset = max(onset, 0.0)
        since_s = max(0.0, (onset - self._last_end) / self.rate_hz)
        note = SoundingNote(onset, basis, novelty, self.floor_v, since_s, self._last_peak_v)
        note.acc_at = ceil(onset)
        note.band_first = -(-note.acc_at // self._raw_a_band)
        note.slow_to = -(-note.acc_at // self.bands.factor)
        band = self.bands.band
        note.band_before = band.part(note.band_first - round(BEFORE_S * self.bands.band_hz), note.band_first)
        for ended in self._unfollowed:
            ended.next_onset = onset
        self._unfollowed.clear()
        if self.bands.supply is not None:
            at = note.acc_at // self.bands.thin_step
            note.supply_before = self.bands.thinned(at - round(0.250 * self.rate_hz / self.bands.thin_step), at)
        self._note = note

    # ---- a note ends -----------------------------------------------------------------------------------------------

    def _close(self, end: float, basis: str) -> None:
        note, self._note = self._note, None
        assert note is not None
        note.end, note.end_basis = max(end, note.onset + 1.0), basis
        stop = ceil(note.end)
        self._sums.close(note, stop, self._levels.around, self._first)
        if basis == _CUT_BY_NEXT:
            self._leave_out_next(note)
        self._last_end, self._last_peak_v = note.end, note.level_peak_v
        if self.bands.supply is not None:
            second = round(1.0 * self.rate_hz)
            a = max(ceil(note.onset), stop - second)
            note.supply_tail = self.bands.thinned(a // self.bands.thin_step, stop // self.bands.thin_step)
        self._waiting.append(note)
        self._unfollowed.append(note)

    def _leave_out_next(self, note: SoundingNote) -> None:
        """The level over 50 ms sees the next note 25 ms ahead: the peak of a note of a few seconds is its own."""
        levels = join(note.levels)
        n = round(note.end / self._raw_a_band - 0.5 * LEVEL_S * self.bands.band_hz) - note.band_first
        if n < len(levels) < PITCH_FROM_S * self.bands.band_hz and n > 0.5 * LEVEL_S * self.bands.band_hz:
            note.levels = [levels[:n]]
            settled = self._settled_at(note)
            note.level_peak_v = sqrt(float(np.maximum.reduce(levels[settled if settled < n else 0 : n])))

    def _finished(self, is_last: bool) -> list[SoundingNote]:
        known_to = self._at * self._raw_a_band
        done, waits = [], []
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
            else:
                waits.append(note)
        self._waiting = waits
        return done
