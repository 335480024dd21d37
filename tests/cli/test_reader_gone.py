"""A reader that goes away (`ampwitness verify trip.mcap | head`) is no failure: nothing is said, and the code is 0."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe's reader is told of otherwise there")
def test_a_pipe_whose_reader_has_gone_ends_a_command_well(music: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "ampwitness", "verify", str(music)]
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("arguments", [("verify", "RECORDING"), ("--help",)])
def test_output_on_a_full_disk_is_told_in_a_sentence(music: Path, arguments: tuple[str, ...]) -> None:
    words = [str(music) if word == "RECORDING" else word for word in arguments]
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "ampwitness", *words]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=120, check=False)
    assert done.returncode == 13, done.stderr
    assert done.stderr.startswith("ampwitness: output could not be written (No space left")
    assert done.stderr.count("\n") <= 2, "no more when Python ends"
