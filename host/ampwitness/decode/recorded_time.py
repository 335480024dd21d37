"""How long was recorded, by the blocks themselves: session by session from its first scan to its last."""

from __future__ import annotations

from ampwitness.types import Block


class RecordedTime:
    """Seconds of recording time that sessions cover; what was lost inside one counts, what lies between them does not.

    Gaps: scans lost before a session's first block or behind its last are not in it.
    """

    def __init__(self) -> None:
        self._spans_s: dict[str, tuple[float, float]] = {}

    def push(self, block: Block) -> None:
        """Take the next block, in order."""
        stop_s = block.start_s + float(len(block.counts) / block.rate_hz)
        self._spans_s[block.session_id] = (self._spans_s.get(block.session_id, (block.start_s,))[0], stop_s)

    @property
    def recorded_s(self) -> float:
        """All sessions together: what `verify` says of each, summed."""
        return sum(stop_s - start_s for start_s, stop_s in self._spans_s.values())
