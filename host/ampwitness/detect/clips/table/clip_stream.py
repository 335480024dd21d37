"""Windows of any length in, stretches of fixed length on a fixed grid out: the answer must not depend on the cut.

A stretch starts and ends at multiples of STRETCH_S of the board's own scan count and is seen with a margin on either
side. Means over a millisecond of the supply and of the output's size run along, from which lagged means are made where
they are asked for.

Gaps: a gap ends the stream; the next segment starts a new one. Nothing is carried over.
Limits: holds one stretch, its margins and the last window, nothing more. Lagged means look back MARGIN_S at most.
Source: our choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.table.standing_volts import standing_course
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import low_pass_taps, recur

IntArray = npt.NDArray[np.intp]

STRETCH_S = 128.0
MOST_SAMPLES = 1_600_000  # in a stretch: at high rates it is shorter
MARGIN_S = 0.5
SUPPLY_LAGS_S = (0.0004, 0.003, 0.01, 0.03)
OUTPUT_LAGS_S = (0.003, 0.01, 0.03, 0.15)
MEAN_S = 0.001
FINE_S, FINE_IN_ROW = 0.00025, 4  # of the supply under a plateau, which may be shorter than MEAN_S
TIME_CONSTANTS = 3.0  # how many of them a lagged mean looks back
CHUNK = 16  # blocks between which the sums of lagged means run,
MANY_SHARE = 0.1  # where no more of them are asked for at once
BLOCKS_AT_ONCE = 1 << 15
NOISE_PIECE_S = 0.02
NOISE_EVERY = 25  # one piece in so many is looked at


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch with its margins. Sample i is at (first_index + i + phase) / rate_hz."""

    rate_hz: float
    first_index: int
    phase: float
    own_first: int  # crests in [own_first, own_last) are this stretch's own
    own_last: int
    is_first: bool  # its first sample is the segment's first
    is_last: bool
    output_v: npt.NDArray[np.float32]  # about `standing_v`
    supply_v: FloatArray | None
    standing_v: float = 0.0  # the middle of what was taken off the output, 0 of one that plays about 0 V

    def time_s(self, sample: FloatArray | float) -> FloatArray | float:
        return (self.first_index + self.phase + sample) / self.rate_hz


