"""What can come in on a lead that should not, and what the parts make of it.

Every number of a standard names its evidence: "seen" in a secondary copy (data sheets and manuals that reproduce the
table, a journal's table), or "from memory".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from ampwitness.frontend.network import InputNetwork

# ---- the clamp: a pair of low-leakage diodes (generic type BAV199) from the node to 3.3 V and to ground ------------
# Largest forward volts in data sheets of that type: 0.9 / 1.0 / 1.1 / 1.25 V at 1 / 10 / 50 / 150 mA (seen). The curve
# n kT/q ln(I/Is) + Rs I lies on or above them up to 50 mA.
DIODE_IDEALITY = 1.428
DIODE_SERIES_OHM = 1.5
_THERMAL_V = 1.380649e-23 * 300.15 / 1.602176634e-19
DIODE_SATURATION_A = 1e-3 * math.exp(-(0.9 - 1e-3 * DIODE_SERIES_OHM) / (DIODE_IDEALITY * _THERMAL_V))
DIODE_MOST_A = {"steady": 0.11, "short": 0.5}  # both diodes loaded; 1 s (seen)
# Between node and pin. The chip's own protection may see 0.5 V beyond its supply (absolute maximum, from memory).
PIN_OHM = 4_700.0
CHIP_BEYOND_V = 0.5
PIN_MOST_A = 0.5e-3  # our choice: no figure is published for current into the chip's own protection
# The upper diode ends in the board's 3.3 V. That takes what the board itself draws, 20 mA from memory; the rest lifts
# the rail, which has 10 uF at least (from memory) and may rise by 0.2 V (our choice: 3.5 V of the chip's 3.63 V).
RAIL_DRAW_A, RAIL_FARAD, RAIL_RISE_MOST_V = 0.020, 10e-6, 0.2

# ---- top resistors: metal film --------------------------------------------------------------------------------------
# (rated W, volts at work, volts in overload), one maker's table of normal sizes, others alike (seen).
RESISTOR_CLASSES = ((0.25, 250.0, 500.0), (0.5, 300.0, 700.0), (1.0, 350.0, 800.0), (2.0, 500.0, 800.0))
# Short-time overload of IEC 60115-1: 2.5 times the rated volts for 5 s (seen in data sheets): 6.25 times the power.
OVERLOAD_POWER_RATIO, OVERLOAD_S = 6.25, 5.0
# Shorter than 10 ms only the energy counts: our choice, that of the rated power for 50 ms. The single-pulse curves of
# data sheets allow several times more (from memory).
PULSE_S, PULSE_ENERGY_S = 10e-3, 0.05

Judgement = Literal["measured", "survives", "does not survive"]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Volts that appear behind a source resistance for a while.

    volts : of the open source, against the logger's ground
    rest_v : where the lead stood before
    evidence : where the numbers come from
    """

    name: str
    volts: float
    source_ohm: float
    duration_s: float
    rest_v: float
    evidence: str

    @property
    def is_short(self) -> bool:
        """Whether the parts' short-time overload ratings apply."""
        return self.duration_s <= OVERLOAD_S


@dataclass(frozen=True, slots=True)
class Stress:
    """What one disturbance does to one input.

    node_v : at the capacitor and the clamp, the furthest it goes
    pin_v : at the chip
    clamp_a : through the clamp diode; an upper bound where the capacitor takes part of it
    pin_a : into the chip's own protection
    bare_pin_a : what would go into the chip without clamp and pin resistor
    top_w, top_v : in and across the top resistor
    resistor_w : smallest rating of the table that stands it; None: none does
    judgement, reason : in words
    """

    disturbance: Disturbance
    node_v: float
    pin_v: float
    clamp_a: float
    pin_a: float
    bare_pin_a: float
    top_w: float
    top_v: float
    resistor_w: float | None
    judgement: Judgement
    reason: str


