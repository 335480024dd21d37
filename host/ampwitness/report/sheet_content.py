"""What stands on a job sheet: chosen and worded from analyses and the job folder. Measures nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ampwitness.finding_list import FindingList
from ampwitness.findings.described import describe_finding
from ampwitness.findings.headline import word_stillness
from ampwitness.findings.square_words import split_clips
from ampwitness.findings.whole_words import word_losses
from ampwitness.findings.wording import KIND_WORDS, NOT_ASKED, find_worst, word_verdict
from ampwitness.report.sheet_handover import word_handover
from ampwitness.report.sheet_source import Source, has_edge, is_gain_run, word_alternator, word_shared_calibrations
from ampwitness.report.sheet_walks import (
    WALK_STEPS,
    WALK_TITLES,
    CheckRow,
    NoiseRow,
    SupplyWalk,
    Walk,
    word_checks,
    word_noise,
    word_supply_walks,
    word_walks_left_out,
)
from ampwitness.types import Finding, Verdict
from ampwitness.units import seconds_to_clock

# kind -> heading of its column
VERDICT_KINDS = {
    "clip": "clipping",
    "dip": "supply dips",
    "cutout": "cut-outs",
    "drift": "level drift",
    "saturation": "logger's range",
    "gap": "losses",
}
STALE_S = 3.0  # a level heard longer ago than this may not be where the gain was left
MAX_SUPPLY_ROWS = 5
MAX_SUPPLY_ROWS_BESIDE_A_WALK = 3
MAX_WORTH_KNOWING = 4
_LAST_STEP = "sheet"

ON_PURPOSE = "on purpose"
BY_SOURCE = "by the source, or square"
ON_PURPOSE_WORDS = "On purpose: the gain was turned up to its edge there, to find it."
CAUTION_SETTINGS = (
    "These settings hold for the source, its level and the equaliser as they stood. Boost or equaliser turned up later "
    "uses up the room above the music: set the gain again then. The gain is no volume control. Watts are nominal: "
    "volts squared over the nominal ohms."
)
CAUTION_SUPPLY = "Before clips, fuses or cables are moved: power off. Replace a fuse only by one of the same rating."
CAUTION_END = (
    "Volts are relative to the point where the logger's ground clip sat. This sheet says what was measured on the day; "
    "it replaces no inspection that local codes ask for."
)


@dataclass(frozen=True, slots=True)
class WorkStep:
    """One step of the order of work. detail: its date, the reason it was left out, or the channels still missing."""

    key: str
    title: str
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class SettingRow:
    """A gain as it was found or set, in words ready to print; "" where not known."""

    channel: str
    clean_maximum: str
    peak: str
    power: str
    supply_there: str
    left_at: str
    remark: str


@dataclass(frozen=True, slots=True)
class SupplyRow:
    """The supply as the amplifier saw it, in one state of the engine."""

    where: str
    engine: str
    open_volts: str
    lowest: str
    resistance: str
    full_power: str


@dataclass(frozen=True, slots=True)
class VerdictCell:
    """An answer and the number that carries it."""

    verdict: Verdict
    words: str


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """All answers of one recording, in the order of VERDICT_KINDS."""

    label: str
    length: str
    cells: tuple[VerdictCell, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything on the page, worded."""

    vehicle: str
    date: str
    fitted_by: str
    equipment: tuple[tuple[str, str], ...]
    handed_over: tuple[str, ...]  # in which state, in plain words
    settings: tuple[SettingRow, ...]
    conditions: str  # what was answered before the gain was set
    checks: tuple[CheckRow, ...]
    supply: tuple[SupplyRow, ...]
    supply_walks: tuple[SupplyWalk, ...]
    noise: tuple[NoiseRow, ...]
    verdicts: tuple[VerdictRow, ...]
    worth_knowing: tuple[str, ...]
    steps: tuple[WorkStep, ...]
    not_tested: tuple[str, ...]
    basis: tuple[str, ...]


