"""The band-limited ramp: what stands in a fit for a flank that breaks off at a corner between the samples.

A waveform that ends at BAND_SHARE of half the sample rate has no sharp corner: max(t, 0) is rounded there and rings.
Averaging over the samples of a point rounds it more. Both are in a table; as the points of a window lie whole points
apart, all of a row's entries have one place between the table's steps, and stand in line in it.

Gaps: none here.
Limits: HALF points to either side of a corner; what rings further away is left out.
Source: a windowed-sinc low pass (Kaiser), as in any text on filters; its width is our choice.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import low_pass_taps

IntArray = npt.NDArray[np.intp]

BAND_SHARE = 0.9  # of half the sample rate: where the waveform's band ends
FINE = 16  # table entries a point
HALF = 14  # points to either side of a corner that the table covers
MOST_AVERAGED = 8  # from here on the averaging hides the band limit
REACH = 96  # points between a corner and any point of its window, at most


@lru_cache(maxsize=1)
def ramp_rounding() -> FloatArray:
    """What band limit and averaging add to an ideal ramp max(t, 0); (MOST_AVERAGED + 1, entries), t in points."""
    rows = [np.zeros(2 * HALF * FINE + 1)]
    for averaged in range(1, MOST_AVERAGED + 1):
        fine = FINE * averaged  # entries a point -> the same entries a sample, then thinned
        half, n_taps = 12 + averaged, 2 * 12 * FINE + 1
        taps = low_pass_taps(n_taps, BAND_SHARE / FINE, np.kaiser(n_taps, 6.0))
        box = np.ones(fine) / fine
        kernel = np.convolve(taps, box) if averaged > 1 else taps
        t = np.arange(-2 * half * FINE, 2 * half * FINE + 1) / FINE  # samples
        ideal = np.maximum(t, 0.0)
        rounded = np.convolve(ideal, kernel, mode="same")
        if averaged > 1 and len(box) % 2 == 0:  # an even box shifts by half a fine step
            rounded = np.interp(t + 0.5 / FINE, t, rounded)
        points = np.arange(-HALF * FINE, HALF * FINE + 1) / FINE
        inside = np.abs(t) <= half
        rows.append(np.interp(points * averaged, t[inside], (rounded - ideal)[inside], 0.0, 0.0) / averaged)
    return np.stack(rows)


@lru_cache(maxsize=2)
def _in_line(is_falling: bool) -> npt.NDArray[np.float64]:
    """(MOST_AVERAGED + 1, FINE + 1, 2 * REACH + 1) the same by its place between whole points and by whole points."""
    table = ramp_rounding()
    at = np.arange(-REACH, REACH + 1)[None, :] + np.arange(FINE + 1)[:, None] / FINE
    if is_falling:
        at = -at
    points = np.arange(-HALF * FINE, HALF * FINE + 1) / FINE
    return np.stack([np.interp(at, points, row, 0.0, 0.0) for row in table])


@lru_cache(maxsize=256)
def _windows(is_falling: bool, n_points: int) -> FloatArray:
    """Every run of `n_points` entries of the table, a row each."""
    return np.asarray(np.lib.stride_tricks.sliding_window_view(_in_line(is_falling).ravel(), n_points))


def find_in_table(first: FloatArray, averaged: IntArray) -> tuple[IntArray, FloatArray]:
    """Where in the table the rows stand whose first points lie `first` (n,) points from the corner, and how far they
    are on the way to the next line, 0...1."""
    whole = np.floor(first)
    share = (first - whole) * FINE
    low = share.astype(np.intp)
    width = 2 * REACH + 1
    start = (np.minimum(averaged, MOST_AVERAGED) * (FINE + 1) + low) * width + whole.astype(np.intp) + REACH
    return start, share - low


def rounding(start: IntArray, share: FloatArray, n_points: int, is_falling: bool) -> FloatArray:
    """What a ramp has beyond the ideal one, (n, n_points).

    Parameters
    ----------
    start, share : (n,) as `find_in_table` says
    n_points : points in a row
    is_falling : the ramp rises towards the first point, not the last
    """
    lines = _windows(is_falling, n_points)
    out = lines[start]
    above = lines[start + (2 * REACH + 1)]
    above -= out
    above *= share[:, None]
    out += above
    return np.asarray(out)


def ramp(t: FloatArray, averaged: IntArray) -> FloatArray:
    """Band-limited max(t, 0); t (n, points) in points of `averaged` (n,) samples each, one point apart."""
    return np.maximum(t, 0.0) + rounding(*find_in_table(t[:, 0], averaged), t.shape[1], is_falling=False)
