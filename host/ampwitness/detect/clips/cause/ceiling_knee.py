"""The supply above which a ceiling rises no further, learned from the plateaus of both polarities together.

Both hang on one converter: what stops one at a supply stops the other there. Few plateaus may show it, as a supply is
highest before anything has played: so it is asked by how much a knee explains what the line does not, each plateau
counting but so much, and the highest supplies must be among those that it explains.

Gaps: each plateau carries its own lagged supply.
Limits: see `ceiling_fit`.
Source: Tukey's loss; the limits are our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ampwitness.detect.clips.cause.ceiling_fit import (
    FEWEST_FOR_DROOP,
    LAG_STEP,
    LEAST_RANGE_V,
    LOADS,
    MOST,
    MOST_DROOP,
    TUKEY,
    CeilingFit,
    Plateaus,
    fit_at,
    fit_each,
    fit_line,
    mark_steep,
)
from ampwitness.detect.clips.cause.ceiling_prior import INDEPENDENT, is_in_proportion, weigh, weigh_finer
from ampwitness.detect.clips.cause.ceiling_top import stop_at_top
from ampwitness.types import FloatArray

LEAST_GAIN = 12.0  # of Tukey's loss, in spreads squared: more than three plateaus far off the line that lie on the bend
FEWEST_ABOVE = 3
WORTH_A_RATIO = 6.0  # squares that a rise that is not in proportion must save
LEVEL_SHARE = 0.12  # of the rise that the line would have made, that plateaus of one level may lie apart
TOPMOST = 5  # plateaus of the highest supplies, of which half must lie on the level
AMONG = (0.1, 0.25, 0.4, 0.55, 0.7, 0.8, 0.88, 0.94)  # of the supplies: where a knee may lie
HIGHEST = (3, 5, 8, 12, 20, 40)  # ... and above so many of the highest
NEARBY_V, FINER = 0.15, 4  # so far, and in so many steps to either side, the best of these is moved
SEARCHED = 150  # plateaus of one polarity that a knee is looked for among, beside those of the highest supplies


def fit_ceilings(sides: Mapping[str, Plateaus]) -> dict[str, CeilingFit]:
    """The ceilings of the polarities that say something of themselves, from their plateaus."""
    seen = {side: plateaus.thin(MOST) for side, plateaus in mark_steep(sides).items()}
    lines = {side: fit for side, plateaus in seen.items() if (fit := fit_line(plateaus)) is not None}
    fits = dict(lines)
    moving = [side for side, fit in lines.items() if fit.ratio > 0]
    if moving:
        fits |= _bend({side: fits[side] for side in moving}, seen) or {}
    out = dict(fits)
    if not moving:
        return out
    # What stops both is one converter: a polarity too few plateaus of which tell is asked with the other.
    asked = {side: seen[side] for side in fits}
    still, following = (weigh(fits, asked, follows=it) for it in (False, True))
    cost = sum(_cost(fit, seen[side]) for side, fit in fits.items()) + WORTH_A_RATIO * len(moving)
    # A polarity in proportion speaks for the other, where that rises too.
    is_nearly = len(moving) == len(fits) and any(is_in_proportion(fits[side], seen[side]) for side in fits)
    chosen = None
    for weighed in (following, still):
        if weighed.cost <= cost or (weighed is following and is_nearly):
            chosen, cost = weighed, weighed.cost
    if chosen is following:
        chosen = weigh_finer(chosen, fits, asked)
    out |= chosen.fits if chosen is not None else {}
    for side in [side for side, fit in out.items() if fit.ratio > 0]:
        lagged, fit = seen[side].supply_at(out[side].lag), out[side]
        if np.isfinite(fit.knee_v):
            fit = replace(fit, kind="regulated until the supply is too low")
        out[side] = replace(fit, highest_v=float(lagged.max()))
    return stop_at_top(out, seen)


@dataclass(frozen=True, slots=True)
class _Bend:
    """Where ceilings of both polarities stop rising, at which lag, under which of LOADS (None: no droop)."""

    lag: float
    knee_v: float
    load: int | None


def _fit_bends(bends: Sequence[_Bend], seen: Plateaus) -> tuple[list[CeilingFit], FloatArray]:
    """The ceiling of one polarity under each, and what it leaves (bends, n); without a droop that no amplifier has."""
    fits, left_v = fit_each(seen, [(bend.lag, bend.knee_v, bend.load) for bend in bends])
    wrong = [place for place, fit in enumerate(fits) if not 0 <= fit.droop <= MOST_DROOP]
    if wrong:
        again, left_v[wrong] = fit_each(seen, [(bends[place].lag, bends[place].knee_v, None) for place in wrong])
        for place, fit in zip(wrong, again, strict=True):
            fits[place] = fit
    return fits, left_v


def _bend(fits: Mapping[str, CeilingFit], every: Mapping[str, Plateaus]) -> dict[str, CeilingFit] | None:
    """The same ceilings with one knee, one lag and one load; None where a knee explains too little."""
    seen = {side: _some_of(every[side], fit) for side, fit in fits.items()}
    last = min(plateaus.supply.shape[1] for plateaus in seen.values()) - 1.0
    lags = np.arange(0.0, last + 1e-9, 2 * LAG_STEP).tolist()
    # The lag matters by its finest step: a knee in the lines' own lag is not to be missed.
    near = [fit.lag + LAG_STEP * step for fit in fits.values() for step in (-1, 0, 1)]
    lags = sorted({*lags, *np.clip(near, 0.0, last).tolist()})
    loads = (None, *range(len(LOADS))) if min(len(p.level_v) for p in seen.values()) >= FEWEST_FOR_DROOP else (None,)
    # A line has the same choice of lags and loads: what they explain is no knee's merit.
    straight = {
        side: _fit_bends([_Bend(lag, np.inf, load) for lag in lags for load in loads], plateaus)[1]
        for side, plateaus in seen.items()
    }
    tried: list[tuple[float, _Bend]] = []
    for lag in lags:
        supply = np.sort(np.concatenate([plateaus.supply_at(lag) for plateaus in seen.values()]))
        knees_v = np.concatenate((np.quantile(supply, AMONG), [supply[-k - 1] for k in HIGHEST if k < len(supply)]))
        knees_v = np.concatenate((knees_v, *(_levels_met(seen[side], fit, lag) for side, fit in fits.items())))
        knees_v = np.unique(knees_v[(knees_v > supply[0] + LEAST_RANGE_V) & (knees_v < supply[-1])])
        bends = [_Bend(lag, knee_v, load) for knee_v in knees_v.tolist() for load in loads]
        tried += zip(_gains(bends, seen, straight).tolist(), bends, strict=True)
    gain, best = max(tried, default=(0.0, None), key=lambda one: one[0])
    if best is None or gain < LEAST_GAIN:
        return None
    # Once more about there, all by one measure: spreads that differ say little of which place is the better one.
    spread_v = {side: _fit_bends([best], plateaus)[0][0].spread_v for side, plateaus in seen.items()}
    beside = [
        replace(best, lag=lag, knee_v=best.knee_v + step_v)
        for lag in np.clip(best.lag + LAG_STEP * np.arange(-3, 4), 0.0, last).tolist()
        for step_v in (NEARBY_V * np.linspace(-1, 1, 2 * FINER + 1)).tolist()
    ]
    best = beside[int(_gains(beside, seen, straight, spread_v).argmax())]
    bent = {side: _fit_bends([best], every[side])[0][0] for side in fits}
    if any(fit.ratio <= 3 * fit.ratio_sd for fit in bent.values()) or not _is_seen(bent, every):
        return None
    return bent


def _some_of(plateaus: Plateaus, fit: CeilingFit) -> Plateaus:
    """Fewer of them, evenly, and those of the highest supplies."""
    lagged = plateaus.supply_at(fit.lag)
    chosen = np.zeros(len(lagged), dtype=bool)
    chosen[:: max(1, len(lagged) // SEARCHED)] = True
    chosen[np.argsort(-lagged, kind="stable")[: HIGHEST[-1]]] = True
    return plateaus.take(chosen)


def _cost(line: CeilingFit, seen: Plateaus) -> float:
    """What a line leaves, as `weigh` counts it."""
    _, left_v = refit(seen, line, line.knee_v)
    return float(2 * tukey_loss(left_v, line.spread_v)) * min(1.0, INDEPENDENT / len(left_v))


def _levels_met(seen: Plateaus, line: CeilingFit, lag: float) -> FloatArray:
    """Supplies at which the line meets the level of the plateaus at the highest supplies, so many of them each."""
    by_supply = seen.level_at(lag)[np.argsort(-seen.supply_at(lag), kind="stable")]
    levels_v = np.array([float(np.median(by_supply[:k])) for k in (2, *HIGHEST) if k <= len(by_supply)])
    return np.asarray((levels_v - line.constant_v) / line.ratio)


def refit(seen: Plateaus, fit: CeilingFit, knee_v: float) -> tuple[CeilingFit, FloatArray]:
    """The line up to another knee, at its lag and load, and what is left of each plateau's level (n,)."""
    return fit_at(seen, fit.lag, knee_v, fit.load if fit.droop > 0 else None)


