"""Distortion against volts: the knee, the 1 % and 10 % points, and what stopped the level from rising further."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.level_follow import FollowEdge, find_follow_edge
from ampwitness.detect.tone_points import TonePoint
from ampwitness.types import FloatArray
from ampwitness.waveform.tone_clip import hard_clip_level_db

# The conditions of amplifier ratings: continuous power at 1 % THD+N, dynamic power at 10 % (CTA-2006 and its kin, as
# reproduced in makers' feature pages and on cta.tech).
KNEE_PERCENT = 1.0
TEN_PERCENT = 10.0
_SPAN_RATIO = 10.0  # points from a tenth of the wanted THD to ten times it take part
_FLOOR_PERCENT = 0.5  # but one below this may stay: its weight is small enough
_NEAR_X = 0.25  # those within a factor of e^0.25 count most
_MOVED_SHARE = 0.05  # of the level's movement around a point that may be missing from it
# Ceilings by soft knees, uneven rails and rails that sink bend the law; how much in a factor of e of distortion is
# held loosely, so that it takes points on both sides to tell.
_SLOPE_DB = 0.3
_BEND_DB = 0.1
_TOO_FAST_DB = 0.03  # of uncertainty that comes from how far apart the points near the knee lie alone
_FLOOR_RATIO = 0.35  # a floor above this part of the THD makes a point useless
_SOURCE_LEAST_DB = 1.0  # so much change of level at the same distortion: not the amplifier's ceiling
_SOURCE_SAME_RATIO = 1.3
_HELD_SOURCE_DB = 2.0
_HELD_OUTPUT_DB = 0.3


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Where the curve meets a distortion: rms volts, supply there, and the standard uncertainty of the level."""

    thd_percent: float
    level_v: float
    peak_v: float
    supply_v: float | None
    uncertainty_db: float
    n_points: int
    is_between: bool  # measured on both sides of it
    is_too_fast: bool  # the hand passed it so fast that no points lie near: the uncertainty is then most of the answer


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """All points of one tone of a recording, by time, and what follows from them."""

    frequency_hz: float
    points: tuple[TonePoint, ...]
    knee: CurvePoint | None
    ten: CurvePoint | None
    clean_v: float | None  # highest rms measured with THD below 1 %
    ceiling_v: float | None  # peak volts of the flat tops
    is_source_clipped: bool
    is_level_held: bool
    follow: FollowEdge | None = None  # where the level stops following its drive; by steps only without distortion

    @property
    def start_s(self) -> float:
        return self.points[0].start_s

    @property
    def stop_s(self) -> float:
        return self.points[-1].stop_s


def usable_thd_percent(point: TonePoint) -> float | None:
    """THD of a point that may take part in a curve; None where it is not judged or drowned by its floor."""
    thd = point.thd_percent
    if thd is None or point.reading.thd_floor_percent > max(_FLOOR_RATIO * thd, _FLOOR_PERCENT):
        return None
    return thd


def make_curve(points: Sequence[TonePoint]) -> ToneCurve:
    """The curve of one tone.

    Parameters
    ----------
    points : at least one, of one frequency, by time; breaks between them do not matter

    Returns
    -------
    ToneCurve.

    Gaps
    ----
    Sees points only; none spans a gap.

    Limits
    ------
    The ceiling is taken as the same whenever the points were measured: where the supply sinks between them, the knee
    is that of the supply which is given with it.

    Source
    ------
    Knee and 1 % point: our choice, measured by `python -m ampwitness.bench.tone_scores`.
    """
    known = [usable_thd_percent(point) for point in points]
    thd = np.array([np.nan if value is None else value for value in known])
    level = np.array([point.reading.level_v for point in points])
    is_source = _is_source_clipped(points, level, thd)
    knee = None if is_source else _find_crossing(points, level, thd, KNEE_PERCENT)
    ten = None if is_source else _find_crossing(points, level, thd, TEN_PERCENT)
    clean = level[thd < KNEE_PERCENT]
    flat = np.array([point.reading.peak_v for point in points])[(thd >= 2.0) & (thd <= 25.0)]
    return ToneCurve(
        frequency_hz=float(np.median([point.reading.frequency_hz for point in points])),
        points=tuple(points),
        knee=knee,
        ten=ten,
        clean_v=float(clean.max()) if len(clean) else None,
        ceiling_v=float(np.median(flat)) if len(flat) and not is_source else None,
        is_source_clipped=is_source,
        is_level_held=_is_level_held(points, level, thd),
        follow=_find_follow(points, has_thd=bool(len(clean)) or knee is not None),
    )


def _find_follow(points: Sequence[TonePoint], *, has_thd: bool) -> FollowEdge | None:
    """A hand's own turns may look like steps: they count only where distortion says nothing."""
    found = find_follow_edge(points)
    return None if has_thd and found is not None and found.driven_by == "equal steps" else found


