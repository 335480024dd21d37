"""The host's own `record` and `verify` on the emulated board, over a pseudo-terminal and in real time."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from emulated_board import copy_firmware

pytestmark = pytest.mark.long

CLI = [sys.executable, "-c", "from ampwitness.cli import main; main()"]


def run_cli(*words: str, timeout_s: float) -> subprocess.CompletedProcess[str]:
    """Run the host's command line."""
    return subprocess.run([*CLI, *words], capture_output=True, text=True, timeout=timeout_s, check=False)


def test_record_for_30_s_and_verify_balances_to_zero(serve, tmp_path):
    live_board = serve(copy_firmware(tmp_path / "board"))
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
