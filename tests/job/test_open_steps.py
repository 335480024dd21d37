"""A step whose evidence asks for more stays open, and no tone is proposed that could destroy a loudspeaker."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from ampwitness.cli.before_power import before_power
from ampwitness.cli.job import job as job_command
from ampwitness.cli.sheet import sheet
from ampwitness.errors import DoNotSwitchOnError
from ampwitness.guide.before_power import conclude, judge_all, open_because
from click.testing import CliRunner, Result

SOUND = {
    "coil_ohm": 4.0, "n_coils": 1, "coil_1_ohm": 3.4, "leads_ohm": 3.5, "chassis_p_ohm": float("inf"),
    "chassis_n_ohm": float("inf"), "least_stereo_ohm": 2.0, "supply_v": 12.6, "ground_ohm": 0.2, "remote_v": 0.0,
    "fuse_a": 40.0, "amplifier_fuses_a": 40.0, "fuse_distance_m": 0.3,
}  # fmt: skip


COMMANDS = {"job": job_command, "before-power": before_power, "sheet": sheet}


def _run(*words: str) -> Result:
    return CliRunner().invoke(COMMANDS[words[0]], list(words[1:]))


@pytest.fixture
def job(tmp_path: Path) -> str:
    folder = str(tmp_path / "van")
    assert _run("job", "new", folder).exit_code == 0
    return folder


def test_what_was_not_measured_is_no_pass() -> None:
    assert conclude(judge_all({}, None)).startswith("Nothing was measured. No statement")
    assert open_because(judge_all(SOUND, None)) is None
    for key in ("coil_1_ohm", "chassis_n_ohm", "supply_v", "fuse_a"):
        judged = judge_all({**SOUND, key: None}, None)
        assert conclude(judged).startswith("Not enough to switch on"), key
        assert open_because(judged)


def test_a_stop_keeps_the_step_open_until_it_is_mended(job: str, tmp_path: Path) -> None:
    bad, good = tmp_path / "bad.json", tmp_path / "good.json"
    answers = [f"--answer={key}={value}" for key, value in SOUND.items()]
    stopped = _run("before-power", "--no-questions", "--out", str(bad), *answers, "--answer=chassis_p_ohm=3")
    assert isinstance(stopped.exception, DoNotSwitchOnError)
    assert stopped.exception.exit_code == 17
    shown = " ".join(_run("job", "add", job, "before-power", str(bad)).output.split())
    assert "1. Checks before power: open: STOP: lead of + to chassis" in shown
    assert "mend these, then repeat before-power. No power until then." in shown
    assert "before-power --out before-power-2.json" in shown  # as the job overwrites nothing
    assert "before-power before-power-2.json" in shown
    assert "still open: STOP" in " ".join(_run("sheet", "--job", job).output.split())
    assert _run("before-power", "--no-questions", "--out", str(good), *answers).exit_code == 0
    assert "1. Checks before power: done" in _run("job", "add", job, "before-power", str(good)).output


@pytest.mark.parametrize(
    ("facts", "tone_hz", "load"),
    [
        (("--band", "sub", "--load-ohm", "2", "--load-kind", "speaker"), 40, "--load 2 --load-kind speaker"),
        (("--band", "full", "--load-ohm", "8", "--load-kind", "resistor"), 1000, "--load 8 --load-kind resistor"),
        (("--band", "tweeter", "--load-ohm", "4", "--load-kind", "speaker"), 4000, "--load-kind none"),
        (("--load-ohm", "4", "--load-kind", "speaker"), 1000, "--load-kind none"),
    ],
)
def test_the_proposed_tone_suits_the_channel(job: str, facts: tuple[str, ...], tone_hz: int, load: str) -> None:
    _run("job", "channel", job, "--amplifier", "a", "--channel", "b", *facts)
    for step in ("before-power", "source"):
        _run("job", "skip", job, step, "--reason", "made")
    shown = " ".join(_run("job", "show", job).output.split())
    assert f"set-gain --tone {tone_hz} {load} --out gain-a-b.mcap" in shown
    assert "job add" in shown
    assert ("isconnect the loudspeaker" in shown) == ("none" in load)
    assert json.loads(_run("job", "show", job, "--json").output)["next"] == "gain"


def test_the_last_step_names_the_job_and_takes_a_note(job: str) -> None:
    for step in ("before-power", "source", "gain", "supply", "noise", "road", "soak"):
        _run("job", "skip", job, step, "--reason", "made")
    shown = " ".join(_run("job", "show", job).output.split())
    assert f"ampwitness sheet --html sheet.html --job {job}" in shown
    assert f"ampwitness job add {job} sheet --note 'handed over'" in shown
    assert "All steps are done" in _run("job", "add", job, "sheet", "--note", "handed over").output
