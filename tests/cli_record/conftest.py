"""The fake board of the link's tests serves here too; commands run in this process or as a real one."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from ampwitness.cli import main

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "link"))


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
