"""Meter checks before an amplifier gets power: what to measure, and what the readings say.

Everything is typed in from a hand-held meter with the power off. The judgements are words with reasons, never a bare
pass: a meter sees resistance, not what a coil does under power.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from ampwitness.frontend.cable import CableRun

FIRST = (
    "A fault found here can destroy an amplifier in the moment it is switched on. The power stays off, and the fuse at "
    "the battery stays out, until every check is done; one reading asks for a small fuse for as long as it takes. "
    "Local codes and licensed practice come first."
)
NOT_TESTED = (
    "Not tested: acoustic polarity (a meter cannot tell which way a cone moves first), and anything that shows only "
    "under power."
)
Finding = Literal["as expected", "look again", "stop", "not judged"]
Wiring = Literal["series", "parallel", "series-parallel", "single"]

# Direct-current resistance of a voice coil against its nominal impedance. Common practice, no source.
COIL_LOW_RATIO, COIL_HIGH_RATIO = 0.7, 0.9
# Beyond these it is not merely unusual. Our choice.
COIL_ODD_LOW_RATIO, COIL_ODD_HIGH_RATIO = 0.6, 1.1
SHORTED_OHM = 0.5
OPEN_OHM = 1000.0
LEAK_OHM = 100_000.0  # a speaker lead to the body: open is expected; a meter shows megohms or no reading
GROUND_GOOD_OHM = 0.5  # with the meter's own leads taken off; a hand-held meter resolves no better
# A 12 V vehicle lies between the first two; above the third there are two batteries in a row. Our choice.
SUPPLY_LOW_V, SUPPLY_HIGH_V, SUPPLY_DOUBLE_V = 11.0, 16.0, 20.0
FUSE_DISTANCE_M = 0.45  # of the main fuse from the battery post: common practice, no source; codes decide


@dataclass(frozen=True, slots=True)
class Judgement:
    """One check. what: was looked at; finding; words: the reason with its numbers; advice: what to do, or ""."""

    what: str
    finding: Finding
    words: str
    advice: str = ""


def combined_ohm(coil_ohm: float, n_coils: int, wiring: Wiring) -> float:
    """Nominal load of equal coils.

    Parameters
    ----------
    coil_ohm : of one coil; n_coils : how many; wiring : `series-parallel` is two equal branches side by side

    Raises ValueError where the number does not fit the wiring.
    """
    if n_coils < 1 or not coil_ohm > 0:
        raise ValueError(f"{n_coils} coils of {coil_ohm:g} ohm cannot be")
    if wiring == "single":
        if n_coils != 1:
            raise ValueError(f"{n_coils} coils are in series, in parallel or both: say which")
        return coil_ohm
    if wiring == "series":
        return coil_ohm * n_coils
    if wiring == "parallel":
        return coil_ohm / n_coils
    if n_coils < 4 or n_coils % 2:
        raise ValueError(f"series-parallel takes 4, 6, 8 ... coils, not {n_coils}")
    return coil_ohm * (n_coils // 2) / 2


def _ohm(ohm: float) -> str:
    return f"{ohm:g} ohm" if math.isfinite(ohm) else "open"


def judge_coil(name: str, nominal_ohm: float, measured_ohm: float) -> Judgement:
    """A coil's direct-current resistance against its nominal impedance."""
    what = f"coil of {name}"
    shown = f"{_ohm(measured_ohm)} measured, {nominal_ohm:g} ohm nominal"
    if measured_ohm > OPEN_OHM:
        return Judgement(
            what, "stop", f"Open: no current can pass ({shown}).", "Look for a broken lead or a burnt coil."
        )
    if measured_ohm < SHORTED_OHM:
        return Judgement(
            what, "stop", f"Shorted: {shown}.", "Take the leads off one by one until the short is found. No power."
        )
    ratio = measured_ohm / nominal_ohm
    share = f"{shown}: {ratio:.2f} of nominal, and {COIL_LOW_RATIO} to {COIL_HIGH_RATIO} is usual"
    if COIL_LOW_RATIO <= ratio <= COIL_HIGH_RATIO:
        return Judgement(what, "as expected", share + ".")
    if COIL_ODD_LOW_RATIO <= ratio <= COIL_ODD_HIGH_RATIO:
        return Judgement(
            what,
            "look again",
            share + ".",
            "Take the meter leads' own resistance off, and read the coil's label again.",
        )
    why = "shorted turns, or more coils in parallel than thought" if ratio < 1 else "a bad joint, or coils in series"
    return Judgement(what, "stop", share + ".", f"Far off: {why}.")


