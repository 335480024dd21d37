"""Ending on Ctrl-C, or with the terminal, without losing what is on its way or leaving anything behind."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stop_on_signals() -> Iterator[list[int]]:
    """The first Ctrl-C (or end of the terminal) is put into the list, a second one interrupts as usual."""
    seen: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        seen.append(number)
        if len(seen) > 1:
            raise KeyboardInterrupt

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.signal(getattr(signal, name), note) for name in names}
    try:
        yield seen
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def interrupt_on_signals() -> Iterator[None]:
    """The end of the terminal or of a job interrupts as Ctrl-C does, so that what was begun is put away."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.signal(getattr(signal, name), interrupt) for name in names}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
