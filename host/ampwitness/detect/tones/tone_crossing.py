"""The level at which a tone's distortion passes a wanted value, from many points of a gain being turned.

Two views of the same points. Near a hard ceiling the level hardly moves while the distortion rises by tens, so the
law of hard clipping is taken off the levels and what is left is nearly constant. Where distortion comes slowly (soft
stages, a little of one harmonic with clipping far above) the level says more than the distortion does, and the
distortion is followed as a curve over the level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.detect.tones.tone_points import TonePoint
from ampwitness.types import FloatArray
from ampwitness.waveform.tone_clip import hard_clip_level_db

_SPAN_RATIO = 10.0  # points from a tenth of the wanted THD to ten times it take part
_NEAR_X = 0.25  # those within a factor of e^0.25 count most
_MOVED_SHARE = 0.05  # of the level's movement around a point that may be missing from it
# Ceilings by soft knees, uneven rails and rails that sink bend the law; how much in a factor of e of distortion is
# held loosely, so that it takes points on both sides to tell.
_SLOPE_DB = 0.3
_BEND_DB = 0.1
_TOO_FAST_DB = 0.03  # of uncertainty that comes from how far apart the points near the knee lie alone
_BIN_DB = 0.5  # of level, for the question whether distortion falls before it rises
_BIN_POINTS = 3
_SOFT_RATIO = 2.0  # so much slower than at a hard ceiling the distortion comes where the level is the better guide
_HALVES_DB = (0.15, 0.25, 0.4, 0.6, 0.9, 1.2)  # of level around the crossing that is looked at
_HALF_POINTS = 6
_MEDIAN_POINTS = 5
_AGREE_RATIO = 0.5  # of the look: so far the line may cross from where the points themselves do
_WANTED_DB = 0.01  # standard uncertainty that ends the search for a wide enough look
# What the converter's steps may put into or take from a harmonic: much less than the floor, which is its limit.
_FLOOR_SHARE = 1 / 5
_METER_RATIO = 0.005


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Where the curve meets a distortion: rms volts, supply there, and the standard uncertainty of the level."""

    thd_percent: float
    level_v: float
    peak_v: float
    supply_v: float | None
    uncertainty_db: float
    n_points: int
    is_too_fast: bool  # the hand passed it so fast that no points lie near: the uncertainty is then most of the answer


def find_crossing(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray, wanted: float) -> CurvePoint | None:
    """The level where the distortion rises past a value.

    Parameters
    ----------
    points : (n,) of one tone
    level : (n,) rms volts of the points
    thd : (n,) per cent; NaN where a point may not take part
    wanted : per cent

    Returns
    -------
    CurvePoint, or None where the points lie on one side of it. Where distortion falls with rising level before it rises
    (crossover distortion), the rise counts.

    Gaps
    ----
    Sees points only; none spans a gap.

    Limits
    ------
    A ceiling is taken as straight in log THD near the value: exact for a hard rail, near enough for soft knees and
    rails that sink. The uncertainty of a slow rise is mostly that of the distortion itself: a fifth of its floor.

    Source
    ------
    Our choice, measured by `python -m ampwitness.bench.tone_scores`.
    """
    rising = _drop_falling_branch(level, thd, wanted)
    floors = np.array([point.reading.thd_floor_percent for point in points])
    near = np.flatnonzero(rising & (thd >= wanted / _SPAN_RATIO) & (thd <= wanted * _SPAN_RATIO) & (thd >= floors))
    if not (thd[rising] <= wanted).any() or not (thd[rising] >= wanted).any() or not len(near):
        return None
    x = np.log(thd[near] / wanted)
    floor = floors[near]
    moved = np.array([points[int(k)].moved_db for k in near])
    level_db = 20 * np.log10(level[near])
    from_hole_db = _hole_uncertainty_db(x)
    crossing_db, uncertainty_db = _cross_by_law(x, level_db, thd[near], floor, moved, wanted)
    uncertainty_db = math.hypot(uncertainty_db, from_hole_db)
    soft = _cross_by_level(level_db, thd[near], floor, wanted)
    by = x
    if soft is not None:
        (crossing_db, uncertainty_db), by = soft, level_db - soft[0]
    supplies: FloatArray = np.array([points[int(k)].supply_v for k in near], dtype=np.float64)
    peaks = np.array([points[int(k)].reading.peak_v for k in near])
    order = np.argsort(by)
    return CurvePoint(
        thd_percent=wanted,
        level_v=10 ** (crossing_db / 20),
        peak_v=float(np.interp(0.0, by[order], peaks[order])),
        supply_v=None if np.isnan(supplies).any() else float(np.interp(0.0, by[order], supplies[order])),
        uncertainty_db=uncertainty_db,
        n_points=len(near),
        is_too_fast=soft is None and from_hole_db > _TOO_FAST_DB,
    )


def _drop_falling_branch(level: FloatArray, thd: FloatArray, wanted: float) -> npt.NDArray[np.bool_]:
    """Which points may belong to the rise: all, or those from the valley on where the lowest levels distort more."""
    every = np.isfinite(thd)
    known = np.flatnonzero(every)
    if not len(known):
        return every
    level_db = 20 * np.log10(level)
    numbers = np.floor((level_db[known] - level_db[known].min()) / _BIN_DB)
    held = [(n, float(np.median(thd[known[numbers == n]]))) for n in np.unique(numbers)
            if (numbers == n).sum() >= _BIN_POINTS]  # fmt: skip
    if not held or held[0][1] < wanted or min(value for _, value in held) >= wanted:
        return every
    valley = min(held, key=lambda one: one[1])[0]
    return np.asarray(every & (level_db >= level_db[known].min() + valley * _BIN_DB))


