"""The whole command on inputs that are not as they should be, and on ends that come early."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.wav import write_volts_wav
from ampwitness.recording.reader import HostFinding, open_recording
from test_set_gain_chain import COMMAND, on_virtual_board

RATE_HZ = 44_100
SECONDS = 9.0


def made(tmp_path: Path, output: np.ndarray) -> Path:
    """Terminal volts of a bridged output and a steady supply as a file."""
    path = tmp_path / "volts.wav"
    supply = np.full(len(output), 13.1)
    write_volts_wav(path, np.column_stack([6.5 + output / 2, 6.5 - output / 2, supply]), RATE_HZ)
    return path


def sine(hz: float, crest_v: np.ndarray | float, seconds: float = SECONDS) -> np.ndarray:
    return np.asarray(crest_v * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ))


def ramp(low_v: float, high_v: float, seconds: float = SECONDS) -> np.ndarray:
    """Three seconds at the low level, then up to the high one."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.interp(time_s, [0, 3, seconds - 1, seconds], [low_v, low_v, high_v, high_v])


def kept_findings(recording: Path) -> tuple[HostFinding, ...]:
    """What the walk concluded, as the recording keeps it."""
    read = open_recording(recording)
    for _ in read.iter_chunks():
        pass
    return read.host_findings


def set_gain(wav: Path, tmp_path: Path, *arguments: str) -> tuple[subprocess.CompletedProcess[str], dict[str, Any]]:
    """Run it; gives what was said in words, and the setting that the recording keeps."""
    recording = tmp_path / "gain.mcap"
    done = on_virtual_board(wav, "set-gain", "--tone", "40", *arguments, "--out", recording)
    assert done.returncode == 0, done.stderr
    (setting,) = [f.content for f in kept_findings(recording) if f.content["kind"] == "setting"]
    return done, dict(setting["measured"])


LOADED = ("--load", "4", "--load-kind", "resistor")


def test_two_tones_are_said_and_give_no_result(tmp_path: Path) -> None:
    wav = made(tmp_path, sine(40, 12.0) + sine(63, 5.0))
    done, setting = set_gain(wav, tmp_path, *LOADED)
    assert "two tones: another at 6" in done.stderr
    assert setting["knee_v"] is None
    assert setting["thd_percent"] is None


def test_a_level_over_the_input_range_is_said_and_gives_no_result(tmp_path: Path) -> None:
    done, setting = set_gain(made(tmp_path, sine(40, 150.0)), tmp_path, *LOADED)
    assert "logger overloaded" in done.stderr
    assert setting["knee_v"] is None


def test_hum_beside_the_tone_is_said(tmp_path: Path) -> None:
    done, setting = set_gain(made(tmp_path, sine(40, 20.0) + sine(50, 0.6)), tmp_path, *LOADED)
    assert "(hum?)" in done.stderr
    assert setting["knee_v"] is None
    assert setting["outcome"] in ("no tone was measured", "the edge was not reached")


def test_a_clipped_source_is_named(tmp_path: Path) -> None:
    output = ramp(6, 25) * np.clip(sine(40, 1.0), -0.85, 0.85)
    done, setting = set_gain(made(tmp_path, output), tmp_path, *LOADED)
    assert "source clipped: lower the source" in done.stderr
    assert setting["outcome"] == "source clipped before the amplifier"
    assert setting["knee_v"] is None


def test_the_edge_that_is_never_reached(tmp_path: Path) -> None:
    _, setting = set_gain(made(tmp_path, sine(40, ramp(6, 25))), tmp_path, *LOADED)
    assert setting["outcome"] == "the edge was not reached"
    assert setting["knee_v"] is None


def test_unloaded_gives_no_watts_and_no_supply_verdict_and_the_bell_rings_once(tmp_path: Path) -> None:
    output = np.clip(sine(40, ramp(8, 34)), -28, 28)
    done, setting = set_gain(made(tmp_path, output), tmp_path, "--load-kind", "none", "--sound")
    assert done.stderr.count("\a") == 1
    assert setting["knee_v"] == pytest.approx(28 / np.sqrt(2) * np.sqrt(1.04751), rel=0.015)
    assert setting["knee_w"] is None
    assert setting["is_provisional"]
    assert "provisional" in done.stdout
    assert "supply" not in done.stdout.splitlines()[0]
    assert " W " not in done.stdout.splitlines()[0]


def test_a_tone_outside_the_band_is_refused_in_one_sentence(tmp_path: Path) -> None:
    wav = made(tmp_path, sine(40, 10.0, 2.0))
    done = on_virtual_board(
        wav, "set-gain", "--tone", "5000", "--mode", "bass", *LOADED, "--out", tmp_path / "gain.mcap"
    )
    assert done.returncode == 2
    assert "5000 Hz lies outside the bass mode's band" in done.stderr
    assert not (tmp_path / "gain.mcap").exists()


@pytest.mark.long
def test_ctrl_c_keeps_the_recording_and_says_what_is_known(tmp_path: Path) -> None:
    wav, recording = made(tmp_path, sine(40, 20.0, 120.0)), tmp_path / "gain.mcap"
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", "out_p,out_n,supply", "--speed", "1"]
    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        command = [*COMMAND, "set-gain", "--tone", "40", *LOADED, "--port", port, "--out", str(recording)]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
        ) as running:
            assert running.stderr is not None
            until_s = time.monotonic() + 60
            while "V rms" not in running.stderr.readline():
                assert time.monotonic() < until_s
            time.sleep(3.0)  # a passage of a tone lasts two seconds at least
            running.send_signal(signal.SIGINT)
            said, _ = running.communicate(timeout=60)
        process.terminate()
    assert running.returncode == 130
    assert "Gain at 40 Hz" in said
    assert str(recording) in said
    assert open_recording(recording).notes["set_gain_tone_hz"] == 40
    (setting,) = [f.content for f in kept_findings(recording) if f.content["kind"] == "setting"]
    assert setting["measured"]["outcome"] in said


@pytest.mark.long
@pytest.mark.skipif(sys.platform == "win32", reason="no process groups that take signals")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_to_the_whole_terminal_keeps_what_is_known_and_leaves_nothing_behind(
    tmp_path: Path, name: str
) -> None:
    """A terminal sends Ctrl-C and its own end to every process of the command, the gain curve's too."""
    wav, recording = made(tmp_path, sine(40, 20.0, 60.0)), tmp_path / "gain.mcap"
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", "out_p,out_n,supply", "--speed", "1"]
    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        with subprocess.Popen(
            [*COMMAND, "set-gain", "--tone", "40", *LOADED, "--port", port, "--out", str(recording)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True, start_new_session=True,
        ) as running:  # fmt: skip
            assert running.stderr is not None
            until_s = time.monotonic() + 60
            while "V rms" not in running.stderr.readline():
                assert time.monotonic() < until_s
            time.sleep(3.0)
            os.killpg(running.pid, getattr(signal, name))
            said, complained = running.communicate(timeout=60)
        process.terminate()
    assert "Traceback" not in complained
    assert "leaked" not in complained
    assert "Gain at 40 Hz" in said
    assert running.returncode == (130 if name == "SIGINT" else 0)
    assert [f.content["kind"] for f in kept_findings(recording)].count("setting") == 1
