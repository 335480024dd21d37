"""Meter checks before power: arithmetic of coils, judgements in words, and the command as a user types it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from ampwitness.cli.before_power import before_power
from ampwitness.guide.before_power import (
    combined_ohm,
    judge_coil,
    judge_fuse,
    judge_ground,
    judge_leak,
    judge_load,
    judge_polarity,
    judge_remote,
)
from ampwitness.guide.meter_questions import questions
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st


@given(st.floats(0.5, 16), st.integers(1, 12))
def test_coils_against_ohm_s_law(coil_ohm: float, n_coils: int) -> None:
    """Resistances in series add, in parallel their conductances do (any textbook)."""
    if n_coils > 1:
        assert combined_ohm(coil_ohm, n_coils, "series") == pytest.approx(sum([coil_ohm] * n_coils))
        assert 1 / combined_ohm(coil_ohm, n_coils, "parallel") == pytest.approx(sum([1 / coil_ohm] * n_coils))
    if n_coils >= 4 and n_coils % 2 == 0:
        branch = coil_ohm * n_coils / 2
        assert 1 / combined_ohm(coil_ohm, n_coils, "series-parallel") == pytest.approx(2 / branch)


def test_wiring_that_cannot_be() -> None:
    for coil_ohm, n_coils, wiring in (
        (4, 2, "single"),
        (4, 3, "series-parallel"),
        (4, 5, "series-parallel"),
        (4, 2, "series-parallel"),
        (0, 1, "single"),
        (4, 0, "series"),
    ):
        with pytest.raises(ValueError, match="coils"):
            combined_ohm(coil_ohm, n_coils, wiring)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("nominal", "measured", "finding"),
    [
        (4, 3.2, "as expected"), (4, 2.8, "as expected"), (8, 6.4, "as expected"),
        (4, 2.6, "look again"), (4, 4.2, "look again"),
        (4, 0.1, "stop"), (4, math.inf, "stop"), (4, 1.9, "stop"), (4, 7.9, "stop"),
    ],
)  # fmt: skip
def test_coils(nominal: float, measured: float, finding: str) -> None:
    """0.7 to 0.9 of nominal: common practice, no source."""
    judged = judge_coil("x", nominal, measured)
    assert judged.finding == finding
    assert judged.finding == "as expected" or judged.advice


def test_a_load_is_judged_as_it_is_connected() -> None:
    assert judge_load(2, 2, 4, is_bridged=False).finding == "as expected"
    assert judge_load(2, 2, 4, is_bridged=True).finding == "stop"
    assert judge_load(3.9, 4, None, is_bridged=False).finding == "stop"  # a little under is under
    assert judge_load(3.97, 4, None, is_bridged=False).finding == "as expected"  # a label rounds
    assert judge_load(2, 2, None, is_bridged=True).finding == "not judged"
    assert judge_load(2, 2, 4, is_bridged=None).finding == "not judged"


@pytest.mark.parametrize(
    ("volts", "finding"),
    [
        (-12, "stop"),
        (0.2, "not judged"),
        (1.2, "look again"),
        (6, "look again"),
        (12.6, "as expected"),
        (17, "look again"),
        (25.2, "stop"),
    ],
)
def test_volts_at_the_power_cable(volts: float, finding: str) -> None:
    """A 24 V vehicle's supply destroys an amplifier made for 12 V."""
    assert judge_polarity(volts).finding == finding


def test_a_lead_on_the_body_a_ground_that_is_none_and_a_fed_remote_lead() -> None:
    """100 kohm, 10 ohm, 0.5 ohm and 1 V: common practice, no source."""
    assert [judge_leak("+", ohm).finding for ohm in (0, 90_000, 200_000, math.inf)] == ["stop"] * 2 + [
        "as expected"
    ] * 2
    found = [judge_ground(ohm).finding for ohm in (0.2, 3, 10.5, 40, math.inf)]
    assert found == ["as expected", "look again", "stop", "stop", "stop"]
    found = [judge_remote(volts).finding for volts in (0, 0.4, -0.4, 1.2, 12.6, -12.6)]
    assert found == ["as expected"] * 3 + ["look again"] * 3


def test_fuses_are_never_called_right_for_a_cable() -> None:
    run_judged = judge_fuse(80, 100, 0.6, None)
    assert [j.finding for j in run_judged] == ["as expected", "stop"]
    assert judge_fuse(40, 100, 0.2, None)[0].finding == "look again"
    assert [j.finding for j in judge_fuse(0, 0, 0, None)] == ["stop"]


