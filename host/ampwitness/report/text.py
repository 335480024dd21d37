"""The report for the terminal: what to do, verdicts, the worst of each kind, then losses. Same words as the page."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence

import numpy as np

from ampwitness.finding_list import FindingList
from ampwitness.findings.advice import advise_first_steps
from ampwitness.findings.cause_advice import PARAGRAPH
from ampwitness.findings.ceiling_words import word_ceilings
from ampwitness.findings.described import describe_finding
from ampwitness.findings.headline import word_headline
from ampwitness.findings.headroom_words import word_headroom
from ampwitness.findings.road_words import explain_cutout, word_road
from ampwitness.findings.selection import choose_cutouts, find_bursts
from ampwitness.findings.square_words import split_clips
from ampwitness.findings.supply_words import word_supply
from ampwitness.findings.whole_words import word_calibrations, word_losses, word_reduction, word_when
from ampwitness.findings.wording import (
    KIND_WORDS,
    NOT_LOOKED_AT,
    count_cutouts_by_state,
    word_beside,
    word_silences,
    word_verdicts,
)
from ampwitness.types import Analysis, Finding
from ampwitness.units import bind_units, seconds_to_clock, unbind_units

MAX_LISTED = 12
MAX_EXPLAINED = 3
MAX_NOTES = 5
MAX_BURSTS = 10
MAX_SOUGHT = 1000
BURST_NEAR_S = 0.25  # half-cycles less than this apart are one burst


def _wrap(text: str, width: int, indent: str, under: str | None = None) -> list[str]:
    under = indent + "  " if under is None else under
    bound = bind_units(text)
    lines = textwrap.wrap(bound, width, initial_indent=indent, subsequent_indent=under, break_on_hyphens=False)
    return [unbind_units(line) for line in lines] or [indent]


def _list_findings(findings: Sequence[Finding], width: int) -> list[str]:
    lines = [
        line
        for finding in findings[:MAX_LISTED]
        for line in _wrap(f"{seconds_to_clock(finding.start_s):>10}  {describe_finding(finding)}", width, "    ")
    ]
    if len(findings) > MAX_LISTED:
        more = f"    ... and {len(findings) - MAX_LISTED:,} more; `--html FILE` shows the worst, "
        lines.append(more + "`--json FILE --every-finding` lists each")
    return lines


def _sum_readings(readings: Sequence[Finding], width: int) -> list[str]:
    """A line a name where there are too many to list: how many, from what to what, and the last."""
    by_name: dict[str, list[Finding]] = {}
    for reading in readings:
        by_name.setdefault(str(reading.measured.get("name")), []).append(reading)
    lines: list[str] = []
    for name, of_name in by_name.items():
        values = [float(reading.measured["value"] or 0.0) for reading in of_name]
        unit = f" {of_name[-1].measured['unit']}" if of_name[-1].measured.get("unit") else ""
        last = f"last {values[-1]:g}{unit} at {seconds_to_clock(of_name[-1].start_s)}"
        text = f"{name}: {len(values)} readings, {min(values):g} to {max(values):g}{unit}, {last}"
        lines += _wrap(text, width, "    ")
    return lines


def _word_cause(cause: str) -> str:
    return "of undecided cause" if cause == "not decidable" else f"from {cause}"


def _list_clip_bursts(clips: FindingList, width: int) -> list[str]:
    """A line a burst of clips, the worst first: a note clips hundreds of times, and is one thing to a reader."""
    first, stop_s, _ = find_bursts(clips.start_s, clips.stop_s, BURST_NEAR_S, MAX_SOUGHT)
    overdrives_db = np.nan_to_num(clips.values("overdrive_db"), nan=-np.inf)
    bursts = [
        (lo + int(np.argmax(overdrives_db[lo:hi])), int(lo), int(hi), float(end_s))
        for lo, hi, end_s in zip(first, [*first[1:], len(clips)], stop_s, strict=True)
    ]
    bursts.sort(key=lambda burst: -overdrives_db[burst[0]])
    lines: list[str] = []
    for worst, lo, hi, end_s in bursts[:MAX_BURSTS]:
        count = f"{hi - lo:,} clipped"
        up_to = f", up to {overdrives_db[worst]:.1f} dB" if np.isfinite(overdrives_db[worst]) else ""
        measured = clips[int(worst)].measured
        cause = measured.get("cause")
        from_what = f", the worst {_word_cause(str(cause))}" if cause else ""
        if measured.get("origin") == "source":
            from_what = ", the worst before the amplifier"
        span = f"{seconds_to_clock(float(clips.start_s[lo]))} to {seconds_to_clock(end_s)}"
        lines += _wrap(f"{span}: {count}{up_to}{from_what}", width, "    ")
    if len(bursts) > MAX_BURSTS:
        lines += _wrap(f"... and {len(bursts) - MAX_BURSTS:,} more bursts; `--html FILE` shows more", width, "    ")
    return lines


def _deepest_notes(findings: FindingList) -> FindingList:
    """Of the notes whose sag is known those with the deepest of their own, in order of time."""
    notes = findings.of_kind("note")
    sags_v = notes.values("sag_own_v")
    if not np.isfinite(sags_v).any():
        within_v = notes.values("sag_without_end_v")
        sags_v = np.where(np.isfinite(within_v), within_v, notes.values("sag_v"))
    known = np.flatnonzero(np.isfinite(sags_v))
    return notes.take(np.sort(known[np.argsort(-sags_v[known], kind="stable")[:MAX_NOTES]]))


def text_report(analysis: Analysis, *, width: int = 100) -> str:
    """Plain text, no colours, at most `width` columns."""
    findings = FindingList.of(analysis.findings)
    lines = [*_head_lines(analysis, findings, width), "", *_verdict_lines(analysis, width)]
    lines += _finding_lines(findings, width)
    for title, sentences in (
        ("Engine, dips and switchings:", word_road(analysis.summary, count_cutouts_by_state(findings))),
        ("The output's ceiling:", word_ceilings(analysis.summary, findings)),
        ("Headroom of what did not clip:", word_headroom(analysis.summary)),
        ("The supply as the amplifier sees it:", word_supply(analysis.summary)),
    ):
        if sentences:
            lines += ["", title, *(line for sentence in sentences for line in _wrap(sentence, width, "  "))]
    kinds = set(findings.kinds)
    found = [kind for kind in KIND_WORDS if kind in kinds]
    if found:
        others = f" (or {', '.join(found[1:])})" if found[1:] else ""
        lines += ["", *_wrap(f"What it means, at length: ampwitness explain {found[0]}{others}", width, "")]
    lines += ["", *_wrap(f"Losses: {word_losses(analysis)}", width, "")]
    lines += _wrap(f"Volts: {word_calibrations(analysis.settings.calibrations)}", width, "")
    return "\n".join(lines)


def _head_lines(analysis: Analysis, findings: FindingList, width: int) -> list[str]:
    """What was recorded, the verdict in a line, and what to do first."""
    roles = ", ".join(analysis.envelopes) or "no channel"
    modes = ", ".join(dict.fromkeys(hello.mode for hello in analysis.hellos)) or "unknown"
    lines = [
        f"{analysis.recording_name}: {seconds_to_clock(analysis.duration_s)} of {roles}, mode {modes}",
        *([f"{when[0].upper()}{when[1:]}."] if (when := word_when(analysis)) else []),
        "",
    ]
    if reduction := word_reduction(analysis):
        lines += [*_wrap(reduction, width, ""), ""]
    lines += _wrap(word_headline(analysis), width, "")
    lines += ["", "What to do first:"]
    for place, step in enumerate(advise_first_steps(findings, analysis.summary, analysis.coverage), start=1):
        first, *more = step.split(PARAGRAPH)
        lines += _wrap(f"{place}. {first}", width, "  ")
        for text in more:
            lines += _wrap(text, width, "    ", "    ")
    return lines


def _verdict_lines(analysis: Analysis, width: int) -> list[str]:
    """Question by question; a reason for not judging that more than two share stands once, below them."""
    lines: list[str] = []
    verdicts = word_verdicts(analysis)
    absent = [KIND_WORDS[line.kind].many for line in verdicts if line.sentence == NOT_LOOKED_AT]
    counts = Counter(line.not_judged for line in verdicts if line.not_judged and line.verdict != "not judged")
    shared = {text: f"({number})" for number, text in enumerate((t for t, n in counts.items() if n > 2), start=1)}
    for line in verdicts:
        if line.sentence == NOT_LOOKED_AT:
            continue
        lines.append(KIND_WORDS[line.kind].question)
        is_left = bool(line.not_judged) and line.verdict != "not judged"
        note = f" Not judged there: {shared[line.not_judged]}." if is_left and line.not_judged in shared else ""
        lines += _wrap(line.sentence + note, width, "  ")
        if is_left and not note:
            lines += _wrap(line.not_judged, width, "  ")
        if line.kind == "cutout" and (silences := word_silences(analysis)):
            lines += _wrap(silences, width, "  ")
    for text, number in shared.items():
        lines += _wrap(f"{number} {text}.", width, "")
    if absent:
        lines += _wrap(f"This recording says nothing about {', '.join(absent)}.", width, "")
    for words in word_beside(analysis):
        lines += _wrap(words, width, "")
    return lines


def _finding_lines(findings: FindingList, width: int) -> list[str]:
    """The findings themselves, kind by kind, and what speaks for the worst cut-outs."""
    lines: list[str] = []
    for kind in ("knee", "setting", "check", "cutout", "mark", "drift", "reading", "dip"):
        chosen = findings.of_kind(kind)
        if kind == "reading" and len(chosen) > MAX_LISTED:
            lines += ["", f"{KIND_WORDS[kind].many.capitalize()}:", *_sum_readings(chosen, width)]
        elif chosen:
            lines += ["", f"{KIND_WORDS[kind].many.capitalize()}, in order of time:", *_list_findings(chosen, width)]
    if clips := split_clips(findings)[0]:
        lines += ["", "Clipped half-cycles by burst, the worst first:", *_list_clip_bursts(clips, width)]
    if deepest := _deepest_notes(findings):
        title = "Bass notes under which the supply sagged most, in order of time:"
        lines += ["", title, *_list_findings(deepest, width)]
    for cutout in choose_cutouts(findings, MAX_EXPLAINED):
        lines += ["", f"The cut-out at {seconds_to_clock(cutout.start_s)}:"]
        lines += [line for sentence in explain_cutout(cutout) for line in _wrap(sentence, width, "  ")]
    return lines
