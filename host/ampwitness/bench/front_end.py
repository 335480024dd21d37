"""The board's input network as it really is: divider, bias, low-pass, parts that are a little off, and a clamp."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.bench.board_config_file import load_board_config

# Our choice: what parts of the 1 % and 10 % classes show in practice. Two resistors at 0.5 % make up to 1 % of gain.
RESISTOR_SPREAD_RATIO = 0.005
CAPACITOR_SPREAD_RATIO = 0.10
REFERENCE_SPREAD_RATIO = 0.005

# The pin's protection conducts a little before these and is logarithmic beyond, as a diode is.
CLAMP_LOW_V, CLAMP_HIGH_V = -0.3, 3.6
_CLAMP_SOFTNESS_V = 0.05


@dataclass(frozen=True, slots=True)
class InputNetwork:
    """Resistors and capacitor between one terminal and its pin. None: not fitted."""

    role: str
    top_ohm: float
    up_ohm: float | None
    down_ohm: float | None
    farad: float
    reference_v: float

    @property
    def parallel_ohm(self) -> float:
        """What the capacitor sees: top, up and down in parallel."""
        siemens = 1 / self.top_ohm
        siemens += 0 if self.up_ohm is None else 1 / self.up_ohm
        siemens += 0 if self.down_ohm is None else 1 / self.down_ohm
        return 1 / siemens

    @property
    def gain_ratio(self) -> float:
        """Volts at the pin for a volt at the terminal, at DC."""
        return self.parallel_ohm / self.top_ohm

    @property
    def bias_v(self) -> float:
        """Volts at the pin with the terminal at 0 V."""
        return 0.0 if self.up_ohm is None else self.reference_v * self.parallel_ohm / self.up_ohm

    @property
    def time_constant_s(self) -> float:
        return self.parallel_ohm * self.farad

    @property
    def corner_hz(self) -> float:
        return 1 / (2 * math.pi * self.time_constant_s)


def nominal_network(role: str) -> InputNetwork:
    """The network of a role with exactly the values in board_config. Raises KeyError for an unknown role."""
    config = load_board_config()
    return InputNetwork(role=role, reference_v=config.REFERENCE_V, **config.INPUT_OF_ROLE[role])


def drawn_network(role: str, reference_v: float, rng: np.random.Generator) -> InputNetwork:
    """The network of a role with parts drawn within their spread, on a board whose reference is `reference_v`."""
    exact = nominal_network(role)

    def draw(value: float | None, spread_ratio: float) -> float | None:
        error = rng.uniform(-spread_ratio, spread_ratio)  # drawn even where not fitted: one role never moves another
        return None if value is None else value * (1 + error)

    top, up, down, farad = (
        draw(exact.top_ohm, RESISTOR_SPREAD_RATIO),
        draw(exact.up_ohm, RESISTOR_SPREAD_RATIO),
        draw(exact.down_ohm, RESISTOR_SPREAD_RATIO),
        draw(exact.farad, CAPACITOR_SPREAD_RATIO),
    )
    assert top is not None  # never "not fitted" in board_config
    assert farad is not None
    return InputNetwork(role, top, up, down, farad, reference_v)


def clamp_pin_v(pin_v: npt.NDArray[np.floating[Any]]) -> npt.NDArray[np.floating[Any]]:
    """Pin volts after the protection diodes; the same array where nothing reaches them.

    Limits: memoryless; a real clamp also shortens how long the capacitor takes to come back.
    """
    high, low = CLAMP_HIGH_V - _CLAMP_SOFTNESS_V, CLAMP_LOW_V + _CLAMP_SOFTNESS_V
    if pin_v.size == 0 or (pin_v.max() <= high and pin_v.min() >= low):
        return pin_v
    above = np.maximum(pin_v - high, 0) / _CLAMP_SOFTNESS_V
    below = np.maximum(low - pin_v, 0) / _CLAMP_SOFTNESS_V
    return np.asarray(np.clip(pin_v, low, high) + _CLAMP_SOFTNESS_V * (np.log1p(above) - np.log1p(below)))
