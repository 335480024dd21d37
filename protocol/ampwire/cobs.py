"""Consistent Overhead Byte Stuffing: takes every 0x00 out of a frame, so that 0x00 can mark where frames end.

After Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999. The
encoding is the canonical one: no closing 0x01 after a run of exactly 254 bytes at the end. The decoder takes both.
COBS finds frame borders. It is no check of what is inside: nearly every flipped bit still decodes.
"""

from ampwire.layout import const

_FULL = const(255)  # code of a run of 254 bytes with no zero after it


def encoded_bytes_max(n_bytes: int) -> int:
    """Most bytes that `n_bytes` can take when encoded, without the delimiter."""
    return n_bytes + n_bytes // 254 + 1


def encode_into(src: bytes | bytearray | memoryview, n: int, dst: bytearray | memoryview, at: int) -> int:
    """Encode src[:n] into dst from `at` on; return the position after the last byte written. Allocates nothing.

    `dst` must not be `src` and must have room for encoded_bytes_max(n) bytes. No delimiter is written.
    """
    code_at = at
    at += 1
    code = 1
    for i in range(n):
        byte = src[i]
        if byte:
            if code == _FULL:
                dst[code_at] = code
                code_at = at
                at += 1
                code = 1
            dst[at] = byte
            at += 1
            code += 1
        else:
            # A full run stands for no zero, so the zero needs a run of its own behind it.
            if code == _FULL:
                dst[code_at] = code
                code_at = at
                at += 1
                code = 1
            dst[code_at] = code
            code_at = at
            at += 1
            code = 1
    dst[code_at] = code
    return at


def encode(data: bytes | bytearray | memoryview) -> bytes:
    """Encode `data`; the result holds no 0x00. No delimiter is added."""
    dst = bytearray(encoded_bytes_max(len(data)))
    n = encode_into(data, len(data), dst, 0)
    return bytes(memoryview(dst)[:n])


def decode(data: bytes | bytearray | memoryview) -> bytes:
    """Decode what stands between two delimiters. Raises ValueError when it is empty, holds a zero or ends early."""
    data = bytes(data)
    n = len(data)
    if n == 0:
        raise ValueError("empty")
    if data.find(b"\x00") >= 0:
        raise ValueError("zero inside")
    out = bytearray(n)
    i = 0
    at = 0
    while i < n:
        code = data[i]
        stop = i + code
        if stop > n:
            raise ValueError("ends early")
        out[at : at + code - 1] = data[i + 1 : stop]
        at += code - 1
        i = stop
        if code != _FULL and i < n:
            out[at] = 0
            at += 1
    return bytes(memoryview(out)[:at])
