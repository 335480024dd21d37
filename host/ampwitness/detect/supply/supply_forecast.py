"""What a tone at full clean power would do to a supply that was learned, and sag against a note's level.

Gaps: none: works on fits and on notes.
Limits: beyond the demand that was seen a straight line goes on, and the interval widens with how far.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ampwitness.detect.supply.supply_model import StateModel
from ampwitness.detect.supply.supply_ohms import MODEL_ERROR_RATIO, SIGMAS, line_error_ratio
from ampwitness.types import FloatArray

CREST_ERROR_RATIO = 0.03  # of the sag, standard: crests do not meet the mean supply, by how much depends on the pitch
CHARGING_CREST_ERROR_RATIO = 0.05  # ... and draw an alternator over its limit where the mean does not
TONE_HZ = 40.0  # of the tone at full power; a higher one ripples less
_TUKEY_LINE = 4.7


@dataclass(frozen=True, slots=True)
class Ceiling:
    """What stops the output: volts = constant + ratio * min(supply, knee) + per_output * mean |output|, standard
    uncertainty."""

    constant_v: float
    ratio: float
    per_output: float
    uncertainty_v: float
    knee_v: float = math.inf

    def at(self, supply_v: float) -> float:
        """Crest of the largest clean sine at a supply."""
        return max(0.0, (self.constant_v + self.ratio * min(supply_v, self.knee_v)) / (1 - self.per_output * 2 / np.pi))


@dataclass(frozen=True, slots=True)
class Fall:
    """Volts that a supply loses under a mean square of the output, at so many volts of supply."""

    to_demand: Callable[[float, float], float]  # what the stage takes: power over the supply, or the output's size
    of_demand: Callable[[float], float]  # volts lost to that
    error_ratio: float  # standard error, of what is lost
    highest_demand: float  # that was seen
    spread_v: float  # of one step of 10 ms

    def at(self, mean_square_v2: float, supply_v: float) -> float:
        """Volts lost."""
        return self.of_demand(self.to_demand(mean_square_v2, supply_v))


def _power_demand(mean_square_v2: float, supply_v: float) -> float:
    return mean_square_v2 / supply_v


def _size_demand(mean_square_v2: float, supply_v: float) -> float:
    return math.sqrt(mean_square_v2)


def predict_full_power(model: StateModel, ceiling: Ceiling, after_s: float) -> dict[str, float] | None:
    """Sag `after_s` into a sine that just reaches the ceiling of the supply it leaves itself.

    Returns
    -------
    sag_v, lowest_sag_v, highest_sag_v (95 %), supply_v, crest_v, after_s; None where no fall under output power was
    seen.
    """
    if model.power_fit is None:
        return None
    # Other consumers draw the settled volts down; what the alternator's fit starts from is free of them.
    open_v = model.open_v if model.power_charging is None else model.power_charging.open_v
    found = find_fall(model, after_s, TONE_HZ)
    error_ratio, highest_demand, spread_v = found.error_ratio, found.highest_demand, found.spread_v
    sags = []
    for change, ceiling_change_v in ((0.0, 0.0), (SIGMAS * error_ratio, 0.0), (0.0, SIGMAS * ceiling.uncertainty_v)):
        sags.append(_settle_sag(open_v, found, 1.0 + change, ceiling, ceiling_change_v))
    sag_v, crest_v = sags[0]
    crest_ratio = CREST_ERROR_RATIO if model.power_charging is None else CHARGING_CREST_ERROR_RATIO
    crest_error_v = SIGMAS * crest_ratio * sag_v
    half_v = float(np.linalg.norm([sags[1][0] - sag_v, sags[2][0] - sag_v, crest_error_v]))
    half_v += SIGMAS * spread_v
    # Beyond what was seen the straight line is a guess: the guess widens with how far it reaches.
    asked = found.to_demand(crest_v**2 / 2, max(open_v - sag_v, 1.0))
    beyond = max(0.0, asked / max(highest_demand, 1e-9) - 1.0)
    half_v += 0.05 * beyond * sag_v
    return {
        "sag_v": sag_v,
        "lowest_sag_v": max(0.0, sag_v - half_v),
        "highest_sag_v": sag_v + half_v,
        "supply_v": open_v - sag_v,
        "crest_v": crest_v,
        "after_s": after_s,
    }


def find_fall(model: StateModel, after_s: float, tone_hz: float = 0.0) -> Fall:
    """What the supply does `after_s` into a demand, that of a tone or an even one (0 Hz). The model's `power_fit` must
    not be None."""
    fit = model.power_fit
    assert fit is not None
    alternator = model.power_charging
    if alternator is None:
        fit = model.size_fit or fit
        weight, error = fit.without_others(is_charging=model.state == "charging").step_answer(after_s)
        ratio = float(np.hypot(error / max(abs(weight), 1e-12), line_error_ratio(fit, model.state)))
        to_demand = _power_demand if model.size_fit is None else _size_demand
        return Fall(to_demand, (lambda demand: weight * demand), ratio, fit.highest_demand, fit.spread_v)
    demands = np.linspace(0.0, 3.0 * fit.highest_demand, 61)
    falls = alternator.fall_after(demands, after_s, tone_hz)
    ratio = max(w[1] / max(w[0], 1e-12) for w in (alternator.following_weight, alternator.limit_weight) if w[0] > 0)
    ratio = float(np.hypot(min(ratio, MODEL_ERROR_RATIO["charging"]), alternator.limit_error_ratio))
    # Beyond the last a straight line goes on.
    slope = float((falls[-1] - falls[-2]) / (demands[-1] - demands[-2]))

    def fall(demand: float) -> float:
        beyond = max(0.0, demand - float(demands[-1]))
        return float(np.interp(demand, demands, falls)) + slope * beyond

    return Fall(_power_demand, fall, ratio, fit.highest_demand, alternator.spread_v)


def _settle_sag(
    open_v: float, fall: Fall, times: float, ceiling: Ceiling, ceiling_change_v: float
) -> tuple[float, float]:
    """Sag and crest at which supply and ceiling agree."""
    sag_v = 0.0
    crest_v = 0.0
    for _ in range(200):
        supply_v = max(open_v - sag_v, 1.0)
        crest_v = ceiling.at(supply_v) + ceiling_change_v
        new_v = min(times * fall.at(crest_v**2 / 2, supply_v), open_v - 1.0)
        if abs(new_v - sag_v) < 1e-9:
            break
        sag_v += 0.5 * (new_v - sag_v)
    return sag_v, crest_v


def fit_sag_line(level_v: FloatArray, sag_v: FloatArray) -> dict[str, Any] | None:
    """Sag against the square of a note's level, a straight line through no sag at no level, robustly.

    Returns sag_v_per_v2, spread_v, n_notes and `curve` ((level V rms, sag V) pairs to draw); None below five notes.
    """
    known = np.isfinite(level_v) & np.isfinite(sag_v) & (level_v > 0)
    if known.sum() < 5:
        return None
    x, y = level_v[known] ** 2, sag_v[known]
    slope, spread = float(x @ y / (x @ x)), 0.0
    for _ in range(20):
        residual = y - slope * x
        spread = max(1e-3, 1.4826 * float(np.median(np.abs(residual))))
        weight = np.clip(1 - (residual / (_TUKEY_LINE * spread)) ** 2, 0, None) ** 2
        if float(weight @ (x * x)) <= 0:
            break
        slope = float((weight * x) @ y / ((weight * x) @ x))
    levels = np.linspace(0.0, float(level_v[known].max()), 41)
    return {
        "sag_v_per_v2": slope,
        "spread_v": spread,
        "n_notes": int(known.sum()),
        "curve": [(float(v), float(slope * v * v)) for v in levels],
    }
