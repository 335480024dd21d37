"""The whole command where level is all there is: too high a tone, a limiter, turns that do nothing."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.wav import write_volts_wav
from test_set_gain_chain import COMMAND
from test_set_gain_ends import LOADED, RATE_HZ, kept_findings, made, on_virtual_board, ramp, sine
from warm_command import call

RAIL_V = 28.0


def steps(low_db: float, high_db: float, step_s: float = 2.0) -> np.ndarray:
    """Crest volts of a steps track by one decibel, against the rail."""
    return np.repeat(RAIL_V * 10 ** (np.arange(low_db, high_db + 0.5) / 20), round(step_s * RATE_HZ))


def settings_of(recording: Path) -> dict[str, object]:
    (setting,) = [f.content for f in kept_findings(recording) if f.content["kind"] == "setting"]
    return dict(setting["measured"])


def test_a_tweeter_amplifier_is_set_by_the_steps_track(tmp_path: Path) -> None:
    crest_v = steps(-5, 1)
    output = np.clip(sine(6300, crest_v, len(crest_v) / RATE_HZ), -RAIL_V, RAIL_V)
    recording = tmp_path / "gain.mcap"
    done = on_virtual_board(made(tmp_path, output), "set-gain", "--tone", "6300", *LOADED, "--out", recording)
    assert done.returncode == 0, done.stderr
    assert "Distortion of 6300 Hz is mostly not judged" in done.stderr
    assert "play the steps track" in done.stderr
    setting = settings_of(recording)
    assert setting["knee_v"] is None  # never measured, so never claimed
    assert setting["is_provisional"]
    assert float(str(setting["follow_v"])) == pytest.approx(RAIL_V / np.sqrt(2) * np.sqrt(1.04751), rel=0.05)
    assert "stopped following equal steps" in str(setting["line"])
    page = tmp_path / "r.html"
    reported = call("report", recording, "--json", tmp_path / "r.json", "--html", page)
    assert reported.returncode == 0, reported.stderr
    (knee,) = [f for f in json.loads((tmp_path / "r.json").read_text())["findings"] if f["kind"] == "knee"]
    assert knee["measured"]["follow_v"] == pytest.approx(setting["follow_v"], rel=1e-6)


def test_a_high_tone_alone_says_what_can_be_used_instead(tmp_path: Path) -> None:
    output = np.clip(sine(6300, ramp(6, 34)), -RAIL_V, RAIL_V)
    recording = tmp_path / "gain.mcap"
    done = on_virtual_board(made(tmp_path, output), "set-gain", "--tone", "6300", *LOADED, "--out", recording)
    assert done.returncode == 0, done.stderr
    setting = settings_of(recording)
    assert setting["knee_v"] is None
    assert setting["follow_v"] is None
    assert "play the steps track" in str(setting["line"])
    assert "or use a tone up to 3150 Hz" in str(setting["line"])


def test_a_limiter_is_named_where_the_source_is_logged(tmp_path: Path) -> None:
    """The source goes on rising and the output does not, without distortion: through board, wire and command."""
    crest_v = ramp(6, 24, 14.0)
    output = sine(40, np.minimum(crest_v, 12.0), 14.0)
    wav = tmp_path / "volts.wav"
    columns = [6.5 + output / 2, 6.5 - output / 2, np.full(len(output), 13.1), sine(40, crest_v / 10, 14.0)]
    write_volts_wav(wav, np.column_stack(columns), RATE_HZ)
    recording = tmp_path / "gain.mcap"
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", "out_p,out_n,supply,source",
             "--speed", "max"]  # fmt: skip
    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        done = call("set-gain", "--tone", "40", *LOADED, "--out", recording, "--port", port)
        process.terminate()
    assert done.returncode == 0, done.stderr
    setting = settings_of(recording)
    assert setting["outcome"] == "level held (a limiter?)"
    assert setting["knee_v"] is None
    assert "level held (a limiter?)" in done.stdout


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal of its own")
def test_turns_that_change_nothing_are_a_held_level(tmp_path: Path) -> None:
    """A person at a terminal turns three times and presses t each time: it stops and says so."""
    wav, recording = made(tmp_path, sine(40, 14.0, 60.0)), tmp_path / "gain.mcap"
    board = [*COMMAND, "virtual-board", "--stimulus", str(wav), "--roles", "out_p,out_n,supply", "--speed", "1"]
    given = [part for key in ("crossover", "equaliser", "boost", "fader", "volume", "bass_remote", "input_range",
                              "bridging") for part in ("--answer", f"{key}=set")]  # fmt: skip
    ours, theirs = os.openpty()
    shown = bytearray()

    def watch() -> None:
        with contextlib.suppress(OSError):
            while piece := os.read(ours, 65536):
                shown.extend(piece)

    def until_shown(text: bytes, most_s: float = 60.0) -> None:
        until_s = time.monotonic() + most_s
        while text not in shown:
            assert time.monotonic() < until_s, shown[-2000:].decode("utf-8", "replace")
            time.sleep(0.05)

    with subprocess.Popen(board, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        command = [*COMMAND, "set-gain", "--tone", "40", *LOADED, *given, "--port", port, "--out", str(recording)]
        with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs) as walk:
            os.close(theirs)
            threading.Thread(target=watch, daemon=True).start()
            until_shown(b"1 of 3")
            until_shown(b">> clean")
            os.write(ours, b"\r")
            until_shown(b"2 of 3")
            for _ in range(3):
                time.sleep(0.6)
                os.write(ours, b"t")
            assert walk.wait(timeout=60) == 0
        process.terminate()
    os.close(ours)
    assert settings_of(recording)["outcome"] == "level held (a limiter?)"
