"""A picture of the output's wave that stands still: the same place of the wave in every picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, Trace
from ampwitness.waveform.bandlimited import HALF_TAPS, interpolate, volts_from_rest

KEPT_S = 0.4
SPANS_S = (0.005, 0.01, 0.02, 0.05, 0.1)  # what a picture may show
BEFORE_SHARE = 0.1  # of the span, before the crossing
_PERIODS = 2.2  # at least so many in a picture
_HYSTERESIS_SHARE = 0.1  # of the largest excursion
_SILENCE_V = 0.05  # below it there is nothing to hold still
_CANDIDATES = 8
_MATCH_POINTS = 96
_MATCH_SLACK = 0.003  # of a correlation: so little does not outweigh a newer place
_PATIENCE = 4  # pictures before another span is taken
_POINTS = 400
_POINTS_MOST = 1000


@dataclass(frozen=True, slots=True)
class WaveView:
    """One picture: volts at `start_s + k step_s` from the crossing, or from the picture's left edge."""

    start_s: float
    step_s: float
    span_s: float
    volts: FloatArray
    is_held: bool  # a rising crossing was found and the picture hangs on it


class WaveRing:
    """The newest KEPT_S of one role, unbroken, and the picture cut from it.

    Gaps
    ----
    A gap empties it: no picture spans one.

    Limits
    ------
    The crossing is that of the mean over whole periods. Where several places of a wave fit, the one that looks most
    like the picture before is taken, the newest of equals: a wave with many crossings a period stands still too.
    """

    def __init__(self) -> None:
        self.volts: FloatArray = np.empty(0)
        self.rate_hz = 0.0
        self.stop_s = 0.0
        self._span_s = SPANS_S[-1]
        self._wished: tuple[float, int] = (SPANS_S[-1], 0)
        self._before: FloatArray | None = None  # what the last picture looked like, for matching

    def push(self, trace: Trace) -> None:
        """Take the next trace."""
        for segment in trace.segments:
            if segment.rate_hz != self.rate_hz or abs(segment.start_s - self.stop_s) * segment.rate_hz > 0.5:
                self.volts, self.rate_hz = np.empty(0), segment.rate_hz
            keep = round(KEPT_S * self.rate_hz)
            self.volts = np.concatenate([self.volts, segment.volts])[-keep:]
            self.stop_s = segment.stop_s
        if trace.gaps and trace.segments and trace.segments[-1].stop_s < trace.stop_s - 1.5 / self.rate_hz:
            self.volts = np.empty(0)

    def rest_v(self) -> float:
        """Volts that the output swings about: 0, but for the terminal of a stage on a single supply its mean."""
        if len(self.volts) == 0:
            return 0.0
        return float(self.volts[0] - volts_from_rest(self.volts)[0])

    def peak_v(self, last_s: float) -> float | None:
        """Largest excursion from `rest_v` in the newest `last_s`, between the samples too; None without samples."""
        n = round(last_s * self.rate_hz)
        if len(self.volts) == 0:
            return None
        newest = self.volts[-(n + 2 * HALF_TAPS) :]
        points = interpolate(newest, 4)[-4 * n :]
        return float(np.nanmax(np.abs(points - self.rest_v())))

    def view(self) -> WaveView | None:
        """The picture as it is now; None while too little is kept."""
        if len(self.volts) < 4 * HALF_TAPS:
            return None
        places = find_rising(self.volts, float(np.mean(self.volts)))
        if len(places) >= 2:  # once more about the middle of whole periods, which does not wander
            places = find_rising(self.volts, float(np.mean(self.volts[round(places[0]) : round(places[-1])])))
        self._choose_span(places)
        n_span = self._span_s * self.rate_hz
        fits = (places - BEFORE_SHARE * n_span >= HALF_TAPS) & (
            places + (1 - BEFORE_SHARE) * n_span < len(self.volts) - HALF_TAPS
        )
        found = places[fits][-_CANDIDATES:]
        if len(found) == 0:
            self._before = None
            first = len(self.volts) - HALF_TAPS - 1 - n_span
            return None if first < HALF_TAPS else self._cut(first, first, is_held=False)
        place = self._match(found, n_span)
        return self._cut(place - BEFORE_SHARE * n_span, place, is_held=True)

    def _choose_span(self, places: npt.NDArray[np.float64]) -> None:
        if len(places) < 2:
            return
        wanted_s = _PERIODS * float(np.median(np.diff(places))) / self.rate_hz
        span_s = next((span for span in SPANS_S if span >= wanted_s), SPANS_S[-1])
        n_seen = self._wished[1] + 1 if self._wished[0] == span_s else 1
        self._wished = (span_s, n_seen)
        if span_s != self._span_s and (n_seen >= _PATIENCE or self._before is None):
            self._span_s, self._before = span_s, None

    def _match(self, found: npt.NDArray[np.float64], n_span: float) -> float:
        """Of the places that fit, the newest of those that look most like the picture before."""
        offsets = (np.arange(_MATCH_POINTS) / _MATCH_POINTS - BEFORE_SHARE) * n_span
        looks = np.interp(found[:, None] + offsets, np.arange(len(self.volts)), self.volts)
        looks = looks - looks.mean(axis=1, keepdims=True)
        looks /= np.maximum(np.linalg.norm(looks, axis=1, keepdims=True), 1e-12)
        at = len(found) - 1
        if self._before is not None:
            score = looks @ self._before
            at = int(np.flatnonzero(score >= score.max() - _MATCH_SLACK)[-1])
        self._before = looks[at]
        return float(found[at])

    def _cut(self, first: float, zero: float, is_held: bool) -> WaveView:
        n_span = self._span_s * self.rate_hz
        factor = int(np.clip(np.ceil(_POINTS / n_span), 1, 8))
        a = max(0, int(first) - HALF_TAPS)
        b = min(len(self.volts), int(np.ceil(first + n_span)) + HALF_TAPS + 1)
        points = interpolate(self.volts[a:b], factor)
        begin = round((first - a) * factor)
        points = points[begin : begin + round(n_span * factor) + 1]
        start_s = (a + begin / factor - zero) / self.rate_hz
        step_s = 1 / (factor * self.rate_hz)
        if len(points) > _POINTS_MOST:
            points, n_merged = thin_to_extremes(points, _POINTS_MOST)
            step_s *= n_merged / 2
        return WaveView(start_s, step_s, self._span_s, points, is_held)


