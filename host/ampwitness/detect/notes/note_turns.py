"""Whether a turn of the pitch leads to another pitch, or only partials came or went.

Gaps: the caller passes one run only.
Limits: pitches within half a semitone of each other count as one.
Source: spectra ahead of the turn and behind it; our choice, measured by
`python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ampwitness.detect.notes.note_decimate import Bands
from ampwitness.detect.notes.note_spectrum import measure_fundamentals

_WITHIN_S = (0.010, 0.160, 0.095)  # of a turn of the pitch: from where, to where, and to where again
_CLEAR_RATIO, _SAME_PITCH = 0.90, 0.030  # half a semitone: a hand that shakes does that


class Turns:
    """Tells turns of the pitch of one run that lead to another from those that do not.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, bands: Bands) -> None:
        self._bands = bands
        self._expected: list[int] = []
        self._around: dict[int, list[list[tuple[float, float]]]] = {}

    def expect(self, places: Sequence[int]) -> None:
        """Name the band samples that may be asked for: they are measured together, once one is."""
        self._expected, self._around = list(places), {}

    def stay_at(self, at: int) -> bool:
        """Whether the pitch is the same ahead of a place and behind it: then partials came or went, and no note."""
        if at not in self._around:
            self._look_around([place for place in self._expected if place >= at] or [at])
        for (before_hz, before_ratio), (behind_hz, behind_ratio) in self._around[at]:
            if not np.isfinite(before_hz * behind_hz):
                break
            if min(before_ratio, behind_ratio) >= _CLEAR_RATIO:
                return abs(behind_hz / before_hz - 1.0) < _SAME_PITCH
        return False

    def _look_around(self, places: Sequence[int]) -> None:
        """Pitch ahead of each place and behind it, each with how much that explains, over more and over less, where the
        note ends or another begins within more. Of all together, as one by one would take three times as long."""
        band, rate_hz = self._bands.band, self._bands.band_hz
        near, *fars = (round(span_s * rate_hz) for span_s in _WITHIN_S)
        spans = [span for at in places for far in fars for span in ((at - far, at - near), (at + near, at + far))]
        found = np.stack(measure_fundamentals([band.part(*span) for span in spans], rate_hz), axis=1)
        around = found.reshape(len(places), len(fars), 2, 2).tolist()
        self._around = dict(zip(places, around, strict=True))
