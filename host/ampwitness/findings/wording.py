"""What a finding means in plain words: one table for terminal, page and JSON. Nothing here measures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np

from ampwitness.detect.cutouts.cutout_cause import SOURCE
from ampwitness.finding_list import FindingList
from ampwitness.findings.described import describe_finding
from ampwitness.findings.road_words import find_steady_v, is_doubtful, plays_on
from ampwitness.findings.square_words import NOT_BY_AMPLIFIER, split_clips, word_square
from ampwitness.types import Analysis, Coverage, Finding, NotJudged, Severity, Verdict
from ampwitness.units import seconds_to_clock, seconds_to_span


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
        "Turn the gain down by the overdrive that is listed, or mend the supply if the ceiling sank with it. If as "
        "many clip again after that, they were cut off before the amplifier as well: turn the player down too.",
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


def _largest(findings: Sequence[Finding], key: str) -> Finding | None:
    values = FindingList.of(findings).values(key)
    return findings[int(np.nanargmax(values))] if np.isfinite(values).any() else None


def measure_gravity(cutout: Finding) -> tuple[int, float, float]:
    """How soon a person should look at it: by severity, of dangers by their steady volts, then by how long it lasted
    (no end: longest)."""
    outage_s = cutout.measured.get("outage_s")
    lasted_s = float(outage_s) if isinstance(outage_s, int | float) else math.inf
    steady_v = find_steady_v(cutout) if cutout.severity == "danger" else None
    return get_args(Severity).index(cutout.severity), abs(steady_v or 0.0), lasted_s


def find_worst(findings: Sequence[Finding], kind: str) -> Finding | None:
    """The finding of `kind` that a person should look at first; None if there is none."""
    chosen = FindingList.of(findings).of_kind(kind)
    if kind == "clip":
        return _largest(chosen, "overdrive_db") or _largest(chosen, "flat_s")
    if kind == "note":
        keys = ("sag_own_v", "sag_without_end_v", "sag_v", "level_v")
        return next((worst for key in keys if (worst := _largest(chosen, key)) is not None), None)
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

# Of cut-outs, what is told apart from them.
APART = {
    "undecided": ("silence undecided", "silences undecided"),  # a pause of the programme or a cut-out
    "steady": ("stretch of steady volts", "stretches of steady volts"),  # at the speaker, under what plays
    "source": ("stop of the source", "stops of the source"),  # logged: a pause, or its signal was lost
}

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


# Measured: of crests compressed by 0.25 to 2.9 dB along d / (1 + |d / c|^p)^(1 / p), p 4 to 8, 92 of 1,535 were found;
# in 10 s of full-range music none of 6, 7 and 15 flat tops of 0.25 ms and more, by up to 2.4 dB, beneath cymbals.
ROUND_MISSED = (
    "A ceiling that bends crests over without a flat top can be missed in music, and a handful of clips in full-range "
    "music as well: a test tone at rising gain shows both. So can a limit of current into a loudspeaker: into a "
    "resistor it is a flat top. What is cut off ahead of a filter in the amplifier leaves no flat top at its terminals."
)


def word_verdict(kind: str, findings: Sequence[Finding], coverage: Coverage | None) -> VerdictLine:
    """The answer on one kind: found, none found in N s judged, or not judged with the reason."""
    words = KIND_WORDS[kind]
    listed = FindingList.of(findings)
    chosen = listed.of_kind(kind)
    not_judged = _sum_not_judged(coverage.not_judged) if coverage else ""
    judged_s = coverage.judged_s if coverage else 0.0
    if chosen:
        # what a person typed is not looked for
        looked_at = f" in {seconds_to_span(judged_s)} judged" if judged_s > 0 else ""
        clips, square = split_clips(listed) if kind == "clip" else (chosen, FindingList.of(()))
        if square and not clips:
            sentence = f"No {NOT_BY_AMPLIFIER} found{looked_at}. {_word_square(square)}"
            return VerdictLine(kind, "found", sentence, not_judged)
        worst = find_worst(clips, kind)
        n = count_words(listed.n_found(kind) - len(square), words.one, words.many)
        n = count_cutouts(listed) if kind == "cutout" else n
        sentence = f"{n} found{looked_at}."
        if worst is not None:
            what = _WORST_WORDS.get(kind, "Worst")
            shown = chosen[0] if kind == "mark" else worst
            sentence += f" {what} at {seconds_to_clock(shown.start_s)}: {describe_finding(shown)}."
        return VerdictLine(kind, "found", f"{sentence} {_word_square(square)}".rstrip(), not_judged)
    if judged_s > 0:
        sentence = f"No {words.one} found in {seconds_to_span(judged_s)} judged."
        if kind == "clip":
            sentence += f" {ROUND_MISSED}"
        return VerdictLine(kind, "none found", sentence, not_judged)
    return VerdictLine(kind, "not judged", not_judged or NOT_LOOKED_AT, "")


def _word_square(square: FindingList) -> str:
    """Flat tops that may be the programme's own, as a sentence; empty where there are none."""
    if not square:
        return ""
    words = word_square(square)
    return f"{words[0].upper()}{words[1:]}; the first at {seconds_to_clock(float(square.start_s.min()))}."


