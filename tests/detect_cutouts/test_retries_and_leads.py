"""Stops that come evenly, a supply that was as high at the return, a battery that held, a terminal that lies still."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutout_cause import LOW, OVER, PAUSE, RETRYING
from ampwitness.detect.cutouts.cutout_terminal import name_silent_terminal
from ampwitness.detect.step_stream import StepStream
from ampwitness.findings.road_words import explain_cutout, find_next_test, is_doubtful
from ampwitness.types import Finding, FloatArray

AT = np.arange(14 * RATE_HZ) / RATE_HZ
TONE = 12.0 * np.sin(2 * np.pi * 47 * AT) + 2.0 * np.sin(2 * np.pi * 211 * AT)


def _find(output: FloatArray, window_s: float = 10.0, **volts: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(4)
    given = {"output": output, "supply": np.full(len(AT), 12.6), "remote": np.full(len(AT), 12.2), **volts}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in given.items()}
    return list(find_cutouts(CutoutCase(noisy, "", ()), window_s)[0])


def _cut(starts_s: list[float], off_s: float) -> FloatArray:
    out = np.ones(len(AT))
    for start_s in starts_s:
        out[(start_s <= AT) & (start_s + off_s > AT)] = 0.0
    return out


@pytest.mark.parametrize("window_s", [1.0, 10.0])
def test_even_stops_with_a_moment_of_sound_between_are_consistent_with_a_guard_that_retries(window_s: float) -> None:
    at_crests_s = [(round((4.1 + 0.9 * k) * 47) + 0.25) / 47 for k in range(6)]
    found = _find(TONE * _cut(at_crests_s, 0.78), window_s)
    assert [one.measured["cause"] for one in found] == [RETRYING] * 6
    assert all(one.severity == "attention" and not is_doubtful(one) for one in found)
    assert all(one.evidence["protection"] == "consistent with over-current" for one in found)
    assert any(
        why.startswith(("6 stops came every 0.89 s", "6 stops came every 0.90 s"))
        for why in found[0].evidence["reasons"]
    )
    assert "a pause of the programme" in found[0].evidence["not_excluded"]
    assert "speaker leads off" in find_next_test(RETRYING)


@pytest.mark.parametrize(
    ("period_s", "off_s", "late_s"),
    [(0.9, 0.45, 0.0), (0.9, 0.78, 0.1)],
    ids=["gated: it sounds for as long as it is silent", "uneven"],
)
def test_what_is_gated_or_uneven_is_none(period_s: float, off_s: float, late_s: float) -> None:
    starts_s = [4.1 + period_s * k + late_s * (k % 2) for k in range(6)]
    assert RETRYING not in [one.measured["cause"] for one in _find(TONE * _cut(starts_s, off_s))]


@pytest.mark.parametrize(("back_v", "cause"), [(16.7, PAUSE), (14.4, OVER)])
def test_a_guard_against_high_volts_lets_no_output_back_at_as_many(back_v: float, cause: str) -> None:
    """As behind a regulator that failed: the supply stays, and a rest of the programme is none of its doing."""
    supply = 14.2 + 2.5 * np.clip((AT - 6.0) / 0.2, 0, 1)
    supply = np.where(AT > 6.4, back_v, supply)
    (found,) = _find(TONE * _cut([6.2], 0.3), supply=supply)
    assert found.measured["cause"] == cause
    assert any("did not stop it" in why for why in found.evidence["reasons"]) == (cause == PAUSE)


@pytest.mark.parametrize("battery_v", [12.5, 9.3])
def test_a_battery_that_held_while_the_supply_fell_names_the_lead_between(battery_v: float) -> None:
    is_low = (AT >= 6.0) & (AT < 6.5)
    output = TONE * _cut([6.012], 0.9)
    (found,) = _find(output, supply=np.where(is_low, 9.2, 12.6), battery=np.where(is_low, battery_v, 12.6))
    assert found.measured["cause"] == LOW
    is_between = battery_v == 12.5
    assert found.evidence["battery_stood"] == is_between
    assert any("between battery and amplifier" in why for why in found.evidence["reasons"]) == is_between
    assert ("Look between battery and amplifier" in explain_cutout(found)[-1]) == is_between


@pytest.mark.parametrize(("negative_v", "name"), [(0.0, "negative"), (6.0, ""), (None, "")])
def test_a_terminal_that_lies_still_near_0_v_is_named(negative_v: float | None, name: str) -> None:
    positive = 6.0 + TONE / 2
    negative = 6.0 - TONE / 2 if negative_v is None else np.full(len(AT), negative_v)
    traces = {"output": positive - negative, "common": (positive + negative) / 2}
    stream = StepStream(("output",), ("output",), ("common",))
    runs = [run for w in iter_windows_from_arrays(traces, RATE_HZ, window_s=20.0) for run, _ in stream.push(w)]
    assert name_silent_terminal(runs[0], 5000) == name


def _current(output: FloatArray, surge_s: float | None, side: float) -> FloatArray:
    """Volts of a sensor of 100 A/V about 2.5 V, which follows the output's power, and a short of 60 A for 4 ms."""
    surge = 0.0 if surge_s is None else 0.6 * ((surge_s - 0.004 < AT) & (surge_s > AT))
    return np.asarray(2.5 + side * (output**2 / 3 / 0.7 / 12 / 100 + surge))


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("is_surge", [True, False])
def test_a_surge_of_current_before_the_stop_speaks_for_over_current(side: float, is_surge: bool) -> None:
    stop_s = (round(6.2 * 47) + 0.25) / 47
    output = TONE * _cut([stop_s], 1.2)
    (found,) = _find(output, current=_current(output, stop_s if is_surge else None, side))
    named = "protection with supply and remote fine: consistent with over-current"
    assert (found.measured["cause"], found.severity) == ((named, "serious") if is_surge else (PAUSE, "attention"))
    surges = [event["time_s"] for event in found.evidence["events"] if event["what"].startswith("current highest")]
    assert surges == ([pytest.approx(stop_s - 0.002, abs=0.004)] if is_surge else [])


def test_a_louder_note_that_takes_more_current_and_is_cut_off_is_no_surge() -> None:
    stop_s = (round(6.2 * 47) + 0.25) / 47
    output = TONE * np.where(AT < 6.15, 0.4, 1.0) * _cut([stop_s], 1.2)
    found = _find(output, current=_current(output, None, 1.0))
    assert not any("over-current" in str(one.measured["cause"]) for one in found)
