"""Filtering on a fixed absolute grid of sample indices, so that how a recording is cut never shows in a single bit.

A run is filtered in tiles of TILE samples that begin at multiples of TILE in the session's own count. Every tile is the
same pair of matrix products of the same shape, whatever part of it is there (the rest is zero and its outputs are
thrown away), so a sample's sum is always taken in the same order.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.waveform.response import InverseFilter

ROW = 64  # outputs of one row; it needs the inputs of two rows, as 2 x half_taps = ROW
ROWS_PER_TILE = 32  # measured: 311 Msamples/s on one core; 8 rows 145, 128 rows 501 but more waste at a window's ends
TILE = ROW * ROWS_PER_TILE

Matrix = npt.NDArray[np.float32]


class TileFilter:
    """One channel's inverse filter times its gain, as two banded matrices."""

    def __init__(self, inverse: InverseFilter, gain_ratio: float) -> None:
        half = inverse.half_taps
        if 2 * half != ROW:
            raise ValueError(f"the filter must reach {ROW // 2} samples to each side, got {half}")
        matrix = np.zeros((2 * ROW, ROW))
        for column in range(ROW):
            matrix[column : column + 2 * half + 1, column] = inverse.taps[::-1] * gain_ratio
        self.half_taps = half
        self._early = np.ascontiguousarray(matrix[:ROW], dtype=np.float32)
        self._late = np.ascontiguousarray(matrix[ROW:], dtype=np.float32)
        self._scratch = np.empty((ROWS_PER_TILE, ROW), dtype=np.float32)

    def run(self, codes: Matrix, first: int, start: int, stop: int) -> Matrix:
        """Filter part of an unbroken run.

        Parameters
        ----------
        codes : (n,) float32, input samples; codes[0] is sample `first` of the session
        start, stop : samples wanted; `codes` must reach `half_taps` beyond them on both sides

        Returns
        -------
        (stop - start,) float32.
        """
        grid = start // TILE * TILE
        n_tiles = -(-(stop - grid) // TILE)
        padded = np.zeros((n_tiles * ROWS_PER_TILE + 1, ROW), dtype=np.float32)
        at = first - (grid - self.half_taps)
        skip = max(0, -at)
        flat = padded.reshape(-1)
        n = min(len(codes) - skip, len(flat) - (at + skip))
        flat[at + skip : at + skip + n] = codes[skip : skip + n]
        filtered = np.empty((n_tiles * ROWS_PER_TILE, ROW), dtype=np.float32)
        for row in range(0, n_tiles * ROWS_PER_TILE, ROWS_PER_TILE):
            out = filtered[row : row + ROWS_PER_TILE]
            np.matmul(padded[row : row + ROWS_PER_TILE], self._early, out=out)
            np.matmul(padded[row + 1 : row + 1 + ROWS_PER_TILE], self._late, out=self._scratch)
            out += self._scratch
        return filtered.reshape(-1)[start - grid : stop - grid]
