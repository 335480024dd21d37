"""Fixtures that several areas share."""

from __future__ import annotations

import os
import signal
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands do, before numpy is loaded: half the tests' time
# Hundreds of processes start in these tests: what they load is compiled once, also where an environment keeps Python
# from writing that down.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

from collections.abc import Callable
from fractions import Fraction
from typing import NamedTuple

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.cli import main
from ampwitness.findings.selection import choose_enlarged
from ampwitness.types import (
    Analysis,
    Calibration,
    Channel,
    Coverage,
    Envelope,
    Finding,
    FloatArray,
    Hello,
    LinkHealth,
    NotJudged,
    Settings,
)

# What a shell's script starts beside itself is deaf to Ctrl-C, and so would be the commands that tests stop with it.
signal.signal(signal.SIGINT, signal.default_int_handler)

RATE_HZ = 8000


def pytest_configure(config: pytest.Config) -> None:
    """Side by side each process begins with a stretch of its own, and takes from others when it is done: tests that
    share what a module makes mostly stay together, where by default each of the processes would make it."""
    sys.dont_write_bytecode = False
    if config.getoption("dist", "no") == "load":
        config.option.dist = "worksteal"


def make_finding(kind: str, start_s: float, stop_s: float, **measured: object) -> Finding:
    """A finding with the keys that matter to wording and pictures."""
    return Finding(kind, start_s, stop_s, "attention", measured, {}, {})  # type: ignore[arg-type]


def _envelope(role: str, volts: FloatArray, step: int = 80) -> Envelope:
    steps = volts[: len(volts) // step * step].reshape(-1, step)
    rms = np.sqrt((steps**2).mean(axis=1))
    return Envelope(role, 0.0, step / RATE_HZ, steps.min(axis=1), steps.max(axis=1), rms)


@pytest.fixture
def small_analysis() -> Analysis:
    """Four seconds with one finding of each kind that has a picture. Invented numbers; no detector ran."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    output = np.clip(45 * np.sin(2 * np.pi * 40 * time_s) * (time_s < 3), -38, 38)
    supply = 12.4 - 0.02 * np.abs(output)
    findings = (
        make_finding(
            "note", 0.0, 3.0, pitch_hz=40.0, level_v=28.0, supply_before_v=12.4, supply_lowest_v=11.64, sag_v=0.76,
            sag_percent=6.1, recovery_s=None,
        ),
        make_finding(
            "clip", 1.0042, 1.0083, polarity="positive", plateau_v=38.0, flat_s=0.0041, overdrive_db=1.47, crest_v=45.0,
            supply_v=11.64,
        ),
        make_finding(
            "dip", 1.5, 2.0, role="supply", reference_v=12.6, residual_v=11.2, depth_v=1.4, depth_percent=11.1,
            duration_s=0.5,
        ),
        make_finding(
            "cutout", 3.0, 4.0, outage_s=1.0, cause="<script>not decided</script>", supply_at_start_v=12.1,
            supply_lowest_before_v=11.6, recovered=False,
        ),
    )  # fmt: skip
    volts = {"output": output, "supply": supply}
    excerpts = tuple(
        next(iter(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0))) for _ in choose_enlarged(findings)
    )
    hello = Hello(
        protocol=1, firmware="0.1.0", board_id="bench", session_id="01", session_tag=1, reset_cause="power_on",
        mode="bass", rate_hz=Fraction(RATE_HZ), averaging=8, counts_per_code=8.0, scans_per_frame=38,
        channels=(Channel("out_p", 26, 0.0313, -63.9, 0), Channel("supply", 28, 0.0062, 0.0, 10417)), digital=(),
        input_corner_hz=5100.0, time_scale=1.0, sample_index=0, host_s=0.0, raw={},
    )  # fmt: skip
    n = len(time_s)
    return Analysis(
        recording_name="bench.mcap",
        duration_s=4.0,
        hellos=(hello,),
        findings=findings,
        coverage=(
            *(Coverage(name, 4.0, ()) for name in ("clipping", "notes", "dips", "cutouts", "saturation", "gaps")),
            Coverage("marks", 0.0, (NotJudged(0.0, 4.0, "no button was heard of"),)),
        ),
        link_health=LinkHealth(100, 90, 4, 5, 1, 9, 1, 0, 0, n, n, {"link": 0}, 1, {"crc": 1}, {}),
        settings=Settings(
            {"amplifier": "bench & sons", "nominal_supply_v": 12.6},
            {"window_s": 10.0},
            (Calibration("out_p", 0.0313, -63.9, 0.01, 0.1, None, "nominal values of the parts"),),
        ),
        envelopes={"output": _envelope("output", output), "supply": _envelope("supply", supply)},
        excerpts=excerpts,
        summary={"clipping": {"rail_v": np.float64(38.0), "unknown": float("nan")}},
    )


class Ran(NamedTuple):
    """What a command did."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run `ampwitness ARGUMENTS` as the shell would, errors and exit codes included."""

    def run_command(*arguments: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["ampwitness", *map(str, arguments)])
        with pytest.raises(SystemExit) as caught:
            main()
        captured = capsys.readouterr()
        return Ran(int(caught.value.code or 0), captured.out, captured.err)

    return run_command