def judge_load(
    load_ohm: float, least_stereo_ohm: float | None, least_bridged_ohm: float | None, is_bridged: bool | None
) -> Judgement:
    """The wired load against what the amplifier's label allows, as it is connected; None: nobody said how that is."""
    if is_bridged is None:
        return Judgement(
            "load", "not judged", f"{load_ohm:.3g} ohm; whether the output is bridged was not typed.",
            "Bridged, the least load is usually twice as many ohms: see how it is connected.",
        )  # fmt: skip
    least_ohm = least_bridged_ohm if is_bridged else least_stereo_ohm
    how = "bridged" if is_bridged else "not bridged"
    if least_ohm is None:
        return Judgement(
            "load", "not judged", f"{load_ohm:.3g} ohm {how}; the amplifier's least load {how} was not typed.",
            "Read it from the amplifier's label or manual.",
        )  # fmt: skip
    text = f"{load_ohm:.3g} ohm {how}, and the amplifier is rated down to {least_ohm:g} ohm {how}"
    if load_ohm < least_ohm * 0.99:
        return Judgement("load", "stop", text + ".", "Wire the coils for a higher load, or do not bridge.")
    return Judgement("load", "as expected", text + ".")


def judge_leak(name: str, to_chassis_ohm: float) -> Judgement:
    """A speaker lead against the body of the vehicle."""
    what = f"lead of {name} to chassis"
    if to_chassis_ohm < LEAK_OHM:
        return Judgement(
            what, "stop", f"{to_chassis_ohm:g} ohm: the lead touches the body. Open was expected.",
            "Find where it is pinched or bare. A bridged amplifier fails at once on this.",
        )  # fmt: skip
    return Judgement(what, "as expected", "Open, as it should be.")


def judge_polarity(supply_v: float) -> Judgement:
    """Volts at the amplifier's loose power cable, red lead on + and black on ground, before it is connected."""
    if supply_v < -1:
        return Judgement(
            "supply polarity", "stop", f"{supply_v:g} V: plus and minus are swapped.",
            "Take the fuse out first, then swap them.",
        )  # fmt: skip
    if supply_v < 1:
        return Judgement(
            "supply polarity", "not judged", f"{supply_v:g} V: nothing there, the fuse is out or the cable is open.",
            "Put a small fuse in for this one reading with the cable's end in free air, then take it out again.",
        )  # fmt: skip
    shown = f"{supply_v:g} V with red on plus: the right way round"
    if supply_v >= SUPPLY_DOUBLE_V:
        return Judgement(
            "supply polarity", "stop", f"{shown}, but of a 24 V vehicle.",
            "That destroys an amplifier made for 12 V: read its label before anything is connected.",
        )  # fmt: skip
    if not SUPPLY_LOW_V <= supply_v <= SUPPLY_HIGH_V:
        return Judgement(
            "supply polarity", "look again", f"{shown}; {SUPPLY_LOW_V:g} to {SUPPLY_HIGH_V:g} V were expected.",
            "Read the battery at its posts and the amplifier's label: a flat battery, a joint that hardly conducts, or "
            "a charger that gives too much.",
        )  # fmt: skip
    return Judgement("supply polarity", "as expected", f"{shown}.")


