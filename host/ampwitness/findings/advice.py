"""What to do first, in plain words, from what was found. Ranks and words findings; measures nothing."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.finding_list import FindingList
from ampwitness.findings.road_words import find_next_test
from ampwitness.findings.wording import count_words, describe_finding, find_worst
from ampwitness.types import Finding
from ampwitness.units import seconds_to_clock

# cause -> how it is spoken of after a count
CAUSE_WORDS = {
    "drive": "from too much drive",
    "both": "from drive and supply together",
    "supply": "for want of supply",
    "not decidable": "not decidable",
}

_DIP_TEST = (
    "Measure at the battery and at the amplifier while it happens: the difference is lost in cable, fuse holder and "
    "ground."
)


def _advise_cutouts(cutouts: Sequence[Finding]) -> str:
    worst = find_worst(cutouts, "cutout")
    assert worst is not None
    test = find_next_test(str(worst.measured.get("cause", "not decided")))
    if worst.severity == "information":  # it should be so: nothing to start with
        n = count_words(len(cutouts), "cut-out", "cut-outs")
        return f"{n}, none of which points at the amplifier; the longest: {describe_finding(worst)}. {test}"
    return (
        f"Start with the cut-out at {seconds_to_clock(worst.start_s)}: {describe_finding(worst)}. "
        f"Its picture in the page shows what came first. {test}"
    )


_SOURCE = (
    "clipped before the amplifier: the source clips. Lower the player's volume or sub level until its tone is clean. "
    "The amplifier's gain is not the cause."
)


FAR_DB = 12.0
_FAR = (
    f"Crests of {FAR_DB:.0f} dB and more past the ceiling are nearly square: how high they would have gone is guessed "
    "from their flanks, and a programme that was limited hard or squared off before the amplifier looks the same. "
)


def _is_in_source(listed: FindingList) -> npt.NDArray[np.bool_]:
    """(n,) which clips were cut off before the amplifier."""
    told = listed.values("is_source")
    unknown = np.flatnonzero(np.isnan(told))
    told[unknown] = [listed[int(at)].measured.get("origin") == "source" for at in unknown]
    return np.asarray(told > 0)


def _advise_settings(settings: Sequence[Finding], n_clips: int) -> str | None:
    """What a gain setting in the recording leaves to do; None where none was finished."""
    margin_db = next(
        (db for f in reversed(settings) if isinstance(db := f.measured.get("margin_db"), int | float)), None
    )
    if margin_db is None:
        return None
    purpose = f"{count_words(n_clips, 'half-cycle', 'half-cycles')} clipped on purpose, to find the edge. "
    if margin_db >= 0:
        return f"{purpose}The gain was left {margin_db:.1f} dB below it: nothing to do."
    return f"{purpose}The gain was left {-margin_db:.1f} dB beyond it: turn it down by {-margin_db:.1f} dB."


def _advise_clips(clips: Sequence[Finding], summary: Mapping[str, Any]) -> str:
    listed = FindingList.of(clips)
    in_source = _is_in_source(listed)
    if in_source.any():
        source = f"{count_words(int(in_source.sum()), 'half-cycle was', 'half-cycles were')} {_SOURCE}"
        rest = listed.take(np.flatnonzero(~in_source))
        return f"{source} Beside that: {_advise_amplifier_clips(rest, summary)}" if len(rest) else source
    return _advise_amplifier_clips(listed, summary)


def _advise_amplifier_clips(listed: FindingList, summary: Mapping[str, Any]) -> str:
    values = listed.values("overdrive_db")
    overdrives_db = np.sort(values[np.isfinite(values)]).tolist()
    if not overdrives_db:
        return f"{count_words(len(listed), 'half-cycle', 'half-cycles')} clipped; how far could not be judged."
    n_clips = count_words(len(listed), "half-cycle", "half-cycles")
    median_db, most_db = statistics.median(overdrives_db), overdrives_db[-1]
    said = f"{n_clips} clipped, by {median_db:.1f} dB at the median and {most_db:.1f} dB at most. "
    causes = listed.texts("cause")
    turn_down = f"turning the gain down by {most_db:.1f} dB keeps this programme clean"
    most_of_it_db = overdrives_db[int(0.95 * len(overdrives_db))]
    if len(overdrives_db) >= 20 and most_db - most_of_it_db >= 1.0:
        turn_down += f" ({most_of_it_db:.1f} dB leaves one clipped half-cycle of twenty)"
    if most_db >= FAR_DB:
        said += _FAR
    if not causes:
        return (
            f"{said}With the ceiling where it was, {turn_down}. Whether the gain or a sinking supply is to blame is "
            "not decided here: compare the clips with the supply at the same moment."
        )
    return said + _advise_by_cause(causes, turn_down, summary)


def _advise_by_cause(causes: Counter[str], turn_down: str, summary: Mapping[str, Any]) -> str:
    """What to do first, by whose fault the clips are, and what each remedy gains."""
    words = ", ".join(f"{causes[name]:,} {CAUSE_WORDS[name]}" for name in CAUSE_WORDS if causes[name])
    decided = sum(causes.values()) - causes["not decidable"]
    if not decided:
        return f"Whose fault it was could not be decided ({words}). With the ceiling where it was, {turn_down}."
    remedies = list(summary.get("remedies") or ())
    gain = summary.get("clip_gain") or {}
    supply_share = (causes["supply"] + 0.5 * causes["both"]) / decided
    said = f"Of these {words}. "
    mend = _word_remedies(remedies)
    if supply_share >= 0.5:
        said += f"Mend the supply first{': ' + mend if mend else ''}. "
        left_db = gain.get("left_with_supply_db")
        if isinstance(left_db, int | float):
            said += f"On a supply that never sags {left_db:.1f} dB would still be too much. "
        return said + f"Until then {turn_down}."
    said += f"Turn the gain down first: {turn_down}."
    if mend and causes["supply"] + causes["both"]:
        said += f" Mending the supply gains less: {mend}."
    elif not causes["supply"] and not causes["both"]:
        said += " A better supply would not have prevented it."
    return said


def _word_remedies(remedies: Sequence[Mapping[str, Any]]) -> str:
    """`halving the resistance of the plus lead gains about 0.3 dB, ...`, the best first."""
    parts = []
    for remedy in remedies:
        gain_db = remedy.get("gain_db")
        if not isinstance(gain_db, int | float) or gain_db < 0.05:
            continue
        what, how = remedy.get("what"), remedy.get("how")
        if what == "alternator":
            parts.append(f"the {how} gains about {gain_db:.1f} dB of clean output")
        elif what == "the whole supply":
            parts.append(f"all sag together costs {gain_db:.1f} dB")
        else:
            parts.append(f"half the resistance in {what} gains about {gain_db:.1f} dB")
    return "; ".join(parts)


def find_cranking(summary: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Start and stop of each span in which the engine was being cranked, by the summary of the analysis."""
    spans = (summary.get("engine") or {}).get("spans") or ()
    return tuple((span["start_s"], span["stop_s"]) for span in spans if span["state"] == "cranking")


