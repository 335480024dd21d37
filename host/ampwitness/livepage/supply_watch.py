"""Dips of the supply as they happen, by the rule that the report uses; the report dates and measures them again."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.supply.dips import AVERAGE_S, HYSTERESIS_RATIO, REFERENCE_S, THRESHOLD_RATIO
from ampwitness.types import FloatArray, Segment, Trace

_SECOND_S = 1.0
_FIRST_REFERENCE_S = 0.2  # so much has to be seen before anything is called a dip
_KEPT_DIPS = 50


@dataclass(frozen=True, slots=True)
class LiveDip:
    """A dip that has ended, or `is_open`: still going on."""

    start_s: float
    stop_s: float
    reference_v: float
    lowest_v: float
    is_open: bool


class SupplyWatch:
    """Follows one supply with the mean of 10 ms against a sliding reference.

    Parameters
    ----------
    nominal_v : declared volts of the supply; None: the median of the last minute's seconds, dips left out

    Gaps
    ----
    A gap ends an open dip and begins the average anew; the reference stays.

    Limits
    ------
    For a screen: dips are dated to 10 ms. The dips of a report are those of `detect.dips`.
    """

    def __init__(self, nominal_v: float | None = None) -> None:
        self._nominal_v = nominal_v
        self._seconds: deque[float] = deque(maxlen=round(REFERENCE_S / _SECOND_S))
        self._second: list[FloatArray] = []
        self._n_second = 0
        self._rest: FloatArray = np.empty(0)
        self._next_s = 0.0
        self._open: LiveDip | None = None
        self._ended: deque[LiveDip] = deque(maxlen=_KEPT_DIPS)
        self.n_dips = 0

    @property
    def reference_v(self) -> float | None:
        """What is compared with; None while too little was seen."""
        if self._nominal_v is not None:
            return self._nominal_v
        return float(np.median(self._seconds)) if self._seconds else None

    def dips(self) -> list[LiveDip]:
        """The newest dips, an open one last."""
        return [*self._ended, *([self._open] if self._open is not None else [])]

    def push(self, trace: Trace) -> None:
        """Take the next trace."""
        for segment in trace.segments:
            if abs(segment.start_s - self._next_s) * segment.rate_hz > 0.5:
                self._rest = np.empty(0)
                self._second, self._n_second = [], 0
                self._end(self._next_s)
            self._take(segment)
            self._next_s = segment.stop_s

    def _take(self, segment: Segment) -> None:
        n = max(1, round(AVERAGE_S * segment.rate_hz))
        volts = np.concatenate([self._rest, segment.volts])
        first_s = segment.stop_s - len(volts) / segment.rate_hz
        n_whole = len(volts) // n
        means = volts[: n_whole * n].reshape(n_whole, n).mean(axis=1)
        self._rest = volts[n_whole * n :]
        for k, mean_v in enumerate(means.tolist()):
            self._judge(first_s + k * AVERAGE_S, mean_v)
        self._learn(means)

    def _learn(self, means: FloatArray) -> None:
        """The reference follows the supply, second by second, but not into a dip that is shorter than a minute."""
        self._second.append(means)
        self._n_second += len(means)
        wanted_s = _SECOND_S if self._seconds else _FIRST_REFERENCE_S
        if self._n_second * AVERAGE_S < wanted_s:
            return
        second_v = float(np.median(np.concatenate(self._second)))
        self._second, self._n_second = [], 0
        if self._open is None:
            self._seconds.append(second_v)
        elif self._open.stop_s - self._open.start_s > REFERENCE_S:
            self._seconds.clear()
            self._seconds.append(second_v)
            self._end(self._open.stop_s)

    def _judge(self, time_s: float, mean_v: float) -> None:
        reference_v = self.reference_v
        if reference_v is None:
            return
        if self._open is None:
            if mean_v < THRESHOLD_RATIO * reference_v:
                self._open = LiveDip(time_s, time_s + AVERAGE_S, reference_v, mean_v, True)
                self.n_dips += 1
            return
        dip = self._open
        if mean_v >= (THRESHOLD_RATIO + HYSTERESIS_RATIO) * dip.reference_v:
            self._end(time_s)
        else:
            self._open = LiveDip(dip.start_s, time_s + AVERAGE_S, dip.reference_v, min(dip.lowest_v, mean_v), True)

    def _end(self, stop_s: float) -> None:
        if self._open is not None:
            dip = self._open
            self._ended.append(LiveDip(dip.start_s, stop_s, dip.reference_v, dip.lowest_v, False))
            self._open = None
