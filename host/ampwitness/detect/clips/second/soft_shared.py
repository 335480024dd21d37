"""One soft ceiling for all crests of a stretch, where few are bent over, and lightly.

Where hardly a crest is driven beyond its ceiling, no half-cycle tells by itself where that lies (`clip_soft`). All of
them together do: one sharpness and one ceiling, level or a fixed ratio to the supply, the same for both polarities,
must leave those that reach it bent over just so much, and those below as they were.

Gaps: windows are cut out before.
Limits: one ceiling for both polarities, so none where these differ by more than a percent or two. Where the supply
hardly moves under bent crests, level and ratio are not told apart. The wanted curve takes in a little of the bending:
what is lost reads 0.03 to 0.15 dB too small (intervals hold), so crests bent by 0.25 to 0.35 dB are often let go.
Source: the search is our choice, measured in tests/detect_clipping.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.second.soft_fit import Effort, SoftFits, Spreads, fit_lobes
from ampwitness.types import FloatArray

BoolArray = npt.NDArray[np.bool_]

FEWEST = 10  # half-cycles that are asked together
HARD = 200.0
SHARPNESS, FINER = (5.0, 7.0, 9.0, 12.0, 16.0, 22.0), (0.8, 0.9, 1.0, 1.12, 1.25)
# The ceiling over the highest crests; then around the best of them.
ABOVE, CLOSER = (0.98, 1.0, 1.02, 1.04, 1.07, 1.1, 1.14), (-0.02, -0.01, 0.0, 0.01, 0.02)
SUPPLY_LAG = 1  # place in SUPPLY_LAGS_S
HIGHEST_PERCENT = 99.0
NARROW, NARROWER = Spreads(0.004, 0.002, 0.002), Spreads(0.002, 0.002, 0.002)
FREE = Spreads(tilt=0.002, bow=0.002)
QUICK, BETTER = Effort(points=30, rounds=4), Effort(points=40, rounds=5)
# A quick look ahead at the highest: of 13 recordings of light soft clipping the least came to 2.4, of clean music to
# 1.3 but for square, gliding and saturated notes.
GLANCE, GLANCED, GLANCE_SHARPNESS, WORTH_A_LOOK = Effort(points=30, rounds=3), 12, (7.0, 12.0, HARD), 1.8
MOST_COST = 20.0  # more says no more
WORST_MISFIT = 3.2
FAR_SHARE = 20.0  # a ceiling so many times higher is none
LEAST_SHARPNESS, MOST_SHARPNESS = 5.0, 25.0
REACHED_DB, PLAIN_DB = 0.1, 0.2
FEWEST_REACHED, FEWEST_PLAIN, FEWEST_MOMENTS, MOMENT_S = 6, 4, 2, 0.4
SURER = 1.8  # by so much the misfit of those that reach it must fall against none, and against a corner
EACH, EACH_SHARE = 1.3, 0.6  # ... and in so many of them by so much
WIDEST_SPREAD = 0.02  # of the ceiling: it was 0.012 at most, and 0.1 in saturated notes each at a level of its own


@dataclass(frozen=True, slots=True)
class Crowd:
    """Half-cycles of both polarities: n windows of sign-turned volts, and at each the time and the lagged supply."""

    windows: list[FloatArray]
    time_s: FloatArray
    supply_v: FloatArray  # (n, supply lags)
    noise_v: float


@dataclass(frozen=True, slots=True)
class Shared:
    """The ceiling that all half-cycles show, and k."""

    rail: Rail
    sharpness: float
    lowest_v: float
    misfit: float  # reduced chi-square of those that reach it
    spread: float  # of the ceiling, as a share: how far half-cycles disagree about it


@dataclass(frozen=True, slots=True)
class _Tried:
    """One ceiling (n,) with one k, and what that leaves."""

    misfit: float
    sharpness: float
    above: float
    is_ratio: bool
    ceiling_v: FloatArray
    cost: FloatArray
    over_db: FloatArray


def learn_shared(crowd: Crowd) -> Shared | None:
    """The soft ceiling that half-cycles show together; None if a corner, or none at all, serves about as well."""
    if len(crowd.windows) < FEWEST or not _bends_at_all(crowd):
        return None
    shapes = dict(_shapes(crowd))
    coarse = min(
        (
            tried
            for (is_ratio, shape_v), above in product(shapes.items(), ABOVE)
            for tried in [_try(crowd, is_ratio, shape_v, above, SHARPNESS, NARROW, QUICK)]
        ),
        key=lambda tried: tried.misfit,
    )
    around = tuple(coarse.sharpness * factor for factor in FINER)
    shape_v = shapes[coarse.is_ratio]
    best = min(
        (_try(crowd, coarse.is_ratio, shape_v, coarse.above + step, around, NARROWER, BETTER) for step in CLOSER),
        key=lambda tried: tried.misfit,
    )
    if best.misfit > WORST_MISFIT or not LEAST_SHARPNESS <= best.sharpness <= MOST_SHARPNESS:
        return None
    spread = _spread(crowd, best) if _is_surely_bent(crowd, best) else np.inf
    if spread > WIDEST_SPREAD:
        return None
    reached = best.over_db >= REACHED_DB
    return Shared(
        _rail_of(crowd, best, int(np.count_nonzero(reached)), spread), best.sharpness, float(best.ceiling_v.min()),
        max(1.0, float(_mean_cost(best.cost[reached]))), spread,
    )  # fmt: skip


def _bends_at_all(crowd: Crowd) -> bool:
    """A quick look at the highest half-cycles: whether any soft law serves better than a corner and than none."""
    highest = np.argsort([-window.max() for window in crowd.windows], kind="stable")[:GLANCED]
    windows = [crowd.windows[row] for row in highest]
    fits = fit_lobes(windows, crowd.noise_v, GLANCE_SHARPNESS, spreads=FREE, effort=GLANCE)
    cost = _mean_cost(fits.cost)
    none = _mean_cost(_unbent(windows, crowd.noise_v, GLANCE).cost)
    return bool(min(cost[-1], none[0]) >= WORTH_A_LOOK * cost[:-1].min())


def _unbent(windows: list[FloatArray], noise_v: float, effort: Effort | None = None) -> SoftFits:
    """The windows (n) as smooth curves under no ceiling."""
    far_v = np.full(len(windows), FAR_SHARE * max(float(window.max()) for window in windows))
    return fit_lobes(windows, noise_v, (SHARPNESS[-1],), far_v, NARROWER, effort=effort)


def _mean_cost(cost: FloatArray) -> FloatArray:
    return np.asarray(np.mean(np.minimum(cost, MOST_COST), axis=0))


def _shapes(crowd: Crowd) -> Iterator[tuple[bool, FloatArray]]:
    """Whether it follows the supply, and a ceiling (n,) of so much that the highest crests touch it."""
    crest_v = np.array([window.max() for window in crowd.windows])
    yield False, np.full(len(crest_v), np.percentile(crest_v, HIGHEST_PERCENT))
    supply_v = crowd.supply_v[:, SUPPLY_LAG]
    if np.isfinite(supply_v).all() and supply_v.min() > 0:
        yield True, supply_v * np.percentile(crest_v / supply_v, HIGHEST_PERCENT)


def _try(
    crowd: Crowd, is_ratio: bool, shape_v: FloatArray, above: float, sharpness: tuple[float, ...], spreads: Spreads,
    effort: Effort,
) -> _Tried:  # fmt: skip
    """Of some k the best under one ceiling."""
    fits = fit_lobes(crowd.windows, crowd.noise_v, sharpness, above * shape_v, spreads, effort=effort)
    cost = _mean_cost(fits.cost)
    k = int(np.argmin(cost))
    return _Tried(
        float(cost[k]), sharpness[k], above, is_ratio, above * shape_v, fits.cost[:, k], fits.over_db[:, k]
    )  # fmt: skip


def _is_surely_bent(crowd: Crowd, best: _Tried) -> bool:
    """Whether enough half-cycles reach the ceiling, and fit far better under it than under none or with a corner."""
    rows = np.flatnonzero(best.over_db >= REACHED_DB)
    plain = best.over_db >= PLAIN_DB
    moments = np.unique(np.floor(crowd.time_s[plain] / MOMENT_S))
    if len(rows) < FEWEST_REACHED or np.count_nonzero(plain) < FEWEST_PLAIN or len(moments) < FEWEST_MOMENTS:
        return False
    windows, cost = [crowd.windows[row] for row in rows], best.cost[rows]
    others = (_unbent(windows, crowd.noise_v), fit_lobes(windows, crowd.noise_v, (HARD,), spreads=FREE))
    return all(
        _mean_cost(other.cost)[0] >= SURER * _mean_cost(cost) and np.mean(other.cost[:, 0] >= EACH * cost) >= EACH_SHARE
        for other in others
    )


def _spread(crowd: Crowd, best: _Tried) -> float:
    """How far half-cycles that are plainly bent disagree about the ceiling when each finds its own, as a share."""
    rows = np.flatnonzero(best.over_db >= PLAIN_DB)
    own = fit_lobes([crowd.windows[row] for row in rows], crowd.noise_v, (best.sharpness,), spreads=FREE)
    ratio = own.ceiling_v[:, 0] / best.ceiling_v[rows]
    return float(1.4826 * np.median(np.abs(ratio - 1)))


def _rail_of(crowd: Crowd, best: _Tried, n_reached: int, spread: float) -> Rail:
    supply_v = crowd.supply_v[:, SUPPLY_LAG]
    typical_v = float(np.median(best.ceiling_v))
    ratio = float(np.median(best.ceiling_v / supply_v)) if best.is_ratio else 0.0
    return Rail(
        0.0 if best.is_ratio else typical_v, ratio, SUPPLY_LAG, 0.0, 0, spread * typical_v, n_reached,
        float(np.ptp(supply_v)) if best.is_ratio else 0.0, np.inf,
    )  # fmt: skip