_ISO_16750 = "ISO 16750-2:2010"
_ISO_7637 = "ISO 7637-2:2011"
# Pulses 2a, 3a and 3b stand on the running supply; pulse 1 on the lead after it was cut off.
DISTURBANCES: dict[int, tuple[Disturbance, ...]] = {
    12: (
        Disturbance("reversed supply", -14.0, 0.0, 60.0, 0.0, f"{_ISO_16750}, from memory"),
        Disturbance("24 V jump start", 24.0, 0.0, 60.0, 13.5, f"{_ISO_16750}, seen"),
        Disturbance("suppressed load dump", 35.0, 0.5, 0.4, 13.5, f"{_ISO_16750} test B, seen"),
        Disturbance("unsuppressed load dump", 101.0, 0.5, 0.4, 13.5, f"{_ISO_16750} test A, seen"),
        Disturbance("pulse 1", -150.0, 10.0, 2e-3, 0.0, f"{_ISO_7637}, seen"),
        Disturbance("pulse 2a", 13.5 + 112.0, 2.0, 50e-6, 13.5, f"{_ISO_7637}, level from memory"),
        Disturbance("pulse 3a", 13.5 - 220.0, 50.0, 0.15e-6, 13.5, f"{_ISO_7637}, level from memory"),
        Disturbance("pulse 3b", 13.5 + 150.0, 50.0, 0.15e-6, 13.5, f"{_ISO_7637}, level from memory"),
    ),
    24: (
        Disturbance("reversed supply", -28.0, 0.0, 60.0, 0.0, f"{_ISO_16750}, from memory"),
        Disturbance("36 V overvoltage", 36.0, 0.0, 3600.0, 27.0, f"{_ISO_16750}, from memory"),
        Disturbance("suppressed load dump", 58.0, 1.0, 0.35, 27.0, f"{_ISO_16750} test B, clamp from memory"),
        Disturbance("unsuppressed load dump", 202.0, 1.0, 0.35, 27.0, f"{_ISO_16750} test A, seen"),
        Disturbance("pulse 1", -600.0, 50.0, 1e-3, 0.0, f"{_ISO_7637}, from memory"),
        Disturbance("pulse 2a", 27.0 + 112.0, 2.0, 50e-6, 27.0, f"{_ISO_7637}, from memory"),
        Disturbance("pulse 3a", 27.0 - 300.0, 50.0, 0.15e-6, 27.0, f"{_ISO_7637}, from memory"),
        Disturbance("pulse 3b", 27.0 + 300.0, 50.0, 0.15e-6, 27.0, f"{_ISO_7637}, from memory"),
    ),
}


def diode_v(current_a: float) -> float:
    """Largest forward volts of a clamp diode at this current (27 degrees C)."""
    if current_a <= 0:
        return 0.0
    return DIODE_IDEALITY * _THERMAL_V * math.log1p(current_a / DIODE_SATURATION_A) + DIODE_SERIES_OHM * current_a


def unplugged_a(network: InputNetwork, terminal_v: float) -> float:
    """Current that a lead pushes into a board without power, whose 3.3 V lies at 0 V."""
    return clamp(replace(network, reference_v=0.0), terminal_v, 0.0)[1]


def clamp(network: InputNetwork, terminal_v: float, source_ohm: float) -> tuple[float, float]:
    """Settled (node volts, clamp current) at a terminal behind a source resistance; the current is 0 or more.

    Kirchhoff at the node, with one diode conducting; solved by halving.
    """
    unclamped = _unclamped_v(network, terminal_v, source_ohm)
    siemens = 1 / (network.top_ohm + source_ohm) + (0 if math.isinf(network.shunt_ohm) else 1 / network.shunt_ohm)
    is_above = unclamped > network.reference_v
    beyond_v = unclamped - network.reference_v if is_above else -unclamped
    if beyond_v <= 0:
        return unclamped, 0.0
    low, high = 0.0, beyond_v * siemens  # the diode takes what would have lifted the node
    for _ in range(80):
        middle = (low + high) / 2
        if diode_v(middle) + middle / siemens > beyond_v:
            high = middle
        else:
            low = middle
    volts = diode_v(low)
    return (network.reference_v + volts if is_above else -volts), low


