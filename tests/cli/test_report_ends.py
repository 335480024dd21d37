"""A report on two cores that is ended from outside says so in a line and leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from ampwitness.bench.day import make_recording

SHARED = Path("/dev/shm")  # where Linux keeps memory that processes share
HERE_S = 20.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "music.mcap"
    make_recording(path, 0.5)
    return path


def _names() -> set[str]:
    return {path.name for path in SHARED.iterdir()} if SHARED.is_dir() else set()


@pytest.mark.long
@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_to_every_process_of_a_report_on_two_cores(recording: Path, name: str) -> None:
    before = _names()
    command = [sys.executable, "-m", "ampwitness", "report", str(recording), "--processes", "2"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        since = time.monotonic()
        while not _names() - before and time.monotonic() - since < HERE_S and process.poll() is None:
            time.sleep(0.05)  # until samples are on their way to the other process
        os.killpg(process.pid, getattr(signal, name))
        _, words = process.communicate(timeout=60)
    assert process.returncode == 130
    assert words.rstrip().endswith("ampwitness: stopped.")
    assert "Traceback" not in words
    assert "leaked" not in words
    since = time.monotonic()
    while _names() - before and time.monotonic() - since < HERE_S:  # other tests' memory goes away by itself
        time.sleep(0.2)
    assert _names() <= before
