"""What the live stream says while it is being recorded: for stopping, for the progress line, for nothing else.

The recording does not pass through here, and the report decodes it afresh.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from ampwire.layout import KIND_FAULT, KIND_HELLO, KIND_MARK, KIND_REPLY, KIND_SAMPLES, KIND_STATUS, SEQ_BYTES

from ampwitness.link.messages import MessageError, Reply, parse_fault, parse_hello, parse_object, parse_reply
from ampwitness.types import BadFrame, Frame, Hello, Skipped

_LEVEL_FRAMES = 64  # the newest third of a second in the slowest common case
_SEQ_SPAN = 1 << (7 * SEQ_BYTES)


@dataclass(frozen=True, slots=True)
class LiveLevels:
    """Nominal volts over the newest frames, None where not recorded: mean of the output, its furthest from there, and
    the lowest supply."""

    output_mean_v: float | None
    output_peak_v: float | None
    supply_lowest_v: float | None


class StreamMonitor:
    """Keeps count of a live stream, session after session.

    Attributes: n_frames, n_samples_frames, n_frames_lost (by the sequence counter), n_scans, n_scans_lost (by the
    sample index), n_bad_frames, n_sessions, n_marks, hello, faults (texts), stimulus_ended (a virtual board has come
    to its end).
    """

    def __init__(self) -> None:
        self.hello: Hello | None = None
        self.status: Mapping[str, Any] = {}
        self.faults: list[str] = []
        self.replies: dict[str, Reply] = {}  # the last one for each command
        self.stimulus_ended = False
        self.n_frames = self.n_samples_frames = self.n_frames_lost = self.n_scans = self.n_scans_lost = 0
        self.n_bad_frames = self.n_sessions = self.n_marks = 0
        self._seconds_before = 0.0  # of the sessions before this one
        self._tag = 0
        self._next_seq: int | None = None
        self._first_index = self._next_index = -1
        self._newest: deque[bytes] = deque(maxlen=_LEVEL_FRAMES)

    @property
    def recorded_s(self) -> float:
        """Seconds by the board's own scan counter, lost scans included, all sessions together."""
        return self._seconds_before + self._session_s()

    def push(self, items: Iterable[Frame | BadFrame | Skipped]) -> None:
        """Take what the deframer gave."""
        for item in items:
            if isinstance(item, Frame):
                self._take(item)
            elif isinstance(item, BadFrame):
                self.n_bad_frames += 1

    def levels(self) -> LiveLevels | None:
        """Levels over the newest frames; None before the first samples. Nominal values, filters not undone."""
        hello = self.hello
        if hello is None or not self._newest:
            return None
        n_channels = len(hello.channels)
        counts = np.concatenate([np.frombuffer(raw, "<u2", offset=2 * n_channels) for raw in self._newest])
        codes = counts.reshape(-1, n_channels) / hello.counts_per_code
        volts = {
            channel.role: codes[:, k] * channel.gain_v_per_code + channel.offset_v
            for k, channel in enumerate(hello.channels)
        }
        output = volts.get("out_p")
        if output is not None and "out_n" in volts:
            output = output - volts["out_n"]
        supply = volts.get("supply")
        mean_v = None if output is None else float(np.mean(output))
        return LiveLevels(
            output_mean_v=mean_v,
            output_peak_v=None if output is None or mean_v is None else float(np.max(np.abs(output - mean_v))),
            supply_lowest_v=None if supply is None else float(np.min(supply)),
        )

    def _session_s(self) -> float:
        if self.hello is None or self._next_index < 0:
            return 0.0
        return float((self._next_index - self._first_index) / self.hello.rate_hz)

    def _take(self, frame: Frame) -> None:
        self.n_frames += 1
        if frame.session_tag != self._tag:
            self._begin(frame.session_tag)
        if self._next_seq is not None:
            n_missing = (frame.seq - self._next_seq) % _SEQ_SPAN
            self.n_frames_lost += n_missing if n_missing < _SEQ_SPAN // 2 else 0  # else: an old frame, or a reset
        self._next_seq = (frame.seq + 1) % _SEQ_SPAN
        if frame.kind == KIND_SAMPLES:
            self._take_samples(frame)
            return
        try:
            self._take_message(frame)
        except MessageError:
            self.n_bad_frames += 1

    def _take_message(self, frame: Frame) -> None:
        if frame.kind == KIND_HELLO:
            self.hello = parse_hello(frame)
        elif frame.kind == KIND_STATUS:
            self.status = parse_object(frame.payload, "status")
            self.stimulus_ended = self.stimulus_ended or self.status.get("stimulus_ended") is True
        elif frame.kind == KIND_FAULT:
            self.faults.append(parse_fault(frame.payload)[1])
        elif frame.kind == KIND_REPLY:
            reply = parse_reply(frame.payload)
            self.replies[reply.command] = reply
        elif frame.kind == KIND_MARK:
            self.n_marks += 1

    def _begin(self, tag: int) -> None:
        self._seconds_before += self._session_s()
        self._tag = tag
        self._next_seq = None
        self._first_index = self._next_index = -1
        self._newest.clear()

    def _take_samples(self, frame: Frame) -> None:
        if self.hello is None or self.hello.session_tag != frame.session_tag:
            return  # nothing is known about it yet; the recording keeps it all the same
        if len(frame.payload) != 2 * len(self.hello.channels) * (1 + self.hello.scans_per_frame):
            return
        if self._first_index < 0:
            self._first_index = frame.sample_index
            self.n_sessions += 1
        else:
            self.n_scans_lost += max(0, frame.sample_index - self._next_index)
        self._next_index = frame.sample_index + self.hello.scans_per_frame
        self.n_scans += self.hello.scans_per_frame
        self.n_samples_frames += 1
        self._newest.append(frame.payload)
