"""Chunks on their way from the thread that reads the port to whoever keeps them."""

from __future__ import annotations

import threading
from collections import deque

from ampwitness.types import Chunk

INBOX_BYTES = 8 << 20  # two minutes of the usual stream while the disk is busy; then the port has to wait


class Inbox:
    """Chunks on their way from the reading thread, with a bound on their bytes."""

    def __init__(self) -> None:
        self._chunks: deque[Chunk] = deque()
        self._n_bytes = 0
        self._error: Exception | None = None
        self._changed = threading.Condition()
        self._is_closed = False

    def put(self, chunk: Chunk) -> None:
        """Hand on a chunk; waits while INBOX_BYTES wait to be taken."""
        with self._changed:
            self._changed.wait_for(lambda: self._n_bytes < INBOX_BYTES or self._is_closed)
            self._chunks.append(chunk)
            self._n_bytes += len(chunk.raw)
            self._changed.notify_all()

    def fail(self, error: Exception) -> None:
        """No more chunks will come, and this is why."""
        with self._changed:
            self._error = error
            self._changed.notify_all()

    def get(self, wait_s: float) -> Chunk | None:
        """The next chunk; None after `wait_s` without one. Raises what `fail` was given, after the last chunk."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self._chunks) or self._error is not None, wait_s)
            if self._chunks:
                chunk = self._chunks.popleft()
                self._n_bytes -= len(chunk.raw)
                self._changed.notify_all()
                return chunk
            if self._error is not None:
                raise self._error
            return None

    def close(self) -> None:
        """Let nobody wait any longer; what is inside is dropped."""
        with self._changed:
            self._is_closed = True
            self._chunks.clear()
            self._n_bytes = 0
            self._changed.notify_all()
