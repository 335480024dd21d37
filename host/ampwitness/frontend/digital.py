"""The divider of a digital line: a lead of vehicle volts on a pin that only knows 0 and 1."""

from __future__ import annotations

from dataclasses import dataclass

from ampwitness.frontend.disturbances import DISTURBANCES, Stress, stress
from ampwitness.frontend.network import InputNetwork
from ampwitness.frontend.preferred import nearest_value

# The chip reads 0 for certain up to 0.8 V and 1 from 2.0 V at a supply of 3.3 V (its datasheet, from memory); it turns
# somewhere between, the middle is taken.
SURELY_LOW_V, TURNS_AT_V, SURELY_HIGH_V = 0.8, 1.4, 2.0
_DOWN_OHM = 12_000.0  # our choice: well under 1 mA at any lasting supply, and stiff against leakage
_FARAD = 1e-9  # our choice: about 10 us, far below a scan


@dataclass(frozen=True, slots=True)
class DigitalDivider:
    """A divider and what it makes of the lead's volts.

    surely_low_v, surely_high_v : volts at the lead up to which the pin reads 0 for certain, and from which it reads 1
    threshold_v : where it turns, nominally
    """

    role: str
    pin: int
    network: InputNetwork
    surely_low_v: float
    threshold_v: float
    surely_high_v: float
    stresses: tuple[Stress, ...]


def design_divider(role: str, pin: int, threshold_v: float, reference_v: float, system_v: int) -> DigitalDivider:
    """Divider of E24 parts that turns near `threshold_v` at the lead, and what it survives."""
    top_ohm = nearest_value(_DOWN_OHM * (threshold_v / TURNS_AT_V - 1), 24)
    network = InputNetwork(role, top_ohm, None, _DOWN_OHM, _FARAD, reference_v)
    gain = network.gain_ratio
    return DigitalDivider(
        role=role,
        pin=pin,
        network=network,
        surely_low_v=SURELY_LOW_V / gain,
        threshold_v=TURNS_AT_V / gain,
        surely_high_v=SURELY_HIGH_V / gain,
        stresses=tuple(stress(network, disturbance) for disturbance in DISTURBANCES[system_v]),
    )
