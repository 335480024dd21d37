"""A step whose evidence asks for more stays open, and no tone is proposed that could destroy a loudspeaker."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from ampwitness.cli.before_power import before_power
from ampwitness.cli.job import LEAST_SOAK_S
from ampwitness.cli.job import job as job_command
from ampwitness.cli.sheet import sheet
from ampwitness.detect.soak.trends import LEAST_S
from ampwitness.errors import DoNotSwitchOnError
from ampwitness.guide.before_power import conclude, judge_all, open_because
from click.testing import CliRunner, Result

SOUND = {
    "coil_ohm": 4.0, "n_coils": 1, "coil_1_ohm": 3.4, "leads_ohm": 3.5, "chassis_p_ohm": float("inf"),
    "chassis_n_ohm": float("inf"), "is_bridged": False, "least_stereo_ohm": 2.0, "supply_v": 12.6, "ground_ohm": 0.2,
    "remote_v": 0.0, "fuse_a": 40.0, "amplifier_fuses_a": 40.0, "fuse_distance_m": 0.3,
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


@pytest.mark.parametrize(("lasted_s", "state"), [(20.0, "open: soak lasted 20.0 s: heat, and"), (7200.0, "done")])
def test_a_recording_too_short_to_show_heat_is_no_soak(job: str, tmp_path: Path, lasted_s: float, state: str) -> None:
    assert LEAST_SOAK_S == LEAST_S
    (tmp_path / "soak.json").write_text(json.dumps({"recording": {"duration_s": lasted_s}, "findings": []}))
    shown = " ".join(_run("job", "add", job, "soak", str(tmp_path / "soak.json")).output.split())
    assert f"7. Soak: {state}" in shown
    assert "6. On the road: done" in _run("job", "add", job, "road", str(tmp_path / "soak.json")).output


def test_a_file_without_a_channel_speaks_for_the_only_one(job: str, tmp_path: Path) -> None:
    """Coils of one channel say nothing of another's; a stop of the whole vehicle stays until each is checked again."""
    (good, bad) = (tmp_path / name for name in ("good.json", "bad.json"))
    good.write_text(json.dumps({"kind": "before-power"}))
    bad.write_text(json.dumps({"kind": "before-power", "open_because": "STOP: fuses"}))
    _run("job", "channel", job, "--amplifier", "a", "--channel", "left")
    assert "1. Checks before power: done" in _run("job", "add", job, "before-power", str(good)).output
    _run("job", "channel", job, "--amplifier", "a", "--channel", "right")
    shown = " ".join(_run("job", "show", job).output.split())
    assert "1. Checks before power: open: still a/left, a/right" in shown
    assert "before-power-a-left-2.json --amplifier a --channel left" in shown
    named = [["--amplifier", "a", "--channel", name] for name in ("left", "right")]
    _run("job", "add", job, "before-power", str(good), *named[0])
    _run("job", "add", job, "before-power", str(good), *named[1])
    assert "1. Checks before power: done" in _run("job", "show", job).output
    assert "open: STOP: fuses" in _run("job", "add", job, "before-power", str(bad)).output
    assert "open: STOP: fuses" in _run("job", "add", job, "before-power", str(good), *named[0]).output
    assert "1. Checks before power: done" in _run("job", "add", job, "before-power", str(good), *named[1]).output
    shown = " ".join(_run("job", "add", job, "before-power", str(bad), *named[1]).output.split())
    assert "open: a/right: STOP: fuses" in shown
    assert "--amplifier a --channel right" in shown


def test_what_shows_no_tone_sets_no_gain(job: str, tmp_path: Path) -> None:
    music, tone = tmp_path / "music.json", tmp_path / "tone.json"
    music.write_text(json.dumps({"findings": [{"kind": "clip"}]}))
    tone.write_text(json.dumps({"findings": [{"kind": "clip"}, {"kind": "knee"}]}))
    assert "3. Gain of each channel: open: no test tone in music.json" in " ".join(
        _run("job", "add", job, "gain", str(music)).output.split()
    )
    assert "3. Gain of each channel: done" in _run("job", "add", job, "gain", str(tone)).output


def test_more_is_typed_of_a_channel_and_the_rest_stays(job: str) -> None:
    which = ["job", "channel", job, "--amplifier", "a", "--channel", "b"]
    _run(*which, "--load-ohm", "4", "--load-kind", "speaker", "--band", "sub")
    _run(*which, "--rated-w", "500")
    assert "a/b: load 4 ohm, load kind speaker, band sub, rated 500 W" in _run("job", "show", job).output
    assert "type one of them" in str(_run(*which, "--load-ohm", "4", "--load-kind", "none").exception)
    _run(*which, "--load-kind", "none")
    assert "a/b: load kind none, band sub" in _run("job", "show", job).output
    _run(*which, "--load-ohm", "2")
    assert "a/b: load 2 ohm, band sub" in " ".join(_run("job", "show", job).output.split())
