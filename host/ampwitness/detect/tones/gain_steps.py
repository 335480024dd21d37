"""A gain being set: passages of a steady tone, distortion against volts, the knee, and the supply meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger
from ampwitness.detect.tones.tone_beats import BeatSpan
from ampwitness.detect.tones.tone_crossing import CurvePoint
from ampwitness.detect.tones.tone_curve import (
    KNEE_PERCENT,
    ToneCurve,
    find_left_v,
    find_margin_db,
    make_curve,
    usable_thd_percent,
)
from ampwitness.detect.tones.tone_distortion import (
    find_distortion,
    find_left_distortion,
    has_harmonics_of_music,
    is_worth_telling,
)
from ampwitness.detect.tones.tone_points import LEAST_LEVEL_V, LOWEST_HZ, TonePoint, is_struck
from ampwitness.detect.tones.tone_stream import LEAST_PASSAGE_S, TonePassage, TonePassages
from ampwitness.types import Finding, TraceWindow
from ampwitness.waveform.tone_folded import highest_judged_hz
from ampwitness.waveform.tone_meter import OTHER_TONE_PERCENT, TWO_TONES_PERCENT

SOURCE_CLIPPED = "source clipped before the amplifier"
TOO_FAST = "a ceiling was met, but passed too fast: turn slower there"
CEILING_MET = "the amplifier's ceiling was met"
CEILING_OPEN = "a ceiling was met, the amplifier's or its source's (not logged)"
IN_NOISE = "clipped, but where clipping begins drowns in the logger's noise"
ALL_OWN = "the same distortion at every level, the tone's own: the edge was not reached"
_SAME_CURVE_RATIO = 0.02
_FEWEST_NOTES = 3  # music is told by more than one; a hand may turn a test tone oddly once
_POINTS_SHOWN = 160
_ONE_LEVEL_RATIO = 1.12  # 1 dB: less change than that is one level, no curve
_CEILING_WORDS = "rail or current limit: not decided without a second load"
_CEILING_UNLOADED = "the rail: nothing was connected that a current limit could act on"


class GainStepDetector:
    """Finds steady tones and what their distortion says about the clean maximum.

    Parameters
    ----------
    load_ohm : nominal load, for nominal watts; None: no watts are given
    load_kind : "none", "resistor" or "speaker"; "none": no watts and no verdict on the supply
    is_live : somebody waits for the points, see `TonePassages`

    Gaps
    ----
    A gap ends a passage; nothing is measured across one. Passages of the same tone make one curve all the same.

    Limits
    ------
    See `TonePassages`, `is_struck`, `has_harmonics_of_music` and `make_curve`. Where the logger's own input was at its
    limit nothing is judged. Watts are volts squared over the nominal ohms, no measured power. What a plateau rests on,
    rail or current limit, is not decided.

    Source
    ------
    1 % and 10 %: the conditions of amplifier ratings (CTA-2006, as reproduced in makers' feature pages and cta.tech).
    """

    name = "gain steps"

    def __init__(self, load_ohm: float | None = None, load_kind: str | None = None, *, is_live: bool = False) -> None:
        self._ledger = Ledger(self.name)
        self._passages = TonePassages(is_live=is_live)
        self._load_ohm = None if load_kind == "none" else load_ohm
        self._load_kind = load_kind

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        self._passages.push(window)

    def curves(self) -> list[ToneCurve]:
        """The curves as far as they are known now; for a live display."""
        return _make_curves(self._passages.passages())

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        passages = [passage for passage in self._passages.finish() if not is_struck(passage.points)]
        others = [passage for passage in passages if not has_harmonics_of_music(passage.points)]
        passages = others if len(passages) - len(others) >= _FEWEST_NOTES else passages
        findings = []
        for passage in passages:
            self._note_not_judged(passage)
            findings.append(self._tone_finding(passage))
        for span in self._passages.beats:
            self._ledger.leave_out(span.start_s, span.stop_s, "two tones or a beating tone")
            findings.append(_beat_finding(span))
        curves = _make_curves(passages)
        findings += [finding for curve in curves if (finding := self.knee_finding(curve)) is not None]
        self._ledger.judge(self._passages.seen_s - sum(s.stop_s - s.start_s for s in self._ledger.coverage().not_judged
                                                       if not s.reason.startswith(("gap", "reduced"))))  # fmt: skip
        findings.sort(key=lambda finding: (finding.start_s, finding.kind))
        summary = {
            "n_passages": len(passages),
            "load_ohm": self._load_ohm,
            "least_level_v": LEAST_LEVEL_V,
            "lowest_hz": LOWEST_HZ,
        }
        return DetectorResult(tuple(findings), self._ledger.coverage(), summary)

    def knee_finding(self, curve: ToneCurve) -> Finding | None:
        """The finding of a curve; None where one level was played and it stayed clean."""
        levels = [point.reading.level_v for point in curve.points]
        is_one_level = max(levels) < _ONE_LEVEL_RATIO * min(levels)
        crossings = (curve.knee, curve.ten, curve.follow)
        has_edge = any(one is not None for one in crossings) or curve.is_source_clipped or curve.is_all_own
        if not has_edge and (is_one_level or curve.clean_v is None):
            return None
        knee, ten = curve.knee, curve.ten
        supplies = [point.supply_lowest_v for point in curve.points if point.supply_lowest_v is not None]
        is_unloaded = self._load_kind == "none"
        left_v = find_left_v(curve.points)
        measured: dict[str, float | int | str | bool | None] = {
            "frequency_hz": curve.frequency_hz,
            "knee_v": _level(knee),
            "knee_peak_v": None if knee is None else knee.peak_v,
            "knee_w": self._watts(_level(knee)),
            "uncertainty_db": None if knee is None else knee.uncertainty_db,
            "ten_percent_v": _level(ten),
            "ten_percent_w": self._watts(_level(ten)),
            "clean_v": curve.clean_v,
            "ceiling_v": curve.ceiling_v,
            "ceiling_kind": None if curve.ceiling_v is None else _CEILING_UNLOADED if is_unloaded else _CEILING_WORDS,
            "followed_v": None if curve.follow is None else curve.follow.followed_v,
            "follow_v": None if curve.follow is None else curve.follow.level_v,
            "follow_uncertainty_db": None if curve.follow is None else curve.follow.uncertainty_db,
            "supply_at_knee_v": None if knee is None else knee.supply_v,
            "supply_lowest_v": min(supplies, default=None),
            "load_ohm": self._load_ohm,
            "left_at_v": left_v,
            "margin_db": find_margin_db(curve.points, _level(knee)),
            "own_percent": curve.alike_percent if curve.is_all_own else curve.own_percent,
            "outcome": outcome_of(curve),
        }
        return Finding(
            kind="knee",
            start_s=curve.start_s,
            stop_s=curve.stop_s,
            severity="attention" if curve.is_source_clipped else "information",
            measured=measured,
            threshold={"knee_percent": KNEE_PERCENT, "two_tones_percent": TWO_TONES_PERCENT},
            evidence={
                "curve": curve_rows(curve.points),
                "columns": ["middle_s", "level_v", "thd_percent", "thd_floor_percent", "peak_v", "supply_v"],
                "n_points_near_knee": None if knee is None else knee.n_points,
                "watts": "nominal: volts squared over the nominal load",
                "load_kind": self._load_kind,
                "is_gain_provisional": is_unloaded or (curve.knee is None and curve.follow is not None),
            },
        )

    def _watts(self, level_v: float | None) -> float | None:
        return None if level_v is None or self._load_ohm is None else level_v**2 / self._load_ohm

    def _note_not_judged(self, passage: TonePassage) -> None:
        for point in passage.points:
            if point.is_saturated:
                reason = "the logger's own input was at its limit: distortion not judged"
                self._ledger.leave_out(point.start_s, point.stop_s, reason)
            elif point.reading.thd_f_percent is None:
                self._ledger.leave_out(point.start_s, point.stop_s, f"distortion of a tone: {_plain(point)}")

    def _tone_finding(self, passage: TonePassage) -> Finding:
        loudest = max(passage.points, key=lambda point: point.reading.level_v)
        steady = [point for point in passage.points if usable_thd_percent(point) is not None] or passage.points
        chosen = max(steady, key=lambda point: point.reading.level_v)
        r = chosen.reading
        lowest_v = min(point.reading.level_v for point in passage.points)
        thd = usable_thd_percent(chosen)
        others = [point.reading.other_percent for point in passage.points]
        middle = passage.points[int(np.argsort(others)[len(others) // 2])].reading
        has_other = middle.other_percent >= OTHER_TONE_PERCENT
        distortion = find_distortion(chosen) if is_worth_telling(passage.points, chosen) else None
        left = None if distortion is None else find_left_distortion(passage.points)
        measured: dict[str, float | int | str | bool | None] = {
            "frequency_hz": passage.frequency_hz,
            "level_v": r.level_v,
            "level_lowest_v": lowest_v,
            "peak_v": r.peak_v,
            "thd_percent": thd,
            "thd_of_total_percent": r.thd_r_percent if thd is not None else None,
            "thd_is_below_floor": r.thd_is_below_floor,
            "thd_floor_percent": r.thd_floor_percent,
            "thd_n_percent": None if chosen.is_saturated else r.thd_n_percent,
            "supply_v": chosen.supply_v,
            "other_hz": middle.other_hz if has_other else None,
            "other_percent": middle.other_percent if has_other else None,
            "not_judged": _why_no_thd(passage.points, chosen) if thd is None else None,
            "distortion_percent": None if distortion is None else distortion.percent,
            "distortion_is_whole": None if distortion is None else distortion.is_whole,
            "overdrive_db": None if distortion is None else distortion.overdrive_db,
            "left_percent": None if left is None else left.percent,
            "left_overdrive_db": None if left is None else left.overdrive_db,
            "rate_hz": passage.rate_hz,
        }
        return Finding(
            kind="tone",
            start_s=passage.start_s,
            stop_s=passage.stop_s,
            severity="information" if distortion is None else "attention",
            measured=measured,
            threshold={
                "least_s": LEAST_PASSAGE_S,
                "least_level_v": LEAST_LEVEL_V,
                "highest_judged_hz": highest_judged_hz(passage.rate_hz),
            },
            evidence={
                **_reading_evidence(chosen),
                "n_points": passage.n_points,
                "loudest_at_s": loudest.start_s,
                "watts_nominal": self._watts(r.level_v),
            },
        )


def _beat_finding(span: BeatSpan) -> Finding:
    beat = span.beat
    no_level = ("level_lowest_v", "peak_v", "supply_v")
    no_thd = ("thd_percent", "thd_of_total_percent", "thd_is_below_floor", "thd_floor_percent", "thd_n_percent")
    return Finding(
        kind="tone",
        start_s=span.start_s,
        stop_s=span.stop_s,
        severity="information",
        measured={
            "frequency_hz": beat.strong_hz,
            "level_v": span.level_v,
            **dict.fromkeys((*no_level, *no_thd)),
            "other_hz": None,
            "other_percent": beat.weaker_percent,
            "apart_hz": beat.apart_hz,
            "not_judged": span.words,
        },
        threshold={"least_level_v": LEAST_LEVEL_V},
        evidence={"measured_at_s": span.start_s},
    )


def outcome_of(curve: ToneCurve) -> str:
    """What a curve came to, in words."""
    if curve.is_source_clipped:
        return SOURCE_CLIPPED
    if curve.knee is not None:
        if curve.knee.is_too_fast:
            return TOO_FAST
        return CEILING_MET if curve.is_source_clean else CEILING_OPEN
    if curve.is_all_own:
        return ALL_OWN
    if curve.ten is not None and curve.clean_v is None:
        return IN_NOISE
    if curve.is_level_held:
        return "level held (a limiter?)"
    if curve.follow is not None and curve.clean_v is None:
        return f"the level stopped following {curve.follow.driven_by}: the ceiling or a limiter, distortion not judged"
    if curve.follow is not None:
        return f"the level rises less than {curve.follow.driven_by} (a compressor or limiter?)"
    if curve.clean_v is not None:
        return "the edge was not reached"
    return "not judged"


def curve_rows(points: Sequence[TonePoint]) -> list[list[float | None]]:
    """Points for evidence and pictures, at most a few hundred: spread evenly over the levels."""
    chosen = [point for point in points if usable_thd_percent(point) is not None]
    if len(chosen) > _POINTS_SHOWN:
        by_level = sorted(chosen, key=lambda point: point.reading.level_v)
        kept = {id(by_level[k]) for k in np.linspace(0, len(by_level) - 1, _POINTS_SHOWN).astype(int)}
        chosen = [point for point in chosen if id(point) in kept]
    return [
        [
            p.middle_s,
            p.reading.level_v,
            usable_thd_percent(p),
            p.reading.thd_floor_percent,
            p.reading.peak_v,
            p.supply_v,
        ]
        for p in chosen
    ]


def _level(point: CurvePoint | None) -> float | None:
    return None if point is None else point.level_v


def _make_curves(passages: Sequence[TonePassage]) -> list[ToneCurve]:
    """One curve for each frequency, by its first passage."""
    groups: list[list[TonePoint]] = []
    for passage in passages:
        points = [point for point in passage.points if not point.has_two_tones]
        if not points:
            continue
        for group in groups:
            if abs(group[0].reading.frequency_hz / passage.frequency_hz - 1) < _SAME_CURVE_RATIO:
                group += points
                break
        else:
            groups.append(points)
    return [make_curve(group) for group in groups]


def _plain(point: TonePoint) -> str:
    """Why there is no THD, without figures, so that one reason is one line of the coverage."""
    why = point.reading.not_judged
    return "two tones at once" if why.startswith("two tones") else why.partition(": THD below")[0] or "not judged"


def _why_no_thd(points: Sequence[TonePoint], chosen: TonePoint) -> str:
    if chosen.is_saturated:
        return "the logger's own input was at its limit"
    words = [point.reading.not_judged for point in points if point.reading.not_judged]
    if words:
        return words[len(words) // 2]
    if chosen.thd_percent is not None:  # judged, but drowned
        return f"what the logger adds is {chosen.reading.thd_floor_percent:.1f} % of it: too quiet for its distortion"
    return "the level was never steady enough"


def _reading_evidence(point: TonePoint) -> Mapping[str, Any]:
    r = point.reading
    return {
        "measured_at_s": point.start_s,
        "dc_v": r.dc_v,
        "crest_ratio": r.crest_ratio,
        "harmonics_percent": list(r.harmonics_percent),
        "n_harmonics": r.n_harmonics,
        "thd_in_band_percent": r.thd_in_band_percent,
        "thd_is_extrapolated": r.thd_is_extrapolated,
        "sinad_db": None if point.is_saturated else r.sinad_db,
        "effective_bits": None if point.is_saturated else r.effective_bits,
        "even_percent": r.even_percent,
        "odd_percent": r.odd_percent,
        "positive_overdrive_db": r.positive_overdrive_db,
        "negative_overdrive_db": r.negative_overdrive_db,
        "is_one_sided": r.is_one_sided,
        "meaning": "harmonics beyond the logger's band are extrapolated by a model of clipping"
        if r.thd_is_extrapolated
        else "harmonics inside the logger's band",
    }
