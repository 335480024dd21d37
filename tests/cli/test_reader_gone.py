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
