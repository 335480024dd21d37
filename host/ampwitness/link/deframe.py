"""From bytes to frames, without any input or output: the same for a live port, a recording and the virtual board.

`Deframer` takes bytes in whatever pieces they come and gives every one of them back as part of a Frame, a BadFrame or
a Skipped, delimiters aside. How the bytes were cut into chunks never changes what comes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from ampwire.cobs import encoded_bytes_max
from ampwire.framing import FrameError, VersionError, unpack_frame
from ampwire.layout import KIND_HELLO, MAX_FRAME_BYTES, PROTOCOL_VERSION

from ampwitness.errors import UnknownProtocolError
from ampwitness.types import BadFrame, Chunk, Frame, Skipped

MAX_ENCODED_BYTES = encoded_bytes_max(MAX_FRAME_BYTES)
BEFORE_FIRST = "before the first delimiter"
UNFINISHED = "unfinished at the end"


class Whole(NamedTuple):
    """Complete segments, each with its delimiter behind it."""

    raw: bytes
    stream_offset: int  # of the first byte
    n_cut: int  # bytes that were taken out of the first segment because it is longer than any frame


class Splitter:
    """Hands on what is complete up to the last delimiter and keeps the rest, at most a frame's length of it."""

    def __init__(self) -> None:
        self._tail = b""
        self._n_cut = 0
        self._offset = 0

    @property
    def n_pending(self) -> int:
        """Bytes that wait for their delimiter, those that were cut included."""
        return len(self._tail) + self._n_cut

    def push(self, raw: bytes) -> Whole | None:
        """Add bytes. Returns the segments that are now complete, or None when no delimiter is among the bytes."""
        return self.push_many((raw,))

    def push_many(self, pieces: Sequence[bytes]) -> Whole | None:
        """As `push`, for pieces that follow one another; each byte is copied once only."""
        number = len(pieces) - 1
        while number >= 0 and (last := pieces[number].rfind(b"\x00")) < 0:
            number -= 1
        if number < 0:
            for piece in pieces:
                self._keep(piece)
            return None
        joined = b"".join((self._tail, *pieces[:number], memoryview(pieces[number])[: last + 1]))
        whole = Whole(joined, self._offset, self._n_cut)
        self._offset += len(whole.raw) + whole.n_cut
        self._tail, self._n_cut = b"", 0
        self._keep(pieces[number][last + 1 :])
        for piece in pieces[number + 1 :]:
            self._keep(piece)
        return whole

    def finish(self) -> Skipped | None:
        """What is left without a delimiter behind it, or None. The splitter is empty afterwards."""
        n_bytes = self.n_pending
        offset = self._offset
        self._offset += n_bytes
        self._tail, self._n_cut = b"", 0
        return Skipped(n_bytes, UNFINISHED, offset) if n_bytes else None

    def _keep(self, raw: bytes) -> None:
        # One byte more than the longest frame is kept, so that what was cut is still seen to be too long.
        tail = self._tail + raw[: MAX_ENCODED_BYTES + 1 - len(self._tail)]
        self._n_cut += len(self._tail) + len(raw) - len(tail)
        self._tail = tail


def find_hello(raw: bytes, is_behind_delimiter: bool) -> int | None:
    """Where in `raw` a hello begins right behind a delimiter; None when none is seen. A look, not a check.

    `is_behind_delimiter`: the byte before `raw` was a delimiter.
    """
    at = -1 if is_behind_delimiter else raw.find(b"\x00")
    if at < 0 and not is_behind_delimiter:
        return None
    while at < len(raw) - 3:
        # A header holds no zero, so its first two bytes stand as they are behind the frame's code byte.
        if raw[at + 2] == KIND_HELLO and raw[at + 3] == PROTOCOL_VERSION | 0x80:
            return at + 1
        at = raw.find(b"\x00", at + 1)
        if at < 0:
            return None
    return None


def take_apart(encoded: bytes, n_cut: int, host_s: float, stream_offset: int) -> Frame | BadFrame:
    """Turn what stands between two delimiters into a frame.

    Parameters: `encoded` the bytes without their delimiter, not empty; `n_cut` bytes missing from it (see Whole);
    `host_s` receive time of the delimiter, seconds of the Unix epoch; `stream_offset` of the first byte.
    Returns: a Frame, or a BadFrame with the reason. Raises: UnknownProtocolError for an intact frame of another wire
    version.
    """
    try:
        wire = unpack_frame(encoded)
    except VersionError as error:
        raise UnknownProtocolError(
            f"the board speaks wire version {error.version}, this program knows version {PROTOCOL_VERSION} only "
            f"(frame at byte {stream_offset}): update ampwitness, or install this version's firmware on the board"
        ) from None
    except FrameError as error:
        return BadFrame(error.reason, len(encoded) + n_cut, host_s, stream_offset)
    return Frame(wire.kind, wire.tag, wire.seq, wire.index, wire.flags, wire.payload, host_s, stream_offset)


class Deframer:
    """Sans-I/O deframer: bytes in any pieces in; frames, bad frames and skipped bytes out."""

    def __init__(self) -> None:
        self._splitter = Splitter()
        self._is_first = True

    def push(self, chunk: Chunk) -> list[Frame | BadFrame | Skipped]:
        """Add the bytes of `chunk`; returns what is now complete, in stream order.

        Bytes before the first delimiter that are no valid frame come out as Skipped: a stream is usually joined in the
        middle of a frame. Raises UnknownProtocolError when an intact frame has another wire version.
        """
        whole = self._splitter.push(chunk.raw)
        if whole is None:
            return []
        out: list[Frame | BadFrame | Skipped] = []
        at, n_cut = whole.stream_offset, whole.n_cut
        for encoded in whole.raw[:-1].split(b"\x00"):
            if encoded:
                item: Frame | BadFrame | Skipped = take_apart(encoded, n_cut, chunk.host_s, at)
                if self._is_first and isinstance(item, BadFrame):
                    item = Skipped(item.n_bytes, BEFORE_FIRST, item.stream_offset)
                out.append(item)
            at += len(encoded) + n_cut + 1
            n_cut = 0
            self._is_first = False
        return out

    def finish(self) -> list[Frame | BadFrame | Skipped]:
        """The stream has ended: returns the unfinished tail, if there is one."""
        tail = self._splitter.finish()
        return [tail] if tail else []
