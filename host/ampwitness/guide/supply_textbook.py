"""What books and service data say of batteries, charging and leads, with spreads: to compare readings with, not to pass
or fail them.

Source: beside each figure. "Common practice, no source" and "from memory" where that is so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

REST_HOURS = 4.0  # since charging or load, before an open voltage says anything of charge; common practice, no source
SPREAD_V = 0.10  # of printed tables of open voltage against charge, about either side

# State of charge (%) against open volts of six lead-acid cells at 25 C. Computed from Bode's electrode polynomials
# (1977) as PyBaMM's lead_acid/Sulzer2019 has them; printed trade tables lie within 0.1 V.
LEAD_ACID: tuple[tuple[float, float], ...] = (
    (0.0, 11.885), (25.0, 12.070), (50.0, 12.252), (75.0, 12.441), (100.0, 12.661),
)  # fmt: skip
AGM_ABOVE_V = 0.15  # absorbed-glass-mat cells stand higher: stronger acid; from memory
LITHIUM_REST_V = (12.8, 13.6)  # four iron-phosphate cells over nearly all of their charge; from memory

BATTERY_KINDS = ("flooded", "AGM", "lithium")
CHARGING_KINDS = ("fixed", "variable", "start-stop", "DC-DC")


@dataclass(frozen=True, slots=True)
class Range:
    """Volts that are usual, and where that stands."""

    low_v: float
    high_v: float
    source: str


CHARGING: dict[str, Range] = {
    # 13.5 V lower end: maker's training text; 14.55 +- 0.3 V at 25 C, -3.5 mV a degree: an alternator's service data.
    "fixed": Range(13.5, 14.85, "service data: 14.55 +- 0.3 V at 25 C, -3.5 mV a degree; 13.5 V at the least"),
    "variable": Range(12.2, 15.2, "a managed alternator moves with load and charge; common practice, no source"),
    "start-stop": Range(12.2, 15.2, "a managed alternator moves with load and charge; common practice, no source"),
    "DC-DC": Range(13.6, 14.8, "charger's absorption and float; common practice, no source"),
}
FUSE_USUAL_V = 0.10  # across a holder or block at full drive; common practice, no source
LEAD_USUAL_V = 0.30  # along one run of cable at full drive; common practice, no source
GROUND_USUAL_V = 0.20  # amplifier ground to battery minus at full drive; common practice, no source
REMOTE_LOST_V = 1.0  # a remote lead that feeds several amplifiers may lose; common practice, no source
RIPPLE_USUAL_V = 0.5  # peak to peak at the battery while charging; common practice, no source


def table_ends_v(battery_kind: str) -> tuple[float, float]:
    """Open volts of an empty and of a full battery with lead plates."""
    shift_v = AGM_ABOVE_V if battery_kind == "AGM" else 0.0
    return LEAD_ACID[0][1] + shift_v, LEAD_ACID[-1][1] + shift_v


def charge_range(open_v: float, battery_kind: str) -> tuple[float, float] | None:
    """State of charge in per cent, lowest and highest that the printed tables allow; None where volts do not tell."""
    if battery_kind == "lithium":
        return None
    shift_v = AGM_ABOVE_V if battery_kind == "AGM" else 0.0
    percent, volts = np.array(LEAD_ACID).T
    low, high = (float(np.interp(open_v + sign * SPREAD_V, volts + shift_v, percent)) for sign in (-1.0, 1.0))
    return low, high
