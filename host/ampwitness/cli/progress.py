"""One line that tells how far a longer job is; silent for short ones and when nobody watches."""

from __future__ import annotations

import sys
import time
from types import TracebackType

FIRST_AFTER_S = 1.0
EVERY_S = 0.2
EVERY_PIPED_S = 10.0


class ProgressLine:
    """Callable `(what, share)`. On a terminal one line is rewritten in place; in a pipe a line comes now and then."""

    def __init__(self) -> None:
        self._stream = sys.stderr
        self._is_terminal = self._stream.isatty()
        self._started_s = self._shown_s = time.monotonic()
        self._width = 0

    def __enter__(self) -> ProgressLine:
        return self

    def __call__(self, what: str, share: float) -> None:
        now_s = time.monotonic()
        pause_s = EVERY_S if self._is_terminal else EVERY_PIPED_S
        if now_s - self._started_s < FIRST_AFTER_S or now_s - self._shown_s < pause_s:
            return
        self._shown_s = now_s
        text = f"{what}: {100 * share:.0f} %"
        if self._is_terminal:
            self._stream.write("\r" + text.ljust(self._width))
            self._width = len(text)
        else:
            self._stream.write(text + "\n")
        self._stream.flush()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
