"""What a finding means in plain words: one table for terminal, page and JSON. Nothing here measures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, get_args

import numpy as np

from ampwitness.finding_list import FindingList
from ampwitness.findings.line_words import name_other
from ampwitness.findings.road_words import describe_cutout, is_doubtful
from ampwitness.types import Analysis, Calibration, Coverage, Finding, NotJudged, Severity, Verdict
from ampwitness.units import fixed, seconds_to_clock, seconds_to_span


@dataclass(frozen=True, slots=True)
class KindWords:
    """How a kind of finding is spoken of. `detector` is the `Coverage.detector` that answers for it."""

    detector: str
    one: str
    many: str
    question: str
    meaning: str
    next_step: str


KIND_WORDS: dict[str, KindWords] = {
    "clip": KindWords(
        "clipping",
        "clipped half-cycle",
        "clipped half-cycles",
        "Does the amplifier clip?",
        "The output ran into a ceiling and its crest was cut flat. How far past the ceiling the crest would have gone "
        "is given in dB.",
        "Turn the gain down by the overdrive that is listed, or mend the supply if the ceiling sank with it.",
    ),
    "note": KindWords(
        "notes",
        "bass note",
        "bass notes",
        "What does the supply do under each bass note?",
        "A tone or beat between 20 and 120 Hz at the output, down to 40 mV rms or ten times the quietest level of the "
        "last 40 s (0.2 V rms at most), with the supply before, under and after it.",
        "Compare the sag of loud notes: a large sag points to battery, cable or ground; one that a note's own power "
        "does not explain points to another consumer or a contact.",
    ),
    "dip": KindWords(
        "dips",
        "supply dip",
        "supply dips",
        "Does the supply dip?",
        "The supply, averaged over 10 ms, stayed below the threshold until it rose above threshold plus hysteresis.",
        "Look at what ran at that moment; check terminals, fuse holders and ground with a meter.",
    ),
    "cutout": KindWords(
        "cutouts",
        "cut-out",
        "cut-outs",
        "Does the amplifier cut out?",
        "The output stopped abruptly although it had been playing.",
        "Read what came first around it, and do the separating test that is named.",
    ),
    "tone": KindWords(
        "gain steps",
        "test tone",
        "test tones",
        "Was a test tone played, and how clean was it?",
        "A steady tone of two seconds or more, with its distortion where the level is highest.",
        "Turn the gain through the edge while it plays, and the report finds the clean maximum.",
    ),
    "knee": KindWords(
        "gain steps",
        "gain curve",
        "gain curves",
        "Where is the clean maximum?",
        "Distortion against volts while the gain was turned: the level at 1 %, at 10 %, and the supply there. Watts "
        "are nominal: volts squared over the nominal load.",
        "Set the gain so that the loudest tone stays below the 1 % level.",
    ),
    "setting": KindWords(
        "settings",
        "gain setting",
        "gain settings",
        "What did the guided setting conclude?",
        "What `set-gain` said when the gain was set, kept in the recording.",
        "Write the line on the job sheet.",
    ),
    "check": KindWords(
        "checks",
        "supply check",
        "supply checks",
        "What did the walk along the supply conclude?",
        "What `check-supply` said about battery, fuses, leads and ground, kept in the recording with every reading.",
        "Look first at the leg that drops most; write the table on the job sheet.",
    ),
    "drift": KindWords(
        "trends",
        "drift of level",
        "drifts of level",
        "Does the output's level drift over the hours?",
        "The output's level changed slowly, by 0.1 dB or more, although the drive stayed as it was.",
        "Compare it with the typed temperatures and the supply; if the level sank with the supply steady, let it cool "
        "and see whether it comes back.",
    ),
    "reading": KindWords(
        "readings",
        "typed reading",
        "typed readings",
        "What was read off and typed in?",
        "A value that a person measured by other means and typed in when the program asked.",
        "Read it against the levels of the same hour.",
    ),
    "saturation": KindWords(
        "saturation",
        "span beyond the logger's range",
        "spans beyond the logger's range",
        "Did the logger itself stay inside its range?",
        "The logger's own input was at the end of its range: the true volts lay beyond what it can show. Clipping is "
        "not judged there.",
        "Use a larger divider, or less level.",
    ),
    "gap": KindWords(
        "gaps",
        "gap in the recording",
        "gaps in the recording",
        "Is the recording whole?",
        "Scans are missing. Nothing was filled in, and no verdict covers that time.",
        "Use a shorter cable, another port, or a less busy computer.",
    ),
    "mark": KindWords(
        "marks",
        "mark",
        "marks",
        "When did somebody press the button?",
        "Somebody marked this moment with the button or a key.",
        "Look at what stands nearest to it.",
    ),
}


@dataclass(frozen=True, slots=True)
class VerdictLine:
    """One detector's answer in words, with the numbers that carry it."""

    kind: str
    verdict: Verdict
    sentence: str
    not_judged: str  # empty where everything was judged


