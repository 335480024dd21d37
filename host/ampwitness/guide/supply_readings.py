"""What the supply check measures: places, states, readings and what lies between two of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

State = Literal["at rest", "engine running", "under a tone"]
STATES: tuple[State, ...] = ("at rest", "engine running", "under a tone")
Kind = Literal["post", "fuse", "lead", "amplifier", "remote", "ground"]

LEAST_TONE_V = 0.5  # of the output; less is no tone
EQUAL_DRIVE_RATIO = 0.03  # of the output under a tone, between readings that are compared
PLUS_SIDE: tuple[Kind, ...] = ("post", "fuse", "lead", "amplifier")

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
    """What one step showed. `fixed_v`: mean of the `battery` channel meanwhile; `drive_v`: output, V rms; `taken_in`:
    file of an earlier walk that it comes from, whose recording its times are of."""

    step: Step
    start_s: float
    stop_s: float
    mean_v: float | None
    lowest_v: float | None
    ripple_v: float | None
    drive_v: float | None
    fixed_v: float | None
    not_judged: str | None
    taken_in: str | None = None


def is_equal_drive(a: Reading, b: Reading) -> bool:
    """Whether a tone was playing at both, and as loud."""
    if a.drive_v is None or b.drive_v is None or min(a.drive_v, b.drive_v) < LEAST_TONE_V:
        return False
    return abs(a.drive_v - b.drive_v) <= EQUAL_DRIVE_RATIO * max(a.drive_v, b.drive_v)


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