def find_rising(volts: FloatArray, mid_v: float) -> npt.NDArray[np.float64]:
    """Where volts rise through a level, after they were clearly below it.

    Parameters
    ----------
    volts : (n,) unbroken
    mid_v : the level

    Returns
    -------
    (m,) places in samples, between two samples by a straight line; none where the volts hardly move.

    Gaps
    ----
    Unbroken volts only.

    Limits
    ------
    Clearly: by a tenth of the largest excursion, so that noise on the way up does not count twice.
    """
    away = volts - mid_v
    largest = float(np.max(np.abs(away), initial=0.0))
    if largest < _SILENCE_V:
        return np.empty(0)
    state = np.where(away >= 0, 1, np.where(away < -_HYSTERESIS_SHARE * largest, -1, 0))
    known = np.flatnonzero(state)
    kind = state[known]
    upper = known[1:][(kind[1:] == 1) & (kind[:-1] == -1)]
    below, above = away[upper - 1], away[upper]
    return np.asarray(upper - above / (above - below), dtype=np.float64)


def thin_to_extremes(volts: FloatArray, most: int) -> tuple[FloatArray, int]:
    """Lowest and highest of groups, in the order in which they came: no peak is lost in a picture.

    Returns
    -------
    (2 m,) volts with 2 m <= `most`, and how many values a group had; a rest that fills no group is left out.
    """
    n = -(-len(volts) // max(1, most // 2))
    groups = volts[: len(volts) // n * n].reshape(-1, n)
    low, high = groups.argmin(axis=1), groups.argmax(axis=1)
    rows = np.arange(len(groups))
    pairs = np.stack([groups[rows, np.minimum(low, high)], groups[rows, np.maximum(low, high)]], axis=1)
    return pairs.reshape(-1), n
