"""A level that sank over the hours asks for something; the verdict began with it and the advice said "nothing"."""

from __future__ import annotations

from ampwitness.findings.advice import advise_first_steps
from ampwitness.types import Finding, Severity


def _drift(change_db: float, cause: str, severity: Severity = "attention", start_s: float = 1050.0) -> Finding:
    measured = {"change_db": change_db, "cause": cause, "start_uncertainty_s": 300.0}
    return Finding("drift", start_s, start_s + 1440.0, severity, measured, {}, {})


def test_a_level_that_sank_is_let_cool_and_played_again() -> None:
    heat = "with the supply steady: consistent with thermal compression or a limiter"
    (step,) = advise_first_steps([_drift(-0.2, heat, start_s=9000.0), _drift(-0.53, heat)])
    assert step.startswith("Let amplifier and loudspeaker cool, and play the same again. From 17:30.000 on the output")
    assert "sank by 0.53 dB over 0.4 h (its start known to +- 10 min, 95 %), with the supply steady" in step
    assert step.endswith(": what comes back when cold was lost to heat.")


def test_a_level_that_sank_with_the_supply_leads_to_the_supply() -> None:
    (step,) = advise_first_steps([_drift(-0.4, "together with the supply")])
    assert step.startswith("Find why the supply sinks over the hours. From 17:30.000 on the output sank by 0.40 dB")
    assert step.endswith("together with the supply: the output follows it.")


def test_a_level_that_rose_asks_for_nothing() -> None:
    (step,) = advise_first_steps([_drift(0.3, "with the supply steady: consistent with cooling", "information")])
    assert step.startswith("Nothing that asks for action")
