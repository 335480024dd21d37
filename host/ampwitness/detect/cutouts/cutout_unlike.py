"""Where the output no longer follows its logged source, which plays on, though something sounds: a signal lost on the
way, with whine, hiss or hum in its place.

Half a second at a time, in means over 1 ms: how alike output and source are at their best lag.

Gaps: only one unbroken run is looked at.
Limits: needs the source logged, and an output that was alike before (a correlation of 0.7), as behind a crossover it
often is not. Something of 0.1 V rms and a tenth of what is due, for a second; what is silent is a stop of its own. What
took the signal's place must be steady over half a second, and is named only where it is the mains (`cutout_hum`).
Source: our choice, measured in tests/detect_cutouts/test_cutout_unlike.py.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from statistics import median

import numpy as np

from ampwitness.detect.cutouts.cutout_beside import WatchBeside
from ampwitness.detect.cutouts.cutout_measure import Hum, Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

_BIN, _LAGS = 500, 50  # steps of 1 ms; so far may the output be behind its source
_SOUNDS_V, _SOURCE_V = 0.10, 0.02  # rms
_ALIKE, _LEAST_ALIKE, _UNLIKE_RATIO, _AGAIN_RATIO = 0.7, 0.5, 0.4, 0.7  # correlation; of the usual one
_USUAL_BINS, _LEAST_BINS, _N_BINS = 10, 4, 2
_PLAYS_RATIO, _DUE_RATIO = 0.25, 0.10  # of the source's usual rms; of what the output ought to show
_NEW_RATIO = 2.0
_SLOW = 50  # steps: what is slower is no sound; volts of a stage that is switched off sink
_PART, _STEADY_RATIO = 100, 0.4
_DOUBT_S, _LEAST_LEFT = 0.020, 0.01


class UnlikeWatch(WatchBeside):
    """Follows how alike output and source are; a stop from where they part to where they are alike again."""

    def __init__(self, run: RunSteps, measure: Callable[[Stop, int], None], take_stop: Callable[[Stop], None]) -> None:
        super().__init__(run, measure, take_stop)
        self._usual: deque[tuple[float, float, float]] = deque(maxlen=_USUAL_BINS)  # likeness, output rms, source rms
        self._n_unlike = self._n_alike = 0

    def follow(self, start: int, limit: int, known: int) -> None:
        """Look at the bins from step `start` to `limit`."""
        if "source" not in self._run:
            return
        for step in range(max(-(-start // _BIN), 1) * _BIN, limit - _BIN + 1, _BIN):
            if step - _LAGS - _SLOW >= self._run.first:
                self._take_bin(step, known)

    def end(self, step: int) -> None:
        """The run ends at `step`."""
        if self._stop is not None:
            self._stop.end_s, self._stop.ended_how = self._run.stop_s, "the data ended before they were alike again"
            self._close()

    def _take_bin(self, step: int, known: int) -> None:
        output, source = self._read(step, step + _BIN)
        likeness, lag, output_v, source_v = _compare(output, source)
        columns = zip(*self._usual, strict=True) if self._usual else ((0.0,), (0.0,), (0.0,))
        usual, usual_v, usual_source_v = (median(column) for column in columns)
        plays = source_v > max(_SOURCE_V, _PLAYS_RATIO * usual_source_v) and output_v > _SOUNDS_V
        if self._stop is not None:
            self._n_alike = self._n_alike + 1 if plays and likeness > _AGAIN_RATIO * usual else 0
            if self._n_alike == _N_BINS:  # in the first of them it may have come back
                place = self._find_parting(step - 2 * _BIN, step, step, lag, is_return=True)
                self._stop.end_s = self._stop.resume_s = self._run.time_s(place)
                self._stop.ended_how = "the output followed its source again"
                self._close()
            return
        is_known = len(self._usual) >= _LEAST_BINS and usual > _ALIKE
        is_known = is_known and min(one[0] for one in self._usual) > _LEAST_ALIKE
        is_due = output_v > max(_DUE_RATIO * usual_v * source_v / max(usual_source_v, 1e-9), self._rest_v())
        if plays and is_known and is_due and likeness < _UNLIKE_RATIO * usual and _is_steady(output):
            self._n_unlike += 1
            if self._n_unlike == _N_BINS:
                self._begin(step - (_N_BINS - 1) * _BIN, output_v, known)
            return
        self._n_unlike = 0
        if plays and not (is_known and likeness < _LEAST_ALIKE):  # the bin in which they part is not usual
            self._usual.append((likeness, output_v, source_v))

    def _rest_v(self) -> float:
        """What of the output the source did not explain before: so much a crossover may leave."""
        return _NEW_RATIO * min((v * np.sqrt(max(1.0 - c**2, 0.0)) for c, v, _ in self._usual), default=0.0)

    def _read(self, first: int, last: int) -> tuple[FloatArray, FloatArray]:
        """Output of the steps, and the source of them and of those before, in which its lag lies."""
        output = self._run.steps("mean", first - _SLOW, last).astype(np.float64)
        source = self._run.steps("source", first - _SLOW - _LAGS, last).astype(np.float64)
        return _without_slow(output), _without_slow(source)

    def _begin(self, first: int, output_v: float, known: int) -> None:
        run, before = self._run, first - 2 * _BIN
        if before - _LAGS - _SLOW < run.first:
            return
        _, lag, _, _ = _compare(*self._read(before, before + _BIN))
        place = self._find_parting(first - _BIN, first + _BIN, before, lag)
        swing = run.steps("high", place - _BIN, place) - run.steps("low", place - _BIN, place)
        stop = Stop(run.time_s(place), place * run.step, 0.5 * float(swing.max()), output_v, 0.0)
        self._measure(stop, known)
        stop.cut_s = stop.pop_s = None
        stop.fade_s, stop.fade_doubt_s = run.time_s(place), _DOUBT_S
        stop.hum, stop.source = Hum(None, output_v, False), "played on"
        self._stop = stop

    def _find_parting(self, first: int, last: int, alike: int, lag: int, is_return: bool = False) -> int:
        """The step between two from which (up to which) the output is no longer what the source makes of it.

        `alike` is the step at which a bin begins in which it was.
        """
        output, source = self._read(alike, alike + _BIN)
        source = source[_LAGS - lag : _LAGS - lag + _BIN]
        gain_ratio = float(output @ source) / max(float(source @ source), 1e-12)
        left = float(np.mean((output - gain_ratio * source) ** 2))
        left = max(left, _LEAST_LEFT * float(np.mean(output**2)), 1e-9)
        output, source = self._read(first, last)
        off = (output - gain_ratio * source[_LAGS - lag : _LAGS - lag + len(output)]) ** 2
        half = off[:_BIN] if is_return else off[-_BIN:]
        parted = max(float(np.mean(half)), 2.0 * left)
        # The likelihood that a step is of either kind, both taken as noise of their own power.
        gain = 0.5 * (off / left - off / parted - np.log(parted / left))
        sums = np.concatenate(([0.0], np.cumsum(gain)))
        return first + int(np.argmax(sums) if is_return else np.argmin(sums))

    def _close(self) -> None:
        stop, self._stop = self._stop, None
        assert stop is not None
        self._n_unlike = self._n_alike = 0
        self._take_stop(stop)


def _is_steady(output: FloatArray) -> bool:
    """Whether it sounds all the while: an amplifier that tries again does at times only."""
    parts_v = output.reshape(-1, _PART).std(axis=1)
    return float(parts_v.min()) > _STEADY_RATIO * float(parts_v.max())


def _without_slow(volts: FloatArray) -> FloatArray:
    """All but the first steps, less the mean of the steps before each."""
    sums = np.cumsum(np.concatenate(([0.0], volts)))
    return np.asarray(volts[_SLOW:] - (sums[_SLOW:-1] - sums[: -_SLOW - 1]) / _SLOW)


def _compare(output: FloatArray, source: FloatArray) -> tuple[float, int, float, float]:
    """How alike they are at best (0 to 1), the lag in steps at which, and the rms of either."""
    products = np.correlate(source, output, "valid")[::-1]  # place: the lag
    sums = np.concatenate(([0.0], np.cumsum(source**2)))
    norms = np.sqrt((sums[len(output) :] - sums[: len(sums) - len(output)])[::-1] * float(output @ output))
    likeness = np.abs(products) / np.maximum(norms, 1e-9)
    lag = int(np.argmax(likeness))
    return float(likeness[lag]), lag, float(np.std(output)), float(np.std(source))
