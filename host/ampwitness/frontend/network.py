"""One input network: what stands between a terminal and an analog pin, and the closed forms that follow."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

N_CODES = 4096  # the board's converter: 12 bits


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
        """What the capacitor sees: top, up and down in parallel. Also the source impedance of the pin."""
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

    @property
    def low_v(self) -> float:
        """Terminal volts at which the pin is at 0 V: the bottom of the range."""
        return -self.bias_v / self.gain_ratio + 0.0  # never -0.0

    @property
    def high_v(self) -> float:
        """Terminal volts at which the pin is at the reference: the top of the range."""
        return (self.reference_v - self.bias_v) / self.gain_ratio

    @property
    def volts_per_code(self) -> float:
        """Volts at the terminal for one code of the converter, before averaging."""
        return self.reference_v / N_CODES / self.gain_ratio

    @property
    def shunt_ohm(self) -> float:
        """Up and down in parallel: what the top resistor ends in. Infinite where neither is fitted."""
        siemens = sum(1 / ohm for ohm in (self.up_ohm, self.down_ohm) if ohm is not None)
        return 1 / siemens if siemens else math.inf

    @property
    def input_ohm(self) -> float:
        """What loads the terminal at DC."""
        return self.top_ohm + self.shunt_ohm

    @property
    def open_v(self) -> float:
        """Where an unconnected terminal floats, and one behind a coupling capacitor."""
        return 0.0 if self.up_ohm is None else self.reference_v * self.shunt_ohm / self.up_ohm

    def pin_v(self, terminal_v: float) -> float:
        """Settled volts at the pin, before any clamp."""
        return self.bias_v + self.gain_ratio * terminal_v

    def loss_db(self, frequency_hz: float) -> float:
        """How much lower a tone of this frequency reads, in dB."""
        return 10 * math.log10(1 + (frequency_hz / self.corner_hz) ** 2)

    def parts(self) -> dict[str, float | None]:
        """The parts as board_config writes them."""
        return {"top_ohm": self.top_ohm, "up_ohm": self.up_ohm, "down_ohm": self.down_ohm, "farad": self.farad}


def network_from_parts(role: str, reference_v: float, parts: Mapping[str, Any]) -> InputNetwork:
    """The network that board_config's dictionary of parts describes."""
    return InputNetwork(role=role, reference_v=reference_v, **parts)
