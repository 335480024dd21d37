"""Puts frames in order: sessions, unbroken blocks, and gaps that come from counters and never from timestamps.

Everything is taken in stream order. A frame's session tag says to which session it belongs; samples and messages of a
session whose hello has not come yet are held back, up to a bound.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Literal

from ampwire.layout import (
    KIND_EDGE,
    KIND_FAULT,
    KIND_HEARTBEAT,
    KIND_HELLO,
    KIND_MARK,
    KIND_STATUS,
)
from ampwire.messages import unpack_edge, unpack_mark

from ampwitness.decode.bulk import SamplesBatch
from ampwitness.decode.hold_back import HoldBack
from ampwitness.decode.ledger import Ledger
from ampwitness.decode.session import BlockBuilder, Message, Session
from ampwitness.link.messages import (
    MessageError,
    is_streaming,
    parse_fault,
    parse_hello,
    parse_lost_scans,
    parse_status,
)
from ampwitness.types import Decoded, Edge, Fault, Frame, Gap, Hello, LeftOut, LinkHealth, Mark, Status

MAX_WAITING = 1000  # messages of a session that has sent no samples yet
LEFT_OVER = "left over from the session before"
REPEATED = "old or repeated frame"
NO_SAMPLES = "message before any samples"
WRONG_LENGTH = "samples of another length than the hello says"


class Continuity:
    """Frames of one stream in stream order in, decoded things out. `take` gives what has come out so far."""

    def __init__(self, ledger: Ledger, origins: Mapping[str, Fraction]) -> None:
        self._ledger = ledger
        self._origins = origins
        self.placed: dict[str, Fraction] = {}  # recording time of scan 0 by session
        self._out: list[Decoded] = []
        self._session: Session | None = None
        self._builder: BlockBuilder | None = None
        self._before: Session | None = None  # the last session that has samples and is over
        self._over: tuple[int, str] | None = None  # tag and id of the last session that is over
        self._hold = HoldBack(ledger)

    # ---- what the decoder calls ---------------------------------------------------------------------------------

    def take(self) -> list[Decoded]:
        """Everything decoded since the last call. The running block ends here."""
        self._flush()
        out, self._out = self._out, []
        return out

    def finish(self) -> list[Decoded]:
        """The stream has ended."""
        self._close()
        self._hold.drop(0)
        return self.take()

    def health(self, n_pending_bytes: int) -> LinkHealth:
        """All counts as they stand; `n_pending_bytes` wait for their delimiter."""
        session = self._session
        return self._ledger.health(
            n_pending_bytes + self._hold.n_bytes,
            session.n_scans_open if session else 0,
            session.status if session else None,
        )

    def push_samples(self, batch: SamplesBatch, start: int, stop: int) -> None:
        """Rows start..stop of a batch of SAMPLES frames."""
        while start < stop:
            tag = int(batch.tags[start])
            session = self._session
            if session is not None and tag == session.tag:
                start = self._push_own(session, batch, start, stop)
                continue
            until = batch.same_tag_until(start, stop)
            n_bytes = (until - start) * batch.encoded_bytes
            if tag == 0:
                self._ledger.count_bad("samples without a session", until - start, n_bytes)
            elif self._is_left_over(tag):
                self._ledger.count_skipped(LEFT_OVER, n_bytes)
            else:
                self._hold.add(batch.copy_rows(start, until), batch.encoded_bytes)
            start = until

    def push_frame(self, frame: Frame, encoded_bytes: int) -> None:
        """Any frame that is not SAMPLES."""
        if frame.kind >= KIND_HEARTBEAT:
            self._ledger.count_bad("words of a host", 1, encoded_bytes)
        elif frame.kind == KIND_HELLO:
            self._push_hello(frame, encoded_bytes)
        elif self._session is not None and frame.session_tag == self._session.tag:
            self._push_message(self._session, frame, encoded_bytes)
        elif frame.session_tag == 0:
            self._push_idle(frame, encoded_bytes)
        elif self._is_left_over(frame.session_tag):
            self._ledger.count_skipped(LEFT_OVER, encoded_bytes)
        else:
            self._hold.add(frame, encoded_bytes)

    def push_left_out(self, left_out: LeftOut) -> None:
        """Frames that were received whole and are not in the file: as if they had come, without their scans."""
        session = self._session
        if session is None or session.tag != left_out.session_tag:
            return  # its hello is missing: what follows counts as lost, which is the safe side
        lost = session.take_seq(left_out.first_seq)
        if lost is None:
            return
        self._ledger.n_frames_lost += lost
        start, stop = left_out.start_index, left_out.stop_index
        if session.origin_s is None:
            self._place(session, start, left_out.last_host_s - float((stop - start) / session.hello.rate_hz))
        if start > session.next_index:
            self._add_gaps(session.gaps_before(start, left_out.flags))
        self._flush()
        gap = Gap(session.hello.session_id, start, stop, session.seconds(start), session.seconds(stop), "reduced", True)
        self._out.append(gap)
        self._ledger.n_scans_left_out += stop - start
        self._ledger.n_frames_left_out += left_out.n_frames
        session.n_frames_missing = 0
        session.last_seq = left_out.last_seq
        session.next_index = stop
        session.last_samples_host_s = left_out.last_host_s

    # ---- samples of the running session -------------------------------------------------------------------------

    def _push_own(self, session: Session, batch: SamplesBatch, start: int, stop: int) -> int:
        """Take the next unbroken rows; returns the first row that is still to do."""
        if batch.payload_bytes != session.payload_bytes:
            self._ledger.n_frames_lost += session.take_seq(int(batch.seqs[start])) or 0
            self._ledger.count_bad(WRONG_LENGTH, 1, batch.encoded_bytes)
            return start + 1
        lost = session.take_seq(int(batch.seqs[start]))
        if lost is None:
            self._ledger.count_skipped(REPEATED, batch.encoded_bytes)
            return start + 1
        self._ledger.n_frames_lost += lost
        index = int(batch.indices[start])
        if session.origin_s is None:
            self._place(session, index, batch.host_s(start))
        if index < session.next_index:
            self._ledger.count_bad("sample index went back", 1, batch.encoded_bytes)
            return start + 1
        if index > session.next_index:
            self._add_gaps(session.gaps_before(index, int(batch.flags[start])))
        session.n_frames_missing = 0
        until = batch.unbroken_until(start, stop, session.scans_per_frame)
        n_frames, n_scans = until - start, (until - start) * session.scans_per_frame
        # Between rows that follow on one another by index only other kinds of frames can be missing.
        last_seq = int(batch.seqs[until - 1])
        self._ledger.n_frames_lost += last_seq - int(batch.seqs[start]) - (n_frames - 1)
        session.last_seq = last_seq
        session.next_index = index + n_scans
        session.last_samples_host_s = batch.host_s(until - 1)
        self._ledger.n_scans_received += n_scans
        self._ledger.count_good(n_frames, n_frames * batch.encoded_bytes)
        assert self._builder is not None
        self._builder.add(batch, start, until)
        return until

    def _place(self, session: Session, first_index: int, host_s: float) -> None:
        """Give a session its place in recording time, and its waiting messages with it."""
        session.begin_at(first_index)
        known = self._origins.get(session.hello.session_id)
        if self._before is None and known is not None:
            session.origin_s, session.base_index, session.next_index = known, first_index, first_index
        elif self._before is None:
            session.place_first()
        else:
            is_next = self._over == (self._before.tag, self._before.hello.session_id)
            self._out.append(session.place_after(self._before, first_index, host_s, is_next))
        assert session.origin_s is not None
        self.placed[session.hello.session_id] = session.origin_s
        self._emit_waiting(session)

    def _add_gaps(self, gaps: list[Gap]) -> None:
        self._flush()
        for gap in gaps:
            self._ledger.scans_lost[gap.cause] += gap.stop_index - gap.start_index
        self._out.extend(gaps)

    def _flush(self) -> None:
        block = self._builder.finish() if self._builder is not None else None
        if block is not None:
            self._out.append(block)

    # ---- sessions -----------------------------------------------------------------------------------------------

    def _push_hello(self, frame: Frame, encoded_bytes: int) -> None:
        session = self._session
        is_own = session is not None and frame.session_tag == session.tag
        if session is not None and is_own and frame.payload == session.last_hello_payload:
            self._push_own_hello(session, frame, None, encoded_bytes)
            return
        try:
            hello = parse_hello(frame)
        except MessageError as error:
            if session is not None and is_own:
                self._ledger.n_frames_lost += session.take_seq(frame.seq) or 0
            self._ledger.count_bad(error.reason, 1, encoded_bytes)
            return
        if session is not None and is_own and hello.session_id == session.hello.session_id:
            self._push_own_hello(session, frame, hello, encoded_bytes)
        elif not is_streaming(hello):
            self._ledger.count_good(1, encoded_bytes)
        elif self._over == (hello.session_tag, hello.session_id):
            self._ledger.count_skipped(LEFT_OVER, encoded_bytes)
        else:
            self._open(frame, hello)
            self._ledger.count_good(1, encoded_bytes)

    def _is_left_over(self, tag: int) -> bool:
        return self._over is not None and tag == self._over[0]

    def _is_new(self, session: Session, frame: Frame, encoded_bytes: int) -> bool:
        """Count a message in by its number; False of one that came before."""
        lost = session.take_seq(frame.seq)
        if lost is None:
            self._ledger.count_skipped(REPEATED, encoded_bytes)
            return False
        self._ledger.n_frames_lost += lost
        session.told_index = max(session.told_index, frame.sample_index)
        return True

    def _push_own_hello(self, session: Session, frame: Frame, hello: Hello | None, encoded_bytes: int) -> None:
        """A hello of the running session; None when it says word for word what the last one said."""
        if not self._is_new(session, frame, encoded_bytes):
            return
        is_same = hello is None or session.is_same(hello)
        if hello is not None and not is_same and is_streaming(hello):
            self._ledger.count_bad("hello: changed within its session", 1, encoded_bytes)
            return
        self._ledger.count_good(1, encoded_bytes)
        if hello is not None and is_same:
            session.last_hello_payload, session.last_hello_levels = frame.payload, [x.level for x in hello.digital]
        if is_same and session.last_hello_levels != session.levels:
            # An edge was lost; whoever follows the lines learns here how they stand.
            session.levels = list(session.last_hello_levels)
            lines = zip(session.hello.digital, session.levels, strict=True)
            digital = tuple(replace(line, level=level) for line, level in lines)
            latest = replace(session.hello, digital=digital, sample_index=frame.sample_index, host_s=frame.host_s)
            self._out.append(latest)

    def _open(self, frame: Frame, hello: Hello) -> None:
        self._close()
        session = self._session = Session(hello, frame.payload)
        self._builder = BlockBuilder(session)
        self._ledger.n_sessions += 1
        self._out.append(hello)
        for item, encoded_bytes in self._hold.release(session.tag):
            if isinstance(item, SamplesBatch):
                self.push_samples(item, 0, len(item))
            else:
                self.push_frame(item, encoded_bytes)
        self._ledger.n_frames_lost += session.take_seq(frame.seq) or 0

    def _close(self) -> None:
        """The running session, if there is one, has ended."""
        session = self._session
        if session is None:
            return
        self._flush()
        if session.origin_s is None:
            # Without samples there is nothing to place but its messages: at the end of what came before.
            start_s = self._before.time_s(self._before.next_index) if self._before else 0
            session.origin_s = start_s - session.hello.sample_index / session.hello.rate_hz
            session.base_index = session.next_index = session.hello.sample_index
            self._emit_waiting(session)
        else:
            gaps = session.gaps_at_end()
            if gaps:
                self._add_gaps(gaps)
                session.next_index = gaps[-1].stop_index
            self._before = session
        self._ledger.n_scans_expected += session.n_scans_open
        if session.status is not None:
            self._ledger.count_status(session.status)
        self._over = (session.tag, session.hello.session_id)
        self._session, self._builder = None, None

    # ---- messages beside the samples ----------------------------------------------------------------------------

    def _push_idle(self, frame: Frame, encoded_bytes: int) -> None:
        """A message of a board that has not started yet. Only a fault is worth passing on."""
        if frame.kind == KIND_FAULT:
            try:
                code, text = parse_fault(frame.payload)
            except MessageError as error:
                self._ledger.count_bad(error.reason, 1, encoded_bytes)
                return
            over = self._before
            self._out.append(Fault(code, text, float(over.time_s(over.next_index)) if over else 0.0, ""))
        self._ledger.count_good(1, encoded_bytes)

    def _push_message(self, session: Session, frame: Frame, encoded_bytes: int) -> None:
        if not self._is_new(session, frame, encoded_bytes):
            return
        try:
            time_s = 0.0 if session.origin_s is None else session.seconds(frame.sample_index)
            message = read_message(session, frame, time_s)
        except MessageError as error:
            self._ledger.count_bad(error.reason, 1, encoded_bytes)
            return
        if len(session.waiting) >= MAX_WAITING:
            self._ledger.count_skipped(NO_SAMPLES, encoded_bytes)
            return
        self._ledger.count_good(1, encoded_bytes)
        if message is not None and session.origin_s is not None:
            self._out.append(message)
        elif message is not None:
            session.waiting.append((frame.sample_index, message))

    def _emit_waiting(self, session: Session) -> None:
        """Messages get their time from their sample index, once the session has its place."""
        for index, message in session.waiting:
            self._out.append(replace(message, time_s=session.seconds(index)))
        session.waiting.clear()


def read_message(session: Session, frame: Frame, time_s: float) -> Message | None:
    """Edge, mark, status or fault in `frame`, at `time_s`; None for kinds that carry nothing for the analysis.

    Remembers levels, status and what the board says is missing in `session`. Raises MessageError.
    """
    session_id = session.hello.session_id
    try:
        if frame.kind == KIND_EDGE:
            line, level = unpack_edge(frame.payload)
            if line >= len(session.levels):
                raise MessageError("edge: no such line")
            session.levels[line] = level
            return Edge(session.hello.digital[line].role, level, time_s, session_id, frame.sample_index)
        if frame.kind == KIND_MARK:
            source: Literal["button", "host"] = "button" if unpack_mark(frame.payload) == "button" else "host"
            return Mark(source, time_s, session_id, frame.sample_index)
    except MessageError:
        raise
    except ValueError as error:
        raise MessageError(str(error)) from None
    if frame.kind == KIND_STATUS:
        session.status = parse_status(frame.payload)
        return Status(session_id, time_s, session.status, frame.host_s)
    if frame.kind == KIND_FAULT:
        code, text = parse_fault(frame.payload)
        n_lost_before = parse_lost_scans(frame.payload)
        session.n_lost_before = session.n_lost_before if n_lost_before is None else n_lost_before
        return Fault(code, text, time_s, session_id)
    return None
