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

from ampwitness.detect.clips.measure.overdrive import sine_crest
from ampwitness.detect.clips.table.clip_screen import samples_around
from ampwitness.types import FloatArray

IntArray = npt.NDArray[np.intp]

UPPER_SHARE, LOWER_SHARE = 0.96, 0.85
LEAST_STAY = 0.70  # of the time above 85 % that is spent above 96 %
SHORT_LOBE_S, LEAST_STAY_SHORT = 0.0025, 0.6  # crests of full-range music, whose few samples blur the corners
LEAST_SAMPLES, LEAST_SAMPLES_SHORT = 3.0, 2.4
REACH_S, NEAR_S = 0.02, 0.004  # most crests have fallen within the second
HIGHEST_SHARE = 1.04  # of the crest's height: anything higher and it is not the crest


@dataclass(frozen=True, slots=True)
class CoarsePlateaus:
    """(n,) each, samples of the stretch and sign-turned volts. Where `is_flat` is False the crest looks like any other,
    and the rest says nothing."""

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


def _crossings(window: FloatArray, level: FloatArray) -> FloatArray:
    """(2, n) how far outward from its middle each row falls through its level, to the left and to the right; to the
    last point if it does not."""
    reach = window.shape[1] // 2
    below = window < level.astype(np.float32)[:, None]
    below[:, 0] = below[:, -1] = True
    rows = np.arange(len(window))
    out = np.empty((2, len(window)))
    for side, step in enumerate((-1, 1)):
        k = np.maximum(np.argmax(below[:, reach::step], axis=1), 1)
        above_v, below_v = window[rows, reach + step * (k - 1)], window[rows, reach + step * k]
        out[side] = k - 1 + np.clip((above_v - level) / np.maximum(above_v - below_v, 1e-12), 0.0, 1.0)
    return out


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
    out = CoarsePlateaus(np.zeros(len(crest), dtype=bool), *(np.zeros(len(crest)) for _ in range(7)))
    rows = np.arange(len(crest))
    for reach_s in (NEAR_S, REACH_S):
        reach = round(reach_s * rate_hz)
        window = _windows(volts, crest[rows], sign[rows], reach)
        inner, outer = (
            _crossings(window, UPPER_SHARE * height_v[rows]),
            _crossings(window, LOWER_SHARE * height_v[rows]),
        )
        ends = (outer < reach - 1).all(axis=0)
        stays = (inner.sum(axis=0) >= _least_stay(outer, rate_hz) * np.maximum(outer.sum(axis=0), 1e-9)) & ends
        if stays.any():
            _describe(out, window[stays], rows[stays], height_v[rows[stays]], inner[:, stays], outer[:, stays], rate_hz)
        rows = rows[~ends]
    out.start[:] += crest
    out.stop[:] += crest
    return out


def _windows(volts: FloatArray, crest: IntArray, sign: FloatArray, reach: int) -> FloatArray:
    """(n, 2 * reach + 1) samples around each crest, sign-turned; 0 beyond the ends."""
    if len(crest) and (crest.min() < reach or crest.max() >= len(volts) - reach):
        at = crest[:, None] + np.arange(-reach, reach + 1)
        window = np.where((at < 0) | (at >= len(volts)), np.float32(0), volts[np.clip(at, 0, len(volts) - 1)])
    else:
        window = samples_around(volts, crest, reach)
    window *= sign.astype(np.float32)[:, None]
    return window


def _is_short(outer: FloatArray, rate_hz: float) -> npt.NDArray[np.bool_]:
    return np.asarray(outer.sum(axis=0) < SHORT_LOBE_S * rate_hz)


def _least_stay(outer: FloatArray, rate_hz: float) -> FloatArray:
    return np.where(_is_short(outer, rate_hz), LEAST_STAY_SHORT, LEAST_STAY)


def _describe(
    out: CoarsePlateaus, window: FloatArray, rows: IntArray, height_v: FloatArray, inner: FloatArray, outer: FloatArray,
    rate_hz: float,
) -> None:  # fmt: skip
    """Fill in what stays long enough; `inner`, `outer` (2, n): crossings to either side, in samples from the crest."""
    reach = window.shape[1] // 2
    (inner_left, inner_right), (outer_left, outer_right) = inner, outer
    upper = UPPER_SHARE * height_v
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
    is_flat = stop - start >= np.where(_is_short(outer, rate_hz), LEAST_SAMPLES_SHORT, LEAST_SAMPLES)
    is_flat &= highest <= HIGHEST_SHARE * height_v
    crest_v = sine_crest((slope_left + slope_right) / 2, np.maximum(stop - start, 0.1), np.maximum(level, 1e-9))
    values = (is_flat, start, stop, level, tilt, slope_left, slope_right, crest_v)
    for name, column in zip(CoarsePlateaus.__slots__, values, strict=True):
        getattr(out, name)[rows] = column