GOOD = {
    "coil_ohm": "4", "n_coils": "2", "wiring": "parallel", "coil_1_ohm": "3.2", "coil_2_ohm": "3.3", "leads_ohm": "1.6",
    "chassis_p_ohm": "open", "chassis_n_ohm": "OL", "is_bridged": "no", "least_stereo_ohm": "2",
    "least_bridged_ohm": "4", "supply_v": "12.6", "ground_ohm": "0.1", "remote_v": "0", "fuse_a": "80",
    "amplifier_fuses_a": "80", "fuse_distance_m": "0.3", "cable_mm2": "21", "cable_m": "5",
}  # fmt: skip


def invoke(answers: dict[str, str], *more: str, typed: str | None = None):  # type: ignore[no-untyped-def]
    given_options = [part for key, value in answers.items() for part in ("--answer", f"{key}={value}")]
    return CliRunner().invoke(before_power, [*given_options, *more], input=typed)


def test_a_sound_car_and_each_fault_in_turn() -> None:
    plain = json.loads(invoke(GOOD, "--json").stdout)
    assert "Do not switch on" not in plain["conclusion"]
    assert "acoustic polarity" in plain["not_tested"]
    faults = {
        "coil_1_ohm": "0.2", "coil_2_ohm": "open", "chassis_p_ohm": "3", "is_bridged": "yes", "supply_v": "-12.6",
        "ground_ohm": "open", "fuse_distance_m": "2", "leads_ohm": "6.4",
    }  # fmt: skip
    assert [j["what"] for j in plain["judgements"]] == [
        "coil of loudspeaker 1", "coil of loudspeaker 2", "load", "coil of the whole output (parallel)",
        "lead of + to chassis", "lead of - to chassis", "supply polarity", "ground", "remote lead", "main fuse",
        "fuse position", "fuse against cable",
    ]  # fmt: skip
    for key, value in faults.items():
        plain = json.loads(invoke({**GOOD, key: value}, "--json").stdout)
        assert plain["conclusion"].startswith("Do not switch on"), key
        assert sum(j["finding"] == "stop" for j in plain["judgements"]) == 1, key


def test_what_must_be_measured_and_what_need_not() -> None:
    for key, word in (
        ("supply_v", "supply polarity"),
        ("coil_2_ohm", "coil 2"),
        ("chassis_n_ohm", "- lead to chassis"),
    ):
        plain = json.loads(invoke({k: v for k, v in GOOD.items() if k != key}, "--json").stdout)
        assert plain["conclusion"].startswith(f"Not enough to switch on: still to measure: {word}. "), key
    plain = json.loads(invoke({k: v for k, v in GOOD.items() if k != "remote_v"}, "--json").stdout)
    assert plain["conclusion"].startswith("Nothing of what was checked speaks against power. Not judged: remote lead,")


def test_the_first_line_is_the_warning_and_what_was_not_measured_is_named() -> None:
    shown = invoke({"coil_ohm": "4", "n_coils": "1"}, "--no-questions")
    assert shown.exit_code == 0
    assert shown.stderr.startswith("A fault found here can destroy an amplifier")
    assert "Nothing was measured. No statement about power." in " ".join(shown.stdout.split())


def test_typed_at_the_terminal_with_a_slip(tmp_path: Path) -> None:
    asked = [ask.key for ask in questions({"n_coils": 2})]
    typed = "\n".join(["four", *(GOOD[key] for key in asked)]) + "\n"
    shown = invoke({}, "--out", str(tmp_path / "b.json"), typed=typed)
    assert shown.exit_code == 0, shown.output
    assert "coil_ohm: a number, not 'four'" in shown.stderr
    kept = json.loads((tmp_path / "b.json").read_text())
    assert kept["answers"]["chassis_p_ohm"] == "open"
    assert kept["judgements"] == json.loads(invoke(GOOD, "--json").stdout)["judgements"]


@pytest.mark.parametrize(
    "bad",
    [
        "x", "nonsense=1", "coil_ohm=-4", "coil_ohm=nan", "coil_ohm=0", "coil_ohm=open", "n_coils=1.5", "n_coils=99",
        "cable_mm2=5000", "cable_m=1e8", "fuse_a=1e6",
    ],
)  # fmt: skip
def test_absurd_answers(bad: str) -> None:
    refused = CliRunner().invoke(before_power, ["--answer", bad, "--json"])
    assert refused.exit_code != 0
    assert bad.partition("=")[0] in str(refused.exception)


def test_an_answer_is_taken_back(tmp_path: Path) -> None:
    """b at the first question stays there; later it asks the one before again."""
    asked = [ask.key for ask in questions({"n_coils": 2})]
    right = [GOOD[key] for key in asked]
    typed = "\n".join(["b", "40", "b", *right]) + "\n"
    shown = invoke({}, "--out", str(tmp_path / "c.json"), typed=typed)
    assert shown.exit_code == 0, shown.output
    assert json.loads((tmp_path / "c.json").read_text())["answers"]["coil_ohm"] == float(GOOD["coil_ohm"])