def compose_sheet(
    sources: Sequence[Source],
    *,
    vehicle: str,
    date: str,
    fitted_by: str = "",
    channels: Sequence[Mapping[str, Any]] = (),
    steps: Sequence[WorkStep] = (),
    walks: Sequence[Walk] = (),
) -> Sheet:
    """Choose and word.

    Parameters
    ----------
    sources : the recordings, in the order of work
    vehicle, fitted_by : as typed
    date : ISO
    channels : equipment as typed into the job; without it what was typed into the recordings
    steps : of the job; none without one
    walks : saved results of the meter checks, the supply check and the noise comparison
    """
    return Sheet(
        vehicle=vehicle,
        date=date,
        fitted_by=fitted_by,
        equipment=tuple(_word_channel(c) for c in channels) or _equipment_of_notes(sources),
        handed_over=word_handover(sources),
        settings=tuple(row for source in sources for row in _settings(source)),
        conditions=_conditions(sources),
        checks=word_checks(walks),
        supply=_supply(sources, word_supply_walks(walks)),
        supply_walks=word_supply_walks(walks),
        noise=word_noise(walks),
        verdicts=tuple(_verdicts(source) for source in sources),
        worth_knowing=_worth_knowing(sources),
        steps=tuple(step for step in steps if step.key != _LAST_STEP),
        not_tested=_not_tested(sources, steps, walks),
        basis=_basis(sources),
    )


def _word_channel(facts: Mapping[str, Any]) -> tuple[str, str]:
    words = []
    if facts.get("load_ohm") is not None:
        words.append(f"{facts['load_ohm']:g} ohm {facts.get('load_kind') or 'load'}")
    elif facts.get("load_kind"):
        words.append("no load" if facts["load_kind"] == "none" else str(facts["load_kind"]))
    if facts.get("rated_w") is not None:
        words.append(f"rated {facts['rated_w']:g} W")
    if facts.get("least_load_ohm") is not None:
        words.append(f"least load {facts['least_load_ohm']:g} ohm")
    if facts.get("is_bridged"):
        words.append("bridged")
    if facts.get("remark"):
        words.append(str(facts["remark"]))
    name = "/".join(str(facts[key]) for key in ("amplifier", "channel") if facts.get(key))
    return name, ", ".join(words) or "nothing more typed"


def _equipment_of_notes(sources: Sequence[Source]) -> tuple[tuple[str, str], ...]:
    pairs = dict.fromkeys(_word_channel(source.analysis.settings.notes) for source in sources)
    return tuple(pair for pair in pairs if pair[0])


def _volts(value: object, unit: str, digits: int = 2) -> str:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return f"{value:.{digits}f} {unit}" if is_number else ""


def _settings(source: Source) -> list[SettingRow]:
    findings = source.analysis.findings
    chosen = [f for f in findings if f.kind == "setting"][-1:] or [f for f in findings if has_edge(f)]
    return [_setting(source, finding) for finding in chosen]


def _setting(source: Source, finding: Finding) -> SettingRow:
    m = finding.measured
    channel = ", ".join(w for w in (source.channel or _note(source, "amplifier"), source.moment) if w)
    tone_hz = m.get("tone_hz") or m.get("frequency_hz")
    remarks = [_volts(tone_hz, "Hz tone", 0)]
    if m.get("knee_v") is None:
        remarks.append(str(m.get("outcome") or "no edge was found"))
    if m.get("follow_v") is not None and m.get("knee_v") is None:
        remarks.append("provisional, reckoned from levels as if the ceiling were hard")
    elif m.get("is_provisional") or finding.evidence.get("is_gain_provisional"):
        remarks.append("provisional, set without its load")
    if m.get("is_source_unchecked"):
        remarks.append("source not checked")
    left_age_s = m.get("left_age_s")
    if isinstance(left_age_s, int | float) and left_age_s > STALE_S:
        remarks.append(f"last heard {left_age_s:.0f} s before the end")
    left = _volts(m.get("left_at_v"), "V rms")
    margin_db = m.get("margin_db")
    if left and isinstance(margin_db, int | float):
        left += f" ({-margin_db:+.1f} dB)"
    power = _volts(m.get("knee_w"), "W", 0)
    if power and m.get("load_ohm") is not None:
        power += f" in {m['load_ohm']:g} ohm"
    return SettingRow(
        channel=channel or source.label,
        clean_maximum=_volts(m.get("knee_v") or m.get("follow_v") or m.get("clean_v"), "V rms"),
        peak=_volts(m.get("knee_peak_v"), "V", 1),
        power=power,
        supply_there=_volts(m.get("supply_at_knee_v"), "V"),
        left_at=left,
        remark="; ".join(remark for remark in remarks if remark),
    )


