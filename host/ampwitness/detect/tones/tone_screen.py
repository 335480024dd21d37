"""Which seconds cannot be the inside of a steady tone, told cheaply: music is passed over without a fit.

Everything here only leaves out: what passes is measured as if nothing had been looked at.

Gaps: sees one block of an unbroken run at a time.
Limits: coarser than `tone_stream`, with room to spare on the side of measuring.
Source: our choice; tests/detect_tones/test_tone_screen.py holds that no measured tone is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.tone_fit import find_strongest_hz

_FOLD = 4  # samples that are summed to one,
_COARSE_FOLD = 8  # and for a first look at both halves of a second, which hardly any music passes
_HALF_REST_SHARE = 0.1  # of a half's power: more lies beside its line, the multiples of that and one other line
_HALF_BINS = 2.5
_NOTHING = 1e-30
_LOW_SHARE = 0.85  # of the power is left by that: else it lies too high to be judged so
# `tone_stream` asks for 0.25 of the power of a tone of the least level; for 0.4 of all power in the strongest line, and
# for 0.9 of it with the line's multiples, or 0.97 with one other line.
_LEAST_LEVEL_RATIO = 0.24
_LINE_SHARE, _LINES_SHARE, _TWO_LINES_SHARE = 0.4, 0.9, 0.97
_SPARE = 0.03
_NEAR_BINS = 3
_ORDERS = np.arange(2, 8)
# A piece: what is neither the line, its multiples nor one other line may be so much of its power. A point of a curve
# may hold 15 % (rms) beside tone and harmonics.
_REST_SHARE = 0.06
_PIECE_BINS = 2.5
_OTHER_BINS = 4
_LINE_BINS, _LINE_RATIO = 0.6, 0.05

BoolArray = npt.NDArray[np.bool_]


def may_be_steady(volts: Sequence[FloatArray], rate_hz: float, lowest_hz: float, least_level_v: float) -> BoolArray:
    """Whether blocks may be the inside of a passage.

    Parameters
    ----------
    volts : of whole blocks, (samples,) each, all equally long
    rate_hz : samples a second
    lowest_hz : of tones that are looked for
    least_level_v : rms

    Returns
    -------
    (blocks,) False where `tone_stream` would certainly find no line that holds nearly all.
    """
    n_samples = len(volts[0])
    out = np.ones(len(volts), dtype=bool)
    for half in (slice(0, n_samples // 2), slice(n_samples // 2, n_samples)):
        looked = np.flatnonzero(out)
        if len(looked):
            out[looked] = _may_be_pure([volts[at][half] for at in looked.tolist()], rate_hz, lowest_hz)
    looked = np.flatnonzero(out)
    if not len(looked):
        return out
    folded, power = _fold([volts[at] for at in looked.tolist()], _FOLD)
    low_power = np.einsum("ij,ij->i", folded, folded) / _FOLD
    is_loud = power >= _LEAST_LEVEL_RATIO * least_level_v**2 * n_samples
    may_be = is_loud & (low_power < _LOW_SHARE * power)  # too high: not judged here
    rows = np.flatnonzero(is_loud & ~may_be)
    if len(rows):
        lost = np.clip(1 - low_power[rows] / power[rows], 0.0, 1.0)
        may_be[rows] = _has_lines(folded[rows], rate_hz / _FOLD, lowest_hz, lost)
    out[looked] = may_be
    return out


def _fold(volts: Sequence[FloatArray], fold: int) -> tuple[FloatArray, FloatArray]:
    """(pieces, n) sums of so many samples of equally long pieces, less their mean, and (pieces,) the power of the
    samples about theirs."""
    n = len(volts[0]) // fold
    folded, power = np.empty((len(volts), n), dtype=np.float32), np.empty(len(volts), dtype=np.float32)
    ones = np.ones(fold, dtype=np.float32)
    for at, piece in enumerate(volts):  # one by one: together they would be copied first
        row = np.asarray(piece[: n * fold], dtype=np.float32)
        np.dot(row.reshape(n, fold), ones, out=folded[at])
        power[at] = row @ row
    mean = folded.mean(axis=1)
    power -= n * fold * (mean / fold) ** 2
    folded -= mean[:, None]
    return folded, power


def _may_be_pure(volts: Sequence[FloatArray], rate_hz: float, lowest_hz: float) -> BoolArray:
    """(pieces,) whether hardly anything below a sixteenth of the rate lies beside one line, its multiples and one other
    line: what lies above may all be multiples."""
    folded, power = _fold(volts, _COARSE_FOLD)
    n = folded.shape[1]
    low_power = np.einsum("ij,ij->i", folded, folded) / _COARSE_FOLD
    out = low_power < _LOW_SHARE * power
    rows = np.flatnonzero(~out & (low_power > 0))
    if not len(rows):
        return np.asarray(out)
    transformed = np.fft.rfft(folded[rows] * hann_window(n, np.float32), axis=1)
    spectrum = transformed.real**2 + transformed.imag**2
    each = np.arange(len(rows))
    total = spectrum.sum(axis=1)
    first = max(1, int(lowest_hz * n * _COARSE_FOLD / rate_hz))
    peak = first + np.argmax(spectrum[:, first:-1], axis=1)
    before, top, after = (np.log(spectrum[each, peak + k] + _NOTHING) for k in (-1, 0, 1))
    bend = before - 2 * top + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    line = (peak + np.clip(shift, -0.5, 0.5)).astype(np.float32)[:, None]
    order = np.arange(spectrum.shape[1], dtype=np.float32) / line
    order -= np.maximum(np.rint(order), 1)
    spectrum *= np.abs(order, out=order) > _HALF_BINS / line
    other = np.argmax(spectrum, axis=1)
    near = np.clip(other[:, None] + np.arange(-_OTHER_BINS, _OTHER_BINS + 1), 0, spectrum.shape[1] - 1)
    rest = spectrum.sum(axis=1) - np.take_along_axis(spectrum, near, axis=1).sum(axis=1)
    out[rows] = rest * low_power[rows] <= _HALF_REST_SHARE * total * power[rows]
    return np.asarray(out)


def _has_lines(volts: FloatArray, rate_hz: float, lowest_hz: float, lost: FloatArray) -> BoolArray:
    """(blocks,) whether one line and its multiples, or two lines, hold nearly all; `lost`: share of the power that lay
    too high, which may all have been multiples."""
    n = volts.shape[1]
    transformed = np.fft.rfft(volts * hann_window(n, np.float32), axis=1)
    spectrum = transformed.real**2 + transformed.imag**2
    total = spectrum.sum(axis=1)
    first = int(lowest_hz * n / rate_hz)
    peak = first + np.argmax(spectrum[:, first:], axis=1)
    near = np.clip(peak[:, None] + np.arange(-_NEAR_BINS, _NEAR_BINS + 1), 0, spectrum.shape[1] - 1)
    held = np.take_along_axis(spectrum, near, axis=1).sum(axis=1)
    left = 1 - lost
    has_line = held >= ((_LINE_SHARE - lost) / left - _SPARE) * total
    rows = np.flatnonzero(has_line)
    has_line[rows] = _has_multiples(spectrum[rows], peak[rows], held[rows], total[rows], lost[rows])
    return np.asarray(has_line)


def _has_multiples(
    spectrum: FloatArray, peak: npt.NDArray[np.intp], held: FloatArray, total: FloatArray, lost: FloatArray
) -> BoolArray:
    """(blocks,) whether the strongest line's multiples, or one other line, hold nearly all besides it."""
    summed = np.zeros((len(spectrum), spectrum.shape[1] + 1), dtype=np.float64)
    np.cumsum(spectrum, axis=1, dtype=np.float64, out=summed[:, 1:])
    multiples = peak[:, None] * _ORDERS
    low = np.maximum((peak + _NEAR_BINS + 1)[:, None], multiples - _NEAR_BINS)
    held = held + _between(summed, low, multiples + _NEAR_BINS + 1)
    least, least_of_two = (((s - lost) / (1 - lost) - _SPARE) * total for s in (_LINES_SHARE, _TWO_LINES_SHARE))
    out = np.asarray(held >= least)
    for row in np.flatnonzero(~out).tolist():
        rest = spectrum[row]
        rest[max(0, peak[row] - _NEAR_BINS) : peak[row] + _NEAR_BINS + 1] = 0.0
        second = int(np.argmax(rest))
        both = held[row] + rest[max(0, second - _NEAR_BINS) : second + _NEAR_BINS + 1].sum()
        out[row] = both >= least_of_two[row]
    return out


