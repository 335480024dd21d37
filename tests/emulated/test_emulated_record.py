"""The host's own `record` and `verify` on the emulated board, over a pseudo-terminal and in real time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from emulated_board import copy_firmware

pytestmark = pytest.mark.long

CLI = [sys.executable, "-c", "from ampwitness.cli import main; main()"]


def run_cli(*words: str, timeout_s: float) -> subprocess.CompletedProcess[str]:
    """Run the host's command line."""
    return subprocess.run([*CLI, *words], capture_output=True, text=True, timeout=timeout_s, check=False)


@pytest.fixture
def live_board(emulator, tmp_path):
    """Path of a serial port behind which the emulated board runs in real time."""
    link = tmp_path / "port"
    words = [str(Path(emulator.__file__)), str(copy_firmware(tmp_path / "board")), "--pty", "--link", str(link)]
    words += ["--seconds", "1e9", "--stimulus", "sine:40,amp=0.8"]
    with (tmp_path / "emulator.txt").open("wb") as told:
        process = subprocess.Popen([sys.executable, *words], stderr=told, stdout=told)
        try:
            until = time.monotonic() + 30
            while not link.is_symlink() and time.monotonic() < until:
                time.sleep(0.2)
            time.sleep(8)  # until the firmware listens; nobody can ask a port that is not open
            assert process.poll() is None, (tmp_path / "emulator.txt").read_text()
            yield link
        finally:
            process.kill()
            process.wait()


def test_record_for_30_s_and_verify_balances_to_zero(live_board, tmp_path):
    out = tmp_path / "emulated.mcap"
    seconds = "30" if os.environ.get("AMPWITNESS_LONG") == "1" else "10"
    recorded = run_cli(
        "record", "--port", str(live_board), "--seconds", seconds, "--mode", "bass", "--out", str(out), "--json",
        timeout_s=120,
    )  # fmt: skip
    print(recorded.stdout[-1500:], recorded.stderr[-1500:])
    assert recorded.returncode == 0
    verified = run_cli("verify", str(out), "--json", timeout_s=60)
    print(verified.stdout[-3000:], verified.stderr[-500:])
    assert verified.returncode == 0
    told = json.loads(verified.stdout)
    health = told["link_health"]
    assert told["balances"] is True
    assert told["imbalance"] == []
    assert [s["mode"] for s in told["sessions"]] == ["bass"]
    assert health["n_frames_bad"] == health["n_frames_lost"] == health["n_bytes_bad"] == health["n_bytes_skipped"] == 0
    assert health["n_scans_lost"] == {"link": 0, "overrun": 0, "restart": 0, "unknown": 0}
    assert health["n_scans_received"] == health["n_scans_expected"]
    # The emulator may run slower than real time on a loaded computer, never faster.
    assert health["n_scans_received"] >= 0.5 * 8000 * float(seconds)