def _cross_by_law(
    x: FloatArray, level_db: FloatArray, thd: FloatArray, floor: FloatArray, moved: FloatArray, wanted: float
) -> tuple[float, float]:
    """Level of the crossing in dB and its standard uncertainty, the law of hard clipping taken off."""
    y = level_db - np.array([hard_clip_level_db(float(value)) for value in thd])
    # What the floor may add to a THD or take from it moves the level by the law; a moving level is known less well.
    may_be = [
        hard_clip_level_db(value + f / 2) - hard_clip_level_db(max(0.01, value - f / 2))
        for value, f in zip(thd.tolist(), floor.tolist(), strict=True)
    ]
    sure_db = np.hypot(0.002 + 0.5 * np.array(may_be), _MOVED_SHARE * moved)
    closeness = 1 / (1 + (x / _NEAR_X) ** 2) ** 2
    weight = closeness / sure_db**2
    left_db: FloatArray = np.zeros(len(x))
    offset = 0.0
    for _ in range(6):
        offset, left_db = _bent_line(x, y, weight)
        weight = closeness / sure_db**2 / np.maximum(1.0, np.abs(left_db) / sure_db / 2)
    return offset + hard_clip_level_db(wanted), _law_uncertainty_db(left_db, weight, float(np.min(floor)), wanted)


def _cross_by_level(
    level_db: FloatArray, thd: FloatArray, floor: FloatArray, wanted: float
) -> tuple[float, float] | None:
    """The same where distortion comes slowly: a line of THD over level, in as narrow a look as is sure enough.

    None where it comes quickly, or too few points lie on either side."""
    start_db = _last_rise_db(level_db, thd, wanted)
    if start_db is None:
        return None
    least_slope = 1 / (_SOFT_RATIO * _law_slope_db(wanted))  # per cent a dB below which it is slow
    best: tuple[float, float] | None = None
    for half_db in _HALVES_DB:
        at_db = start_db
        for _ in range(3):
            miss_db = level_db - at_db
            kept = np.abs(miss_db) < half_db
            if kept.sum() < _HALF_POINTS or not (miss_db[kept] < 0).any() or not (miss_db[kept] > 0).any():
                break
            weight = (1 - (miss_db[kept] / half_db) ** 2) ** 2 / floor[kept] ** 2
            basis = np.stack([np.ones(int(kept.sum())), miss_db[kept]], axis=1)
            normal = basis.T @ (basis * weight[:, np.newaxis])
            offset, slope = np.linalg.solve(normal, basis.T @ (weight * thd[kept])).tolist()
            if slope <= 0 or abs(wanted - offset) > half_db * slope:
                break
            at_db += (wanted - offset) / slope
        else:
            if slope > least_slope:
                return None
            if abs(at_db - start_db) > _AGREE_RATIO * half_db:
                continue  # the curve is no line over so wide a look
            left = thd[kept] - offset - slope * miss_db[kept]
            scatter = math.sqrt(float(np.sum(weight * left**2) / weight.sum()) / max(1.0, _effective(weight) - 2))
            system = math.hypot(_FLOOR_SHARE * float(np.median(floor[kept])), _METER_RATIO * wanted)
            best = (at_db, math.hypot(scatter, system) / slope)
            if scatter / slope < _WANTED_DB:
                break
    return best


def _last_rise_db(level_db: FloatArray, thd: FloatArray, wanted: float) -> float | None:
    """Where the median of a few points next to each other in level passes the value for the last time."""
    if len(thd) < _HALF_POINTS:
        return None
    order = np.argsort(level_db, kind="stable")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(thd[order], _MEDIAN_POINTS), axis=1)
    below = np.flatnonzero(smooth < wanted)
    if not len(below) or below[-1] + 1 >= len(smooth):
        return None
    return float(level_db[order][below[-1] + _MEDIAN_POINTS // 2])


def _law_slope_db(percent: float) -> float:
    """dB of level for one per cent of THD more, at a hard ceiling."""
    return (hard_clip_level_db(1.05 * percent) - hard_clip_level_db(percent / 1.05)) / (percent * (1.05 - 1 / 1.05))


def _hole_uncertainty_db(x: FloatArray) -> float:
    """What the hole in the points around x = 0 may hide: twice the bend that is held likely, or the slope where there
    are points on one side alone. Standard uncertainty."""
    below, above = x[x <= 0], x[x >= 0]
    if not len(below) or not len(above):
        return _SLOPE_DB * float(np.min(np.abs(x)))
    left, right = -float(below.max()), float(above.min())
    return 2 * _BEND_DB * left * right


def _law_uncertainty_db(miss: FloatArray, weight: FloatArray, floor: float, wanted: float) -> float:
    """Standard uncertainty: scatter of the points and half the floor of the THD."""
    spread_db = float(np.sqrt(np.sum(weight * miss**2) / weight.sum())) / math.sqrt(max(1.0, _effective(weight) - 1))
    from_floor_db = (hard_clip_level_db(wanted + floor / 2) - hard_clip_level_db(max(0.05, wanted - floor / 2))) / 2
    return math.hypot(spread_db, from_floor_db)


def _effective(weight: FloatArray) -> float:
    """How many points of equal weight these weights stand for."""
    return float(weight.sum() ** 2 / np.sum(weight**2))


def _bent_line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, FloatArray]:
    """Offset at x = 0 of a parabola by weighted least squares, and what it leaves; slope and bend are held near 0."""
    basis = np.stack([np.ones(len(x)), x, x * x], axis=1)
    held = np.diag([0.0, 1 / _SLOPE_DB**2, 1 / _BEND_DB**2])
    found = np.linalg.solve(basis.T @ (basis * weight[:, np.newaxis]) + held, basis.T @ (weight * y))
    return float(found[0]), np.asarray(y - basis @ found)
