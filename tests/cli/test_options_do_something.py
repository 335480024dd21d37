"""Options that no other test types: each changes what the command does, or stands where a person looks for it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ampwitness.bench.day_signals import write_day

Run = Callable[..., Any]


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("short") / "short.mcap"
    write_day(path, 0.0012, seed=6)
    return path


def test_report_keeps_what_was_asked(run: Run, short: Path) -> None:
    asked = ["--continuous", "--raw-adc", "--window-s", 2, "--every-finding"]
    options = json.loads(run("report", short, "--json", "-", *asked).out)["settings"]["options"]
    assert (options["continuous"], options["correct_adc"], options["window_s"]) == (True, False, 2.0)
    options = json.loads(run("report", short, "--json", "-").out)["settings"]["options"]
    assert (options["continuous"], options["correct_adc"], options["window_s"]) == (False, True, 30.0)


def test_export_takes_steps_and_the_converter_as_it_is(run: Run, short: Path, tmp_path: Path) -> None:
    rows = {}
    for step_s in (0.1, 0.5):
        folder = tmp_path / f"tables-{step_s}"
        assert run("export", short, "--csv", folder, "--step-s", step_s).code == 0
        rows[step_s] = max(len(path.read_text().splitlines()) for path in folder.glob("*level*"))
    assert rows[0.1] == pytest.approx(5 * rows[0.5], abs=8)
    assert run("export", short, "--wav", tmp_path / "a.wav").code == 0
    assert run("export", short, "--wav", tmp_path / "b.wav", "--raw-adc").code == 0
    assert (tmp_path / "a.wav").read_bytes() != (tmp_path / "b.wav").read_bytes()


def test_cable_is_warm_and_one_way(run: Run) -> None:
    asked = ["cable", "--mm2", 10, "--length", 5, "--amps", 50, "--json"]
    plain, warm, one_way = (json.loads(run(*asked, *more).out) for more in ((), ("--temperature", 80), ("--one-way",)))
    assert warm["loop_ohm"] == pytest.approx((1 + 60 * 0.00393) * plain["loop_ohm"], rel=1e-3)  # copper, by hand
    assert one_way["loop_ohm"] == pytest.approx(plain["loop_ohm"] / 2)


def test_what_is_typed_of_a_job_is_shown(run: Run, short: Path, tmp_path: Path) -> None:
    assert run("job", "new", tmp_path / "van").code == 0
    channel = ["--amplifier", "sub", "--channel", "mono", "--rated-w", 500]
    assert run("job", "channel", tmp_path / "van", *channel).code == 0
    assert "rated 500 W" in run("job", "show", tmp_path / "van").out
    assert run("sheet", "--job", tmp_path / "van", "--by", "A. Fitter", "--html", tmp_path / "sheet.html").code == 0
    assert "A. Fitter" in (tmp_path / "sheet.html").read_text()


def test_before_power_lists_its_questions(run: Run) -> None:
    listed = run("before-power", "--list").out
    assert "coil_ohm" in listed
    keys = [question["key"] for question in json.loads(run("before-power", "--list", "--json").out)]
    assert set(keys) >= {"coil_ohm", "supply_v", "fuse_a"}


def test_check_supply_takes_answers_as_options(run: Run, tmp_path: Path) -> None:
    """24 V is refused before any board is looked for; what is right gets as far as the port."""
    answers = tmp_path / "walk.json"
    answers.write_text(json.dumps({"steps": {"main fuse@at rest": [0.5, 1.0]}}))
    facts = ["--battery", "AGM", "--charging", "fixed", "--rest-hours", 6, "--point", "main fuse"]
    asked = ["check-supply", "--answers", answers, "--port", tmp_path / "no-port", "--out", tmp_path / "x.json", *facts]
    assert "24 V" in (refused := run(*asked, "--nominal", 24)).err
    assert refused.code == 2
    assert run(*asked, "--nominal", 12).code == 3


def test_calibrate_refuses_a_meter_that_cannot_be(run: Run, tmp_path: Path) -> None:
    for option, value in (("--meter-percent", 21), ("--meter-volts", 11)):
        assert run("calibrate", "--port", tmp_path / "none", option, value).code == 2


def test_kinds_may_be_typed_in_small_or_capital_letters(run: Run, tmp_path: Path) -> None:
    cable = ["cable", "--mm2", 16, "--length", 5, "--amps", 100, "--json", "--metal"]
    assert json.loads(run(*cable, "CCA").out) == json.loads(run(*cable, "cca").out)
    for kind, code in (("agm", 3), ("Lithium", 3), ("lead", 2)):  # 3: understood, and no board there
        assert run("record", "--port", tmp_path / "nowhere", "--battery-kind", kind).code == code
