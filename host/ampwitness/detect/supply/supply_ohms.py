"""From what a supply was seen to fall by to ohms, with the range that fit, model, efficiency and impedance leave.

Gaps: none: works on fits.
Limits: a speaker's impedance is not its nominal ohms.
Source: ranges of efficiency and impedance: common practice, no source; that a class B stage takes current in proportion
to its output's size, so that its efficiency falls with the level: textbooks on power amplifiers, from memory; that a
speaker's impedance may fall to 80 % of its nominal value: IEC 60268-5, from memory. What models leave out: measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.supply.charging_model import SPREAD_ERROR_RATIO
from ampwitness.detect.supply.supply_charging import LEAST_S
from ampwitness.detect.supply.supply_fit import FAST_MOST_S, SupplyFit
from ampwitness.detect.supply.supply_history import STEP_S
from ampwitness.detect.supply.supply_model import EngineState, StateModel, SupplyOptions

SIGMAS = 2.0
ASSUMED_EFFICIENCY = 0.75
EFFICIENCY_RANGE = (0.50, 0.92)  # at full power: class AB behind a converter to class D
LEAST_EFFICIENCY = 0.05  # of class AB played softly, and where nothing shows how near full power it played
STATED_EFFICIENCY_RATIO = 0.02  # how well a stated efficiency is believed, standard
# A cone at its resonance, where bass is played, has several times its nominal ohms.
IMPEDANCE_RANGE: Mapping[str, tuple[float, float]] = {"resistor": (0.98, 1.02), "speaker": (0.8, 4.0)}
ASSUMED_IMPEDANCE: Mapping[str, float] = {"resistor": 1.0, "speaker": 1.15}  # of nominal
# What a straight line leaves out, standard: an alternator at its current limit bends it.
MODEL_ERROR_RATIO: Mapping[str, float] = {"at rest": 0.012, "charging": 0.05}
# Standard error (of ohms alone) above which no figure is told: of a straight line, of one side of a limit.
PINNED_RATIO, REGIME_PINNED_RATIO = 0.07, 0.05
MOST_TAKEN_BACK = 0.25  # of the fast part, over seconds; fits of known supplies that told more were 7 to 9 % off
_LEAST_SEEN = 1.25  # times what the fit with an alternator needs: what warms it up is not counted there


@dataclass(frozen=True, slots=True)
class Factor:
    """Ohms for a weight of 1, best guess and 95 % range, and the words that say what was assumed."""

    ohm: float
    lowest_ohm: float
    highest_ohm: float
    words: str


def find_factor(unit: str, options: SupplyOptions, level_ratio: float | None = None) -> tuple[Factor | None, str]:
    """From the fit's weights to ohms: 1 for a measured current, impedance times efficiency for an estimated one.

    Parameters
    ----------
    unit : of the fit's demand, "A" or "V"
    options : what is known of load and efficiency
    level_ratio : rms that was mostly played to that of a sine at the ceiling; None: not known

    Returns
    -------
    The factor, or None with the reason.
    """
    if unit == "A":
        how = "as stated" if options.is_clamp_stated else "assumed: not stated"
        words = f"supply current measured with a clamp, {options.current_a_per_v:g} A a volt {how} (+-2 %)"
        return Factor(1.0, 0.98, 1.02, words), ""
    if options.load_kind == "none":
        return None, "no load: the amplifier takes no power from the supply"
    if options.load_ohm is None:
        return None, "the load's ohms were not given"
    kind = "resistor" if options.load_kind == "resistor" else "speaker"
    low, high = IMPEDANCE_RANGE[kind]
    best = options.load_ohm * ASSUMED_IMPEDANCE[kind]
    if options.efficiency is not None:
        efficiency = options.efficiency
        eff_low, eff_high = (efficiency * (1 + s * SIGMAS * STATED_EFFICIENCY_RATIO) for s in (-1.0, 1.0))
        how = f"efficiency {efficiency:.2f} as stated"
    else:
        efficiency, (eff_low, eff_high) = ASSUMED_EFFICIENCY, EFFICIENCY_RANGE
        eff_low = max(LEAST_EFFICIENCY, eff_low * min(1.0, level_ratio or 0.0))
        how = f"efficiency not known, {efficiency:.2f} assumed ({eff_low:.2f}, as of class AB "
        how += "played softly" if level_ratio is None else "at the level that was played"
        how += f", to {eff_high:.2f})"
    words = (
        f"supply current estimated from output power over efficiency: {how}; "
        f"load {options.load_ohm:g} ohm nominal ({kind}), real impedance {low * options.load_ohm:.3g} to "
        f"{high * options.load_ohm:.3g} ohm"
    )
    return Factor(best * efficiency, low * options.load_ohm * eff_low, high * options.load_ohm * eff_high, words), ""


def weight_to_ohm(weight: tuple[float, float], factor: Factor, error_ratio: float) -> dict[str, float]:
    """Ohms with the 95 % range that fit, model, efficiency and impedance leave."""
    value, error = weight
    half = SIGMAS * float(np.hypot(error, error_ratio * value))
    return {
        "ohm": value * factor.ohm,
        "lowest_ohm": max(0.0, value - half) * factor.lowest_ohm,
        "highest_ohm": (value + half) * factor.highest_ohm,
    }


def is_pinned_down(weight: tuple[float, float], error_ratio: float, most_ratio: float = PINNED_RATIO) -> bool:
    """Whether fit and model leave a weight so little room that one figure may be told."""
    value, error = weight
    return value > 0 and float(np.hypot(error / value, error_ratio)) <= most_ratio


def is_taken_back(fit: SupplyFit) -> bool:
    """Whether what demand took came back over seconds while it lasted. No battery does that: something else rose, as
    behind a start, and what falls at once may owe to it."""
    slow = sum(term.weight for term in fit.terms if term.lag_s > FAST_MOST_S)
    return slow < -MOST_TAKEN_BACK * fit.part(0.0, FAST_MOST_S)[0]


def was_bend_looked_for(state: StateModel) -> bool:
    """Whether there was enough of a charged supply to see an alternator reach its limit, if it did."""
    return state.state == "at rest" or (state.fit is not None and state.fit.n_steps * STEP_S >= _LEAST_SEEN * LEAST_S)


def line_error_ratio(fit: SupplyFit, state: EngineState) -> float:
    """What a straight line leaves out, standard: the more, the more of the supply's fall it does not follow."""
    fall_v = max(fit.part(0.0, FAST_MOST_S)[0] * fit.highest_demand, 1e-9)
    return float(np.hypot(MODEL_ERROR_RATIO[state], SPREAD_ERROR_RATIO * fit.spread_v / fall_v))
