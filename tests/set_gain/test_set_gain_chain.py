"""From a test track through an amplifier whose gain is turned, the board and the guided walk, to the report."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from amplified_track import RAIL_V, amplify_track
from ampwitness.findings.as_json import read_schema
from ampwitness.recording.reader import open_recording
from warm_command import call

COMMAND = [sys.executable, "-m", "ampwitness"]


def on_virtual_board(wav: Path, *arguments: str | Path, speed: str = "max") -> subprocess.CompletedProcess[str]:
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", "out_p,out_n,supply", "--speed", speed]
    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        done = call(*arguments, "--port", port)
        process.terminate()
    return done


def one_of_kind(plain: dict[str, Any], kind: str) -> dict[str, Any]:
    (finding,) = [f for f in plain["findings"] if f["kind"] == kind and f["measured"].get("frequency_hz", 40) < 800]
    assert isinstance(finding, dict)
    return finding


def test_the_walk_finds_the_edge_and_the_report_gives_the_same_answer(tmp_path: Path) -> None:
    made = call("tones", "--out", tmp_path, "--tone", "40", "--seconds", "20", "--json")
    assert made.returncode == 0, made.stderr
    track = Path(json.loads(made.stdout)["tracks"][0]["file"])
    amplify_track(track, tmp_path / "volts.wav")
    recording = tmp_path / "gain.mcap"
    done = on_virtual_board(
        tmp_path / "volts.wav", "set-gain", "--tone", "40", "--load", "4", "--load-kind", "resistor",
        "--answer", "boost=off", "--out", recording, "--json",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    result = said["result"]
    assert said["step_reached"] == "done"
    assert said["delay"]["n_refreshes"] > 0
    # 1 % THD of a hard-clipped sine: rms 1.04751 times that of the sine that just fits, in power (closed form)
    truth_v = RAIL_V / math.sqrt(2) * math.sqrt(1.04751)
    # absolute volts: board number 1 has parts within 0.5 %; the stated nominal uncertainty is above 1 %
    assert result["knee_v"] == pytest.approx(truth_v, rel=0.015)
    assert result["knee_w"] == pytest.approx(truth_v**2 / 4, rel=0.03)
    assert result["ceiling_v"] == pytest.approx(RAIL_V, rel=0.02)
    assert result["margin_db"] == pytest.approx(2.0 + 0.2, abs=0.15)
    reported = call("report", recording, "--json", tmp_path / "r.json", "--html", tmp_path / "r.html")
    assert reported.returncode == 0, reported.stderr
    plain = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    jsonschema.validate(plain, read_schema())
    knee, setting = one_of_kind(plain, "knee"), one_of_kind(plain, "setting")
    assert knee["measured"]["knee_v"] == pytest.approx(result["knee_v"], rel=1e-9)
    assert knee["measured"]["supply_at_knee_v"] == pytest.approx(result["supply_at_knee_v"], rel=1e-9)
    assert setting["measured"]["line"] == result["line"]
    assert setting["evidence"]["answers"]["gain_boost"] == "off"
    text = " ".join(reported.stdout.split())
    assert " ".join(str(result["line"]).split())[:60] in text
    assert "Distortion against volts" in (tmp_path / "r.html").read_text(encoding="utf-8")
    assert open_recording(recording).notes["gain_equaliser"] == "not asked"


def test_without_a_tone_no_result_is_invented(tmp_path: Path) -> None:
    made = call("tones", "--out", tmp_path, "--tone", "70", "--seconds", "5", "--json")
    track = Path(json.loads(made.stdout)["tracks"][0]["file"])
    amplify_track(track, tmp_path / "volts.wav", top_db=-6, back_db=-8)
    done = on_virtual_board(
        tmp_path / "volts.wav", "set-gain", "--tone", "40", "--load-kind", "none", "--out", tmp_path / "a.mcap",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "no tone was measured" in done.stdout
    assert "70 Hz is playing" in done.stderr
    assert "\x1b" not in done.stdout + done.stderr


def test_wrong_use_is_one_sentence(tmp_path: Path) -> None:
    for arguments in (
        ("--load-kind", "none", "--load", "4"),
        ("--load-kind", "speaker"),
        ("--load-kind", "none", "--answer", "nonsense=1"),
    ):
        done = call("set-gain", *arguments, "--port", tmp_path / "nothing")
        assert done.returncode == 2
        assert len([line for line in done.stderr.splitlines() if line.startswith("ampwitness: ")]) == 1
    assert "KEY one of crossover, equaliser, " in done.stderr  # as the help names them
    assert call("tones", "--out", tmp_path, "--tone", "3").returncode == 2
    assert call("tones", "--out", tmp_path, "--level-db", "3").returncode == 2
    assert "give one of them" in call("tones", "--out", tmp_path, "--level-db", "-1", "--overlap-db", "3").stderr
