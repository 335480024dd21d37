"""Steps counters, stuffs and puts a CRC with the heap locked: what the board does in its steady state. MicroPython."""

import sys

import micropython

sys.path.insert(0, sys.argv[1])

from ampwire.cobs import encode_into
from ampwire.crc import put_crc_halves
from ampwire.framing import put_header
from ampwire.groups import add_groups, get_groups
from ampwire.layout import INDEX_AT, INDEX_BYTES, KIND_SAMPLES, SEQ_AT, SEQ_BYTES

buf = bytearray(254)
dst = bytearray(256)
put_header(buf, KIND_SAMPLES, 5, 2**28 - 3, 2**32 - 50, 0)


def steps(n):
    at = 0
    for _ in range(n):
        add_groups(buf, SEQ_AT, SEQ_BYTES, 1)
        add_groups(buf, INDEX_AT, INDEX_BYTES, 38)
        put_crc_halves(buf, 250, 0xFFFF, 0x8000)
        at = encode_into(buf, 254, dst, 0)
        dst[at] = 0
    return at


at = 0  # a global that is new would itself take memory
micropython.heap_lock()
try:
    at = steps(100)
finally:
    micropython.heap_unlock()
print(at, get_groups(buf, SEQ_AT, SEQ_BYTES), get_groups(buf, INDEX_AT, INDEX_BYTES))
