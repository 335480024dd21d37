"""Whether moments lie on a beat, and which: what music does it mostly does there, what a fault does comes at any time.

Gaps: none here: works on moments.
Limits: beats of 75 to 400 a minute that stay the same throughout.
Source: the length of the mean of unit vectors, one for each moment's place within the beat, tells a period after
Rayleigh; its chance of n moments is exp(-n length^2) for each beat that is tried on its own (N. I. Fisher, Statistical
Analysis of Circular Data, 1993, from memory).
"""

from __future__ import annotations

import numpy as np

from ampwitness.types import FloatArray

BEATS_S = (0.15, 0.8)
STEPS = 8  # tried for each turn of the phase of the last moment


def fit_beat(moments_s: FloatArray) -> tuple[float, float]:
    """How well the best beat fits, and how likely one fits as well by chance.

    Parameters
    ----------
    moments_s : (n,) ascending, n of 2 and more

    Returns
    -------
    Length of the mean of unit vectors: 1 for what lies just on a beat; 20 ms off one of 0.4 s leave 0.95. And the
    chance, at most 1.
    """
    since_s = moments_s - moments_s[0]
    shortest_s, longest_s = BEATS_S
    span_s = max(float(since_s[-1]), longest_s)
    beats_hz = np.arange(1 / longest_s, 1 / shortest_s, 1 / (STEPS * span_s))
    fit = float(np.abs(np.exp(2j * np.pi * np.outer(beats_hz, since_s)).mean(axis=1)).max())
    n_apart = span_s * (1 / shortest_s - 1 / longest_s)
    return fit, min(1.0, n_apart * float(np.exp(-len(since_s) * fit**2)))
