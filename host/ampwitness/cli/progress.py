"""One line that tells how far a longer job is; silent for short ones and when nobody watches."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType

FIRST_AFTER_S = 0.5
EVERY_S = 0.25


class ProgressLine:
    """Callable `(what, share)`: what is being done, and how far it is, 0 to 1 or None where that cannot be told.

    On a terminal one line is rewritten in place, by a thread of its own: seconds go on counting through a step that
    says nothing for long. Where standard error is no terminal nothing is written. Print nothing while it is open.
    """

    def __init__(self) -> None:
        self._stream = sys.stderr
        self._said: tuple[str, float | None] = ("working", None)
        self._width = 0
        self._is_over = threading.Event()
        self._drawing: threading.Thread | None = None

    def __enter__(self) -> ProgressLine:
        if self._stream.isatty():
            self._drawing = threading.Thread(target=self._draw_until_over, name="progress", daemon=True)
            self._drawing.start()
        return self

    def __call__(self, what: str, share: float | None = None) -> None:
        self._said = (what, share)

    def _draw_until_over(self) -> None:
        started_s = time.monotonic()
        pause_s = FIRST_AFTER_S
        while not self._is_over.wait(pause_s):
            what, share = self._said
            so_far = "" if share is None else f" {100 * share:.0f} %,"
            text = f"{what}:{so_far} {time.monotonic() - started_s:.0f} s so far"
            self._stream.write("\r" + text.ljust(self._width))
            self._stream.flush()
            self._width = len(text)
            pause_s = EVERY_S

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._is_over.set()
        if self._drawing is not None:
            self._drawing.join()
        if self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
