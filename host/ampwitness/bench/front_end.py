"""The board's input network as it really is: divider, bias, low-pass, parts that are a little off, and a clamp."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.bench.board_config_file import load_board_config
from ampwitness.frontend.network import InputNetwork, network_from_parts

__all__ = ["InputNetwork", "clamp_pin_v", "drawn_network", "nominal_network"]

# Our choice: what parts of the 1 % and 10 % classes show in practice. Two resistors at 0.5 % make up to 1 % of gain.
RESISTOR_SPREAD_RATIO = 0.005
CAPACITOR_SPREAD_RATIO = 0.10
REFERENCE_SPREAD_RATIO = 0.005

# The pin's protection conducts a little before these and is logarithmic beyond, as a diode is.
CLAMP_LOW_V, CLAMP_HIGH_V = -0.3, 3.6
_CLAMP_SOFTNESS_V = 0.05


InputParts = Mapping[str, Mapping[str, Any]]  # role -> top_ohm, up_ohm, down_ohm, farad


def nominal_network(role: str, input_of_role: InputParts | None = None) -> InputNetwork:
    """The network of a role with exactly the values in board_config, or in `input_of_role` where that is given.

    Raises KeyError for an unknown role.
    """
    config = load_board_config()
    parts = config.INPUT_OF_ROLE if input_of_role is None else input_of_role
    return network_from_parts(role, config.REFERENCE_V, parts[role])


def drawn_network(
    role: str, reference_v: float, rng: np.random.Generator, input_of_role: InputParts | None = None
) -> InputNetwork:
    """The network of a role with parts drawn within their spread, on a board whose reference is `reference_v`."""
    exact = nominal_network(role, input_of_role)

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