def _is_within(finding: Finding, spans: Sequence[tuple[float, float]]) -> bool:
    return any(finding.start_s < stop_s and finding.stop_s > start_s for start_s, stop_s in spans)


def _advise_dips(dips: Sequence[Finding], cranking: Sequence[tuple[float, float]]) -> str:
    others = [dip for dip in dips if not _is_within(dip, cranking)]
    worst = find_worst(others or dips, "dip")
    assert worst is not None
    if not others:
        return (
            f"{count_words(len(dips), 'supply dip', 'supply dips')}, only while the engine was cranked, as any starter "
            f"makes; the deepest: {describe_finding(worst)}."
        )
    if len(others) < len(dips):
        return (
            f"{count_words(len(others), 'supply dip', 'supply dips')} besides the starter's; the deepest: "
            f"{describe_finding(worst)}. {_DIP_TEST}"
        )
    return f"{count_words(len(dips), 'supply dip', 'supply dips')}; the deepest: {describe_finding(worst)}. {_DIP_TEST}"


def _advise_knees(knees: Sequence[Finding]) -> list[str]:
    """What the gain curves ask for."""
    steps = []
    for finding in knees:
        m = finding.measured
        if m.get("outcome") == "source clipped before the amplifier":
            steps.append(
                "The source was already clipped before the amplifier: lower its volume or sub level until its tone is "
                "clean, then set the amplifier's gain again."
            )
        elif "too fast" in str(m.get("outcome")):
            steps.append(
                "The gain was turned past the edge too fast to say where it lies: turn slower there, once more."
            )
        elif m.get("outcome") == "the edge was not reached":
            steps.append(
                "The gain was turned and the edge was not reached: raise the source's sub level one step, check that "
                "it is still clean, and go again."
            )
        elif m.get("outcome") == "level held (a limiter?)":
            steps.append("The output no longer rose with the source and stayed clean: look for a limiter.")
    return list(dict.fromkeys(steps))


def advise_first_steps(findings: Sequence[Finding], summary: Mapping[str, Any] | None = None) -> tuple[str, ...]:
    """Sentences in the order in which to act on them. Never empty. `summary` is that of the whole analysis."""
    listed = FindingList.of(findings)
    by_kind = {kind: listed.of_kind(kind) for kind in listed.kinds}
    steps: list[str] = []
    if "saturation" in by_kind:
        steps.append(
            "The logger itself was driven beyond its range: fit a larger divider before trusting levels or clips there."
        )
    later: list[str] = []
    if "cutout" in by_kind:
        worst = find_worst(by_kind["cutout"], "cutout")
        is_worth = worst is not None and worst.severity != "information"
        (steps if is_worth else later).append(_advise_cutouts(by_kind["cutout"]))
    if "dip" in by_kind:
        cranking = find_cranking(summary or {})
        is_only_cranked = all(_is_within(dip, cranking) for dip in by_kind["dip"])
        (later if is_only_cranked else steps).append(_advise_dips(by_kind["dip"], cranking))
    if "clip" in by_kind:
        set_gain = _advise_settings(by_kind.get("setting", ()), len(by_kind["clip"]))
        steps.append(set_gain or _advise_clips(by_kind["clip"], (summary or {}).get("supply") or {}))
    steps += _advise_knees(by_kind.get("knee", []))
    if any(f.measured.get("cause") in ("link", "overrun") for f in by_kind.get("gap", [])):
        steps.append('Parts of the recording are missing. Record again before you rely on a "none found".')
    return tuple(steps + later) or ("Nothing that asks for action was found in what was looked at.",)
