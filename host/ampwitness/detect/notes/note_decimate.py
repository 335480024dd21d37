"""The output cut down to what notes are looked for in: 1000 samples a second, and 500 of the band of the bass.

Every step works on blocks of one fixed length, as a banded matrix product: the same numbers come out, to the last bit,
however the recording was cut into windows.
"""

from __future__ import annotations

from math import ceil

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import HighPass, low_pass_taps

SLOW_RATE_HZ = 1000.0  # aimed at; the rate kept is the board's over a whole number
SLOW_PASS_HZ = 300.0
BLOCK_SLOW = 20_000  # slow samples a block: 20 s; measured: 10 s cost 12 % more, 60 s 12 % less but more memory
BLOCKS_AT_ONCE = 6  # looked at together: most of a call's time goes into setting it up
BAND_STEP = 2  # slow samples a band sample
_BAND_BLOCK_SLOW = 1920  # small, so that the band lags by no more than 2 s
BAND_LOW_HZ = 8.0  # -3 dB, second order: 0.1 dB is lost at 20 Hz
BAND_HIGH_HZ = 165.0  # -6 dB: flat to 130 Hz
LEVEL_S = 0.050
_THIN_HZ = 2000.0  # values a second are enough of what was averaged over 2 ms, but for its lowest
SMOOTH_S = 0.002  # the moving parabola that the supply is looked at through
_BEYOND = 6  # samples that the parabola's weights go on for at each end, fading; measured: 4 and 8 make no difference
_MATCHED = 0.9  # of the band, in which they leave what the whole curve's parabola leaves
_LEAST_WIDE = 8  # outputs a row of the matrix products; measured: 16 and 32 are no faster

Single = npt.NDArray[np.float32]


def _choose_wide(n_least: int, n_outputs: int) -> int:
    """Outputs a row, so that it reaches into no more than the row behind it: a power of two where that divides the
    block, else the next number that does (a prime step leaves few)."""
    n_wide = _LEAST_WIDE
    while n_wide < n_least:
        n_wide *= 2
    if n_outputs % n_wide:
        n_wide = next((n for n in range(max(_LEAST_WIDE, n_least), n_outputs + 1) if n_outputs % n == 0), n_outputs)
    return n_wide


