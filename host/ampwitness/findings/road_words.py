"""Cut-outs, engine states, dips and switchings in sentences, and the next test for each cause. Measures nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ampwitness.detect.cutouts.cutout_gap import BEHIND_GAP, IN_GAP
from ampwitness.detect.cutouts.cutout_measure import count_batteries
from ampwitness.detect.supply.states_in_doubt import MOST_OF_12_V
from ampwitness.findings.charging_words import word_dropped
from ampwitness.types import Analysis, Finding
from ampwitness.units import fixed, seconds_to_clock, seconds_to_span

MAX_SWITCHINGS = 6
SLOW_DOUBT_S = 0.013  # what is better known needs no sentence of its own

# how a cause begins -> what to do that tells more, in the order in which they are looked up
NEXT_TESTS: tuple[tuple[str, str], ...] = (
    (
        "output stuck at DC",
        "Switch the amplifier off at once and take the speaker off: steady volts burn its coil. Do not connect one "
        "again before the amplifier is mended.",
    ),
    (
        "ground connection",
        "Run a new ground lead straight from the amplifier to the battery's minus, and record again: if the cut-outs "
        "end, it was the old ground.",
    ),
    (
        "supply connection intermittent",
        "Wiggle fuse holder, terminals and plus lead one after the other while recording: the one that brings it back "
        "is loose.",
    ),
    (
        "supply lost",
        "Measure volts on both sides of the fuse while it is out, then at the amplifier's ground: the side that has "
        "none is the broken one.",
    ),
    (
        "supply voltage too low",
        "Record again with the engine running, or with a charger on the battery: if the cut-outs end, mend the supply "
        "(battery, leads, ground), not the amplifier.",
    ),
    (
        "supply voltage too high",
        "Switch everything off, then tighten the battery's clamps and its ground, and measure at the battery with the "
        "engine running, loads switched on and off: above about 15 V the alternator's regulator or its leads are at "
        "fault. Never take a clamp off while the engine runs: the surge destroys electronics, and a battery that was "
        "charged too high gives off gas that explodes.",
    ),
    (
        "remote lead dropped",
        "Feed the amplifier's remote terminal straight from its own plus terminal, through a fuse, and record again: "
        "if the cut-outs end, the remote lead or what switches it is at fault.",
    ),
    (
        "not decided: remote lead and supply fell alike",
        "Clip the logger's ground to the battery's minus and record again: if supply and remote lead stay up there "
        "when it stops, it is the amplifier's ground lead.",
    ),
    (
        "not decided: battery and supply fell alike",
        "Clip the logger's ground to the battery's minus and record again: if battery and supply stay up there when it "
        "stops, it is the amplifier's ground lead.",
    ),
    (
        "not decided: remote lead and supply",
        "Feed the remote terminal from the battery by a lead of its own: if only the remote falls then, its old feed "
        "was at fault.",
    ),
    (
        "not decided: remote lead fell while",
        "Feed the remote terminal from the battery by a lead of its own, and record again: what falls first then is "
        "the cause.",
    ),
    (
        "not decided: remote lead",
        "Feed the amplifier's remote terminal straight from its own plus terminal, through a fuse, and record again: "
        "if the cut-outs end, the remote lead or what switches it is at fault.",
    ),
    (
        "not decided: supply and output",
        "Take the speaker leads off and play the same passage: if it stays on, measure the load and its leads for a "
        "short; if it still stops, look for what pulls the supply down at that moment.",
    ),
    (
        "protection with supply and remote fine: consistent with a guard",
        "Take the speaker leads off and measure steady volts at the output: above some tenths of a volt the amplifier "
        "needs mending. Without them, look at the source for a thump or steady volts.",
    ),
    (
        "protection with supply and remote fine: consistent with thermal",
        "Let it cool, put a fan on the heatsink and record again; then with the load off. If it lasts longer with the "
        "fan, it was heat.",
    ),
    (
        "protection",
        "Take the speaker leads off and play the same passage: if it stays on, measure the load for a short or too low "
        "an impedance; if it still stops, renew the ground, then feed the remote terminal directly.",
    ),
    (
        "not decided: the amplifier stopped",
        "Log the missing lead as well; then take the speaker leads off and play the same passage: if it stays on, look "
        "at the load.",
    ),
    (
        "not decided: it stops and tries again",
        "Take the speaker leads off and play the same passage: if it stays on, measure the load for a short or too low "
        "an impedance. Log the source as well: then a programme that is cut like that shows as such.",
    ),
    (
        "not decided: it stopped though the signal never pauses",
        "Log the source as well: then a stop tells which side it came from. Then take the speaker leads off and play "
        "the same: if it stays on, look at the load.",
    ),
    (
        "not decided: a steady hum",
        "Move the signal lead and its plugs at both ends while recording, the source's volume low: the end that brings "
        "the hum back is loose. Then log the source as well.",
    ),
    (
        "signal lost",
        "Move the signal lead and its plugs at both ends while recording, the source's volume low: the end that brings "
        "the hum back is loose.",
    ),
    (
        "signal stopped",
        "The amplifier did what it was told. Listen whether the music rests there: if it does not, look at the source, "
        "its lead and its plugs.",
    ),
    ("muted while", "Nothing to do: radios and amplifiers commonly mute while the engine is cranked."),
    (
        "not decided",
        "Log the source as well, or play noise without pauses and say --continuous: then a stop tells which side it "
        "came from.",
    ),
)


_LOWEST = (
    "One low point has several figures, the lower the shorter it was averaged: dips and engine states 10 ms, notes and "
    "cut-outs about 2 ms."
)
_STOPPED_HOW = {"cut in mid-cycle": "it was cut off in mid-cycle", "faded": "it stopped in a fade"}


_LOW_WHILE_CHARGED = (
    "Measure at the battery and at the amplifier while it happens: volts lost between them are lost in leads, fuse or "
    "ground; what the battery itself loses, another consumer pulls or the alternator does not hold."
)
_LOST_BETWEEN = (
    "Look between battery and amplifier, as the battery held its volts: measure across plus lead, fuse holder and each "
    "terminal while it happens, then across the ground lead; what shows more than some tenths of a volt is at fault."
)
_TOO_HIGH_V = 16.0  # of a 12 V supply: no charger is set as high (common practice, no source)
_CHARGED_V = 13.2  # no battery at rest stands as high


def find_next_test(cause: str, usual_v: float | None = None, *, battery_stood: bool = False) -> str:
    """The test that separates what is left; every cause has one, an unknown one that of the undecided.

    `usual_v`: supply before it; a charged one needs no engine running. `battery_stood`: it did not fall with the supply
    """
    if cause.startswith("supply voltage too low") and battery_stood:
        return _LOST_BETWEEN
    if cause.startswith("supply voltage too low") and usual_v is not None and usual_v > _CHARGED_V:
        return _LOW_WHILE_CHARGED
    return next((test for start, test in NEXT_TESTS if cause.startswith(start)), NEXT_TESTS[-1][1])


_STUCK = "output stuck at DC"
_MAY_BE_A_PAUSE = "not decided: the signal may have paused"


def is_doubtful(cutout: Finding) -> bool:
    """It may have been a pause in the programme, and little speaks against that: nothing to put in front."""
    cause = str(cutout.measured.get("cause", ""))
    return cause.startswith(_MAY_BE_A_PAUSE) and cutout.measured.get("confidence") == "low"


def plays_on(cutout: Finding) -> bool:
    """The output did not stop: steady volts stood under what it played."""
    return str(cutout.measured.get("cause", "")).endswith("under what plays")


def find_steady_v(cutout: Finding) -> float | None:
    """Steady volts that came to stand at the speaker's terminals, with their sign; None where none did."""
    if not str(cutout.measured.get("cause", "")).startswith(_STUCK):
        return None
    stood_v, before_v = (cutout.evidence.get(key) for key in ("rest_v", "rest_before_v"))
    if not isinstance(stood_v, int | float):
        return None
    return float(stood_v) - (float(before_v) if isinstance(before_v, int | float) and plays_on(cutout) else 0.0)


