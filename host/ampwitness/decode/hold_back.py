"""Holds frames back until the hello of their session has come, within a bound."""

from __future__ import annotations

from collections import deque

from ampwitness.decode.bulk import SamplesBatch
from ampwitness.decode.ledger import Ledger
from ampwitness.types import Frame

HOLD_BYTES = 1 << 20  # a hello comes once a second; the fastest mode sends 0.15 MB a second
NO_HELLO = "no hello yet"


class HoldBack:
    """Frames without a hello, oldest first. What does not fit is counted as skipped, oldest first, frame by frame."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._items: deque[tuple[SamplesBatch | Frame, int]] = deque()
        self._first_row = 0  # of the oldest item: rows before it are dropped already
        self.n_bytes = 0

    def add(self, item: SamplesBatch | Frame, encoded_bytes: int) -> None:
        """Hold a frame, or a batch of SAMPLES frames of one session; `encoded_bytes` is the length of each frame."""
        self._items.append((item, encoded_bytes))
        self.n_bytes += encoded_bytes * (len(item) if isinstance(item, SamplesBatch) else 1)
        self.drop(HOLD_BYTES)

    def drop(self, max_bytes: int) -> None:
        """Let go of the oldest frames until at most `max_bytes` are held."""
        while self.n_bytes > max_bytes:
            item, encoded_bytes = self._items[0]
            n_rows = len(item) - self._first_row if isinstance(item, SamplesBatch) else 1
            n_drop = min(n_rows, -(-(self.n_bytes - max_bytes) // encoded_bytes))
            self._first_row += n_drop
            if n_drop == n_rows:
                self._items.popleft()
                self._first_row = 0
            self.n_bytes -= n_drop * encoded_bytes
            self._ledger.count_skipped(NO_HELLO, n_drop * encoded_bytes)

    def release(self, tag: int) -> list[tuple[SamplesBatch | Frame, int]]:
        """Hand out what belongs to the session of `tag`, in stream order; the rest is counted as skipped."""
        released: list[tuple[SamplesBatch | Frame, int]] = []
        for number, (item, encoded_bytes) in enumerate(self._items):
            if isinstance(item, SamplesBatch):
                rows = item.copy_rows(self._first_row if number == 0 else 0, len(item))
                if int(rows.tags[0]) == tag:
                    released.append((rows, encoded_bytes))
                else:
                    self._ledger.count_skipped(NO_HELLO, len(rows) * encoded_bytes)
            elif item.session_tag == tag:
                released.append((item, encoded_bytes))
            else:
                self._ledger.count_skipped(NO_HELLO, encoded_bytes)
        self._items.clear()
        self._first_row = self.n_bytes = 0
        return released
