"""Short rests that a bass line makes again and again: where most of them end as notes do, one that broke off is a rest
as well, and no cut-out. So is each where they last now longer, now shorter, and the sound comes back on the beat.

Gaps: a rest ends at a gap.
Limits: rests of 30 to 250 ms, to 10 ms. An amplifier that lets go for as short a time, once, in a line that rests so
itself, is hidden among them where neither supply, ground, remote lead nor source shows it. Rests that are mostly cut
off are told one by one where they are few, or equally long: an amplifier that trips at each beat makes such.
Source: our choice, measured by tests/detect_cutouts/test_rests.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.beat import fit_beat
from ampwitness.types import FloatArray

LEAST_REST_S, MOST_REST_S = 0.030, 0.250  # guards commonly wait longer (common practice, no source)
NEAR_S = 10.0
LEAST_RESTS = 4
BEAT_NEAR_S, MOST_ON_BEAT = 120.0, 24  # a tempo is looked for over so long, and in so many
ON_BEAT, MOST_CHANCE, ALIKE_RATIO = 0.95, 0.01, 0.15
_SAME_S = 0.050  # of a stop that is told: the same silence
_LIKE_S, _LIKE_RATIO = 0.030, 0.5  # so much longer or shorter is like it
_LATE_S = 30.0  # a stop is told of by then


class RestCount:
    """The short rests of a recording; those far from any stop that might be one of them are forgotten."""

    def __init__(self) -> None:
        self._rests: list[tuple[float, float]] = []

    def add(self, start_s: float, stop_s: float) -> None:
        """Another silence, of any length."""
        if LEAST_REST_S <= stop_s - start_s <= MOST_REST_S:
            self._rests.append((start_s, stop_s - start_s))

    def forget(self, to_s: float, stops_s: Iterable[float]) -> None:
        """Forget those before `to_s` less half a minute with none of the stops, which began at `stops_s`, near."""
        starts = np.sort(np.fromiter(stops_s, dtype=np.float64))

        def is_near(start_s: float) -> bool:
            first, last = np.searchsorted(starts, [start_s - NEAR_S, start_s + NEAR_S])
            return bool(last > first)

        self._rests = [rest for rest in self._rests if rest[0] > to_s - _LATE_S or is_near(rest[0])]

    def find_rests(self, stops: Sequence[tuple[float, float]]) -> list[int]:
        """Which of the stops are rests of the programme.

        stops : (start_s, stop_s) of each one that nothing explains, by start
        """
        starts = np.array([start_s for start_s, _ in stops], dtype=np.float64)
        lengths = np.array([stop_s - start_s for start_s, stop_s in stops], dtype=np.float64)
        at, long = (np.array([rest[place] for rest in self._rests], dtype=np.float64) for place in (0, 1))
        if len(starts):  # what is told is no witness against itself
            is_told = np.array([bool(np.min(np.abs(starts - one)) < _SAME_S) for one in at], dtype=bool)
            at, long = at[~is_told], long[~is_told]
        found = find_on_beat(starts + lengths, lengths)
        on_beat = set(found)
        for number, (start_s, length_s) in enumerate(zip(starts, lengths, strict=True)):
            if length_s > MOST_REST_S or number in on_beat:
                continue
            n_rests, n_told = _count(at, long, start_s, length_s), _count(starts, lengths, start_s, length_s)
            if n_rests >= max(LEAST_RESTS, n_told):
                found.append(number)
        return found


def find_on_beat(ends_s: FloatArray, lengths_s: FloatArray) -> list[int]:
    """Which of some stops, not equally long, end on a beat that fits so many of them by no chance.

    ends_s, lengths_s : (n,) where each stop ended, and how long it was, in order of time
    """
    found: list[int] = []
    first = 0
    while first < len(ends_s):
        last = min(first + MOST_ON_BEAT, int(np.searchsorted(ends_s, ends_s[first] + BEAT_NEAR_S)))
        if last - first > 1:
            fit, chance = fit_beat(np.sort(ends_s[first:last]))
            lasted_s = lengths_s[first:last]
            are_alike = float(np.std(lasted_s)) <= ALIKE_RATIO * float(np.mean(lasted_s))
            found += range(first, last) if fit >= ON_BEAT and chance < MOST_CHANCE and not are_alike else ()
        first = max(last, first + 1)
    return found


def sum_rests(rests: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """How many stops were rests of the programme, and how long they were; (start_s, stop_s) of each."""
    lengths_s = [stop_s - start_s for start_s, stop_s in rests]
    return {"n": len(rests), "shortest_s": min(lengths_s, default=None), "longest_s": max(lengths_s, default=None)}


def _count(starts: FloatArray, lengths: FloatArray, start_s: float, length_s: float) -> int:
    is_like = np.abs(lengths - length_s) <= max(_LIKE_S, _LIKE_RATIO * length_s)
    return int(np.sum(is_like & (np.abs(starts - start_s) <= NEAR_S)))
