"""A stream as a table of its frames, with the bytes of each: for copying a recording frame by frame, not for volts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
import numpy.typing as npt
from ampwire.layout import KIND_HELLO, KIND_SAMPLES, KIND_STATUS

from ampwitness.decode.bulk import Arrival, Ints, batch_of_frame, decode_segments
from ampwitness.link.deframe import take_apart
from ampwitness.types import BadFrame, Chunk, Frame

GATHER_BYTES = 1 << 20


@dataclass(slots=True)
class FrameTable:
    """What stands between delimiters in a stretch of a stream, in order; one row each, arrays (n,).

    Rows that are no intact frame of samples have seq -1 and index -1. `tail` are bytes behind the last delimiter of the
    whole stream; empty but in the last table.
    """

    raw: bytes
    offset: int  # of raw[0] in the stream
    starts: Ints
    stops: Ints  # behind the delimiter
    is_samples: npt.NDArray[np.bool_]
    tags: Ints
    seqs: Ints
    indices: Ints
    flags: Ints
    arrival: Arrival
    messages: dict[int, Frame]
    tail: bytes

    def __len__(self) -> int:
        return len(self.starts)

    @property
    def n_bytes(self) -> int:
        """Bytes that the table covers."""
        return len(self.raw) + len(self.tail)

    @property
    def first_host_s(self) -> float:
        """When the first bytes came."""
        return self.arrival.host_s[0]

    @property
    def last_host_s(self) -> float:
        """When the last bytes came."""
        return self.arrival.host_s[-1]

    def host_s(self, row: int) -> float:
        """When a row's delimiter came."""
        return self.arrival.at(self.offset + int(self.stops[row]) - 1)

    def message(self, row: int) -> Frame | None:
        """The intact frame of another kind than samples in a row, or None."""
        return self.messages.get(row)

    def is_repeating(self, row: int) -> bool:
        """Whether a row is a message of a kind that comes every second."""
        frame = self.messages.get(row)
        return frame is not None and frame.kind in (KIND_HELLO, KIND_STATUS)

    def chunks(self, a: int, b: int) -> Iterator[Chunk]:
        """The bytes of rows a ... b, cut where they were received at different times."""
        first, last = int(self.starts[a]), int(self.stops[b - 1])
        at = first
        for stop, host_s in zip(self.arrival.stops, self.arrival.host_s, strict=True):
            until = min(last, stop - self.offset)
            if until > at:
                yield Chunk(self.raw[at:until], host_s)
                at = until
            if at >= last:
                return


def iter_frame_tables(chunks: Iterable[Chunk]) -> Iterator[FrameTable]:
    """Tables of about a megabyte each over a whole stream; every byte is in one of them.

    Raises UnknownProtocolError for an intact frame of another wire version.
    """
    gathered: list[Chunk] = []
    n_bytes = offset = 0
    tail = b""
    last_host_s = 0.0
    for chunk in chunks:
        if not chunk.raw:
            continue
        gathered.append(chunk)
        n_bytes += len(chunk.raw)
        last_host_s = chunk.host_s
        if n_bytes < GATHER_BYTES:
            continue
        table, tail = _make_table(gathered, tail, offset)
        gathered, n_bytes = [], 0
        if table is not None:
            offset += len(table.raw)
            yield table
    table, tail = _make_table(gathered, tail, offset) if gathered else (None, tail)
    if table is None:
        arrival = Arrival((offset + len(tail),), (last_host_s,))
        none = np.zeros(0, dtype=np.int64)
        table = FrameTable(b"", offset, none, none, none.astype(bool), none, none, none, none, arrival, {}, b"")
    table.tail = tail
    yield table


def _make_table(chunks: Sequence[Chunk], tail: bytes, offset: int) -> tuple[FrameTable | None, bytes]:
    joined = b"".join((tail, *(chunk.raw for chunk in chunks)))
    end = joined.rfind(b"\0") + 1
    if end == 0:
        return None, joined
    raw, rest = joined[:end], joined[end:]
    # The tail from before counts with the first chunk: it is a part of a frame at most.
    stops = tuple(accumulate((len(chunk.raw) for chunk in chunks), initial=offset + len(tail)))[1:]
    arrival = Arrival(stops, tuple(chunk.host_s for chunk in chunks))
    segments = decode_segments(raw, offset, 0, arrival)
    n = len(segments.starts)
    tags, seqs, indices, flags = (np.full(n, -1, dtype=np.int64) for _ in range(4))
    for number, batch in enumerate(segments.batches):
        rows = np.flatnonzero(segments.batch_of == number)
        at = segments.row_of[rows]
        tags[rows], seqs[rows], indices[rows], flags[rows] = (
            batch.tags[at], batch.seqs[at], batch.indices[at], batch.flags[at],
        )  # fmt: skip
    messages: dict[int, Frame] = {}
    for row in np.flatnonzero((segments.batch_of < 0) & (segments.lengths > 0)).tolist():
        start, length = int(segments.starts[row]), int(segments.lengths[row])
        item = take_apart(raw[start : start + length], 0, 0.0, offset + start)
        if isinstance(item, BadFrame):
            continue
        if item.kind == KIND_SAMPLES:
            batch = batch_of_frame(item, length)
            tags[row], seqs[row], indices[row], flags[row] = (
                int(batch.tags[0]), int(batch.seqs[0]), int(batch.indices[0]), int(batch.flags[0]),
            )  # fmt: skip
        else:
            messages[row] = item
    stops_at = segments.starts + segments.lengths + 1
    table = FrameTable(
        raw, offset, segments.starts, stops_at, seqs >= 0, tags, seqs, indices, flags, arrival, messages, b""
    )
    return table, rest
