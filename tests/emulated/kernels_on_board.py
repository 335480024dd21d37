"""Runs on the emulated board as its main.py: compares the kernels in machine code with their plain twins."""

import time
from array import array

from logger import kernels, kernels_plain, kernels_thumb, kernels_viper

time.sleep_ms(700)  # until the host has opened the port
state = 12345


def draw(n):
    """A pseudo-random number from 0 to n - 1."""
    global state
    state = (state * 1103 + 12345) % 1048573
    return state % n


def check(name, is_right):
    """Print one line of the result."""
    print(name, "right" if is_right else "WRONG")


def averages(fast):
    """average_scans over random places, channels, averages and rails."""
    ring = array("H", [0] * 1024)
    for i in range(1024):
        code = draw(4400) - 150
        ring[i] = 0 if code < 0 else 4095 if code > 4095 else code
    for n_channels, n_slots in ((1, 1), (2, 2), (3, 3), (3, 4), (2, 3), (1, 2)):
        for n_sum, shift in ((8, 0), (2, 0), (32, 1), (1, 0), (24, 1), (16, 0), (15, 0)):
            for _ in range(4):
                n_scans = 1 + draw(5)
                p1 = array("i", (draw(1024), 1024, n_channels, n_sum, shift, n_scans, n_slots))
                p2 = array("i", p1)
                out1, out2 = bytearray(2 * n_channels * n_scans), bytearray(2 * n_channels * n_scans)
                rails1, rails2 = bytearray(b"\x80" * 2 * n_channels), bytearray(b"\x80" * 2 * n_channels)
                fast.average_scans(ring, out1, rails1, p1)
                kernels_plain.average_scans(ring, out2, rails2, p2)
                if out1 != out2 or rails1 != rails2 or list(p1) != list(p2):
                    return False
    return True


def full_rails(fast):
    """At-rail counts stop at their limit in both."""
    ring = array("H", [4095] * 1024)
    out1, out2 = bytearray(64), bytearray(64)
    rails1, rails2 = bytearray(b"\x80\x80"), bytearray(b"\x80\x80")
    fast.average_scans(ring, out1, rails1, array("i", (1000, 1024, 1, 16, 0, 32, 1)))
    kernels_plain.average_scans(ring, out2, rails2, array("i", (1000, 1024, 1, 16, 0, 32, 1)))
    return out1 == out2 and rails1 == rails2 and rails1[1] == 255


def checks(fast):
    """crc_into against its twin, and against the published check value of CRC-32/ISO-HDLC."""
    table = kernels.make_crc_table()
    crc1, crc2 = bytearray(4), bytearray(4)
    fast.crc_into(b"123456789", 9, table, crc1)
    if crc1 != bytearray(b"\x26\x39\xf4\xcb"):  # 0xCBF43926
        return False
    for n in (0, 1, 2, 20, 250, 300):
        message = bytes(draw(256) for _ in range(n))
        fast.crc_into(message, n, table, crc1)
        kernels_plain.crc_into(message, n, table, crc2)
        if crc1 != crc2:
            return False
    return True


def stuffing(fast):
    """cobs_into_ring and copy_from_ring round the end of the ring, with few, many and no zeros."""
    for n in (1, 20, 253, 254, 255, 300, 508, 509):
        for zeros in (0, 2, 100):
            message = bytearray(n)
            for i in range(n):
                message[i] = 0 if zeros and draw(zeros) == 0 else 1 + draw(255)
            head = draw(1024)
            p1, p2 = array("i", (head, 1023)), array("i", (head, 1023))
            ring1, ring2 = bytearray(1024), bytearray(1024)
            fast.cobs_into_ring(message, n, ring1, p1)
            kernels_plain.cobs_into_ring(message, n, ring2, p2)
            out1, out2 = bytearray(64), bytearray(64)
            fast.copy_from_ring(ring1, out1, 64, array("i", (head, 1023)))
            kernels_plain.copy_from_ring(ring2, out2, 64, array("i", (head, 1023)))
            if ring1 != ring2 or list(p1) != list(p2) or out1 != out2:
                return False
    return True


def counting(fast):
    """step_groups over carries, up to the wrap."""
    for step in (1, 38, 127, 128, 16384, 536870911):
        for fill in (0x80, 0xFF, 0xFE, 0xC1):
            buf1, buf2 = bytearray([fill] * 9), bytearray([fill] * 9)
            fast.step_groups(buf1, 1, 7, step)
            kernels_plain.step_groups(buf2, 1, 7, step)
            if buf1 != buf2:
                return False
    return True


for one in (averages, full_rails, checks, stuffing, counting):
    for fast in (kernels_thumb, kernels_viper):
        check(one.__name__ + " " + fast.__name__.split("_")[-1], one(fast))
print("done", kernels.crc_into is kernels_thumb.crc_into)
