"""Ending on Ctrl-C, or with the terminal, without losing what is on its way or leaving anything behind."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
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

    with _answered_by(note, "SIGINT", "SIGTERM", "SIGHUP"):
        yield seen


@contextmanager
def interrupt_on_signals() -> Iterator[None]:
    """The end of the terminal or of a job interrupts as Ctrl-C does, so that what was begun is put away."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    with _answered_by(interrupt, "SIGTERM", "SIGHUP"):
        yield


@contextmanager
def _answered_by(handler: Callable[[int, FrameType | None], None], *names: str) -> Iterator[None]:
    """Signals, where the system knows them, go to a handler within, and to what had them before afterwards. The end of
    the terminal stays ignored where the command was begun so: a night's soak is to outlive it."""
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    if "SIGHUP" in names and hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) == signal.SIG_IGN:
        numbers.remove(signal.SIGHUP)
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, former in before.items():
            signal.signal(number, former)