def _note(source: Source, key: str) -> str:
    return str(source.analysis.settings.notes.get(key) or "")


def _conditions(sources: Sequence[Source]) -> str:
    """What was answered before the gain was set, once."""
    answers: dict[str, str] = {}
    for source in sources:
        for finding in source.analysis.findings:
            if finding.kind == "setting":
                said = (finding.evidence.get("answers") or {}).items()
                answers |= {str(key): str(answer) for key, answer in said if answer and answer != NOT_ASKED}
    return "; ".join(f"{key.removeprefix('gain_').replace('_', ' ')} {value}" for key, value in answers.items())


def _supply(sources: Sequence[Source], walked: Sequence[SupplyWalk]) -> tuple[SupplyRow, ...]:
    """Music says more of a supply than a tone: runs in which the gain was turned stand for it only alone."""
    rows = [
        (is_gain_run(source), _supply_row(source, name, state))
        for source in sources
        for name, state in ((source.analysis.summary.get("supply") or {}).get("states") or {}).items()
    ]
    of_music = [row for is_gain_run, row in rows if not is_gain_run]
    n_most = MAX_SUPPLY_ROWS_BESIDE_A_WALK if walked else MAX_SUPPLY_ROWS
    return tuple((of_music or [row for _, row in rows])[-n_most:])


def _supply_row(source: Source, name: str, state: Mapping[str, Any]) -> SupplyRow:
    resistance = "not judged"
    if state.get("highest_source_ohm") is not None:
        low, high = 1e3 * state["lowest_source_ohm"], 1e3 * state["highest_source_ohm"]
        resistance = f"{low:.0f} to {high:.0f} mohm"
        if state.get("source_ohm") is not None:
            resistance = f"{1e3 * state['source_ohm']:.0f} mohm ({low:.0f} to {high:.0f})"
    full = state.get("full_power")
    sag = f"{full['supply_v']:.1f} V (-{full['sag_v']:.1f} V)" if full else "not judged"
    return SupplyRow(
        source.label,
        word_alternator(source, name),
        _volts(state.get("open_v"), "V"),
        _volts(state.get("lowest_v"), "V"),
        resistance,
        sag,
    )


def _verdicts(source: Source) -> VerdictRow:
    analysis = source.analysis
    by_detector = {coverage.detector: coverage for coverage in analysis.coverage}
    cells = []
    for kind in VERDICT_KINDS:
        coverage = by_detector.get(KIND_WORDS[kind].detector)
        line = word_verdict(kind, analysis.findings, coverage)
        findings = FindingList.of(analysis.findings)
        n_square = len(split_clips(findings)[1]) if kind == "clip" else 0
        count = findings.n_found(kind) - n_square
        words = {"found": f"{count:,} found", "none found": "none found", "not judged": "not judged"}[line.verdict]
        if kind == "clip" and count and is_gain_run(source):
            words = ON_PURPOSE
        elif n_square and not count:
            words = BY_SOURCE
        elif line.verdict == "none found" and coverage is not None and coverage.not_judged:
            words = f"none in {seconds_to_clock(round(coverage.judged_s))} judged".replace(".000", "")
        elif kind == "gap" and line.verdict != "found":
            words = "0 lost"
        cells.append(VerdictCell(line.verdict, words))
    return VerdictRow(source.label, seconds_to_clock(round(analysis.duration_s)).replace(".000", ""), tuple(cells))


