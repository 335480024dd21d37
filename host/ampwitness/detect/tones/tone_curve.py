"""Distortion against volts: the knee, the 1 % and 10 % points, and what stopped the level from rising further."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.tones.level_follow import FollowEdge, find_follow_edge
from ampwitness.detect.tones.tone_crossing import CurvePoint, find_crossing
from ampwitness.detect.tones.tone_points import TonePoint
from ampwitness.types import FloatArray
from ampwitness.waveform.tone_clip import cut_sine_harmonics, thd_to_overdrive_db
from ampwitness.waveform.tone_meter import ToneReading

# The conditions of amplifier ratings: continuous power at 1 % THD+N, dynamic power at 10 % (CTA-2006 and its kin, as
# reproduced in makers' feature pages and on cta.tech).
KNEE_PERCENT = 1.0
TEN_PERCENT = 10.0
_FLOOR_PERCENT = 0.75  # but one below this may stay: such a point is clean or weighs little
_FLOOR_RATIO = 0.35  # a floor above this part of the THD makes a point useless
_SOURCE_CLEAN_RATIO = 0.3  # of the output's distortion at most in a source that did not make it
_SOURCE_LEAST_DB = 1.0  # so much change of level at the same distortion: not the amplifier's ceiling
_SOURCE_SAME_RATIO = 1.3
_SOURCE_LEAST_POWER = 0.5  # of the level in the distortion: half of what the softest amplifier's has
_CUT_CREST_RATIO = 1.5  # a sine has 1.414, a cut one less; notes of strings and keys 1.6 and more
_CUT_ODD_SHARE = 0.3  # of even harmonics, that a cut of one side leaves of odd ones at least; of both sides all are odd
_HELD_SOURCE_DB = 2.0
LEFT_S, LEFT_STEADY_DB = 1.0, 0.2
_HELD_OUTPUT_DB = 0.3
# What a tone carries at all levels alike is its source's: told where it hides the 1 % point.
_OWN_LEAST_PERCENT = 0.95
_OWN_MOST_PERCENT = 4.0  # without an edge of the amplifier's above it, more is a source that clips, whatever its shape
_OWN_BELOW_DB = 3.0  # under the highest level, where an amplifier that clips at the top adds nothing
_OWN_POINTS, _OWN_SAME_RATIO = 6, 1.15
_OWN_SPAN_DB = 2.0
_OWN_RISE_RATIO = 2.0
_REFUTING_PERCENT, _REFUTING_S, _REFUTED_RATIO = 0.4, 0.75, 0.97  # 0.26 dB
_NEAR_LEVEL_RATIO, _FEWEST_RANKED = 1.25, 6
_RISING_RANK = 0.5  # amplifiers' 10 % have 0.76 to 1 (nine drawings); music's, without a clip, -0.44 to 0.69
_OWN_CORRELATION = 0.3  # standard deviation of how far the amplifier's harmonics lie in step with the source's


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
    own_percent: float | None = None  # distortion at all low levels alike, which `knee` is counted from; else None
    alike_percent: float | None = None  # distortion at all low levels alike, whether or not it hides where 1 % begins
    is_source_clean: bool = False  # logged, and clean where the output was cut: the ceiling is the amplifier's
    follow: FollowEdge | None = None  # where the level stops following its drive; by steps only without distortion

    @property
    def is_all_own(self) -> bool:
        """So much at every level alike that it would pass for an edge, and no edge above it."""
        alike = self.alike_percent
        return self.knee is None and alike is not None and _OWN_LEAST_PERCENT <= alike < _OWN_MOST_PERCENT

    @property
    def start_s(self) -> float:
        return self.points[0].start_s

    @property
    def stop_s(self) -> float:
        return self.points[-1].stop_s


def find_left_v(points: Sequence[TonePoint]) -> float | None:
    """Volts rms at which a tone was left: those of its last second; None where these moved by LEFT_STEADY_DB."""
    levels = _last_levels(points)
    if not levels or 20 * math.log10(max(levels) / min(levels)) > LEFT_STEADY_DB:
        return None
    return float(np.median(levels))


def find_margin_db(points: Sequence[TonePoint], knee_v: float | None) -> float | None:
    """How far below the edge a tone was left, as `margin_of`; of one that moved to its end at least so far, by the most
    of its last second, as what fades out within one was not turned. None where that was not below the edge."""
    levels = _last_levels(points)
    if knee_v is None or not levels:
        return None
    left_v = find_left_v(points)
    if left_v is not None:
        return margin_of(knee_v, left_v, find_left_thd(points))
    return 20 * math.log10(knee_v / max(levels)) if max(levels) < knee_v else None


def _last_levels(points: Sequence[TonePoint]) -> list[float]:
    """Volts rms of the points of a tone's last second; none of one that was shorter."""
    last_s = points[-1].stop_s
    if last_s - points[0].start_s < LEFT_S:
        return []
    return [point.reading.level_v for point in points if point.stop_s > last_s - LEFT_S]


