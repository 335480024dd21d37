"""A rail that ripples with its supply within a half-cycle: alternator whine, chargers, a supply's own regulation.

Such tops are bent several times over, and hardly one is fitted plainly, so that no course of the ceiling can be
learned from them either (`clip_course`). But the ripple was measured. A rail that follows its supply ripples in
proportion: with the output multiplied by

    supply over some milliseconds / supply right now

tops lie level, and the slow part of the supply stays in them. A rail that does not follow gets the ripple instead, and
fewer tops are plain then.

Gaps: works inside one stretch.
Limits: needs the supply; ripple up to what its channel passes, that reaches the rail without delay.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages hostile`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.table.clip_stream import Stretch
from ampwitness.types import FloatArray

SLOW_S, FAST_S = 0.01, 0.00025  # half widths of the two means
LEAST_RIPPLE = 0.002  # of the supply, rms
LOWEST_SUPPLY_V = 3.0


def find_ripple(stretch: Stretch) -> FloatArray | None:
    """What to add to a stretch's output so that its rail no longer ripples with the supply, (n_samples,); None without
    a supply, or where it hardly ripples."""
    if stretch.supply_v is None:
        return None
    supply_v = np.maximum(stretch.supply_v, LOWEST_SUPPLY_V)
    ripple = _mean_around(supply_v, round(SLOW_S * stretch.rate_hz))
    ripple /= _mean_around(supply_v, round(FAST_S * stretch.rate_hz))
    ripple -= 1
    if float(np.sqrt(np.mean(ripple**2))) < LEAST_RIPPLE:
        return None
    ripple *= stretch.output_v
    return ripple


def _mean_around(values: FloatArray, half: int) -> FloatArray:
    """(n,) means weighted by a triangle, two boxes of `half` samples one after the other. In place as far as it goes:
    of a stretch each array takes eight megabytes."""
    for lead in ((half - 1) // 2, half // 2):
        total = np.empty(len(values) + half)
        total[: lead + 1] = values[0]
        total[0] = 0.0
        total[lead + 1 : lead + 1 + len(values)] = values
        total[lead + 1 + len(values) :] = values[-1]
        np.cumsum(total, out=total)
        values = total[half:] - total[:-half]
        values /= half
    return values
