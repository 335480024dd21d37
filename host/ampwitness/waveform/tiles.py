"""Filtering on a fixed absolute grid of sample indices, so that how a recording is cut never shows in a single bit.

A run is filtered in tiles of TILE samples that begin at multiples of TILE in the session's own count. Every tile is the
same matrix product of the same shape, whatever part of it is there (the rest is zero and its outputs are thrown away),
so a sample's sum is always taken in the same order.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.waveform.response import InverseFilter

ROW = 32  # outputs of one row; it needs the inputs of three rows, as 2 x half_taps = 2 x ROW
# Rows that lie three apart do not overlap: their inputs are one product as they lie, without a copy. Larger tiles waste
# more at a window's ends.
APART = 3
ROWS_PER_TILE = 86 * APART
TILE = ROW * ROWS_PER_TILE
_MARGIN = 2 * ROW  # zeros kept on both sides of the inputs, so that a caller may write a little beyond them

Matrix = npt.NDArray[np.float32]


class TileInputs:
    """Room for what outputs start ... stop need, laid on the grid of tiles; `between` gives the part to fill."""

    def __init__(self, start: int, stop: int, half_taps: int) -> None:
        self.start, self.stop = start, stop
        self.grid = start // TILE * TILE
        self.n_tiles = -(-(stop - self.grid) // TILE)
        self._first = self.grid - half_taps - _MARGIN  # sample that stands first
        self._flat: Matrix = np.empty(self.n_tiles * TILE + 2 * half_taps + 2 * _MARGIN, dtype=np.float32)

    def between(self, first: int, stop: int) -> Matrix:
        """Where samples `first` to `stop` of the session stand; around them there are zeros from now on.

        They may reach up to two rows beyond what the outputs need.
        """
        a, b = first - self._first, stop - self._first
        self._flat[:a] = 0.0
        self._flat[b:] = 0.0
        return self._flat[a:b]

    def flat(self) -> Matrix:
        """The inputs as they lie; those of row r and of the two behind it make row r of the outputs."""
        return self._flat[_MARGIN : len(self._flat) - _MARGIN]


class TileFilter:
    """One channel's inverse filter times its gain, as a banded matrix."""

    def __init__(self, inverse: InverseFilter, gain_ratio: float) -> None:
        half = inverse.half_taps
        if half != ROW:
            raise ValueError(f"the filter must reach {ROW} samples to each side, got {half}")
        matrix = np.zeros((3 * ROW, ROW))
        for column in range(ROW):
            matrix[column : column + 2 * half + 1, column] = inverse.taps[::-1] * gain_ratio
        self.half_taps = half
        self._matrix = matrix.astype(np.float32)

    def run(self, inputs: TileInputs) -> Matrix:
        """Filter part of an unbroken run.

        Parameters
        ----------
        inputs : float32 input samples, which reach `half_taps` beyond those wanted on both sides

        Returns
        -------
        (stop - start,) float32, the samples that `inputs` was made for.
        """
        flat, n_tiles, n_rows = inputs.flat(), inputs.n_tiles, ROWS_PER_TILE // APART
        filtered = np.empty((n_tiles, n_rows, APART, ROW), dtype=np.float32)
        for place in range(APART):
            begin = ROW * place
            reach = flat[begin : begin + TILE * n_tiles].reshape(n_tiles, n_rows, APART * ROW)
            np.matmul(reach, self._matrix, out=filtered[:, :, place])
        return filtered.reshape(-1)[inputs.start - inputs.grid : inputs.stop - inputs.grid]