def _find_crossing(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray, wanted: float) -> CurvePoint | None:
    """Level at a distortion. The law of hard clipping is taken off the levels; what is left is the ceiling, and that
    is taken as straight in log THD: exact for a hard rail, near enough for soft knees and rails that sink."""
    is_above_floor = thd >= np.array([point.reading.thd_floor_percent for point in points])
    near = np.flatnonzero((thd >= wanted / _SPAN_RATIO) & (thd <= wanted * _SPAN_RATIO) & is_above_floor)
    if not (thd <= wanted).any() or not (thd >= wanted).any() or not len(near):
        return None
    x = np.log(thd[near] / wanted)
    law = np.array([hard_clip_level_db(float(value)) for value in thd[near]])
    y = 20 * np.log10(level[near]) - law
    moved = np.array([points[int(k)].moved_db for k in near])
    floor = np.array([points[int(k)].reading.thd_floor_percent for k in near])
    # What the floor may add to a THD or take from it moves the level by the law; a moving level is known less well.
    may_be = [
        hard_clip_level_db(value + f / 2) - hard_clip_level_db(max(0.01, value - f / 2))
        for value, f in zip(thd[near].tolist(), floor.tolist(), strict=True)
    ]
    sure_db = np.hypot(0.002 + 0.5 * np.array(may_be), _MOVED_SHARE * moved)
    closeness = 1 / (1 + (x / _NEAR_X) ** 2) ** 2
    weight = closeness / sure_db**2
    left_db: FloatArray = np.zeros(len(x))
    offset = 0.0
    for _ in range(6):
        offset, left_db = _bent_line(x, y, weight)
        weight = closeness / sure_db**2 / np.maximum(1.0, np.abs(left_db) / sure_db / 2)
    level_db = offset + hard_clip_level_db(wanted)
    supplies: FloatArray = np.array([_or_nan(points[int(k)].supply_v) for k in near])
    peaks = np.array([points[int(k)].reading.peak_v for k in near])
    order = np.argsort(x)
    from_hole_db = _hole_uncertainty_db(x)
    return CurvePoint(
        thd_percent=wanted,
        level_v=10 ** (level_db / 20),
        peak_v=float(np.interp(0.0, x[order], peaks[order])),
        supply_v=None if np.isnan(supplies).any() else float(np.interp(0.0, x[order], supplies[order])),
        uncertainty_db=_crossing_uncertainty_db(left_db, weight, float(np.min(floor)), wanted, from_hole_db),
        n_points=len(near),
        is_between=bool((x <= 0).any() and (x >= 0).any()),
        is_too_fast=from_hole_db > _TOO_FAST_DB,
    )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _hole_uncertainty_db(x: FloatArray) -> float:
    """What the hole in the points around x = 0 may hide: twice the bend that is held likely, or the slope where there
    are points on one side alone. Standard uncertainty."""
    below, above = x[x <= 0], x[x >= 0]
    if not len(below) or not len(above):
        return _SLOPE_DB * float(np.min(np.abs(x)))
    left, right = -float(below.max()), float(above.min())
    return 2 * _BEND_DB * left * right


def _crossing_uncertainty_db(
    miss: FloatArray, weight: FloatArray, floor: float, wanted: float, from_hole_db: float
) -> float:
    """Standard uncertainty: scatter of the points, the hole around the crossing, and half the floor of the THD."""
    spread_db = float(np.sqrt(np.sum(weight * miss**2) / weight.sum())) / math.sqrt(max(1.0, _effective(weight) - 1))
    from_floor_db = (hard_clip_level_db(wanted + floor / 2) - hard_clip_level_db(max(0.05, wanted - floor / 2))) / 2
    return math.sqrt(spread_db**2 + from_hole_db**2 + from_floor_db**2)


def _effective(weight: FloatArray) -> float:
    """How many points of equal weight these weights stand for."""
    return float(weight.sum() ** 2 / np.sum(weight**2))


def _bent_line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, FloatArray]:
    """Offset at x = 0 of a parabola by weighted least squares, and what it leaves; slope and bend are held near 0."""
    basis = np.stack([np.ones(len(x)), x, x * x], axis=1)
    held = np.diag([0.0, 1 / _SLOPE_DB**2, 1 / _BEND_DB**2])
    found = np.linalg.solve(basis.T @ (basis * weight[:, np.newaxis]) + held, basis.T @ (weight * y))
    return float(found[0]), np.asarray(y - basis @ found)


def _is_source_clipped(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray) -> bool:
    """The same distortion at levels well apart, or distortion at the source itself."""
    bad = thd >= 0.8
    if not bad.any():
        return False
    of_source = [
        point.source_thd_percent for point, is_bad in zip(points, bad, strict=True)
        if is_bad and point.source_thd_percent is not None
    ]  # fmt: skip
    if of_source:
        return bool(np.median(of_source) > 0.5 * np.median(thd[bad]))
    if bad.sum() < 3:
        return False
    # Sorted by level, the distortion of an amplifier's ceiling rises steeply; a source's comes along unchanged.
    order = np.argsort(level[bad])
    sorted_level, sorted_thd = level[bad][order], thd[bad][order]
    top = sorted_level[-1]
    same = np.abs(np.log(sorted_thd / np.median(sorted_thd))) < math.log(_SOURCE_SAME_RATIO)
    span_db = 20 * math.log10(top / sorted_level[0])
    return bool(span_db >= _SOURCE_LEAST_DB and np.mean(same) > 0.8)


def _is_level_held(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray) -> bool:
    """The source rises and the output does not, without distortion: something holds the level."""
    source: FloatArray = np.array([_or_nan(point.source_v) for point in points])
    if np.isnan(source).any() or len(source) < 4:
        return False
    order = np.argsort(source)
    top = source[order][-1]
    upper = order[source[order] >= top * 10 ** (-_HELD_SOURCE_DB / 20)]
    if 20 * math.log10(top / source[order][0]) < _HELD_SOURCE_DB or len(upper) < 3:
        return False
    rise_db = 20 * math.log10(level[upper].max() / level[upper].min())
    clean = np.nan_to_num(thd[upper], nan=0.0)
    return bool(rise_db < _HELD_OUTPUT_DB and clean.max() < KNEE_PERCENT)
