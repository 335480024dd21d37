"""What begins or ends at places of a run where its level rises or its pitch turns."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from ampwitness.detect.notes.note_decimate import BAND_STEP, Bands, History
from ampwitness.detect.notes.note_departure import (
    BEFORE,
    BEHIND,
    MARGIN,
    STEADY_RATIO,
    TURN_MARGIN,
    DepartureFinder,
    Departures,
)
from ampwitness.detect.notes.note_knees import RawKnees
from ampwitness.detect.notes.note_levels import RISE_RATIO, Levels
from ampwitness.types import FloatArray

NOVELTY_WHILE_SOUNDING = 0.21
NOVELTY_OF_PITCH = 0.15
NOVELTY_OF_FAINT = 0.60
LATE_AT, NOVELTY_OF_LATE = 14.0, 0.50  # slow samples behind a rise, from which on; of all in its first 60 ms
LEAST_NOISE_V, MOST_NOISE_V = 0.001, 0.020
_SETTLE_S = 0.010
LEAST_NOTE_S = 0.060
EARLIEST_S = 0.030  # what is found before sounded when the data began
_AFAR_S, _AFAR_NOVELTY = 0.080, 0.05
STRONG_RISE_RATIO = 4.0  # of power
PLAIN_RISE_RATIO = 16.0  # of power: vibrato, tremolo and what sounds on under something else rise by 4, swells by 14
_SAME_BEGINNING_S = 0.020
LEAST_TURNED_S = 0.090  # of a note that began with a turn and was cut off by the next: the next one, seen from afar
RUNAWAY_RATIO, _FAR_AWAY_RATIO = 4.0, 30.0
_FURTHER = 30  # slow samples
_BEHIND_PLACE, _SAME_DEPARTURE = 8.0, 5.0  # slow samples
_LITTLE_FURTHER, _NONE_YET, _SOME_LATER, _TURNS_THERE = 15, 0.30, 0.10, 0.25  # slow samples; of novelty
_STEEP_RATIO = 100.0  # of power: no beat between two notes does that within 50 ms
_LEAST_FALL = 5.0  # slow samples: a shorter one at a turn of the pitch is chance as often as not
_LEAST_QUIET = 20  # slow samples behind a stop, in which silence is looked for
_NEARER = 23  # slow samples: the prediction then ends 7 ms before a departure
_THERE_BEFORE, _MOSTLY_ENDED = 0.20, 0.30  # of energy in the 60 ms ahead, not carried back; of what is new behind
_SOUNDS_ON_S, _SOUNDS_ON_RATIO = 0.050, 0.25  # behind a place at which something falls; of power
_OWN_QUIET = 20.0  # slow samples: longer than that no bass note is quiet within a period
_DRUM_S, _THERE_YOUNG, _YOUNG_ENDED = (0.150, 0.250), 0.30, 0.50  # the same within a drum's length of a beginning
_PURE_RATIO = 0.002  # as STEADY_RATIO: a tone under a drum leaves a tenth of that, one struck again and again thrice it

# A tone that swings by a few cents leaves 5e-5, and over 60 ms more of it seems new than over 30.
_STEADIEST_RATIO, _NEW_OVER_STEADY = 2e-5, 0.40  # as STEADY_RATIO; of energy, over 30 and over 60 ms
_PULLED_DOWN = 0.75  # of power: to half of that where something else pulls a tone down


class Step(NamedTuple):
    """A place at which something may begin or end."""

    place: int  # its number
    at: int  # band sample
    is_turn: bool
    onset_slow: float  # slow samples; NaN: nothing begins
    is_lull: bool
    novelty: float
    end_slow: float  # where what sounded stops; NaN: it does not
    is_over_steady: bool  # it stands out of tones so steady that nothing of them can be new


class _Seen:
    """Places that are looked at together, (k,) arrays each, and what is known of them so far.

    `at`, `slow_at` : band and slow samples; `found` : as they were looked at first; `end_at` : of a stop, slow samples
    behind the place; the others as in `Departures` and `Step`
    """

    def __init__(
        self, at: np.ndarray, is_turn: np.ndarray, is_steep: np.ndarray, rise: FloatArray, found: Departures
    ) -> None:
        self.at, self.slow_at, self.is_turn = at, at * BAND_STEP, is_turn
        self.is_steep, self.rise, self.found = is_steep, rise, found
        self.is_faint = ~is_turn & (rise < RISE_RATIO)
        # A rise that lies a little ahead of what is new holds hardly any of it in its first 30 ms.
        self.is_late = (found.at > LATE_AT) & (found.novelty_long >= NOVELTY_OF_LATE)
        self.novelty: FloatArray = np.where(is_turn | self.is_late, found.novelty_long, found.novelty_short)
        self.onset: FloatArray = self.slow_at + found.at
        self.is_lull, self.fell = found.is_lull.copy(), found.fell.copy()
        self.is_end, self.end_at = found.is_end.copy(), found.at.copy()
        self.falls_silent = found.falls_silent.copy()


class PlaceLooker:
    """Looks at the places of one run.

    `empty`: band samples of those looked at last at which nothing departs; `beats`: those at which what sounded carries
    on, swelling.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, bands: Bands) -> None:
        self.bands = bands
        self.rate_hz = bands.rate_hz
        self.empty: list[int] = []
        self.beats = np.empty(0, dtype=np.intp)
        self._finder = DepartureFinder(bands.slow_taps, bands.factor)
        self._knees = RawKnees(bands.rate_hz)
        self._known: dict[tuple[int, int], tuple[float, float]] = {}  # see `_measure_since_each`
        self._backwards: dict[int, tuple[float, float, float]] = {}  # see `_measure_backwards`

    def look_at(self, places: list[tuple[int, bool]], levels: Levels, first: int) -> list[Step]:
        """What was found at places, of those at which something may begin or end.

        Parameters
        ----------
        places : band samples, and whether it is a turn of the pitch
        levels : of the band from sample `first` on
        """
        self.empty, self._known, self._backwards, self.beats = [], {}, {}, self.beats[:0]
        if not places:
            return []
        at = np.array([place for place, _ in places], dtype=np.intp)
        is_turn = np.array([turn for _, turn in places], dtype=bool)
        here = at - first
        is_steep = levels.ahead[here] > _STEEP_RATIO * (levels.before[here] + MOST_NOISE_V**2)
        rise = levels.ahead[here] / np.maximum(levels.before[here], 1e-12)
        seen = _Seen(
            at, is_turn, is_steep, rise, self._look(at * BAND_STEP, np.zeros(len(at), dtype=np.intp), is_steep)
        )
        self._look_from_behind(seen)
        self._look_from_ahead(seen)
        is_new = self._find_new(seen)
        self._look_behind_stops(seen, levels, here)
        self._date_again(seen, is_new)
        return self._take_steps(seen, is_new)

    def _look_from_behind(self, seen: _Seen) -> None:
        """Look again where the place lay ahead of what is new."""
        found, rise = seen.found, seen.rise
        # Where all that is new lies behind the first 30 ms, the place was too far ahead of it: look from there.
        # A strong rise is worth that look with less: what rings on may hold most of the first 60 ms.
        is_strong = rise >= STRONG_RISE_RATIO
        least = np.where(is_strong, NOVELTY_WHILE_SOUNDING, NOVELTY_OF_LATE)
        is_ahead = (found.novelty_short < NOVELTY_WHILE_SOUNDING) & (found.novelty_long >= least)
        rows = np.flatnonzero(is_ahead & ~seen.is_turn & ~seen.is_late & ~found.is_end)
        if len(rows):
            nearer, again = self._look_again(seen, rows, _FURTHER)
            seen.novelty[rows], seen.onset[rows] = again.novelty_short, nearer + again.at
            seen.is_lull[rows], seen.fell[rows] = again.is_lull, again.fell
        # A turn that lies a little further on leaves next to nothing new in the first 30 ms: the same.
        is_further = (found.novelty_short < _NONE_YET * found.novelty_long) & (found.novelty_long >= _SOME_LATER)
        is_further &= seen.is_turn & (seen.novelty < NOVELTY_OF_PITCH)
        is_further &= (found.unexplained < STEADY_RATIO) & ~found.is_end
        rows = np.flatnonzero(is_further & ~seen.is_lull)
        if len(rows):
            nearer, again = self._look_again(seen, rows, _LITTLE_FURTHER)
            rows, at_last = rows[again.novelty_long >= _TURNS_THERE], again.novelty_long >= _TURNS_THERE
            seen.novelty[rows], seen.onset[rows] = again.novelty_long[at_last], (nearer + again.at)[at_last]
        # Of what departs from a steady tone behind the place, what is new is asked from there on.
        is_behind = (found.at > _BEHIND_PLACE) & (seen.novelty < NOVELTY_WHILE_SOUNDING)
        is_behind &= (found.unexplained < _PURE_RATIO) & ~seen.is_turn & (rise >= RISE_RATIO)
        is_behind &= (found.fell == 0.0) & ~found.is_end & ~seen.is_lull
        rows = np.flatnonzero(is_behind)
        if len(rows):
            _, again = self._look_again(seen, rows, np.round(found.at[rows]).astype(np.intp))
            is_same = np.abs(again.at) <= _SAME_DEPARTURE
            seen.novelty[rows[is_same]] = np.minimum(again.novelty_short, again.novelty_long)[is_same]

    def _look_from_ahead(self, seen: _Seen) -> None:
        """Look again where the place lay behind the beginning."""
        # A prediction that grew without bound had seen the beginning of the note already: look from further ahead.
        is_runaway = (seen.novelty > RUNAWAY_RATIO) & ((seen.fell == 0.0) | (seen.novelty > _FAR_AWAY_RATIO))
        rows = np.flatnonzero(is_runaway & ~seen.is_lull & ~seen.found.is_end)
        if len(rows):
            ahead, again = self._look_again(seen, rows, -_FURTHER)
            seen.novelty[rows], seen.onset[rows] = again.novelty_long, ahead + again.at
            seen.fell[rows], seen.is_end[rows], seen.end_at[rows] = again.fell, again.is_end, again.at - _FURTHER
            seen.falls_silent[rows] = again.falls_silent
        # A strong rise of which nothing departs: its beginning lies ahead of the place, in what counts as noise there.
        is_hidden = (seen.rise >= RISE_RATIO) & ~np.isfinite(seen.onset) & (seen.novelty >= NOVELTY_OF_FAINT)
        rows = np.flatnonzero(is_hidden & ~seen.is_lull & ~seen.is_turn)
        if len(rows):
            ahead, again = self._look_again(seen, rows, -_LITTLE_FURTHER)
            seen.onset[rows] = ahead + again.at

    def _look_again(self, seen: _Seen, rows: np.ndarray, by: int | np.ndarray) -> tuple[np.ndarray, Departures]:
        """Where some of the places lie, moved by slow samples, and what departs there."""
        at = seen.slow_at[rows] + by
        return at, self._look(at, np.zeros(len(rows), dtype=np.intp), seen.is_steep[rows])

    def _find_new(self, seen: _Seen) -> np.ndarray:
        """(k,) whether enough is new at each place. Of those that are the departures are looked at from nearer."""
        at, is_turn, found, is_faint = seen.at, seen.is_turn, seen.found, seen.is_faint
        # Where the level over 50 ms does not rise, hardly anything may be old.
        novelty = np.where(is_faint & ~seen.is_lull, np.minimum(seen.novelty, found.novelty_long), seen.novelty)
        seen.novelty = novelty
        least = np.where(is_turn, NOVELTY_OF_PITCH, NOVELTY_WHILE_SOUNDING)
        is_new: np.ndarray = novelty >= np.where(is_faint, NOVELTY_OF_FAINT, least)
        is_plain = is_new & ~seen.is_lull & ~seen.is_end & ~is_turn & (seen.fell == 0.0)
        rows = np.flatnonzero(is_plain & np.isfinite(seen.onset))
        seen.onset[rows], seen.is_end[rows], seen.falls_silent[rows] = self._look_nearer(seen.onset[rows])
        seen.end_at[rows] = seen.onset[rows] - seen.slow_at[rows]
        # A turn in which nothing departs at first, shortly ahead of a rise, is that rise seen from afar.
        rises = at[is_new & ~is_turn]
        if len(rises):
            ahead = rises[np.minimum(np.searchsorted(rises, at), len(rises) - 1)] - at
            is_far = is_turn & (ahead > 0) & (ahead <= round(_AFAR_S * self.bands.band_hz))
            is_new &= ~(is_far & (found.novelty_short < _AFAR_NOVELTY))
        # Of a turn and a rise that follows too soon for a note between them the rise is the note: the turn is
        # what rings on, left alone for a moment. Nearer than that they are the same beginning.
        rises = at[is_new & ~is_turn & ~is_faint]
        if len(rises):
            ahead_s = (rises[np.minimum(np.searchsorted(rises, at), len(rises) - 1)] - at) / self.bands.band_hz
            is_new &= ~(is_turn & (ahead_s > _SAME_BEGINNING_S) & (ahead_s < LEAST_TURNED_S))
        return is_new

    def _look_behind_stops(self, seen: _Seen, levels: Levels, here: np.ndarray) -> None:
        """Where what was found is a stop, look for a departure from the silence behind it."""
        rows = np.flatnonzero(seen.is_end & (seen.end_at < 24.0))
        seen.onset[seen.is_end] = np.nan
        if not len(rows):
            return
        stop_at = seen.end_at[rows]
        quiet_from = (BEFORE + np.ceil(stop_at + 2.0)).astype(np.intp)
        later = np.maximum(quiet_from + _LEAST_QUIET - BEFORE, 0)
        behind = seen.slow_at[rows] + later
        again = self._look(behind, quiet_from - later, np.ones(len(rows), dtype=bool), quiet_from - later)
        # Where the level rises, and nothing stands out of a moment's silence, what begins had begun before; so had
        # what shows behind the fall of a louder note, if it sounds on.
        soon = np.minimum(here[rows] + round(_SOUNDS_ON_S * self.bands.band_hz), len(levels.ahead) - 1)
        sounds_on = levels.ahead[soon] >= _SOUNDS_ON_RATIO * levels.ahead[here[rows]]
        sounds_on &= (seen.fell[rows] > 0.0) & ~(behind + again.at - seen.slow_at[rows] - stop_at > _OWN_QUIET)
        is_none = seen.falls_silent[rows] & (sounds_on | (~np.isfinite(again.at) & ~seen.is_faint[rows]))
        seen.onset[rows] = np.where(is_none, seen.slow_at[rows] + stop_at, behind + again.at)
        seen.is_end[rows], seen.is_lull[rows] = ~is_none, seen.is_lull[rows] | ~is_none

    def _date_again(self, seen: _Seen, is_new: np.ndarray) -> None:
        """Date turns from both sides, and what begins out of silence on the samples as they came."""
        onset = seen.onset
        is_steady = seen.found.unexplained < STEADY_RATIO  # noise and drums turn all the time
        is_plain = is_new & ~seen.is_lull & seen.is_turn & is_steady & (seen.fell < _LEAST_FALL)
        rows = np.flatnonzero(is_plain & np.isfinite(onset))
        onset[rows] = self._look_from_both_sides(onset[rows])
        rows = np.flatnonzero(is_new & seen.found.is_lull & ~seen.is_end & np.isfinite(onset))
        onset[rows] = self._look_closely(onset[rows], seen.slow_at[rows] + seen.found.lull_at[rows])

    def _take_steps(self, seen: _Seen, is_new: np.ndarray) -> list[Step]:
        """What may begin or end; and what is kept of the places, as the walk asks for it."""
        at, onset, is_end, is_lull = seen.at, seen.onset, seen.is_end, seen.is_lull
        self.beats = at[~is_new & ~is_end]
        # The last 200 ms, whatever began or ended in them, carry on into what follows: a beat, no note.
        is_looked_at = is_new | is_end
        # Where nothing departs no note begins: while one sounds such a place is passed over.
        is_early = at < round(EARLIEST_S * self.bands.band_hz)
        is_empty = is_looked_at & ~is_end & ~np.isfinite(onset) & ~is_early
        self.empty = at[is_empty].tolist()
        self._known = self._measure_since_each(at, np.where(is_looked_at & ~is_empty, onset, np.nan), is_lull)
        is_plain = is_lull | (seen.rise >= PLAIN_RISE_RATIO)
        self._backwards = self._measure_backwards(onset[is_looked_at & ~is_empty & ~is_plain & np.isfinite(onset)])
        ends = np.where(is_end, seen.slow_at + seen.end_at, np.nan)
        short, long = seen.found.novelty_short, seen.found.novelty_long
        is_over = (seen.found.unexplained < _STEADIEST_RATIO) & (np.minimum(short, long) >= _NEW_OVER_STEADY)
        is_over &= (np.maximum(short, long) <= 1.0) & (seen.rise >= _PULLED_DOWN)
        told = (at, seen.is_turn, onset, is_lull, seen.novelty, ends, is_over)
        kept = np.flatnonzero(is_looked_at & ~is_empty)
        columns = (kept, *(column[kept] for column in told))
        return [Step(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]

    def _measure_since_each(
        self, at: np.ndarray, onset: FloatArray, is_lull: np.ndarray
    ) -> dict[tuple[int, int], tuple[float, float]]:
        """How new what lies behind places is to the notes that may have begun shortly ahead of them, by place and by
        `_start_behind`; all at once, as one by one they would take ten times as long. NaN: nothing begins there; of
        lulls it is not asked."""
        rows = np.flatnonzero(np.isfinite(onset))
        raw = onset[rows] * self.bands.factor
        keys = []
        for last, row in enumerate(rows.tolist()):
            if is_lull[row]:
                continue
            for since in range(last - 1, -1, -1):
                if not 0.0 <= raw[last] - raw[since] < BEFORE * self.bands.factor:
                    break
                if raw[last] - raw[since] >= LEAST_NOTE_S * self.rate_hz:  # too soon behind a note none begins
                    keys.append((int(at[row]), self._start_behind(float(raw[since]), int(at[row]))))
        keys = list(dict.fromkeys(keys))
        if not keys:
            return {}
        slow_at, starts = np.array([(place * BAND_STEP, start) for place, start in keys], dtype=np.intp).T
        short, long, _ = self._finder.measure_novelty(self._around(self.bands.high, slow_at, "constant"), starts)
        return dict(zip(keys, zip(short.tolist(), long.tolist(), strict=True), strict=True))

    def was_there(self, onset_slow: float, novelty: float, since_s: float) -> bool:
        """Whether what sounds behind an instant sounded ahead of it already: carried back, it leaves next to nothing
        there, while what sounded ahead does not carry on. Then something ended, as a drum over a held note, and nothing
        began; where one note turns into another, neither side explains the other. `since_s`: of what sounds."""
        known = self._backwards.get(round(onset_slow))
        short, long, unexplained = known or self._measure_backwards(np.array([onset_slow]))[round(onset_slow)]
        if unexplained >= STEADY_RATIO:
            return False  # what is struck again and again repeats backwards too
        # What a short drum did at first lies within the 60 ms: only its end is asked of.
        left = min(short, long) if since_s < _DRUM_S[0] else long
        if since_s < _DRUM_S[1]:
            most = _THERE_YOUNG if unexplained < _PURE_RATIO else _THERE_BEFORE
            return left < min(most, _YOUNG_ENDED * novelty)
        return left < min(_THERE_BEFORE, _MOSTLY_ENDED * novelty)

    def _measure_backwards(self, onset_slow: FloatArray) -> dict[int, tuple[float, float, float]]:
        """By the nearest sample to each of some instants, how new what lies ahead of it is to what lies behind, over 30
        and 60 ms, and the share that prediction leaves behind it; all at once, as `_measure_since_each`."""
        at = np.unique(np.round(onset_slow).astype(np.intp))
        if not len(at):
            return {}
        high = self._around(self.bands.high, at + BEFORE - BEHIND + 1, "constant")[:, ::-1]
        columns = self._finder.measure_novelty(high, np.zeros(len(at), dtype=np.intp))
        return dict(zip(at.tolist(), zip(*(column.tolist() for column in columns), strict=True), strict=True))

    def _start_behind(self, note_onset: float, at: int) -> int:
        """First sample around a place that the note since `note_onset` has to itself, its attack left out."""
        start = round((note_onset + _SETTLE_S * self.rate_hz) / self.bands.factor) - at * BAND_STEP + BEFORE
        return min(max(start, 0), BEFORE - 60)

    def novelty_since(self, note_onset: float, at: int) -> tuple[int, tuple[float, float]]:
        """`_start_behind`, and how new what lies behind the place is over 30 and 60 ms."""
        start = self._start_behind(note_onset, at)
        known = self._known.get((at, start))
        if known is None:
            high = self._around(self.bands.high, np.array([at * BAND_STEP]), "constant")
            short, long, _ = self._finder.measure_novelty(high, np.array([start]))
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

    def _look_nearer(self, onset: FloatArray) -> tuple[FloatArray, np.ndarray, np.ndarray]:
        """The same departures, predicted from right before them, as over a shorter way the prediction drifts less; and
        whether they turn out to be stops, and such as leave it quiet for a moment."""
        rows, seen = np.arange(len(onset)), np.full(len(onset), -1)
        is_end, falls_silent = np.zeros(len(onset), dtype=bool), np.zeros(len(onset), dtype=bool)
        for _ in range(2):
            places = np.round(onset[rows]).astype(np.intp) + _NEARER
            rows, places = rows[places != seen[rows]], places[places != seen[rows]]
            if not len(rows):
                break
            seen[rows] = places
            found = self._look(places, np.zeros(len(rows), dtype=np.intp), np.zeros(len(rows), dtype=bool))
            moved = places + found.at
            is_same = np.isfinite(moved) & ~found.is_lull & (moved < onset[rows] + 40.0)
            onset[rows], is_end[rows] = np.where(is_same, moved, onset[rows]), is_same & found.is_end
            falls_silent[rows] = is_same & found.falls_silent
            rows = rows[~(is_same & (found.fell > 0.0))]  # nearer than that, the fall would be carried on
        return onset, is_end, falls_silent

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
