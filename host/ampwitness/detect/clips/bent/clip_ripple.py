"""A rail that ripples with its supply within a half-cycle: alternator whine, chargers, a supply's own regulation.

Such tops are bent several times over, and hardly one is fitted plainly. But the ripple was measured. A rail that
follows its supply ripples in proportion: with the output multiplied by

    supply over some milliseconds / supply right now

tops lie level, and the slow part of the supply stays in them. What a rail has in store makes it follow behind a time
constant; then a supply that collapses within a note bows its tops, and the supply is taken behind that one. A rail that
does not follow gets the ripple instead, and fewer tops are plain then.

Gaps: works inside one stretch.
Limits: needs the supply; ripple up to what its channel passes, that reaches the rail without delay or behind one of
DELAYS_S.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets stages hostile`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.table.clip_stream import Stretch
from ampwitness.types import FloatArray
from ampwitness.waveform.recursion import recur

SLOW_S, FAST_S = 0.01, 0.00025  # half widths of the two means
LEAST_RIPPLE = 0.002  # of the supply, rms
DELAYS_S = (0.002, 0.004, 0.008)
LEAST_COLLAPSE = 0.08  # of the supply, within SLOW_S: with less a rail's store leaves tops level
LOWEST_SUPPLY_V = 3.0
_AT_ONCE = 1 << 15  # samples


def find_ripple(stretch: Stretch, delay_s: float = 0.0) -> FloatArray | None:
    """What to add to a stretch's output so that its rail no longer ripples with the supply, (n_samples,); None without
    a supply, or where it hardly ripples: behind a delay, does not collapse.

    Parameters
    ----------
    stretch : as it was measured
    delay_s : time constant behind which the rail follows
    """
    if stretch.supply_v is None:
        return None
    supply_v = np.maximum(stretch.supply_v, LOWEST_SUPPLY_V)
    ripple = _mean_around(supply_v, round(SLOW_S * stretch.rate_hz))
    now_v = _mean_around(supply_v, round(FAST_S * stretch.rate_hz))
    del supply_v
    if delay_s:
        if float(np.ptp(ripple / now_v)) < LEAST_COLLAPSE:
            return None
        keep = float(np.exp(-1 / (delay_s * stretch.rate_hz)))
        first_v = float(now_v[0])
        now_v -= first_v
        now_v *= 1 - keep
        now_v = recur(now_v, (keep,))
        now_v += first_v
    ripple /= now_v
    del now_v
    ripple -= 1
    if float(np.sqrt(np.mean(ripple**2))) < LEAST_RIPPLE:
        return None
    ripple *= stretch.output_v
    return ripple


def _mean_around(values: FloatArray, half: int) -> FloatArray:
    """(n,) means weighted by a triangle, two boxes of `half` samples one after the other. In place: of a stretch each
    array takes eight megabytes, and here a day's most memory was taken."""
    n = len(values)
    total = np.empty(n + half)
    total[:n] = values
    for lead in ((half - 1) // 2, half // 2):
        first_v, last_v = total[0], total[n - 1]
        for stop in range(n, 0, -_AT_ONCE):
            start = max(0, stop - _AT_ONCE)
            total[start + lead + 1 : stop + lead + 1] = total[start:stop]
        total[: lead + 1] = first_v
        total[0] = 0.0
        total[lead + 1 + n :] = last_v
        np.cumsum(total, out=total)
        for start in range(0, n, _AT_ONCE):
            stop = min(n, start + _AT_ONCE)
            total[start:stop] = (total[start + half : stop + half] - total[start:stop]) / half
    return total[:n]