def _between(summed: FloatArray, low: npt.NDArray[np.intp], stop: npt.NDArray[np.intp]) -> FloatArray:
    """(rows,) sums of bins `low` to `stop`, both (rows, spans), from running sums along the rows."""
    top = summed.shape[1] - 1
    rows = np.arange(len(summed))[:, None]
    spans = summed[rows, np.clip(stop, 0, top)] - summed[rows, np.clip(low, 0, top)]
    return np.asarray(np.maximum(spans, 0.0).sum(axis=1))


def may_be_point(volts: FloatArray, rate_hz: float, line_hz: float, lowest_hz: float) -> bool:
    """Whether a piece may be a point of a passage: nearly nothing beside its strongest line, the multiples of that and
    one other line, and one of the two is the passage's.

    Parameters
    ----------
    volts : (n,) a piece of an unbroken run
    rate_hz : samples a second
    line_hz : of the passage
    lowest_hz : of tones that are looked for
    """
    n = len(volts)
    bin_hz = rate_hz / n
    centred = np.asarray(volts - volts.mean(), dtype=np.float32)
    transformed = np.fft.rfft(centred * hann_window(n, np.float32))
    spectrum = transformed.real**2 + transformed.imag**2
    total = float(spectrum.sum())
    at = find_strongest_hz(volts, rate_hz, lowest_hz) / bin_hz
    if total <= 0 or at <= 0:
        return False
    near = max(_LINE_BINS, _LINE_RATIO * line_hz / bin_hz)
    bins = np.arange(len(spectrum))
    order = np.maximum(np.rint(bins / at), 1.0)
    spectrum[np.abs(bins - order * at) <= _PIECE_BINS] = 0.0
    if float(spectrum.sum()) <= _REST_SHARE * total and abs(at - line_hz / bin_hz) <= near:
        return True
    other = int(np.argmax(spectrum))
    spectrum[max(0, other - _OTHER_BINS) : other + _OTHER_BINS + 1] = 0.0
    is_near = min(abs(at - line_hz / bin_hz), abs(other - line_hz / bin_hz)) <= near
    return is_near and float(spectrum.sum()) <= _REST_SHARE * total


def measure_pieces(volts: FloatArray, n: int) -> FloatArray:
    """(pieces,) rms of each whole piece of n samples about its mean, the middle counting most: that of a steady tone
    does not depend on where in its cycle a piece begins.

    Parameters
    ----------
    volts : (samples,) volts of an unbroken run
    n : samples of a piece
    """
    rows = np.asarray(volts[: len(volts) // n * n], dtype=np.float32).reshape(-1, n)
    window = hann_window(n, np.float32)
    weight = window / float(window.sum())
    centred = rows - (rows @ weight)[:, None]
    return np.asarray(np.sqrt(np.square(centred) @ weight))


@lru_cache(maxsize=16)
def hann_window(n: int, dtype: type[np.floating[Any]] = np.float64) -> FloatArray:
    """(n,) Hann's window, 0 at both ends; every second of a rate asks for the same few lengths."""
    window: FloatArray = np.hanning(n).astype(dtype)
    window.flags.writeable = False
    return window
