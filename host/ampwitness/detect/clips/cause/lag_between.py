"""What a supply lagged by any time constant was where it falls within the very half-cycle that is cut off, and how a
plateau that follows it is bent.

Known are means over four time constants (`clip_stream`), each a sum over blocks of a millisecond. What a filter between
two of them passes is no mean of theirs: at 100 Hz, where the supply ripples under a note of 50 Hz, halfway in time it
misses a sixth of the ripple. All four together, with weights of either sign that sum to 1, miss a fiftieth.

A plateau's level is its mean. A filter that goes towards a supply which stands, as it does while the output is cut off,
bends it: the mean lies off the middle by the tilt times a time that grows with the square of the plateau's length.

Gaps: none here; what was lagged over a gap is not known.
Limits: time constants below 2 ms are missed by a seventh of the ripple at 150 Hz: the blocks are too coarse for them.
Source: first-order filters; the weights are least squares over what a supply ripples with, up to some 300 Hz.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ampwitness.detect.clips.table.clip_stream import MEAN_S, SUPPLY_LAGS_S
from ampwitness.types import FloatArray

N_LAGS = len(SUPPLY_LAGS_S)
RIPPLE_TO_HZ = 300.0  # twice the frequency of a bass note, and once more
_GRID_HZ = np.geomspace(1.0, 1000.0, 120)
_SUM_IS_ONE, _SMALL = 1e3, 1e-4  # weights of: a supply that stands is what it is; nothing cancels without need


def to_lag_s(place: float) -> float:
    """Seconds of a place among the lags: 1.5 is midway between the second and the third."""
    return float(np.interp(place, range(N_LAGS), SUPPLY_LAGS_S))


def filter_between(lagged: FloatArray, place: float) -> FloatArray:
    """Volts behind a first-order filter with the time constant of a place between the lags: (n, lags) -> (n,)."""
    return np.asarray(lagged @ _weights(round(float(place), 6)))


@lru_cache(maxsize=256)
def _weights(place: float) -> FloatArray:
    """(lags,) of the known means, that together come nearest to a first-order filter of that time constant."""
    omega = 2 * np.pi * _GRID_HZ
    wanted = 1 / (1 + 1j * omega * to_lag_s(place))
    decays = np.exp(-MEAN_S / np.array(SUPPLY_LAGS_S))
    # Means over a block, a sum over blocks, and a straight line between two of those sums.
    known = (1 - decays) / (1 - decays * np.exp(-1j * omega * MEAN_S)[:, None])
    known *= (np.sinc(_GRID_HZ * MEAN_S) ** 3)[:, None]
    counts = 1 / (1 + (_GRID_HZ / RIPPLE_TO_HZ) ** 4)
    rows = np.concatenate((
        known.real * counts[:, None], known.imag * counts[:, None],
        np.full((1, N_LAGS), _SUM_IS_ONE), _SMALL * np.eye(N_LAGS),
    ))  # fmt: skip
    asked = np.concatenate((wanted.real * counts, wanted.imag * counts, [_SUM_IS_ONE], np.zeros(N_LAGS)))
    weights: FloatArray = np.linalg.lstsq(rows, asked, rcond=None)[0]
    weights.setflags(write=False)
    return weights


def bend_s(flat_s: FloatArray, place: float) -> FloatArray:
    """(n,) seconds that, times its tilt, a plateau's middle lies above its mean, `flat_s` (n,) long, at that lag."""
    lag_s = to_lag_s(place)
    half = np.clip(flat_s / (2 * lag_s), 1e-2, 20.0)
    over_middle = np.sinh(half) / half - 1
    fitted_tilt = 3 * (half * np.cosh(half) - np.sinh(half)) / half**3
    return np.asarray(lag_s * over_middle / fitted_tilt)
