"""A frame: header + payload + CRC-32, COBS-encoded, one 0x00 behind it. The same both ways.

The board builds SAMPLES frames in buffers of its own: `put_header` once, then `add_groups` on the counters of each.
`pack_frame` and `unpack_frame` are the short way where allocation does not matter.
"""

from collections import namedtuple

from ampwire import cobs, crc
from ampwire.groups import get_groups, put_groups
from ampwire.layout import (
    CRC_BYTES,
    FLAG_ALWAYS,
    FLAGS_AT,
    HEADER_BYTES,
    INDEX_AT,
    INDEX_BYTES,
    KIND_AT,
    MAX_FRAME_BYTES,
    PROTOCOL_VERSION,
    SEQ_AT,
    SEQ_BYTES,
    TAG_AT,
    TAG_BYTES,
    VERSION_AT,
    const,
)

_TOP = const(0x80)

WireFrame = namedtuple("WireFrame", ("kind", "tag", "seq", "index", "flags", "payload"))


class FrameError(ValueError):
    """These bytes are no valid frame. `reason` is one of a few short texts, fit for counting."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class VersionError(FrameError):
    """An intact frame of a wire version that this program does not speak: `version`."""

    def __init__(self, version: int) -> None:
        super().__init__("other version")
        self.version = version


def put_header(buf: bytearray, kind: int, tag: int, seq: int, index: int, flags: int) -> None:
    """Write the header into buf[:16]. `flags` without its top bit; it is added here."""
    buf[KIND_AT] = kind
    buf[VERSION_AT] = PROTOCOL_VERSION | _TOP
    put_groups(buf, TAG_AT, TAG_BYTES, tag)
    put_groups(buf, SEQ_AT, SEQ_BYTES, seq)
    put_groups(buf, INDEX_AT, INDEX_BYTES, index)
    buf[FLAGS_AT] = flags | FLAG_ALWAYS


def finish_into(buf: bytearray, n_bytes: int, dst: bytearray, at: int) -> int:
    """Close the frame whose header + payload stand in buf[:n_bytes] and write it to dst from `at` on, with delimiter.

    `buf` needs four bytes of room behind. Returns the position after the delimiter. What the board's kernels do for
    SAMPLES frames without allocating must give these same bytes.
    """
    at = cobs.encode_into(buf, crc.append_crc(buf, n_bytes), dst, at)
    dst[at] = 0
    return at + 1


def pack_frame(kind: int, tag: int, seq: int, index: int, flags: int, payload: bytes | bytearray | memoryview) -> bytes:
    """One frame as it goes over the wire, delimiter included. Raises ValueError when it would be too long."""
    n = HEADER_BYTES + len(payload)
    if n + CRC_BYTES > MAX_FRAME_BYTES:
        raise ValueError("frame too long")
    buf = bytearray(n + CRC_BYTES)
    put_header(buf, kind, tag, seq, index, flags)
    buf[HEADER_BYTES:n] = payload
    dst = bytearray(cobs.encoded_bytes_max(n + CRC_BYTES) + 1)
    stop = finish_into(buf, n, dst, 0)
    return bytes(memoryview(dst)[:stop])


def unpack_frame(encoded: bytes | bytearray | memoryview) -> WireFrame:
    """Check and take apart what stands between two delimiters.

    Returns WireFrame(kind, tag, seq, index, flags, payload), flags without their top bit. Raises FrameError with the
    reason, VersionError when the frame is intact but of another wire version. The length is tested before the CRC,
    the CRC before anything that the bytes say.
    """
    if len(encoded) > cobs.encoded_bytes_max(MAX_FRAME_BYTES):
        raise FrameError("too long")
    try:
        body = cobs.decode(encoded)
    except ValueError:
        raise FrameError("not COBS")  # noqa: B904 (the board knows no `from`)
    n = len(body) - CRC_BYTES
    if n < HEADER_BYTES:
        raise FrameError("too short")
    if n + CRC_BYTES > MAX_FRAME_BYTES:
        raise FrameError("too long")
    if crc.crc32(body) != crc.CRC32_OF_INTACT:
        raise FrameError("CRC")
    if body[VERSION_AT] != PROTOCOL_VERSION | _TOP:
        raise VersionError(body[VERSION_AT] & 0x7F)
    if min(body[:HEADER_BYTES]) < _TOP:
        raise FrameError("header")
    return WireFrame(
        body[KIND_AT],
        get_groups(body, TAG_AT, TAG_BYTES),
        get_groups(body, SEQ_AT, SEQ_BYTES),
        get_groups(body, INDEX_AT, INDEX_BYTES),
        body[FLAGS_AT] & 0x7F,
        body[HEADER_BYTES:n],
    )
