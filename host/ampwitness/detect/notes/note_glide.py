"""Notes whose pitch slides: straightened by their own course of pitch, they are tones or they are not.

Gaps: the caller passes one run only.
Limits: the course is known over 60 ms, and followed over at most 1.5 octaves from one end to the other; a slide within
the first fifth of a note is left out with its attack.
Source: time is stretched so that the frequency that the energy operator tells (see note_levels) stands still; our
choice, measured by `python -m ampwitness.bench.event_scores --what notes`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.notes.note_levels import measure_octaves
from ampwitness.types import FloatArray

_COURSE_S = 0.060
_LEAST_S = 0.090
_MOST_OCTAVES = 1.5
_LEAST_OCTAVES = 0.04  # a pitch that stands is measured as it is
_END_SHARE = 0.25  # of a note, at its end: the pitch it comes to
# One over the product of a point's distances to the others.
_LAGRANGE = np.array([-1 / 120, 1 / 24, -1 / 12, 1 / 12, -1 / 24, 1 / 120])


def straighten(part: FloatArray, rate_hz: float) -> tuple[FloatArray, float] | None:
    """The part of a note with its pitch held still, and what a frequency of it is multiplied by to be that of its end.

    Parameters
    ----------
    part : (n,) volts of the bass band, of one note without its attack
    rate_hz : its rate

    Returns
    -------
    (n,) volts and a ratio; None where the pitch stands, moves too far, or the part is too short to tell.
    """
    n = len(part)
    width = min(round(_COURSE_S * rate_hz), n // 3)
    if n < _LEAST_S * rate_hz:
        return None
    octaves = measure_octaves(part, width)
    # As far as it turns smoothly; held at both ends, which np.pad takes ten times as long for.
    held = np.concatenate((np.full(width // 2, octaves[0]), octaves, np.full(width // 2, octaves[-1])))
    course = np.convolve(held, np.ones(width) / width, "same")[width // 2 :]
    at = np.clip(np.arange(n) - width // 2, 0, len(octaves) - 1)
    course = course[: len(octaves)][at]
    span = float(course.max() - course.min())
    if not _LEAST_OCTAVES <= span <= _MOST_OCTAVES:
        return None
    speed = 2.0**course
    turned = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))))
    scale = (n - 1) / turned[-1]
    still = _interpolate(part, np.interp(np.arange(n), turned * scale, np.arange(n)))
    end = max(1, round(_END_SHARE * n))
    return still, float(np.exp2(np.mean(course[-end:])) * scale)


def _interpolate(values: FloatArray, at: FloatArray) -> FloatArray:
    """Values between samples, by Lagrange's polynomial through the six nearest."""
    n_points = 6
    first = np.clip(np.floor(at).astype(np.intp) - n_points // 2 + 1, 0, len(values) - n_points)
    away = (at - first) - np.arange(n_points)[:, None]
    # Products of all distances ahead of each point and behind it.
    ahead, behind = np.ones_like(away), np.ones_like(away)
    np.cumprod(away[:-1], axis=0, out=ahead[1:])
    np.cumprod(away[:0:-1], axis=0, out=behind[-2::-1])
    near = values[first + np.arange(n_points)[:, None]] * _LAGRANGE[:, None]
    out: FloatArray = np.einsum("ij,ij,ij->j", ahead, behind, near)
    return out
