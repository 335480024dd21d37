"""Where a steady hum of the mains takes the signal's place: what an open signal lead picks up on a workbench.

Gaps: only one unbroken run is looked at; a hum ends with it.
Limits: 50 and 60 Hz and their multiples, for a second at least, 0.1 V rms and at most 0.7 times as loud as what played
before. One pure tone is no hum but a test tone. A hum that was there before as well, and comes out in a pause, is none
of this. What a lead picks up in a vehicle (whine, hiss) is not looked for.
Source: our choice, measured in tests/detect_cutouts/test_cutout_hum.py.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_beside import WatchBeside
from ampwitness.detect.cutouts.cutout_measure import Hum, Stop
from ampwitness.types import FloatArray

_BIN = 100  # steps of 1 ms: five and six periods of the mains
_LEAST_BINS = 10
_PERIODS = {50: 20, 60: 50}  # mains, Hz -> steps that hold whole periods of it
_REPEATS_RATIO = 0.02  # of its power: so little differs from one bin to the next
_LEAST_V, _SAME_RATIO = 0.10, 0.15
_LOUDER_RATIO = 0.7  # of the rms before: a test tone that is clipped is louder
_PURE_SHARE = 0.002  # of its power outside its strongest line
_WAS_THERE_RATIO = 0.6  # of it, in the three seconds before
_BEFORE_BINS, _MEAN_BINS = 30, 4
_MAINS_SHARE = 0.9
_EVERY, _COARSE = 5, 4.0
_OUT_TIMES, _OUT_RATIO = 6.0, 0.25  # of its own scatter, of its swing: what lies farther off is no hum


class HumWatch(WatchBeside):
    """Follows one run in bins of a tenth of a second; a stop from where nothing but hum is left to where it ends."""

    _n_bins, _power = 0, 0.0

    def follow(self, start: int, limit: int, known: int) -> None:
        """Look at the bins from step `start` to `limit`."""
        run = self._run
        begin = max(-(-start // _BIN) * _BIN, _BIN)
        n = (limit - begin) // _BIN
        if begin - _BIN < run.first or n <= 0 or (run.rate_hz * _BIN * run.step_s) % 1:
            return
        mean = run.steps("mean", begin - _BIN, begin + n * _BIN)
        if self._n_bins == 0 and self._stop is None and not _may_hold_hum(mean, n):
            return
        power, is_steady = _find_steady(mean.astype(np.float64), n)
        for place, flag in enumerate(is_steady):
            is_same = flag and self._n_bins > 0 and abs(power[place] / self._power - 1.0) < _SAME_RATIO
            if self._stop is not None and not is_same:
                self.end(begin + place * _BIN)
            self._n_bins = (self._n_bins + 1 if is_same else 1) if flag else 0
            self._power = float(power[place])
            if self._n_bins == _LEAST_BINS and self._stop is None:
                self._begin(begin + (place + 1) * _BIN, known)

    def end(self, step: int) -> None:
        """The hum that is open ends in the bin from `step` on, or with the run."""
        stop, self._stop = self._stop, None
        if stop is None:
            return
        run = self._run
        n = run.step * _BIN
        first, samples = run.samples("output", step * run.step - n, (step + _BIN) * run.step)
        off = _find_off(samples[n:] - samples[: len(samples) - n], samples[:n])
        stop.ended_how = "the data ended while only hum was left"
        stop.end_s = run.stop_s if step + _BIN > run.stop else run.time_s(step)
        if len(off):
            stop.end_s = stop.resume_s = run.start_s + (first + n + int(off[0])) / run.rate_hz
            stop.ended_how = "the output came back"
        self._take_stop(stop)

    def _begin(self, until: int, known: int) -> None:
        """Open a stop where the hum that is steady up to step `until` began, if it took a signal's place."""
        run, n = self._run, self._run.step * _BIN
        steady = until - (_LEAST_BINS - 1) * _BIN  # its first bin may hold the end of the signal
        begin = (steady - (_BEFORE_BINS + 1) * _BIN) * run.step
        first, samples = run.samples("output", begin, (steady + _MEAN_BINS * _BIN) * run.step)
        samples, later = samples[: len(samples) - (_MEAN_BINS - 1) * n], samples[-_MEAN_BINS * n :].reshape(-1, n)
        n_before = len(samples) - 2 * n
        if n_before < _BEFORE_BINS // 2 * n:
            return
        period = later.mean(axis=0)  # with less of the logger's noise
        hum = period - period.mean()
        mains_hz = _name_mains(hum, run.rate_hz)
        before = samples[n_before % n : n_before].reshape(-1, n)
        before = before - before.mean()
        rms_v, before_v = float(np.std(hum)), float(np.std(before))
        shares = before @ hum / float(hum @ hum)
        was_there = float(np.mean(shares) + 2.0 * np.std(shares) / np.sqrt(len(shares)))  # as may be at most
        peak_v = 0.5 * float(before.max() - before.min())
        if mains_hz is None or rms_v > _LOUDER_RATIO * before_v or was_there > _WAS_THERE_RATIO:
            return
        # It repeats itself: backwards from where it is steady, the last sample that is off is the signal's.
        late = samples[n_before - 2 * n :]
        off = _find_off(late - np.resize(period, len(late)), hum)
        sample = first + n_before - 2 * n + (int(off[-1]) if len(off) else 0)
        stop = Stop(run.start_s + (sample + 1) / run.rate_hz, sample, peak_v, rms_v, float(period.mean()))
        self._measure(stop, known)
        stop.cut_s = stop.fade_s = stop.pop_s = None
        stop.abrupt_ratio, stop.last_rms_ratio = 0.4, 1.0  # a click at its begin may hide some milliseconds
        stop.hum = Hum(mains_hz, rms_v, self._is_in_source(steady))
        stop.source = {None: "not logged", True: "stopped", False: "played on"}[stop.hum.is_in_source]
        self._stop = stop

    def _is_in_source(self, steady: int) -> bool | None:
        if "source" not in self._run:
            return None
        mean = self._run.steps("source", steady - _BIN, steady + 3 * _BIN).astype(np.float64)
        power, is_steady = _find_steady(mean, 3, 0.0)
        return bool(is_steady.sum() >= 2) and bool(power.max() > 0)


