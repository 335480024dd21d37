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

from dataclasses import dataclass, field
from functools import lru_cache
from math import ceil, erfc, floor, sqrt

import numpy as np
import numpy.typing as npt

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
_MOST_SHIFT_LSB = 6.0  # half of what two corrections differ by, of the widest codes seen, and some more
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


_AT_ONCE = 512  # places of the mean transfer: what is made of them stays in the processor's cache


def _mean_transfer(model: AdcModel) -> tuple[FloatArray, FloatArray]:
    """E(x) on a fine grid of x (LSB), virtual codes beyond the rails included."""
    edges = model.edges_lsb()
    x = np.arange(-(_PAD // 2) * _GRID, (N_CODES + _PAD // 2) * _GRID + 1) / _GRID
    nearest = np.searchsorted(edges, x)
    reach = int(np.ceil(model.reach_lsb)) + 3
    passed = np.empty(len(x))
    for begin in range(0, len(x), _AT_ONCE):
        part = slice(begin, begin + _AT_ONCE)
        near = np.clip(nearest[part, np.newaxis] + np.arange(-reach, reach), 0, len(edges) - 1)
        away = (x[part, np.newaxis] - edges[near]) / max(model.noise_lsb, 1e-6)
        passed[part] = _normal_shares().at(away).sum(axis=1)
    return x, nearest - reach + passed - _PAD - 1.0


class _EvenTable:
    """What `np.interp` gives for `values` at (first + k) / per_unit, bit by bit: half of its time, as it need not look
    for the places. `per_unit` is a power of two."""

    def __init__(self, first: int, per_unit: int, values: FloatArray) -> None:
        self._first, self._per_unit, self.values = first, per_unit, values
        self._slopes = np.append(np.diff(values) * per_unit, 0.0)

    def at(self, x: FloatArray) -> FloatArray:
        """(n,) values between those of the table; beyond its ends the last ones."""
        place = np.floor(x * self._per_unit)
        place -= self._first
        number = np.clip(place, 0, len(self.values) - 1, out=place).astype(np.intp)
        off = np.maximum(x, self._first / self._per_unit)
        off -= (number + self._first) / self._per_unit
        off *= self._slopes[number]
        off += self.values[number]
        return off


@lru_cache(maxsize=1)
def _normal_shares() -> _EvenTable:
    """The share of a normal distribution below standard deviations; a straight line between two is right to 3e-8."""
    reach, per_sd = 9, 1024
    places = range(-reach * per_sd, reach * per_sd + 1)
    return _EvenTable(places[0], per_sd, np.array([0.5 * erfc(-at / per_sd / sqrt(2.0)) for at in places]))


def _area_below(code_at: FloatArray) -> FloatArray:
    """The integral of the mean transfer up to each point of its grid."""
    return np.concatenate(([0.0], np.cumsum((code_at[1:] + code_at[:-1]) / 2) / _GRID))


def _mean_while_moving(
    code_at: _EvenTable, area: _EvenTable, at: FloatArray, moved: float, averaging: int
) -> npt.NDArray[np.float64]:
    """C(at, moved): the mean code of `averaging` conversions while the signal moves by `moved` LSB a sample. `area`: of
    `_area_below`."""
    if averaging <= _EXPLICIT:
        steps = (np.arange(averaging) - (averaging - 1) / 2) / averaging
        total = np.zeros(len(at))
        for step in steps:
            total += code_at.at(at + moved * step)
        return total / averaging
    if moved < 0.5:
        return np.asarray(code_at.at(at), dtype=np.float64)
    below, above = (area.at(at + way * moved / 2) for way in (-1, 1))
    return np.asarray((above - below) / moved, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class AdcCorrection:
    """Tables that turn counts into codes of an ideal converter; made by `make_correction`, applied by `correct_counts`.

    `still` (65536,) float32: count -> corrected code - CENTRE_CODE, for a signal that stands still.
    `moving` (n_tables, n_rows, n_columns) float32: what to add to the code instead, by s and by the distance of the
    count from that of the wide code; `table_of` says which wide code uses which table, as equal ones are kept once.
    """

    averaging: int
    counts_per_code: float
    reach_lsb: float
    still: npt.NDArray[np.float32]
    moving: npt.NDArray[np.float32] | None = None
    table_of: npt.NDArray[np.intp] = field(default_factory=lambda: np.zeros(len(WIDE_CODES), dtype=np.intp))

    @property
    def share(self) -> float:
        """How far from its middle an average reaches, of the way from one sample to the next."""
        return 0.5 * (self.averaging - 1) / self.averaging

    @property
    def wide_counts(self) -> npt.NDArray[np.intp]:
        """The counts nearest to the wide codes, where the columns of the tables have their middle."""
        return np.rint(np.asarray(WIDE_CODES) * self.counts_per_code).astype(np.intp)


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
    half_lost = (1.0 - counts_per_code / averaging) / 2
    codes = (np.arange(65536) + half_lost) / counts_per_code
    if model is None:
        still = (codes - CENTRE_CODE).astype(np.float32)
        still.setflags(write=False)
        return AdcCorrection(averaging, counts_per_code, 0.0, still)
    x, code_at = _mean_transfer(model)
    # An ideal converter reads half a code low on average; that half stays in, so that it reads its own code back.
    still = (np.interp(codes, code_at, x - 0.5) - CENTRE_CODE).astype(np.float32)
    still[codes > N_CODES] = N_CODES - CENTRE_CODE  # counts that cannot occur
    still.setflags(write=False)
    if averaging == 1:
        return AdcCorrection(averaging, counts_per_code, model.reach_lsb, still)
    # Wide codes of one width have one table: the error around them is the same.
    widths = list(dict.fromkeys(model.extra_widths_lsb))
    tables = []
    for width in widths:
        # Of those the one furthest from the rails, so that the converter's ends do not show in it.
        wide = min(
            (wide for wide, own in zip(WIDE_CODES, model.extra_widths_lsb, strict=True) if own == width),
            key=lambda wide: abs(wide - CENTRE_CODE),
        )
        middle = round(wide * counts_per_code)
        reach = int((_FASTEST / 2 + model.reach_lsb + 2) * counts_per_code)
        codes = (np.arange(middle - reach, middle + reach + 1) + half_lost) / counts_per_code
        table = _moving_table(x, code_at, wide, codes, averaging)
        tables.append((table + half_lost / counts_per_code).astype(np.float32))
    moving = np.stack(tables)
    moving.setflags(write=False)
    table_of = np.array([widths.index(width) for width in model.extra_widths_lsb], dtype=np.intp)
    return AdcCorrection(averaging, counts_per_code, model.reach_lsb, still, moving, table_of)


def _moving_table(
    x: FloatArray, code_at: FloatArray, wide: int, codes: FloatArray, averaging: int
) -> npt.NDArray[np.float64]:
    """What to add to a mean code near one wide code, by (s, code); `codes` are the mean codes of the columns."""
    reach = int(max(abs(codes[0] - wide), abs(codes[-1] - wide))) + 1
    columns = wide + np.arange(-reach * _COLUMNS_PER_LSB, reach * _COLUMNS_PER_LSB + 1) / _COLUMNS_PER_LSB
    around = wide + np.arange(-(reach + 16) * _COLUMNS_PER_LSB, (reach + 16) * _COLUMNS_PER_LSB + 1) / _COLUMNS_PER_LSB
    n_rows = int(_ROWS_PER_ROOT * np.sqrt(_FASTEST)) + 2
    table = np.empty((n_rows, len(codes)))
    first = round(x[0] * _GRID)
    transfer, area = (_EvenTable(first, _GRID, values) for values in (code_at, _area_below(code_at)))
    for row in range(n_rows):
        mean_code = _mean_while_moving(transfer, area, around, (row / _ROWS_PER_ROOT) ** 2, averaging)
        # Within the wide code hardly anything tells where the input is: straight lines between quarter codes there.
        table[row] = np.interp(codes, columns, np.interp(columns, mean_code, around - 0.5 - mean_code))
    return table


def correct_counts(
    counts: CountArray, correction: AdcCorrection, out: npt.NDArray[np.float32] | None = None
) -> npt.NDArray[np.float32]:
    """Counts of one channel to codes of an ideal converter, less CENTRE_CODE.

    Parameters
    ----------
    counts : (n,) uint16, an unbroken run of one channel
    out : (n,) float32, where to put the result; None: a new array

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
    codes = np.empty(len(counts), dtype=np.float32) if out is None else out
    np.take(correction.still, counts, mode="clip", out=codes)
    moving = correction.moving
    if moving is None or len(counts) < 2 or _is_far_from_wide(counts, correction):
        return codes
    at, distance = _find_candidates(counts, correction)
    # How far the signal moves from one sample to the next, from both neighbours.
    before, behind = np.maximum(at - 1, 0), np.minimum(at + 1, len(counts) - 1)
    speed = codes.take(behind)
    speed -= codes.take(before)
    np.abs(speed, out=speed)
    behind -= before
    speed /= behind
    np.minimum(speed, np.float32(_FASTEST), out=speed)
    # A sample is taken by this test alone, so that the result does not depend on what else is in the run.
    reach = np.float32(correction.share * correction.counts_per_code) * speed
    reach += np.float32(correction.reach_lsb * correction.counts_per_code)
    touched = np.flatnonzero(np.abs(distance) <= reach)
    at, distance, speed = at.take(touched), distance.take(touched), speed.take(touched)
    count = counts.take(at)
    row = np.sqrt(speed, out=speed)
    row *= np.float32(_ROWS_PER_ROOT)
    place = row.astype(np.int32)
    row -= place
    n_rows, n_columns = moving.shape[1:]
    if len(moving) > 1:
        place += (correction.table_of * n_rows).take(_nearest_wide(count, correction)).astype(np.int32)
    place *= n_columns
    place += distance
    place += n_columns // 2
    table = moving.reshape(-1)
    added = table.take(place)
    place += n_columns
    row *= table.take(place) - added
    added += row
    added += (count - np.float32(CENTRE_CODE * correction.counts_per_code)) / np.float32(correction.counts_per_code)
    codes[at] = added
    return codes


def _is_far_from_wide(counts: CountArray, correction: AdcCorrection) -> bool:
    """Whether no sample can have met a wide code, as `_find_candidates` would say of each: a supply seldom does."""
    low, high, per_code = int(counts.min()), int(counts.max()), correction.counts_per_code
    most = (correction.reach_lsb + _MOST_SHIFT_LSB) * per_code + 4 + (high - low) / 2
    first, last = ((end / per_code - WIDE_CODES[0]) / _SPACING for end in (low - most, high + most))
    return ceil(first) > floor(last)


def _nearest_wide(count: CountArray, correction: AdcCorrection) -> npt.NDArray[np.intp]:
    """Number of the wide code nearest to each count."""
    number = np.rint(count / (_SPACING * correction.counts_per_code) - WIDE_CODES[0] / _SPACING).astype(np.intp)
    return np.clip(number, 0, len(WIDE_CODES) - 1, out=number)


def _find_candidates(
    counts: CountArray, correction: AdcCorrection
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.int16] | npt.NDArray[np.int32]]:
    """All samples that may have met a wide code during their average, and some more, each with how far its count lies
    from that of the nearest wide code. In whole numbers of 16 bits, so quickly."""
    per_code = correction.counts_per_code
    modulus = int(_SPACING * per_code)
    # The corrected codes differ by up to a sawtooth's height more than the counts do.
    reach = int((correction.reach_lsb + _MOST_SHIFT_LSB) * per_code) + 2
    if modulus != _SPACING * per_code or modulus & (modulus - 1) or not 2 * reach < modulus <= 1 << 15:
        wide = correction.wide_counts[_nearest_wide(counts, correction)]
        return np.arange(len(counts)), (counts.astype(np.int32) - wide).astype(np.int32)
    # share x speed x counts_per_code is at most a quarter of the difference of both neighbours, half at an end.
    near = np.empty(len(counts), dtype=np.uint16)
    inner = np.maximum(counts[2:], counts[:-2], out=near[1:-1])
    inner -= np.minimum(counts[2:], counts[:-2])
    inner >>= 2
    near[0] = abs(int(counts[1]) - int(counts[0])) >> 1
    near[-1] = abs(int(counts[-1]) - int(counts[-2])) >> 1
    near += np.uint16(reach)
    distance = counts + np.uint16((modulus // 2 - int(WIDE_CODES[0] * per_code)) % modulus)
    distance &= np.uint16(modulus - 1)
    distance -= np.uint16(modulus // 2)
    signed = distance.view(np.int16)
    at = np.flatnonzero(np.abs(signed).view(np.uint16) <= near)
    return at, signed.take(at)
