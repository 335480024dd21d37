"""What the readings of a supply check come to: legs, sentences on each, a table, plain data.

Gaps: a reading that was not judged takes part in no leg.
Limits: as of the walk; figures are compared with what is usual, never passed or failed.
Source: usual figures stand in `supply_textbook`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from ampwitness.guide import supply_textbook as book
from ampwitness.guide.supply_readings import (
    LEAST_TONE_V,
    PLUS_SIDE,
    STATES,
    Kind,
    Leg,
    Point,
    Reading,
    State,
    Step,
    SupplyCheck,
    is_equal_drive,
)
from ampwitness.units import fixed

MOST_RISE_V = (
    0.1  # no lead adds volts: more than this away from the battery, and something changed between two readings
)
TOLD_V = 0.02  # a drop below this is not named: it is within what the readings are good for
_USUAL_V: Mapping[Kind, float] = {
    "fuse": book.FUSE_USUAL_V,
    "lead": book.LEAD_USUAL_V,
    "ground": book.GROUND_USUAL_V,
}
_SHORT: Mapping[State, str] = {"at rest": "at rest", "engine running": "running", "under a tone": "tone"}


def conclude_check(
    answers: Mapping[str, Any], readings: Sequence[Reading], roles: Sequence[str], planned: Sequence[Step] = ()
) -> SupplyCheck:
    """Legs between neighbouring readings of the plus side, and sentences that compare with what is usual.

    `planned`: all steps of the walk; those without a reading are named as not measured.
    """
    legs: list[Leg] = []
    for state in STATES:
        mine = [r for r in readings if r.step.state == state and r.step.point.kind in PLUS_SIDE]
        legs += [replace(_make_leg(a, b), passed=_find_passed(a, b, planned)) for a, b in pairwise(mine)]
    sentences = [
        *_word_battery(answers, readings),
        *_word_legs(legs, readings),
        *_word_remote(readings),
        *_word_ground(readings),
    ]
    if "ground" not in roles:
        sentences.append(
            "Ground return not judged: the board logs no ground channel. It needs the +-2 V input: name one in the "
            "board's board_config."
        )
    sentences += [f"{r.step.point.name}, {r.step.state}: not judged, {r.not_judged}." for r in readings if r.not_judged]
    sentences += _word_left_out(readings, planned)
    sentences += _word_taken(readings)
    sentences.append("All volts are relative to the logger's reference point. Nothing here tells a battery's health.")
    return SupplyCheck(dict(answers), tuple(readings), tuple(legs), tuple(sentences))


def _find_passed(a: Reading, b: Reading, planned: Sequence[Step]) -> tuple[Point, ...]:
    """Places that lie between two readings by the plan."""
    plan = [step.point for step in planned if step.state == a.step.state and step.point.kind in PLUS_SIDE]
    if a.step.point not in plan or b.step.point not in plan:
        return ()
    return tuple(plan[plan.index(a.step.point) + 1 : plan.index(b.step.point)])


def _word_left_out(readings: Sequence[Reading], planned: Sequence[Step]) -> list[str]:
    """Places that were skipped, or not come to, by state."""
    taken = {r.step.key for r in readings}
    out = []
    for state in STATES:
        mine = [step for step in planned if step.state == state]
        missing = [step.point.name for step in mine if step.key not in taken]
        if missing:
            which = "any place" if len(missing) == len(mine) else ", ".join(missing)
            out.append(f"Not measured {state}: {which}.")
    return out


def _word_taken(readings: Sequence[Reading]) -> list[str]:
    """Which readings are of an earlier walk."""
    out = []
    for name in dict.fromkeys(r.taken_in for r in readings if r.taken_in is not None):
        which = ", ".join(f"{r.step.point.name} ({_SHORT[r.step.state]})" for r in readings if r.taken_in == name)
        out.append(f"Taken in an earlier walk ({name}), not now: {which}. Compared as if nothing had changed since.")
    return out


def _make_leg(a: Reading, b: Reading) -> Leg:
    start, stop, state = a.step.point.name, b.step.point.name, a.step.state
    # Into a holder runs a cable; from a holder's one side to the other is the holder.
    kind: Kind = "fuse" if a.step.point.kind == b.step.point.kind == "fuse" else "lead"
    if a.mean_v is None or b.mean_v is None:
        return Leg(start, stop, kind, state, None, "", "not compared: one of the readings was not judged")
    if a.fixed_v is not None and b.fixed_v is not None:
        drop_v = (b.fixed_v - b.mean_v) - (a.fixed_v - a.mean_v)
        if drop_v < -MOST_RISE_V:
            return Leg(start, stop, kind, state, None, "", _word_rise(-drop_v))
        if state != "under a tone" or is_equal_drive(a, b):
            return Leg(start, stop, kind, state, drop_v, "each together with the battery channel", "")
    if state == "under a tone":
        if a.drive_v is None or b.drive_v is None:
            return Leg(
                start, stop, kind, state, None, "", "not compared: the output was not logged, so the drive is not known"
            )
        if min(a.drive_v, b.drive_v) < LEAST_TONE_V:
            return Leg(start, stop, kind, state, None, "", "not compared: no tone was playing")
        if not is_equal_drive(a, b):
            return Leg(
                start, stop, kind, state, None, "",
                f"not compared: the drive was {a.drive_v:.2f} V rms at one and {b.drive_v:.2f} V at the other; measure "
                "both at the same volume",
            )  # fmt: skip
    if b.mean_v - a.mean_v > MOST_RISE_V:
        return Leg(start, stop, kind, state, None, "", _word_rise(b.mean_v - a.mean_v))
    return Leg(start, stop, kind, state, a.mean_v - b.mean_v, "one after the other", "")


def _word_rise(rise_v: float) -> str:
    return (
        f"not compared: {rise_v:.2f} V more than at the place before it, and no lead adds volts: engine, charger or "
        "consumers changed between the two, or the probe was elsewhere; measure both again in one state"
    )


def _find(readings: Sequence[Reading], kind: Kind, state: State) -> Reading | None:
    return next(
        (r for r in readings if r.step.point.kind == kind and r.step.state == state and r.mean_v is not None), None
    )


def _word_battery(answers: Mapping[str, Any], readings: Sequence[Reading]) -> list[str]:
    out = []
    rest = _find(readings, "post", "at rest")
    if rest is not None and rest.mean_v is not None:
        out.append(_word_rest(rest.mean_v, str(answers["battery_kind"]), float(answers["rest_hours"])))
    running = _find(readings, "post", "engine running")
    if running is not None and running.mean_v is not None:
        usual = book.CHARGING[str(answers["charging_kind"])]
        where = "within" if usual.low_v <= running.mean_v <= usual.high_v else "outside"
        out.append(
            f"Charging, {answers['charging_kind']}: {running.mean_v:.2f} V at the battery, {where} the usual "
            f"{usual.low_v:.1f} to {usual.high_v:.2f} V ({usual.source})."
        )
        if running.ripple_v is not None:
            side = "under" if running.ripple_v <= book.RIPPLE_USUAL_V else "over"
            out.append(
                f"Ripple while charging: {running.ripple_v:.3f} V peak to peak at the battery, {side} the "
                f"{book.RIPPLE_USUAL_V:.1f} V that is usual (common practice, no source)."
            )
    return out


def _word_rest(open_v: float, battery_kind: str, rest_hours: float) -> str:
    said = f"Battery at rest ({battery_kind}): {open_v:.2f} V. "
    if rest_hours < book.REST_HOURS:
        hours = f"{book.REST_HOURS:.0f} hours of rest"
        return f"{said}State of charge not judged: it needs {hours}, {rest_hours:g} were stated."
    charge = book.charge_range(open_v, battery_kind)
    if charge is None:
        low_v, high_v = book.LITHIUM_REST_V
        where = "within" if low_v <= open_v <= high_v else "outside"
        return (
            f"{said}That is {where} {low_v} to {high_v} V, which iron-phosphate cells show over nearly all of their "
            "charge (from memory): state of charge not judged."
        )
    empty_v, full_v = book.table_ends_v(battery_kind)
    if not empty_v - book.SPREAD_V <= open_v <= full_v + book.SPREAD_V:
        side, why = ("below", "an empty battery or a lasting load") if open_v < empty_v else (
            "above", "it was charged not long ago, or is of another kind")  # fmt: skip
        return (
            f"{said}That is {side} all printed tables ({empty_v:.2f} to {full_v:.2f} V, +-{book.SPREAD_V} V): state of "
            f"charge not judged; {why}."
        )
    return (
        f"{said}After {rest_hours:g} hours of rest the printed tables (Bode 1977, trade tables, +-{book.SPREAD_V} V, "
        f"25 C) allow a state of charge of {charge[0]:.0f} to {charge[1]:.0f} %."
    )


def _share(drop_v: float, total_v: float, whole: str) -> str:
    return f", {100 * drop_v / total_v:.0f} % of {whole}" if total_v > 0.02 else ""


def _word_legs(legs: Sequence[Leg], readings: Sequence[Reading]) -> list[str]:
    out = []
    for leg in legs:
        if leg.drop_v is None:
            out.append(f"{leg.start} to {leg.stop}, {leg.state}: {leg.words}.")
    under = [leg for leg in legs if leg.state == "under a tone" and leg.drop_v is not None]
    total_v = sum(leg.drop_v or 0.0 for leg in under)
    is_whole = not any(leg.state == "under a tone" and leg.drop_v is None for leg in legs)
    whole = "the plus side" if is_whole else "what was compared"
    for leg in under:
        assert leg.drop_v is not None
        if leg.passed:
            past = ", ".join(point.name for point in leg.passed)
            out.append(
                f"{leg.start} to {leg.stop}: {leg.drop_v:.3f} V under the tone{_share(leg.drop_v, total_v, whole)}; it "
                f"goes past {past}, not measured: no usual figure is known for all of it. Measure there to part it."
            )
            continue
        usual_v = _USUAL_V[leg.kind]
        what = "a holder or block" if leg.kind == "fuse" else "a run of cable"
        side = "more than" if leg.drop_v > usual_v else "no more than"
        out.append(
            f"{leg.start} to {leg.stop}: {leg.drop_v:.3f} V under the tone{_share(leg.drop_v, total_v, whole)}; {side} "
            f"the {usual_v:.1f} V usual for {what} at full drive (common practice, no source)."
        )
    worst = find_worst_leg(legs, readings)
    if worst is not None:
        first = "Look there first."
        if (worst.drop_v or 0.0) <= _USUAL_V[worst.kind]:
            first = "It is no more than usual: look there first only where the supply sags too far all the same."
        first = first if is_whole else "Not all legs were compared: measure the others too."
        how_much = f", {worst.drop_v:.3f} V under the tone" if worst.kind == "ground" else ""
        out.append(f"The leg that drops most: {worst.start} to {worst.stop}{how_much}. {first}")
    return out


def find_worst_leg(legs: Sequence[Leg], readings: Sequence[Reading]) -> Leg | None:
    """The leg that drops most under the tone, the ground return among them; None where none drops more than the
    readings are good for."""
    under = [leg for leg in legs if leg.state == "under a tone" and leg.drop_v is not None]
    ground, rest = (_find(readings, "ground", state) for state in ("under a tone", "at rest"))
    if ground is not None and ground.mean_v is not None:
        rest_v = rest.mean_v if rest is not None and rest.mean_v is not None else 0.0
        moved_v, how = abs(ground.mean_v - rest_v), "against rest"
        under.append(Leg("amplifier's ground", "battery minus post", "ground", "under a tone", moved_v, how, ""))
    worst = max(under, key=lambda leg: leg.drop_v or 0.0, default=None)
    return worst if worst is not None and (worst.drop_v or 0.0) > TOLD_V else None


def _word_remote(readings: Sequence[Reading]) -> list[str]:
    out = []
    for state in STATES:
        remote, amplifier = _find(readings, "remote", state), _find(readings, "amplifier", state)
        if remote is None or remote.mean_v is None:
            continue
        said = f"Remote lead, {state}: {remote.mean_v:.2f} V, lowest {remote.lowest_v:.2f} V"
        if amplifier is not None and amplifier.mean_v is not None:
            lost_v = amplifier.mean_v - remote.mean_v
            side = "more" if lost_v > book.REMOTE_LOST_V else "no more"
            where = f"{abs(lost_v):.2f} V {'under' if lost_v >= 0 else 'above'} the amplifier's plus"
            said += (
                f"; {where}, {side} than the {book.REMOTE_LOST_V:.0f} V that a lead which feeds several amplifiers "
                "usually loses (common practice, no source)"
            )
        out.append(said + ".")
    return out


def _word_ground(readings: Sequence[Reading]) -> list[str]:
    rest = _find(readings, "ground", "at rest")
    out = []
    for state in STATES:
        reading = _find(readings, "ground", state)
        if reading is None or reading.mean_v is None:
            continue
        is_since = rest is not None and rest.mean_v is not None and state != "at rest"
        moved_v = abs(reading.mean_v - (rest.mean_v if is_since and rest and rest.mean_v else 0.0))
        side = "more" if moved_v > book.GROUND_USUAL_V else "no more"
        since = "since rest" if is_since else "from zero"
        out.append(
            f"Ground return, {state}: {reading.mean_v:+.3f} V, {moved_v:.3f} V {since}, {side} than the "
            f"{book.GROUND_USUAL_V:.1f} V usual at full drive (common practice, no source)."
        )
    return out


def check_to_plain(check: SupplyCheck) -> dict[str, Any]:
    """The outcome as plain values, for JSON and the job sheet."""
    return {
        "kind": "supply check",
        "answers": {key: value for key, value in check.answers.items() if key != "steps"},
        "readings": [
            {
                "point": r.step.point.name,
                "state": r.step.state,
                "start_s": r.start_s,
                "stop_s": r.stop_s,
                "mean_v": r.mean_v,
                "lowest_v": r.lowest_v,
                "ripple_v": r.ripple_v,
                "drive_v": r.drive_v,
                "battery_v": r.fixed_v,
                "not_judged": r.not_judged,
                **({} if r.taken_in is None else {"taken_in": r.taken_in}),
            }
            for r in check.readings
        ],
        "legs": [
            {
                "from": g.start,
                "to": g.stop,
                "state": g.state,
                "drop_v": g.drop_v,
                "how": g.how,
                "words": g.words,
                "passed": [point.name for point in g.passed],
            }
            for g in check.legs
        ],
        "sentences": list(check.sentences),
    }


def check_to_table(check: SupplyCheck) -> list[str]:
    """Lines of plain text: every reading, every leg, every sentence."""

    def cell(value: float | None, digits: int) -> str:
        return "-" if value is None else fixed(value, digits)

    width = max([len(r.step.point.name) for r in check.readings] + [18])
    lines = [f"{'point':{width}s}  {'state':14s} {'mean V':>8s} {'lowest V':>9s} {'ripple V':>9s} {'drive V':>8s}"]
    for r in check.readings:
        lines.append(
            f"{r.step.point.name:{width}s}  {r.step.state:14s} {cell(r.mean_v, 3):>8s} {cell(r.lowest_v, 3):>9s} "
            f"{cell(r.ripple_v, 3):>9s} {cell(r.drive_v, 2):>8s}"
        )
    if check.legs:
        names = list(dict.fromkeys(f"{g.start} to {g.stop}" for g in check.legs))
        dropped = {(f"{g.start} to {g.stop}", g.state): g.drop_v for g in check.legs}
        states = [state for state in STATES if any(g.state == state for g in check.legs)]
        width = max(len("volts lost along the way"), *map(len, names))
        lines += ["", f"{'volts lost along the way':{width}s}" + "".join(f" {_SHORT[s]:>8s}" for s in states)]
        for name in names:
            lines.append(f"{name:{width}s}" + "".join(f" {cell(dropped.get((name, s)), 3):>8s}" for s in states))
        hows = list(dict.fromkeys(g.how for g in check.legs if g.how))
        which = "; the saved file says which" if len(hows) > 1 else ""
        lines += [f"(measured {', or '.join(hows)}{which})"] if hows else []
    return [*lines, "", *check.sentences]
