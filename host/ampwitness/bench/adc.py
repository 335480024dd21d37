"""The microcontroller's 12-bit converter, with its noise and its four wide codes.

The four codes 512, 1536, 2560 and 3584 are about 8 LSB wider than the rest (RP2350 datasheet, erratum list; third
parties saw more than 9 LSB at 512), which leaves less than one LSB for every other code: the integral non-linearity is
a sawtooth of 8 LSB. Noise is set so that noise and non-linearity together leave 8.7 effective bits, the datasheet's
figure.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.bench.board_config_file import load_board_config

WIDE_CODES = (512, 1536, 2560, 3584)
NOMINAL_EXTRA_WIDTH_LSB = 8.0
EXTRA_WIDTH_SPREAD_LSB = (6.5, 9.5)
EFFECTIVE_BITS = 8.7
OFFSET_SPREAD_LSB = 2.0
TOP_CODE = 4095
N_CODES = 4096


def nominal_inl_lsb(code: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """How far the input that gives `code` lies above code * LSB, in LSB, for four codes exactly 8 LSB wider.

    The mean input of code k is (k + nominal_inl_lsb(k)) * LSB. In closed form, with n = 4 wide codes, d = 8,
    narrow width w = 1 - n d / 4096 and m(k) = wide codes below k:

        nominal_inl_lsb(k) = k (w - 1) + m(k) d' + (width(k) - 1) / 2,     d' = 8 + 1 - w,

    with width(k) = 9 at a wide code (where the term (9 - 1) / 2 puts k in the middle of the step) and w elsewhere;
    code 0 starts at -0.5 LSB. A sawtooth from -4 to +4 LSB. Codes between whole ones are interpolated.
    """
    transitions = _transitions_lsb(np.full(len(WIDE_CODES), NOMINAL_EXTRA_WIDTH_LSB))
    centres = (transitions[:-1] + transitions[1:]) / 2
    return np.interp(np.asarray(code, dtype=np.float64), np.arange(N_CODES), centres - np.arange(N_CODES))


def _transitions_lsb(extra_lsb: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Input in LSB at which each code begins, (4097,); the last entry is where the top code would end."""
    n_wide = len(WIDE_CODES)
    narrow = (N_CODES - n_wide - extra_lsb.sum()) / (N_CODES - n_wide)
    width = np.full(N_CODES, narrow)
    width[list(WIDE_CODES)] = 1 + extra_lsb
    return np.asarray(np.concatenate(([0.0], np.cumsum(width))) - 0.5)


class AdcModel:
    """A converter drawn by seed.

    Parameters
    ----------
    seed : draws the wide codes' widths, the offset and the noise
    reference_v : supply of the converter, volts at which the codes end
    is_nominal : wide codes exactly 8 LSB wider and no offset (noise stays)
    is_noisy : False leaves the noise out, for tests of the transfer

    `noise_lsb` is the rms of the noise, `extra_width_lsb` how much wider each wide code is.
    """

    def __init__(
        self, seed: int, *, reference_v: float | None = None, is_nominal: bool = False, is_noisy: bool = True
    ) -> None:
        parts, noise = (np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(2))
        drawn = parts.uniform(*EXTRA_WIDTH_SPREAD_LSB, len(WIDE_CODES))
        offset = parts.uniform(-OFFSET_SPREAD_LSB, OFFSET_SPREAD_LSB)
        self.reference_v = load_board_config().REFERENCE_V if reference_v is None else reference_v
        self.extra_width_lsb = np.full(len(WIDE_CODES), NOMINAL_EXTRA_WIDTH_LSB) if is_nominal else drawn
        self.offset_lsb = 0.0 if is_nominal else offset
        self._noise = noise
        transitions = _transitions_lsb(self.extra_width_lsb)
        # The transfer is straight between these corners; floor() of it is the code.
        corners = sorted({0, N_CODES, *WIDE_CODES, *(code + 1 for code in WIDE_CODES)})
        self._corner_lsb = transitions[corners] + self.offset_lsb
        self._corner_code = np.array(corners, dtype=np.float64)
        self.noise_lsb = self._noise_for_effective_bits() if is_noisy else 0.0

    def codes(self, pin_v: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.uint16]:
        """Convert pin volts of any shape to raw codes 0..4095 of the same shape, noise drawn in memory order."""
        lsb = pin_v * (N_CODES / self.reference_v)
        if self.noise_lsb:
            lsb += self._noise.standard_normal(lsb.shape) * self.noise_lsb
        return self._quantise(lsb)

    def _quantise(self, lsb: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.uint16]:
        # np.interp holds its ends, which is the saturation; only the top end needs to come down to the top code.
        code = np.interp(lsb, self._corner_lsb, self._corner_code)
        return np.asarray(np.minimum(code, TOP_CODE).astype(np.uint16))

    def _noise_for_effective_bits(self) -> float:
        """Noise rms that, with this converter's own non-linearity, leaves EFFECTIVE_BITS in a full-scale sine fit."""
        n, cycles = 65_536, 1_021  # prime to each other: every sample has a phase of its own
        angle = 2 * np.pi * cycles / n * np.arange(n)
        sine = N_CODES / 2 - 0.5 + (N_CODES / 2 - 4) * np.sin(angle)
        code = self._quantise(sine).astype(np.float64)
        basis = np.column_stack((np.cos(angle), np.sin(angle), np.ones(n)))
        residual = code - basis @ np.linalg.lstsq(basis, code, rcond=None)[0]
        total = N_CODES / (2**EFFECTIVE_BITS * math.sqrt(12))
        return math.sqrt(max(0.0, total**2 - float(np.mean(residual**2))))