def find_over_voltage(summary: Mapping[str, Any]) -> float | None:
    """The highest supply of a recording, where no charger is set as high; None elsewhere."""
    highest = [
        float(figures["supply_highest_v"])
        for figures in ((summary.get("engine") or {}).get("per_state") or {}).values()
        if _is_too_high(figures)
    ]
    return max(highest, default=None)


def _is_too_high(figures: Mapping[str, Any]) -> bool:
    highest_v = figures.get("supply_highest_v")
    return highest_v is not None and bool(highest_v > _TOO_HIGH_V * count_batteries(figures["supply_mean_v"]))


def describe_cutout(finding: Finding) -> str:
    """A cut-out in one sentence without its time."""
    m, e = finding.measured, finding.evidence
    cause = str(m.get("cause", "not decided"))
    outage_s = m.get("outage_s")
    length = f"out for {outage_s:.3f} s" if isinstance(outage_s, int | float) else "out for an unknown time"
    returned = str(m.get("returned") or "")
    if returned.startswith(BEHIND_GAP):
        length = f"its return is {returned}"
    elif not m.get("recovered"):
        length = "did not come back"
    elif returned.startswith(IN_GAP):
        length = f"out for {outage_s:.3f} s at least, back somewhere {returned}"
    elif returned.startswith("not judged"):
        length += ", just before the data ended"
    elif returned:
        length += f", back {returned}"
    if cause == "remote lead dropped" and not m.get("recovered"):
        cause += ", or was switched off"
    gap_s = e.get("stopped_within_gap_s")
    where = f" within the gap from {seconds_to_clock(gap_s[0])} to {seconds_to_clock(gap_s[1])}" if gap_s else ""
    text = f"output stopped{where}: {cause}; {length}"
    steady_v = find_steady_v(finding)
    if steady_v is not None and not plays_on(finding):
        text = f"output stopped and stuck at {steady_v:.1f} V DC; {length}"
        if e.get("stood_at_first"):
            gone = f"gone after {outage_s:.3f} s" if m.get("recovered") else "to the end"
            text = f"output stood at {steady_v:.1f} V DC without sound from the first moment seen, {gone}"
    if plays_on(finding):
        volts = "steady volts" if steady_v is None else f"{steady_v:.1f} V of steady volts"
        gone = f"for {outage_s:.1f} s" if m.get("recovered") and outage_s is not None else "to the end"
        text = f"output carried {volts} under what it played on, {gone}"
    protection = e.get("protection")
    if protection and str(protection) not in cause:
        text += f"; if the amplifier did it: {protection}"
    if e.get("stopped_how") and cause.startswith("not decided"):
        text += f"; {_STOPPED_HOW.get(e['stopped_how'], 'it stopped ' + e['stopped_how'])}"
    if m.get("confidence"):
        text += f" (confidence {m['confidence']})"
    return text


