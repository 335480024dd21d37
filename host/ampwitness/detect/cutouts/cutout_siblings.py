"""What stops of one amplifier say of one another: a guard lets go at one supply however loud it is, and leaves the same
silence each time.

Gaps: none here; stops of all runs are compared.
Limits: one stop alone says nothing here. A programme that breaks off twice in the very milliseconds in which its own
current pulls the supply lower than ever looks like a guard: so two such stops are told with medium confidence at most.
Source: our choice, measured in tests/detect_cutouts/test_cutout_siblings.py.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ampwitness.detect.cutouts.cutout_low import AT_LEVEL_V, LEAST_AT_LEVEL, fell_unseen, is_new_low
from ampwitness.detect.cutouts.cutout_measure import Stop

_FELL_V, _ALIKE_V = 1.5, 0.6  # a fall within the last milliseconds, and how far two of them may be apart in all
_LOUDER_RATIO, _LEAST_V = 4.0, 0.12  # than what the others leave; as loud as no amplifier's own hiss


def count_new_lows(stops: Sequence[Stop]) -> None:
    """Note beside each stop at a new low of the supply how many others came at new lows as high.

    stops : those that nothing else explains
    """
    new = [stop for stop in stops if is_new_low(stop)]
    for stop in new:
        stop.n_new_lows = sum(abs(_at_v(other) - _at_v(stop)) < AT_LEVEL_V for other in new) - 1


def count_silent(stops: Sequence[Stop]) -> None:
    """Note beside each stop behind which something sounds on how many others left silence, where two at least did.

    stops : those at which the supply was low
    """
    for stop in stops:
        n = sum(other.off_rms_v * _LOUDER_RATIO < stop.off_rms_v for other in stops)
        if stop.off_rms_v > _LEAST_V and n >= LEAST_AT_LEVEL:
            stop.n_silent = n


def count_lost_alike(low: Sequence[Stop], lost: Sequence[Stop]) -> None:
    """Note beside each stop at a low supply ahead of how many at which it was lost it had fallen just so: one contact
    that opens for longer or shorter."""
    lost_v = [stop.supply.course_v for stop in lost if stop.supply is not None]
    for stop in low:
        course_v = () if stop.supply is None or fell_unseen(stop) else stop.supply.course_v
        if course_v and course_v[-1] - course_v[0] > _FELL_V:
            alike = (len(v) == len(course_v) and np.ptp((*np.subtract(v, course_v), 0.0)) < _ALIKE_V for v in lost_v)
            stop.n_lost_alike = sum(alike)


def _at_v(stop: Stop) -> float:
    assert stop.supply is not None
    return stop.supply.lowest_v
