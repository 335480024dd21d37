"""A mark that was pressed while the board was away is told of, by the computer's clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.day_signals import FRAME_WIRE_BYTES, RATE_HZ, SCANS, STRETCH, WireMaker
from ampwitness.findings.described import describe_finding
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.recording import RecordingWriter
from ampwitness.types import Chunk


def test_a_mark_that_the_board_never_told_of_is_a_finding(tmp_path: Path) -> None:
    host_s = 1000.0
    with RecordingWriter(tmp_path / "a.mcap", {}, fsync_every_s=1e9) as writer:
        for piece in WireMaker().next_bytes(np.full((STRETCH, 3), 16_000, np.uint16)):
            host_s += len(piece) / FRAME_WIRE_BYTES * SCANS / RATE_HZ
            writer.append(Chunk(piece, host_s))
            if 1005.0 < host_s < 1006.0:
                writer.mark(1004.5, "keyboard")
                writer.mark(1004.7, "heard it")
    marks = [f for f in analyse_file(tmp_path / "a.mcap", AnalyseOptions()).findings if f.kind == "mark"]
    assert [mark.start_s for mark in marks] == pytest.approx([4.5, 4.7], abs=0.5)
    assert describe_finding(marks[1]).startswith("marked at the computer: heard it; the board did not confirm it")


def test_what_was_typed_behind_the_last_scan_keeps_its_time(tmp_path: Path) -> None:
    """The board had gone, and the person was still there."""
    host_s = 1000.0
    with RecordingWriter(tmp_path / "a.mcap", {}, fsync_every_s=1e9) as writer:
        for piece in WireMaker().next_bytes(np.full((STRETCH, 3), 16_000, np.uint16)):
            host_s += len(piece) / FRAME_WIRE_BYTES * SCANS / RATE_HZ
            writer.append(Chunk(piece, host_s))
        end_s = host_s - 1000.0
        writer.keep_reading(host_s + 60, "heatsink", 41.5)
        writer.mark(host_s + 120, "keyboard")
        writer.mark(host_s + 180, "engine off")
    found = {f.start_s: f for f in analyse_file(tmp_path / "a.mcap", AnalyseOptions()).findings}
    told = [(at_s, f.kind) for at_s, f in sorted(found.items()) if f.kind in ("reading", "mark")]
    assert [kind for _, kind in told] == ["reading", "mark", "mark"]
    assert [at_s for at_s, _ in told] == pytest.approx(
        [end_s + 60, end_s + 120, end_s + 180], abs=0.5
    )  # messages lengthen it
