"""The line that says how a recording goes stays in one row, and an open question does not hide it."""

from __future__ import annotations

import io
import os
import sys
from types import SimpleNamespace
from typing import Any

import pytest
from ampwitness.cli import live_line
from ampwitness.cli.live_line import Counts, LiveLine, fit


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def show(monkeypatch: pytest.MonkeyPatch, **more: Any) -> str:
    """What stands in the row of a soak that was marked and whose board came back."""
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr("shutil.get_terminal_size", lambda *_: os.terminal_size((80, 24)))
    monkeypatch.setattr(live_line, "count", lambda _: Counts(20.962, 0, 0, 0, 1))
    levels = SimpleNamespace(output_peak_v=34.0, output_mean_v=0.0, supply_lowest_v=10.37)
    monitor = SimpleNamespace(levels=lambda: levels, faults=())
    streaming: Any = SimpleNamespace(
        session=SimpleNamespace(monitor=monitor), n_resumed=1, losses=SimpleNamespace(n_restarts=1), elapsed_s=25.0
    )
    LiveLine(is_quiet=False).show(streaming, 64_000, now=True, **more)
    return terminal.getvalue().lstrip("\r")


def test_a_long_line_stays_in_one_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """108 characters were written over and over on a terminal of 80: each time one row more."""
    row = show(monkeypatch, said="marked: engine on")
    assert len(row) < 80
    assert row.startswith("20.962 s  0 lost  output 34.0 V peak  supply 10.37 V  1 mark  marked: engine on")


def test_a_question_leaves_room_for_how_it_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    row = show(monkeypatch, question="heatsink? 4_ (number; Enter alone: none)")
    assert len(row) < 80
    assert row.startswith("heatsink? 4_ (number; Enter alone: none)  20.962 s  0 lost  output 34.0 V peak")


def test_what_has_room_keeps_all() -> None:
    text = "20.962 s   63.9 kB/s   0 lost"
    assert fit(text, 79) == text
    assert fit(text, 20) == "20.962 s   0 lost"
    assert fit(text, 12) == "20.962 s  0 "
