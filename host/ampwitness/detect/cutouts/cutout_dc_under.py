"""Watches one run for steady volts under a programme that plays on: they burn a speaker, and nobody hears them.

The level of each half second, weighted so that of 20 Hz and more next to nothing is left, against what it usually is.

Gaps: only one unbroken run is looked at.
Limits: 1.5 V and a quarter of the programme's rms at least, for a second and a half; 2 V from the first second on.
Volts that creep for longer than some three seconds are taken for the usual ones. What stood there from the first
seconds of a run on, or came while nothing played, is not told here: a stage may play on volts of its own. But such a
stage never goes below its ground: negative volts from the first on, and positive ones from which the wave swings below
0 V, are told where they are half as high as the programme's rms. Volts that rise slowly are dated to the middle of
their rise.
Source: our choice, measured in tests/detect_cutouts/test_cutout_dc_under.py.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from statistics import median

import numpy as np

from ampwitness.detect.cutouts.cutout_beside import WatchBeside
from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.cutouts.cutout_stood import DC_V
from ampwitness.detect.cutouts.cutout_terminal import name_silent_terminal
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

_BIN = 500  # steps of 1 ms
_WEIGHTS = np.hanning(_BIN + 2)[1:-1] / np.sum(np.hanning(_BIN + 2))
_SHORT = np.hanning(66)[1:-1] / np.sum(np.hanning(66))  # steps: in which the instant is sought
_LEAST_V, _SIGNAL_RATIO, _SCATTER_TIMES = DC_V, 0.25, 8.0  # no more than where nothing plays
_SOUNDS_V = 0.3  # rms
_USUAL_BINS, _LEAST_USUAL = 20, 4
_N_BINS, _SAME_RATIO = 3, 0.15
_LEFT_RATIO = 0.5  # of the volts: less, and they are gone
_DOUBT_S = 0.050
_GROUND_V = 1.0
_FIRST_V, _FIRST_BINS, _FIRST_RATIO = 2.0, 6, 0.5  # one-sided clipping leaves less, of the programme's rms
_BELOW_V, _BELOW_STEPS = -1.5, 20  # what a diode lets a stage on half the supply swing below 0 V is less


class DcUnderWatch(WatchBeside):
    """Follows the level of one run in bins of half a second; a stop from where steady volts came to where they went."""

    def __init__(self, run: RunSteps, measure: Callable[[Stop, int], None], take_stop: Callable[[Stop], None]) -> None:
        super().__init__(run, measure, take_stop)
        self._levels_v: deque[float] = deque(maxlen=_USUAL_BINS)  # of the bins before
        self._rms_v: deque[float] = deque(maxlen=_USUAL_BINS)
        self._far: list[float] = []
        self._is_first = True

    def follow(self, start: int, limit: int, known: int) -> None:
        """Look at the bins from step `start` to `limit`."""
        run, begin = self._run, -(-start // _BIN) * _BIN
        n = (limit - begin) // _BIN
        if n <= 0:
            return
        level = run.steps("mean", begin, begin + n * _BIN).reshape(n, _BIN) @ _WEIGHTS
        square = run.steps("square", begin, begin + n * _BIN).reshape(n, _BIN) @ _WEIGHTS
        rms = np.sqrt(np.maximum(square - level**2, 0.0))
        if self._is_first:
            self._begin_first(level[:_FIRST_BINS], rms[:_FIRST_BINS], known)
        for place, (volts, sound_v) in enumerate(zip(level.tolist(), rms.tolist(), strict=True)):
            self._take_bin(begin + place * _BIN, volts, sound_v, known)

    def end(self, step: int) -> None:
        """The run ends at `step`."""
        if self._stop is not None:
            self._stop.end_s, self._stop.ended_how = self._run.stop_s, "the data ended while they still stood"
            self._close()

    def _take_bin(self, step: int, volts: float, sound_v: float, known: int) -> None:
        lowest_v, highest_v = min(self._levels_v, default=volts), max(self._levels_v, default=volts)
        if self._stop is None and volts - lowest_v < _LEAST_V and highest_v - volts < _LEAST_V:
            self._keep_usual(volts, sound_v)  # nearer than the least to any: the short way, as nearly always
            return
        usual_v, limit_v = self._learn_limit(sound_v)
        if self._stop is not None:
            if abs(volts - usual_v) < _LEFT_RATIO * abs(self._stop.rest_v - usual_v):
                _, place = self._find_step(step - _BIN, step + _BIN, known)
                self._stop.end_s = self._stop.resume_s = self._run.time_s(place)
                self._stop.ended_how = "they were gone again"
                self._close()
            return
        if limit_v is None or abs(volts - usual_v) < limit_v or sound_v < _SOUNDS_V:
            self._keep_usual(volts, sound_v)
            return
        is_same = bool(self._far) and abs(volts - self._far[-1]) < _SAME_RATIO * abs(volts - usual_v)
        self._far = [*self._far, volts] if is_same else [volts]
        if len(self._far) == _N_BINS:
            self._begin(step, usual_v, known)

    def _keep_usual(self, volts: float, sound_v: float) -> None:
        self._levels_v.append(volts)
        self._rms_v.append(sound_v)
        self._far = []

    def _learn_limit(self, sound_v: float) -> tuple[float, float | None]:
        """The usual level, and how far from it volts must stand; None: it did not play for long enough to tell."""
        # Of so few numbers: numpy's median takes ten times as long.
        played = [level for level, rms in zip(self._levels_v, self._rms_v, strict=True) if rms >= _SOUNDS_V]
        if len(played) < _LEAST_USUAL or len(played) < len(self._levels_v) // 2:
            return 0.0, None
        usual_v = median(played)
        scatter_v = 1.4826 * median(abs(level - usual_v) for level in played)
        loud_v = max(sound_v, median(self._rms_v))
        return usual_v, max(_LEAST_V, _SIGNAL_RATIO * loud_v, _SCATTER_TIMES * scatter_v)

    def _begin_first(self, level: FloatArray, rms: FloatArray, known: int) -> None:
        """Open a stop where volts that no stage has of its own stand under what plays from the first step on."""
        self._is_first = False
        volts, sound_v = float(np.median(level)), float(np.median(rms))
        is_steady = len(level) == _FIRST_BINS and bool(np.all(np.abs(level - volts) < _SAME_RATIO * abs(volts)))
        if not is_steady or sound_v < _SOUNDS_V or abs(volts) < max(_FIRST_V, _FIRST_RATIO * sound_v):
            return
        lows_v = self._run.steps("low", self._run.first, self._run.first + _FIRST_BINS * _BIN)
        if volts > 0 and np.count_nonzero(lows_v < _BELOW_V) < _BELOW_STEPS:
            return  # half the supply of a stage that has no other
        stop = Stop(self._run.start_s, 0, abs(volts), 0.0, volts)
        self._measure(stop, known)
        stop.cut_s = stop.pop_s = stop.fade_s = None
        stop.rest_v, stop.rest_before_v, stop.rests_steadily, stop.off_rms_v = volts, 0.0, True, 0.0
        stop.is_half, stop.is_under, stop.is_from_first = False, True, True
        self._stop = stop

    def _begin(self, step: int, usual_v: float, known: int) -> None:
        run, volts = self._run, float(np.mean(self._far))
        first = step - (_N_BINS - 1) * _BIN
        means, place = self._find_step(first - 2 * _BIN, first + _BIN, known)
        self._far = []
        if not len(means):
            return
        stop = Stop(run.time_s(place), place * run.step, abs(volts), 0.0, volts)
        self._measure(stop, known)
        stop.cut_s = stop.pop_s = None
        stop.fade_s, stop.fade_doubt_s = run.time_s(place), _DOUBT_S
        stop.rest_v, stop.rest_before_v, stop.rests_steadily, stop.off_rms_v = volts, usual_v, True, 0.0
        stop.is_half, stop.is_under = False, True
        stop.silent_terminal = name_silent_terminal(run, place)
        if self._is_lifted(place):
            self._levels_v.clear()  # that level is the usual one from here on
            self._rms_v.clear()
        else:
            self._stop = stop

    def _is_lifted(self, place: int) -> bool:
        """Whether the ground moved at step `place`: then it lifts the output with the whole amplifier."""
        if "ground" not in self._run:
            return False
        before, behind = (self._run.steps("ground", place + a, place + a + 400) for a in (-500, 100))
        return len(before) > 0 < len(behind) and abs(float(np.median(behind) - np.median(before))) > _GROUND_V

    def _find_step(self, first: int, last: int, known: int) -> tuple[FloatArray, int]:
        """Where between two steps two means explain the level best."""
        first, last = max(first, self._run.first), min(last, known)
        if last - first < 2 * len(_SHORT):
            return np.empty(0), first
        means = np.convolve(self._run.steps("mean", first, last).astype(np.float64), _SHORT, "valid")
        sums, counts = np.cumsum(means - means.mean())[:-1], np.arange(1, len(means))
        split = int(np.argmax(sums**2 * (1 / counts + 1 / counts[::-1]))) + 1
        return means, first + split + len(_SHORT) // 2

    def _close(self) -> None:
        stop, self._stop = self._stop, None
        assert stop is not None
        self._levels_v.clear()
        self._rms_v.clear()
        self._take_stop(stop)
