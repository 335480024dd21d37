"""Levels of which no line was better, asked whether they are known to stand.

A regulated rail is told by plateaus that would not fit a ceiling that follows its supply. Where plateaus scatter (hum
added behind the amplifier, a rail that wobbles) or the supply hardly moved, a line narrows the scatter by too little to
be believed, and the level is only what was not refuted: as a regulated rail it would call every clip the drive's. So a
ceiling in proportion to the supply is weighed against the level, both polarities together.

Gaps: each plateau carries its own supply.
Limits: what follows far from proportion is not asked for.
Source: likelihood of the two, with expectations of `ceiling_prior`; the limits are our choice, measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ampwitness.detect.clips.cause.ceiling_fit import MOST, CeilingFit, Plateaus, mark_steep
from ampwitness.detect.clips.cause.ceiling_knee import WORTH_A_RATIO
from ampwitness.detect.clips.cause.ceiling_prior import INDEPENDENT, weigh, weigh_finer

SURE_IT_STANDS = 6.0  # squares that a level must leave less than a ceiling that follows; drawn levels: 23 and more


def ask_levels(levels: Mapping[str, CeilingFit], sides: Mapping[str, Plateaus]) -> dict[str, CeilingFit]:
    """The same where one moves or levels are known to stand; else as ceilings that follow, or none where the plateaus
    agree with both.

    Parameters
    ----------
    levels : by polarity what `fit_ceilings` found
    sides : by polarity the plateaus that it was learned from
    """
    if not levels or any(fit.ratio > 0 for fit in levels.values()):
        return dict(levels)
    marked = mark_steep(sides)
    seen = {side: marked[side].thin(MOST) for side in levels}
    still, following = (weigh(levels, seen, follows=it) for it in (False, True))
    gain = still.cost - following.cost
    is_fitted = following.cost <= sum(min(fit.n_plateaus, INDEPENDENT) for fit in levels.values())
    if gain <= -SURE_IT_STANDS or not is_fitted:
        return dict(levels)
    if gain < WORTH_A_RATIO:
        return {}
    fits = weigh_finer(following, levels, seen).fits
    return {side: replace(fit, highest_v=float(seen[side].supply_at(fit.lag).max())) for side, fit in fits.items()}
