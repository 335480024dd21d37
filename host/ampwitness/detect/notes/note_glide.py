"""Notes whose pitch slides: straightened by their own course of pitch, they are tones or they are not.

Gaps: the caller passes one run only.
Limits: the course is known over 60 ms, and followed over at most 1.5 octaves from one end to the other; a slide within
the first fifth of a note is left out with its attack.
Source: time is stretched so that the frequency that the energy operator tells (see note_levels) stands still; our
choice, measured by `python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_levels import apply_energy_operator, octaves_of
from ampwitness.types import FloatArray

_COURSE_S = 0.060
LEAST_S, LEAST_OF_ROLL_S = 0.090, 0.040  # of a part; of one in a roll
_MOST_OCTAVES = 1.5
_LEAST_OCTAVES = 0.04  # a pitch that stands is measured as it is
_AGAIN_S, _LEAST_LEFT_OCTAVES = 0.400, 0.005  # of a part, and of its slide: what averaging left of it is taken out too
_ROWS_AT_ONCE = 64
_END_SHARE = 0.25  # of a note, at its end: the pitch it comes to
# One over the product of a point's distances to the others.
_LAGRANGE = np.array([-1 / 120, 1 / 24, -1 / 12, 1 / 12, -1 / 24, 1 / 120])


def straighten(
    parts: Sequence[FloatArray], rate_hz: float, least_s: float = LEAST_S
) -> list[tuple[FloatArray, float] | None]:
    """Parts of notes with their pitch held still, and what a frequency of each is multiplied by to be that of its end.

    Parameters
    ----------
    parts : (n,) volts of the bass band each, of one note without its attack
    rate_hz : their rate
    least_s : how long a part must be; the shorter, the more noise is straightened to a tone

    Returns
    -------
    (n,) volts and a ratio each; None where the pitch stands, moves too far, or the part is too short to tell.
    """
    out: list[tuple[FloatArray, float] | None] = [None] * len(parts)
    places = [place for place, part in enumerate(parts) if len(part) >= least_s * rate_hz]
    places.sort(key=lambda place: len(parts[place]))  # alike in length, as all are made as long as the longest
    for begin in range(0, len(places), _ROWS_AT_ONCE):
        some = places[begin : begin + _ROWS_AT_ONCE]
        for place, still in zip(some, _straighten([parts[place] for place in some], rate_hz), strict=True):
            out[place] = still
    # Averaged, a course cuts the corners of a slide: of a long part enough of it is left that low notes are no tones.
    slid = {place: still for place, still in enumerate(out) if still and len(still[0]) >= _AGAIN_S * rate_hz}
    places = sorted(slid, key=lambda place: len(parts[place]))
    for begin in range(0, len(places), _ROWS_AT_ONCE):
        some = places[begin : begin + _ROWS_AT_ONCE]
        left = _straighten([slid[place][0] for place in some], rate_hz, _LEAST_LEFT_OCTAVES)
        for place, still in zip(some, left, strict=True):
            if still is not None:
                out[place] = still[0], slid[place][1] * still[1]
    return out


def _straighten(
    parts: list[FloatArray], rate_hz: float, least_octaves: float = _LEAST_OCTAVES
) -> list[tuple[FloatArray, float] | None]:
    lengths = np.array([len(part) for part in parts])
    volts = np.zeros((len(parts), int(lengths.max())))
    for row, part in enumerate(parts):
        volts[row, : len(part)] = part
    course = _measure_course(volts, lengths, np.minimum(round(_COURSE_S * rate_hz), lengths // 3))
    number = np.arange(volts.shape[1])
    inside = number < lengths[:, None]
    span = np.where(inside, course, -np.inf).max(axis=1) - np.where(inside, course, np.inf).min(axis=1)
    speed = 2.0**course
    turned = np.zeros(volts.shape)
    np.cumsum(0.5 * (speed[:, 1:] + speed[:, :-1]), axis=1, out=turned[:, 1:])
    is_slide = (span >= least_octaves) & (span <= _MOST_OCTAVES)
    if not is_slide.any():
        return [None] * len(parts)
    ratio = np.zeros(len(parts))
    for row in np.flatnonzero(is_slide).tolist():
        n = int(lengths[row])
        scale = (n - 1) / turned[row, n - 1]
        turned[row] *= scale
        end = max(1, round(_END_SHARE * n))
        ratio[row] = np.exp2(np.add.reduce(course[row, n - end : n]) / end) * scale
    # All behind one another: what is looked up in one row never lies in the next.
    inside &= is_slide[:, None]
    starts = np.cumsum(np.where(is_slide, lengths, 0)) - np.where(is_slide, lengths, 0)
    begins = np.repeat(starts[is_slide], lengths[is_slide])
    number = np.arange(len(begins))
    at = np.interp(number, (turned + starts[:, None])[inside], number)
    still = _interpolate(volts[inside], at, begins, begins + np.repeat(lengths[is_slide], lengths[is_slide]))
    return [
        (still[start : start + n], float(r)) if slides else None
        for start, n, r, slides in zip(starts, lengths, ratio, is_slide, strict=True)
    ]


def _measure_course(volts: FloatArray, lengths: npt.NDArray[np.intp], widths: npt.NDArray[np.intp]) -> FloatArray:
    """(k, n) octaves of the pitch at each sample of rows as far as it turns smoothly: averaged twice over `widths` (k,)
    samples, and held at both ends.

    Parameters
    ----------
    volts : (k, n) rows, of which the first `lengths` (k,) samples count
    """
    number = np.arange(volts.shape[1])
    sums = []
    for operator, last in zip(apply_energy_operator(volts), (1, 2), strict=True):
        total = np.zeros((len(volts), volts.shape[1] + 1))
        np.cumsum(np.where(number < (lengths - last)[:, None], operator, 0.0), axis=1, out=total[:, 1:])
        behind = np.minimum(number + widths[:, None], volts.shape[1])
        sums.append(np.take_along_axis(total, behind, axis=1) - total[:, :-1])
    octaves = octaves_of(*sums)
    n_known = lengths - widths + 1
    half = widths // 2
    total = np.zeros((len(volts), volts.shape[1] + 1))
    np.cumsum(np.where(number < n_known[:, None], octaves, 0.0), axis=1, out=total[:, 1:])
    # The mean of so many around each, of which those ahead of the first are as it, and those behind the last as that.
    begin = number - half[:, None]
    begin = np.clip(begin, 0, (n_known - 1)[:, None]) - half[:, None]
    stop = begin + widths[:, None]
    inner = np.take_along_axis(total, np.clip(stop, 0, n_known[:, None]), axis=1)
    inner -= np.take_along_axis(total, np.maximum(begin, 0), axis=1)
    last = octaves[np.arange(len(volts)), n_known - 1]
    inner += np.maximum(-begin, 0) * octaves[:, :1] + np.maximum(stop - n_known[:, None], 0) * last[:, None]
    out: FloatArray = inner / widths[:, None]
    return out


def _interpolate(
    values: FloatArray, at: FloatArray, begins: npt.NDArray[np.intp], stops: npt.NDArray[np.intp]
) -> FloatArray:
    """Values between samples, by Lagrange's polynomial through the six nearest, of those from `begins` to `stops`."""
    n_points = 6
    first = np.minimum(np.maximum(np.floor(at).astype(np.intp) - n_points // 2 + 1, begins), stops - n_points)
    away = (at - first) - np.arange(n_points)[:, None]
    # Products of all distances ahead of each point and behind it.
    ahead, behind = np.ones_like(away), np.ones_like(away)
    np.cumprod(away[:-1], axis=0, out=ahead[1:])
    np.cumprod(away[:0:-1], axis=0, out=behind[-2::-1])
    near = values[first + np.arange(n_points)[:, None]] * _LAGRANGE[:, None]
    out: FloatArray = np.einsum("ij,ij,ij->j", ahead, behind, near)
    return out
