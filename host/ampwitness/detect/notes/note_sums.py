"""What is summed up of a run's notes while they sound, and when they last reached a tenth of their peak."""

from __future__ import annotations

from math import ceil

import numpy as np

from ampwitness.detect.notes.note_decimate import BAND_STEP, Bands
from ampwitness.detect.notes.note_sag import AROUND_S, HEAD_S
from ampwitness.detect.notes.sounding_note import SoundingNote
from ampwitness.types import FloatArray

END_RATIO = 0.10
PITCH_FROM_S = 4.0
_LAG_S = 0.160


class NoteSums:
    """Sums and extremes of the notes of one run; a reduction over many pieces at once costs as much as over one.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, bands: Bands) -> None:
        self.bands = bands
        self.rate_hz = bands.rate_hz
        self._raw_a_band = bands.factor * BAND_STEP
        self._pieces: list[tuple[SoundingNote, int, int]] = []

    def collect(self, note: SoundingNote, to: int, levels: FloatArray, first: int) -> None:
        """Of a note that goes on, take band samples and levels (`levels` begins at sample `first`) up to `to`, and mark
        raw ones up to some time before to be summed up."""
        self._take_band(note, to, levels, first)
        self._see_slow(note, to * BAND_STEP)
        self.mark(note, to * self._raw_a_band - round(_LAG_S * self.rate_hz))

    def close(self, note: SoundingNote, stop: int, levels: FloatArray, first: int) -> None:
        """Of a note that ends at raw sample `stop`, take and mark all that is left."""
        self._take_band(note, -(-stop // self._raw_a_band), levels, first)
        self.mark(note, stop)

    def _take_band(self, note: SoundingNote, to: int, levels: FloatArray, first: int) -> None:
        bands = self.bands
        start = note.band_first + note.n_band
        if to > start and note.n_band < PITCH_FROM_S * bands.band_hz:
            part = bands.band.part(start, to)
            note.band.append(part)
            note.levels.append(levels[max(0, start - first) : max(0, to - first)])
            note.n_band += len(part)

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

    def mark(self, note: SoundingNote, to: int) -> None:
        """Mark raw samples up to `to` to be summed up."""
        to = min(to, self.bands.output.stop)
        if to <= note.acc_at:
            return
        begin, pieces = note.acc_at, self._pieces
        if pieces and pieces[-1][0] is note and pieces[-1][2] == begin:
            begin = pieces.pop()[1]  # one piece: each costs as much as a thousand samples
        pieces.append((note, begin, to))
        note.acc_at = to

    def sum_up(self) -> None:
        """Sums and extremes of all pieces that were marked."""
        pieces, self._pieces = self._pieces, []
        if not pieces:
            return
        bands = self.bands
        edges = np.array([(a, b) for _, a, b in pieces], dtype=np.intp).reshape(-1)
        raw = bands.output.values
        at = edges - bands.output.first
        sums = _reduce(np.add, raw, at)
        highest, lowest = _reduce(np.maximum, raw, at), _reduce(np.minimum, raw, at)
        supply = None
        if bands.supply is not None:
            supply = _reduce(np.minimum, bands.supply.values, edges - bands.supply.first)
        for place, (note, a, b) in enumerate(pieces):
            note.n += b - a
            note.sum_v += sums[place]
            part = bands.output.part(a, b)
            note.sum_v2 += float(part @ part)  # of the pieces: the squares of all would have to be put somewhere
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

    def last_tenth(self, at: int, note: SoundingNote, before: float | None = None) -> float:
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


def _reduce(function: np.ufunc, values: FloatArray, edges: np.ndarray) -> list[float]:
    """A reduction over values[edges[0]:edges[1]], values[edges[2]:edges[3]], ... in order."""
    starts = edges
    if edges[-1] >= len(values):
        starts = edges[:-1]
    out: list[float] = function.reduceat(values, starts)[::2].tolist()
    return out
