"""Decodes all SAMPLES frames of a chunk together, about as fast as memory allows. Only numpy and zlib.

Lockstep chain: a SAMPLES frame has at most 254 bytes, so decoding COBS moves no byte: each zero is put back where its
code byte stands. All frames of one length are walked together, code by code. Batch CRC: after an intact frame the CRC
register holds a value that depends on nothing but the frame's length, so N frames end to end have one CRC known
beforehand; one call checks them all, and only on a mismatch are they halved until the damaged ones are found. A change
inside a single frame is seen exactly when that frame's own CRC sees it, since nothing that follows can undo it.

What this module does not take, it leaves to `take_apart`: it only ever says "good", never "bad".
"""

from __future__ import annotations

import zlib
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from ampwire.layout import (
    CRC_BYTES,
    FLAGS_AT,
    HEADER_BYTES,
    INDEX_AT,
    INDEX_BYTES,
    KIND_SAMPLES,
    MAX_SHORT_BYTES,
    PROTOCOL_VERSION,
    SEQ_AT,
    SEQ_BYTES,
    TAG_AT,
    TAG_BYTES,
)

from ampwitness.types import CountArray, Frame

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

SEQ_MODULUS = 1 << (7 * SEQ_BYTES)
SEQ_HALF = SEQ_MODULUS // 2  # a step of this or more is one backwards
_FEW_FRAMES = 4  # below this the setting up costs more than it saves
_LEAF_FRAMES = 8  # below this many frames, halving on costs more than checking one by one


class ExpectedCrc:
    """CRC-32 of N intact frames of one length laid end to end, whatever they hold."""

    def __init__(self, n_bytes: int) -> None:
        body = bytes(n_bytes - CRC_BYTES)
        self._intact = body + zlib.crc32(body).to_bytes(CRC_BYTES, "little")
        self._known = [0]

    def of(self, n_frames: int) -> int:
        """The CRC-32 of `n_frames` intact frames."""
        while len(self._known) <= n_frames:
            self._known.append(zlib.crc32(self._intact, self._known[-1]))
        return self._known[n_frames]


_EXPECTED: dict[int, ExpectedCrc] = {}


def find_intact(bodies: Bytes) -> npt.NDArray[np.bool_]:
    """Which rows of `bodies` (n_frames, n_bytes), C-contiguous, are frames with a right CRC."""
    n_frames, n_bytes = bodies.shape
    expected = _EXPECTED.setdefault(n_bytes, ExpectedCrc(n_bytes))
    intact = np.ones(n_frames, dtype=bool)
    flat = bodies.reshape(-1).data
    todo = [(0, n_frames)]
    while todo:
        start, stop = todo.pop()
        if zlib.crc32(flat[start * n_bytes : stop * n_bytes]) == expected.of(stop - start):
            continue
        if stop - start == 1:
            intact[start] = False
        elif stop - start <= _LEAF_FRAMES:
            todo.extend((row, row + 1) for row in range(start, stop))
        else:
            middle = (start + stop) // 2
            todo += [(start, middle), (middle, stop)]
    return intact


def unstuff(codes: Bytes, bodies: Bytes) -> npt.NDArray[np.bool_]:
    """Undo COBS in place for frames of one length of at most 254 bytes.

    `codes` (n_frames,) are the first code bytes, `bodies` (n_frames, n_bytes) what follows them; after it a row of
    `bodies` is the frame. Returns which rows are well formed (n_frames,); the others hold anything.
    """
    n_frames, n_bytes = bodies.shape
    flat = bodies.reshape(-1)
    # Where each frame's next code byte stands, counted in its row; n_bytes means that the chain ended as it must.
    place = codes.astype(np.intp) - 1
    row_at = np.arange(n_frames, dtype=np.intp) * n_bytes
    well_formed: npt.NDArray[np.bool_] = place <= n_bytes
    walking = np.flatnonzero(place < n_bytes)
    at, place = row_at[walking] + place[walking], place[walking]
    while walking.size:
        step = flat[at].astype(np.intp)
        flat[at] = 0
        place += step
        at += step
        going = place < n_bytes
        if not going.all():
            well_formed[walking[place > n_bytes]] = False
            walking, place, at = walking[going], place[going], at[going]
    return well_formed


def _next_break(breaks: list[int], start: int, stop: int) -> int:
    k = bisect_right(breaks, start)
    return min(stop, breaks[k]) if k < len(breaks) else stop


_TOP_BITS = np.uint64(0x8080808080808080)


