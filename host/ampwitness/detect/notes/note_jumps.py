"""Where what sounds jumps though neither level nor pitch does: a note struck again as loud, at the pitch it had.

A short linear prediction, fitted to four tenths of a second, follows lines that stand or die; where their phases jump
it fails for a moment. That is only a place to look at: whether a note begins there is asked elsewhere.

Gaps: the caller passes one run only.
Limits: a jump within 50 ms of another place is that place; one by less than some 40 degrees is no beginning.
Source: linear prediction by least squares; the numbers are our choice, measured in
tests/detect_events/test_notes_beside_others.py.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

JUMP_RATIO = 8.0  # of power, to the largest shortly ahead and behind: what is played on two strings has no such peak
_ORDER = 10  # five lines
_FRAME_S = 0.400
_RIDGE = 1e-6
_SPAN_S = 0.012
_NEAR_S, _FAR_S = 0.028, 0.100  # of the place, to either side, between which nothing else may fail
_LEAST_SHARE = 0.004  # of power


def measure_jumps(
    band: FloatArray, around: FloatArray, asked: npt.NDArray[np.bool_], rate_hz: float, noise_v: float
) -> FloatArray:
    """(n,) how far the mean square over 12 ms of what prediction leaves stands above the largest around it; 0 where it
    is next to nothing, or not asked for.

    Parameters
    ----------
    band : (n,) volts
    around : (n,) its mean squares over 50 ms
    asked : (n,) where
    noise_v : rms of its noise, which is not predicted
    """
    n, width = len(band), round(_SPAN_S * rate_hz)
    rest = _leave(band, rate_hz, noise_v)
    half = width // 2
    sums = np.concatenate((np.zeros(half + 1), np.cumsum(rest * rest)))
    sums = np.concatenate((sums, np.full(width - half, sums[-1])))
    left = (sums[width : width + n] - sums[:n]) / width
    near, far = round(_NEAR_S * rate_hz), round(_FAR_S * rate_hz)
    out = np.zeros(n)
    rows = np.flatnonzero(asked & (left > _LEAST_SHARE * np.maximum(around, 1e-12)))
    rows = rows[(rows >= far) & (rows < n - far)]
    if len(rows):
        largest = _largest_within(left, far - near)
        out[rows] = left[rows] / np.maximum(np.maximum(largest[rows - far], largest[rows + near]), 1e-12)
    return out


def _largest_within(values: FloatArray, width: int) -> FloatArray:
    """(n - width + 1,) the largest of so many values from each on: of two, of four, and so on."""
    largest, reach = values, 1
    while reach < width:
        step = min(reach, width - reach)
        largest, reach = np.maximum(largest[:-step], largest[step:]), reach + step
    return largest


def _leave(band: FloatArray, rate_hz: float, noise_v: float) -> FloatArray:
    """(n,) what a prediction fitted to each frame leaves of it."""
    frame, n = round(_FRAME_S * rate_hz), len(band)
    n_frames = -(-n // frame)
    padded = np.zeros(_ORDER + n_frames * frame)
    padded[_ORDER : _ORDER + n] = band
    # One row a lag, in one piece: a view of overlapping spans would be copied for each product.
    lagged = np.stack([padded[lag : lag + n_frames * frame] for lag in range(_ORDER + 1)])
    spans = lagged.reshape(_ORDER + 1, n_frames, frame).transpose(1, 0, 2)
    # Of all rows but the last: of a matrix and its own transpose numpy fills one triangle, and copies it slowly.
    products = spans[:, :_ORDER] @ spans.transpose(0, 2, 1)
    gram, aim = products[:, :, :_ORDER], products[:, :, _ORDER:]
    place = np.arange(_ORDER)
    gram[:, place, place] += frame * noise_v**2 + _RIDGE * gram[:, place, place].mean(axis=1)[:, None] + 1e-12
    weights = np.linalg.solve(gram, aim)
    rest = spans[:, _ORDER] - (weights.transpose(0, 2, 1) @ spans[:, :_ORDER])[:, 0]
    out: FloatArray = rest.reshape(-1)[:n]
    return out
