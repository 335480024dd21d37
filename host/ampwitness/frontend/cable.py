"""Cable arithmetic: resistance, drop and heat of a run. Arithmetic, not permission: gauge and fuse belong to codes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from ampwitness.errors import UsageError

Metal = Literal["copper", "cca"]

# Annealed copper at 20 degrees C, 100 % IACS: 1/58 ohm mm2/m (from memory, the definition of IACS). Copper-clad
# aluminium with a tenth of its section copper: 64.5 % IACS, which gives a wire maker's published table (the standard's
# least is 62.9 %, ASTM B566 as reproduced there).
RESISTIVITY_OHM_MM2_PER_M: dict[Metal, float] = {"copper": 1 / 58, "cca": 1 / 58 / 0.645}
# Copper at 20 degrees C; aluminium's is 0.00403 (a power engineering handbook, seen), clad wire lies between.
TEMPERATURE_PER_K: dict[Metal, float] = {"copper": 0.00393, "cca": 0.0040}
_FEET_PER_KM = 1000 / 0.3048

# IEC 60228, largest resistance of flexible copper conductors (class 5, plain) at 20 degrees C in ohm/km: a nominal
# section may hold less metal than its name says. Seen in three tables that agree.
CLASS_5_MOST_OHM_PER_KM = {
    1.5: 13.3, 2.5: 7.98, 4: 4.95, 6: 3.30, 10: 1.91, 16: 1.21, 25: 0.780, 35: 0.554, 50: 0.386, 70: 0.272, 95: 0.206,
}  # fmt: skip

CAUTION = (
    "Arithmetic, not permission: it says nothing about what a cable may carry. Gauge, insulation and fuse are chosen "
    "by local codes and the makers' tables; the fuse sits at the battery and protects the cable."
)


@dataclass(frozen=True, slots=True)
class CableRun:
    """What a run of cable does at a current.

    area_mm2 : metal section of one conductor
    run_m, conductor_m : distance, and length of conductor that carries the current
    ohm_per_km : of one conductor at the temperature
    loop_ohm : of all conductor_m
    drop_v, heat_w, heat_w_per_m : lost volts, lost power, and power in each metre of conductor
    most_ohm_per_km : IEC 60228's limit for this nominal section at the temperature; None where it has none
    """

    metal: Metal
    area_mm2: float
    temperature_c: float
    amps: float
    run_m: float
    conductor_m: float
    ohm_per_km: float
    loop_ohm: float
    drop_v: float
    heat_w: float
    heat_w_per_m: float
    most_ohm_per_km: float | None

    @property
    def ohm_per_1000_ft(self) -> float:
        return self.ohm_per_km * 1000 / _FEET_PER_KM

    @property
    def most_drop_v(self) -> float | None:
        """Drop of a cable that just meets IEC 60228's limit."""
        return None if self.most_ohm_per_km is None else self.drop_v * self.most_ohm_per_km / self.ohm_per_km


def read_awg(text: str) -> int:
    """Gauge number of `4`, `1/0` (0), `2/0` (-1) ... `4/0` (-3). Raises UsageError."""
    number, slash, aught = text.strip().partition("/")
    try:
        gauge = int(number)
        if slash:
            if aught != "0" or not 1 <= gauge <= 4:
                raise ValueError
            gauge = 1 - gauge
        elif gauge < 0:
            raise ValueError
    except ValueError:
        raise UsageError(f"--awg {text}: give 40 to 0, or 1/0 to 4/0") from None
    if not -3 <= gauge <= 40:
        raise UsageError(f"--awg {text}: give 40 to 0, or 1/0 to 4/0")
    return gauge


def awg_to_mm2(gauge: int) -> float:
    """Metal section of a solid wire of this gauge: d = 0.005 inch * 92^((36 - n) / 39) (ASTM B258, from memory)."""
    diameter_mm = 0.005 * 25.4 * math.pow(92, (36 - gauge) / 39)
    return math.pi / 4 * diameter_mm**2


def ohm_per_km(area_mm2: float, metal: Metal = "copper", temperature_c: float = 20.0) -> float:
    """Resistance of one conductor of this metal section."""
    warmer = 1 + TEMPERATURE_PER_K[metal] * (temperature_c - 20)
    return 1000 * RESISTIVITY_OHM_MM2_PER_M[metal] / area_mm2 * warmer


def measure_run(
    area_mm2: float,
    run_m: float,
    amps: float,
    *,
    metal: Metal = "copper",
    temperature_c: float = 20.0,
    is_loop: bool = True,
) -> CableRun:
    """Resistance, drop and heat of a run.

    Parameters
    ----------
    area_mm2 : metal section of one conductor
    run_m : distance from source to load, m
    amps : steady current, or the rms of a varying one (the drop is then its rms too)
    temperature_c : of the metal, not of the air
    is_loop : the current also comes back through a conductor of the same kind: twice the distance

    Raises
    ------
    UsageError : nothing that is a cable
    """
    _check("section", area_mm2, 0.005, 1000, "mm2")
    _check("--length", run_m, 0.01, 1000, "m")
    _check("--amps", amps, 0.001, 10_000, "A")
    _check("--temperature", temperature_c, -55, 200, "degrees C")
    conductor_m = run_m * (2 if is_loop else 1)
    per_km = ohm_per_km(area_mm2, metal, temperature_c)
    ohm = per_km * conductor_m / 1000
    most = CLASS_5_MOST_OHM_PER_KM.get(area_mm2) if metal == "copper" else None
    return CableRun(
        metal=metal,
        area_mm2=area_mm2,
        temperature_c=temperature_c,
        amps=amps,
        run_m=run_m,
        conductor_m=conductor_m,
        ohm_per_km=per_km,
        loop_ohm=ohm,
        drop_v=amps * ohm,
        heat_w=amps**2 * ohm,
        heat_w_per_m=amps**2 * per_km / 1000,
        most_ohm_per_km=None if most is None else most * (1 + TEMPERATURE_PER_K[metal] * (temperature_c - 20)),
    )


def _check(name: str, value: float, least: float, most: float, unit: str) -> None:
    if not math.isfinite(value) or not least <= value <= most:
        raise UsageError(f"{name} {value:g} {unit}: give a number from {least:g} to {most:g} {unit}")
