"""Whether supply, battery and remote lead stepped down together when the output stopped, by as many volts in the same
instant, and stayed there with the amplifier off: so they do, seen from the amplifier's ground, when that goes.

Gaps: only one unbroken run is looked at.
Limits: needs the supply and an analog remote lead or the battery; steps of 1 V at least, dated to 1 ms. A starter or a
winch that pulls the battery down in the same way looks alike, so it is told and left undecided. From elsewhere than the
amplifier's ground its plus side stands when that ground goes: there it says nothing.
Source: Kirchhoff's voltage law (a reference that moves takes every volt along); the figures are our choice, measured in
tests/detect_cutouts/test_cutout_common.py.
"""

from __future__ import annotations

import numpy as np

from ampwitness.detect.cutouts.cutout_ground import is_elsewhere
from ampwitness.detect.cutouts.cutout_measure import CommonFall, Stop
from ampwitness.detect.step_stream import RunSteps

LEAST_V = 1.0  # a ground lead drops tenths of a volt
FELL_ALIKE = "not decided: remote lead and supply fell alike, as where a ground is lost"
BATTERY_FELL_ALIKE = "not decided: battery and supply fell alike, as where a ground is lost"
_ROLES = {"battery": "the battery", "remote": "the remote lead"}
_BEFORE, _BEHIND = 100, 50  # steps around the stop
_FALL, _LEVEL = 2, 3  # steps: how long a step takes, and over how many its two levels are taken
_WIDE, _STEP_RATIO = 25, 0.75  # of what it falls by from so many steps before to as many behind: else it is a slope
_LATE = 5  # steps: what fell so long behind the stop may still have caused it
_SAME_V, _SAME_RATIO = 0.15, 0.10  # as far as leads that fall together differ, by what the programme itself pulls
_STAYS_RATIO = 0.75  # of the step, from 10 to 50 ms behind the stop: no current of the amplifier's own made it


def measure_common_fall(run: RunSteps, stop: Stop) -> None:
    """Note by how much the supply and every other lead that was logged stepped down together right before a stop."""
    roles = [role for role in _ROLES if role in run]
    if "supply" not in run or not roles:
        return
    at = round((stop.stop_s - run.start_s) / run.step_s)
    first = max(run.first, at - _BEFORE)
    supply = run.steps("supply", first, at + _BEHIND)
    falls = supply[: -_FALL or None] - supply[_FALL:]
    last = at + _LATE - first - _FALL
    if last <= _WIDE or len(supply) < at - first + _BEHIND // 2:
        return
    place = _WIDE + int(np.argmax(falls[_WIDE:last]))
    fell_v = {role: _step_v(run, role, first + place) for role in ("supply", *roles)}
    step_v = fell_v["supply"]
    stayed_v = float(np.median(supply[place - _LEVEL + 1 : place + 1])) - float(np.median(supply[at - first + 10 :]))
    near_v = max(_SAME_V, _SAME_RATIO * step_v)
    if step_v < max(LEAST_V, _STEP_RATIO * _step_v(run, "supply", first + place, _WIDE)):
        return
    if stayed_v < _STAYS_RATIO * step_v:
        return
    if all(abs(fell_v[role] - step_v) < near_v for role in roles):
        stop.common_fall = CommonFall(step_v, run.time_s(first + place + _FALL // 2), tuple(roles))


def judge_common_fall(
    stop: Stop, reference: str | None, events: list[tuple[float, str]], reasons: list[str]
) -> str | None:
    """The cause in words where all stepped down together, and volts may count from the amplifier's own ground."""
    fall = stop.common_fall
    if fall is None or is_elsewhere(reference):
        return None
    names = " and ".join(_ROLES[role] for role in fall.roles)
    events.append((fall.time_s, f"supply and {names} fell by {fall.fell_v:.1f} V together"))
    reasons.append(
        f"{names} fell by {fall.fell_v:.1f} V with the supply, in the same instant, and stayed there although the "
        "amplifier was off: seen from the amplifier's own ground all does so when that ground is lost"
    )
    return BATTERY_FELL_ALIKE if "battery" in fall.roles else FELL_ALIKE


def _step_v(run: RunSteps, role: str, at: int, apart: int = 0) -> float:
    """By how many volts a lead stands lower behind a step of `_FALL` than ahead of it, so many steps from it."""
    before = run.steps(role, at - _LEVEL + 1 - apart, at + 1 - apart)
    behind = run.steps(role, at + _FALL + apart, at + _FALL + _LEVEL + apart)
    return float(np.median(before) - np.median(behind)) if len(before) and len(behind) else 0.0
