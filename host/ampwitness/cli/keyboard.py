"""Single keys from the terminal, without waiting and without Enter; nothing at all where stdin is no terminal."""

from __future__ import annotations

import re
import sys
from types import TracebackType
from typing import Any

# What an arrow or function key sends: its last letter is no key (that of the right arrow is a C, "engine cranked").
_SEQUENCE = re.compile(r"\x1b(\[[0-?]*[ -/]*[@-~]|O[ -~])")


class Keyboard:
    """Context manager: the terminal gives keys as they are pressed, and is put back as it was."""

    def __init__(self) -> None:
        self.is_live = False
        self._before: Any = None

    def __enter__(self) -> Keyboard:
        if sys.stdin is None or not sys.stdin.isatty():
            return self
        if sys.platform != "win32":
            import termios
            import tty

            self._before = termios.tcgetattr(sys.stdin.fileno())
            tty.setcbreak(sys.stdin.fileno())  # Ctrl-C still interrupts
        self.is_live = True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None and sys.platform != "win32":
            import termios

            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)

    def pressed(self) -> str:
        """Keys pressed since the last call, in order; empty when none was."""
        if not self.is_live:
            return ""
        if sys.platform == "win32":
            import msvcrt

            keys = ""
            while msvcrt.kbhit():
                keys += msvcrt.getwch()
            return keys
        import os
        import select

        keys = ""
        while select.select([sys.stdin.fileno()], [], [], 0)[0]:
            raw = os.read(sys.stdin.fileno(), 64)
            if not raw:
                self.is_live = False  # the terminal was closed
                break
            keys += raw.decode("utf-8", "replace")
        return _SEQUENCE.sub("", keys)
