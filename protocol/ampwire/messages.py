"""Payloads that are bytes, not JSON: samples, edges, marks. Names of the commands. JSON fields stand in SPEC.md."""

from array import array

from ampwire.layout import (
    CRC_BYTES,
    HEADER_BYTES,
    KIND_HEARTBEAT,
    KIND_IDENTIFY,
    KIND_KEEP_CALIBRATION,
    KIND_LEAVE,
    KIND_MARK_NOW,
    KIND_MODE,
    KIND_SELF_TEST,
    KIND_START,
    KIND_STOP,
    MARK_BUTTON,
    MARK_HOST,
    const,
)

_TOP = const(0x80)
_LOW = const(0x7F)
RAIL_MANY = const(127)  # an at-rail count of 127 means "127 or more"

# What a REPLY says in its field "for".
COMMAND_NAMES = {
    KIND_HEARTBEAT: "heartbeat",
    KIND_START: "start",
    KIND_STOP: "stop",
    KIND_MARK_NOW: "mark",
    KIND_MODE: "mode",
    KIND_IDENTIFY: "identify",
    KIND_SELF_TEST: "self-test",
    KIND_LEAVE: "leave",
    KIND_KEEP_CALIBRATION: "calibration",
}


def samples_payload_bytes(n_channels: int, n_scans: int) -> int:
    """Length of a SAMPLES payload: two at-rail counts a channel, then the counts."""
    return 2 * n_channels + 2 * n_channels * n_scans


def samples_wire_bytes(n_channels: int, n_scans: int) -> int:
    """Length of a whole SAMPLES frame of at most 254 bytes on the wire, with its COBS code and delimiter."""
    n_bytes: int = HEADER_BYTES + samples_payload_bytes(n_channels, n_scans) + CRC_BYTES + 2
    return n_bytes


def pack_samples(at_rail: list[tuple[int, int]], counts: list[int]) -> bytes:
    """SAMPLES payload from (conversions at code 0, at code 4095) a channel and the counts, scan after scan."""
    out = bytearray()
    for bottom, top in at_rail:
        out.append(_TOP | min(bottom, RAIL_MANY))
        out.append(_TOP | min(top, RAIL_MANY))
    for count in counts:
        out.append(count & 0xFF)
        out.append(count >> 8)
    return bytes(out)


def unpack_samples(payload: bytes, n_channels: int) -> "tuple[list[tuple[int, int]], array[int]]":
    """At-rail counts (list of (bottom, top)) and counts (array of uint16) of a SAMPLES payload. Raises ValueError."""
    n_rail = 2 * n_channels
    if len(payload) <= n_rail or (len(payload) - n_rail) % (2 * n_channels):
        raise ValueError("length of samples")
    at_rail = []
    for i in range(0, n_rail, 2):
        if payload[i] < _TOP or payload[i + 1] < _TOP:
            raise ValueError("at-rail counts")
        at_rail.append((payload[i] & _LOW, payload[i + 1] & _LOW))
    counts = array("H")
    for i in range(n_rail, len(payload), 2):
        counts.append(payload[i] | payload[i + 1] << 8)
    return at_rail, counts


def unpack_edge(payload: bytes) -> tuple[int, int]:
    """Line number and new level of an EDGE payload. Raises ValueError."""
    if len(payload) != 2 or payload[0] < _TOP or payload[1] not in (0x80, 0x81):
        raise ValueError("edge")
    return payload[0] & _LOW, payload[1] & 1


def unpack_mark(payload: bytes) -> str:
    """Who set a mark: "button" or "host". Raises ValueError."""
    if payload == bytes((MARK_BUTTON,)):
        return "button"
    if payload == bytes((MARK_HOST,)):
        return "host"
    raise ValueError("mark")