def _header_words(bodies: Bytes) -> npt.NDArray[np.uint64]:
    """The headers, (2, n_frames): bytes 0 to 7 and 8 to 15 of each, first byte lowest."""
    headers = np.ascontiguousarray(bodies[:, :HEADER_BYTES])
    return np.ascontiguousarray(headers.view("<u8").T, dtype=np.uint64)


def _groups(words: npt.NDArray[np.uint64], at: int, n_bytes: int) -> Ints:
    """The number that stands in 7-bit groups in bytes `at` to `at + n_bytes` of each word, lowest byte 0."""
    value = words >> np.uint64(8 * at) & np.uint64(0x7F)
    for k in range(1, n_bytes):
        shifted = words >> np.uint64(8 * at + k)
        shifted &= np.uint64(0x7F << 7 * k)
        value |= shifted
    return value.view(np.int64)


@dataclass(frozen=True, slots=True)
class Arrival:
    """When the host received what: bytes before stream offset `stops[k]`, from `stops[k - 1]` on, at `host_s[k]`."""

    stops: tuple[int, ...]
    host_s: tuple[float, ...]

    def at(self, stream_offset: int) -> float:
        """Receive time of the byte at `stream_offset`, seconds of the Unix epoch."""
        return self.host_s[bisect_right(self.stops, stream_offset)]


@dataclass(slots=True)
class SamplesBatch:
    """Good SAMPLES frames of one length, in stream order, with their headers taken apart."""

    encoded_bytes: int  # of each frame on the wire, without delimiter
    tags: Ints
    seqs: Ints
    indices: Ints
    flags: Ints
    payloads: Bytes  # (n_frames, n_payload_bytes), rows not necessarily adjacent
    stream_offsets: Ints  # of each frame's first byte
    arrival: Arrival
    _tag_breaks: list[int] | None = None
    _breaks: dict[int, list[int]] = field(default_factory=dict)
    _counts: dict[int, CountArray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.tags)

    @property
    def payload_bytes(self) -> int:
        """Length of each payload."""
        return int(self.payloads.shape[1])

    def host_s(self, row: int) -> float:
        """When the delimiter of a frame was received, seconds of the Unix epoch."""
        return self.arrival.at(int(self.stream_offsets[row]) + self.encoded_bytes)

    def copy_rows(self, start: int, stop: int) -> SamplesBatch:
        """These rows in memory of their own, so that the chunk they came in can be let go."""
        return SamplesBatch(
            self.encoded_bytes,
            self.tags[start:stop].copy(),
            self.seqs[start:stop].copy(),
            self.indices[start:stop].copy(),
            self.flags[start:stop].copy(),
            self.payloads[start:stop].copy(),
            self.stream_offsets[start:stop].copy(),
            self.arrival,
        )

    def same_tag_until(self, start: int, stop: int) -> int:
        """First row after `start`, at most `stop`, whose session tag is another one."""
        if self._tag_breaks is None:
            self._tag_breaks = (np.flatnonzero(np.diff(self.tags)) + 1).tolist()
        return _next_break(self._tag_breaks, start, stop)

    def unbroken_until(self, start: int, stop: int, n_scans: int) -> int:
        """First row after `start`, at most `stop`, that does not follow on the row before it by tag, seq and index."""
        if n_scans not in self._breaks:
            follows = (np.diff(self.tags) == 0) & (np.diff(self.indices) == n_scans)
            step = np.diff(self.seqs)
            # Other frames between two SAMPLES frames take numbers too; only going back is looked at more closely.
            follows &= (step > 0) & (step < SEQ_HALF)
            self._breaks[n_scans] = (np.flatnonzero(~follows) + 1).tolist()
        return _next_break(self._breaks[n_scans], start, stop)

    def counts(self, n_channels: int) -> CountArray:
        """All counts, (n_frames * n_scans, n_channels), read-only; payload lengths must fit `n_channels`."""
        if n_channels not in self._counts:
            words = np.ascontiguousarray(self.payloads[:, 2 * n_channels :]).view("<u2")
            counts = words.astype(np.uint16, copy=False).reshape(-1, n_channels)
            counts.flags.writeable = False
            self._counts[n_channels] = counts
        return self._counts[n_channels]

    def at_rail(self, start: int, stop: int, n_channels: int) -> Bytes:
        """Raw conversions at the rails, (stop - start, n_channels, 2)."""
        rails = self.payloads[start:stop, : 2 * n_channels] & np.uint8(0x7F)
        return rails.reshape(-1, n_channels, 2)


