"""Bytes in, decoded things out: the one way from a byte stream to blocks and gaps, for live ports and recordings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import accumulate

import numpy as np
from ampwire.layout import KIND_SAMPLES

from ampwitness.decode.bulk import Arrival, Segments, batch_of_frame, decode_segments
from ampwitness.decode.continuity import Continuity
from ampwitness.decode.ledger import Ledger
from ampwitness.errors import RecordingUnreadableError
from ampwitness.link.deframe import BEFORE_FIRST, Splitter, Whole, take_apart
from ampwitness.types import BadFrame, Chunk, Decoded, LinkHealth

GATHER_BYTES = 1 << 20  # long enough that the cost of a numpy call does not show, short enough for the cache


class Decoder:
    """Decodes one byte stream, in pieces of any size. Memory is bounded by the size of a piece.

    Blocks are unbroken runs within a push. Messages (Hello, Status, Edge, Mark, Fault) come out before the block that
    covers their time where both lie in one push; in a live stream an edge or mark can come a frame or two after it.

    `origins`, as an earlier pass over the whole stream has found them, puts a stream that is joined in the middle where
    it belongs in recording time; its first session then counts from its first samples on.
    """

    def __init__(self, origins: Mapping[str, Fraction] | None = None) -> None:
        self._splitter = Splitter()
        self._ledger = Ledger()
        self._continuity = Continuity(self._ledger, origins or {})
        self._is_first = True

    def push(self, chunk: Chunk) -> list[Decoded]:
        """Decode what `chunk` completes. Raises UnknownProtocolError for an intact frame of another wire version."""
        return self.push_many((chunk,))

    def push_many(self, chunks: Sequence[Chunk]) -> list[Decoded]:
        """Decode several chunks at once: the same as pushing each, but faster and in longer blocks.

        Raises UnknownProtocolError for an intact frame of another wire version.
        """
        if any(chunk.left_out is not None for chunk in chunks):
            return self._push_around_left_out(chunks)
        start = self._ledger.pushed_bytes
        stops = tuple(accumulate((len(chunk.raw) for chunk in chunks), initial=start))[1:]
        self._ledger.pushed_bytes = stops[-1] if stops else start
        whole = self._splitter.push_many([chunk.raw for chunk in chunks])
        if whole is not None:
            self._decode(whole, Arrival(stops, tuple(chunk.host_s for chunk in chunks)))
        return self._continuity.take()

    def _push_around_left_out(self, chunks: Sequence[Chunk]) -> list[Decoded]:
        """Chunks of a reduced recording: the places where frames were left out stand between whole frames."""
        out: list[Decoded] = []
        together: list[Chunk] = []
        for chunk in chunks:
            if chunk.left_out is not None:
                out += self.push_many(together)
                together = []
                self._continuity.push_left_out(chunk.left_out)
                out += self._continuity.take()
            if chunk.raw:
                together.append(Chunk(chunk.raw, chunk.host_s))
        return out + self.push_many(together)

    def finish(self) -> list[Decoded]:
        """The stream has ended: returns what was still held. The sums of `health` then cover every byte."""
        tail = self._splitter.finish()
        if tail is not None:
            self._ledger.count_skipped(tail.why, tail.n_bytes)
        return self._continuity.finish()

    @property
    def origins(self) -> Mapping[str, Fraction]:
        """Recording time of scan 0 of each session so far that has samples, exactly."""
        return self._continuity.placed

    def health(self) -> LinkHealth:
        """Every byte, frame and scan decided on so far."""
        return self._continuity.health(self._splitter.n_pending)

    def _decode(self, whole: Whole, arrival: Arrival) -> None:
        segments = decode_segments(whole.raw, whole.stream_offset, whole.n_cut, arrival)
        self._ledger.n_delimiters += len(segments.starts)
        # Runs of segments that lie in one batch go on together; the others one by one.
        borders = np.flatnonzero(np.diff(segments.batch_of)) + 1
        starts = [0, *borders.tolist()]
        for start, stop in zip(starts, [*starts[1:], len(segments.starts)], strict=True):
            number = int(segments.batch_of[start])
            if number < 0:
                self._decode_singly(whole, segments, start, stop, arrival)
            else:
                rows = segments.row_of
                self._continuity.push_samples(segments.batches[number], int(rows[start]), int(rows[stop - 1]) + 1)
        self._is_first = False

    def _decode_singly(self, whole: Whole, segments: Segments, start: int, stop: int, arrival: Arrival) -> None:
        starts, lengths = segments.starts[start:stop].tolist(), segments.lengths[start:stop].tolist()
        for k, at, length in zip(range(start, stop), starts, lengths, strict=True):
            if not length:
                continue
            n_cut = whole.n_cut if k == 0 else 0
            offset = whole.stream_offset + at + (whole.n_cut if k else 0)
            item = take_apart(whole.raw[at : at + length], n_cut, arrival.at(offset + length + n_cut), offset)
            if isinstance(item, BadFrame):
                if self._is_first and k == 0:
                    self._ledger.count_skipped(BEFORE_FIRST, item.n_bytes)
                else:
                    self._ledger.count_bad(item.reason, 1, item.n_bytes)
            elif item.kind == KIND_SAMPLES:
                self._continuity.push_samples(batch_of_frame(item, length), 0, 1)
            else:
                self._continuity.push_frame(item, length)


def _gather(chunks: Iterable[Chunk]) -> Iterator[list[Chunk]]:
    """Chunks in groups of about a megabyte, which is what is quickly decoded together."""
    gathered: list[Chunk] = []
    n_bytes = 0
    for chunk in chunks:
        gathered.append(chunk)
        n_bytes += len(chunk.raw)
        if n_bytes >= GATHER_BYTES:
            yield gathered
            gathered, n_bytes = [], 0
    if gathered:
        yield gathered


def iter_decoded(chunks: Iterable[Chunk], decoder: Decoder | None = None) -> Iterator[Decoded]:
    """Decode a whole recording lazily, about a megabyte at a time whatever the chunks' size.

    Pass a `decoder` of your own to ask it for its health afterwards. Raises UnknownProtocolError for another wire
    version, and at the end RecordingUnreadableError when nothing in the stream could be decoded.
    """
    decoder = decoder or Decoder()
    for gathered in _gather(chunks):
        yield from decoder.push_many(gathered)
    yield from decoder.finish()
    refuse_unreadable(decoder.health())


def refuse_unreadable(health: LinkHealth) -> None:
    """Raise RecordingUnreadableError, with what was found instead, when a finished stream gave no samples."""
    if health.n_scans_received:
        return
    if health.n_bytes == 0:
        why = "it is empty. Record again."
    elif health.n_sessions:
        why = f"the board's hello is there, but no samples ({health.n_frames_good} good frames). Record again."
    elif health.skipped_reasons.get("no hello yet"):
        why = "samples are there, but no hello that explains them: record for at least two seconds."
    elif health.n_frames_good:
        why = f"the board had not started: {health.n_frames_good} good frames, none with samples. Record again."
    else:
        why = (
            f"no valid frame in {health.n_bytes} bytes: this is no stream of an ampwitness board. Give the file that "
            "`ampwitness record` wrote."
        )
    raise RecordingUnreadableError(f"nothing to decode: {why}")
