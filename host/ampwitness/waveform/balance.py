"""How equal the two dividers of a bridged output are, learned from the recording itself.

A bridged amplifier drives its terminals against each other around a common level: p = m + d/2, n = m - d/2. With
dividers that differ by the ratio 1 + e, the measured half sum (p + n)/2 holds e/4 of the measured difference p - n. The
common level itself (half the supply, with its ripple) has no reason to follow the music: it moves with its magnitude at
most, which is uncorrelated with its sign. So the regression of the half sum on the difference gives e, and a median
over many short stretches makes it robust against clipping on one side and thumps.

What it is good for: the common level times e appears in the output as a false DC and false ripple (7 V and 1 % make
70 mV). What it cannot do: a single-ended output, or one whose other terminal is at ground, has no such symmetry, which
is seen (the half sum is half of the difference) and answered with a reason.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ampwitness.types import Calibration
from ampwitness.waveform.calibration import scaled

LEAST_SWING_V = 1.0  # rms of the difference below which a stretch says nothing
LARGEST_MISMATCH_RATIO = 0.08  # four 1 % resistors and two 1 % references cannot differ by more
LEAST_STRETCHES = 8
_SETTLED_STRETCHES = 256
_MOST_STRETCHES = 4096  # then every second one is dropped: memory stays bounded


@dataclass(frozen=True, slots=True)
class BridgeBalance:
    """Gain of the out_p divider over that of the out_n divider, with its standard uncertainty, or why there is none."""

    gain_ratio: float | None
    uncertainty_ratio: float | None
    n_stretches: int
    reason: str | None


class BridgeBalanceMeter:
    """Collects one figure a stretch of output; bounded memory.

    Gaps
    ----
    Each stretch is an unbroken run and is judged by itself; the assembler shows none that touches a gap.

    Limits
    ------
    Needs eight stretches of at least 1 V rms. See `result` for what it cannot tell apart.

    Source
    ------
    Our choice, measured in tests/waveform/test_balance.py.
    """

    def __init__(self) -> None:
        self._mismatches: list[float] = []
        self._keep_every = 1
        self._n_seen = 0
        self._n_one_sided = 0

    @property
    def is_settled(self) -> bool:
        """Whether so many stretches were seen that a small part of those to come is enough."""
        return self._n_seen >= _SETTLED_STRETCHES

    def push(self, out_p_v: np.typing.NDArray[np.float32], out_n_v: np.typing.NDArray[np.float32]) -> None:
        """Look at one unsaturated stretch.

        Parameters
        ----------
        out_p_v, out_n_v : (n,) volts of the two terminals on one time grid, an unbroken run
        """
        p = out_p_v - out_p_v.mean(dtype=np.float64)
        n = out_n_v - out_n_v.mean(dtype=np.float64)
        difference = p - n
        power = float(np.dot(difference, difference)) / len(p)
        if power < LEAST_SWING_V**2:
            return
        mismatch = 4.0 * float(np.dot(p + n, difference)) / (2.0 * len(p) * power)
        if abs(mismatch) > 1.0:
            self._n_one_sided += 1
            return
        self._n_seen += 1
        if self._n_seen % self._keep_every == 0:
            self._mismatches.append(mismatch)
        if len(self._mismatches) >= _MOST_STRETCHES:
            self._mismatches = self._mismatches[1::2]
            self._keep_every *= 2

    def result(self) -> BridgeBalance:
        """The mismatch so far.

        Returns
        -------
        BridgeBalance; its uncertainty is that of the median from the spread (1.25 x 1.48 MAD / sqrt(n)).

        Limits
        ------
        A common level that truly follows the signal (one half of the bridge with a different gain) cannot be told from
        unequal dividers; either way the sum of both halves is what the regression leaves untouched.
        """
        n = len(self._mismatches)
        if self._n_one_sided > n:
            return BridgeBalance(None, None, n, "the two terminals do not swing against each other: not bridged")
        if n < LEAST_STRETCHES:
            return BridgeBalance(None, None, n, "too little output to compare the two dividers on")
        values = np.asarray(self._mismatches)
        middle = float(np.median(values))
        if abs(middle) > LARGEST_MISMATCH_RATIO:
            return BridgeBalance(None, None, n, "the two terminals differ by more than their dividers can")
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        return BridgeBalance(1.0 + middle, 1.25 * spread / math.sqrt(n), n, None)


def balance_calibrations(calibrations: Mapping[str, Calibration], balance: BridgeBalance) -> dict[str, Calibration]:
    """Calibrations in which half of the mismatch is taken off each divider.

    Parameters
    ----------
    calibrations : role -> Calibration, with out_p and out_n as they were used for the measurement
    balance : what was measured; with no result the calibrations come back as they were

    Returns
    -------
    role -> Calibration.
    """
    balanced = dict(calibrations)
    if balance.gain_ratio is None or "out_p" not in balanced or "out_n" not in balanced:
        return balanced
    half = math.sqrt(balance.gain_ratio)
    why = f"dividers of the bridge made equal, ratio {balance.gain_ratio:.5f}"
    balanced["out_p"] = scaled(balanced["out_p"], 1.0 / half, why)
    balanced["out_n"] = scaled(balanced["out_n"], half, why)
    return balanced