def _may_hold_hum(mean: FloatArray, n: int) -> bool:
    """Whether any of `n` bins behind a first one may repeat the one before it, by a few of its steps."""
    rows = mean[: (n + 1) * _BIN].reshape(n + 1, _BIN)[:, ::_EVERY]
    level, step = rows[1:], rows[1:] - rows[:-1]
    across = level - level.mean(axis=1, keepdims=True)
    return bool(np.any((step * step).sum(axis=1) < _COARSE * 2.0 * _REPEATS_RATIO * (across * across).sum(axis=1)))


def _find_steady(mean: FloatArray, n: int, least_v: float = _LEAST_V) -> tuple[FloatArray, FloatArray]:
    """Power of each of `n` bins behind a first one; whether it repeats the bin before it and holds mains' periods."""
    rows = mean[_BIN:].reshape(n, _BIN)
    power = rows.var(axis=1)
    differs = 0.5 * np.mean((rows - mean[:-_BIN].reshape(n, _BIN)) ** 2, axis=1)
    is_steady = (differs < _REPEATS_RATIO * power) & (power > least_v**2)
    for k in np.flatnonzero(is_steady).tolist():
        row = rows[k]
        off = (0.5 * float(np.mean((row[lag:] - row[:-lag]) ** 2)) for lag in _PERIODS.values())
        is_steady[k] = min(off) < _REPEATS_RATIO * power[k]
    return power, is_steady


def _name_mains(hum: FloatArray, rate_hz: float) -> int | None:
    """Of which mains one tenth of a second of hum consists; None: of one pure tone, or of none."""
    lines = np.abs(np.fft.rfft(hum)) ** 2
    lines[0] = 0.0
    if lines.max() > (1.0 - _PURE_SHARE) * lines.sum():
        return None
    shares = {hz: float(lines[hz // 10 :: hz // 10].sum()) / float(lines.sum()) for hz in _PERIODS}
    best = max(shares, key=lambda hz: shares[hz])
    return best if shares[best] > _MAINS_SHARE else None


def _find_off(differs: FloatArray, hum: FloatArray) -> FloatArray:
    """Places at which something else than the hum is heard."""
    scatter_v = 1.4826 * float(np.median(np.abs(differs)))
    limit_v = max(_OUT_TIMES * scatter_v, _OUT_RATIO * float(np.abs(hum - hum.mean()).max()))
    return np.asarray(np.flatnonzero(np.abs(differs) > limit_v))
