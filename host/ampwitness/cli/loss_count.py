"""What is lost while a recording runs, counted by the decoder that `verify` and `report` use on the finished file."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable

from ampwitness.decode import Decoder
from ampwitness.decode.recorded_time import RecordedTime
from ampwitness.errors import UnknownProtocolError
from ampwitness.types import Block, Chunk, Decoded, Gap, LinkHealth

_GATHER_BYTES = 1 << 16  # decoded together, a second or so of stream: piece by piece would cost ten times as much
_GATHER_CHUNKS = 256


class LossCount:
    """Counts over everything that goes into one recording, a board that came back included.

    Attributes: n_gaps, gaps_s (seconds by cause) and n_restarts (gaps because a session ended and another began), as
    far as was decoded: about a second behind what was pushed, until `finish`.
    """

    def __init__(self) -> None:
        self._decoder = Decoder()
        self._waiting: list[Chunk] = []
        self._n_bytes = 0
        self.n_gaps = self.n_restarts = 0
        self.gaps_s: dict[str, float] = {}
        self._time = RecordedTime()

    @property
    def recorded_s(self) -> float:
        """Seconds of recording time, session by session from its first scan to its last, as far as was decoded."""
        return self._time.recorded_s

    def health(self) -> LinkHealth:
        """What is counted so far."""
        return self._decoder.health()

    def push(self, chunk: Chunk) -> None:
        """Take what has been given to the recording."""
        if not chunk.raw:
            return
        self._waiting.append(chunk)
        self._n_bytes += len(chunk.raw)
        if self._n_bytes >= _GATHER_BYTES or len(self._waiting) >= _GATHER_CHUNKS:
            self._decode()

    def finish(self) -> LinkHealth:
        """The recording has ended: everything counted. To be called once."""
        self._decode()
        self._take(self._decoder.finish())
        return self._decoder.health()

    def _decode(self) -> None:
        chunks, self._waiting, self._n_bytes = self._waiting, [], 0
        # The conversation with the board meets it too, and says it with the port's name.
        with contextlib.suppress(UnknownProtocolError):
            self._take(self._decoder.push_many(chunks))

    def _take(self, items: Iterable[Decoded]) -> None:
        for item in items:
            if isinstance(item, Block):
                self._time.push(item)
            elif isinstance(item, Gap):
                self.n_gaps += 1
                self.gaps_s[item.cause] = self.gaps_s.get(item.cause, 0.0) + item.stop_s - item.start_s
                self.n_restarts += item.cause == "restart"