def margin_of(knee_v: float, left_v: float, left_thd_percent: float | None) -> float:
    """How far below the edge a gain was left, dB; negative: so far it has to come down.

    Beyond a ceiling the output hardly rises any more, so there the distortion tells how far the gain went, as that of
    a hard, even ceiling; where it is not known, the level, which says too little.
    """
    margin_db = 20 * math.log10(knee_v / left_v)
    if margin_db >= 0 or left_thd_percent is None:
        return margin_db
    return min(margin_db, thd_to_overdrive_db(KNEE_PERCENT / 100) - thd_to_overdrive_db(left_thd_percent / 100))


def find_left_thd(points: Sequence[TonePoint]) -> float | None:
    """Distortion of a tone's last second, per cent; None where it is not judged."""
    last_s = points[-1].stop_s
    known = [usable_thd_percent(point) for point in points if point.stop_s > last_s - LEFT_S]
    usable = [value for value in known if value is not None]
    return float(np.median(usable)) if usable else None


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
    level = np.array([point.reading.level_v for point in points])
    every = np.array([np.nan if value is None else value for value in known])
    alike = _find_alike_percent(points, level, every)
    thd = every if alike is not None else _drop_refuted(points, level, every)
    own = alike if alike is not None and _hides_the_edge(alike, thd) else None
    is_own = own is not None or (alike is not None and alike < _OWN_MOST_PERCENT)
    is_source = not is_own and _is_source_clipped(points, level, thd)
    added = thd if own is None else np.sqrt(np.maximum(0.0, thd**2 - own**2))
    knee = None if is_source else _find_knee(points, level, added, own)
    is_note = bool((thd >= TEN_PERCENT).any()) and not _are_cut(points, thd >= TEN_PERCENT)
    ten = None if is_source or is_note else find_crossing(points, level, thd, TEN_PERCENT)
    if knee is None and ten is not None and not _rises_with_level(level, thd, ten.level_v):
        ten = None
    clean = level[added < KNEE_PERCENT]
    flat = [_find_ceiling(points[int(at)].reading) for at in np.flatnonzero((added >= 2.0) & (added <= 25.0))]
    return ToneCurve(
        frequency_hz=float(np.median([point.reading.frequency_hz for point in points])),
        points=tuple(points),
        knee=knee,
        ten=ten,
        clean_v=float(clean.max()) if len(clean) else None,
        ceiling_v=float(np.median(flat)) if len(flat) and not is_source else None,
        is_source_clipped=is_source,
        is_level_held=_is_level_held(points, level, thd),
        own_percent=own,
        alike_percent=alike,
        is_source_clean=_is_source_clean(points, thd),
        follow=_find_follow(points, has_thd=bool(np.isfinite(thd).any())),
    )


def _find_ceiling(reading: ToneReading) -> float:
    """Peak volts of flat tops: by the clip model the lower of both cuts, as what the band's end leaves of a corner
    swings past the flat (to +2 % at 1 kHz); the peak itself where the model does not fit."""
    positive_db, negative_db = reading.positive_overdrive_db, reading.negative_overdrive_db
    if positive_db is None or negative_db is None:
        return reading.peak_v
    positive, negative = 10 ** (-positive_db / 20), 10 ** (-negative_db / 20)
    fundamental = cut_sine_harmonics(math.acos(min(1.0, positive)), math.acos(min(1.0, negative)), 1)[1]
    return math.sqrt(2) * reading.fundamental_v / float(fundamental) * min(positive, negative)


def _find_alike_percent(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray) -> float | None:
    """What a tone carries at every level below the highest alike, if that is no cut wave: that would be a source that
    clips. None elsewhere."""
    known = np.isfinite(thd)
    if not known.any():
        return None
    below_db = 20 * np.log10(level[known].max() / level)
    low = known & (below_db >= _OWN_BELOW_DB)
    if low.sum() < _OWN_POINTS or np.ptp(below_db[low]) < _OWN_SPAN_DB:
        return None
    alike = float(np.median(thd[low]))
    lowest, highest = np.quantile(thd[low], [0.1, 0.9])
    if highest >= _OWN_SAME_RATIO * alike or lowest <= alike / _OWN_SAME_RATIO:
        return None
    is_cut_low = [points[int(k)].reading.positive_overdrive_db is not None for k in np.flatnonzero(low)]
    return None if 2 * sum(is_cut_low) > len(is_cut_low) else alike


def _hides_the_edge(alike_percent: float, thd: FloatArray) -> bool:
    """Whether so much would be taken for 1 % of the amplifier's, and the amplifier does add to it."""
    return alike_percent >= _OWN_LEAST_PERCENT and float(np.nanmax(thd)) >= _OWN_RISE_RATIO * alike_percent


