"""A ceiling through few plateaus: even, or in proportion to the supply, whichever lies nearer all of them.

Medians through few plateaus (`rail_model`) lay one level through what follows the supply, as most of them may have lain
at one supply. In proportion to the supply there is no term more than for an even level, and few tell the two apart.

Gaps: each plateau carries its own lagged values; nothing is joined here.
Limits: a rail that a constant parts from its supply is told from MANY plateaus on, a load's dependence too.
Source: our choice, measured by `python -m ampwitness.bench.clip_scores --sets full-8k`.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.clips.ceiling.rail_model import Rail, learn_rail
from ampwitness.types import FloatArray

MANY = 8


def rail_through_few(level_v: FloatArray, supply_v: FloatArray, output_v: FloatArray) -> Rail | None:
    """The rail through plateaus of one polarity, all of which are believed.

    Parameters
    ----------
    level_v : (n,) plateaus, positive
    supply_v : (n, supply lags) volts, NaN where not known
    output_v : (n, output lags) volts

    Returns
    -------
    Rail, or None without plateaus.
    """
    learned = learn_rail(level_v, supply_v, output_v)
    if learned is None:
        return None
    knows_supply = np.isfinite(supply_v).all() and float(np.min(supply_v)) > 1.0
    views = [np.ones(len(level_v)), *(supply_v.T if knows_supply else ())]
    found = [_in_proportion(level_v, view, place - 1) for place, view in enumerate(views)]
    if len(level_v) >= MANY:
        found.append(learned)
    return min(found, key=lambda rail: float(np.sum((level_v - rail.predict(supply_v, output_v)) ** 2)))


def _in_proportion(level_v: FloatArray, view: FloatArray, lag: int) -> Rail:
    """In proportion to the supply at a lag, or even at lag -1."""
    ratio = float(np.median(level_v / view))
    spread_v = 1.4826 * float(np.median(np.abs(level_v - ratio * view)))
    even_v, per_supply_v = (ratio, 0.0) if lag < 0 else (0.0, ratio)
    # No supply range and no error of the ratio: what it does at another supply is not known.
    return Rail(even_v, per_supply_v, float(max(lag, 0)), 0.0, 0, spread_v, len(level_v), 0.0, float("nan"))
