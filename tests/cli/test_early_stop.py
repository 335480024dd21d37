"""Ctrl-C while the program still loads ends it in a sentence; a board that is ended ends by itself."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager

import pytest
from ampwitness.cli import virtual_board
from ampwitness.cli.stopping import interrupt_on_signals, stop_on_signals

LOADING = """
import os, signal, sys
class Hook:
    def find_spec(self, name, path=None, target=None):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Hook())
sys.argv = ["ampwitness", "--version"]
from ampwitness.__main__ import main
main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent as POSIX has them")
@pytest.mark.parametrize("module", ["ampwitness.cli", "click", "ampwitness.cli.wrapped"])
def test_ctrl_c_while_modules_load_is_one_sentence(module: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADING.format(module=module)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "ampwitness: stopped.\n")


def test_what_it_does_otherwise_is_the_command_line_itself() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "ampwitness", "--version"], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.startswith("ampwitness, version")


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent as POSIX has them")
def test_a_board_that_is_ended_looks_whether_it_shall_and_is_not_torn_out_of_what_it_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A handler that raised within a look at the firmware's process left that one's lock held: the end never came."""
    asked: list[bool] = []

    def run(options: object, announce: object, should_stop: Callable[[], bool]) -> int:
        asked.append(should_stop())
        os.kill(os.getpid(), signal.SIGTERM)
        asked.append(should_stop())
        return 0

    monkeypatch.setattr(virtual_board, "run_virtual_board", run)
    virtual_board.virtual_board.main(["--constant", "supply=12.6"], standalone_mode=False)
    assert asked == [False, True]


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no hang-up of a terminal here")
@pytest.mark.parametrize("answer", [interrupt_on_signals, stop_on_signals])
def test_the_end_of_the_terminal_is_answered_unless_the_command_was_begun_to_outlive_it(
    answer: Callable[[], AbstractContextManager[list[int] | None]],
) -> None:
    """As `nohup` begins one: the signal is ignored from the start, and a soak goes on through the night."""
    former = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with answer() as seen:
            os.kill(os.getpid(), signal.SIGHUP)
            assert not seen
        assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        with answer() as seen:
            if answer is stop_on_signals:
                os.kill(os.getpid(), signal.SIGHUP)
                assert seen == [signal.SIGHUP]
            else:
                with pytest.raises(KeyboardInterrupt):
                    os.kill(os.getpid(), signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) == signal.SIG_DFL
    finally:
        signal.signal(signal.SIGHUP, former)
