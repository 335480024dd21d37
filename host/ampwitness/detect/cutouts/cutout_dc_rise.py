"""Watches one run for steady volts that no signal rides on and that were not there before: they burn a speaker.

Gaps: only one unbroken run is looked at.
Limits: at least 2 V for 0.3 s, steady to a seventh from one tenth of a second to the next. Volts that take longer than
three seconds to rise are dated too late; what is usual is the last minute's median, so those that take half of it are
taken for usual.
Source: our choice, measured in tests/detect_cutouts/test_cutout_dc_rise.py.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from ampwitness.detect.cutouts.cutout_dc import DC_BIN, find_rise, rests_steadily
from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

DC_V = 2.0
N_BINS = 3
_SAME_RATIO = 0.15  # of each other: what moves on is a slow wave or still on its way
_OWN_RATIO = 1.2
_CREPT, _CREPT_RATIO = 2000, 0.3  # steps; of the volts
_SIGNAL_RATIO, _RIPPLE_RATIO = 0.1, 0.02
_SOUNDS_V, _USUAL_SECONDS, _LEAST_SECONDS = 0.3, 60, 4  # rms about the level


class DcWatch:
    """Follows the level of one run in bins of a tenth of a second."""

    def __init__(self, run: RunSteps) -> None:
        self._run = run
        self._n_bins, self._level_v, self._since = 0, 0.0, 0
        self._usual_v: deque[tuple[float, bool]] = deque(maxlen=_USUAL_SECONDS)  # level of a second, whether it sounded
        self.own_v: float | None = None  # on which a stage plays that was seen to be switched off

    def learn(self, level_v: FloatArray, square_v2: FloatArray) -> None:
        """Remember the level of (n,) seconds, given with their mean squares."""
        sounds = square_v2 - level_v**2 > _SOUNDS_V**2
        self._usual_v.extend(zip(level_v.tolist(), sounds.tolist(), strict=True))

    def find_usual(self, step: int) -> float:
        """The usual level before `step`: of the last minute, what sounded before all else, as a stage may play on volts
        of its own. The tenth of a second just before where that is too short: creeping volts stood near there."""
        levels_v = [v for v, sounds in self._usual_v if sounds] or [v for v, _ in self._usual_v]
        if len(self._usual_v) >= _LEAST_SECONDS:
            return float(np.median(levels_v))
        before = self._run.steps("mean", step - 100, step - 1)
        return float(np.mean(before)) if len(before) else 0.0

    def find_usual_of(self, stop: Stop) -> float:
        """The usual level ahead of a stop: what it rested on, unless it still crept there within the last two seconds.
        Volts that stood for longer under what played are told as such (`cutout_dc_under`)."""
        step = stop.stop_sample // self._run.step
        earlier = self._run.steps("mean", step - _CREPT, step - _CREPT + 5 * DC_BIN)
        has_crept = len(earlier) > 0 and abs(float(np.mean(earlier)) - stop.rest_v) > _CREPT_RATIO * abs(stop.rest_v)
        return self.find_usual(step) if abs(stop.rest_before_v) > DC_V and has_crept else stop.rest_before_v

    def find(self, start: int, limit: int, known: int, usual_v: float = 0.0) -> tuple[int, Stop] | None:
        """The step up to which steady volts were seen, from step `start` to `limit`, and the stop that they are.

        `usual_v` is the level that the output has by itself; steps up to `known` may be looked at. None: none.
        """
        run, self._since = self._run, start
        start = -(-start // DC_BIN) * DC_BIN
        n = (limit - start) // DC_BIN
        if n <= 0:
            return None
        level = run.steps("mean", start, start + n * DC_BIN).reshape(n, DC_BIN).mean(axis=1, dtype=np.float64)
        far = (np.abs(level) > DC_V) & (np.abs(level - usual_v) > DC_V)
        own_v = usual_v if abs(usual_v) > DC_V else self.own_v
        if own_v is not None:  # that level comes and goes with the stage
            far &= (level * np.sign(own_v) < 0) | (np.abs(level) > _OWN_RATIO * abs(own_v))
        if not far.any():
            self._n_bins = 0
            return None
        square = run.steps("square", start, start + n * DC_BIN).reshape(n, DC_BIN).mean(axis=1, dtype=np.float64)
        is_dc = far & (np.maximum(square - level**2, 0.0) < (_SIGNAL_RATIO * level) ** 2)
        for place, flag in enumerate(is_dc):
            is_same = self._n_bins > 0 and abs(level[place] - self._level_v) < _SAME_RATIO * abs(level[place])
            self._n_bins = (self._n_bins + 1 if is_same else 1) if flag else 0
            self._level_v = float(level[place])
            if self._n_bins < N_BINS:
                continue
            until = start + (place + 1) * DC_BIN
            stop = self._make_stop(until - N_BINS * DC_BIN, known)
            if stop is not None:
                return until, stop
        return None

    def _make_stop(self, begin: int, known: int) -> Stop | None:
        """The stop that steady volts are which stand from step `begin` on; None: they move on."""
        run, volts = self._run, self._level_v
        ripple_v = _RIPPLE_RATIO * abs(volts)
        if not rests_steadily(run, Stop(run.time_s(begin), begin * run.step, abs(volts), ripple_v, volts), known):
            return None
        step = max(self._since, find_rise(run, begin, volts))
        at = run.time_s(step), step * run.step
        return Stop(*at, abs(volts), 0.0, volts, is_dc_only=True, stood_at_first=step == 0)
