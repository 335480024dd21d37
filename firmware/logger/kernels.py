"""The inner loops: machine code under MicroPython, plain Python elsewhere. Also the table that the CRC needs."""

import sys

if sys.platform == "rp2":
    from logger.kernels_thumb import average_scans, cobs_into_ring, copy_from_ring, crc_into, step_groups  # noqa: F401
elif sys.implementation.name == "micropython":
    from logger.kernels_viper import average_scans, cobs_into_ring, copy_from_ring, crc_into, step_groups  # noqa: F401
else:
    from logger.kernels_plain import average_scans, cobs_into_ring, copy_from_ring, crc_into, step_groups  # noqa: F401


def n_uint16(buf):
    """Numbers of 16 bits in `buf`: a bytearray, or an array or memoryview of uint16."""
    return len(buf) // 2 if isinstance(buf, (bytes, bytearray)) else len(buf)


def make_crc_table():
    """Table of CRC-32/ISO-HDLC (polynomial 0xEDB88320, reflected): 256 uint32, little endian, as bytes."""
    table = bytearray(1024)
    for i in range(256):
        crc = i
        for _ in range(8):
            crc = (crc >> 1) ^ (0xEDB88320 if crc & 1 else 0)
        for k in range(4):
            table[4 * i + k] = (crc >> (8 * k)) & 0xFF
    return table
