"""The output cut down to what notes are looked for in: about 1000 samples a second, and the band of the bass."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import signal

from ampwitness.types import FloatArray

SLOW_RATE_HZ = 1000.0  # aimed at; the rate kept is the board's over a whole number
SLOW_PASS_HZ = 300.0
BAND_LOW_HZ = 8.0  # -3 dB, second order: 0.1 dB is lost at 20 Hz
BAND_HIGH_HZ = 165.0  # -6 dB: flat to 130 Hz
LEVEL_S = 0.050

_Places = npt.NDArray[np.intp]


class SlowBand:
    """Decimates one unbroken run and filters the bass band out of it, block by block.

    `slow` holds samples at every `factor`-th sample of the run (nothing shifted: the filters are symmetric), low-pass
    at about 300 Hz; `band` the same, 8 to 165 Hz. Both start at slow index `first`.

    Gaps
    ----
    One object a run. Beyond the ends of the run its first and last value are taken to go on.
    """

    def __init__(self, rate_hz: float) -> None:
        self.factor = max(1, round(rate_hz / SLOW_RATE_HZ))
        self.rate_hz = rate_hz / self.factor
        half = round(0.0033 * rate_hz)
        cutoff_hz = min(SLOW_PASS_HZ + 50.0, 0.45 * rate_hz)
        self._taps = signal.firwin(2 * half + 1, cutoff_hz, fs=rate_hz) if self.factor > 1 else np.ones(1)
        self._half = half if self.factor > 1 else 0
        self._sos = signal.butter(2, BAND_LOW_HZ, "highpass", fs=self.rate_hz, output="sos")
        self._state: FloatArray | None = None
        self._band_half = round(0.024 * self.rate_hz)
        self._band_taps = signal.firwin(2 * self._band_half + 1, BAND_HIGH_HZ, fs=self.rate_hz)
        self._raw: FloatArray = np.empty(0)
        self._raw_first = 0
        self._is_new = True
        self._high: FloatArray = np.empty(0)  # high-passed, waiting for the band's low-pass
        self.first = 0
        self.slow: FloatArray = np.empty(0)
        self.band: FloatArray = np.empty(0)
        self._n_slow = 0

    @property
    def stop(self) -> int:
        """Slow index after the last sample of `band`."""
        return self.first + len(self.band)

    def append(self, output: FloatArray, is_last: bool) -> None:
        """Take the next samples of the run."""
        raw = np.concatenate((self._raw, output))
        if self._is_new and len(raw):
            raw = np.concatenate((np.full(self._half, raw[0]), raw))
            self._raw_first = -self._half
            self._is_new = False
            self._high = np.zeros(self._band_half)
        if is_last and len(raw):
            raw = np.concatenate((raw, np.full(self._half, raw[-1])))
        # Slow sample m needs raw m*factor - half ... m*factor + half.
        m0 = self._n_slow
        stop_raw = self._raw_first + len(raw)
        m1 = max(m0, (stop_raw - 1 - self._half) // self.factor + 1)
        new = np.empty(0)
        if m1 > m0:
            start = m0 * self.factor - self._half - self._raw_first
            spans = np.lib.stride_tricks.sliding_window_view(raw[start:], len(self._taps))[:: self.factor][: m1 - m0]
            new = spans @ self._taps
        keep = m1 * self.factor - self._half
        self._raw = raw[max(0, keep - self._raw_first) :].copy()
        self._raw_first = max(self._raw_first, keep)
        self._n_slow = m1
        self._filter(new, is_last)

    def _filter(self, new: FloatArray, is_last: bool) -> None:
        self.slow = np.concatenate((self.slow, new))
        if len(new):
            if self._state is None:
                self._state = signal.sosfilt_zi(self._sos) * new[0]
            passed, self._state = signal.sosfilt(self._sos, new, zi=self._state)
            self._high = np.concatenate((self._high, passed))
        if is_last:
            self._high = np.concatenate((self._high, np.zeros(self._band_half)))
        if len(self._high) > 2 * self._band_half:
            self.band = np.concatenate((self.band, np.convolve(self._high, self._band_taps, "valid")))
            self._high = self._high[-2 * self._band_half :].copy()

    def forget(self, before: int) -> None:
        """Drop what lies before slow index `before`."""
        n = min(before - self.first, len(self.band))
        if n > 0:
            self.slow, self.band = self.slow[n:].copy(), self.band[n:].copy()
            self.first += n


def measure_levels(band: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rms of the band over the 50 ms before, behind and around each sample (shorter at the ends).

    Returns
    -------
    three (n,) arrays, volts rms.
    """
    n = len(band)
    width = max(2, round(LEVEL_S * rate_hz))
    sums = np.concatenate(([0.0], np.cumsum(band**2)))
    at = np.arange(n)

    def rms(a: _Places, b: _Places) -> FloatArray:
        a, b = np.clip(a, 0, n), np.clip(b, 0, n)
        out: FloatArray = np.sqrt(np.maximum(sums[b] - sums[a], 0.0) / np.maximum(b - a, 1))
        return out

    return rms(at - width, at), rms(at, at + width), rms(at - width // 2, at - width // 2 + width)


def measure_centre(band: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Power-weighted mean frequency of the band over the 60 ms before and behind each sample, hertz.

    Limits
    ------
    Coarse: with harmonics in the band it lies between them. Used only to see that something changed.
    """
    n = len(band)
    width = round(0.060 * rate_hz)
    slope = np.gradient(band) if n > 1 else np.zeros(n)
    s0 = np.concatenate(([0.0], np.cumsum(band**2)))
    s1 = np.concatenate(([0.0], np.cumsum(slope**2)))
    at = np.arange(n)

    def centre(a: _Places, b: _Places) -> FloatArray:
        a, b = np.clip(a, 0, n), np.clip(b, 0, n)
        ratio = (s1[b] - s1[a]) / np.maximum(s0[b] - s0[a], 1e-30)
        out: FloatArray = np.arcsin(np.sqrt(np.clip(ratio, 0.0, 1.0))) * rate_hz / (2 * np.pi)
        return out

    return centre(at - width, at), centre(at, at + width)
