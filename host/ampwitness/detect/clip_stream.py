"""Windows of any length in, stretches of fixed length on a fixed grid out: the answer must not depend on the cut.

A stretch starts and ends at multiples of STRETCH_S of the board's own scan count and is seen with a margin on either
side. Lagged means of the supply and of the output's size run along, for the rail model.

Gaps: a gap ends the stream; the next segment starts a new one. Nothing is carried over.
Limits: holds one stretch and its margins, nothing more.
Source: our choice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import signal

from ampwitness.types import FloatArray

STRETCH_S = 4.0
MARGIN_S = 0.25
SUPPLY_LAGS_S = (0.0004, 0.003, 0.01, 0.03)
OUTPUT_LAGS_S = (0.003, 0.01, 0.03, 0.15)
GRID_V = 2.0**-18  # volts are rounded to this, 4 uV, so that sums are exact wherever a view starts


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch with its margins. Sample i is at (first_index + i + phase) / rate_hz."""

    rate_hz: float
    first_index: int
    phase: float
    own_first: int  # crests in [own_first, own_last) are this stretch's own
    own_last: int
    output_v: FloatArray
    supply_v: FloatArray | None
    lagged_supply_v: FloatArray | None  # (n_lags, n)
    lagged_output_v: FloatArray  # (n_lags, n), of the absolute value

    def time_s(self, sample: FloatArray | float) -> FloatArray | float:
        return (self.first_index + self.phase + sample) / self.rate_hz


class SegmentStream:
    """Takes consecutive pieces of one unbroken segment and yields its stretches."""

    def __init__(self, rate_hz: float, start_s: float, has_supply: bool) -> None:
        place = start_s * rate_hz
        self.rate_hz = rate_hz
        self.first_index = round(place)
        self.phase = place - self.first_index if abs(place - self.first_index) > 1e-4 else 0.0
        self.has_supply = has_supply
        self._rows: FloatArray = np.zeros((self._n_rows(), 0))
        self._rows_first = self.first_index  # index of the first column kept
        self._state: list[FloatArray] | None = None
        self._done = self.first_index  # stretches up to here are out
        self._step = round(STRETCH_S * rate_hz)
        self._margin = round(MARGIN_S * rate_hz)

    def _n_rows(self) -> int:
        return 1 + len(OUTPUT_LAGS_S) + (1 + len(SUPPLY_LAGS_S) if self.has_supply else 0)

    @property
    def next_index(self) -> int:
        """Index of the sample that would come next."""
        return self._rows_first + int(self._rows.shape[1])

    def _lag(self, which: int, volts: FloatArray, lag_s: float) -> FloatArray:
        keep = float(np.exp(-1 / (lag_s * self.rate_hz)))
        assert self._state is not None
        out, self._state[which] = signal.lfilter([1 - keep], [1, -keep], volts, zi=self._state[which])
        return np.asarray(out)

    def push(self, output_v: FloatArray, supply_v: FloatArray | None) -> Iterator[Stretch]:
        """Append samples; yield the stretches that are complete with their margins."""
        if not len(output_v):
            return
        output = np.round(np.asarray(output_v, dtype=float) / GRID_V) * GRID_V
        size = np.abs(output)
        supply = None if supply_v is None else np.asarray(supply_v, dtype=float)
        if self._state is None:
            self._state = [np.array([0.0])] * len(OUTPUT_LAGS_S)
            if supply is not None:  # a steady start: the filters begin at the first value
                self._state = self._state + [
                    np.array([np.exp(-1 / (lag_s * self.rate_hz)) * float(supply[0])]) for lag_s in SUPPLY_LAGS_S
                ]
        rows = [output, *(self._lag(k, size, lag_s) for k, lag_s in enumerate(OUTPUT_LAGS_S))]
        if supply is not None:
            rows.append(supply)
            rows += [self._lag(len(OUTPUT_LAGS_S) + k, supply, lag_s) for k, lag_s in enumerate(SUPPLY_LAGS_S)]
        self._rows = np.concatenate([self._rows, np.stack(rows)], axis=1)
        yield from self._ready(self.next_index - self._margin)

    def finish(self) -> Iterator[Stretch]:
        """Yield what is left; the segment ends here."""
        yield from self._ready(self.next_index, is_last=True)

    def _ready(self, safe_index: int, is_last: bool = False) -> Iterator[Stretch]:
        while True:
            stop = (self._done // self._step + 1) * self._step
            if stop > safe_index:
                if not is_last or self._done >= self.next_index:
                    return
                stop = min(stop, self.next_index)
            view_first = max(self._rows_first, self._done - self._margin)
            view_last = min(self.next_index, stop + self._margin)
            yield self._cut(view_first, view_last, stop)
            self._done = stop
            keep_from = max(self._rows_first, stop - self._margin)
            self._rows = self._rows[:, keep_from - self._rows_first :]
            self._rows_first = keep_from

    def _cut(self, view_first: int, view_last: int, stop: int) -> Stretch:
        rows = self._rows[:, view_first - self._rows_first : view_last - self._rows_first]
        n_out = 1 + len(OUTPUT_LAGS_S)
        return Stretch(
            rate_hz=self.rate_hz,
            first_index=view_first,
            phase=self.phase,
            own_first=self._done - view_first,
            own_last=stop - view_first,
            output_v=rows[0].copy(),
            supply_v=rows[n_out] if self.has_supply else None,
            lagged_supply_v=rows[n_out + 1 :] if self.has_supply else None,
            lagged_output_v=rows[1:n_out],
        )


def measure_noise(volts: FloatArray, rate_hz: float) -> float:
    """Standard deviation of the noise of one sample, from the quieter fifth of 20 ms pieces, at 50...85 % of the band.

    Limits: what is steady in that band all the time (whine, switching residue) counts as noise, and so it should."""
    # Six zeros at 0 Hz: bass a thousand times the noise must not leak in, yet corners must not ring for long.
    taps = np.convolve(signal.firwin(9, 0.8), [1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0])
    if len(volts) < 4 * len(taps):
        return float("nan")
    high = np.abs(signal.fftconvolve(volts, taps, mode="valid"))
    piece = min(max(16, round(0.02 * rate_hz)), len(high))
    pieces = high[: len(high) // piece * piece].reshape(-1, piece)
    # The quieter quarter of a piece: corners of clipped half-cycles may ring through the larger part of it.
    spread = np.quantile(pieces, 0.25, axis=1) / 0.3186 / np.sqrt(np.sum(taps**2))
    return float(np.quantile(spread, 0.2))
