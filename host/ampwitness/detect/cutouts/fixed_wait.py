"""Silences that last equally long though they come at odd moments: an amplifier waits for a fixed time before it plays
on. Music rests on its own beat.

Gaps: none here: works on spans.
Limits: rests shorter than LONG_S are told only where so many lie within minutes that no beat fits all of them by
chance, as with some eight. A wait that begins on the beat each time, because what trips it is played there, is taken
for a rest.
Source: ours; that protections commonly wait for a fixed time: common practice, no source. Measured by
tests/detect_cutouts/test_fixed_wait.py.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.beat import fit_beat

FEWEST = 4
LEAST_S = 0.3  # shorter rests are commonly equal: a synthesiser's gate
LONG_S = 4.0  # so long no music rests four times by the same count
EVEN_S, EVEN_RATIO = 0.030, 0.004  # how far lengths lie from their median at most: an end is good to 20 ms
LEAST_SHARE = 0.6  # of all silences of LEAST_S and more
ON_BEAT = 0.93
NEAR_S, MOST = 300.0, 24  # a beat is looked for over so long, and in so many


def find_fixed_waits(spans: Sequence[tuple[float, float]]) -> npt.NDArray[np.bool_]:
    """(n,) which silences are equally long and on no beat; none unless most of the longer ones are.

    spans : (start_s, stop_s) of each
    """
    times = np.array(spans, dtype=np.float64).reshape(-1, 2)
    length_s = times[:, 1] - times[:, 0]
    is_long = length_s >= LEAST_S
    nothing = np.zeros(len(times), dtype=bool)
    if np.count_nonzero(is_long) < FEWEST:
        return nothing
    usual_s = float(np.median(length_s[is_long]))
    is_even = is_long & (np.abs(length_s - usual_s) <= max(EVEN_S, EVEN_RATIO * usual_s))
    if np.count_nonzero(is_even) < max(FEWEST, LEAST_SHARE * np.count_nonzero(is_long)):
        return nothing
    return nothing if usual_s < LONG_S and _may_be_on_a_beat(times[is_even, 0]) else is_even


def _may_be_on_a_beat(start_s: npt.NDArray[np.float64]) -> bool:
    """Whether some beat fits all moments; where they are few, one does so by chance, too."""
    since_s = np.sort(start_s) - float(np.min(start_s))
    since_s = since_s[since_s <= NEAR_S][:MOST]
    return len(since_s) >= FEWEST and fit_beat(since_s)[0] >= ON_BEAT  # few: spread over hours
