"""What takes long says how far it is, on a terminal only."""

from __future__ import annotations

import contextlib
import importlib
import io
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from ampwitness import cli as cli_module
from ampwitness.cli import COMPLETE_VARIABLE, cli
from ampwitness.cli import cable as cable_module
from ampwitness.cli import live as live_module
from ampwitness.cli import progress as progress_module
from ampwitness.cli.progress import ProgressLine
from test_every_command import NAMES

# Every command that may take longer than two seconds, with arguments; {r} is a recording, {o} a folder to write into.
LONG = {
    "report": ["{r}", "--html", "{o}/r.html", "--json", "{o}/r.json"],
    "sheet": ["{r}", "--html", "{o}/s.html"],
    "export wav": ["{r}", "--wav", "{o}/o.wav"],
    "export npz": ["{r}", "--npz", "{o}/o.npz"],
    "export mdf": ["{r}", "--mdf", "{o}/o.mf4"],
    "export csv": ["{r}", "--csv", "{o}/tables"],
    "reduce": ["{r}", "--out", "{o}/small.mcap"],
    "verify": ["{r}"],
    "job add": ["{o}/van", "soak", "{r}"],
    "live": ["{r}", "--http-port", "0"],
    "find-noise": ["--from", "shorted-off={r}", "--json"],
    "tones": ["--out", "{o}/tracks", "--seconds", "1", "--tone", "40"],
    "boards": ["--port", "{o}/nowhere"],
}
# Why a command is not in that list.
NOT_LONG = {
    **dict.fromkeys(("record", "set-gain"), "has a line of its own while it records"),
    **dict.fromkeys(("check-supply", "calibrate"), "asks step by step and shows readings"),
    **dict.fromkeys(("before-power", "explain", "cable", "completion", "front-end"), "answers at once"),
    **dict.fromkeys(("job new", "job channel", "job skip", "job show", "job compare"), "reads one small file"),
    "install": "names each step that it begins",
    "check-board": "takes about a second",
    "demo": "minutes; made of parts that are in the list",
    "virtual-board": "runs until it is stopped",
}


@pytest.fixture
def run_long(
    run: Callable[..., Any], music: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Any]:
    """Run a command of LONG on twenty seconds of music, with a line that does not wait, on a terminal or in a pipe."""

    @contextlib.contextmanager
    def stop_at_once() -> Iterator[list[int]]:
        yield [2]

    monkeypatch.setattr(live_module, "stop_on_signals", stop_at_once)
    monkeypatch.setattr(progress_module, "FIRST_AFTER_S", 0.0)
    monkeypatch.setattr(progress_module, "EVERY_S", 0.001)

    def run_it(name: str, *, is_terminal: bool) -> Any:
        if name == "job add":
            assert run("job", "new", tmp_path / "van").code == 0
        monkeypatch.setattr(sys.stderr, "isatty", lambda: is_terminal)
        words = [word for word in name.split() if word not in ("wav", "npz", "mdf", "csv")]
        return run(*words, *(word.format(r=music, o=tmp_path) for word in LONG[name]))

    return run_it


def test_every_command_is_long_or_says_why_not() -> None:
    long = {name.removesuffix(f" {kind}") for name in LONG for kind in ("wav", "npz", "mdf", "csv")} - {
        name for name in LONG if name.startswith("export ")
    }
    assert long | set(NOT_LONG) == set(NAMES)
    assert not long & set(NOT_LONG)


@pytest.mark.parametrize("name", LONG)
def test_a_long_command_shows_progress_on_a_terminal(name: str, run_long: Callable[..., Any]) -> None:
    if name == "export mdf":
        pytest.importorskip("asammdf")
    done = run_long(name, is_terminal=True)
    assert done.code == 0, done.err
    assert " s so far" in done.err
    shown, _, left = done.err.rpartition("\r")
    assert not left.startswith("working")  # the line is wiped when the work is over
    assert shown.rstrip(" ").endswith("\r")
    assert " s so far" not in done.out


@pytest.mark.parametrize("name", ["report", "export csv", "verify", "tones"])
def test_a_long_command_shows_none_in_a_pipe(name: str, run_long: Callable[..., Any]) -> None:
    done = run_long(name, is_terminal=False)
    assert done.code == 0, done.err
    assert "so far" not in done.err + done.out
    assert "\r" not in done.err


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_short_work_is_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", shown := Terminal())
    with ProgressLine() as progress:
        progress("reading", 0.5)
    assert shown.getvalue() == ""


def test_seconds_go_on_counting_through_a_step_that_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", shown := Terminal())
    monkeypatch.setattr(progress_module, "FIRST_AFTER_S", 0.01)
    with ProgressLine() as progress:
        progress("reading", 0.25)
        time.sleep(0.3)
        progress("judging clips")
        time.sleep(1.6)
    lines = shown.getvalue().split("\r")
    assert any(line.startswith("reading: 25 %, 0 s so far") for line in lines)
    assert {"judging clips: 1 s so far", "judging clips: 2 s so far"} <= {line.strip() for line in lines}
    assert lines[-2].strip() == lines[-1] == ""


def test_the_line_goes_when_the_work_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", shown := Terminal())
    monkeypatch.setattr(progress_module, "FIRST_AFTER_S", 0.01)

    def fail() -> None:
        with ProgressLine():
            time.sleep(0.1)
            raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        fail()
    assert "working: 0 s so far" in shown.getvalue()
    assert shown.getvalue().endswith(" \r")


def test_a_command_that_takes_long_to_load_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", shown := Terminal())
    monkeypatch.setattr(progress_module, "FIRST_AFTER_S", 0.01)
    monkeypatch.setattr(importlib, "import_module", lambda name: time.sleep(0.1) or cable_module)
    monkeypatch.delitem(sys.modules, "ampwitness.cli.cable")
    assert cli.get_command(click.Context(cli), "cable") is cable_module.cable
    assert "loading: 0 s so far" in shown.getvalue()
    shown.truncate(0)
    monkeypatch.setenv(COMPLETE_VARIABLE, "bash_complete")
    cli.get_command(click.Context(cli), "cable")
    assert shown.getvalue() == ""


def test_a_ctrl_c_while_a_module_loads_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    """A callback inside an import swallows what is raised in it; a command that runs for ever would go on."""

    def swallow(_name: str) -> object:
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        return cable_module

    monkeypatch.setattr(importlib, "import_module", swallow)
    with pytest.raises(KeyboardInterrupt):
        cli_module._load("ampwitness.cli.not_loaded_yet")
