"""Pictures on their way to browsers: each has room for two, and an old one gives way. Recording never waits here."""

from __future__ import annotations

import threading
from collections import deque

ROOM = 2
MOST_BROWSERS = 8


class Mailbox:
    """What waits for one browser."""

    def __init__(self) -> None:
        self._pieces: deque[bytes] = deque(maxlen=ROOM)
        self._changed = threading.Condition()
        self.is_over = False
        self.n_dropped = 0

    def put(self, piece: bytes) -> None:
        """Leave a picture; never waits, the oldest gives way."""
        with self._changed:
            self.n_dropped += len(self._pieces) == ROOM
            self._pieces.append(piece)
            self._changed.notify()

    def end(self) -> None:
        """Nothing more will come."""
        with self._changed:
            self.is_over = True
            self._changed.notify()

    def get(self, wait_s: float) -> bytes | None:
        """The next picture; None after `wait_s` without one, or at the end."""
        with self._changed:
            self._changed.wait_for(lambda: bool(self._pieces) or self.is_over, wait_s)
            return self._pieces.popleft() if self._pieces else None


class PictureHub:
    """Hands each picture to every browser that is looking."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._boxes: list[Mailbox] = []
        self._is_over = False

    @property
    def n_browsers(self) -> int:
        """How many are looking."""
        with self._lock:
            return len(self._boxes)

    def subscribe(self) -> Mailbox | None:
        """A mailbox of one's own; None where too many look already."""
        with self._lock:
            if len(self._boxes) >= MOST_BROWSERS:
                return None
            box = Mailbox()
            if self._is_over:
                box.end()
            self._boxes.append(box)
            return box

    def unsubscribe(self, box: Mailbox) -> None:
        """Give a mailbox back."""
        with self._lock:
            if box in self._boxes:
                self._boxes.remove(box)

    def publish(self, piece: bytes) -> None:
        """Leave a picture for everybody."""
        with self._lock:
            for box in self._boxes:
                box.put(piece)

    def end(self) -> None:
        """Nothing more will come."""
        with self._lock:
            self._is_over = True
            for box in self._boxes:
                box.end()
