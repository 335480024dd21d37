"""How well the onset of a drift can be dated at best: the Cramer-Rao bound for one made-up soak.

Limits: the bound is that of small errors; where a start 20 minutes off explains the levels nearly as well, no method
reaches it. The reference's wander is taken as normal with the covariance that the simulated courses have.
Source: the Fisher information of a mean in normal noise (S. M. Kay, Fundamentals of Statistical Signal Processing:
Estimation Theory, 1993, section 3.9; from memory).
"""

from __future__ import annotations

import math

import numpy as np

from ampwitness.bench.soak_signals import Soak, reference_course
from ampwitness.types import FloatArray

_NODE_S = 300.0
_N_COURSES = 200


def onset_bound_s(soak: Soak) -> float:
    """The least standard deviation in s at which the start of a linear drift can be dated.

    Level before, start, end and change are unknown; the scatter of the signal and how the reference wanders are known.
    Pauses are not taken out: with them it is a little more.
    """
    times = np.arange(_NODE_S / 2, 3600 * soak.hours, _NODE_S)
    scatter_db = soak.scatter_db / math.sqrt(_NODE_S)
    rng = np.random.default_rng(1)
    covariance = np.cov(np.array([reference_course(times, rng) for _ in range(_N_COURSES)]).T)
    return ramp_bound_s(times, covariance + scatter_db**2 * np.eye(len(times)), soak)


def ramp_bound_s(times: FloatArray, covariance_db2: FloatArray, soak: Soak) -> float:
    """The same for levels at `times` (n,) in s whose errors have the given covariance (n, n) in dB squared."""
    over_s, slope = soak.change_over_s, soak.change_db / soak.change_over_s
    share = (times - soak.change_at_s) / over_s
    inside = (share > 0) & (share < 1)
    # What the level changes by for a later start, a later end, a larger change and another level before.
    by_start = np.where(inside, -slope * (1 - share), 0.0)
    by_stop = np.where(inside, -slope * share, 0.0)
    changes = np.stack((by_start, by_stop, np.clip(share, 0.0, 1.0), np.ones(len(times))), axis=1)
    information = changes.T @ np.linalg.solve(covariance_db2, changes)
    scale = np.sqrt(np.diag(information))
    return float(np.sqrt(np.linalg.inv(information / np.outer(scale, scale))[0, 0]) / scale[0])


def share_within(bound_s: float, within_s: float) -> float:
    """How many dates lie within `within_s` of the truth where their errors are normal and as small as the bound."""
    return math.erf(within_s / bound_s / math.sqrt(2))
