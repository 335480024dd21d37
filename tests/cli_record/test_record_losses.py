"""What `record` says was lost is what `verify` finds in the file, whatever went wrong on the way."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.bench.virtual_faults import parse_fault

Run = Callable[..., Any]


def record_with_faults(
    run: Run, folder: Path, faults: tuple[str, ...], speed: float | None, duration_s: float, *more: object
) -> tuple[dict[str, Any], dict[str, Any]]:
    """What `record --json` printed, and `verify --json` of the same file or parts."""
    volts = np.tile([[7.0, 7.0, 13.0]], (round(4000 * duration_s), 1))
    options = VirtualBoardOptions(
        ArrayStimulus(("out_p", "out_n", "supply"), 4000, volts),
        speed=speed,
        link=folder / "port",
        faults=tuple(parse_fault(text) for text in faults),
    )
    with virtual_board(options) as port:
        ran = run("record", "--port", port, "--out", folder / "a.mcap", "--json", *more)
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    checked = json.loads(run("verify", result["recording"], "--json").out)
    assert checked["balances"]
    return result, checked


def check_they_agree(result: dict[str, Any], checked: dict[str, Any]) -> None:
    health = checked["link_health"]
    said = {name: result[name] for name in ("n_frames", "n_frames_lost", "n_bad_frames", "n_scans", "n_scans_lost")}
    assert said == {
        "n_frames": health["n_frames_good"],
        "n_frames_lost": health["n_frames_lost"],
        "n_bad_frames": health["n_frames_bad"],
        "n_scans": health["n_scans_received"],
        "n_scans_lost": sum(health["n_scans_lost"].values()),
    }
    assert (result["n_sessions"], result["n_gaps"]) == (health["n_sessions"], checked["n_gaps"])
    assert result["n_restarts"] == len(checked["sessions"]) - 1
    assert result["recorded_s"] == pytest.approx(sum(s["stop_s"] - s["start_s"] for s in checked["sessions"]), abs=1e-4)
    # A restart's length is by receive times, of which the file keeps fewer than came.
    assert result["gaps_s"] == pytest.approx(checked["gaps_s"], abs=0.3)


def test_drops_damage_and_a_reset_are_counted_as_in_the_file(run: Run, tmp_path: Path) -> None:
    faults = ("drop@1:3", "corrupt@2:20", "reset@3", "drop@4:2", "corrupt@5:400")
    result, checked = record_with_faults(run, tmp_path, faults, None, 7.0)
    check_they_agree(result, checked)
    assert result["n_scans_lost"] >= 7 * 38
    assert result["n_bad_frames"] >= 3
    assert set(result["gaps_s"]) == {"link", "restart"}
    assert result["n_restarts"] == 1


def test_frames_lost_right_behind_a_start_count_too(run: Run, tmp_path: Path) -> None:
    result, checked = record_with_faults(run, tmp_path, ("drop@0:4", "reset@1", "drop@1.1:5"), None, 3.0)
    check_they_agree(result, checked)
    assert result["n_scans_lost"] == 9 * 38


def test_a_pause_that_overflows_the_queue_counts_as_in_the_file(run: Run, tmp_path: Path) -> None:
    result, checked = record_with_faults(run, tmp_path, ("pause@1:2", "drop@7:1"), 4.0, 10.0)
    check_they_agree(result, checked)
    assert result["n_scans_lost"] > 1000


def test_parts_and_a_pulled_cable_count_as_one_recording(run: Run, tmp_path: Path) -> None:
    more = ("--wait-minutes", 1, "--part-mb", 0.1)
    result, checked = record_with_faults(run, tmp_path, ("drop@1:3", "unplug@3:1", "drop@6:2"), 1.0, 8.0, *more)
    check_they_agree(result, checked)
    assert result["n_parts"] > 2
    assert (result["n_resumed"], result["n_restarts"]) == (1, 1)


def test_in_words_a_board_that_began_again_is_not_nothing_lost(run: Run, tmp_path: Path) -> None:
    volts = np.tile([[7.0, 7.0, 13.0]], (16_000, 1))
    options = VirtualBoardOptions(
        ArrayStimulus(("out_p", "out_n", "supply"), 4000, volts), speed=None, faults=(parse_fault("reset@1"),)
    )
    with virtual_board(options) as port:
        ran = run("record", "--port", port, "--out", tmp_path / "a.mcap")
    assert ran.code == 0, ran.err
    assert "0 lost, the board began again 1 time and missed " in ran.out
