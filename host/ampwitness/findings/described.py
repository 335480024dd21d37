"""One finding in one sentence, a function for each kind. Measures nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from ampwitness.findings.line_words import name_other
from ampwitness.findings.road_words import describe_cutout
from ampwitness.findings.square_words import WHAT
from ampwitness.types import Finding
from ampwitness.units import fixed, seconds_to_span


def _number(value: object, digits: int) -> str:
    return fixed(value, digits) if isinstance(value, int | float) and not isinstance(value, bool) else "unknown"


_CLIP_ORIGIN_WORDS = {
    "source": f", {WHAT}",
    "undecided": ", by the amplifier or before it: not decided",
}

# (origin is the source, the logged source was flat) -> what is said
_CLIP_WITNESSED = {
    (True, True): ", as flat in the source: cut off before the amplifier",
    (False, False): ", round in the source: cut off in the amplifier",
    (False, True): ", by the amplifier, and flat in the source as well",
    (True, False): "",
}


def describe_finding(finding: Finding) -> str:
    """One finding in one sentence without its time."""
    describe = _DESCRIBED_BY.get(finding.kind)
    return finding.kind if describe is None else describe(finding)


def _describe_clip(finding: Finding) -> str:
    m = finding.measured
    text = f"{m.get('polarity', '')} crest cut at {_number(m.get('plateau_v'), 1)} V, "
    over = m.get("overdrive_db")
    text += f"{_number(over, 2)} dB past the ceiling" if over is not None else "overdrive not judged"
    low, high = m.get("overdrive_low_db"), m.get("overdrive_high_db")
    if isinstance(low, int | float) and isinstance(high, int | float):
        text += f" ({low:.2f} to {high:.2f})"
    flat_s = m.get("flat_s")
    text += f", flat for {1e3 * float(flat_s):.2f} ms" if isinstance(flat_s, int | float) else ""
    was_flat = finding.evidence.get("source_was_flat")
    if was_flat is not None:
        return text + _CLIP_WITNESSED[(str(m.get("origin")) == "source", bool(was_flat))]
    return text + _CLIP_ORIGIN_WORDS.get(str(m.get("origin")), "")


def _describe_note(finding: Finding) -> str:
    m = finding.measured
    name = f" ({m['pitch_name']})" if m.get("pitch_name") else ""
    pitch_hz = m.get("pitch_hz")
    what = "a drum whose pitch is not judged," if pitch_hz is None else f"{_number(pitch_hz, 1)} Hz{name} at"
    text = f"{what} {_number(m.get('level_v'), 1)} V rms"
    if m.get("sag_v") is None:
        whys = (finding.evidence.get(key) for key in ("sag_not_judged", "supply", "supply_before_not_settled"))
        why = next((str(why).removeprefix("not judged: ") for why in whys if why), "")
        return f"{text}, sag not judged" + (f": {why}" if why else "")
    text += f", supply sagged {_number(m.get('sag_v'), 2)} V to {_number(m.get('supply_lowest_v'), 2)} V"
    average_s = finding.evidence.get("supply_average_s")
    if isinstance(average_s, int | float) and average_s > 0:
        text += f" (bottom of a parabola over {1e3 * average_s:.0f} ms)"
    within_v = m.get("sag_without_end_v")
    if isinstance(within_v, int | float) and within_v < float(m["sag_v"] or 0.0):
        text += (
            f", but only in its last 50 ms, by what else pulled it down: their mean lay {_number(within_v, 2)} V "
            "under what was before"
        )
    own_v, whole_v = m.get("sag_own_v"), within_v if isinstance(within_v, int | float) else m.get("sag_v")
    if isinstance(own_v, int | float) and isinstance(whole_v, int | float) and own_v < whole_v:
        text += (
            f", of which its own power explains {_number(own_v, 2)} V at most: something else took current at that "
            "moment, or a contact gave way"
        )
    if changed := finding.evidence.get("supply_changed"):
        text += f"; {changed}"
    why_not = finding.evidence.get("supply_before_not_settled")
    return text + (f"; before it the supply was not settled: {why_not}" if why_not else "")


def _describe_dip(finding: Finding) -> str:
    m = finding.measured
    beside = f", while {m['during']}" if m.get("during") else ""
    return (
        f"{m.get('role', 'supply')} fell to {_number(m.get('residual_v'), 2)} V "
        f"({_number(m.get('depth_percent'), 1)} % below {_number(m.get('reference_v'), 2)} V) "
        f"for {_number(m.get('duration_s'), 3)} s{beside}"
    )


def _describe_reading(finding: Finding) -> str:
    m = finding.measured
    unit = f" {m['unit']}" if m.get("unit") else ""
    return f"{m.get('name', 'reading')}: {plain_number(m.get('value'))}{unit}"


def _describe_line(finding: Finding) -> str:
    return str(finding.measured.get("line") or "no result")


def _describe_saturation(finding: Finding) -> str:
    m = finding.measured
    if is_without_supply(finding):
        return f"{m['role']} at 0 V, where the logger's range begins, as a lead reads that carries nothing"
    return f"{m.get('role', 'input')} at the {m.get('rail', 'end')} of the logger's range"


def is_without_supply(saturation: Finding) -> bool:
    """Whether it is a supply's or a remote lead's input at the bottom of its range: 0 V, and no divider helps."""
    measured = saturation.measured
    return measured.get("role") in ("supply", "battery", "remote") and measured.get("rail") == "bottom"


def _describe_gap(finding: Finding) -> str:
    n_scans = finding.measured.get("n_scans_lost")
    lost = f"{n_scans:,} scans" if isinstance(n_scans, int) else "an unknown number of scans"
    long = f" ({seconds_to_span(finding.stop_s - finding.start_s, 3)})" if finding.stop_s > finding.start_s else ""
    return f"{lost}{long} missing, cause: {finding.measured.get('cause', 'unknown')}"


def _describe_mark(finding: Finding) -> str:
    m = finding.measured
    label = f": {m['label']}" if m.get("label") else ""
    tie = f"; {m['tie']}" if m.get("tie") else ""
    by = {"host": "at the computer", "button": "by the board's button"}.get(str(m.get("source")), "by somebody")
    return f"marked {by}{label}{tie}"


def plain_number(value: object) -> str:
    """As short as it can be told; "unknown" for what is no number."""
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else "unknown"


def _describe_drift(finding: Finding) -> str:
    m = finding.measured
    change_db = m.get("change_db")
    way = "sank" if isinstance(change_db, int | float) and change_db < 0 else "rose"
    size = _number(abs(change_db), 2) if isinstance(change_db, int | float) else "unknown"
    hours = (finding.stop_s - finding.start_s) / 3600
    doubt_s = m.get("start_uncertainty_s")
    text = f"the output {way} by {size} dB over {hours:.1f} h"
    if isinstance(doubt_s, int | float):
        text += f" (its start known to +- {2 * doubt_s / 60:.0f} min, 95 %)"
    return f"{text}, {m.get('cause', 'cause not judged')}"


def word_thd(thd_percent: object, floor_percent: object, is_below_floor: object) -> str:
    """THD for people: `1.02 %`, or `less than 0.08 %` where noise hides it."""
    if not isinstance(thd_percent, int | float):
        return "THD not judged"
    if is_below_floor:
        return f"THD less than {_number(floor_percent, 2)} %"
    return f"THD {thd_percent:.2f} %"


def _word_mirror(measured: Mapping[str, object]) -> str:
    """The tone beyond the band that would look the same: above a quarter of the rate what lets one in lets both in."""
    hz, rate_hz = measured.get("frequency_hz"), measured.get("rate_hz")
    if not isinstance(hz, int | float) or not isinstance(rate_hz, int | float) or hz <= rate_hz / 4:
        return ""
    return f" (or {rate_hz - hz:.0f} Hz, which looks the same at {rate_hz:,.0f} samples a second)"


def _describe_tone(finding: Finding) -> str:
    m = finding.measured
    text = f"{_number(m.get('frequency_hz'), 1)} Hz{_word_mirror(m)} up to {_number(m.get('level_v'), 2)} V rms: "
    text += word_thd(m.get("thd_percent"), m.get("thd_floor_percent"), m.get("thd_is_below_floor"))
    if m.get("not_judged"):
        text += f" ({m['not_judged']})"
    if finding.evidence.get("thd_is_extrapolated"):
        text += ", partly extrapolated beyond the logger's band"
    if finding.evidence.get("is_one_sided"):
        text += ", one polarity clipped first"
    if m.get("other_hz") is not None:
        text += f"; beside it {_number(m.get('other_hz'), 0)} Hz, {_number(m.get('other_percent'), 1)} % of it"
        text += name_other(float(m["other_hz"] or 0.0))
    return text


def _describe_knee(finding: Finding) -> str:
    m = finding.measured
    head = f"{_number(m.get('frequency_hz'), 1)} Hz: "
    if (
        m.get("knee_v") is None
        and m.get("follow_v") is not None
        and m.get("outcome") != "source clipped before the amplifier"
    ):
        return (
            f"{head}{m.get('outcome')}; it followed up to {_number(m.get('followed_v'), 2)} V rms, a hard ceiling "
            f"would give 1 % THD at {_number(m.get('follow_v'), 2)} V rms"
        )
    if m.get("knee_v") is None:
        clean = m.get("clean_v")
        return head + str(m.get("outcome")) + (f", clean up to {_number(clean, 2)} V rms" if clean is not None else "")
    text = f"{head}1 % THD at {_number(m.get('knee_v'), 2)} V rms ({_number(m.get('knee_peak_v'), 2)} V peak"
    if m.get("knee_w") is not None:
        text += f", nominally {_number(m.get('knee_w'), 1)} W into {_number(m.get('load_ohm'), 1)} ohm"
    text += f", +- {_number(m.get('uncertainty_db'), 3)} dB without the calibration)"
    if "too fast" in str(m.get("outcome")):
        text += "; the hand passed it too fast for a better figure"
    if m.get("ten_percent_v") is not None:
        text += f"; 10 % at {_number(m.get('ten_percent_v'), 2)} V rms"
    if m.get("supply_at_knee_v") is not None:
        text += f"; supply there {_number(m.get('supply_at_knee_v'), 2)} V"
    return text


_DESCRIBED_BY: dict[str, Callable[[Finding], str]] = {
    "clip": _describe_clip,
    "note": _describe_note,
    "dip": _describe_dip,
    "cutout": describe_cutout,
    "tone": _describe_tone,
    "knee": _describe_knee,
    "drift": _describe_drift,
    "reading": _describe_reading,
    "setting": _describe_line,
    "check": _describe_line,
    "saturation": _describe_saturation,
    "gap": _describe_gap,
    "mark": _describe_mark,
}