def judge_ground(ground_ohm: float) -> Judgement:
    """Amplifier ground point to the battery's negative post, cable off the amplifier."""
    if ground_ohm > 10:
        return Judgement(
            "ground", "stop", f"{_ohm(ground_ohm)}: there is no ground.", "Find the loose or painted joint."
        )
    if ground_ohm > GROUND_GOOD_OHM:
        return Judgement(
            "ground", "look again", f"{ground_ohm:g} ohm without the meter's leads; expected under {GROUND_GOOD_OHM}.",
            "Clean to bare metal, new bolt, and measure the drop under load later: `ampwitness check-supply`.",
        )  # fmt: skip
    return Judgement(
        "ground", "as expected",
        f"{ground_ohm:g} ohm: connected. A meter cannot show milliohms; the drop under load can: `check-supply`.",
    )  # fmt: skip


def judge_remote(remote_v: float) -> Judgement:
    """The remote lead with the source switched off."""
    if abs(remote_v) > 1:
        return Judgement(
            "remote lead", "look again", f"{remote_v:g} V with the source off: the amplifier would never switch off.",
            "Find what feeds it; a permanent feed drains the battery.",
        )  # fmt: skip
    return Judgement("remote lead", "as expected", f"{remote_v:g} V with the source off.")


def judge_fuse(
    fuse_a: float, amplifier_fuses_a: float | None, distance_m: float | None, run: CableRun | None
) -> tuple[Judgement, ...]:
    """The main fuse against the amplifier's own fuses, its distance from the battery, and the cable at that current.

    The cable's part is arithmetic: whether a cable may carry a current is for codes and the maker's table.
    """
    if fuse_a <= 0:
        return (
            Judgement(
                "main fuse", "stop", "No fuse at the battery: nothing protects the cable.",
                "No amplifier without a fuse.",
            ),
        )  # fmt: skip
    judged = []
    if amplifier_fuses_a is not None:
        text = f"{fuse_a:g} A at the battery, {amplifier_fuses_a:g} A of fuses on the amplifiers behind it"
        low = fuse_a < 0.8 * amplifier_fuses_a
        judged.append(
            Judgement(
                "main fuse", "look again" if low else "as expected",
                text + (": it may blow in loud bass." if low else "."),
                "It must protect the cable first: never a larger fuse than the cable's table allows." if low else "",
            )
        )  # fmt: skip
    if distance_m is not None:
        far = distance_m > FUSE_DISTANCE_M
        judged.append(
            Judgement(
                "fuse position", "stop" if far else "as expected",
                f"{distance_m:g} m of cable between battery and fuse; nothing protects that piece. "
                f"Up to {FUSE_DISTANCE_M} m is common practice, codes decide.",
                "Move the fuse holder to the battery." if far else "",
            )
        )  # fmt: skip
    if run is not None:
        judged.append(
            Judgement(
                "fuse against cable", "not judged",
                f"At {fuse_a:g} A this cable ({run.area_mm2:.3g} mm2 {run.metal}) drops {run.drop_v:.2f} V and heats "
                f"by {run.heat_w_per_m:.1f} W a metre. Arithmetic, not permission.",
                "Look up in the code or the maker's table what the cable may carry; the fuse must not exceed it.",
            )
        )  # fmt: skip
    return tuple(judged)


MUST_BE_JUDGED = ("coil", "lead to chassis", "supply polarity", "fuse")  # before anything may be said of power


def conclude(judgements: tuple[Judgement, ...]) -> str:
    """What the checks say together, in one sentence or two."""
    stops = find_stops(judgements)
    again = [j.what for j in judgements if j.finding == "look again"]
    open_points = [j.what for j in judgements if j.finding == "not judged"]
    if stops:
        return f"Do not switch on: {', '.join(stops)}."
    if len(open_points) == len(judgements):
        return "Nothing was measured. No statement about power."
    rest = f" Look again at: {', '.join(again)}." if again else ""
    missing = still_to_measure(judgements)
    if others := [point for point in open_points if point not in missing]:
        rest += f" Not judged: {', '.join(others)}."
    if missing:
        return f"Not enough to switch on: still to measure: {', '.join(missing)}.{rest}"
    return f"Nothing of what was checked speaks against power.{rest}"


