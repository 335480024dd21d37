"""Made cases of amplifier noise with known causes: what the output and the supply hold in each condition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.bench.stimulus import ArrayStimulus

Floats = npt.NDArray[np.float64]
RATE_HZ = 16_000.0
CONDITIONS = tuple((inputs, engine) for inputs in ("shorted", "connected") for engine in ("off", "idle", "raised"))
ROLES = ("out_p", "out_n", "supply")


@dataclass(frozen=True, slots=True)
class NoiseCase:
    """What is wrong in a made vehicle. Volts are rms at the terminals; 0: not there.

    whine_supply_v, whine_loop_v : alternator whine that stays with shorted inputs, and that comes with the source
    hum_loop_v, hum_own_v : at `mains_hz`, with the source only, and the amplifier's own
    switching_v, switching_hz : a residue that is always there
    hiss_own_v, hiss_source_v : over the band of half the rate
    offset_v : direct current
    """

    idle_hz: float = 310.0
    raised_hz: float = 655.0
    whine_supply_v: float = 0.0
    whine_loop_v: float = 0.0
    mains_hz: float = 50.0
    hum_loop_v: float = 0.0
    hum_own_v: float = 0.0
    switching_v: float = 0.0
    switching_hz: float = 2_700.0
    hiss_own_v: float = 0.0
    hiss_source_v: float = 0.0
    offset_v: float = 0.0

    def truth(self, least_v: float, least_hiss_v: float) -> set[tuple[str, str]]:
        """(what, origin) of everything at or above the floors, with all six runs made. A line counts where it is well
        above what the amplifier's hiss hides, and one that needs the source above what the source's hiss hides too:
        ten pieces of a second show a line from 0.047 of the hiss, and half as much again counts as well above."""
        own_v = max(least_v, 0.07 * self.hiss_own_v)
        loop_v = max(own_v, 0.07 * self.hiss_source_v)
        pairs = {
            ("alternator whine", "supply-borne"): self.whine_supply_v >= own_v,
            ("alternator whine", "ground loop or source"): self.whine_loop_v >= loop_v,
            ("hum", "ground loop or source"): self.hum_loop_v >= loop_v,
            ("hum", "the amplifier itself"): self.hum_own_v >= own_v,
            ("switching noise", "the amplifier itself"): self.switching_v >= own_v,
            ("hiss", "the amplifier itself"): self.hiss_own_v >= least_hiss_v,
            ("hiss", "source"): self.hiss_source_v >= max(least_hiss_v, 4 * self.hiss_own_v),
            ("offset", "the amplifier itself"): abs(self.offset_v) >= 0.15,
        }
        return {pair for pair, is_there in pairs.items() if is_there}


def make_condition(case: NoiseCase, condition: tuple[str, str], seconds: float, seed: int) -> ArrayStimulus:
    """Volts of one run.

    The alternator's ripple wanders by 0.1 % around its frequency as an engine's does, and reaches the output through
    what is wrong: by the supply always, by the loop only with the source connected.
    """
    inputs, engine = condition
    rng = np.random.default_rng([seed, CONDITIONS.index(condition)])
    n = round(seconds * RATE_HZ)
    time_s = np.arange(n) / RATE_HZ
    is_connected = inputs == "connected"
    output = np.full(n, case.offset_v)
    supply = np.full(n, 12.6 if engine == "off" else 14.2) + 0.002 * rng.standard_normal(n)
    if engine != "off":
        wander = np.cumsum(rng.standard_normal(n)) * 2e-4 / np.sqrt(RATE_HZ)
        hz = case.idle_hz if engine == "idle" else case.raised_hz
        ripple = np.sqrt(2) * np.sin(2 * np.pi * hz * (time_s + 0.3 * wander / hz) + rng.uniform(0, 6.28))
        supply += 0.05 * ripple
        output += (case.whine_supply_v + case.whine_loop_v * is_connected) * ripple
    hum = np.sqrt(2) * np.sin(2 * np.pi * case.mains_hz * time_s + 1.0)
    output += (case.hum_own_v + case.hum_loop_v * is_connected) * hum
    output += case.switching_v * np.sqrt(2) * np.sin(2 * np.pi * case.switching_hz * time_s)
    hiss_v = np.hypot(case.hiss_own_v, case.hiss_source_v * is_connected)
    output += hiss_v * rng.standard_normal(n)
    return ArrayStimulus(ROLES, RATE_HZ, np.column_stack([6.0 + output / 2, 6.0 - output / 2, supply]))


def draw_case(seed: int) -> NoiseCase:
    """One or two causes at random, their levels 6 to 100 mV for lines."""
    rng = np.random.default_rng(seed)
    level_v = dict.fromkeys(("whine_supply_v", "whine_loop_v", "hum_loop_v", "hum_own_v", "switching_v"), 0.0)
    for key in rng.permutation(list(level_v))[: rng.integers(0, 3)]:
        level_v[str(key)] = float(np.exp(rng.uniform(np.log(0.006), np.log(0.1))))
    if level_v["whine_supply_v"] and level_v["whine_loop_v"]:
        level_v["whine_loop_v"] = 0.0
    if level_v["hum_own_v"] and level_v["hum_loop_v"]:
        level_v["hum_loop_v"] = 0.0
    idle_hz = float(rng.uniform(180, 480))
    return NoiseCase(
        idle_hz=idle_hz,
        raised_hz=idle_hz * float(rng.uniform(1.7, 2.4)),
        mains_hz=float(rng.choice([50.0, 60.0])),
        switching_hz=float(rng.uniform(1_700, 3_200)),
        hiss_own_v=float(rng.choice([0.0, 0.0, 0.15])),
        hiss_source_v=float(rng.choice([0.0, 0.0, 0.7])),
        offset_v=float(rng.choice([0.0, 0.0, 0.4])),
        **level_v,
    )
