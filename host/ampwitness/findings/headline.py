"""The verdict in one line: what an installer asks first. Counts what was found; measures nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ampwitness.detect.clips.cause.clean_gain import is_guess
from ampwitness.finding_list import FindingList
from ampwitness.findings.charging_words import word_charging_short
from ampwitness.findings.remote_words import word_drops
from ampwitness.findings.road_words import find_over_voltage, find_steady_v
from ampwitness.findings.square_words import NOT_BY_AMPLIFIER, split_clips, word_square
from ampwitness.findings.tone_words import is_ceiling_open, word_distorted
from ampwitness.findings.whole_words import word_incomplete
from ampwitness.findings.wording import APART, KIND_WORDS, count_words, find_worst, group_cutouts
from ampwitness.types import Analysis, Finding, FindingKind
from ampwitness.units import fixed, seconds_to_clock, seconds_to_span

# kind -> what of its worst is told, with which words where it is the only one, and where it is one of several
_TOLD = {
    "cutout": ("outage_s", " of {0:.1f} s", ", the gravest of {0:.1f} s"),
    "dip": ("residual_v", " to {0:.2f} V", ", the worst to {0:.2f} V"),
    "clip": ("overdrive_db", ", {0:.1f} dB past the ceiling", ", up to {0:.1f} dB past the ceiling"),
    "drift": ("change_db", " of {0:+.1f} dB", ", the largest of {0:+.1f} dB"),
}
DOUBTFUL_DB = 5.0  # from here on an overdrive tends to be estimated too high
_SOUNDING: tuple[FindingKind, ...] = ("note", "clip", "tone", "knee", "cutout")
_STILL_V, _STILL_SWING_V = 0.1, 1.0  # rms; lowest to highest: the widest input's own noise has up to 0.07 and 0.7
_MUCH = 0.1  # of a recording without a verdict
_ALWAYS = ("cutout", "dip", "clip")  # also where none was found or none could be looked for


def word_headline(analysis: Analysis) -> str:
    """`In short: 2 cut-outs, the gravest of 3.9 s; no supply dip in 39.9 s; nothing lost.`"""
    findings = FindingList.of(analysis.findings)
    judged_s = {coverage.detector: coverage.judged_s for coverage in analysis.coverage}
    found, none = [*_word_danger(analysis.summary, findings)], list[str]()
    pauses: list[str] = []  # what may be the programme's own comes behind what is none
    found += [*word_stillness(analysis.summary, findings), *_word_edge(findings)]
    found += word_distorted(findings)
    is_on_purpose = bool(findings.of_kind("setting"))
    for kind in _TOLD:
        words = KIND_WORDS[kind]
        chosen, apart, n_apart = _take_apart(kind, findings)
        n, worst, looked_s = (
            findings.n_found(kind) - n_apart,
            find_worst(chosen, kind),
            judged_s.get(words.detector, 0.0),
        )
        if n and worst is not None:
            purpose = " on purpose" if kind == "clip" and is_on_purpose else ""
            found.append(count_words(n, words.one, words.many) + purpose + _word_worst(kind, worst, n, chosen))
        elif kind in _ALWAYS and not (kind == "cutout" and group_cutouts(findings)["undecided"]):
            one = NOT_BY_AMPLIFIER if kind == "clip" and apart else words.one
            said = f"no {one}{_word_shortest(kind, analysis)} in {seconds_to_span(looked_s)}"
            said = said if looked_s else f"{words.many} not judged"
            silent = word_silent(analysis.summary) if kind == "cutout" else ""
            said = silent or said
            none.append(said + (_word_left_out(analysis, words.detector) if kind == "clip" else ""))
        (pauses if kind == "cutout" else found).extend(apart)
    found += [*word_charging_short(analysis.summary), *pauses, *word_drops(analysis.summary, findings)]
    found += _word_source_flats(analysis.summary)
    return f"In short: {'; '.join([*found, *none, _word_lost(analysis, findings)])}."


def _take_apart(kind: str, findings: FindingList) -> tuple[FindingList, list[str], int]:
    """What is told as such, what is told apart from it in words, and how many of these there are."""
    if kind == "clip":
        clips, square = split_clips(findings)
        return clips, [word_square(square)] if square else [], len(square)
    if kind != "cutout":
        return findings, [], 0
    groups = group_cutouts(findings)
    words = _word_undecided(groups["undecided"])
    if groups["source"]:
        words.append(count_words(len(groups["source"]), *APART["source"]))
    return groups["sure"], words, sum(len(groups[name]) for name in APART)


def _word_worst(kind: str, worst: Finding, n: int, chosen: FindingList) -> str:
    """What is told of the worst behind how many there are."""
    key, one, of_several = _TOLD[kind]
    if kind == "clip" and is_guess(clips := chosen.of_kind("clip")):
        return f", by {np.nanmedian(clips.values(key)):.1f} dB at the median (how far the furthest went is a guess)"
    value = worst.measured.get(key)
    told = (one if n == 1 else of_several).format(value) if isinstance(value, int | float) else ""
    if kind == "clip" and isinstance(value, int | float) and value >= DOUBTFUL_DB:
        told += f" (estimates above {DOUBTFUL_DB:.0f} dB run high)"
    if kind == "cutout" and worst.severity == "information":  # it should be so: say at once why
        told += f" ({worst.measured.get('cause')})"
    if kind == "cutout" and worst.measured.get("confidence") == "low":
        told += ", confidence low"
    return told


def _word_danger(summary: Mapping[str, Any], findings: FindingList) -> list[str]:
    """What hurts or destroys comes first: steady volts at a speaker, a supply that is charged too high."""
    found = []
    worst = find_worst(findings, "cutout")  # what the first step names as well
    if worst is not None and worst.severity == "danger" and (most_v := find_steady_v(worst)):
        found.append(f"DANGER: {most_v:.1f} V of steady volts at the speaker from {seconds_to_clock(worst.start_s)} on")
    highest_v = find_over_voltage(summary)
    if highest_v is not None:
        found.append(f"DANGER: supply too high, up to {fixed(highest_v, 2)} V")
    return found


def _word_left_out(analysis: Analysis, detector: str) -> str:
    """How long nothing was judged, where that is much of the whole."""
    coverage = next((one for one in analysis.coverage if one.detector == detector), None)
    if coverage is None or not coverage.judged_s:
        return ""
    left_out_s = sum(span.stop_s - span.start_s for span in coverage.not_judged)
    if left_out_s < _MUCH * (coverage.judged_s + left_out_s):
        return ""
    return f" ({seconds_to_span(left_out_s)} not judged)"


def _word_undecided(silences: FindingList) -> list[str]:
    """How many stops may have been pauses as well as cut-outs; empty where none."""
    if not silences:
        return []
    longest_s = float((silences.stop_s - silences.start_s).max())
    which = "a pause or a cut-out" if len(silences) == 1 else "pauses or cut-outs, the longest"
    return [f"{count_words(len(silences), *APART['undecided'])} ({which} of {seconds_to_span(longest_s)})"]


def _word_source_flats(summary: Mapping[str, Any]) -> list[str]:
    """The logged source's own flats, where they show as no clip of the output."""
    clipping = summary.get("clipping") or {}
    n_flat = clipping.get("source_n_clips") or 0
    if not n_flat or clipping.get("n_in_source"):
        return []
    return [f"{count_words(n_flat, 'half-cycle', 'half-cycles')} cut off in the source itself"]


