"""The supply check: a walk with the probe along the supply, and what each reading is.

No terminal and no port: windows go in, steps and readings come out; `supply_judged` says what they come to.

Gaps: a reading that lost samples, or met the logger's own limit, says so and is measured again.
Limits: all volts are relative to the logger's reference point. Without a fixed second channel legs are compared by
readings one after the other; under a tone only at equal drive. Nothing here tells a battery's health.
Source: usual figures stand in `supply_textbook`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import takewhile
from typing import Any

import numpy as np

from ampwitness.errors import UsageError
from ampwitness.guide import supply_textbook as book
from ampwitness.guide.supply_readings import (
    LEAST_TONE_V,
    STATES,
    Point,
    Reading,
    State,
    Step,
    is_equal_drive,
)
from ampwitness.types import FloatArray, TraceWindow

MEASURE_S = 5.0
LEAST_S = 2.0
MEAN_S = 0.010  # the lowest value is that of a mean over this
STEADY_OVER_S = 0.25  # means over this, one after the other, may differ by so much; more is a probe that slipped
HIGHEST_NOMINAL_V = 16.0
SUPPLY_INPUT_V = 24.4  # what the board's supply input holds with worst-case parts (hardware-notes/input-network.md)
GROUND_INPUT_V = 2.0  # ... and its ground input, either way
STEADY_V: Mapping[State, float] = {"at rest": 0.1, "engine running": 0.3, "under a tone": 0.3}


def check_answers(answers: Mapping[str, Any]) -> dict[str, Any]:
    """Answers completed and refused where they make no sense.

    Raises
    ------
    UsageError : a 24 V system, an unknown battery or charging kind, a number that is none.
    """
    out: dict[str, Any] = {"nominal_v": 12.0, "battery_kind": "flooded", "charging_kind": "fixed", "rest_hours": 0.0}
    out.update({key: value for key, value in answers.items() if value is not None})
    for key in ("nominal_v", "rest_hours"):
        is_number = isinstance(out[key], int | float) and not isinstance(out[key], bool)
        if not is_number or not 0 <= out[key] < math.inf:
            raise UsageError(f"{key}: {out[key]!r} is no number of {'volts' if key == 'nominal_v' else 'hours'}")
    if out["nominal_v"] == 0:
        raise UsageError("nominal_v: a system of 0 V cannot be: give what the battery should have, 12 for most")
    if out["nominal_v"] > HIGHEST_NOMINAL_V:
        raise UsageError(
            f"a {out['nominal_v']:g} V system: the logger's supply input ends at {SUPPLY_INPUT_V} V, which a charged "
            "24 V system passes; nothing is measured until a front end for 24 V is built (`ampwitness front-end "
            "--system 24`)"
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

    Raises
    ------
    UsageError : two places of one name, of which one reading would be asked for twice and kept once.
    """
    points = [Point("battery plus post", "post")]
    for name in between:
        is_holder = any(word in name.lower() for word in ("fuse", "block", "holder", "breaker"))
        points.append(Point(name, "fuse" if is_holder else "lead"))
    points += [Point("amplifier plus terminal", "amplifier"), Point("remote lead", "remote")]
    if "ground" in roles:
        points.append(Point("ground return", "ground", "ground"))
    named = [point.name.casefold() for point in points]
    for point in points:
        if named.count(point.name.casefold()) > 1:
            raise UsageError(f"{point.name!r} is the name of two places of the walk: give each a name of its own")
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
        reason = f"{volts.mean():.1f} V are no 12 V system's: take the probe off, its input ends at {SUPPLY_INPUT_V} V"
    if reason is None and volts is not None and step.point.kind == "ground" and abs(volts.mean()) > GROUND_INPUT_V:
        reason = (
            f"{volts.mean():+.1f} V are beyond the +-{GROUND_INPUT_V:g} V of the ground input: is its lead on the "
            "minus post, and the amplifier's ground connected?"
        )
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
    taken : readings of an earlier walk, which are not taken again
    """

    def __init__(
        self,
        points: Sequence[Point],
        states: Sequence[State] = STATES,
        spans: Mapping[str, tuple[float, float]] | None = None,
        taken: Sequence[Reading] = (),
    ) -> None:
        steps = [Step(point, state) for state in states for point in points]
        self._place = {step.key: at for at, step in enumerate(steps)}
        if spans is not None:
            unknown = set(spans) - {step.key for step in steps}
            if unknown:
                raise UsageError(f"no such step: {sorted(unknown)[0]!r}; steps are named POINT@STATE")
            steps = sorted((s for s in steps if s.key in spans), key=lambda s: spans[s.key])
        self.planned: tuple[Step, ...] = tuple(steps)
        kept = [r for r in taken if r.step.key in self._place and r.step.key not in (spans or {})]
        done = {reading.step.key for reading in kept}
        self._left, self._spans = [step for step in steps if step.key not in done], spans
        # Measured or skipped, in order: one goes back to what lies before the present step, no further.
        self._passed = list(takewhile(lambda step: step.key in done, steps))
        self._open: dict[str, _Collecting] = {}  # step key -> what is being collected; scripts may overlap
        self.readings: list[Reading] = []
        self._keep(*kept)
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
    def n_taken(self) -> int:
        """Readings of this walk, those of an earlier one not counted."""
        return sum(reading.taken_in is None for reading in self.readings)

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
        if self._spans is None:  # a script compares what it can: it cannot turn the volume back
            reading = self._hold_to_drive(reading)
        self._keep(reading)
        # A person measures again what was not judged; a script cannot.
        if reading.not_judged is None or self._spans is not None or "logs no" in reading.not_judged:
            self._left.remove(step)
            self._passed.append(step)
        return reading

    def _keep(self, *readings: Reading) -> None:
        """In the order of the walk, whatever the order they were taken in: legs lie between neighbours."""
        by_key = {r.step.key: r for r in (*self.readings, *readings)}
        self.readings = sorted(by_key.values(), key=lambda r: self._place[r.step.key])

    def _hold_to_drive(self, reading: Reading) -> Reading:
        """The same, or not judged where the tone is not as loud as at the first place: no leg could be told from it."""
        mine = (r for r in self.readings if r.step.state == "under a tone" and r.step.key != reading.step.key)
        first = next((r for r in mine if r.mean_v is not None and r.drive_v is not None), None)
        is_asked = reading.step.state == "under a tone" and reading.mean_v is not None and first is not None
        if not is_asked or first is None or is_equal_drive(first, reading):
            return reading
        why = (
            f"the output is {reading.drive_v or 0.0:.2f} V rms and was {first.drive_v:.2f} V at "
            f"{first.step.point.name}: bring the volume back, as legs are compared at equal drive"
        )
        return replace(reading, mean_v=None, lowest_v=None, ripple_v=None, fixed_v=None, not_judged=why)

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
