"""Where the program begins, as `ampwitness` and as `python -m ampwitness`: from here on Ctrl-C ends it with a sentence,
also while its modules still load."""

from __future__ import annotations

import os
import signal
from types import FrameType
from typing import NoReturn

INTERRUPTED_EXIT_CODE = 130  # the shell's own number for Ctrl-C


def main() -> NoReturn:
    """Run the command line. Nothing is open yet while it loads, so that a stop may be as short as it is."""
    before = signal.getsignal(signal.SIGINT)
    if before is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop)
    from ampwitness.cli import main as run

    signal.signal(signal.SIGINT, before)
    run()


def _stop(number: int, frame: FrameType | None) -> None:
    os.write(2, b"\nampwitness: stopped.\n" if os.isatty(2) else b"ampwitness: stopped.\n")
    os._exit(INTERRUPTED_EXIT_CODE)


if __name__ == "__main__":
    main()