def stress(network: InputNetwork, disturbance: Disturbance) -> Stress:
    """What a disturbance does to an input whose lead it meets.

    The disturbance is taken as a rectangle of its peak for its whole duration, which is more than any pulse of the
    standards carries. Current into the clamp is that of the settled state: an upper bound for short pulses.
    """
    settled_v = _unclamped_v(network, disturbance.volts, disturbance.source_ohm)
    tau_s = network.time_constant_s  # the source resistance is small against the top resistor
    start_v, rest_a = clamp(network, disturbance.rest_v, disturbance.source_ohm)
    reached_v = start_v + (settled_v - start_v) * -math.expm1(-disturbance.duration_s / tau_s)
    node_v, clamp_a = clamp(network, disturbance.volts, disturbance.source_ohm)
    middle_v = network.reference_v / 2
    if abs(reached_v - middle_v) < abs(node_v - middle_v):  # over before the clamp has to carry it
        node_v = reached_v
        clamp_a = max(rest_a, min(clamp_a, _most_diode_a(max(node_v - network.reference_v, -node_v, 0.0))))
    beyond_v = max(node_v - network.reference_v, -node_v, 0.0)
    pin_a = max(0.0, beyond_v - CHIP_BEYOND_V) / PIN_OHM
    pin_v = min(max(node_v, -CHIP_BEYOND_V), network.reference_v + CHIP_BEYOND_V)
    top_v = abs(disturbance.volts - (node_v if disturbance.duration_s > tau_s else start_v))
    top_w = (top_v / (network.top_ohm + disturbance.source_ohm)) ** 2 * network.top_ohm
    limit_v = network.reference_v + CHIP_BEYOND_V if settled_v > 0 else -CHIP_BEYOND_V
    bare_a = _bare_current_a(network, disturbance, limit_v) if beyond_v > 0 else 0.0
    resistor_w = _resistor_rating(top_w, top_v, disturbance.duration_s)
    judgement, reason = _judge(disturbance, reached_v, network.reference_v, clamp_a, pin_a, resistor_w)
    return Stress(disturbance, node_v, pin_v, clamp_a, pin_a, bare_a, top_w, top_v, resistor_w, judgement, reason)


def _unclamped_v(network: InputNetwork, terminal_v: float, source_ohm: float) -> float:
    top_siemens = 1 / (network.top_ohm + source_ohm)
    up_siemens = 0.0 if network.up_ohm is None else 1 / network.up_ohm
    down_siemens = 0.0 if network.down_ohm is None else 1 / network.down_ohm
    current = terminal_v * top_siemens + network.reference_v * up_siemens
    return current / (top_siemens + up_siemens + down_siemens)


def _bare_current_a(network: InputNetwork, disturbance: Disturbance, pin_v: float) -> float:
    """Current into a chip that holds its pin at `pin_v` by itself."""
    current = (disturbance.volts - pin_v) / (network.top_ohm + disturbance.source_ohm)
    current += 0.0 if network.up_ohm is None else (network.reference_v - pin_v) / network.up_ohm
    current -= 0.0 if network.down_ohm is None else pin_v / network.down_ohm
    return abs(current) if (current > 0) == (pin_v > 0) else 0.0


def _most_diode_a(volts: float) -> float:
    """Current that this many volts can drive through a clamp diode, its series resistance left out."""
    return DIODE_SATURATION_A * math.expm1(volts / (DIODE_IDEALITY * _THERMAL_V))


def _resistor_rating(top_w: float, top_v: float, duration_s: float) -> float | None:
    for rated_w, work_v, overload_v in RESISTOR_CLASSES:
        if duration_s > OVERLOAD_S:
            stands = top_w <= rated_w and top_v <= work_v
        elif duration_s > PULSE_S:
            stands = top_w <= OVERLOAD_POWER_RATIO * rated_w and top_v <= overload_v
        else:
            stands = top_w * duration_s <= PULSE_ENERGY_S * rated_w and top_v <= overload_v
        if stands:
            return rated_w
    return None


def _judge(
    disturbance: Disturbance,
    reached_v: float,
    reference_v: float,
    clamp_a: float,
    pin_a: float,
    resistor_w: float | None,
) -> tuple[Judgement, str]:
    if resistor_w is None:
        return "does not survive", "the top resistor: no rating of the table stands it"
    if clamp_a > DIODE_MOST_A["short" if disturbance.is_short else "steady"]:
        return "does not survive", f"the clamp diode: {1e3 * clamp_a:.3g} mA"
    rail_rise_v = max(0.0, clamp_a - RAIL_DRAW_A) * disturbance.duration_s / RAIL_FARAD
    if reached_v > reference_v and rail_rise_v > RAIL_RISE_MOST_V:
        return (
            "does not survive",
            f"{1e3 * clamp_a:.3g} mA into the board's 3.3 V, which draws about {1e3 * RAIL_DRAW_A:g} mA: it rises",
        )
    if pin_a > PIN_MOST_A:
        return "does not survive", f"the chip: {1e3 * pin_a:.3g} mA into its own protection"
    if 0 <= reached_v <= reference_v:
        return "measured", "inside the range"
    end = "top" if reached_v > reference_v else "bottom"
    return "survives", f"the reading sits at the {end} of its range: not judged"
