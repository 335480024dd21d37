"""CRC-32/ISO-HDLC, the check at the end of every frame: polynomial 0x04C11DB7 reflected, start and final xor all ones.

`crc32` is binascii's, present in CPython and MicroPython alike. On a 32-bit board its result is a heap object (it
exceeds the small integers there), so the board's steady state uses a kernel of its own that ends in `put_crc_halves`.
"""

import binascii

from ampwire.layout import CRC_BYTES, const

CRC32_CHECK = 0xCBF43926  # of b"123456789", as every catalogue of CRCs prints it
# CRC-32 of any message followed by its own CRC, least significant byte first. The same for all messages.
CRC32_OF_INTACT = 0x2144DF1C
_BYTE = const(0xFF)


def crc32(data: bytes | bytearray | memoryview) -> int:
    """CRC-32/ISO-HDLC of `data`, 0 to 2**32 - 1."""
    return binascii.crc32(data) & 0xFFFFFFFF


def put_crc_halves(buf: bytearray, at: int, low: int, high: int) -> None:
    """Write a CRC given as two 16-bit halves into buf[at:at + 4], least significant byte first; no big integers."""
    buf[at] = low & _BYTE
    buf[at + 1] = low >> 8
    buf[at + 2] = high & _BYTE
    buf[at + 3] = high >> 8


def append_crc(buf: bytearray, n_bytes: int) -> int:
    """Write the CRC of buf[:n_bytes] into the four bytes after it; return n_bytes + 4."""
    crc = crc32(memoryview(buf)[:n_bytes])
    put_crc_halves(buf, n_bytes, crc & 0xFFFF, crc >> 16)
    stop: int = n_bytes + CRC_BYTES
    return stop