def explain_cutout(finding: Finding) -> tuple[str, ...]:
    """What came first, why, what is not excluded, and the next test; one sentence each."""
    e = finding.evidence
    out = []
    if e.get("in_time_order"):
        out.append("In order of time: " + "; ".join(e["in_time_order"]) + ".")
    doubt_s = finding.measured.get("start_uncertainty_s")
    if isinstance(doubt_s, int | float) and doubt_s > SLOW_DOUBT_S:
        why = "A gap hides it" if e.get("stopped_within_gap_s") else "It fell slowly"
        out.append(f"{why}: its start is known to +-{1e3 * doubt_s:.0f} ms.")
    if e.get("reasons"):
        out.append("Because: " + "; ".join(e["reasons"]) + ".")
    if e.get("not_excluded"):
        out.append("Not excluded: " + "; ".join(e["not_excluded"]) + ".")
    cause = str(finding.measured.get("cause", "not decided"))
    out.append(
        "Next test: " + find_next_test(cause, e.get("supply_reference_v"), battery_stood=bool(e.get("battery_stood")))
    )
    return tuple(out)


def word_road(summary: Mapping[str, Any], cutouts: Mapping[str, str] | None = None) -> tuple[str, ...]:
    """Sentences on engine states, the level of letting go, dips by duration, and switchings; empty where none.

    `cutouts`: by the engine's state, those that began in it as they are counted elsewhere (`count_cutouts_by_state`)
    """
    dips = _word_dips(summary.get("dips") or {})
    engine = summary.get("engine") or {}
    return (
        *_word_states(engine, (summary.get("supply") or {}).get("states") or {}, cutouts or {}),
        *word_dropped(summary),
        *_word_level((summary.get("cutouts") or {}).get("under_voltage")),
        *dips,
        *([_LOWEST] if dips else []),
        *_word_switchings((summary.get("cutouts") or {}).get("switchings") or ()),
    )


