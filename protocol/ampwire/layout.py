"""Byte layout of every message on the wire. protocol/SPEC.md is the same in prose, with the reasons.

A frame on the wire is COBS(header + payload + CRC-32) followed by one 0x00. The header is the same for all messages
and holds no zero byte, because every number in it is written in 7-bit groups, least significant first, each with the
top bit set. Frames of SAMPLES are of constant length within a session and at most MAX_SHORT_BYTES before COBS, so
that each is one COBS run of known length.
"""

try:
    from micropython import const as const
except ImportError:  # CPython: `const` only marks numbers that the board's compiler folds

    def const(value: int) -> int:
        return value


PROTOCOL_VERSION = const(1)

# ---- header -------------------------------------------------------------------------------------------------------
# offset size  field
#      0    1  kind          one of KIND_*, top bit set
#      1    1  version       PROTOCOL_VERSION | 0x80
#      2    2  session tag   14 bits, new at every start of streaming and never that of the session before; 0: none yet
#      4    4  seq           28 bits, one counter for all frames board -> host, from 0 at each start, wraps
#      8    7  sample index  49 bits: scans since the session began; for SAMPLES that of the first scan in the frame
#     15    1  flags         7 bits, top bit set
HEADER_BYTES = const(16)
KIND_AT = const(0)
VERSION_AT = const(1)
TAG_AT = const(2)
TAG_BYTES = const(2)
SEQ_AT = const(4)
SEQ_BYTES = const(4)
INDEX_AT = const(8)
INDEX_BYTES = const(7)
FLAGS_AT = const(15)
CRC_BYTES = const(4)
MAX_SHORT_BYTES = const(254)  # header + payload + CRC of a SAMPLES frame
MAX_FRAME_BYTES = const(2048)  # header + payload + CRC of any frame; longer is refused unread

# ---- kinds, board -> host (as they stand in the byte, top bit set) -----------------------------------------------
KIND_HELLO = const(0x81)  # JSON, once a second and at once on IDENTIFY
KIND_SAMPLES = const(0x82)
KIND_STATUS = const(0x83)  # JSON, once a second
KIND_EDGE = const(0x84)  # a digital line changed: line number, new level
KIND_MARK = const(0x85)  # source of the mark: button, host
KIND_FAULT = const(0x86)  # JSON: code, text
KIND_REPLY = const(0x87)  # JSON: answer to a command, "for": its name
# ---- kinds, host -> board ----------------------------------------------------------------------------------------
KIND_HEARTBEAT = const(0xC1)
KIND_START = const(0xC2)
KIND_STOP = const(0xC3)
KIND_MARK_NOW = const(0xC4)
KIND_MODE = const(0xC5)  # payload: mode name, ASCII
KIND_IDENTIFY = const(0xC6)
KIND_SELF_TEST = const(0xC7)
KIND_LEAVE = const(0xC8)  # reset once to the MicroPython prompt, watchdog off
KIND_KEEP_CALIBRATION = const(0xC9)  # payload: JSON, the measured figures of one channel

# ---- flags of a SAMPLES frame ------------------------------------------------------------------------------------
FLAG_ALWAYS = const(0x80)
FLAG_BOARD_LOSS = const(0x01)  # scans were lost on the board immediately before this frame (the sample index jumped)
FLAG_LINK_LOSS = const(0x02)  # frames were dropped from the transmit queue since the last SAMPLES frame

# ---- SAMPLES payload ---------------------------------------------------------------------------------------------
# for each channel: 1 byte conversions at code 0, 1 byte conversions at code 4095, both | 0x80, saturating at 127;
# then scans_per_frame x n_channels uint16, little endian, scan after scan in channel order.
# A count is the sum of `averaging` raw 12-bit conversions, shifted right so that it fits 16 bits;
# the hello's counts_per_code says what one ADC code is worth.

# ---- EDGE payload: line number | 0x80, level (0/1) | 0x80 ; MARK payload: MARK_BUTTON or MARK_HOST -----------------
MARK_BUTTON = const(0x81)
MARK_HOST = const(0x82)


def scans_per_frame(n_channels: int) -> int:
    """Scans of `n_channels` that fit a SAMPLES frame of at most MAX_SHORT_BYTES."""
    return int((MAX_SHORT_BYTES - HEADER_BYTES - CRC_BYTES - 2 * n_channels) // (2 * n_channels))
