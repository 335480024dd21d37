"""`calibrate` on the virtual board: from nothing to a report in calibrated volts, by the commands a user types."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.bench.board_model import nominal_channels
from ampwitness.calibration_file import CalibrationBook, write_book
from ampwitness.cli.calibrate import calibrate
from ampwitness.guide.calibrate import LEAST_ZERO_CODE, input_range_v
from ampwitness.link.session import BoardSession
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.types import Calibration
from ampwitness.waveform.calibration import calibrations_for
from warm_command import call as run_warm

COMMAND = [sys.executable, "-m", "ampwitness"]


@contextmanager
def board(*arguments: str | Path, seed: int = 3) -> Iterator[str]:
    command = [*COMMAND, "virtual-board", "--seed", str(seed), *map(str, arguments)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip().removeprefix("port: ")
        finally:
            process.terminate()


def call(folder: Path, *arguments: str | Path, typed: str | None = None) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "AMPWITNESS_FOLDER": str(folder / "settings")}
    return run_warm(*arguments, typed=typed, environment=environment)


def record(folder: Path, port: str, name: str) -> Path:
    path = folder / f"{name}.mcap"
    recorded = call(folder, "record", "--port", port, "--seconds", "0.5", "--out", path)
    assert recorded.returncode == 0, recorded.stderr
    return path


def supply_error_v(path: Path) -> float:
    analysis = analyse_file(path, AnalyseOptions())
    return abs(float(np.nanmean(analysis.envelopes["supply"].rms)) - 12.6)


@pytest.mark.long
def test_from_nothing_to_calibrated_volts(tmp_path: Path) -> None:
    """The made board's parts are off by their tolerances: nominal volts miss by up to 3 %, calibrated ones by mV. The
    calibration travels with the recording, and on request with the board."""
    with board("--constant", "supply=12.6", "--speed", "max") as port:
        nominal_error_v = supply_error_v(record(tmp_path, port, "nominal"))
    for volts in ("2", "24"):
        with board("--constant", f"supply={volts}", "--speed", "20") as port:
            done = call(
                tmp_path, "calibrate", "--port", port, "--at", f"supply={volts}", "--seconds", "0.5",
                "--meter", "bench meter", *(["--on-board"] if volts == "24" else []),
            )  # fmt: skip
            assert done.returncode == 0, done.stderr
            assert "current limit" in done.stderr  # the caution
            if volts == "24":
                with BoardSession(port) as session:
                    (kept,) = session.hello.calibration
                    assert kept.role == "supply"
                    (used,) = calibrations_for(session.hello, None).values()
                    assert used.made_on is not None
                    assert session.keep_calibration({"supply": None}).calibration == ()
    assert "residuals" in done.stdout
    with board("--constant", "supply=12.6", "--speed", "max") as port:
        path = record(tmp_path, port, "calibrated")
    error_v = supply_error_v(path)
    print(f"12.6 V read {1e3 * nominal_error_v:.1f} mV off on nominal parts, {1e3 * error_v:.1f} mV calibrated")
    assert error_v < 0.015
    assert error_v < nominal_error_v / 2
    said = " ".join(call(tmp_path, "report", path).stdout.split())
    assert "Calibrated on" in said
    assert "bench meter" in said


def test_another_board_keeps_its_nominal_values(tmp_path: Path) -> None:
    supply = Calibration("supply", 0.0066, -0.01, 0.003, 0.004, "2026-03-01", "measured")
    write_book(tmp_path / "settings" / "calibration-virtual-3.json", CalibrationBook("virtual-3", {"supply": supply}))
    for seed, is_measured in ((3, True), (4, False)):
        with board("--constant", "supply=12.6", "--speed", "max", seed=seed) as port:
            path = record(tmp_path, port, f"seed-{seed}")
        (used,) = analyse_file(path, AnalyseOptions()).settings.calibrations
        assert (used.made_on is not None) == is_measured


def test_wrong_volts_are_refused_and_nothing_is_kept(tmp_path: Path) -> None:
    with board("--constant", "supply=2", "--speed", "20") as port:
        assert call(tmp_path, "calibrate", "--port", port, "--at", "supply=2", "--seconds", "0.5").returncode == 0
    with board("--constant", "supply=12", "--speed", "20") as port:
        done = call(tmp_path, "calibrate", "--port", port, "--at", "supply=14", "--seconds", "0.5")
        assert done.returncode == 20
        assert "its parts allow" in done.stderr
        assert "Traceback" not in done.stderr
        shown = json.loads(call(tmp_path, "calibrate", "--port", port, "--show", "--json").stdout)
        assert shown["calibrations"] == []
        bad = call(tmp_path, "calibrate", "--port", port, "--at", "supply")
        assert bad.returncode == 2
        assert "ROLE=VOLTS" in bad.stderr
        bad = call(tmp_path, "calibrate", "--port", port, "--at", "battery=3")
        assert bad.returncode == 2
        assert "no battery" in bad.stderr


def test_beyond_the_range_is_said(tmp_path: Path) -> None:
    with board("--constant", "supply=40", "--speed", "20") as port:
        done = call(tmp_path, "calibrate", "--port", port, "--at", "supply=40", "--seconds", "0.5")
    assert done.returncode == 20
    assert "outside what this input can be" in done.stderr


def test_a_moving_voltage_is_refused(tmp_path: Path) -> None:
    wav = tmp_path / "moving.wav"
    scipy.io.wavfile.write(wav, 1000, np.linspace(8, 14, 2000).astype(np.float32)[:, None])
    with board("--stimulus", wav, "--roles", "supply", "--stay", "--loop") as port:
        done = call(tmp_path, "calibrate", "--port", port, "--at", "supply=11", "--seconds", "1")
    assert done.returncode == 20
    assert "moved by" in done.stderr


def test_the_walk_asks_for_zero_first_and_skips_what_is_not_wanted(tmp_path: Path) -> None:
    """On a board that stays at 0 V: the common zero is taken, every channel is then left out."""
    with board("--constant", "supply=0,out_p=0", "--speed", "20") as port:
        done = call(tmp_path, "calibrate", "--port", port, "--seconds", "0.5", typed="\ns\ns\n")
    assert done.returncode == 0, done.stderr
    assert done.stdout.index("Clip these leads together") < done.stdout.index("supply: put a steady voltage")
    assert "No channel" in done.stdout or "One point so far" in done.stdout


def test_the_example_of_the_help_takes_volts_that_the_inputs_can_show() -> None:
    """0 V at an input without bias lies at the converter's lowest code: an example with it would be refused."""
    pairs = re.findall(r"(\w+)=([\d.]+)", str(calibrate.epilog))
    assert len(pairs) == 4
    channels = {channel.role: channel for channel in nominal_channels(("out_p", "supply"), "bass")}
    for role, volts in pairs:
        low_v, high_v = input_range_v(channels[role])
        assert low_v + LEAST_ZERO_CODE * channels[role].gain_v_per_code < float(volts) < high_v
