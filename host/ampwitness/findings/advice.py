"""What to do first, in plain words, from what was found. Ranks and words findings; measures nothing.

Each step begins with what to do, in one short sentence; why, and how much it gains, stand behind it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ampwitness.detect.cutouts.cutout_measure import count_batteries
from ampwitness.detect.soak.trends import WITH_SUPPLY
from ampwitness.detect.tones.gain_steps import SOURCE_CLIPPED
from ampwitness.finding_list import FindingList
from ampwitness.findings.cause_advice import MEND_FIRST
from ampwitness.findings.charging_words import FLAT_V, advise_charged_high, advise_dropped, advise_left, advise_sunk
from ampwitness.findings.clip_advice import SOURCE_FIRST, advise_clips
from ampwitness.findings.cutout_advice import advise_cutouts, advise_over_voltage, advise_silences
from ampwitness.findings.described import describe_finding, is_without_supply
from ampwitness.findings.headline import word_stillness
from ampwitness.findings.lead_words import advise_leads
from ampwitness.findings.remote_words import advise_drops
from ampwitness.findings.road_words import is_doubtful
from ampwitness.findings.sag_words import advise_sag
from ampwitness.findings.supply_words import find_engine_beside, word_beyond
from ampwitness.findings.tone_words import (
    AFTER_SOURCE_CLIPPED,
    advise_ceilings,
    advise_distorted,
    advise_knees,
    advise_turned,
    advise_unseen,
    find_tone_overdrive,
)
from ampwitness.findings.wording import count_words, find_worst
from ampwitness.types import Coverage, Finding
from ampwitness.units import seconds_to_clock, seconds_to_span

_DIP_TEST = (
    "Find where the supply's volts are lost. Measure at the battery and at the amplifier while it dips: the difference "
    "is lost in cable, fuse holder and ground."
)


_OPEN_TEST = (
    "Find the contact that opens. Under a tenth of the volts was left, and no consumer pulls a battery down so far: "
    "wiggle fuse holder, terminals, plus lead and the logger's own supply clip one after the other while recording."
)

LEAST_LOOKED_AT_S = 1.0  # from here on "nothing found" is worth saying
_JUDGES = ("clipping", "cutouts", "dips")
OFTEN_BEYOND = 0.1  # of the notes


def _advise_settings(settings: Sequence[Finding], n_clips: int) -> str | None:
    """What a gain setting in the recording leaves to do; None where there was none that says so."""
    if not settings:
        return None
    last = settings[-1].measured
    margin_db = next(
        (db for f in reversed(settings) if isinstance(db := f.measured.get("margin_db"), int | float)), None
    )
    purpose = ""
    if n_clips:
        purpose = f" {count_words(n_clips, 'half-cycle', 'half-cycles')} clipped on purpose, to find the edge."
    to_do = str(last.get("next") or "")
    if margin_db is None:
        return f"{to_do[0].upper()}{to_do[1:]}. The setting ended so: {last.get('line')}.{purpose}" if to_do else None
    if margin_db >= 0:
        return f"Leave the gain where it is. It was left {margin_db:.1f} dB below the edge.{purpose}"
    return f"Turn the gain down by {-margin_db:.1f} dB. It was left so far beyond the edge.{purpose}"


def find_cranking(summary: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Start and stop of each span in which the engine was being cranked, by the summary of the analysis."""
    spans = (summary.get("engine") or {}).get("spans") or ()
    return tuple((span["start_s"], span["stop_s"]) for span in spans if span["state"] == "cranking")


def _is_within(finding: Finding, spans: Sequence[tuple[float, float]]) -> bool:
    return any(finding.start_s < stop_s and finding.stop_s > start_s for start_s, stop_s in spans)


