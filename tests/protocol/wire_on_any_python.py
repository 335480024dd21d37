"""Checks ampwire against the golden vectors. Runs alike under CPython and MicroPython; prints one line a failure.

python wire_on_any_python.py FOLDER_OF_AMPWIRE FOLDER_OF_VECTORS
"""

# ruff: noqa: UP031 (the board formats with %)
import json
import sys

sys.path.insert(0, sys.argv[1])

from ampwire import cobs, crc, framing, groups, layout, messages

n_checked = 0


def check(what, got, expected):
    global n_checked
    n_checked += 1
    if got != expected:
        print("FAILED", what, "got", got, "expected", expected)


def load(name):
    with open(sys.argv[2] + "/" + name) as file:
        return json.load(file)


def check_frame(vector):
    name = vector["name"]
    index = int(vector["index"])
    payload = bytes.fromhex(vector["payload"])
    wire = bytes.fromhex(vector["wire"])
    body = bytes.fromhex(vector["body"])
    arguments = (vector["kind"], vector["tag"], vector["seq"], index, vector["flags"], payload)
    check(name + ": packed", framing.pack_frame(*arguments), wire)
    check(name + ": unpacked", tuple(framing.unpack_frame(wire[:-1])), arguments)
    check(name + ": crc", "%08x" % crc.crc32(body[:-4]), vector["crc32"])
    check(name + ": crc of all", crc.crc32(body), crc.CRC32_OF_INTACT)
    # The way the board goes: one buffer, counters stepped in place.
    buf = bytearray(len(body))
    step = min(index, 38)
    framing.put_header(buf, vector["kind"], vector["tag"], (vector["seq"] - 1) % 2**28, index - step, vector["flags"])
    groups.add_groups(buf, layout.SEQ_AT, layout.SEQ_BYTES, 1)
    groups.add_groups(buf, layout.INDEX_AT, layout.INDEX_BYTES, step)
    buf[layout.HEADER_BYTES : layout.HEADER_BYTES + len(payload)] = payload
    dst = bytearray(b"\xee" * (len(wire) + 9))
    stop = framing.finish_into(buf, layout.HEADER_BYTES + len(payload), dst, 5)
    check(name + ": in place", bytes(dst[5:stop]), wire)
    check(name + ": no more than that", bytes(dst[:5]) + bytes(dst[stop:]), b"\xee" * 9)


def check_samples(name, n_channels, at_rail, n_scans):
    for vector in load("frames.json"):
        if vector["name"] == name:
            payload = bytes.fromhex(vector["payload"])
            rails, counts = messages.unpack_samples(payload, n_channels)
            check(name + ": rails", rails, at_rail)
            check(name + ": counts", len(counts), n_channels * n_scans)
            check(name + ": again", messages.pack_samples(rails, list(counts)), payload)
            check(name + ": length", len(payload), messages.samples_payload_bytes(n_channels, n_scans))
            n_wire = len(vector["wire"]) // 2
            check(name + ": length on the wire", n_wire, messages.samples_wire_bytes(n_channels, n_scans))
            return
    print("FAILED no vector", name)


for vector in load("frames.json"):
    check_frame(vector)
for vector in load("bad_frames.json"):
    try:
        framing.unpack_frame(bytes.fromhex(vector["encoded"]))
        got = "accepted"
    except framing.FrameError as error:
        got = error.reason
    check(vector["name"], got, vector["reason"])
for vector in load("cobs.json"):
    data, encoded = bytes.fromhex(vector["data"]), bytes.fromhex(vector["encoded"])
    check("cobs of " + vector["data"], cobs.encode(data), encoded)
    check("cobs back to " + vector["data"], cobs.decode(encoded), data)
check_samples("samples", 3, [(0, 0)] * 3, 38)
check_samples("samples, at the rails, scans lost", 3, [(5, 0), (0, 127), (126, 127)], 38)
check_samples("samples, one channel", 1, [(0, 0)], 116)

# Outside values. CRC: catalogue of parametrised CRC algorithms (CRC-32/ISO-HDLC), the PNG specification's IEND chunk.
# COBS: the examples of Cheshire and Baker's paper and of its encyclopedia article, typed from memory.
CRCS = (
    (b"123456789", 0xCBF43926),
    (b"", 0),
    (b"\x00", 0xD202EF8D),
    (b"a", 0xE8B7BE43),
    (b"abc", 0x352441C2),
    (bytes(32), 0x190A55AD),
    (b"\xff" * 32, 0xFF6CAB0B),
    (bytes(range(32)), 0x91267E8A),
    (b"The quick brown fox jumps over the lazy dog", 0x414FA339),
    (b"IEND", 0xAE426082),
)
for data, value in CRCS:
    check("crc32 of %r" % data, crc.crc32(data), value)
    buf = bytearray(data + b"????")
    check("where the crc ends", crc.append_crc(buf, len(data)), len(buf))
    check("crc32 of %r and its crc" % data, crc.crc32(buf), 0x2144DF1C)
check("check value", crc.crc32(b"123456789"), crc.CRC32_CHECK)
run = bytes(range(1, 255))
PAIRS = (
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x00\x11\x00", b"\x01\x02\x11\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (run, b"\xff" + run),
    (b"\x00" + run, b"\x01\xff" + run),
    (run + b"\xff", b"\xff" + run + b"\x02\xff"),
    (run[1:] + b"\xff\x00", b"\xff" + run[1:] + b"\xff\x01\x01"),
    (run[2:] + b"\xff\x00\x01", b"\xfe" + run[2:] + b"\xff\x02\x01"),
    (bytes.fromhex("4500002c4c79000040064f37"), bytes.fromhex("024501042c4c7901054006 4f37".replace(" ", ""))),
)
for data, encoded in PAIRS:
    check("paper's example", cobs.encode(data), encoded)
    check("paper's example back", cobs.decode(encoded), data)
check("closing 0x01 is taken", cobs.decode(b"\xff" + run + b"\x01"), run)
for damaged in (b"", b"\x00", b"\x05123", b"\x03\x01", b"\x02\x00"):
    try:
        got = cobs.decode(damaged)
    except ValueError:
        got = None
    check("refused %r" % damaged, got, None)
for n in (0, 1, 2, 253, 254, 255, 507, 508, 509, 1016):
    check("worst length %d" % n, len(cobs.encode(b"\x01" * n)), n + max(1, -(-n // 254)))
for value in (0, 1, 127, 128, 2**28 - 1, 2**30, 2**32 + 5, 2**49 - 1):
    buf = bytearray(7)
    groups.put_groups(buf, 0, 7, value)
    check("groups of %d" % value, groups.get_groups(buf, 0, 7), value)
    check("no zero in %d" % value, min(buf) >= 0x80, True)
    for step in (0, 1, 38, 127, 128, 2**29):
        groups.put_groups(buf, 0, 7, value)
        groups.add_groups(buf, 0, 7, step)
        check("%d + %d" % (value, step), groups.get_groups(buf, 0, 7), (value + step) % 2**49)
print("checked", n_checked, "on", sys.implementation.name)
