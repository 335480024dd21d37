"""`ampwitness install` with the real mpremote on the emulated board, over a pseudo-terminal."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from ampwitness.firmware_files import find_firmware_dir, list_board_files, read_firmware_version
from ampwitness.link.session import BoardSession
from emulated_board import copy_firmware

pytestmark = pytest.mark.long

FIGURES = {
    "gain_v_per_code": 6.2512e-3,
    "offset_v": -0.0125,
    "uncertainty_v": 0.004,
    "made_on": "2026-11-25",
    "meter": "m" * 60,
}


def install(port: Path, *words: str) -> dict:
    """What the command printed."""
    command = [sys.executable, "-m", "ampwitness", "install", "--port", str(port), "--json", *words]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    print(done.stderr)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_bare_micropython_becomes_a_board(serve, tmp_path):
    bare = tmp_path / "bare"
    bare.mkdir()
    (bare / "boot.py").write_text("# nothing\n")
    port = serve(bare)
    told = install(port)
    print(told)
    assert told["firmware"].startswith(read_firmware_version() + " on MicroPython 1.")
    assert told["n_files_copied"] == len(list_board_files())
    assert (told["was_running"], told["config"], told["mode"]) == (False, "standard", "bass")
    assert told["roles"] == ["out_p", "out_n", "supply"]


def test_a_running_board_is_reinstalled_and_keeps_mode_calibration_and_configuration(serve, tmp_path):
    changes = {"board_config.py: BUTTON_PIN = 14": "BUTTON_PIN = 13", "logger/lamp.py: IDLE = 0": "IDLE = 0  # old"}
    folder = copy_firmware(tmp_path / "board", changes)
    (folder / "logger" / "gone.py").write_text("# of an older version\n")
    port = serve(folder)
    with BoardSession(str(port)) as session:
        session.set_mode("slow")
        roles = {"out_p": (0.0321, -63.1), "out_n": (0.0321, -63.1), "supply": (6.2512e-3, -0.0125)}
        for role, (gain, offset) in roles.items():
            session.keep_calibration({role: {**FIGURES, "gain_v_per_code": gain, "offset_v": offset}})
    told = install(port)
    print(told)
    assert told["was_running"] is True
    assert (told["n_files_copied"], told["n_files_removed"]) == (2, 1)  # lamp.py, main.py; gone.py
    assert (told["config"], told["mode"]) == ("kept", "slow")
    assert told["remarks"] == []
    with BoardSession(str(port)) as session:
        assert {one.role for one in session.hello.calibration} == set(roles)
        assert all(one.meter == "m" * 60 for one in session.hello.calibration)
        assert session.hello.reset_cause in ("reset", "leave")
    again = install(port, "--config", str(find_firmware_dir() / "board_config.py"))
    assert again["n_files_copied"] == 2  # board_config.py, and main.py last


def test_the_thorough_check_runs_on_the_board_and_the_logger_comes_back(serve, tmp_path):
    port = serve(copy_firmware(tmp_path / "board"))
    command = [sys.executable, "-m", "ampwitness", "check-board", "--thorough", "--port", str(port)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    print(done.stdout, done.stderr)
    assert "PASS kernels in logger.kernels_thumb" in done.stdout
    assert "PASS conversions in 5 s" in done.stdout
    # Nobody presses the button here, and the sine on the inputs follows no pull resistor.
    assert done.returncode == 33
    assert "button" in done.stderr
    with BoardSession(str(port)) as session:
        assert session.hello.firmware.startswith(read_firmware_version())
