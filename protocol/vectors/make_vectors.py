"""Writes the golden vectors beside it. Slow, obvious, and sharing no code with ampwire: typed from SPEC.md alone.

python protocol/vectors/make_vectors.py            write the files
python protocol/vectors/make_vectors.py --check    compare instead; exit code 1 when one differs
"""

import json
import sys
from pathlib import Path

HERE = Path(__file__).parent


# ---- SPEC.md "CRC-32/ISO-HDLC", one bit at a time -------------------------------------------------------------------


def bitwise_crc32(data):
    register = 0xFFFFFFFF
    for byte in data:
        for k in range(8):
            bit = (byte >> k) & 1  # input reflected: the lowest bit first
            low = register & 1
            register >>= 1
            if bit != low:
                register ^= 0xEDB88320  # 0x04C11DB7 with its bits in reverse order
    return register ^ 0xFFFFFFFF


# ---- SPEC.md "COBS", after the pseudo code of the paper: StuffData ---------------------------------------------------


def stuff(data):
    out = []
    run = []
    for number, byte in enumerate(data):
        if byte == 0:
            out += [len(run) + 1, *run]
            run = []
            if number == len(data) - 1:
                out += [1]  # the zero at the very end is followed by an empty run
                return bytes(out)
        else:
            run.append(byte)
            if len(run) == 254:
                out += [255, *run]
                run = []
                if number == len(data) - 1:
                    return bytes(out)  # canonical: nothing follows a full run that ends the data
    out += [len(run) + 1, *run]
    return bytes(out)


# ---- SPEC.md "Header" ------------------------------------------------------------------------------------------------