def find_stops(judgements: tuple[Judgement, ...]) -> list[str]:
    """Checks that speak against power."""
    return [j.what for j in judgements if j.finding == "stop"]


def still_to_measure(judgements: tuple[Judgement, ...]) -> list[str]:
    """Checks that were not made and without which nothing can be said of power."""
    missing = [j.what for j in judgements if j.finding == "not judged" and j.what != "fuse against cable"]
    if not any(j.what.startswith("coil") for j in judgements):
        missing.insert(0, "coils of the loudspeaker")
    return [what for what in missing if any(word in what for word in MUST_BE_JUDGED)]


def open_because(judgements: tuple[Judgement, ...]) -> str | None:
    """Why the step is not done, in words for the job; None: it is."""
    stops = find_stops(judgements)
    if stops:
        return f"STOP: {', '.join(stops)}"
    missing = still_to_measure(judgements)
    return f"still to measure: {', '.join(missing)}" if missing else None


def judge_all(answers: Mapping[str, object], run: CableRun | None) -> tuple[Judgement, ...]:
    """Judge what was typed; what was not is named as not judged.

    Parameters
    ----------
    answers : by the keys of `meter_questions.questions`; None or absent: not measured; inf: the meter shows open
    run : the power cable at the fuse's rating, where section and length are known
    """

    def number(key: str) -> float | None:
        value = answers.get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    judged: list[Judgement] = []
    coil_ohm, n_coils = number("coil_ohm"), int(number("n_coils") or 0)
    for k in range(1, n_coils + 1):
        measured = number(f"coil_{k}_ohm")
        if coil_ohm is not None and measured is not None:
            judged.append(judge_coil(f"loudspeaker {k}" if n_coils > 1 else "the loudspeaker", coil_ohm, measured))
        else:
            judged.append(Judgement(f"coil {k}", "not judged", "Not measured."))
    if coil_ohm is not None and n_coils:
        judged += _judge_wired(answers, coil_ohm, n_coils, number)
    for key, name in (("chassis_p_ohm", "+"), ("chassis_n_ohm", "-")):
        value = number(key)
        judged.append(
            Judgement(f"{name} lead to chassis", "not judged", "Not measured.")
            if value is None
            else judge_leak(name, value)
        )
    for key, what, judge in (
        ("supply_v", "supply polarity", judge_polarity),
        ("ground_ohm", "ground", judge_ground),
        ("remote_v", "remote lead", judge_remote),
    ):
        value = number(key)
        judged.append(Judgement(what, "not judged", "Not measured.") if value is None else judge(value))
    fuse_a = number("fuse_a")
    if fuse_a is None:
        judged.append(Judgement("fuses", "not judged", "The main fuse was not typed.", "No amplifier without a fuse."))
    else:
        judged += judge_fuse(fuse_a, number("amplifier_fuses_a"), number("fuse_distance_m"), run)
    return tuple(judged)


def _judge_wired(answers: Mapping[str, object], coil_ohm: float, n_coils: int, number: object) -> list[Judgement]:
    assert callable(number)
    wiring = answers.get("wiring") if n_coils > 1 else "single"
    if wiring not in ("series", "parallel", "series-parallel", "single"):
        return [Judgement("load", "not judged", "How the coils are wired was not typed.")]
    try:
        load_ohm = combined_ohm(coil_ohm, n_coils, wiring)
    except ValueError as error:
        return [Judgement("load", "stop", f"{error}.", "Type the wiring as it is.")]
    is_bridged = answers.get("is_bridged")
    judged = [
        judge_load(
            load_ohm,
            number("least_stereo_ohm"),
            number("least_bridged_ohm"),
            is_bridged if isinstance(is_bridged, bool) else None,
        )
    ]
    leads_ohm = number("leads_ohm")
    if leads_ohm is not None:
        judged.append(judge_coil(f"the whole output ({wiring})", load_ohm, leads_ohm))
    return judged
