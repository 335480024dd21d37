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

from ampwitness.detect.lobes import Lobes
from ampwitness.detect.overdrive import sine_crest
from ampwitness.types import FloatArray

UPPER_SHARE, LOWER_SHARE = 0.96, 0.85
LEAST_STAY = 0.70  # of the time above 85 % that is spent above 96 %
LEAST_SAMPLES = 3.0


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


def _crossing(volts: FloatArray, crest: int, limit: int, level: float, step: int) -> float:
    """Where the wave falls through `level` going from `crest` towards `limit`, interpolated; `limit` if it does not."""
    stretch = volts[crest : limit + 1] if step > 0 else volts[limit : crest + 1][::-1]
    below = stretch < level
    if not below.any():
        return float(limit)
    k = int(np.argmax(below))
    if k == 0:
        return float(crest)
    part = (stretch[k - 1] - level) / (stretch[k - 1] - stretch[k])
    return crest + step * (k - 1 + float(part))


def measure_coarsely(volts: FloatArray, lobes: Lobes) -> CoarsePlateaus:
    """Measure each lobe by its crossings; volts (n_samples,), sign turned so that crests point up."""
    n = len(lobes)
    rows = np.zeros((7, n))
    for k in range(n):
        rows[:, k] = _measure_one(volts, int(lobes.crest[k]), int(lobes.first[k]), int(lobes.last[k]) - 1,
                                  float(lobes.level_v[k]))  # fmt: skip
    stay, start, stop, level, tilt, left, right = rows
    is_flat = (stay >= LEAST_STAY) & (stop - start >= LEAST_SAMPLES) & (left > 0) & (right > 0)
    crest = sine_crest((left + right) / 2, np.maximum(stop - start, 0.1), np.maximum(level, 1e-9))
    return CoarsePlateaus(is_flat, start, stop, level, tilt, left, right, crest)


def _measure_one(volts: FloatArray, crest: int, first: int, last: int, height: float) -> tuple[float, ...]:
    """Share of stay, corners, level, tilt and flank slopes of one lobe."""
    outer = [_crossing(volts, crest, end, LOWER_SHARE * height, step) for end, step in ((first, -1), (last, 1))]
    inner = [_crossing(volts, crest, end, UPPER_SHARE * height, step) for end, step in ((first, -1), (last, 1))]
    stay = (inner[1] - inner[0]) / max(outer[1] - outer[0], 1e-9)
    low, high = int(np.ceil(inner[0])) + 1, int(np.floor(inner[1]))
    if high - low < 2:
        low, high = crest, crest + 1
    top = volts[low:high]
    level = float(np.median(top))
    half = len(top) // 2
    tilt = float(np.mean(top[-half:]) - np.mean(top[:half])) / (len(top) - half) if half >= 2 else 0.0
    fall = (UPPER_SHARE - LOWER_SHARE) * height
    left, right = fall / max(inner[0] - outer[0], 0.1), fall / max(outer[1] - inner[1], 0.1)
    # The flanks go on straight up to the plateau.
    start = min(inner[0] + max(level - UPPER_SHARE * height, 0.0) / left, float(crest))
    stop = max(inner[1] - max(level - UPPER_SHARE * height, 0.0) / right, float(crest))
    return stay, start, stop, level, tilt, left, right
