"""Commands run in this process, as in the other command tests."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import NamedTuple

import pytest
from ampwitness.cli import main


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