def _drop_refuted(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray) -> FloatArray:
    """Distortion without what lies well below levels that were clean for most of a second, in volts and in volts
    a volt of supply: that was no ceiling of the amplifier's, but a source turned down since, or a knob that jumped."""
    supply: FloatArray = np.array([point.supply_v for point in points], dtype=np.float64)
    lasts_s = np.array([point.stop_s - point.start_s for point in points])
    clean = thd < _REFUTING_PERCENT
    is_below = np.ones(len(level), dtype=bool)
    for size in (level, level / supply):
        heard = np.flatnonzero(clean & np.isfinite(size))
        highest = heard[np.argsort(-size[heard])]
        long_enough = np.cumsum(lasts_s[highest]) >= _REFUTING_S
        if long_enough.any():
            is_below &= size < _REFUTED_RATIO * size[highest[int(np.argmax(long_enough))]]
        elif size is level:
            return thd
    return np.where(is_below & ~clean, np.nan, thd)


def _find_knee(
    points: Sequence[TonePoint], level: FloatArray, added: FloatArray, own: float | None
) -> CurvePoint | None:
    """Where what is added to the tone's own distortion reaches 1 %; the powers are subtracted, and how far the two lie
    in step goes into the uncertainty."""
    knee = find_crossing(points, level, added, KNEE_PERCENT)
    if knee is None or own is None:
        return knee
    # Out of step the level may lie as far on the other side, or further: the rise is steepest at the top.
    out_of_step = math.sqrt(1 + 2 * _OWN_CORRELATION * own / KNEE_PERCENT)
    other = find_crossing(points, level, added, KNEE_PERCENT * out_of_step)
    apart_db = 1.0 if other is None else 2 * abs(20 * math.log10(other.level_v / knee.level_v))
    return replace(knee, uncertainty_db=math.hypot(knee.uncertainty_db, apart_db))


def _is_source_clean(points: Sequence[TonePoint], thd: FloatArray) -> bool:
    """Whether the source was logged and had little of the distortion where the output was well past the edge."""
    of_source = [
        point.source_thd_percent / percent for point, percent in zip(points, thd.tolist(), strict=True)
        if percent >= 2 * KNEE_PERCENT and point.source_thd_percent is not None
    ]  # fmt: skip
    return bool(of_source) and float(np.median(of_source)) < _SOURCE_CLEAN_RATIO


def _find_follow(points: Sequence[TonePoint], *, has_thd: bool) -> FollowEdge | None:
    """A hand's own turns may look like steps: they count only where distortion says nothing."""
    found = find_follow_edge(points)
    return None if has_thd and found is not None and found.driven_by == "equal steps" else found


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
    if bad.sum() < 3 or not _are_cut(points, bad):
        return False
    # An amplifier's distortion rises with the level, steeply at a ceiling and at least with its first power where it is
    # soft; a source's comes along unchanged.
    span_db = 20 * math.log10(level[bad].max() / level[bad].min())
    if span_db < _SOURCE_LEAST_DB:
        return False
    same = np.abs(np.log(thd[bad] / np.median(thd[bad]))) < math.log(_SOURCE_SAME_RATIO)
    power = np.polyfit(np.log(level[bad]), np.log(thd[bad]), 1)[0]
    return bool(np.mean(same) > 0.8 and abs(power) < _SOURCE_LEAST_POWER)


def _rises_with_level(level: FloatArray, thd: FloatArray, at_v: float) -> bool:
    """Whether distortion rises with the level around one, by ranks, as at a ceiling; notes differ at each level."""
    near = np.isfinite(thd) & (level > at_v / _NEAR_LEVEL_RATIO) & (level < at_v * _NEAR_LEVEL_RATIO)
    if near.sum() < _FEWEST_RANKED:
        return True
    ranks = [np.argsort(np.argsort(values[near])) for values in (level, thd)]
    return bool(np.corrcoef(ranks[0], ranks[1])[0, 1] >= _RISING_RANK)


def _are_cut(points: Sequence[TonePoint], bad: npt.NDArray[np.bool_]) -> bool:
    """Whether most of those points may be of cut waves: notes have crests above a sine's or octaves alone."""
    told = [is_cut(point.reading) for point, is_bad in zip(points, bad, strict=True) if is_bad]
    return 2 * sum(told) > len(told)


def is_cut(reading: ToneReading) -> bool:
    """Whether it may be a cut wave: notes of strings and keys have crests above a sine's, or octaves alone."""
    if reading.positive_overdrive_db is not None or reading.negative_overdrive_db is not None:
        return True
    even, odd = reading.even_percent, reading.odd_percent
    return reading.crest_ratio <= _CUT_CREST_RATIO and (even is None or odd is None or odd >= _CUT_ODD_SHARE * even)


def _is_level_held(points: Sequence[TonePoint], level: FloatArray, thd: FloatArray) -> bool:
    """The source rises and the output does not, without distortion: something holds the level."""
    source: FloatArray = np.array([point.source_v for point in points], dtype=np.float64)
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
