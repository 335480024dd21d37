"""The RP2040 converter's known non-linearity, taken out of averaged counts.

Four codes (512, 1536, 2560, 3584) are about 8 LSB wider than one LSB and all others a little narrower, so that the
whole range still comes out right: between wide codes the error climbs, at each it falls back, a sawtooth of +-4 LSB
(erratum RP2040-E11). Left in, it turns a clean 45 V tone into about 0.4 % distortion.

A count is the sum of `averaging` conversions, each with noise (about 1.6 LSB rms), while the signal moves. So what has
to be inverted is not the staircase but its mean. With e_n the lower edge of code n, x the input in LSB, Phi the normal
distribution:

    one conversion   E(x) = sum over n of Phi((x - e_n) / noise)
    their mean       C(x, s) = 1/averaging sum over i of E(x + s u_i),  u_i = (i - (averaging - 1) / 2) / averaging

where s is how far the signal moves from one sample to the next. The correction is the inverse of C in x: a table
over the count for s = 0, which holds wherever no wide code was crossed during the averaging, and a table over
(distance from the wide code, s) for samples near one. s is taken from the two neighbouring samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from ampwitness.types import CountArray, FloatArray

N_CODES = 4096
WIDE_CODES = (512, 1536, 2560, 3584)
_SPACING = 1024  # between wide codes
CENTRE_CODE = 2048  # subtracted before anything is kept as float32, so that rounding stays below 0.0002 LSB

_PAD = 64  # codes drawn beyond both rails: the correction does not try to undo the converter's own limits
_GRID = 8  # points a LSB of the mean transfer
_FASTEST = 768.0  # LSB a sample: beyond it a span holds two wide codes
_ROWS_PER_ROOT = 4.0  # row r of a moving table is s = (r / 4)^2: dense where the table changes quickly
_COLUMNS_PER_LSB = 4
_EXPLICIT = 8  # averages of up to 8 conversions are summed one by one, longer ones integrated


@dataclass(frozen=True, slots=True)
class AdcModel:
    """How wide the four wide codes are (LSB more than 1) and the noise of one conversion (LSB rms)."""

    extra_widths_lsb: tuple[float, float, float, float]
    noise_lsb: float

    def edges_lsb(self) -> FloatArray:
        """Lower edges of codes -_PAD ... N_CODES + _PAD, in LSB of the ideal converter (edge of code 0 at 0)."""
        narrow = 1.0 - sum(self.extra_widths_lsb) / (N_CODES - len(WIDE_CODES))
        widths = np.full(N_CODES + 2 * _PAD, narrow)
        for code, extra in zip(WIDE_CODES, self.extra_widths_lsb, strict=True):
            widths[code + _PAD] = 1.0 + extra
        edges = np.concatenate(([0.0], np.cumsum(widths)))
        return np.asarray(edges - edges[_PAD], dtype=np.float64)

    @property
    def reach_lsb(self) -> float:
        """Half-width of the region around a wide code, in codes, in which the noise mixes it with its neighbours."""
        return 7.0 * self.noise_lsb + 2.0


# Source: RP2350 datasheet 12.4.1 on the same converter (codes); about 8 LSB: hardware reports, a board's own
# widths lie between 6.5 and 9.5. Noise: what is left of 8.7 effective bits after the sawtooth.
NOMINAL_ADC = AdcModel(extra_widths_lsb=(8.0, 8.0, 8.0, 8.0), noise_lsb=1.6)


def _mean_transfer(model: AdcModel) -> tuple[FloatArray, FloatArray]:
    """E(x) on a fine grid of x (LSB), virtual codes beyond the rails included."""
    edges = model.edges_lsb()
    x = np.arange(-(_PAD // 2) * _GRID, (N_CODES + _PAD // 2) * _GRID + 1) / _GRID
    nearest = np.searchsorted(edges, x)
    reach = int(np.ceil(model.reach_lsb)) + 3
    near = nearest[:, np.newaxis] + np.arange(-reach, reach)
    passed = ndtr((x[:, np.newaxis] - edges[np.clip(near, 0, len(edges) - 1)]) / max(model.noise_lsb, 1e-6)).sum(axis=1)
    return x, nearest - reach + passed - _PAD - 1.0


def _mean_while_moving(
    code_at: FloatArray, x: FloatArray, at: FloatArray, moved: float, averaging: int
) -> npt.NDArray[np.float64]:
    """C(at, moved): the mean code of `averaging` conversions while the signal moves by `moved` LSB a sample."""
    if averaging <= _EXPLICIT:
        steps = (np.arange(averaging) - (averaging - 1) / 2) / averaging
        total = np.zeros(len(at))
        for step in steps:
            total += np.interp(at + moved * step, x, code_at)
        return total / averaging
    if moved < 0.5:
        return np.asarray(np.interp(at, x, code_at), dtype=np.float64)
    area = np.concatenate(([0.0], np.cumsum((code_at[1:] + code_at[:-1]) / 2) / _GRID))
    below, above = np.interp(at - moved / 2, x, area), np.interp(at + moved / 2, x, area)
    return np.asarray((above - below) / moved, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class AdcCorrection:
    """Tables that turn counts into codes of an ideal converter; made by `make_correction`, applied by `correct_counts`.

    `still` (65536,) float32: count -> corrected code - CENTRE_CODE, for a signal that stands still.
    `moving` (4, n_rows, n_columns) float32: what to add to the code instead, by wide code, s and distance.
    """

    averaging: int
    counts_per_code: float
    reach_lsb: float
    still: npt.NDArray[np.float32]
    moving: npt.NDArray[np.float32] | None


@lru_cache(maxsize=8)
def make_correction(model: AdcModel | None, averaging: int, counts_per_code: float) -> AdcCorrection:
    """Build the tables once a session.

    Parameters
    ----------
    model : the converter; None: no correction, counts become codes and nothing else
    averaging : conversions in a count
    counts_per_code : what one code is worth in counts; below `averaging` where the sum was shifted right to fit

    Returns
    -------
    AdcCorrection.

    Limits
    ------
    Nominal widths: a board whose wide codes differ by 1 LSB keeps an error of that height, see the scores.

    Source
    ------
    Erratum RP2040-E11; the inversion is our choice, measured in tests/waveform/test_adc_correction.py.
    """
    # A sum shifted right was rounded down: give back the half step it lost on average.
    codes = (np.arange(65536) + (1.0 - counts_per_code / averaging) / 2) / counts_per_code
    if model is None:
        still = (codes - CENTRE_CODE).astype(np.float32)
        return AdcCorrection(averaging, counts_per_code, 0.0, still, None)
    x, code_at = _mean_transfer(model)
    # An ideal converter reads half a code low on average; that half stays in, so that it reads its own code back.
    still = (np.interp(codes, code_at, x - 0.5) - CENTRE_CODE).astype(np.float32)
    still[codes > N_CODES] = N_CODES - CENTRE_CODE  # counts that cannot occur
    moving = None
    if averaging > 1:
        moving = np.stack([_moving_table(x, code_at, wide, model, averaging) for wide in WIDE_CODES])
        moving.setflags(write=False)
    still.setflags(write=False)
    return AdcCorrection(averaging, counts_per_code, model.reach_lsb, still, moving)


def _moving_table(
    x: FloatArray, code_at: FloatArray, wide: int, model: AdcModel, averaging: int
) -> npt.NDArray[np.float32]:
    """What to add to a mean code near one wide code, by (s, distance from the code)."""
    reach = _FASTEST / 2 + model.reach_lsb + 2
    columns = np.arange(-int(reach) * _COLUMNS_PER_LSB, int(reach) * _COLUMNS_PER_LSB + 1) / _COLUMNS_PER_LSB
    around = wide + np.arange(-int(reach + 16) * _COLUMNS_PER_LSB, int(reach + 16) * _COLUMNS_PER_LSB + 1) / 4.0
    n_rows = int(_ROWS_PER_ROOT * np.sqrt(_FASTEST)) + 2
    table = np.empty((n_rows, len(columns)), dtype=np.float32)
    for row in range(n_rows):
        mean_code = _mean_while_moving(code_at, x, around, (row / _ROWS_PER_ROOT) ** 2, averaging)
        table[row] = np.interp(columns + wide, mean_code, around - 0.5 - mean_code)
    return table


def correct_counts(counts: CountArray, correction: AdcCorrection) -> npt.NDArray[np.float32]:
    """Counts of one channel to codes of an ideal converter, less CENTRE_CODE.

    Parameters
    ----------
    counts : (n,) uint16, an unbroken run of one channel

    Returns
    -------
    (n,) float32, LSB relative to CENTRE_CODE.

    Gaps
    ----
    Takes an unbroken run; each sample's result rests on itself and its two neighbours in the run (one at an end).

    Limits
    ------
    The signal is taken as moving evenly during one average.
    """
    still = np.take(correction.still, counts, mode="wrap")
    moving = correction.moving
    if moving is None or len(counts) < 2:
        return still
    moved = np.empty(len(counts), dtype=np.float32)
    np.subtract(still[2:], still[:-2], out=moved[1:-1])
    moved[1:-1] *= 0.5
    moved[0] = still[1] - still[0]
    moved[-1] = still[-1] - still[-2]
    np.abs(moved, out=moved)
    np.minimum(moved, np.float32(_FASTEST), out=moved)
    share = 0.5 * (correction.averaging - 1) / correction.averaging
    # Screen: distance from the nearest wide code, modulo the spacing, against the largest span in this run.
    per_code = correction.counts_per_code
    width = (share * float(moved.max()) + correction.reach_lsb) * per_code
    modulus = int(_SPACING * per_code)
    first = round(WIDE_CODES[0] * per_code - width) % 65536
    if 2 * width < modulus and modulus & (modulus - 1) == 0:
        shifted = (counts - np.uint16(first)) & np.uint16(modulus - 1)
        candidates = np.flatnonzero(shifted <= int(2 * width))
    else:
        candidates = np.arange(len(counts))
    code = counts[candidates].astype(np.float64) / per_code
    which = np.clip(np.rint((code - WIDE_CODES[0]) / _SPACING).astype(np.intp), 0, len(WIDE_CODES) - 1)
    distance = code - np.asarray(WIDE_CODES, dtype=np.float64)[which]
    speed = moved[candidates].astype(np.float64)
    # A sample is taken by this test alone, so that the result does not depend on what else is in the run.
    touched = np.abs(distance) <= share * speed + correction.reach_lsb
    candidates, which = candidates[touched], which[touched]
    distance, speed, code = distance[touched], speed[touched], code[touched]
    row = _ROWS_PER_ROOT * np.sqrt(speed)
    column = distance * _COLUMNS_PER_LSB + (moving.shape[2] - 1) / 2
    r, c = row.astype(np.intp), np.floor(column).astype(np.intp)
    fr, fc = row - r, column - c
    added = (1 - fr) * ((1 - fc) * moving[which, r, c] + fc * moving[which, r, c + 1])
    added += fr * ((1 - fc) * moving[which, r + 1, c] + fc * moving[which, r + 1, c + 1])
    still[candidates] = code + added - CENTRE_CODE
    return still