def _word_states(engine: Mapping[str, Any], of_supply: Mapping[str, Any], cutouts: Mapping[str, str]) -> list[str]:
    """`of_supply`: the states by which the supply's own figures are counted, which know the battery's kind."""
    names = {"rest": "Engine at rest", "cranking": "Engine being cranked", "charging": "Engine charging"}
    out = []
    if set(engine.get("per_state") or {}) == {"charging"}:  # never started, never at rest: no engine was seen at all
        names["charging"] = "Charging throughout (by the volts: a running engine, a charger or a bench supply)"
        if set(of_supply) == {"at rest"}:
            names["charging"] = (
                "Charging throughout, or a battery that rests this high (by the volts alone; the supply's own figures "
                "count it as at rest)"
            )
    for state, figures in (engine.get("per_state") or {}).items():
        text = (
            f"{names.get(state, 'Engine state not decidable')}: {seconds_to_span(figures['duration_s'])}, supply "
            f"{fixed(figures['supply_mean_v'], 2)} V at the mean, {fixed(figures['supply_lowest_v'], 2)} V at the "
            "lowest (10 ms)"
        )
        if _is_too_high(figures):
            text += f", {fixed(figures['supply_highest_v'], 2)} V at the highest, which is too high"
        if figures["n_dips"]:
            text += f"; {_some(figures['n_dips'], 'dip')}, the deepest to {fixed(figures['deepest_residual_v'], 2)} V"
            beside = [figures.get("deepest_role")] if figures.get("deepest_role") not in (None, "supply") else []
            beside += [f"while {figures['deepest_during']}"] if figures.get("deepest_during") else []
            text += f" ({', '.join(beside)})" if beside else ""
        if figures["n_clips"]:
            share = f"{100 * figures['clipped_share']:.2f} % of the time"
            text += f"; {_some(figures['n_clips'], 'clipped half-cycle')}, {share}"
        if figures["n_cutouts"]:
            text += f"; {cutouts.get(state) or _some(figures['n_cutouts'], 'cut-out')}"
        out.append(text + ".")
    return out + [f"{remark[0].upper()}{remark[1:]}." for remark in engine.get("remarks") or ()]


def _some(n: int, what: str) -> str:
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def _word_level(level: Mapping[str, Any] | None) -> list[str]:
    if not level:
        return []
    low_v, high_v = level["interval_v"]
    text = f"This amplifier switches off at about {level['level_v']:.2f} V (95 %: {low_v:.2f} to {high_v:.2f} V)"
    if level["n_stops"] > 1:
        text += f", learned from {level['n_stops']} stops that scattered by {level['spread_v']:.2f} V"
    else:
        text += ", learned from one stop: more of them, at slower falls, narrow it"
    if level.get("held_v") is not None:
        text += f"; before that it had gone on through {level['held_v']:.2f} V"
    return [text + "."]


def _word_dips(dips: Mapping[str, Any]) -> list[str]:
    out = []
    for role, table in (dips.get("table") or {}).items():
        total = sum(map(sum, table["n"]))
        if not total:
            continue
        columns = [f"up to {edge:g} s" if edge is not None else "longer" for edge in table["duration_to_s"]]
        parts = []
        above = 100
        for low, row in zip(table["residual_from_percent"], table["n"], strict=True):
            filled = ", ".join(f"{n} {name}" for n, name in zip(row, columns, strict=True) if n)
            if filled:
                parts.append(f"{low} to {above} % left: {filled}")
            above = low
        out.append(f"Dips of the {role} by what was left and how long: {'; '.join(parts)}.")
    return out


def _word_switchings(switchings: Sequence[Mapping[str, Any]]) -> list[str]:
    out = []
    for entry in switchings[:MAX_SWITCHINGS]:
        text = f"{str(entry['what']).capitalize()} at {seconds_to_clock(entry['start_s'])}: "
        if entry["delay_s"] is None:
            text += f"{entry['not_seen']}"
        else:
            # A lead is dated to a millisecond or two: silence a little ahead of it is no delay below none.
            text += f"{'silent' if entry['what'] == 'turn-off' else 'sound'} after {max(entry['delay_s'], 0.0):.2f} s"
        if entry.get("source_after_s") is not None:
            text += f", of which the source was silent for {entry['source_after_s']:.2f} s"
        if entry["thump_v"] is not None:
            text += f", thump of {abs(entry['thump_v']):.1f} V"
        out.append(text + ".")
    if len(switchings) > MAX_SWITCHINGS:
        out.append(f"{len(switchings) - MAX_SWITCHINGS:,} more switchings stand in the JSON.")
    return out


def is_beyond_12_v(analysis: Analysis) -> bool:
    """Whether the supply was declared, in the recording's notes, as higher than any of a 12 V vehicle."""
    nominal_v = analysis.settings.notes.get("nominal_supply_v")
    return isinstance(nominal_v, int | float) and not isinstance(nominal_v, bool) and nominal_v > MOST_OF_12_V
