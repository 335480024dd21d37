"""From volts in a WAV to findings in JSON, by the commands a user types."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.findings.as_json import read_schema
from ampwitness.recording.reader import open_recording
from warm_command import call

COMMAND = [sys.executable, "-m", "ampwitness"]


def chain(wav: Path, roles: str, folder: Path) -> dict[str, Any]:
    """virtual-board, record and report on one WAV; gives the JSON."""
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", roles, "--speed", "max"]
    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        recorded = call("record", "--port", port, "--out", folder / "try.mcap", "--nominal-supply", "12.6")
        process.terminate()
    assert recorded.returncode == 0, recorded.stderr
    reported = call("report", folder / "try.mcap", "--json", folder / "try.json", "--html", folder / "try.html")
    assert reported.returncode == 0, reported.stderr
    assert call("verify", folder / "try.mcap").returncode == 0
    plain = json.loads((folder / "try.json").read_text(encoding="utf-8"))
    jsonschema.validate(plain, read_schema())
    assert plain["link_health"]["balances"]
    assert isinstance(plain, dict)
    assert plain["summary"]["recording"]["is_torn"] is False
    return plain


def of_kind(plain: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [finding for finding in plain["findings"] if finding["kind"] == kind]


@pytest.mark.long
def test_demo_finds_its_truth(tmp_path: Path) -> None:
    done = call("demo", "--out", tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "WRONG" not in done.stdout
    assert (tmp_path / "report.html").stat().st_size > 50_000


def test_half_clean_half_clipped_tone_on_a_stepping_supply(tmp_path: Path) -> None:
    """50 Hz, 2 s clean at 20 V, 2 s driven 3 dB over a 28 V ceiling; the supply steps 12.6 to 11.0 V for 0.5 s."""
    rate_hz, ceiling_v = 44_100, 28.0
    time_s = np.arange(5 * rate_hz) / rate_hz
    level_v = np.where(time_s < 2.5, 20.0, ceiling_v * 10 ** (3 / 20)) * ((time_s >= 0.5) & (time_s < 4.5))
    output = np.clip(level_v * np.sin(2 * np.pi * 50 * time_s), -ceiling_v, ceiling_v)
    supply = np.where((time_s >= 3.0) & (time_s < 3.5), 11.0, 12.6)
    wav = tmp_path / "volts.wav"
    volts = np.column_stack([6.0 + output / 2, 6.0 - output / 2, supply]).astype(np.float32)
    scipy.io.wavfile.write(wav, rate_hz, volts)
    plain = chain(wav, "out_p,out_n,supply", tmp_path)
    clips = of_kind(plain, "clip")
    assert not [clip for clip in clips if clip["start_s"] < 2.49]
    assert 196 <= len(clips) <= 200  # 100 cycles, both polarities; those at an end may be not judged
    overdrive_db = np.median([clip["measured"]["overdrive_db"] for clip in clips])
    assert overdrive_db == pytest.approx(3.0, abs=0.25)
    (dip,) = of_kind(plain, "dip")
    assert dip["start_s"] == pytest.approx(3.0, abs=0.01)
    assert dip["stop_s"] == pytest.approx(3.5, abs=0.01)
    notes = of_kind(plain, "note")
    assert notes[0]["start_s"] == pytest.approx(0.5, abs=0.01)
    assert notes[0]["measured"]["pitch_hz"] == pytest.approx(50.0, abs=0.05)


def test_a_wav_from_sox(tmp_path: Path) -> None:
    """A file that nothing of ours made: 0.8 V of 40 Hz, far below a loud amplifier, clean."""
    sox = shutil.which("sox")
    assert sox, "install sox: this test plays a file made by another program"
    wav = tmp_path / "sox.wav"
    subprocess.run(
        [sox, "-n", "-r", "48000", "-e", "floating-point", "-b", "32", wav, "synth", "2", "sine", "40", "vol", "0.8"],
        check=True,
    )
    plain = chain(wav, "out_p", tmp_path)
    assert of_kind(plain, "clip") == []
    assert {coverage["detector"] for coverage in plain["coverage"] if coverage["not_judged"]} >= {"dips"}


@pytest.mark.parametrize(
    ("content", "code"),
    [(b"", 6), (b"hello, this is no recording\n" * 50, 6), (b"RIFF\x00\x00\x00\x00WAVEfmt ", 6), (bytes(100_000), 6)],
    ids=["empty", "text", "a WAV", "zeros"],
)
def test_foreign_files_are_refused_in_one_sentence(tmp_path: Path, content: bytes, code: int) -> None:
    path = tmp_path / "foreign.bin"
    path.write_bytes(content)
    done = call("report", path)
    assert done.returncode == code
    assert "Traceback" not in done.stderr
    assert done.stderr.startswith("ampwitness: ")
    assert len(done.stderr.strip().splitlines()) == 1
    assert ("are all zero" in done.stderr) == (len(content) == 100_000), "told at once: gigabytes of them take minutes"


def test_outputs_that_cannot_be_written_and_ports_that_are_not_there(tmp_path: Path) -> None:
    assert call("report", tmp_path / "missing.mcap").returncode == 6
    assert call("record", "--port", tmp_path / "no-port", "--out", tmp_path / "x.mcap").returncode == 3
    assert not (tmp_path / "x.mcap").exists()


@pytest.mark.parametrize("scenario", ["engine_running", "gain_turned"])
def test_the_other_scenarios_find_their_truth_too(tmp_path: Path, scenario: str) -> None:
    done = call("demo", "--scenario", scenario, "--out", tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_torn_recording_and_its_bare_bytes_still_report(tmp_path: Path) -> None:
    """Cut off in the middle it says so and gives what is there; the raw wire bytes alone give the same findings."""
    assert call("demo", "--scenario", "clean", "--out", tmp_path).returncode == 0
    (recording,) = tmp_path.glob("*.mcap")
    raw = b"".join(chunk.raw for chunk in open_recording(recording).iter_chunks())
    (tmp_path / "wire.bin").write_bytes(raw)
    for path, name in ((recording, "mcap"), (tmp_path / "wire.bin", "raw")):
        assert call("report", path, "--json", tmp_path / f"{name}.json").returncode == 0
    of_mcap, of_raw = (json.loads((tmp_path / f"{name}.json").read_text(encoding="utf-8")) for name in ("mcap", "raw"))
    assert of_raw["findings"] == of_mcap["findings"]
    assert of_kind(of_raw, "note")

    whole = recording.read_bytes()
    torn = tmp_path / "torn.mcap"
    torn.write_bytes(whole[: len(whole) // 2])
    done = call("report", torn)
    assert done.returncode == 0
    assert "was not closed properly" in " ".join(done.stdout.split())