def group_cutouts(findings: FindingList) -> dict[str, FindingList]:
    """The cut-outs as "sure", and by keys of APART what is told apart from them."""
    chosen = findings.of_kind("cutout")
    names = [_name_group(one) for one in chosen]
    return {name: chosen.take(np.flatnonzero([mine == name for mine in names])) for name in ("sure", *APART)}


def _name_group(cutout: Finding) -> str:
    if is_doubtful(cutout):
        return "undecided"
    if plays_on(cutout):
        return "steady"
    return "source" if str(cutout.measured.get("cause", "")).startswith(SOURCE) else "sure"


def count_cutouts_by_state(findings: FindingList) -> dict[str, str]:
    """As `count_cutouts`, by the state of the engine in which they began."""
    chosen = findings.of_kind("cutout")
    states = [str(one.measured.get("engine_state")) for one in chosen]
    places = {state: np.flatnonzero([mine == state for mine in states]) for state in states}
    return {state: count_cutouts(chosen.take(mine)) for state, mine in places.items()}


def count_cutouts(findings: FindingList) -> str:
    """`2 cut-outs and 12 silences undecided`: what may have been a pause is not counted as a cut-out, nor what went
    on over steady volts, nor what the logged source did."""
    groups = group_cutouts(findings)
    others = [count_words(len(groups[name]), *words) for name, words in APART.items() if groups[name]]
    n_sure = findings.n_found("cutout") - sum(len(groups[name]) for name in APART)
    sure = [count_words(n_sure, "cut-out", "cut-outs")] if n_sure or not others else []
    return " and ".join([*sure, *others])


def word_verdicts(analysis: Analysis) -> tuple[VerdictLine, ...]:
    """Every kind's answer, in the order in which a person asks."""
    by_detector = {coverage.detector: coverage for coverage in analysis.coverage}
    listed = FindingList.of(analysis.findings)
    lines = [word_verdict(kind, listed, by_detector.get(words.detector)) for kind, words in KIND_WORDS.items()]
    beats = _word_beats((analysis.summary.get("notes") or {}).get("n_loud_not_taken") or 0)
    return tuple(replace(line, sentence=line.sentence + beats) if line.kind == "note" else line for line in lines)


def _word_beats(n: int) -> str:
    """What was as loud as notes are and is not counted."""
    if not n:
        return ""
    what = (
        "One loud beat is not counted as a note: too little of it repeats"
        if n == 1
        else (f"{n:,} loud beats are not counted as notes: too little of them repeats")
    )
    return f" {what}."


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
            f"{silences['n']:,} times the output was silent for {silences['least_s']:g} s or more (longest: {where}) "
            "and nothing that was logged tells why"
        )
    alike = "a programme pause and a lost signal look alike. A logged source tells them apart."
    return f"{was}: {alike}{word_equal(silences)}"


def word_equal(silences: Mapping[str, Any]) -> str:
    """What of silences speaks for an amplifier: that they last equally long, or began at a supply at which it lets go;
    with a blank before it, empty where nothing does.

    silences : of the cut-outs' summary"""
    low = ""
    if silences.get("n_low"):
        is_seen = silences.get("is_low_seen", True)
        who = "this amplifier was seen to switch off" if is_seen else "amplifiers commonly let go"
        began = "It began" if silences["n"] == 1 else f"{silences['n_low']:,} of them began"
        low = f" {began} within a third of a second of a supply of {silences['low_v']:.2f} V or less, at which {who}."
    if not silences.get("n_equal"):
        return low
    return low + (
        f" {silences['n_equal']:,} of them last {silences['equal_s']:.2f} s each and begin at odd moments: an "
        "amplifier that switches itself off waits so before it plays on; music rests on its beat."
    )


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
    worst_db = clipping.get("source_worst_db")
    far = "" if worst_db is None else f", up to {worst_db:.1f} dB past its ceiling,"
    clips = count_words(n_theirs, "clip of the output is", "clips of the output are")
    return f"The source was logged as well: {was} cut off in it{far} in {span} judged; {clips} put down to that."