def tukey_loss(left_v: FloatArray, spread_v: float | FloatArray) -> FloatArray:
    """Tukey's loss along the last axis, in spreads squared."""
    share = np.clip(1 - (left_v / (TUKEY * spread_v)) ** 2, 0, None)
    return np.asarray(np.sum(1 - share**3, axis=-1)) * TUKEY**2 / 6


def _gains(
    bends: Sequence[_Bend], seen: Mapping[str, Plateaus], straight: Mapping[str, FloatArray],
    spread_v: Mapping[str, float] | None = None,
) -> FloatArray:  # fmt: skip
    """(bends,) by how much a knee there lowers the loss of both polarities below that of lines, each the best of those
    given, (lines, n); counted in the spreads that are left under the knee, or in those given."""
    gains = np.zeros(len(bends))
    for side, plateaus in seen.items() if bends else ():
        fits, left_v = _fit_bends(bends, plateaus)
        units_v = np.array([fit.spread_v for fit in fits]) if spread_v is None else np.full(len(bends), spread_v[side])
        lines = {unit_v: float(np.min(tukey_loss(straight[side], unit_v))) for unit_v in set(units_v.tolist())}
        gains += np.array([lines[unit_v] for unit_v in units_v.tolist()]) - tukey_loss(left_v, units_v[:, None])
    return gains


def _is_seen(bent: Mapping[str, CeilingFit], seen: Mapping[str, Plateaus]) -> bool:
    """Whether the plateaus of the highest supplies stand at the level, and are some at unlike supplies.

    Crests at one supply say nothing about a level that stands still; many at one supply would outvote the few that show
    how it rises on."""
    above_v, on_level = [], []
    for side, fit in bent.items():
        lagged = seen[side].supply_at(fit.lag)
        _, left_v = refit(seen[side], fit, fit.knee_v)
        risen_v = fit.ratio * (lagged - fit.knee_v)
        above = risen_v > 3 * fit.spread_v
        above_v.append(lagged[above])
        on_level.append(np.abs(left_v[above]) <= np.maximum(3 * fit.spread_v, LEVEL_SHARE * risen_v[above]))
    volts, stands = np.concatenate(above_v), np.concatenate(on_level)
    if len(volts) < FEWEST_ABOVE or float(np.ptp(volts)) < LEAST_RANGE_V / 2:
        return False
    return bool(np.mean(stands[np.argsort(-volts, kind="stable")[:TOPMOST]]) >= 0.5)