def make_batch(bodies: Bytes, encoded_bytes: int, stream_offsets: Ints, arrival: Arrival) -> SamplesBatch:
    """Take the headers of intact, unstuffed frames (n_frames, n_bytes) apart."""
    low, high = _header_words(bodies)
    return SamplesBatch(
        encoded_bytes=encoded_bytes,
        tags=_groups(low, TAG_AT, TAG_BYTES),
        seqs=_groups(low, SEQ_AT, SEQ_BYTES),
        indices=_groups(high, INDEX_AT - 8, INDEX_BYTES),
        flags=_groups(high, FLAGS_AT - 8, 1),
        payloads=bodies[:, HEADER_BYTES:-CRC_BYTES],
        stream_offsets=stream_offsets,
        arrival=arrival,
    )


def batch_of_frame(frame: Frame, encoded_bytes: int) -> SamplesBatch:
    """A SAMPLES frame that was taken apart singly, as a batch of one."""
    return SamplesBatch(
        encoded_bytes=encoded_bytes,
        tags=np.array([frame.session_tag]),
        seqs=np.array([frame.seq]),
        indices=np.array([frame.sample_index]),
        flags=np.array([frame.flags]),
        payloads=np.frombuffer(frame.payload, dtype=np.uint8).reshape(1, -1),
        stream_offsets=np.array([frame.stream_offset]),
        arrival=Arrival((frame.stream_offset + encoded_bytes + 1,), (frame.host_s,)),
    )


def _decode_length(buf: Bytes, starts: Ints, n_encoded: int) -> tuple[Bytes, npt.NDArray[np.bool_]]:
    """Frames and which are good, for the segments of one length that begin at `starts`."""
    # One copy takes the frames out of the read-only chunk, and lays them end to end for the CRC.
    windows: Any = np.lib.stride_tricks.sliding_window_view(buf, n_encoded - 1)
    bodies = windows[starts + 1]
    good = unstuff(buf[starts], bodies)
    low, high = _header_words(bodies)
    good &= low & high & _TOP_BITS == _TOP_BITS
    if good.all():
        return bodies, find_intact(bodies)
    good[good] = find_intact(bodies[good])
    return bodies, good


@dataclass(frozen=True, slots=True)
class Segments:
    """Where the segments of a chunk lie, and which of them are good SAMPLES frames."""

    starts: Ints  # of each segment, in the chunk
    lengths: Ints  # without delimiter
    batch_of: Ints  # number of the batch that holds the segment; -1: none, to be taken apart singly
    row_of: Ints  # its row there
    batches: list[SamplesBatch]


def decode_segments(raw: bytes, stream_offset: int, n_cut: int, arrival: Arrival) -> Segments:
    """Find the segments of `raw` (each ended by 0x00) and decode the SAMPLES frames among them together.

    `stream_offset` is that of raw[0]; `n_cut` bytes are missing from the first segment's end; `arrival` tells when the
    bytes were received.
    """
    buf = np.frombuffer(raw, dtype=np.uint8)
    stops = np.flatnonzero(buf == 0)
    starts = np.empty_like(stops)
    starts[0] = 0
    starts[1:] = stops[:-1] + 1
    lengths = stops - starts
    batch_of = np.full(len(stops), -1, dtype=np.int64)
    row_of = np.zeros(len(stops), dtype=np.int64)
    may_be = (lengths > HEADER_BYTES + CRC_BYTES + 1) & (lengths <= MAX_SHORT_BYTES + 1)
    candidates = np.flatnonzero(may_be)
    # A header holds no zero, so its first two bytes stand as they are.
    is_ours = (buf[starts[candidates] + 1] == KIND_SAMPLES) & (buf[starts[candidates] + 2] == PROTOCOL_VERSION | 0x80)
    candidates = candidates[is_ours]
    batches: list[SamplesBatch] = []
    of_length = np.bincount(lengths[candidates], minlength=1)
    for n_encoded in np.flatnonzero(of_length >= _FEW_FRAMES).tolist():
        here = candidates[lengths[candidates] == n_encoded]
        bodies, good = _decode_length(buf, starts[here], n_encoded)
        if not good.all():
            bodies, here = bodies[good], here[good]
        batch_of[here] = len(batches)
        row_of[here] = np.arange(len(here))
        offsets = starts[here] + stream_offset + np.where(here == 0, 0, n_cut)
        batches.append(make_batch(bodies, n_encoded, offsets, arrival))
    return Segments(starts, lengths, batch_of, row_of, batches)