def _advise_dips(
    dips: Sequence[Finding],
    cranking: Sequence[tuple[float, float]],
    states: Mapping[str, Any] | None = None,
    left: str = "",
) -> str:
    """`left`: what is told already of a battery that was all but empty behind its charging."""
    others = [dip for dip in dips if not (dip.measured.get("during") or _is_within(dip, cranking))]
    worst = find_worst(others or dips, "dip")
    assert worst is not None
    if not others:
        n_dips = count_words(len(dips), "supply dip", "supply dips")
        if all(_is_within(dip, cranking) for dip in dips):
            why = "only while the engine was cranked, as any starter makes"
            return f"Leave the dips as they are. {n_dips}, {why}; the deepest: {describe_finding(worst)}."
        why = "each of them explained by the engine or by a lost connection"
        return f"See to what made the dips, not to the dips. {n_dips}, {why}; the deepest: {describe_finding(worst)}."
    n_dips = count_words(len(others), "supply dip", "supply dips")
    beside = ""
    if len(others) < len(dips):
        is_starter = all(_is_within(dip, cranking) for dip in dips if dip not in others)
        beside = " besides the starter's" if is_starter else " besides those that the engine or a lost lead explains"
    looked_for = _OPEN_TEST if worst.evidence.get("is_interruption") else _DIP_TEST
    test = ("" if left else _word_flat(worst, states or {})) or looked_for
    return f"{test} {n_dips}{beside}; the deepest: {describe_finding(worst)}."


def _word_flat(dip: Finding, states: Mapping[str, Any]) -> str:
    """What to do where the battery itself stood too low before anything pulled at it; empty where it did not."""
    rest = states.get("at rest") or {}
    open_v = rest.get("open_v")
    if dip.measured.get("engine_state") != "rest" or not isinstance(open_v, int | float):
        return ""
    if find_engine_beside(rest) not in (None, "rest"):  # then those are no volts of a battery at rest
        return ""
    n_batteries = int(count_batteries(float(open_v)))
    if open_v >= FLAT_V * n_batteries:
        return ""
    return (
        f"Charge the battery first, and test it. With the engine off it stood at {open_v:.2f} V while the amplifier "
        f"was quiet, and one that rests below {FLAT_V * n_batteries:.0f} V is nearly flat or worn. If the supply "
        "still dips with a full one, measure at the battery and at the amplifier meanwhile: the difference is lost in "
        "cable, fuse holder and ground."
    )


