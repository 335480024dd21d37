"""Plateaus that stand while the supply ahead of them falls: where regulation sets in above nearly all clips.

A rail that follows tilts with its supply within a plateau, at any level; one that is regulated stands. A note's first
crests meet the highest supply and the steepest fall of it: two of them that stand tell what no level tells, as few lie
above where regulation sets in, and levels there may miss the line for other reasons.

Gaps: each plateau carries its own lagged supply.
Limits: a fall of the supply that moves a ceiling by less than LEAST_FALL_SPREADS within a plateau tells nothing.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit, Plateaus
from ampwitness.detect.clips.table.clip_stream import SUPPLY_LAGS_S
from ampwitness.types import FloatArray

LEAST_FALL_SPREADS = 4.0  # by which the ceiling should fall within a plateau, for its tilt to tell
FEWEST_STEEP = 8  # plateaus of one polarity, from which it is learned how far tilts go with the supply's fall
STANDS_BELOW, FOLLOWS_FROM = 0.42, 0.7  # of the tilt that the others have at such a fall
TOPMOST, FEWEST_STANDING = 3, 2  # of the highest supplies: so many stand, and none follows
ABOVE_SPREADS, MOST_ABOVE_SHARE = 4.0, 0.02  # that may lie above a level at which all stops


def find_standing_knee(fits: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus]) -> float | None:
    """The supply above which ceilings that follow rise no further, by plateaus that stand; None where none is shown.

    Parameters
    ----------
    fits : by polarity the line without a knee
    seen : by polarity the plateaus that it was learned from
    """
    lagged_v, share, knee_v = [], [], []
    for side, fit in fits.items():
        found = _compare_tilts(fit, seen[side])
        if found is not None:
            is_steep, own_share = found
            lagged_v.append(seen[side].supply_at(fit.lag)[is_steep])
            share.append(own_share[is_steep])
            knee_v.append((seen[side].level_v[is_steep] - fit.constant_v) / fit.ratio)
    if not share:
        return None
    highest = np.argsort(-np.concatenate(lagged_v), kind="stable")[:TOPMOST]
    top_share = np.concatenate(share)[highest]
    stands = np.abs(top_share) < STANDS_BELOW
    if stands.sum() < FEWEST_STANDING or (top_share >= FOLLOWS_FROM).any():
        return None
    found_v = float(np.mean(np.concatenate(knee_v)[highest][stands]))
    for side, fit in fits.items():
        above_v = seen[side].level_v - (fit.constant_v + fit.ratio * found_v)
        if np.mean(above_v > ABOVE_SPREADS * fit.spread_v) > MOST_ABOVE_SHARE:
            return None
    return found_v


def _compare_tilts(fit: CeilingFit, seen: Plateaus) -> tuple[np.typing.NDArray[np.bool_], FloatArray] | None:
    """(n,) whether the supply fell steeply enough, and (n,) the tilt as a share of what others have at such a fall;
    None where too few tell."""
    lag_s = float(np.interp(fit.lag, range(len(SUPPLY_LAGS_S)), SUPPLY_LAGS_S))
    lagged = seen.supply_at(fit.lag)
    # What a lag gives way by: the supply of that moment less the lagged one, over the lag.
    fall_v_per_s = fit.ratio * (seen.supply[:, 0] - lagged) / lag_s
    is_steep = -fall_v_per_s * seen.flat_s >= LEAST_FALL_SPREADS * fit.spread_v
    if is_steep.sum() < FEWEST_STEEP:
        return None
    share = seen.tilt_v_per_s / np.where(is_steep, fall_v_per_s, -1.0)
    usual = float(np.median(share[is_steep]))
    return (is_steep, share / usual) if usual > 0 else None
