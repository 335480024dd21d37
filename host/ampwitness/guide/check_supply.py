"""The supply check: a walk with the probe along the supply, what each reading is, and what the legs between drop.

No terminal and no port: windows go in, steps and a table come out.

Gaps: a reading that lost samples, or met the logger's own limit, says so and is measured again.
Limits: all volts are relative to the logger's reference point. Without a fixed second channel legs are compared by
readings one after the other; under a tone only at equal drive. Nothing here tells a battery's health.
Source: usual figures stand in `supply_textbook`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from ampwitness.errors import UsageError
from ampwitness.guide import supply_textbook as book
from ampwitness.types import FloatArray, TraceWindow
from ampwitness.units import fixed

State = Literal["at rest", "engine running", "under a tone"]
STATES: tuple[State, ...] = ("at rest", "engine running", "under a tone")
Kind = Literal["post", "fuse", "lead", "amplifier", "remote", "ground"]

PLUS_SIDE: tuple[Kind, ...] = ("post", "fuse", "lead", "amplifier")

MEASURE_S = 5.0
LEAST_S = 2.0
MEAN_S = 0.010  # the lowest value is that of a mean over this
EQUAL_DRIVE_RATIO = 0.03
STEADY_OVER_S = 0.25  # means over this, one after the other, may differ by so much; more is a probe that slipped
LEAST_TONE_V = 0.5
HIGHEST_NOMINAL_V = 16.0
STEADY_V: Mapping[State, float] = {"at rest": 0.1, "engine running": 0.3, "under a tone": 0.3}
_SHORT: Mapping[State, str] = {"at rest": "at rest", "engine running": "running", "under a tone": "tone"}
_STATE_WORDS: Mapping[State, str] = {
    "at rest": "Engine off, amplifiers on, nothing playing.",
    "engine running": "Engine running at idle, amplifiers on, nothing playing.",
    "under a tone": "Play the 40 Hz track at the level you will compare, and do not touch the volume from now on.",
}


@dataclass(frozen=True, slots=True)
class Point:
    """A place for the probe, in the order in which current passes it."""

    name: str
    kind: Kind
    role: str = "supply"  # the logger's channel that the probe is


@dataclass(frozen=True, slots=True)
class Step:
    """One reading to take."""

    point: Point
    state: State

    @property
    def key(self) -> str:
        return f"{self.point.name}@{self.state}"

    @property
    def instruction(self) -> str:
        """What to do with the probe, in one or two sentences."""
        if self.point.kind == "ground":
            where = "Ground channel's lead on the battery's minus post, logger's ground on the amplifier's ground."
        elif self.point.kind == "remote":
            where = "Probe on the remote lead at the amplifier, all amplifiers that it feeds switched on."
        else:
            where = f"Probe on {self.point.name}."
        return f"{where} {_STATE_WORDS[self.state]}"


@dataclass(frozen=True, slots=True)
class Reading:
    """What one step showed. `fixed_v`: mean of the `battery` channel meanwhile; `drive_v`: output, V rms."""

    step: Step
    start_s: float
    stop_s: float
    mean_v: float | None
    lowest_v: float | None
    ripple_v: float | None
    drive_v: float | None
    fixed_v: float | None
    not_judged: str | None


@dataclass(frozen=True, slots=True)
class Leg:
    """What is lost between two points in one state. `drop_v` None: not compared, `words` say why. `passed`: places
    between the two that were planned and not measured."""

    start: str
    stop: str
    kind: Kind
    state: State
    drop_v: float | None
    how: str  # measured together, one after the other
    words: str
    passed: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class SupplyCheck:
    """The outcome: readings, legs, sentences on each, and what was answered."""

    answers: Mapping[str, Any]
    readings: tuple[Reading, ...]
    legs: tuple[Leg, ...]
    sentences: tuple[str, ...]


def check_answers(answers: Mapping[str, Any]) -> dict[str, Any]:
    """Answers completed and refused where they make no sense.

    Raises
    ------
    UsageError : a 24 V system, an unknown battery or charging kind, a number that is none.
    """
    out: dict[str, Any] = {"nominal_v": 12.0, "battery_kind": "flooded", "charging_kind": "fixed", "rest_hours": 0.0}
    out.update({key: value for key, value in answers.items() if value is not None})
    for key in ("nominal_v", "rest_hours"):
        if isinstance(out[key], bool) or not isinstance(out[key], int | float) or out[key] < 0:
            raise UsageError(f"{key}: {out[key]!r} is no number of {'volts' if key == 'nominal_v' else 'hours'}")
    if out["nominal_v"] > HIGHEST_NOMINAL_V:
        raise UsageError(
            f"a {out['nominal_v']:g} V system: the logger's inputs end at 27 V, which a charged 24 V system passes; "
            "nothing is measured until a front end for 24 V is built (see hardware-notes)"
        )
    if out["battery_kind"] not in book.BATTERY_KINDS:
        raise UsageError(f"battery_kind {out['battery_kind']!r}: one of {', '.join(book.BATTERY_KINDS)}")
    if out["charging_kind"] not in book.CHARGING_KINDS:
        raise UsageError(f"charging_kind {out['charging_kind']!r}: one of {', '.join(book.CHARGING_KINDS)}")
    return out


def make_points(between: Sequence[str], roles: Sequence[str]) -> tuple[Point, ...]:
    """Places for the probe: battery plus, what lies between in order, amplifier plus; remote lead; ground return.

    `between`: names; those with "fuse" or "block" in them are holders, the rest ends of cable. The ground return is
    left out where the board logs no `ground` channel, whose +-2 V it needs.
    """
    points = [Point("battery plus post", "post")]
    for name in between:
        is_holder = any(word in name.lower() for word in ("fuse", "block", "holder", "breaker"))
        points.append(Point(name, "fuse" if is_holder else "lead"))
    points += [Point("amplifier plus terminal", "amplifier"), Point("remote lead", "remote")]
    if "ground" in roles:
        points.append(Point("ground return", "ground", "ground"))
    return tuple(points)


# ---- one reading -----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Collecting:
    start_s: float
    stop_s: float
    volts: dict[str, list[FloatArray]] = field(default_factory=dict)
    rate_hz: float = 0.0
    lost_s: float = 0.0
    is_saturated: bool = False


def measure_reading(step: Step, got: _Collecting) -> Reading:
    """Mean, lowest mean over 10 ms, and ripple (what 99 % of the samples span, a straight line taken out)."""
    joined = {role: np.concatenate(parts).astype(float) for role, parts in got.volts.items() if parts}
    volts = joined.get(step.point.role)
    n_least = LEAST_S * got.rate_hz
    reason = None
    if volts is None or len(volts) == 0:
        reason = f"the board logs no {step.point.role} channel"
    elif got.is_saturated:
        reason = "the logger's own input was at its rail"
    elif got.lost_s > 0:
        reason = f"{got.lost_s:.2f} s were lost on the way"
    elif len(volts) < n_least:
        reason = f"less than {LEAST_S:g} s were measured"
    output, fixed = joined.get("output"), joined.get("battery")
    drive_v = None if output is None or not len(output) else float(np.std(output))
    if reason is None and drive_v is not None:
        is_playing = drive_v >= LEAST_TONE_V
        if step.state == "under a tone" and not is_playing:
            reason = "no tone was playing"
        elif step.state != "under a tone" and is_playing:
            reason = f"something was playing ({drive_v:.1f} V rms at the output): stop it first"
    if reason is None and volts is not None and (moved_v := _jump(volts, got.rate_hz)) > STEADY_V[step.state]:
        reason = f"the volts jumped by {moved_v:.2f} V meanwhile: hold the probe still, or mend a loose contact"
    if reason is None and volts is not None and step.point.kind != "ground" and volts.mean() > HIGHEST_NOMINAL_V:
        reason = f"{volts.mean():.1f} V are no 12 V system's: take the probe off, its input ends at 27 V"
    if reason is not None or volts is None:
        return Reading(step, got.start_s, got.stop_s, None, None, None, None, None, reason)
    n = max(1, round(MEAN_S * got.rate_hz))
    total = np.concatenate(([0.0], np.cumsum(volts)))
    means = (total[n:] - total[:-n]) / n
    at = np.arange(len(volts))
    level = volts - np.polyval(np.polyfit(at, volts, 1), at)
    low, high = np.quantile(level, (0.005, 0.995))
    return Reading(
        step,
        got.start_s,
        got.stop_s,
        float(volts.mean()),
        float(means.min()),
        float(high - low),
        drive_v,
        None if fixed is None or step.point.role == "battery" else float(fixed.mean()),
        None,
    )


def _jump(volts: FloatArray, rate_hz: float) -> float:
    """Largest difference of neighbouring means."""
    n = max(1, round(STEADY_OVER_S * rate_hz))
    means = volts[: len(volts) // n * n].reshape(-1, n).mean(axis=1)
    return float(np.abs(np.diff(means)).max(initial=0.0))


class CheckSupplyWalk:
    """The walk: tells the step, takes windows while one is measured, goes on.

    Parameters
    ----------
    points : from `make_points`
    states : which states are walked
    spans : step key -> (start_s, stop_s) of recording time: for scripts, steps measured at given times; steps without
        a span are then left out
    """

    def __init__(
        self,
        points: Sequence[Point],
        states: Sequence[State] = STATES,
        spans: Mapping[str, tuple[float, float]] | None = None,
    ) -> None:
        steps = [Step(point, state) for state in states for point in points]
        if spans is not None:
            unknown = set(spans) - {step.key for step in steps}
            if unknown:
                raise UsageError(f"no such step: {sorted(unknown)[0]!r}; steps are named POINT@STATE")
            steps = sorted((s for s in steps if s.key in spans), key=lambda s: spans[s.key])
        self.planned: tuple[Step, ...] = tuple(steps)
        self._left, self._spans = steps, spans
        self._passed: list[Step] = []  # measured or skipped, in order
        self._open: dict[str, _Collecting] = {}  # step key -> what is being collected; scripts may overlap
        self.readings: list[Reading] = []
        self.last_s = 0.0

    @property
    def step(self) -> Step | None:
        """The step that is next or being measured; None: the walk is over."""
        return self._left[0] if self._left else None

    @property
    def n_left(self) -> int:
        """Steps that are not done."""
        return len(self._left)

    @property
    def is_measuring(self) -> bool:
        """Whether windows are being collected."""
        return bool(self._open)

    @property
    def share_done(self) -> float:
        """Of the step that is being measured."""
        now = self._open.get(self._left[0].key) if self._left else None
        if now is None:
            return 0.0
        return float(np.clip((self.last_s - now.start_s) / (now.stop_s - now.start_s), 0, 1))

    def begin(self) -> None:
        """The probe is in place: measure from now on."""
        if self._left and not self._open:
            self._open[self._left[0].key] = _Collecting(self.last_s, self.last_s + MEASURE_S)

    def skip(self) -> None:
        """Leave the present step out."""
        if self._left:
            self._passed.append(self._left.pop(0))
            self._open.pop(self._passed[-1].key, None)

    def back(self) -> None:
        """To the step before, whose reading is dropped: the probe was at the wrong place."""
        if self._left:
            self._open.pop(self._left[0].key, None)
        if self._passed:
            again = self._passed.pop()
            self._left.insert(0, again)
            self.readings = [r for r in self.readings if r.step.key != again.key]

    def push(self, window: TraceWindow) -> list[Reading]:
        """Take the next window; the readings that became complete with it."""
        self.last_s = window.stop_s
        for step in self._left if self._spans is not None else ():
            start_s, stop_s = self._spans[step.key] if self._spans is not None else (0.0, 0.0)
            if step.key not in self._open and window.stop_s > start_s:
                self._open[step.key] = _Collecting(start_s, stop_s)
        for now in self._open.values():
            self._collect(now, window)
        ready = [step for step in self._left if step.key in self._open and window.stop_s >= self._open[step.key].stop_s]
        return [self._complete(step) for step in ready]

    def finish(self) -> list[Reading]:
        """The stream has ended: what was collected of open steps is judged as far as it goes."""
        return [self._complete(step) for step in list(self._left) if step.key in self._open]

    def _complete(self, step: Step) -> Reading:
        reading = measure_reading(step, self._open.pop(step.key))
        self.readings = [r for r in self.readings if r.step.key != step.key] + [reading]
        # A person measures again what was not judged; a script cannot.
        if reading.not_judged is None or self._spans is not None or "logs no" in reading.not_judged:
            self._left.remove(step)
            self._passed.append(step)
        return reading

    @staticmethod
    def _collect(now: _Collecting, window: TraceWindow) -> None:
        now.rate_hz = window.rate_hz
        now.lost_s += sum(max(0.0, min(gap.stop_s, now.stop_s) - max(gap.start_s, now.start_s)) for gap in window.gaps)
        for role, trace in window.traces.items():
            now.is_saturated |= role in ("supply", "ground") and any(
                s.stop_s > now.start_s and s.start_s < now.stop_s for s in trace.saturated
            )
            for segment in trace.segments:
                first = max(0, int(np.ceil((now.start_s - segment.start_s) * segment.rate_hz - 1e-6)))
                last = max(0, int(np.ceil((now.stop_s - segment.start_s) * segment.rate_hz - 1e-6)))
                now.volts.setdefault(role, []).append(segment.volts[first:last])


# ---- what it comes to ------------------------------------------------------------------------------------------------


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
    sentences = [*_word_battery(answers, readings), *_word_legs(legs), *_word_remote(readings), *_word_ground(readings)]
    if "ground" not in roles:
        sentences.append(
            "Ground return not judged: the board logs no ground channel. It needs the +-2 V input: name one in the "
            "board's board_config."
        )
    sentences += [f"{r.step.point.name}, {r.step.state}: not judged, {r.not_judged}." for r in readings if r.not_judged]
    sentences += _word_left_out(readings, planned)
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


def _make_leg(a: Reading, b: Reading) -> Leg:
    start, stop, state = a.step.point.name, b.step.point.name, a.step.state
    # Into a holder runs a cable; from a holder's one side to the other is the holder.
    kind: Kind = "fuse" if a.step.point.kind == b.step.point.kind == "fuse" else "lead"
    if a.mean_v is None or b.mean_v is None:
        return Leg(start, stop, kind, state, None, "", "not compared: one of the readings was not judged")
    if a.fixed_v is not None and b.fixed_v is not None:
        drop_v = (b.fixed_v - b.mean_v) - (a.fixed_v - a.mean_v)
        if state != "under a tone" or _is_equal_drive(a, b):
            return Leg(start, stop, kind, state, drop_v, "each together with the battery channel", "")
    if state == "under a tone":
        if a.drive_v is None or b.drive_v is None:
            return Leg(
                start, stop, kind, state, None, "", "not compared: the output was not logged, so the drive is not known"
            )
        if min(a.drive_v, b.drive_v) < LEAST_TONE_V:
            return Leg(start, stop, kind, state, None, "", "not compared: no tone was playing")
        if not _is_equal_drive(a, b):
            return Leg(
                start, stop, kind, state, None, "",
                f"not compared: the drive was {a.drive_v:.2f} V rms at one and {b.drive_v:.2f} V at the other; measure "
                "both at the same volume",
            )  # fmt: skip
    return Leg(start, stop, kind, state, a.mean_v - b.mean_v, "one after the other", "")


def _is_equal_drive(a: Reading, b: Reading) -> bool:
    if a.drive_v is None or b.drive_v is None or min(a.drive_v, b.drive_v) < LEAST_TONE_V:
        return False
    return abs(a.drive_v - b.drive_v) <= EQUAL_DRIVE_RATIO * max(a.drive_v, b.drive_v)


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


def _word_legs(legs: Sequence[Leg]) -> list[str]:
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
        usual_v = book.FUSE_USUAL_V if leg.kind == "fuse" else book.LEAD_USUAL_V
        what = "a holder or block" if leg.kind == "fuse" else "a run of cable"
        side = "more than" if leg.drop_v > usual_v else "no more than"
        out.append(
            f"{leg.start} to {leg.stop}: {leg.drop_v:.3f} V under the tone{_share(leg.drop_v, total_v, whole)}; {side} "
            f"the {usual_v:.1f} V usual for {what} at full drive (common practice, no source)."
        )
    worst = max(under, key=lambda leg: leg.drop_v or 0.0, default=None)
    if worst is not None and worst.drop_v is not None and worst.drop_v > 0.02:
        first = "Look there first." if is_whole else "Not all legs were compared: measure the others too."
        out.append(f"The leg that drops most: {worst.start} to {worst.stop}. {first}")
    return out


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