def _find_beyond(supply: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The notes of the worst engine state under which the supply fell further than their own power explains."""
    states = (supply.get("states") or {}).values()
    # A single one, as a rule, is a dip that has a step of its own.
    found = [beyond for state in states if (beyond := state.get("beyond_own_power")) and beyond["n_notes"] > 1]
    return max(found, key=lambda beyond: float(beyond["sag_v"] - beyond["explained_v"]), default=None)


def _advise_beyond(beyond: Mapping[str, Any]) -> str:
    words = word_beyond(beyond)
    return (
        f"Find what else pulls the supply down. {words[0].upper()}{words[1:]}. Record again with other consumers off: "
        "if it stays, follow the supply from the battery on (`ampwitness check-supply`)."
    )


def _find_clean_from(knees: Sequence[Finding]) -> float | None:
    """When the last curve began that reached the amplifier's own edge; None where a source clipped last, or none is."""
    if not knees or knees[-1].measured.get("outcome") == SOURCE_CLIPPED:
        return None
    return knees[-1].start_s


def split_step(step: str) -> tuple[str, str]:
    """A step into what to do and why: its first sentence, and the rest (which may be empty)."""
    what, stop, why = step.partition(". ")
    return (f"{what}.", why) if stop else (step, "")


def _advise_range(saturations: Sequence[Finding]) -> list[str]:
    """Which inputs need a larger range; empty where each is a supply that was gone."""
    roles = sorted({str(one.measured.get("role")) for one in saturations if not is_without_supply(one)})
    if not roles:
        return []
    which = f"{' and '.join(roles)} {'input' if len(roles) == 1 else 'inputs'}"
    return [
        f"Fit a larger divider in front of the {which}, or play softer, before trusting levels or clips. The logger "
        "itself was driven beyond its range there."
    ]


def _advise_source(summary: Mapping[str, Any]) -> list[str]:
    """The logged source's own flats, where no clip of the output is put down to them."""
    clipping = summary.get("clipping") or {}
    n_flat, worst_db = clipping.get("source_n_clips") or 0, clipping.get("source_worst_db")
    if not n_flat or clipping.get("n_in_source"):
        return []
    how_far = "" if worst_db is None else f", up to {worst_db:.1f} dB past its ceiling"
    return [
        "Turn the player down, or its tone controls and sub level, until its own half-cycles are whole. "
        f"{count_words(n_flat, 'was', 'were')} cut off in the logged source{how_far}: behind a crossover that leaves "
        "no flat in the output, and is heard all the same. If they stay at any volume, they lie in what was played."
    ]


def _advise_drifts(drifts: Sequence[Finding]) -> list[str]:
    """What to do about the level that sank most over the hours; one that rose asks for nothing."""
    sunk = [drift for drift in drifts if drift.severity == "attention"]
    if not sunk:
        return []
    worst = min(sunk, key=lambda drift: float(drift.measured["change_db"] or 0.0))
    act, reason = (
        ("Find why the supply sinks over the hours", "the output follows it")
        if worst.measured.get("cause") == WITH_SUPPLY
        else (
            "Let amplifier and loudspeaker cool, and play the same again",
            "what comes back when cold was lost to heat",
        )
    )
    return [f"{act}. From {seconds_to_clock(worst.start_s)} on {describe_finding(worst)}: {reason}."]


def _advise_missing(recording: Mapping[str, Any]) -> list[str]:
    """What to do about files of the recording that are not there, and about a board that had gone."""
    steps = []
    if away_s := recording.get("away_at_end_s"):
        steps.append(
            "Find why the board went away, and record again. See to its cable and the computer's sleep: for the last "
            f"{seconds_to_span(away_s, 1)} it was gone, and nobody knows what happened then."
        )
    if recording.get("missing_parts") or recording.get("lacks_later_parts"):
        steps.append(
            "Put the missing parts beside the others and report the folder again. What they hold was not looked at."
        )
    return steps


def _advise_nothing(listed: FindingList, summary: Mapping[str, Any], coverage: Sequence[Coverage]) -> str:
    """What is left to say where no finding asks for anything: that all is well, unless hardly anything was looked at
    or nothing played."""
    judged_s = [one.judged_s for one in coverage if one.detector in _JUDGES]
    if judged_s and max(judged_s) < LEAST_LOOKED_AT_S:
        return (
            "Record again, for a minute or longer. Hardly anything of this recording could be looked at: that nothing "
            "was found says nothing."
        )
    for still in word_stillness(summary, listed):
        return (
            "Check the logger's leads, the source and the amplifier's remote lead, and record again. In all the time "
            f"{still}: nothing played by which clips or cut-outs could show."
        )
    if silences := advise_silences(summary):
        return f"{silences} Nothing else asks for action."
    nothing = "Nothing that asks for action was found in what was looked at."
    is_heard = any(one.detector == "clipping" and one.judged_s >= LEAST_LOOKED_AT_S for one in coverage)
    if is_heard and not listed.n_of("knee") and not listed.n_of("clip"):
        nothing += (
            " A few clips in dense music can be missed: a test tone at rising gain shows how far the gain may go."
        )
    return nothing


def _word_reduced(reduction: Mapping[str, Any] | None, n_clips: int) -> str:
    """That the clips are the worst of more, where the reduction left some out; empty where it kept them all."""
    n_before = ((reduction or {}).get("found") or {}).get("clip", 0)
    if n_before <= n_clips:
        return ""
    return f" They are the worst of {n_before:,}: the reduction left lighter ones out."


def _sum_s(listed: FindingList | None) -> float:
    """How long all of them lasted together, seconds."""
    return float((listed.stop_s - listed.start_s).sum()) if listed else 0.0


def advise_first_steps(
    findings: Sequence[Finding], summary: Mapping[str, Any] | None = None, coverage: Sequence[Coverage] = ()
) -> tuple[str, ...]:
    """Sentences in the order in which to act on them. Never empty. `summary` and `coverage`: of the whole analysis."""
    listed = FindingList.of(findings)
    by_kind = {kind: listed.of_kind(kind) for kind in listed.kinds}
    said = summary or {}
    steps = [*advise_over_voltage(said), *advise_leads(said), *_advise_range(by_kind.get("saturation", ()))]
    later: list[str] = []
    if "cutout" in by_kind:
        worst = find_worst(by_kind["cutout"], "cutout")
        is_worth = worst is not None and worst.severity != "information" and not is_doubtful(worst)
        (steps if is_worth else later).append(advise_cutouts(by_kind["cutout"], steps))
    left = advise_left(said)
    steps += [*advise_drops(said, listed), *advise_sunk(said), *([left] if left else [])]
    dips: list[str] = []
    if "dip" in by_kind:
        cranking = find_cranking(summary or {})
        is_only_cranked = all(dip.measured.get("during") or _is_within(dip, cranking) for dip in by_kind["dip"])
        (later if is_only_cranked else dips).append(
            _advise_dips(by_kind["dip"], cranking, (said.get("supply") or {}).get("states"), left)
        )
    beyond = _find_beyond((summary or {}).get("supply") or {})
    if beyond is not None:
        # Under a few notes of a drive it was a fan or a lamp: that comes after what the amplifier itself needs.
        is_often = beyond["n_notes"] >= OFTEN_BEYOND * beyond["n_looked_at"]
        (dips if is_often else later).append(_advise_beyond(beyond))
    knees = by_kind.get("knee", FindingList.of(()))
    set_gain = _advise_settings(by_kind.get("setting", ()), len(by_kind.get("clip", ())))
    # Where a gain was set the source was turned up to its own edge on purpose.
    clips = [] if by_kind.get("setting") else _advise_source(summary or {})
    if set_gain is None:
        set_gain = advise_turned(knees, by_kind.get("clip", FindingList.of(())))
        later = [*advise_ceilings(listed), *later]
    if set_gain is not None:
        clips.append(set_gain)
    elif "clip" in by_kind:
        clips += advise_clips(
            listed,
            (summary or {}).get("supply") or {},
            _find_clean_from(knees),
            find_tone_overdrive(listed, by_kind["clip"]),
            ((summary or {}).get("clipping") or {}).get("source_n_clips") is not None,
        )
        clips[-1] += _word_reduced(((summary or {}).get("recording") or {}).get("reduction"), listed.n_found("clip"))
    is_of_source = any(step.startswith(SOURCE_FIRST) for step in clips)
    clips += [*advise_distorted(listed), *advise_unseen(listed)]
    is_more_clipped = _sum_s(by_kind.get("clip")) > _sum_s(by_kind.get("dip"))  # what took more of the time comes first
    steps += [*clips, *dips] if is_more_clipped else [*dips, *clips]
    if set_gain is None:
        steps += [step for step in advise_knees(knees) if not (is_of_source and step == AFTER_SOURCE_CLIPPED)]
    is_supply_told = bool(dips) or any(step.startswith(MEND_FIRST) for step in clips)
    sag = [] if is_supply_told else advise_sag(by_kind.get("note", FindingList.of(())))
    steps += [*sag, *advise_charged_high(said), *_advise_drifts(by_kind.get("drift", ()))]
    if lacking := _advise_missing(said.get("recording") or {}):
        steps += lacking
    elif any(f.measured.get("cause") in ("link", "overrun") for f in by_kind.get("gap", [])):
        steps.append('Record again before you rely on a "none found". Parts of the recording are missing.')
    steps += [*advise_dropped(said), *later]
    if not steps:
        return (_advise_nothing(listed, said, coverage),)
    # What was heard asks for nothing, or silences of one length, or at a low supply, speak for an amplifier.
    still = (said.get("cutouts") or {}).get("silences") or {}
    is_worth = steps == sag or bool(still.get("n_equal") or still.get("n_low"))
    if is_worth and (silences := advise_silences(said)):
        steps.append(silences)
    return tuple(steps)
