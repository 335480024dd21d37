"""The calibration page's last block is typed as it stands: from nothing to a calibrated virtual board."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from warm_command import call

PAGE = Path(__file__).resolve().parents[2] / "hardware-notes" / "calibration.md"


@pytest.mark.long
def test_a_new_user_gets_there(tmp_path: Path) -> None:
    block = PAGE.read_text(encoding="utf-8").split("**On the virtual board**")[1].split("\n\n")[1]
    lines = [line.strip() for line in block.strip().splitlines()]
    assert len(lines) == 7
    environment = {**os.environ, "AMPWITNESS_FOLDER": str(tmp_path / "settings")}
    boards: list[subprocess.Popen[str]] = []
    shown = ""
    try:
        for line in lines:
            name, *arguments = shlex.split(line)
            if name == "kill":
                boards[int(arguments[0].removeprefix("%")) - 1].terminate()
                boards[-1].wait(timeout=20)
                continue
            assert name == "ampwitness"
            command = [sys.executable, "-m", "ampwitness", *arguments]
            if arguments[-1] == "&":
                boards.append(subprocess.Popen(command[:-1], stdout=subprocess.PIPE, text=True, cwd=tmp_path))
                stdout = boards[-1].stdout
                assert stdout is not None
                assert stdout.readline() == "port: board\n"
                continue
            done = call(*arguments, timeout_s=60, cwd=tmp_path, environment=environment)
            assert done.returncode == 0, done.stderr
            shown = done.stdout
    finally:
        for board in boards:
            board.terminate()
            board.wait(timeout=20)
            assert board.stdout is not None
            board.stdout.close()
    assert "supply" in shown
    assert "measured at 2 points from 2 to 24 V" in shown
