"""Processes that never get the signals which a terminal sends to every process of a command: the command answers them.

Limits: nothing is held back where the system knows no signal masks (Windows).
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

_FOR_THE_COMMAND = ("SIGINT", "SIGTERM", "SIGHUP")


@contextmanager
def signals_held_back() -> Iterator[None]:
    """A process that is started within never gets the signals that are for the command; this one gets them afterwards.
    End such a process by its pipe, or kill it: it is deaf to what asks it politely."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    numbers = [getattr(signal, name) for name in _FOR_THE_COMMAND]
    before = signal.pthread_sigmask(signal.SIG_BLOCK, numbers)
    # The library's own process, which gives back what is left behind, is begun with the first one: it is to outlive the
    # closing of a terminal as well. Then some signals are let through again.
    resource_tracker.ensure_running()
    signal.pthread_sigmask(signal.SIG_BLOCK, numbers)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
