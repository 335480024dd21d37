"""Counts every byte, frame and scan once, so that the sums can be checked against what was pushed in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from ampwitness.link.messages import STATUS_COUNTERS
from ampwitness.types import LinkHealth

# The board counts these from its reset on, across sessions; the others from the start of the session.
SINCE_RESET = ("fifo_overflows", "bad_commands")


class Ledger:
    """Running counts of one stream. `pushed_bytes` is what came in; all else is what became of it."""

    def __init__(self) -> None:
        self.pushed_bytes = 0
        self.n_delimiters = 0
        self.good_bytes = 0
        self.n_good = 0
        self.bad_bytes = 0
        self.bad: Counter[str] = Counter()  # frames by reason
        self.skipped: Counter[str] = Counter()  # bytes by why
        self.n_frames_lost = 0
        self.n_scans_received = 0
        self.n_scans_expected = 0
        self.scans_lost: Counter[str] = Counter()  # by cause
        self.n_scans_left_out = 0  # on purpose, from a reduced recording
        self.n_frames_left_out = 0
        self.n_sessions = 0
        self.board: Counter[str] = Counter()
        self._since_reset: Counter[str] = Counter()  # as last seen

    def count_good(self, n_frames: int, n_bytes: int) -> None:
        """Frames that were understood, with their bytes on the wire without delimiters."""
        self.n_good += n_frames
        self.good_bytes += n_bytes

    def count_bad(self, reason: str, n_frames: int, n_bytes: int) -> None:
        """Frames that were damaged, or intact but absurd."""
        self.bad[reason] += n_frames
        self.bad_bytes += n_bytes

    def count_skipped(self, why: str, n_bytes: int) -> None:
        """Bytes that were not used, with why."""
        self.skipped[why] += n_bytes

    def count_status(self, last: Mapping[str, Any]) -> None:
        """The last status of a session that is over."""
        self.board.update(self._news(last))
        self._since_reset = Counter({name: last[name] for name in SINCE_RESET})

    def _news(self, status: Mapping[str, Any]) -> dict[str, int]:
        """What `status` adds to the sessions before it. A counter that went back means that the board was reset."""
        news = {name: int(status[name]) for name in STATUS_COUNTERS}
        for name in SINCE_RESET:
            if news[name] >= self._since_reset[name]:
                news[name] -= self._since_reset[name]
        return news

    def health(self, n_pending_bytes: int, open_scans: int, open_status: Mapping[str, Any] | None) -> LinkHealth:
        """All counts as they stand.

        `n_pending_bytes` were pushed but not decided on yet; `open_scans` is how far the running session has come, from
        its first to its last scan; `open_status` is its last status.
        """
        board = Counter(dict.fromkeys(STATUS_COUNTERS, 0))
        board.update(self.board)
        if open_status is not None:
            board.update(self._news(open_status))
        lost = {"link": 0, "overrun": 0, "restart": 0, "unknown": 0} | dict(self.scans_lost)
        return LinkHealth(
            n_bytes=self.pushed_bytes - n_pending_bytes,
            n_bytes_in_frames=self.good_bytes,
            n_bytes_bad=self.bad_bytes,
            n_bytes_skipped=sum(self.skipped.values()),
            n_delimiters=self.n_delimiters,
            n_frames_good=self.n_good,
            n_frames_bad=sum(self.bad.values()),
            n_frames_lost=self.n_frames_lost,
            n_frames_dropped_on_board=board["queue_dropped_frames"],
            n_scans_received=self.n_scans_received,
            n_scans_expected=self.n_scans_expected + open_scans,
            n_scans_lost=lost,
            n_sessions=self.n_sessions,
            bad_reasons=dict(self.bad),
            board_counters=dict(board),
            skipped_reasons=dict(self.skipped),
            n_scans_left_out=self.n_scans_left_out,
            n_frames_left_out=self.n_frames_left_out,
        )
