"""A board that is streaming now, as small windows of volts; every received byte goes into a recording first.

The same decoder and assembler serve a recording; only the length of the windows differs. Nothing here looks at what
the volts mean.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping
from types import TracebackType

from ampwitness.decode import Decoder
from ampwitness.decode.recorded_time import RecordedTime
from ampwitness.link.monitor import StreamMonitor
from ampwitness.link.session import BoardSession
from ampwitness.recording import RecordingWriter
from ampwitness.types import Block, Calibration, Chunk, Hello, LinkHealth, Status, TraceWindow
from ampwitness.waveform.adc_correction import NOMINAL_ADC, make_correction
from ampwitness.waveform.assemble import Assembler
from ampwitness.waveform.response import design_inverse, response_of

LIVE_WINDOW_S = 0.04  # 25 windows a second; with the board's 5 ms frames and the 4 ms filter well under 150 ms of delay
WAIT_S = 0.05  # a caller with a screen to refresh hears from us at least this often


class LiveFeed:
    """Windows of volts from a board, as they come. A context manager: leaving it ends the recording and the stream.

    Parameters
    ----------
    session : an open conversation with a board, not yet streaming
    writer : where the bytes are kept, before they are looked at; None: nothing is kept
    window_s : length of a window, seconds of recording time
    calibrations : measured calibrations; the hello's nominal values stand in for the rest

    Gaps
    ----
    As for `Assembler`: a window holds its gaps as objects, nothing is filled. A slow caller loses nothing: what it has
    not taken yet waits in memory.

    Limits
    ------
    Edges and marks come with the window in which they arrive, not always the one of their time: their own time holds.
    """

    def __init__(
        self,
        session: BoardSession,
        writer: RecordingWriter | None = None,
        *,
        window_s: float = LIVE_WINDOW_S,
        calibrations: Mapping[str, Calibration] | Iterable[Calibration] | None = None,
    ) -> None:
        self.session = session
        self.writer = writer
        self.status: Status | None = None  # the board's last one
        self.received_host_s = 0.0  # when the bytes came that gave the last window
        self._decoder = Decoder()
        self._assembler = Assembler(window_s, calibrations=calibrations, settle_s=0.0)
        self._hello = session.hello
        self._time = RecordedTime()

    @property
    def hello(self) -> Hello:
        """How the board describes itself now."""
        return self._hello

    @property
    def monitor(self) -> StreamMonitor:
        """Counts of the stream: seconds recorded, losses, marks, faults."""
        return self.session.monitor

    @property
    def recorded_s(self) -> float:
        """Seconds from each session's first scan to its last, as `verify` says of the file."""
        return self._time.recorded_s

    def health(self) -> LinkHealth:
        """Every byte, frame and scan so far accounted for."""
        return self._decoder.health()

    def __enter__(self) -> LiveFeed:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.session.close()
        if self.writer is not None and self.writer.is_open:
            self.writer.close("stopped" if kind is None else kind.__name__)

    def windows(self, wait_s: float = WAIT_S) -> Iterator[TraceWindow | None]:
        """Start the board and give each window as soon as it is complete.

        Yields None where `wait_s` passed without a complete window, so that a screen can be kept alive and keys be
        read. Ends after `request_stop` (or when a virtual board has played all it had) with the last windows.

        Raises
        ------
        LinkLostError, BoardFaultError, UnknownProtocolError : as for `BoardSession.chunks`; what came before is given
            and kept.
        DiskFullError, OutputError : the recording cannot be written; what it holds stays readable.
        """
        self._make_tables()
        self.session.start()
        told_s = time.monotonic()
        for chunk in self.session.chunks(wait_s):
            if chunk.raw and self.writer is not None:
                self.writer.append(chunk)
            for window in self._decode(chunk):
                yield window
                told_s = time.monotonic()
            if time.monotonic() - told_s >= wait_s:
                yield None
                told_s = time.monotonic()
        for item in self._decoder.finish():
            if isinstance(item, Block):
                self._time.push(item)
            yield from self._assembler.push(item)
        yield from self._assembler.finish()

    def _make_tables(self) -> None:
        """Tables and filters that the first block asks for: kept by their makers, and made while nobody waits yet."""
        make_correction(NOMINAL_ADC, self.hello.averaging, float(self.hello.counts_per_code))
        for role in self.hello.roles:
            design_inverse(response_of(self.hello, role))

    def _decode(self, chunk: Chunk) -> Iterator[TraceWindow]:
        if not chunk.raw:
            return
        self.received_host_s = chunk.host_s
        for item in self._decoder.push(chunk):
            if isinstance(item, Block):
                self._time.push(item)
            elif isinstance(item, Hello):
                self._hello = item
            elif isinstance(item, Status):
                self.status = item
            yield from self._assembler.push(item)

    def mark(self, label: str) -> None:
        """Let the board set a mark at its present scan, and keep when it was asked for and why."""
        self.session.mark()
        if self.writer is not None:
            self.writer.mark(time.time(), label)

    def note(self, label: str) -> None:
        """Keep a label by the host's clock, without a mark of the board: what the engine does."""
        if self.writer is not None:
            self.writer.mark(time.time(), label)

    def request_stop(self) -> None:
        """End the stream; `windows` then gives what is still on its way and ends."""
        self.session.request_stop()


def read_blocks(session: BoardSession, seconds: float) -> list[Block]:
    """Let a board stream for a while and give its blocks, as counts: for calibrating.

    Parameters
    ----------
    session : an open conversation, not yet streaming; it has ended afterwards
    seconds : how long, by the board's own scan counter

    Raises
    ------
    LinkLostError, BoardFaultError, UnknownProtocolError : as for `BoardSession.chunks`.

    Gaps
    ----
    Blocks are unbroken runs; what was lost between them is not in them.
    """
    decoder = Decoder()
    blocks: list[Block] = []
    session.start()
    for chunk in session.chunks():
        decoded = decoder.push(chunk) if chunk.raw else []
        blocks += [item for item in decoded if isinstance(item, Block)]
        if session.monitor.recorded_s >= seconds:
            session.request_stop()
    return blocks
