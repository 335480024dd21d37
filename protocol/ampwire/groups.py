"""Counters as 7-bit groups: least significant first, each with its top bit set, so that none of them is a zero byte.

A byte without zeros costs COBS nothing, and a counter that is stepped in place never becomes a big integer on the
board, whose small integers end at 2**30.
"""

from ampwire.layout import const

_LOW = const(0x7F)
_TOP = const(0x80)


def put_groups(buf: bytearray, at: int, n_bytes: int, value: int) -> None:
    """Write `value` modulo 2**(7 * n_bytes) into buf[at:at + n_bytes]."""
    for i in range(at, at + n_bytes):
        buf[i] = _TOP | (value & _LOW)
        value >>= 7


def get_groups(buf: bytes | bytearray | memoryview, at: int, n_bytes: int) -> int:
    """Read the value that stands in buf[at:at + n_bytes]."""
    value = 0
    for i in range(at + n_bytes - 1, at - 1, -1):
        value = (value << 7) | (buf[i] & _LOW)
    return value


def add_groups(buf: bytearray, at: int, n_bytes: int, step: int) -> None:
    """Add `step` (0 to 2**29) to the value in buf[at:at + n_bytes], in place, wrapping. Allocates nothing."""
    for i in range(at, at + n_bytes):
        step += buf[i] & _LOW
        buf[i] = _TOP | (step & _LOW)
        step >>= 7
        if step == 0:
            return