def _word_shortest(kind: str, analysis: Analysis) -> str:
    """How short a flat top was seen, where none was; empty for other kinds."""
    shortest_s = (analysis.summary.get("clipping") or {}).get("shortest_seen_s") if kind == "clip" else None
    return f" of {1e3 * shortest_s:.2g} ms or longer" if shortest_s else ""


def word_silent(summary: Mapping[str, Any]) -> str:
    """That the output was silent for long though nothing proves a cut-out; empty where it was not."""
    silences = (summary.get("cutouts") or {}).get("silences") or {}
    if not silences.get("n"):
        return ""
    span = seconds_to_span(silences["longest_s"])
    if silences["n"] == 1:
        return f"no cut-out proven, but silent once for {span} (a pause or a cut-out)"
    return f"no cut-out proven, but silent {silences['n']:,} times (pauses or cut-outs, the longest of {span})"


def word_stillness(summary: Mapping[str, Any], findings: FindingList) -> list[str]:
    """That the output hardly moved in all the time: none found is then no praise of an amplifier, and where it stood
    shows a lead on the wrong terminal. Empty where something sounded, or no output was recorded."""
    table = (summary.get("trends") or {}).get("table") or {}
    columns = ("output_v", "output_lowest_v", "output_highest_v")
    levels_v, lowest_v, highest_v = ([v for v in table.get(name) or () if v is not None] for name in columns)
    if not (levels_v and lowest_v and highest_v) or any(map(findings.of_kind, _SOUNDING)):
        return []
    low_v, high_v = min(lowest_v), max(highest_v)
    if max(levels_v) > _STILL_V or high_v - low_v > _STILL_SWING_V:
        return []
    return [f"the output hardly moved, between {fixed(low_v, 2)} and {fixed(high_v, 2)} V"]


def _word_edge(findings: FindingList) -> list[str]:
    """Where the last gain setting, or else the last gain curve, found the edge; empty where neither did."""
    for kind, tone_key in (("setting", "tone_hz"), ("knee", "frequency_hz")):
        for finding in reversed(findings.of_kind(kind)):
            knee_v, tone_hz, margin_db = (finding.measured.get(key) for key in ("knee_v", tone_key, "margin_db"))
            if not isinstance(knee_v, int | float) or not isinstance(tone_hz, int | float):
                continue
            said = f"clean up to {knee_v:.2f} V rms at {tone_hz:.0f} Hz"
            own_percent = finding.measured.get("own_percent")
            if isinstance(own_percent, int | float):
                said += f" but for {own_percent:.1f} % that the tone itself carries"
            if is_ceiling_open(finding, findings):
                said += " (the amplifier's edge or its source's)"
            if isinstance(margin_db, int | float):
                said += f", left {abs(margin_db):.1f} dB {'below' if margin_db >= 0 else 'beyond'} that"
            return [said]
    return []


def _word_lost(analysis: Analysis, findings: FindingList) -> str:
    """Gaps by how long they are: where a board was away nothing was counted as lost, and yet time is missing."""
    n_lost, words = sum(analysis.link_health.n_scans_lost.values()), word_incomplete(analysis.summary)
    if gaps := findings.of_kind("gap"):
        missing_s = float((gaps.stop_s - gaps.start_s).sum())
        n_gaps = count_words(findings.n_found("gap"), "gap", "gaps")
        words.insert(0, f"{seconds_to_span(missing_s, 2)} missing in {n_gaps}")
    elif n_lost:
        words.insert(0, count_words(n_lost, "scan lost", "scans lost"))
    return "; ".join(words) or "nothing lost"
