"""What an earlier, broken-off supply check has taken, so that the walk need not begin anew.

Gaps: readings that were not judged are left out: they are measured again.
Limits: nobody knows here whether the vehicle is as it was; `taken_in` goes with each reading, and every table says it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ampwitness.errors import RecordingUnreadableError
from ampwitness.guide.supply_readings import STATES, Point, Reading, Step

_NUMBERS = ("start_s", "stop_s", "mean_v", "lowest_v", "ripple_v")
_WHERE_LOGGED = ("drive_v", "battery_v")


def read_answers(saved: Mapping[str, Any], name: str) -> dict[str, Any]:
    """What was answered before that walk, the places between battery and amplifier (`points`) among it.

    Raises
    ------
    RecordingUnreadableError : `saved`, from the file `name`, is no outcome of a supply check.
    """
    answers = saved.get("answers")
    if saved.get("kind") != "supply check" or not isinstance(answers, dict):
        raise RecordingUnreadableError(f"{name} is no result of `ampwitness check-supply`: nothing to go on from")
    points = answers.get("points", [])
    if not isinstance(points, list) or not all(isinstance(point, str) for point in points):
        raise RecordingUnreadableError(f"{name}: `points` was expected to be a list of names")
    return dict(answers)


def read_taken(saved: Mapping[str, Any], points: Sequence[Point], name: str) -> tuple[Reading, ...]:
    """Readings of `saved` that were judged, at the places of this walk.

    Parameters
    ----------
    saved : as `check_to_plain` wrote it
    points : places of this walk; a reading at another place is refused
    name : of the file; goes with every reading as `taken_in`, unless an earlier file's name does already

    Raises
    ------
    RecordingUnreadableError : readings that are none, or at a place or in a state that is not walked.
    """
    places = {point.name: point for point in points}
    readings = saved.get("readings", ())
    if not isinstance(readings, list | tuple):
        raise RecordingUnreadableError(f"{name}: `readings` was expected to be a list")
    taken = []
    for entry in readings:
        place = entry.get("point") if isinstance(entry, dict) else None
        if not isinstance(place, str) or entry.get("state") not in STATES:
            raise RecordingUnreadableError(f"{name}: a reading without a place and a state of the walk: {entry!r:.80}")
        if entry.get("not_judged") is not None or entry.get("mean_v") is None:
            continue
        if place not in places:
            raise RecordingUnreadableError(
                f"{name}: a reading at {place!r}, where this walk does not go: give the same --point, or begin anew"
            )
        start_s, stop_s, mean_v, lowest_v, ripple_v = (_number(entry, key, name) for key in _NUMBERS)
        drive_v, fixed_v = (None if entry.get(key) is None else _number(entry, key, name) for key in _WHERE_LOGGED)
        taken_in = entry.get("taken_in")
        taken_in = taken_in if isinstance(taken_in, str) else name
        step = Step(places[place], entry["state"])
        taken.append(Reading(step, start_s, stop_s, mean_v, lowest_v, ripple_v, drive_v, fixed_v, None, taken_in))
    return tuple(taken)


def _number(entry: Mapping[str, Any], key: str, name: str) -> float:
    value = entry.get(key)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise RecordingUnreadableError(f"{name}: {entry['point']}, {entry['state']}: {key} is no number: {value!r:.40}")
    return float(value)
