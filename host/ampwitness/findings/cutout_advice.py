"""What to do about cut-outs, steady volts and a supply that is charged too high. Words findings; measures nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ampwitness.detect.cutouts.cutout_cause import OVER, RETRYING
from ampwitness.finding_list import FindingList
from ampwitness.findings.described import describe_finding
from ampwitness.findings.road_words import find_next_test, find_over_voltage, find_steady_v, is_doubtful
from ampwitness.findings.wording import count_cutouts, find_worst, word_equal
from ampwitness.types import Finding
from ampwitness.units import seconds_to_clock, seconds_to_span

_MANY = 4  # an amplifier that stops so often is heard at once; music rests so all the time


def advise_cutouts(cutouts: Sequence[Finding], before: Sequence[str]) -> str:
    """What to start with. `before`: the steps ahead of this one; a test that stands there is not told again."""
    worst = find_worst(cutouts, "cutout")
    assert worst is not None
    cause = str(worst.measured.get("cause", "not decided"))
    test = find_next_test(
        cause,
        worst.evidence.get("supply_reference_v"),
        battery_stood=bool(worst.evidence.get("battery_stood")),
    )
    if any(test in step for step in before):
        test = "What to do about it stands above."
    doubtful = [one for one in cutouts if is_doubtful(one)]
    if is_doubtful(worst) and len(doubtful) >= _MANY:
        return _advise_many(doubtful, test)
    if worst.severity == "information":  # it should be so: nothing to start with
        n = count_cutouts(FindingList.of(cutouts))
        return f"{n}, none of which points at the amplifier. The longest: {describe_finding(worst)}. {test}"
    at = seconds_to_clock(worst.start_s)
    steady_v = find_steady_v(worst)
    if steady_v is not None and worst.severity == "danger":
        return (
            f"Switch the amplifier off at once and take the speaker off: {steady_v:.1f} V of steady volts at its "
            f"terminals. Steady volts burn its coil. From {at} on its {describe_finding(worst)}. Do not connect one "
            f"again before the amplifier is mended.{_word_not_excluded(worst)}"
        )
    if is_doubtful(worst):
        return f"Find out whether the stop at {at} was in the music. {test} What is known: {describe_finding(worst)}."
    return (
        f"Start with the cut-out at {at}. Its {describe_finding(worst)}. "
        f"Its picture in the page shows what came first. {test}"
    )


def _advise_many(silences: Sequence[Finding], test: str) -> str:
    """What to do about many stops that may all be the music's own."""
    lengths_s = [one.stop_s - one.start_s for one in silences]
    at = ", ".join(seconds_to_clock(one.start_s) for one in silences[:2])
    return (
        f"Listen whether the music itself rests, at {at} for example. There are {len(silences):,} such stops, of "
        f"{min(lengths_s):.2f} to {max(lengths_s):.2f} s, and nothing that was logged points at the amplifier: notes "
        f"played short end like that. If it does not rest there: {test[0].lower()}{test[1:]}"
    )


def advise_silences(summary: Mapping[str, Any]) -> str:
    """What to do about silences that nothing explains and nothing else asks for action beside; empty without any."""
    silences = (summary.get("cutouts") or {}).get("silences") or {}
    if not silences.get("n"):
        return ""
    at, span = seconds_to_clock(silences["longest_start_s"]), seconds_to_span(silences["longest_s"])
    n = "once" if silences["n"] == 1 else f"{silences['n']:,} times, the longest"
    test = find_next_test(RETRYING if silences.get("n_equal") else "not decided")
    return (
        f"Listen whether the music pauses at {at}. The output was silent {n} for {span}, and nothing that was logged "
        f"tells a pause from a cut-out.{word_equal(silences)} If the music does not pause there, "
        f"{test[0].lower()}{test[1:]}"
    )


def _word_not_excluded(cutout: Finding) -> str:
    """What else it may have been, where that is more than a formality: a clip of the logger that came off, say."""
    others = cutout.evidence.get("not_excluded")
    if not others or cutout.measured.get("confidence") == "high":
        return ""
    return f" Not excluded, so look with the amplifier off: {'; '.join(others)}."


def advise_over_voltage(summary: Mapping[str, Any]) -> list[str]:
    """A supply that is charged too high, whether or not anything stopped for it."""
    highest_v = find_over_voltage(summary)
    if highest_v is None:
        return []
    return [
        f"See to the charging first: the supply stood at up to {highest_v:.2f} V, higher than any charger is set. "
        f"{find_next_test(OVER)}"
    ]
