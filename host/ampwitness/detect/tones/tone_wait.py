"""Seconds that hold a tone wait until it has lasted nearly long enough: measuring them finely costs most by far.

Held notes of music are tones of a second or so; finely measured where they clip and decay, they would cost ten times as
much as all else and then be passed over as too short.

Gaps: what waits belongs to one unbroken run; the next run begins anew.
Limits: the coarse pieces tell how long the tone has lasted, to a piece at either end.
Source: our choice, measured in tests/detect_tones.
"""

from __future__ import annotations

from dataclasses import dataclass

from ampwitness.detect.streams import RunBlock
from ampwitness.detect.tones.tone_points import TonePoint, is_same_tone, passes_the_edge

_SPARE_PIECES = 1  # so many fewer whole pieces than its length may lie inside a tone


@dataclass(frozen=True, slots=True)
class WaitingSecond:
    """A second, the one measured before it, and about where the tone lies."""

    block: RunBlock
    before: RunBlock | None
    guess_hz: float


class Waiting:
    """Keeps the seconds of a tone that may be too short.

    Parameters
    ----------
    least_s : how long a passage must be
    """

    def __init__(self, least_s: float) -> None:
        self._least_s = least_s
        self._seconds: list[WaitingSecond] = []
        self._begun_s: float | None = None  # of the tone that goes on at the end of what waits
        self._last: TonePoint | None = None

    @property
    def goes_on(self) -> bool:
        """Whether a tone reaches to the end of what was taken last."""
        return self._last is not None

    @property
    def last_hz(self) -> float | None:
        """Where the tone that goes on was last."""
        return None if self._last is None else self._last.reading.frequency_hz

    def forget(self) -> None:
        """Drop what waits: the run has ended."""
        self._seconds.clear()
        self._begun_s = self._last = None

    def take(self, second: WaitingSecond, coarse: list[TonePoint | None]) -> list[WaitingSecond]:
        """Add a second with its coarse points; all that waits, in order, once the tone in it may be long enough, else
        nothing."""
        if self._seconds and self._seconds[-1].block.run_id != second.block.run_id:
            self.forget()
        self._seconds.append(second)
        is_long = self.follow(coarse)
        if is_long:
            ready = self._seconds[:]
            self._seconds.clear()
            return ready
        if self._begun_s is None:
            self._seconds.clear()
        else:
            begun_s = self._begun_s
            self._seconds = [s for s in self._seconds if s.block.time_s(s.block.first + s.block.n) > begun_s]
        return []

    def follow(self, points: list[TonePoint | None]) -> bool:
        """Go on with the tone through these points; whether one in them may be long enough."""
        # Where a hand passes the edge, the finer pieces may hold a tone in what is none as a whole.
        may_bridge = passes_the_edge(points)
        is_long = False
        for k, point in enumerate(points):
            if point is None:
                if not (may_bridge and any(points[:k]) and any(points[k + 1 :])):
                    self._begun_s = self._last = None
                continue
            if self._last is None or not is_same_tone(self._last, point):
                self._begun_s = point.start_s
            self._last = point
            spare_s = _SPARE_PIECES * (point.stop_s - point.start_s)
            begun_s = point.start_s if self._begun_s is None else self._begun_s
            is_long = is_long or point.stop_s - begun_s >= self._least_s - spare_s - 1e-6
        return is_long