def seven_bit_groups(value, n_bytes):
    return [0x80 + (value // 128**k) % 128 for k in range(n_bytes)]


def frame(kind, tag, seq, index, flags, payload):
    header = [
        kind,
        0x81,
        *seven_bit_groups(tag, 2),
        *seven_bit_groups(seq, 4),
        *seven_bit_groups(index, 7),
        0x80 + flags,
    ]
    assert len(header) == 16
    body = bytes(header) + payload
    crc = bitwise_crc32(body)
    body += bytes([crc % 256, crc // 256 % 256, crc // 65536 % 256, crc // 16777216])
    return {
        "kind": kind,
        "tag": tag,
        "seq": seq,
        "index": str(index),  # as text: JSON readers on the board would make a float of it
        "flags": flags,
        "payload": payload.hex(),
        "crc32": f"{crc:08x}",
        "body": body.hex(),
        "wire": (stuff(body) + b"\x00").hex(),
    }


def samples_payload(at_rail, counts):
    out = []
    for bottom, top in at_rail:
        out += [0x80 + min(bottom, 127), 0x80 + min(top, 127)]
    for count in counts:
        out += [count % 256, count // 256]
    return bytes(out)


# ---- the vectors -----------------------------------------------------------------------------------------------------

HELLO = {
    "protocol": 1,
    "firmware": "0.1.0 on MicroPython 1.26.1",
    "board_id": "e661a4d1234567ab",
    "session_id": "0badc0de",
    "session_tag": 300,
    "reset_cause": "power on",
    "mode": "bass",
    "rate_hz": [8000, 1],
    "averaging": 8,
    "counts_per_code": 8.0,
    "scans_per_frame": 38,
    "channels": [
        {"role": "out_p", "pin": 26, "gain_v_per_code": 0.031, "offset_v": -63.5, "in_scan_offset_ns": 0},
        {"role": "out_n", "pin": 27, "gain_v_per_code": 0.031, "offset_v": -63.5, "in_scan_offset_ns": 5208},
        {"role": "supply", "pin": 28, "gain_v_per_code": 0.0062, "offset_v": 0.0, "in_scan_offset_ns": 10417},
    ],
    "digital": [{"role": "remote", "pin": 15, "threshold_v": 6.0, "level": 1}],
    "input_corner_hz": 5100,
    "time_scale": 1.0,
    "streaming": True,
    "remarks": [],
}
STATUS = {
    "uptime_s": 86400,
    "uptime_ms": 17,
    "overrun_scans": 0,
    "fifo_overflows": 0,
    "queue_dropped_frames": 0,
    "queue_dropped_scans": 0,
    "bad_commands": 0,
    "die_c": None,
    "free_bytes": 101000,
    "busy_share": 0.21,
    "worst_loop_us": 3700,
}
# What the board keeps of a measurement, and the command that made it do so.
SUPPLY_FIGURES = {
    "gain_v_per_code": 0.0062512,
    "offset_v": -0.0125,
    "uncertainty_v": 0.004,
    "made_on": "2026-11-25",
    "meter": "bench meter, 4 1/2 digits",
}
HELLO_WITH_CALIBRATION = {**HELLO, "calibration": [{"role": "supply", "pin": 28, **SUPPLY_FIGURES}]}
KEEP_CALIBRATION = {"role": "supply", **SUPPLY_FIGURES}
FAULT = {"code": "stuck-channel", "text": "channel 1 (out_n) did not move during the self test"}
REPLY = {"for": "mode", "ok": False, "text": "no such mode"}


def as_payload(fields):
    return json.dumps(fields, separators=(",", ":")).encode()


def named(name, **kwargs):
    return {"name": name, **kwargs}


def all_frames():
    steps = [(7919 * k) % 32761 for k in range(38 * 3)]
    no_zero = [257 + 256 * (k % 100) for k in range(38 * 3)]
    quiet = [(0, 0)] * 3
    yield named("hello", json=HELLO, **frame(0x81, 300, 0, 0, 0, as_payload(HELLO)))
    kept = as_payload(HELLO_WITH_CALIBRATION)
    yield named("hello with a calibration", json=HELLO_WITH_CALIBRATION, **frame(0x81, 300, 0, 0, 0, kept))
    yield named("samples", **frame(0x82, 300, 1, 0, 0, samples_payload(quiet, steps)))
    yield named("samples, all zero", **frame(0x82, 300, 2, 38, 0, samples_payload(quiet, [0] * 114)))
    yield named("samples, all ones", **frame(0x82, 300, 3, 76, 0, samples_payload(quiet, [65535] * 114)))
    rails = [(5, 0), (0, 127), (126, 1000)]
    yield named("samples, at the rails, scans lost", **frame(0x82, 300, 4, 777, 1, samples_payload(rails, no_zero)))
    top = frame(0x82, 16383, 2**28 - 1, 2**49 - 38, 3, samples_payload(quiet, steps))
    yield named("samples, every counter at its end", **top)
    one = samples_payload([(0, 0)], [258 + k for k in range(116)])
    yield named("samples, one channel", **frame(0x82, 1, 128, 2**32, 2, one))
    # CRC chosen so that no byte of the frame is zero: a single full run
    for count in range(257, 600):
        full = frame(0x82, 300, 5, 1000, 0, samples_payload(quiet, [count] * 114))
        if "00" not in [full["body"][k : k + 2] for k in range(0, 508, 2)]:
            yield named("samples, no zero byte at all", **full)
            break
    yield named("status", json=STATUS, **frame(0x83, 300, 6, 8000, 0, as_payload(STATUS)))
    yield named("edge", **frame(0x84, 300, 7, 8123, 0, bytes([0x80, 0x81])))
    yield named("mark, button", **frame(0x85, 300, 8, 8124, 0, bytes([0x81])))
    yield named("mark, host", **frame(0x85, 300, 9, 8125, 0, bytes([0x82])))
    yield named("fault", json=FAULT, **frame(0x86, 0, 10, 0, 0, as_payload(FAULT)))
    yield named("reply", json=REPLY, **frame(0x87, 300, 11, 9000, 0, as_payload(REPLY)))
    for kind, name in enumerate(["heartbeat", "start", "stop", "mark now"], 0xC1):
        yield named(name, **frame(kind, 0, kind - 0xC1, 0, 0, b""))
    yield named("mode", **frame(0xC5, 0, 4, 0, 0, b"bass"))
    for kind, name in enumerate(["identify", "self test", "leave"], 0xC6):
        yield named(name, **frame(kind, 0, kind - 0xC1, 0, 0, b""))
    told = as_payload(KEEP_CALIBRATION)
    yield named("keep calibration", json=KEEP_CALIBRATION, **frame(0xC9, 0, 8, 0, 0, told))
    yield named("longest frame", **frame(0x88, 300, 12, 9000, 0, bytes(k % 251 for k in range(2048 - 20))))


def bad_frames():
    good = bytes.fromhex(frame(0x85, 300, 8, 8124, 0, bytes([0x81]))["body"])
    short = good[:15]
    crc = bitwise_crc32(short)
    short += bytes([crc % 256, crc // 256 % 256, crc // 65536 % 256, crc // 16777216])
    other = bytes([good[0], 0x82]) + good[2:-4]
    crc = bitwise_crc32(other)
    other += bytes([crc % 256, crc // 256 % 256, crc // 65536 % 256, crc // 16777216])
    low = bytes([good[0], good[1], 0x05]) + good[3:-4]
    crc = bitwise_crc32(low)
    low += bytes([crc % 256, crc // 256 % 256, crc // 65536 % 256, crc // 16777216])
    yield {"name": "one bit of the payload", "encoded": stuff(good[:16] + b"\x80" + good[17:]).hex(), "reason": "CRC"}
    yield {"name": "one bit of the CRC", "encoded": stuff(good[:-1] + bytes([good[-1] ^ 1])).hex(), "reason": "CRC"}
    yield {"name": "header cut, CRC right", "encoded": stuff(short).hex(), "reason": "too short"}
    yield {"name": "nothing but a right CRC of nothing", "encoded": stuff(bytes(4)).hex(), "reason": "too short"}
    yield {"name": "run past the end", "encoded": stuff(good)[:-1].hex(), "reason": "not COBS"}
    yield {"name": "empty", "encoded": "", "reason": "not COBS"}
    yield {"name": "other version", "encoded": stuff(other).hex(), "reason": "other version"}
    yield {"name": "header byte without top bit", "encoded": stuff(low).hex(), "reason": "header"}
    long = frame(0x88, 300, 12, 9000, 0, bytes(2048 - 19))
    yield {"name": "one byte too long", "encoded": long["wire"][:-2], "reason": "too long"}


def cobs_pairs():
    for data in (
        b"",
        b"\0",
        b"\0\0",
        b"\0\x11\0",
        b"\x11\x22\0\x33",
        bytes(range(1, 255)),
        bytes(range(255)),
        bytes(300),
    ):
        yield {"data": data.hex(), "encoded": stuff(data).hex()}
    for n in (253, 254, 255, 507, 508, 509, 1016):
        yield {"data": "07" * n, "encoded": stuff(b"\x07" * n).hex()}
        yield {"data": "07" * n + "00", "encoded": stuff(b"\x07" * n + b"\0").hex()}


def main():
    files = {
        "frames.json": list(all_frames()),
        "bad_frames.json": list(bad_frames()),
        "cobs.json": list(cobs_pairs()),
    }
    differs = False
    for name, content in files.items():
        text = json.dumps(content, indent=1) + "\n"
        path = HERE / name
        if "--check" in sys.argv[1:]:
            if not path.exists() or path.read_text(encoding="utf-8") != text:
                print(f"{name} is not what make_vectors.py makes")
                differs = True
        else:
            path.write_text(text, encoding="utf-8")
    return 1 if differs else 0


if __name__ == "__main__":
    sys.exit(main())