def _worth_knowing(sources: Sequence[Source]) -> tuple[str, ...]:
    """The worst of each kind of event that was found, the weightiest kinds first."""
    lines = []
    for kind in ("cutout", "drift", "dip", "clip"):
        for source in sources:
            findings = FindingList.of(source.analysis.findings)
            worst = find_worst(split_clips(findings)[0] if kind == "clip" else findings, kind)
            if worst is None or (kind == "clip" and is_gain_run(source)):
                continue
            words = describe_finding(worst)
            lines.append(f"{source.label}, at {seconds_to_clock(worst.start_s)}: {words}.")
    more = len(lines) - MAX_WORTH_KNOWING
    return (*lines[:MAX_WORTH_KNOWING], *([f"{more} more in the reports."] if more > 0 else []))


def _not_tested(sources: Sequence[Source], steps: Sequence[WorkStep], walks: Sequence[Walk]) -> tuple[str, ...]:
    lines = []
    on_sheet = {WALK_STEPS[walk.kind] for walk in walks}
    for step in steps:
        if step.key == _LAST_STEP or step.state == "done":
            continue
        if step.key in on_sheet and step.state == "open" and not step.detail:
            lines.append(f"{step.title}: the result is on this sheet, but was not added to the job.")
            continue
        why = f"left out: {step.detail}" if step.state == "skipped" else "not done"
        if step.state == "open" and step.detail:
            why = f"still open: {step.detail}"
        lines.append(f"{step.title}: {why}.")
    for kind, heading in VERDICT_KINDS.items():
        reasons: dict[str, None] = {}
        for source in sources:
            by_detector = {coverage.detector: coverage for coverage in source.analysis.coverage}
            coverage = by_detector.get(KIND_WORDS[kind].detector)
            line = word_verdict(kind, source.analysis.findings, coverage)
            if line.verdict != "not judged":
                break
            reasons |= dict.fromkeys(span.reason for span in (coverage.not_judged if coverage else ()))
        else:
            if sources:
                why = f" ({next(iter(reasons))})" if reasons else ""
                lines.append(f"{heading.capitalize()}: not judged in any recording{why}.")
    for source in sources:
        for still in word_stillness(source.analysis.summary, FindingList.of(source.analysis.findings)):
            lines.append(f"{source.label}: {still}: nothing played by which clips or cut-outs could show.")
    if not any(_settings(source) for source in sources):
        without = [f for source in sources for f in source.analysis.findings if f.kind == "knee"]
        why = f" ({describe_finding(without[-1])})" if without else ""
        lines.append(f"Gain: no recording shows it being set{why}.")
    lines += _walks_not_given(steps, walks) + word_walks_left_out(walks)
    lines.append("Whatever was not wired to the logger, and anything after the day of this sheet.")
    return tuple(lines)


def _walks_not_given(steps: Sequence[WorkStep], walks: Sequence[Walk]) -> list[str]:
    """Walks of which the sheet has no result, unless their step was named as open or left out already."""
    states = {step.key: step.state for step in steps}
    given = {walk.kind for walk in walks}
    missing = [
        title.lower()
        for kind, title in WALK_TITLES.items()
        if kind not in given and states.get(WALK_STEPS[kind]) in (None, "done")
    ]
    return [f"No readings are at hand of: {', '.join(missing)}."] if missing else []


def _basis(sources: Sequence[Source]) -> tuple[str, ...]:
    """What the volts rest on, and whether anything was lost; said once where it is alike."""
    lines = word_shared_calibrations(sources)
    lines += dict.fromkeys(
        f"Source resistance: {state['assumed']}."
        for source in sources
        for state in ((source.analysis.summary.get("supply") or {}).get("states") or {}).values()
        if state.get("highest_source_ohm") is not None and state.get("assumed")
    )
    n_lost = sum(sum(source.analysis.link_health.n_scans_lost.values()) for source in sources)
    n_expected = sum(source.analysis.link_health.n_scans_expected for source in sources)
    if sources and not n_lost and all(source.analysis.link_health.balances for source in sources):
        lines.append(f"0 lost of {n_expected:,} scans; all sums balance.")
    else:
        lines += [f"{source.label}: {word_losses(source.analysis)}" for source in sources]
    return tuple(lines)
