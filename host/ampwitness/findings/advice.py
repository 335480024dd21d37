"""What to do first, in plain words, from what was found. Ranks and words findings; measures nothing."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from ampwitness.findings.wording import count_words, describe_finding, find_worst
from ampwitness.types import Finding
from ampwitness.units import seconds_to_clock


def _advise_cutouts(cutouts: Sequence[Finding]) -> str:
    worst = find_worst(cutouts, "cutout")
    assert worst is not None
    return (
        f"Start with the cut-out at {seconds_to_clock(worst.start_s)}: {describe_finding(worst)}. "
        "The picture shows the half second before it."
    )


def _advise_clips(clips: Sequence[Finding]) -> str:
    overdrives_db = sorted(
        float(value) for f in clips if isinstance(value := f.measured.get("overdrive_db"), int | float)
    )
    if not overdrives_db:
        return f"{count_words(len(clips), 'half-cycle', 'half-cycles')} clipped; how far could not be judged."
    return (
        f"{count_words(len(clips), 'half-cycle', 'half-cycles')} clipped, by {statistics.median(overdrives_db):.1f} dB "
        f"at the median and {overdrives_db[-1]:.1f} dB at most. With the ceiling where it was, turning the gain down "
        f"by {overdrives_db[-1]:.1f} dB keeps this programme clean. Whether the gain or a sinking supply is to blame "
        "is not decided here: compare the clips with the supply at the same moment."
    )


def _advise_dips(dips: Sequence[Finding]) -> str:
    worst = find_worst(dips, "dip")
    assert worst is not None
    return (
        f"{count_words(len(dips), 'supply dip', 'supply dips')}; the deepest: {describe_finding(worst)}. Measure at "
        "the battery and at the amplifier while it happens: the difference is lost in cable, fuse holder and ground."
    )


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
        elif m.get("outcome") == "the edge was not reached":
            steps.append(
                "The gain was turned and the edge was not reached: raise the source's sub level one step, check that "
                "it is still clean, and go again."
            )
        elif m.get("outcome") == "level held (a limiter?)":
            steps.append("The output no longer rose with the source and stayed clean: look for a limiter.")
    return list(dict.fromkeys(steps))


def advise_first_steps(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Sentences in the order in which to act on them. Never empty."""
    by_kind: dict[str, list[Finding]] = {}
    for finding in findings:
        by_kind.setdefault(finding.kind, []).append(finding)
    steps: list[str] = []
    if "saturation" in by_kind:
        steps.append(
            "The logger itself was driven beyond its range: fit a larger divider before trusting levels or clips there."
        )
    if "cutout" in by_kind:
        steps.append(_advise_cutouts(by_kind["cutout"]))
    if "dip" in by_kind:
        steps.append(_advise_dips(by_kind["dip"]))
    if "clip" in by_kind:
        steps.append(_advise_clips(by_kind["clip"]))
    steps += _advise_knees(by_kind.get("knee", []))
    if any(f.measured.get("cause") in ("link", "overrun") for f in by_kind.get("gap", [])):
        steps.append('Parts of the recording are missing. Record again before you rely on a "none found".')
    return tuple(steps) or ("Nothing that asks for action was found. Read below what was looked at and what was not.",)
