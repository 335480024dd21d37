"""Small recordings that the virtual board made, whole and with frames missing."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.recording.reader import open_recording

COMMAND = [sys.executable, "-m", "ampwitness"]


def call(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """The command as a user types it."""
    return subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, timeout=60)


@pytest.fixture(scope="session")
def small_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four seconds: 50 Hz of 20 V peak between the terminals from 0.5 to 3.5 s, clipped at 24 V in the last half second
    (3 dB of it), on a supply of 12.6 V."""
    folder = tmp_path_factory.mktemp("small")
    rate_hz = 44_100
    time_s = np.arange(4 * rate_hz) / rate_hz
    level_v = np.where(time_s < 2.5, 20.0, 34.0) * ((time_s >= 0.5) & (time_s < 3.5))
    output = np.clip(level_v * np.sin(2 * np.pi * 50 * time_s), -24, 24)
    volts = np.column_stack([6.0 + output / 2, 6.0 - output / 2, np.full(len(output), 12.6)]).astype(np.float32)
    scipy.io.wavfile.write(folder / "volts.wav", rate_hz, volts)
    board = [*COMMAND, "virtual-board", "--stimulus", str(folder / "volts.wav"), "--roles", "out_p,out_n,supply"]
    with subprocess.Popen([*board, "--speed", "max"], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip().removeprefix("port: ")
        typed = ["--amplifier", "=sub & amp", "--nominal-supply", "12.6", "--load-ohm", "4", "--load-kind", "resistor"]
        done = call("record", "--port", port, "--out", folder / "small.mcap", *typed, "--json")
        process.terminate()
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["n_scans_lost"] == 0
    return folder / "small.mcap"


@pytest.fixture(scope="session")
def gapped_recording(small_recording: Path) -> Path:
    """The same bytes with a piece cut out of the middle: frames are missing there."""
    raw = b"".join(chunk.raw for chunk in open_recording(small_recording).iter_chunks())
    middle = len(raw) // 2
    path = small_recording.with_name("gapped.bin")
    path.write_bytes(raw[:middle] + raw[middle + 3000 :])
    return path
