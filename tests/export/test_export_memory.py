"""Exports hold no more of an hour than of some minutes: the peak memory of a process of its own, by the system."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from ampwitness.bench.day_signals import write_day

WAITABLE = hasattr(os, "wait4") and sys.platform == "linux"


def peak_mb(arguments: list[str]) -> float:
    process = os.spawnv(os.P_NOWAIT, sys.executable, [sys.executable, "-m", "ampwitness", *arguments])
    _, status, used = os.wait4(process, 0)
    assert os.waitstatus_to_exitcode(status) == 0
    return used.ru_maxrss / 1024


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Path]:
    """Six minutes and thirty-six, made once for all kinds."""
    folder = tmp_path_factory.mktemp("long")
    paths = {hours: folder / f"{hours}.mcap" for hours in (0.1, 0.6)}
    for hours, path in paths.items():
        write_day(path, hours, seed=11)
    return paths


@pytest.mark.skipif(not WAITABLE, reason="peak memory is read as Linux tells it")
@pytest.mark.parametrize("kind", ["wav", "npz", "mdf"])
def test_peak_memory_does_not_grow_with_length(kind: str, recordings: dict[float, Path], tmp_path: Path) -> None:
    if kind == "mdf":
        pytest.importorskip("asammdf")
    peaks = []
    for hours, recording in recordings.items():
        out = tmp_path / f"{hours}.{'mf4' if kind == 'mdf' else kind}"
        peaks.append(peak_mb(["export", str(recording), f"--{kind}", str(out), "--json"]))
    held_mb = 0.5 * 3600 * 8000 * 3 * 4 / 1e6  # half an hour more, were it kept
    assert peaks[1] - peaks[0] < 0.06 * held_mb, peaks  # ten megabytes: what one process differs from the next
