"""A plainer measurement of a cut-off crest, for where the fit of flanks and line fails: what lies under a rail counts.

Four crossings tell the shape: where the wave passes 85 % and 96 % of its crest on either side. A sine spends half as
long above 96 % as above 85 %; a crest cut off by 1 dB three quarters. That proves nothing by itself (a square wave does
the same); such rows are believed only at a rail that finer fits have established.

Gaps: works inside one stretch.
Limits: corners to some 0.1 ms; overdrive as if the crest were a sine about zero.
Source: our choice, measured in tests/detect_clipping; the shares follow from arccos(0.96) / arccos(0.85) = 0.51.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.overdrive import sine_crest
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

UPPER_SHARE, LOWER_SHARE = 0.96, 0.85
LEAST_STAY = 0.70  # of the time above 85 % that is spent above 96 %
SHORT_LOBE_S, LEAST_STAY_SHORT = 0.0025, 0.6  # crests of full-range music, whose few samples blur the corners
LEAST_SAMPLES, LEAST_SAMPLES_SHORT = 3.0, 2.4
REACH_S = 0.02
HIGHEST_SHARE = 1.04  # of the crest's height: anything higher and it is not the crest


@dataclass(frozen=True, slots=True)
class CoarsePlateaus:
    """(n,) each, samples of the stretch and sign-turned volts; `is_flat` False where the crest looks like any other."""

    is_flat: npt.NDArray[np.bool_]
    start: FloatArray
    stop: FloatArray
    level_v: FloatArray
    tilt_v: FloatArray  # per sample
    slope_left_v: FloatArray  # per sample, positive
    slope_right_v: FloatArray
    crest_v: FloatArray

    def take(self, chosen: npt.NDArray[np.bool_]) -> CoarsePlateaus:
        return CoarsePlateaus(*(getattr(self, name)[chosen] for name in self.__slots__))


def _crossings(outward: FloatArray, level: FloatArray) -> FloatArray:
    """Where each row of points, going outward from a crest, falls through its level; the last point if it does not."""
    below = outward < level.astype(np.float32)[:, None]
    below[:, -1] = True
    k = np.maximum(np.argmax(below, axis=1), 1)
    rows = np.arange(len(outward))
    above_v, below_v = outward[rows, k - 1], outward[rows, k]
    part = np.clip((above_v - level) / np.maximum(above_v - below_v, 1e-12), 0.0, 1.0)
    return np.asarray(k - 1 + part)


def measure_coarsely(
    volts: FloatArray, rate_hz: float, crest: IntArray, sign: FloatArray, height_v: FloatArray
) -> CoarsePlateaus:
    """Measure crests by their crossings.

    Parameters
    ----------
    volts : (n_samples,) volts
    rate_hz : samples a second
    crest : (n,) samples of the crests
    sign : (n,) polarity
    height_v : (n,) height of each crest, sign-turned
    """
    reach = round(REACH_S * rate_hz)
    at = crest[:, None] + np.arange(-reach, reach + 1)[None, :]
    window = volts[np.clip(at, 0, len(volts) - 1)] * sign.astype(np.float32)[:, None]
    if len(crest) and (crest.min() < reach or crest.max() >= len(volts) - reach):
        window = np.where((at < 0) | (at >= len(volts)), np.float32(0), window)
    left, right = window[:, reach::-1], window[:, reach:]
    upper, lower = UPPER_SHARE * height_v, LOWER_SHARE * height_v
    inner_left, inner_right = _crossings(left, upper), _crossings(right, upper)
    outer_left, outer_right = _crossings(left, lower), _crossings(right, lower)
    stay = (inner_left + inner_right) / np.maximum(outer_left + outer_right, 1e-9)
    fall = (UPPER_SHARE - LOWER_SHARE) * height_v
    slope_left = fall / np.maximum(outer_left - inner_left, 0.1)
    slope_right = fall / np.maximum(outer_right - inner_right, 0.1)
    # Level and tilt: a straight line through what lies above the upper crossing.
    x = np.arange(-reach, reach + 1, dtype=np.float32)[None, :]
    single = np.float32
    top = (x > (0.5 - inner_left).astype(single)[:, None]) & (x < (inner_right - 0.5).astype(single)[:, None])
    top[:, reach] = True
    n_top = np.count_nonzero(top, axis=1)
    middle = (top * x).sum(axis=1, dtype=float) / n_top
    mean = (top * window).sum(axis=1, dtype=float) / n_top
    dx = (x - middle[:, None].astype(np.float32)) * top
    tilt = (dx * window).sum(axis=1) / np.maximum((dx**2).sum(axis=1), 1e-9)
    level = np.where(n_top >= 2, mean, height_v)
    # The flanks go on straight up to the plateau.
    start = np.minimum(-inner_left + np.maximum(level - upper, 0) / slope_left, 0.0)
    stop = np.maximum(inner_right - np.maximum(level - upper, 0) / slope_right, 0.0)
    inside = (x >= -outer_left.astype(single)[:, None]) & (x <= outer_right.astype(single)[:, None])
    highest = np.where(inside, window, single(0)).max(axis=1)
    is_short = outer_left + outer_right < SHORT_LOBE_S * rate_hz
    is_flat = (stay >= np.where(is_short, LEAST_STAY_SHORT, LEAST_STAY)) & (
        stop - start >= np.where(is_short, LEAST_SAMPLES_SHORT, LEAST_SAMPLES)
    )
    is_flat &= highest <= HIGHEST_SHARE * height_v
    is_flat &= (outer_left < reach - 1) & (outer_right < reach - 1)
    crest_v = sine_crest((slope_left + slope_right) / 2, np.maximum(stop - start, 0.1), np.maximum(level, 1e-9))
    return CoarsePlateaus(is_flat, crest + start, crest + stop, level, tilt, slope_left, slope_right, crest_v)