class Decimator:
    """A symmetric filter, evaluated at every `step`-th sample of a run, block by block.

    Parameters
    ----------
    taps : (2 h + 1,) symmetric filter
    step : samples between two outputs; output k lies at sample k * step, nothing is shifted
    n_block : samples a block, a multiple of `step`, and at least as long as the filter

    Gaps
    ----
    One object a run. Beyond the ends of the run its first and last value are taken to go on.

    Limits
    ------
    Single precision: 1 uV at 12 V, far below the noise.
    """

    def __init__(self, taps: FloatArray, step: int, n_block: int) -> None:
        self._half = len(taps) // 2
        self._width = step * _choose_wide(-(-2 * self._half // step), n_block // step)
        if n_block % self._width:
            raise ValueError(f"a block of {n_block} samples is no multiple of {self._width}")
        self._step, self._n_block = step, n_block
        self._delay = ceil(self._half / step)
        self._n_carry = self._delay * step + self._half
        self._carry: Single | None = None
        self._n_in = self._n_out = 0
        n_wide = self._width // step
        matrix = np.zeros((self._width + 2 * self._half, n_wide), dtype=np.float32)
        for column in range(n_wide):
            matrix[column * step : column * step + len(taps), column] = taps
        # Two products of rows that do not overlap: overlapping rows would be copied first, which takes twice as long.
        self._own, self._behind = matrix[: self._width].copy(), matrix[self._width :].copy()

    def push(self, block: Single) -> Single:
        """Outputs that full blocks make known: one for each `step` samples, fewer at the first by the filter's half
        length. Several blocks at once are quicker."""
        width, n_carry = self._width, self._n_carry
        if self._carry is None:
            self._carry = np.full(n_carry, block[0], dtype=np.float32)
        sums = np.empty((len(block) // width, self._own.shape[1]), dtype=np.float32)
        if len(block) <= n_carry:
            joined = np.concatenate((self._carry, block))
            self._multiply(joined, sums)
            self._carry = joined[len(block) :]
        else:  # only the rows that reach into what was carried need it ahead of the block in one piece
            n_head = -(-n_carry // width)
            begin = n_head * width - n_carry
            self._multiply(np.concatenate((self._carry, block[: begin + 2 * self._half])), sums[:n_head])
            self._multiply(block[begin:], sums[n_head:])
            self._carry = block[len(block) - n_carry :].copy()
        out: Single = sums.reshape(-1)
        if self._n_in == 0:
            out = out[self._delay :]
        self._n_in += len(block)
        self._n_out += len(out)
        return out

    def _multiply(self, samples: Single, out: Single) -> None:
        """Rows of outputs; each takes `width` samples and twice the half length more."""
        n_rows, width = len(out), self._width
        if not n_rows:
            return
        np.matmul(samples[: n_rows * width].reshape(n_rows, width), self._own, out=out)
        if len(self._behind):
            strides = (width * samples.itemsize, samples.itemsize)
            behind = np.lib.stride_tricks.as_strided(samples[width:], (n_rows, 2 * self._half), strides)
            out += behind @ self._behind

    def finish(self, rest: Single) -> Single:
        """Outputs up to the last of the run's samples, of which `rest` are the last (fewer than a block)."""
        n_wanted = (self._n_in + len(rest) - 1) // self._step + 1 - self._n_out if self._n_in + len(rest) else 0
        known = rest if len(rest) or self._carry is None else self._carry
        last = known[-1] if len(known) else np.float32(0)  # a filter of one tap carries nothing, and wants nothing more
        out = [np.empty(0, dtype=np.float32)]
        block = np.concatenate((rest, np.full(self._n_block - len(rest), last, dtype=np.float32)))
        while sum(map(len, out)) < n_wanted:
            out.append(self.push(block))
            block = np.full(self._n_block, last, dtype=np.float32)
        return np.concatenate(out)[:n_wanted]


class History:
    """The last samples of one signal of a run, numbered from the run's start.

    Parameters
    ----------
    stays : what `values` and `part` give stays as it is, and keeps its room of a few minutes; else it is only good
        until more is appended
    """

    def __init__(self, dtype: npt.DTypeLike = np.float32, *, stays: bool = False) -> None:
        self.first = 0
        self._stays = stays
        self._room: npt.NDArray[np.floating] = np.empty(0, dtype=dtype)
        self._begin = 0
        self.values: npt.NDArray[np.floating] = self._room

    @property
    def stop(self) -> int:
        """Number after the last sample."""
        return self.first + len(self.values)

    def append(self, new: npt.NDArray[np.floating]) -> None:
        """Take the samples that follow."""
        n_old = len(self.values)
        n = n_old + len(new)
        if self._begin + n > len(self._room):  # to the front, of other room if need be
            old, self._begin = self.values, 0
            if self._stays or n > len(self._room):
                self._room = np.empty(n_old + BLOCKS_AT_ONCE * len(new), dtype=self._room.dtype)
            self._room[:n_old] = old
        self._room[self._begin + n_old : self._begin + n] = new
        self.values = self._room[self._begin : self._begin + n]

    def forget(self, before: int) -> None:
        """Drop what lies before a sample number."""
        n = min(before - self.first, len(self.values))
        if n > 0:
            self._begin += n
            self.values = self.values[n:]
            self.first += n

    def part(self, a: int, b: int) -> npt.NDArray[np.floating]:
        """Samples a to b, as far as they are there."""
        first = self.first  # asked for ten times a note: the shortest way
        return self.values[a - first if a > first else 0 : b - first if b > first else 0]


def parabola_taps(half: int) -> FloatArray:
    """Weights of a moving parabola over 2 half steps of time, taken at its middle: what it leaves of each frequency.

    Returns
    -------
    (2 m + 1,) symmetric weights, m = half + 6: least squares to the response of the parabola that is fitted to the
    whole curve between the first and the last sample, over nine tenths of the band; exact on a parabola.

    Limits
    ------
    A parabola fitted to the samples alone, by sums in place of integrals, leaves a seventh too little of 1.25 kHz and a
    fifth too little of 1.75 kHz at 8000 samples a second: 3 mV of a whine of 0.1 V there.

    Source: Savitzky and Golay's parabola with integrals; its weights over -1 to 1 are (9 - 15 u^2) / 8. Their transform
    and the least squares: own derivation.
    """
    m = half + _BEYOND
    n = np.arange(m + 1, dtype=float)
    turn = np.linspace(0.0, _MATCHED * np.pi, 16 * m)[1:]  # a sample
    x = turn * half
    sine = np.sin(x) / x
    wanted = (15.0 * (sine - np.cos(x)) / x**2 - 3.0 * sine) / 2.0
    twice = np.where(n > 0, 2.0, 1.0)  # on either side
    cosines = twice * np.cos(turn[:, None] * n)
    exact = np.stack((twice, twice * (n / m) ** 2))  # a constant stays, of a parabola its middle does
    corner = np.zeros((2, 2))
    equations = np.block([[cosines.T @ cosines, exact.T], [exact, corner]])
    side = np.linalg.solve(equations, np.concatenate((cosines.T @ wanted, [1.0, 0.0])))[: m + 1]
    taps: FloatArray = np.concatenate((side[:0:-1], side))
    return taps


def span_shares(half: int) -> FloatArray:
    """(2 half + 1,) how much each sample counts in a span from the first to the last: the ends by half."""
    share = np.ones(2 * half + 1)
    share[[0, -1]] = 0.5
    return share


class Bands:
    """All signals of one run that the note detector looks at.

    `slow` : low-pass at about 300 Hz, every `factor`-th sample; `high` : the same, less what lies below 8 Hz;
    `band` : 8 to 165 Hz, every second slow sample; `output`, `supply` : as they came; `parabola` : the supply through a
    moving parabola over 2 ms, `per_slow` values a slow sample; `thinned` gives one value for `thin_step` samples of it.

    Gaps
    ----
    One object a run.
    """

    def __init__(self, rate_hz: float, has_supply: bool) -> None:
        self.factor = max(1, round(rate_hz / SLOW_RATE_HZ))
        self.rate_hz, self.slow_hz = rate_hz, rate_hz / self.factor
        self.band_hz = self.slow_hz / BAND_STEP
        self.n_block = BLOCK_SLOW * self.factor
        half = round(0.0033 * rate_hz)
        cutoff_hz = min(SLOW_PASS_HZ + 50.0, 0.45 * rate_hz)
        self.slow_taps = low_pass_taps(2 * half + 1, 2 * cutoff_hz / rate_hz) if self.factor > 1 else np.ones(1)
        self._to_slow = Decimator(self.slow_taps, self.factor, self.n_block)
        self._high_pass = HighPass(BAND_LOW_HZ, self.slow_hz)
        self._response: tuple[FloatArray, FloatArray] | None = None
        self.band_taps = low_pass_taps(2 * round(0.024 * self.slow_hz) + 1, 2 * BAND_HIGH_HZ / self.slow_hz)
        self._to_band = Decimator(self.band_taps, BAND_STEP, _BAND_BLOCK_SLOW)
        self._waiting: Single = np.empty(0, dtype=np.float32)  # high-passed, until a block of them is full
        self.output, self.slow, self.high = History(), History(), History(np.float64)
        self.band, self.parabola = History(np.float64, stays=True), History(stays=True)
        self.step = next(s for s in range(max(1, self.factor // 4), 0, -1) if self.factor % s == 0)
        self.per_slow = self.factor // self.step
        self._every = max(1, round(rate_hz / self.step / _THIN_HZ))
        self.thin_step = self._every * self.step
        self.supply: History | None = History() if has_supply else None
        self._thin_out()
        smooth = parabola_taps(max(1, round(0.5 * SMOOTH_S * rate_hz)))
        self._to_parabola = Decimator(smooth, self.step, self.n_block)

    def append(self, output: Single, supply: Single | None, is_last: bool) -> None:
        """Take a full block, or the rest of the run."""
        self.output.append(output)
        slow = self._to_slow.finish(output) if is_last else self._to_slow.push(output)
        self.slow.append(slow)
        if len(slow):
            high = self._high_pass.push(slow.astype(np.float64))
            self.high.append(high)
            self._waiting = np.concatenate((self._waiting, high.astype(np.float32)))
        n = len(self._waiting) // _BAND_BLOCK_SLOW * _BAND_BLOCK_SLOW
        if n:
            self.band.append(self._to_band.push(self._waiting[:n]))
            self._waiting = self._waiting[n:].copy()
        if is_last:
            self.band.append(self._to_band.finish(self._waiting))
        if supply is not None and self.supply is not None:
            self.supply.append(supply)
            self.parabola.append(self._to_parabola.finish(supply) if is_last else self._to_parabola.push(supply))
            self._thin_out()

    def _thin_out(self) -> None:
        """What `thinned` cuts from: it is asked for four times a note."""
        self._thin_first = -(-self.parabola.first // self._every)
        self._thin = self.parabola.values[self._thin_first * self._every - self.parabola.first :: self._every]

    def forget(self, before: int, raw_before: int) -> None:
        """Drop what lies before a band sample, and raw samples before `raw_before`."""
        self.band.forget(before)
        self.slow.forget(before * BAND_STEP)
        self.high.forget(before * BAND_STEP)
        self.parabola.forget(before * BAND_STEP * self.per_slow)
        self._thin_out()
        self.output.forget(raw_before)
        if self.supply is not None:
            self.supply.forget(raw_before)

    def thinned(self, first: int, stop: int) -> FloatArray:
        """The parabola's values number `first` to `stop`, as far as they are there; number k lies at sample k x
        `thin_step`."""
        begin = self._thin_first
        return self._thin[max(first - begin, 0) : max(stop - begin, 0)]

    def response(self, frequency_hz: FloatArray) -> FloatArray:
        """What the band leaves of a sine at each frequency up to half the band's rate, as a ratio."""
        if self._response is None:
            hz = np.arange(0.0, 0.5 * self.band_hz + 1.0, 0.5)
            self._response = (hz, self._exact_response(hz))
        out: FloatArray = np.interp(np.asarray(frequency_hz, dtype=float), *self._response)
        return out

    def _exact_response(self, frequency_hz: FloatArray) -> FloatArray:
        raw_at = np.arange(len(self.slow_taps)) - len(self.slow_taps) // 2
        at = np.arange(len(self.band_taps)) - len(self.band_taps) // 2
        f = np.asarray(frequency_hz, dtype=float)
        low = np.cos(2 * np.pi * f[..., None] / self.rate_hz * raw_at) @ self.slow_taps
        band = np.cos(2 * np.pi * f[..., None] / self.slow_hz * at) @ self.band_taps
        ratio = np.tan(np.pi * BAND_LOW_HZ / self.slow_hz) / np.tan(np.pi * np.maximum(f, 0.1) / self.slow_hz)
        out: FloatArray = np.abs(low * band) / np.sqrt(1.0 + ratio**4)
        return out