def block_means(volts: FloatArray, n_block: int) -> FloatArray:
    """Means of consecutive blocks of `n_block` samples; an unfinished last block is left out."""
    blocks = np.asarray(volts[: len(volts) // n_block * n_block], dtype=np.float32).reshape(-1, n_block)
    return np.asarray(blocks @ np.full(n_block, 1 / n_block, dtype=np.float32))


def _means_of_changed(change: np.ufunc, volts: npt.NDArray[np.float32], n_block: int) -> FloatArray:
    """`block_means` of changed volts, a part of them at a time: no copy of all is made. Parts are no smaller than
    BLOCKS_AT_ONCE, as the sums of short products are rounded in another order."""
    n_parts = max(1, len(volts) // n_block // BLOCKS_AT_ONCE)
    edges = [*(k * (len(volts) // n_block // n_parts) * n_block for k in range(n_parts)), len(volts)]
    return np.concatenate([block_means(change(volts[a:b]), n_block) for a, b in pairwise(edges)])


def _sums_of_rows(table: FloatArray) -> FloatArray:
    """(n,) sums along short rows, place by place: an eighth of the time of numpy, which adds in this order."""
    total = table[:, 0].copy()
    for column in table.T[1:]:
        total += column
    return np.asarray(total)


def highest_of(volts: npt.NDArray[np.float32]) -> float:
    """The largest |volts|, 0 of none, without a copy of them."""
    return max(float(np.max(volts, initial=0.0)), -float(np.min(volts, initial=0.0)))


class LaggedMeans:
    """Exponential means that end at given samples, over the supply and over the output's size."""

    def __init__(self, stretch: Stretch) -> None:
        self._block = max(1, round(MEAN_S * stretch.rate_hz))
        step_s = self._block / stretch.rate_hz
        size = _means_of_changed(np.abs, stretch.output_v, self._block)
        self._highest_size_v = float(size.max(initial=0.0))
        self._lagged_size = _LaggedBlocks(size, step_s, OUTPUT_LAGS_S)
        self._supply = None if stretch.supply_v is None else block_means(stretch.supply_v, self._block)
        self._fine_block = max(1, round(FINE_S * stretch.rate_hz))
        self._fine: FloatArray | None = None
        if stretch.supply_v is not None:
            fine = block_means(stretch.supply_v, self._fine_block)
            self._fine = fine[: len(fine) // FINE_IN_ROW * FINE_IN_ROW].reshape(-1, FINE_IN_ROW)
        self._fine_sum: FloatArray | None = None  # of the rows ahead of each, made when asked for
        self._lagged_supply = None
        if self._supply is not None:
            self._lagged_supply = _LaggedBlocks(self._supply, step_s, SUPPLY_LAGS_S)
            self._supply = self._lagged_supply.blocks  # held once

    def at(self, sample: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(n, supply lags), NaN without a supply channel, and (n, output lags)."""
        output = self._look_up(self._lagged_size, sample)
        if self._lagged_supply is None:
            return np.full((len(sample), len(SUPPLY_LAGS_S)), np.nan), output
        return self._look_up(self._lagged_supply, sample), output

    def extremes(self) -> tuple[float, float]:
        """No lagged mean of the supply is lower, and none of the output's size higher; supply 0 without a channel."""
        lowest_v = 0.0 if self._supply is None else float(self._supply.min(initial=np.inf))
        return lowest_v, self._highest_size_v

    def mean_supply(self, start: FloatArray, stop: FloatArray) -> FloatArray:
        """(n,) mean supply between samples, its blocks counted by the share that lies between; NaN without a supply
        channel."""
        if self._fine is None or not len(self._fine):
            return np.full(len(start), np.nan)
        last = float(self._fine.size)
        low = np.clip((start + 0.5) / self._fine_block, 0, last - 1)
        high = np.clip((stop + 0.5) / self._fine_block, low + 1 / self._fine_block, last)
        return np.asarray((self._fine_until(self._fine, high) - self._fine_until(self._fine, low)) / (high - low))

    def _fine_until(self, fine: FloatArray, place: FloatArray) -> FloatArray:
        """(n,) sums of the fine blocks up to places among them."""
        if self._fine_sum is None:
            self._fine_sum = np.concatenate(([0.0], np.cumsum(_sums_of_rows(fine), dtype=np.float64)))
        at = np.minimum(place.astype(np.intp), fine.size - 1)
        row, column = np.divmod(at, FINE_IN_ROW)
        blocks = fine[row].T
        ahead = np.zeros(len(row), dtype=fine.dtype)
        for k, block in enumerate(blocks[:-1]):  # place by place: a sum of some of each row takes five times as long
            ahead += np.where(column > k, block, np.float32(0))
        return np.asarray(self._fine_sum[row] + ahead + (place - at) * fine[row, column])

    def supply_by_means(self, n_samples: int) -> FloatArray | None:
        """(n_samples,) the supply as it is known by the millisecond; None without a supply channel."""
        if self._supply is None or not len(self._supply):
            return None
        return self._supply[np.minimum(np.arange(n_samples) // self._block, len(self._supply) - 1)]

    def forget_sums(self) -> None:
        """Let go of what is quickly made again, while the stretch waits."""
        self._fine_sum = None
        self._lagged_size.forget_sums()
        if self._lagged_supply is not None:
            self._lagged_supply.forget_sums()

    def _look_up(self, lagged: _LaggedBlocks, sample: FloatArray) -> FloatArray:
        return lagged.between(sample / self._block - 0.5)


def lagged_rms(stretch: Stretch, sample: FloatArray) -> FloatArray:
    """(n, supply lags) of the output: roots of exponential means of its square that end at given samples."""
    block = max(1, round(MEAN_S * stretch.rate_hz))
    squares = _means_of_changed(np.square, stretch.output_v, block)
    lagged = _LaggedBlocks(squares, block / stretch.rate_hz, SUPPLY_LAGS_S)
    return np.sqrt(np.maximum(lagged.between(sample / block - 0.5), 0.0))


class _LaggedBlocks:
    """Exponential means that end with given blocks; what was before the first block is taken to be like it.

    The sums run from one CHUNK of blocks to the next; what lies between, and what makes a mean of them, is done only
    where one is asked for. Where many are, the sums run over all blocks."""

    def __init__(self, blocks: FloatArray, step_s: float, lags_s: tuple[float, ...]) -> None:
        self.n_blocks, self.n_lags = len(blocks), len(lags_s)
        self._n_back = int(np.ceil(TIME_CONSTANTS * max(lags_s) / step_s))
        self._decays = np.exp(-step_s / np.array(lags_s))
        n = self._n_back + len(blocks)
        with_past = np.zeros(-(-(n + 1) // CHUNK) * CHUNK, dtype=np.float32)  # as the means come: half the memory
        with_past[: self._n_back] = blocks[0] if len(blocks) else 0.0
        with_past[self._n_back : n] = blocks
        self._rows = with_past.reshape(-1, CHUNK)
        # What the blocks of a chunk weigh in a sum that ends in it, but for one factor that the end decides.
        self._weights = self._decays ** -np.arange(CHUNK)[:, None]
        whole = self._rows @ self._weights * self._decays ** (CHUNK - 1)
        self._before = np.zeros((len(whole), self.n_lags))  # the sums that end ahead of each chunk
        self._every: FloatArray | None = None  # (blocks, lags) the sums that end with each
        for lag, decay in enumerate(self._decays):
            self._before[1:, lag] = recur(whole[:-1, lag], (decay**CHUNK,))

    @property
    def blocks(self) -> npt.NDArray[np.float32]:
        """The means, without the past."""
        return self._rows.reshape(-1)[self._n_back : self._n_back + self.n_blocks]

    def forget_sums(self) -> None:
        """Let go of the sums over all blocks, four megabytes of two minutes; few are asked for once a stretch waits."""
        self._every = None

    def _sums(self, at: IntArray) -> FloatArray:
        """(n, lags) sums that end with these blocks, of those with the past ahead."""
        if len(at) > MANY_SHARE * self.n_blocks and self._every is None:
            blocks = self._rows.reshape(-1).astype(np.float64)
            self._every = np.empty((len(blocks), self.n_lags))
            for lag, decay in enumerate(self._decays.tolist()):
                self._every[:, lag] = recur(blocks, (decay,))
        if self._every is not None:
            return np.asarray(self._every[at])
        chunk, place = at // CHUNK, at % CHUNK
        rows = self._rows[chunk].astype(np.float64)
        rows *= np.arange(CHUNK) <= place[:, None]
        powers = self._decays ** np.arange(CHUNK + 1)[:, None]
        return np.asarray(rows @ self._weights * powers[place] + self._before[chunk] * powers[place + 1])

    def between(self, place: FloatArray) -> FloatArray:
        """(n, lags) means at places in blocks, whole numbers being their middles; zeros where there are no blocks.

        Half a millisecond is tenths of a volt where the supply ripples."""
        if not self.n_blocks:
            return np.zeros((len(place), self.n_lags))
        at = np.clip(place, 0, self.n_blocks - 1)
        low = at.astype(np.intp)
        return self.at(low, at - low)

    def at(self, low: IntArray, share: FloatArray) -> FloatArray:
        """(n, lags) means between blocks `low` and those behind them, the last of all where there is none."""
        n_back, decay, blocks = self._n_back, self._decays, self._rows.reshape(-1)
        high = np.minimum(low + 1, self.n_blocks - 1)
        gone = decay**n_back  # a mean over so many blocks: what lies further back goes out again
        first = self._sums(low + n_back) - gone * self._sums(low)
        second = decay * first + blocks[high + n_back, None] - gone * blocks[high, None]
        share = np.where(high > low, share, 0.0)[:, None]
        return np.asarray(((1 - share) * first + share * second) * ((1 - decay) / (1 - gone)))


class SegmentStream:
    """Takes consecutive pieces of one unbroken segment and yields its stretches."""

    def __init__(self, rate_hz: float, start_s: float, has_supply: bool) -> None:
        place = start_s * rate_hz
        self.rate_hz = rate_hz
        self.first_index = round(place)
        self.phase = place - self.first_index if abs(place - self.first_index) > 1e-4 else 0.0
        self.has_supply = has_supply
        self._output: list[npt.NDArray[np.float32]] = []
        self._supply: list[FloatArray] = []
        self._kept_first = self.first_index  # index of the first sample kept
        self.next_index = self.first_index  # of the sample that would come next
        self._done = self.first_index  # stretches up to here are out
        self._step = min(round(STRETCH_S * rate_hz), MOST_SAMPLES)
        self._margin = round(MARGIN_S * rate_hz)

    def push(self, output_v: FloatArray, supply_v: FloatArray | None) -> Iterator[Stretch]:
        """Append samples; yield the stretches that are complete with their margins."""
        if not len(output_v):
            return
        self._output.append(np.asarray(output_v, dtype=np.float32))
        if supply_v is not None:
            self._supply.append(np.asarray(supply_v, dtype=np.float32))
        self.next_index += len(output_v)
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
            view_first = max(self._kept_first, self._done - self._margin)
            view_last = min(self.next_index, stop + self._margin)
            # Handed over before it is given out: a day's most memory is taken while one is looked at.
            cut = [self._cut(view_first, view_last, stop, is_last)]
            self._done = stop
            self._forget(max(self._kept_first, stop - self._margin))
            yield cut.pop()

    def _forget(self, keep_from: int) -> None:
        for pieces in (self._output, self._supply):
            drop = keep_from - self._kept_first
            while pieces and len(pieces[0]) <= drop:
                drop -= len(pieces.pop(0))
            if pieces:
                pieces[0] = pieces[0][drop:]
        self._kept_first = keep_from

    def _between(self, pieces: Sequence[FloatArray], first: int, stop: int) -> FloatArray:
        """Samples `first` to `stop` in memory of their own: stretches wait for a while, and would hold all the rest."""
        parts, at = [], self._kept_first
        for piece in pieces:
            parts.append(piece[max(0, first - at) : max(0, stop - at)])
            at += len(piece)
        return np.concatenate(parts)

    def _cut(self, view_first: int, view_last: int, stop: int, is_last: bool) -> Stretch:
        output_v = self._between(self._output, view_first, view_last)
        standing = standing_course(output_v, self.rate_hz, view_first)
        if standing is not None:
            output_v -= standing
        return Stretch(
            rate_hz=self.rate_hz,
            first_index=view_first,
            phase=self.phase,
            own_first=self._done - view_first,
            own_last=stop - view_first,
            is_first=view_first == self.first_index,
            is_last=is_last and view_last == self.next_index,
            output_v=output_v,
            supply_v=self._between(self._supply, view_first, view_last) if self.has_supply else None,
            standing_v=0.0 if standing is None else float(np.median(standing[standing != 0])),
        )


# Six zeros at 0 Hz: bass a thousand times the noise must not leak in, yet corners must not ring for long.
_NOISE_TAPS = np.convolve(low_pass_taps(9, 0.8), [1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0])


def measure_noise(volts: FloatArray, rate_hz: float) -> float:
    """Standard deviation of the noise of one sample, from the quieter fifth of 20 ms pieces, at 50...85 % of the band.

    Limits: what is steady in that band all the time (whine, switching residue) counts as noise, and so it should."""
    taps = _NOISE_TAPS
    piece = max(16, round(NOISE_PIECE_S * rate_hz)) + len(taps) - 1
    if len(volts) < piece:
        if len(volts) < 4 * len(taps):
            return float("nan")
        piece = len(volts)
    every = piece * (NOISE_EVERY if len(volts) >= 8 * piece * NOISE_EVERY else 1)
    pieces = volts[: (len(volts) - piece) // every * every + piece]
    starts = np.arange(0, len(pieces) - piece + 1, every)
    chosen = np.lib.stride_tricks.sliding_window_view(pieces, piece)[starts]
    high = np.zeros((len(chosen), piece - len(taps) + 1))
    for k, tap in enumerate(taps):
        high += tap * chosen[:, k : k + high.shape[1]]
    np.abs(high, out=high)
    # The quieter quarter of a piece: corners of clipped half-cycles may ring through the larger part of it.
    high.partition(high.shape[1] // 4, axis=1)
    spread = high[:, high.shape[1] // 4] / 0.3186 / np.sqrt(np.sum(taps**2))
    return float(np.quantile(spread, 0.2))
