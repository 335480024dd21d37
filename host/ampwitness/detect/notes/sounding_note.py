"""What is known of one note while it sounds."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ampwitness.types import FloatArray


@dataclass(slots=True, eq=False)
class SoundingNote:
    """One note while it sounds, then until its recovery is known. Sample numbers count raw samples of the run."""

    onset: float
    onset_basis: str
    novelty_ratio: float
    floor_v: float
    since_last_s: float  # infinite: no note before in this run
    last_level_v: float = 0.0  # the highest of the note that ended last in this run
    end: float = np.nan
    end_basis: str = ""
    next_onset: float | None = None
    is_in_roll: bool = False  # it begins with the wave that the one ahead or behind begins with
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
    alone_from: int | None = None  # band sample from which on nothing older rings beside it, where that is known
    band: list[FloatArray] = field(default_factory=list)
    levels: list[FloatArray] = field(default_factory=list)  # mean squares
    slow_to: int = 0
    n_slow: int = 0
    slow_sum_v: float = 0.0
    slow_highest_v: float = -np.inf
    slow_lowest_v: float = np.inf

    def begin_as(self, earlier: SoundingNote) -> None:
        """Begin where an earlier one did, of which this is the rest; between the two it counts as silent."""
        n_earlier = self.band_first - earlier.band_first
        for mine, theirs in ((self.band, earlier.band), (self.levels, earlier.levels)):
            head = join(theirs)[:n_earlier]
            mine[:0] = [head, np.zeros(n_earlier - len(head))]
        self.onset, self.onset_basis, self.novelty_ratio = earlier.onset, earlier.onset_basis, earlier.novelty_ratio
        self.since_last_s, self.last_level_v = earlier.since_last_s, earlier.last_level_v
        self.band_before = earlier.band_before
        self.band_first, self.n_band = earlier.band_first, self.n_band + n_earlier
        self.level_peak_v = max(self.level_peak_v, earlier.level_peak_v)
        self.n, self.sum_v, self.sum_v2 = self.n + earlier.n, self.sum_v + earlier.sum_v, self.sum_v2 + earlier.sum_v2
        self.highest_v = max(self.highest_v, earlier.highest_v)
        self.lowest_v = min(self.lowest_v, earlier.lowest_v)
        self.supply_raw_v = min(self.supply_raw_v, earlier.supply_raw_v)
        if earlier.supply_smooth_v < self.supply_smooth_v:
            self.supply_smooth_v, self.supply_lowest_at = earlier.supply_smooth_v, earlier.supply_lowest_at
            self.supply_around, self.supply_around_at = earlier.supply_around, earlier.supply_around_at
        self.supply_before = earlier.supply_before
        self.supply_head[:0] = earlier.supply_head


def join(pieces: list[FloatArray] | list[FloatArray | None]) -> FloatArray:
    """One array of all pieces that are there."""
    if len(pieces) == 1 and (only := pieces[0]) is not None:  # as of nearly all notes
        return only
    there = [piece for piece in pieces if piece is not None]
    return there[0] if len(there) == 1 else np.concatenate(there) if there else np.empty(0)
