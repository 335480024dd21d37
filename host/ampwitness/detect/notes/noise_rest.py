"""Steady noise, as soaks play it for hours, has no notes: once two minutes of it were looked at and everything that
began was none, looking for notes rests until its level or its shape changes, a quarter of an hour at most.

Every few hundredths of a second something begins in noise, and each of that costs as much as a note.

Gaps: rests end with the run.
Limits: notes of the same level as the noise, to within 0.7 dB both of rms and of mean magnitude over 20 s, are found a
quarter of an hour late at most; what was not looked at is said in the coverage.
Source: our choice, measured in tests/detect_notes/test_noise_rest.py.
"""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

LEAST_STARTS = 384  # so many began, and none of them was a note
BLOCKS_BEFORE, MOST_BLOCKS = 6, 45  # of 20 s
SAME_DB = 0.7  # noise 40 Hz wide scatters by 0.15 dB in 20 s
_STEP = 7  # samples: every seventh says as much of steady noise
REASON = "steady noise, in which nothing is a note: looked at every quarter of an hour, and when it changes"

_SAME = 10 ** (SAME_DB / 20)


class NoiseRest:
    """Whether looking for notes may rest, block by block."""

    def __init__(self) -> None:
        self._seen: deque[tuple[float, float]] = deque(maxlen=BLOCKS_BEFORE)
        self._is_noise = False
        self._n_left_out = 0

    def count(self, n_starts: int, n_notes: int) -> None:
        """What came of the last batch of beginnings."""
        self._is_noise = n_starts >= LEAST_STARTS and n_notes == 0

    def leaves_out(self, volts: npt.NDArray[np.float32], is_last: bool) -> bool:
        """Whether the next block, (n,) V, is left out; one that is not is remembered as looked at."""
        size_v = np.abs(volts[::_STEP]) if len(volts) else np.zeros(1)
        rms_v, mean_v = float(np.sqrt(np.mean(size_v**2))), float(np.mean(size_v))
        may_rest = self._is_noise and not is_last and len(self._seen) == BLOCKS_BEFORE
        if may_rest and self._n_left_out < MOST_BLOCKS and self._is_like(rms_v, mean_v):
            self._n_left_out += 1
            return True
        if self._n_left_out:
            self._seen.clear()
            self._is_noise, self._n_left_out = False, 0
        self._seen.append((rms_v, mean_v))
        return False

    def _is_like(self, *figures: float) -> bool:
        """Whether the blocks that were looked at are like each other, and these figures like theirs."""
        seen = np.array(self._seen)
        usual = np.maximum(seen.mean(axis=0), 1e-9)
        ratios = np.vstack((seen, figures)) / usual
        return bool(np.all((ratios < _SAME) & (ratios > 1 / _SAME)))