def count_words(count: int, one: str, many: str) -> str:
    """`1 bass note`, `7 bass notes`."""
    return f"{count:,} {one if count == 1 else many}"


def _number(value: object, digits: int) -> str:
    return fixed(value, digits) if isinstance(value, int | float) and not isinstance(value, bool) else "unknown"


_CLIP_ORIGIN_WORDS = {
    "source": ", cut off before the amplifier",
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
    m = finding.measured
    if finding.kind == "clip":
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
    if finding.kind == "note":
        name = f" ({m['pitch_name']})" if m.get("pitch_name") else ""
        text = f"{_number(m.get('pitch_hz'), 1)} Hz{name} at {_number(m.get('level_v'), 1)} V rms"
        if m.get("sag_v") is None:
            why = finding.evidence.get("sag_not_judged")
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
        why_not = finding.evidence.get("supply_before_not_settled")
        return text + (f"; before it the supply was not settled: {why_not}" if why_not else "")
    if finding.kind == "dip":
        beside = f", while {m['during']}" if m.get("during") else ""
        return (
            f"{m.get('role', 'supply')} fell to {_number(m.get('residual_v'), 2)} V "
            f"({_number(m.get('depth_percent'), 1)} % below {_number(m.get('reference_v'), 2)} V) "
            f"for {_number(m.get('duration_s'), 3)} s{beside}"
        )
    if finding.kind == "cutout":
        return describe_cutout(finding)
    if finding.kind == "tone":
        return _describe_tone(finding)
    if finding.kind == "knee":
        return _describe_knee(finding)
    if finding.kind == "drift":
        return _describe_drift(finding)
    if finding.kind == "reading":
        unit = f" {m['unit']}" if m.get("unit") else ""
        return f"{m.get('name', 'reading')}: {_plain(m.get('value'))}{unit}"
    if finding.kind in ("setting", "check"):
        return str(m.get("line") or "no result")
    if finding.kind == "saturation":
        return f"{m.get('role', 'input')} at the {m.get('rail', 'end')} of the logger's range"
    if finding.kind == "gap":
        n_scans = m.get("n_scans_lost")
        lost = f"{n_scans:,} scans" if isinstance(n_scans, int) else "an unknown number of scans"
        long = f" ({seconds_to_span(finding.stop_s - finding.start_s, 3)})" if finding.stop_s > finding.start_s else ""
        return f"{lost}{long} missing, cause: {m.get('cause', 'unknown')}"
    if finding.kind == "mark":
        label = f": {m['label']}" if m.get("label") else ""
        tie = f"; {m['tie']}" if m.get("tie") else ""
        by = {"host": "at the computer", "button": "by the board's button"}.get(str(m.get("source")), "by somebody")
        return f"marked {by}{label}{tie}"
    return finding.kind


def _plain(value: object) -> str:
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


def _describe_tone(finding: Finding) -> str:
    m = finding.measured
    text = f"{_number(m.get('frequency_hz'), 1)} Hz up to {_number(m.get('level_v'), 2)} V rms: "
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
    if m.get("knee_v") is None and m.get("follow_v") is not None:
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


def _largest(findings: Sequence[Finding], key: str) -> Finding | None:
    values = FindingList.of(findings).values(key)
    return findings[int(np.nanargmax(values))] if np.isfinite(values).any() else None


def measure_gravity(cutout: Finding) -> tuple[int, float]:
    """How soon a person should look at it: by severity, then by how long it lasted (no end: longest)."""
    outage_s = cutout.measured.get("outage_s")
    lasted_s = float(outage_s) if isinstance(outage_s, int | float) else math.inf
    return get_args(Severity).index(cutout.severity), lasted_s


def find_worst(findings: Sequence[Finding], kind: str) -> Finding | None:
    """The finding of `kind` that a person should look at first; None if there is none."""
    chosen = FindingList.of(findings).of_kind(kind)
    if kind == "clip":
        return _largest(chosen, "overdrive_db") or _largest(chosen, "flat_s")
    if kind == "note":
        return _largest(chosen, "sag_without_end_v") or _largest(chosen, "sag_v") or _largest(chosen, "level_v")
    if kind == "dip":
        # What the starter, a stop of the engine or a lost lead did is the worst only where there is nothing else.
        plain = np.flatnonzero([not dip.measured.get("during") for dip in chosen])
        return _largest(chosen.take(plain) if len(plain) else chosen, "depth_v")
    if kind in ("tone", "knee", "setting"):
        return _largest(chosen, "level_v" if kind == "tone" else "knee_v") or (chosen[-1] if chosen else None)
    if kind == "drift":
        return max(chosen, key=lambda f: abs(float(f.measured.get("change_db") or 0.0)), default=None)
    if kind in ("reading", "check"):
        return chosen[-1] if chosen else None
    if kind == "cutout":
        return max(chosen, key=measure_gravity, default=None)
    return chosen[int(np.argmax(chosen.stop_s - chosen.start_s))] if len(chosen) else None


def _sum_not_judged(spans: Sequence[NotJudged]) -> str:
    by_reason: dict[str, float] = {}
    for span in spans:
        by_reason[span.reason] = by_reason.get(span.reason, 0.0) + span.stop_s - span.start_s
    return "; ".join(f"{seconds_to_span(total_s, 2)} not judged ({reason})" for reason, total_s in by_reason.items())


NOT_ASKED = "not asked"  # what stands for the answer to a question that nobody was asked
NOT_LOOKED_AT = "Nothing to judge: this was not looked at."

UNDECIDED = ("silence undecided", "silences undecided")  # a pause of the programme or a cut-out

_WORST_WORDS = {
    "saturation": "Longest",
    "gap": "Longest",
    "cutout": "Most serious",
    "mark": "First",
    "tone": "Loudest",
    "knee": "Highest",
    "setting": "Last",
    "check": "Last",
    "drift": "Largest",
    "reading": "Last",
}


def word_verdict(kind: str, findings: Sequence[Finding], coverage: Coverage | None) -> VerdictLine:
    """The answer on one kind: found, none found in N s judged, or not judged with the reason."""
    words = KIND_WORDS[kind]
    listed = FindingList.of(findings)
    chosen = listed.of_kind(kind)
    not_judged = _sum_not_judged(coverage.not_judged) if coverage else ""
    judged_s = coverage.judged_s if coverage else 0.0
    if chosen:
        worst = find_worst(chosen, kind)
        # what a person typed is not looked for
        looked_at = f" in {seconds_to_span(judged_s)} judged" if judged_s > 0 else ""
        n = count_cutouts(listed) if kind == "cutout" else count_words(listed.n_found(kind), words.one, words.many)
        sentence = f"{n} found{looked_at}."
        if worst is not None:
            what = _WORST_WORDS.get(kind, "Worst")
            shown = chosen[0] if kind == "mark" else worst
            sentence += f" {what} at {seconds_to_clock(shown.start_s)}: {describe_finding(shown)}."
        return VerdictLine(kind, "found", sentence, not_judged)
    if judged_s > 0:
        return VerdictLine(
            kind, "none found", f"No {words.one} found in {seconds_to_span(judged_s)} judged.", not_judged
        )
    return VerdictLine(kind, "not judged", not_judged or NOT_LOOKED_AT, "")


def split_cutouts(findings: FindingList) -> tuple[FindingList, FindingList]:
    """The cut-outs, and apart from them the stops that may have been pauses and that nothing speaks for."""
    chosen = findings.of_kind("cutout")
    is_open = np.array([is_doubtful(one) for one in chosen], dtype=bool)
    return chosen.take(np.flatnonzero(~is_open)), chosen.take(np.flatnonzero(is_open))


def count_cutouts(findings: FindingList) -> str:
    """`2 cut-outs and 12 silences undecided`: what may have been a pause is not counted as a cut-out."""
    n_open = len(split_cutouts(findings)[1])
    n_sure = findings.n_found("cutout") - n_open
    sure = [count_words(n_sure, "cut-out", "cut-outs")] if n_sure or not n_open else []
    return " and ".join([*sure, *([count_words(n_open, *UNDECIDED)] if n_open else [])])


def word_verdicts(analysis: Analysis) -> tuple[VerdictLine, ...]:
    """Every kind's answer, in the order in which a person asks."""
    by_detector = {coverage.detector: coverage for coverage in analysis.coverage}
    listed = FindingList.of(analysis.findings)
    return tuple(word_verdict(kind, listed, by_detector.get(words.detector)) for kind, words in KIND_WORDS.items())


def word_silences(analysis: Analysis) -> str:
    """What is said of silences that nothing logged explains, and of a programme's own rests; empty without any."""
    summary = analysis.summary.get("cutouts") or {}
    words = (_word_long_silences(summary.get("silences") or {}), _word_rests(summary.get("rests") or {}))
    return " ".join(filter(None, words))


def _word_rests(rests: Mapping[str, Any]) -> str:
    if not rests.get("n"):
        return ""
    n, longest = rests["n"], f"{1e3 * rests['longest_s']:.0f} ms"
    what = f"One rest of {longest} is" if n == 1 else f"{n:,} rests of at most {longest} are"
    name = "a cut-out" if n == 1 else "cut-outs"
    return f"{what} not counted as {name}: the programme makes such rests again and again."


def _word_long_silences(silences: Mapping[str, Any]) -> str:
    if not silences.get("n"):
        return ""
    where = f"{silences['longest_s']:.1f} s at {seconds_to_clock(silences['longest_start_s'])}"
    if silences["n"] == 1:
        was = f"Once the output was silent for {where}, and nothing that was logged tells why"
    else:
        was = (
            f"{silences['n']:,} times the output was silent for {silences['least_s']:.0f} s or more (longest: {where}) "
            "and nothing that was logged tells why"
        )
    return f"{was}: a programme pause and a lost signal look alike. A logged source tells them apart."


def word_beside(analysis: Analysis) -> tuple[str, ...]:
    """What is told beside the output's clips: where they are counted from, and what the logged source showed."""
    return tuple(words for words in (word_standing(analysis), word_source(analysis)) if words)


def word_standing(analysis: Analysis) -> str:
    """The volts at which an output on a single supply stands; empty for one that plays about 0 V."""
    standing_v = (analysis.summary.get("clipping") or {}).get("standing_v")
    if standing_v is None:
        return ""
    return (
        f"The output stands at {standing_v:.1f} V, as that of a stage on a single supply does, measured ahead of its "
        "coupling capacitor: polarity, ceiling and overdrive of its clips are counted from there."
    )


SOURCE_UNSEEN = (
    "The source was not logged: what it cuts off ahead of a crossover leaves no flat in the output and cannot be seen "
    "here."
)


def word_source(analysis: Analysis) -> str:
    """What the logged source itself showed. Behind a crossover its flats leave none in the output, so they are told
    beside the output's clips, not among them; where no source was logged, that they cannot be seen at all is said
    beside clips and of bass, which mostly comes through a crossover."""
    clipping = analysis.summary.get("clipping") or {}
    n_flat = clipping.get("source_n_clips")
    if n_flat is None:
        is_bass = "n_clips" in clipping and any(hello.mode == "bass" for hello in analysis.hellos)
        return SOURCE_UNSEEN if clipping.get("n_clips") or is_bass else ""
    n_theirs = clipping["n_in_source"]
    span = seconds_to_span(clipping["source_judged_s"])
    if not n_flat:
        return f"The source was logged as well: none of its own half-cycles was cut off in {span} judged."
    was = count_words(n_flat, "half-cycle was", "half-cycles were")
    clips = count_words(n_theirs, "clip of the output is", "clips of the output are")
    return f"The source was logged as well: {was} cut off in it in {span} judged; {clips} put down to that."


def word_losses(analysis: Analysis) -> str:
    """Every loss in one sentence; "0 lost" is said too."""
    health = analysis.link_health
    lost = sum(health.n_scans_lost.values())
    by_cause = ", ".join(f"{cause} {count:,}" for cause, count in health.n_scans_lost.items() if count)
    return (
        f"{lost:,} lost of {health.n_scans_expected:,} scans"
        + (f" ({by_cause})" if by_cause else "")
        + f"; {health.n_frames_bad:,} bad frames; "
        + ("all sums balance." if health.balances else "the sums do NOT balance: treat this recording with care.")
        + (" The file was not closed properly: it holds what was saved up to then." if _is_torn(analysis) else "")
        + word_unread((analysis.summary.get("recording") or {}).get("n_unread_bytes") or 0)
        + _word_parts(analysis)
    )


def word_unread(n_bytes: int) -> str:
    """What was not read as it stands behind a recording's end; empty for nothing."""
    if not n_bytes:
        return ""
    return f" Behind its end stand {n_bytes:,} bytes that were not read: was another file put behind it?"


def _word_parts(analysis: Analysis) -> str:
    missing = analysis.summary.get("recording", {}).get("missing_parts") or ()
    if not missing:
        return ""
    return f" Missing: part {', '.join(map(str, missing))}; what they held counts as lost."


def word_reduction(analysis: Analysis) -> str:
    """What a reduced recording still holds, and what had been found in it before; empty for a whole one."""
    reduction = analysis.summary.get("recording", {}).get("reduction")
    if not isinstance(reduction, Mapping):
        return ""
    kept_s, duration_s = reduction.get("kept_s"), reduction.get("duration_s")
    text = "This recording was reduced on purpose: full waveforms are there"
    if isinstance(kept_s, int | float) and isinstance(duration_s, int | float):
        text += f" for {seconds_to_clock(kept_s)} of {seconds_to_clock(duration_s)}"
    text += (
        f", {_plain(reduction.get('around_s'))} s around the worst {_plain(reduction.get('most_an_hour'))} events of "
        "each kind an hour; elsewhere only lowest, highest, mean and rms by the second. Waveforms are judged only "
        "where they are."
    )
    found = reduction.get("found")
    if isinstance(found, Mapping):
        counts = [
            count_words(int(n), KIND_WORDS[kind].one, KIND_WORDS[kind].many)
            for kind, n in found.items()
            if kind in KIND_WORDS
        ]
        text += f" Before, the whole recording had shown: {', '.join(counts) or 'nothing'}."
    return text


def word_when(analysis: Analysis) -> str:
    """When it began, by the recording computer's clock: `recorded 2024-05-01 18:30 (UTC+02:00)`; else empty."""
    try:
        at = datetime.fromisoformat(str(analysis.settings.notes.get("started_at")))
    except ValueError:
        return ""
    return f"recorded {at:%Y-%m-%d %H:%M}" + (f" ({at.tzname()})" if at.tzinfo else "")


def _is_torn(analysis: Analysis) -> bool:
    return bool(analysis.summary.get("recording", {}).get("is_torn"))


def word_calibrations(calibrations: Sequence[Calibration]) -> str:
    """Which calibration the volts rest on and how far they can be trusted, one sentence a kind."""
    nominal = [c for c in calibrations if c.made_on is None]
    parts = []
    if nominal:
        parts.append(
            f"Not calibrated: {', '.join(c.role for c in nominal)}. Volts from the nominal values of the parts, "
            f"standard uncertainty {_worst(nominal)}."
        )
    for made_on in sorted({c.made_on for c in calibrations if c.made_on is not None}):
        group = [c for c in calibrations if c.made_on == made_on]
        parts.append(
            f"Calibrated on {made_on}: {', '.join(c.role for c in group)} ({group[0].source}), "
            f"standard uncertainty {_worst(group)}."
        )
    return " ".join(parts) or "No channel."


def _worst(calibrations: Sequence[Calibration]) -> str:
    ratio = max(c.gain_uncertainty_ratio for c in calibrations)
    offset_v = max(c.offset_uncertainty_v for c in calibrations)
    return f"up to {100 * ratio:.2f} % of a difference and {1e3 * offset_v:.0f} mV at 0 V"
