"""Stops cut in mid-cycle and as long as one another: a protection that tries again after a fixed time does that. Either
they come evenly, with only a moment of sound between: a programme that is gated evenly sounds for longer than it is
silent, or about as long. Or they come at odd moments, on no beat of the music's (`fixed_wait`).

Gaps: none here: works on stops, also across a gap.
Limits: without a logged source it stays undecided: a programme may be cut like that on purpose.
Source: ours; that protections commonly retry after a fixed wait: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.cutouts.fixed_wait import find_fixed_waits

LEAST_STOPS = 4
EVEN_RATIO = 0.06  # of the period, and of the length: so far off at most
MOST_SOUND_RATIO = 0.35  # of the time off: sound between two of them


def count_retries(stops: Sequence[Stop]) -> None:
    """Tell each stop of a row how many there are, and the period of an even one.

    stops : those cut in mid-cycle that nothing explains, in order of time
    """
    _count_fixed_waits(stops)
    row: list[Stop] = []
    for stop in stops:
        if row and not _follows(row, stop):
            _tell(row)
            row = []
        row.append(stop)
    _tell(row)


def _count_fixed_waits(stops: Sequence[Stop]) -> None:
    ended = [stop for stop in stops if stop.resume_s is not None]
    waits = find_fixed_waits([(stop.start_s, stop.end_s) for stop in ended])
    if np.count_nonzero(waits) < LEAST_STOPS:
        return
    for stop, is_one in zip(ended, waits, strict=True):
        if is_one:
            stop.n_retries = int(np.count_nonzero(waits))


def _follows(row: list[Stop], stop: Stop) -> bool:
    before = row[-1]
    off_s, period_s, sound_s = _off_s(before), stop.start_s - before.start_s, stop.start_s - before.end_s
    if stop.resume_s is None or abs(_off_s(stop) - off_s) > EVEN_RATIO * off_s or sound_s > MOST_SOUND_RATIO * off_s:
        return False
    usual_s = before.start_s - row[-2].start_s if len(row) > 1 else period_s
    return abs(period_s - usual_s) <= EVEN_RATIO * usual_s


def _tell(row: list[Stop]) -> None:
    if len(row) >= LEAST_STOPS:
        period_s = float(np.median(np.diff([stop.start_s for stop in row])))
        for stop in row:
            stop.n_retries, stop.retry_s = len(row), period_s


def _off_s(stop: Stop) -> float:
    return stop.end_s - stop.start_s
