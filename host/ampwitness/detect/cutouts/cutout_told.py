"""From a stop to a finding: whether it is told where a signal may pause, how grave it is, and what it rests on.

Gaps: none here; a stop is whole, or says in `ended_how` that it is not.
Limits: see `CutoutDetector`.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ampwitness.detect.cutouts.cutout_candidates import FALL_DB, LEAST_PEAK_V
from ampwitness.detect.cutouts.cutout_cause import (
    LOW,
    MANY_ALIKE,
    NO_SUPPLY_V,
    PAUSE,
    REMOTE,
    REMOTE_BEHIND,
    SOURCE,
    Cause,
)
from ampwitness.detect.cutouts.cutout_common import BATTERY_FELL_ALIKE, FELL_ALIKE
from ampwitness.detect.cutouts.cutout_low import battery_stood, fell_unseen, is_past, why_no_supply
from ampwitness.detect.cutouts.cutout_measure import ABRUPT_RATIO, LAST_RMS_RATIO, OFF_S, TRUNCATED_RATIO, Stop
from ampwitness.detect.cutouts.cutout_stood import STUCK, UNDER
from ampwitness.detect.cutouts.silences import LEAST_SILENCE_S
from ampwitness.types import Finding, Severity
from ampwitness.units import seconds_to_clock

COLLAPSE_S = 0.030
SWITCHED_OFF_S = 5.0  # a remote lead that stays low so long was switched off, or came off for good
SOFT_RATIO, SOFT_RMS_RATIO = 0.15, 0.20  # a note that faded stands lower in its last half-cycle
STEADY_RATIO = 0.8  # of the level before, in the last half-cycle and the last 6 ms: nothing faded before it broke off
HELD_RATIO = 0.05  # of the swing before: what is as low as this, but held its level to the last 6 ms, did not fade
UNSEEN = "within a gap of the recording, unseen"
SILENT_V, HISS_V, SILENT_RATIO = 0.06, 0.12, 0.015


def make_finding(stop: Stop, cause: Cause, *, is_continuous: bool) -> Finding:
    """A stop as a finding, with everything that it rests on."""
    words = cause.words
    if words == PAUSE and is_continuous:
        words = f"not decided: it stopped though the signal never pauses, {cause.protection}"
    supply = stop.supply
    return Finding(
        kind="cutout",
        start_s=stop.start_s,
        stop_s=stop.end_s,
        severity=_severity(stop, cause, is_continuous),
        measured={
            "outage_s": stop.end_s - stop.start_s,
            "cause": words,
            "confidence": cause.confidence,
            "supply_at_start_v": None if supply is None else supply.at_stop_v,
            "supply_lowest_before_v": None if supply is None else supply.lowest_v,
            "recovered": stop.resume_s is not None,
            "returned": stop.return_how or None,
            "start_uncertainty_s": stop.start_uncertainty_s,
        },
        threshold={
            "off_s": OFF_S,
            "fall_db": FALL_DB,
            "least_peak_v": LEAST_PEAK_V,
            "truncated_ratio": TRUNCATED_RATIO,
        },
        evidence=_evidence(stop, cause),
    )


def is_told(stop: Stop, cause: Cause) -> bool:
    """Whether a stop is a finding where a signal may pause: see `CutoutDetector`."""
    if stop.is_dc_only:
        return cause.words == STUCK
    if stop.hum is not None or stop.plays_softer:
        return stop.hum is not None or (cause.is_evident and cause.words != SOURCE)
    if stop.remote_after_s is not None and stop.resume_s is not None and cause.words in (SOURCE, REMOTE_BEHIND):
        return True  # what feeds signal and remote lead went off and came back, which no programme does
    is_abrupt = stop.abrupt_ratio >= ABRUPT_RATIO
    is_cut = stop.is_truncated
    if stop.follows_source and not cause.is_evident:
        return False
    if not cause.is_evident:
        is_sudden = is_cut or (_stays_steady(stop) and stop.end_s - stop.start_s >= LEAST_SILENCE_S)
        return (is_sudden and _is_silent(stop)) or (is_abrupt and cause.words.startswith("not decided: remote"))
    if cause.words == LOW and is_past(stop) and not _is_silent(stop):
        return False
    if cause.words == LOW and stop.source == "played on":
        return True  # the programme did not end, however slow the mute was
    if cause.words == LOW:
        return is_cut or ((is_abrupt or _follows_a_collapse(stop)) and not cause.needs_a_cut)
    if cause.words == SOURCE:
        return is_cut
    if stop.common_fall is not None and cause.words in (FELL_ALIKE, BATTERY_FELL_ALIKE):
        return is_cut or is_abrupt or _follows_a_collapse(stop)
    return True


def _is_silent(stop: Stop) -> bool:
    """Whether nothing is left but hiss. Where something plays on under the note that ended, the amplifier is on."""
    return stop.off_rms_v <= max(HISS_V if stop.is_hiss else SILENT_V, SILENT_RATIO * stop.peak_v)


def _follows_a_collapse(stop: Stop) -> bool:
    """Whether the supply fell right before a stop in a softer moment of the wave: a note seldom ends just then."""
    fell_before_s = None if stop.supply is None else stop.supply.fell_before_s
    is_soon = fell_before_s is not None and fell_before_s <= COLLAPSE_S
    is_high = stop.abrupt_ratio >= SOFT_RATIO and stop.last_rms_ratio >= SOFT_RMS_RATIO
    is_deep = stop.supply is not None and stop.supply.lowest_v < stop.supply.of_12_v(NO_SUPPLY_V)
    is_deep = is_deep and stop.abrupt_ratio >= HELD_RATIO
    return is_soon and (is_high or is_deep or _held_its_level(stop))


def _stays_steady(stop: Stop) -> bool:
    return stop.abrupt_ratio >= STEADY_RATIO and stop.last_rms_ratio >= STEADY_RATIO


def _held_its_level(stop: Stop) -> bool:
    return stop.abrupt_ratio >= HELD_RATIO and stop.last_rms_ratio >= LAST_RMS_RATIO


def _severity(stop: Stop, cause: Cause, is_continuous: bool) -> Severity:
    if cause.words in (STUCK, UNDER):
        return "danger"
    if (stop.remote_after_s is not None or stop.remote_fell_s is not None) and cause.words == SOURCE:
        return "attention"
    if cause.words == SOURCE or (cause.words == PAUSE and stop.n_alike >= MANY_ALIKE):
        return "information"
    if cause.words == REMOTE and stop.end_s - stop.start_s > SWITCHED_OFF_S:
        return "attention"  # as every drive ends
    return "serious" if cause.is_evident or is_continuous else "attention"


def grade_stop(stop: Stop) -> str:
    """How abrupt the stop was, in words."""
    if stop.gap_s is not None:
        return UNSEEN
    if stop.is_truncated:
        return "cut in mid-cycle"
    is_abrupt = stop.abrupt_ratio >= ABRUPT_RATIO or _held_its_level(stop)
    return "within about a half-cycle" if is_abrupt else "faded"


def _evidence(stop: Stop, cause: Cause) -> dict[str, Any]:
    evidence: dict[str, Any] = {
        "level_before_v": stop.peak_v,
        "off_rms_v": stop.off_rms_v,
        "rest_v": stop.rest_v,
        "rest_before_v": stop.rest_before_v,
        "stood_at_first": stop.stood_at_first,
        "sank_from_v": stop.sank_from_v,
        "sank_to_v": stop.sank_to_v,
        "hum_v": None if stop.hum is None else stop.hum.rms_v,
        "level_in_last_half_cycle_ratio": stop.abrupt_ratio,
        "cut_at_ratio": stop.cut_ratio if stop.cut_s is not None else None,
        "fall_s": stop.fall_s if stop.cut_s is not None else None,
        "last_rms_ratio": stop.last_rms_ratio,
        "cut_in_mid_cycle": stop.is_truncated,
        "stopped_how": grade_stop(stop),
        "at_level_ratio": stop.at_level_ratio,
        "level_share": stop.level_share,
        "loud_of_last_minute_s": stop.heat_s,
        "protection": cause.protection,
        "ended": stop.ended_how,
        "stopped_within_gap_s": stop.gap_s,
        "return_ramp_s": stop.return_ramp_s,
        "return_thump_v": stop.return_thump_v,
        "supply_at_return_v": stop.supply_at_return_v,
        "remote_fell_s": stop.remote_fell_s,
        "remote_rose_s": stop.remote_rose_s,
        "ground_jump_v": stop.ground_jump_v,
        "battery_jump_v": stop.battery_jump_v,
        "battery_stood": cause.words == LOW and battery_stood(stop),
        "remote_flickers_s": stop.remote_flickers_s,
        "remote_sag_v": stop.remote_sag_v,
        "pop_v": stop.pop_v,
        "dc_before_v": stop.dc_v,
        "source": stop.source,
        "n_supply_falls": stop.n_supply_falls,
        "n_stops_in_10_s": stop.n_before_10_s + stop.n_after_10_s + 1,
        "n_alike_unexplained": stop.n_alike,
        "events": [{"time_s": time_s, "what": what} for time_s, what in cause.events],
        "in_time_order": _in_words(cause.events, stop),
        "reasons": cause.reasons,
        "not_excluded": cause.not_excluded,
    }
    if stop.supply is None:
        evidence["supply"] = f"not judged: {why_no_supply(stop)}"
    else:
        evidence["supply_reference_v"] = stop.supply.reference_v
        evidence["supply_lowest_s_before"] = stop.supply.lowest_before_s
        evidence["supply_lowest_survived_v"] = stop.supply.survived_v
        evidence["supply_lowest_held_v"] = stop.supply.held_v
        evidence["supply_12_ms_before_v"] = stop.supply.late_v
        evidence["supply_after_v"] = stop.supply.after_v
        evidence["supply_ms_before_v"] = () if fell_unseen(stop) else stop.supply.course_v
        evidence["supply_slope_v_per_s"] = stop.supply.slope_v_per_s
        evidence["let_go_v"] = let_go_v(stop)
    return evidence


def let_go_v(stop: Stop) -> float:
    """Volts of the supply at which the output let go."""
    assert stop.supply is not None
    recent = stop.supply.lowest_before_s < 0.020
    return stop.supply.lowest_v if recent else stop.supply.at_stop_v


def _in_words(events: Sequence[tuple[float, str]], stop: Stop) -> tuple[str, ...]:
    """What happened in order; what lies closer to the stop than its start is known is said to be together with it."""
    out = []
    for time_s, what in events:
        text = f"{what} at {seconds_to_clock(time_s)}"
        if what not in ("output stopped", "steady volts came", "steady volts stood there"):
            off_s = time_s - stop.start_s
            if abs(off_s) <= stop.start_uncertainty_s:
                text += f" (together with the stop, to within {1e3 * stop.start_uncertainty_s:.0f} ms)"
            else:
                text += f" ({1e3 * abs(off_s):.1f} ms {'before' if off_s < 0 else 'after'} the stop)"
        out.append(text)
    return tuple(out)
