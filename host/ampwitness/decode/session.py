"""One session of a board in the stream: its place in recording time, its counters, the block that is being built."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
from ampwire.layout import FLAG_BOARD_LOSS, FLAG_LINK_LOSS
from ampwire.messages import samples_payload_bytes

from ampwitness.decode.bulk import SEQ_HALF, SEQ_MODULUS, SamplesBatch
from ampwitness.types import Block, Edge, Fault, Gap, GapCause, Hello, Mark, Status

Message = Edge | Mark | Status | Fault


def classify_loss(
    start: int, stop: int, n_frames_lost: int, flags: int, scans_per_frame: int
) -> list[tuple[int, int, GapCause]]:
    """Split the missing scans start..stop by cause, from the counters alone.

    `n_frames_lost` frames are missing by seq since the last SAMPLES frame; `flags` are those of the frame behind the
    gap. Lost frames explain at most what they hold. The whole is exact, the border between the causes is not.
    """
    n_link = min(stop - start, n_frames_lost * scans_per_frame)
    if n_link == 0 and flags & FLAG_LINK_LOSS and not flags & FLAG_BOARD_LOSS:
        n_link = stop - start
    rest: GapCause = "overrun" if flags & FLAG_BOARD_LOSS else "unknown"
    parts: list[tuple[int, int, GapCause]] = [(start, start + n_link, "link"), (start + n_link, stop, rest)]
    return [part for part in parts if part[0] < part[1]]


# Frames that were framed and never came are not among the scans the board says are missing. They show on the host's
# clock alone, and only where it says more than arrivals are ever late.
LATE_S = 1.0


class Session:
    """State of one session. `origin_s` is the recording time of scan 0, None until the first samples came."""

    def __init__(self, hello: Hello, payload: bytes) -> None:
        self.hello = hello
        self.last_hello_payload = payload  # the board repeats its hello every second; most need no second look
        self.tag = hello.session_tag
        self.scans_per_frame = hello.scans_per_frame
        self.n_channels = len(hello.channels)
        self.payload_bytes = samples_payload_bytes(self.n_channels, self.scans_per_frame)
        self.origin_s: Fraction | None = None
        self.base_index = 0  # first scan that counts as expected
        self.next_index = 0
        self.last_seq: int | None = None
        self.n_frames_missing = 0  # by seq since the last SAMPLES frame
        self.told_index = 0  # the highest that a frame without samples gave
        self.last_samples_host_s = 0.0
        self.waiting: list[tuple[int, Message]] = []  # by sample index, until the first samples give them a time
        self.status: Mapping[str, Any] | None = None
        self.n_lost_before: int | None = None  # scans missing before scan 0, where the board says so
        self.levels = [line.level for line in hello.digital]
        self.last_hello_levels = list(self.levels)
        # Only then do we know that scan 0 is still to come.
        self.starts_here = hello.sample_index == 0

    @property
    def n_scans_open(self) -> int:
        """Scans from the first to the last one so far, lost ones included."""
        return 0 if self.origin_s is None else self.next_index - self.base_index

    def seconds(self, index: int) -> float:
        """`time_s` as the nearest float, which is what leaves the decoder."""
        assert self.origin_s is not None
        rate_hz, origin_s = self.hello.rate_hz, self.origin_s
        # One division of whole numbers is rounded once; a Fraction on the way would cost ten times as much.
        top = origin_s.numerator * rate_hz.numerator + index * rate_hz.denominator * origin_s.denominator
        return top / (origin_s.denominator * rate_hz.numerator)

    def time_s(self, index: int) -> Fraction:
        """Recording time of a scan. Only once the session has its place."""
        assert self.origin_s is not None
        return self.origin_s + index / self.hello.rate_hz

    def is_same(self, hello: Hello) -> bool:
        """Whether `hello` describes this session and its stream as before; levels, times and remarks may differ."""
        mine = self.hello
        varying = {"sample_index": 0, "host_s": 0.0, "raw": {}, "digital": (), "reset_cause": ""}
        same_lines = [(line.role, line.pin, line.threshold_v) for line in mine.digital] == [
            (line.role, line.pin, line.threshold_v) for line in hello.digital
        ]
        return same_lines and replace(mine, **varying) == replace(hello, **varying)  # type: ignore[arg-type]

    def take_seq(self, seq: int) -> int | None:
        """Account for a frame's seq. Returns how many frames are missing before it, None for an old or repeated one."""
        if self.last_seq is None:
            self.last_seq = seq
            return 0
        step: int = (seq - self.last_seq) % SEQ_MODULUS
        if step == 0 or step >= SEQ_HALF:
            return None
        self.last_seq = seq
        self.n_frames_missing += step - 1
        return step - 1

    def begin_at(self, first_index: int) -> None:
        """Decide, on the first samples, which scan counts as the first one."""
        # Frames missing since a hello that announced scan 0 must have held the scans before this one.
        is_lost = self.starts_here and self.n_frames_missing * self.scans_per_frame >= first_index
        self.base_index = self.next_index = 0 if is_lost else first_index

    def place_first(self) -> None:
        """Recording time 0 is this session's first scan."""
        self.origin_s = -self.base_index / self.hello.rate_hz

    def place_after(self, before: Session, first_index: int, host_s: float, is_next: bool) -> Gap:
        """Place this session behind `before`; returns the gap between them, which is never exact.

        Its length is what the board says is missing, good to a scan, where it says so and this session is the next one
        (`is_next`); else by receive times. `host_s` is when the first SAMPLES frame, that begins at `first_index`, was
        received. Never earlier than the end of the session before; right behind it when nothing says otherwise.
        """
        rate_hz = self.hello.rate_hz
        pause_s = (host_s - before.last_samples_host_s) * self.hello.time_scale
        if not math.isfinite(pause_s) or before.last_samples_host_s <= 0:
            pause_s = 0.0
        # What arrived last was taken last: between the two arrivals lie the pause and the frame itself.
        n_pause = round(Fraction(pause_s) * rate_hz) - (first_index - self.base_index) - self.scans_per_frame
        if is_next and self.n_lost_before is not None:
            n_told = self.n_lost_before + self.base_index
            n_pause = n_told if n_pause - n_told <= LATE_S * rate_hz else n_pause
        start_s = before.time_s(before.next_index)
        stop_s = start_s + max(0, n_pause) / rate_hz
        self.origin_s = stop_s - self.base_index / rate_hz
        stop_index = before.next_index + round((stop_s - start_s) * before.hello.rate_hz)
        return Gap(
            before.hello.session_id, before.next_index, stop_index, float(start_s), float(stop_s), "restart", False
        )

    def gaps_before(self, index: int, flags: int) -> list[Gap]:
        """The gaps between the last scan and `index`; the frame there carries `flags`."""
        return [
            Gap(self.hello.session_id, start, stop, self.seconds(start), self.seconds(stop), cause, True)
            for start, stop, cause in classify_loss(
                self.next_index, index, self.n_frames_missing, flags, self.scans_per_frame
            )
        ]

    def gaps_at_end(self) -> list[Gap]:
        """What the last frames held that did not come: no samples follow them, but a later message says how many scans
        there were by then. Whole frames only: what the board had begun to fill was not lost on the way."""
        n_frames = min(self.n_frames_missing, (self.told_index - self.next_index) // self.scans_per_frame)
        return self.gaps_before(self.next_index + max(0, n_frames) * self.scans_per_frame, 0)


class BlockBuilder:
    """Collects consecutive SAMPLES frames of one session into one block."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._parts: list[tuple[SamplesBatch, int, int]] = []

    def add(self, batch: SamplesBatch, start: int, stop: int) -> None:
        """Rows start..stop of `batch`, which follow on what was added before without a gap."""
        if self._parts and self._parts[-1][0] is batch and self._parts[-1][2] == start:
            start = self._parts.pop()[1]
        self._parts.append((batch, start, stop))

    def finish(self) -> Block | None:
        """The block, or None when nothing was added. The builder is empty afterwards."""
        if not self._parts:
            return None
        session, n_channels, n_scans = self._session, self._session.n_channels, self._session.scans_per_frame
        counts = [batch.counts(n_channels)[start * n_scans : stop * n_scans] for batch, start, stop in self._parts]
        at_rail = [batch.at_rail(start, stop, n_channels) for batch, start, stop in self._parts]
        first, first_row, _ = self._parts[0]
        last, _, last_stop = self._parts[-1]
        all_counts = counts[0] if len(counts) == 1 else np.concatenate(counts)
        all_at_rail = at_rail[0] if len(at_rail) == 1 else np.concatenate(at_rail)
        all_counts.flags.writeable = False
        all_at_rail.flags.writeable = False
        first_index = int(first.indices[first_row])
        self._parts = []
        return Block(
            session_id=session.hello.session_id,
            seq=int(first.seqs[first_row]),
            n_frames=len(all_at_rail),
            first_sample_index=first_index,
            start_s=session.seconds(first_index),
            rate_hz=session.hello.rate_hz,
            counts=all_counts,
            at_rail=all_at_rail,
            scans_per_frame=n_scans,
            hello=session.hello,
            host_s=last.host_s(last_stop - 1),
        )
