"""The supply check as a finding that the recording keeps, with all it rests on."""

from __future__ import annotations

from typing import Any

from ampwitness.guide.supply_judged import check_to_plain, find_worst_leg
from ampwitness.guide.supply_readings import Leg, Reading, SupplyCheck
from ampwitness.types import Finding


def conclude_walk(check: SupplyCheck) -> Finding:
    """The outcome of a walk as a finding of kind "check".

    Parameters
    ----------
    check : what `conclude_check` made of the readings

    Returns
    -------
    Finding; `measured["line"]` is the line for tables, `evidence` holds every reading, leg and sentence.
    """
    judged = [reading for reading in check.readings if reading.mean_v is not None]
    here = [reading for reading in check.readings if reading.taken_in is None]  # others' times are of another recording
    worst = find_worst_leg(check.legs, check.readings)
    return Finding(
        kind="check",
        start_s=min((reading.start_s for reading in here), default=0.0),
        stop_s=max((reading.stop_s for reading in here), default=0.0),
        severity="information",
        measured={
            "line": _line(check, worst),
            "n_readings": len(judged),
            "n_not_judged": len(check.readings) - len(judged),
            "battery_at_rest_v": _mean_v(judged, "post", "at rest"),
            "battery_running_v": _mean_v(judged, "post", "engine running"),
            "amplifier_under_tone_v": _mean_v(judged, "amplifier", "under a tone"),
            "worst_leg": None if worst is None else f"{worst.start} to {worst.stop}",
            "worst_drop_v": None if worst is None else worst.drop_v,
        },
        threshold={},
        evidence=_evidence(check),
    )


def _evidence(check: SupplyCheck) -> dict[str, Any]:
    return {key: value for key, value in check_to_plain(check).items() if key != "kind"}


def _mean_v(readings: list[Reading], kind: str, state: str) -> float | None:
    return next((r.mean_v for r in readings if r.step.point.kind == kind and r.step.state == state), None)


def _line(check: SupplyCheck, worst: Leg | None) -> str:
    parts = []
    for state, words in (("at rest", "at rest"), ("engine running", "with the engine running")):
        volts = _mean_v(list(check.readings), "post", state)
        if volts is not None:
            parts.append(f"battery {volts:.2f} V {words}")
    if worst is not None:
        parts.append(f"most is lost from {worst.start} to {worst.stop}, {worst.drop_v:.2f} V under the tone")
    n_open = sum(reading.mean_v is None for reading in check.readings)
    if n_open:
        parts.append(f"{n_open} of {len(check.readings)} readings not judged")
    return "Supply check: " + ("; ".join(parts) if parts else "nothing was measured")
