"""`python -m ampwitness.bench.decode_speed`: how fast streams decode, beside the straightforward way, for two lengths
of frame; and what a frame of each length costs the real MicroPython. The figures in protocol/SPEC.md come from here.
"""

from __future__ import annotations

import subprocess
import time
import zlib
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
from ampwire import layout, messages
from ampwire.framing import pack_frame

from ampwitness.bench.virtual_interpreter import find_micropython
from ampwitness.decode.bulk import Arrival, decode_segments, find_intact
from ampwitness.errors import MissingToolError
from ampwitness.firmware_files import find_firmware_dir, find_wire_dir

N_CHANNELS = 3
LONG_SCANS = 192
CHUNK_BYTES = 1 << 20
TAG = 5

# Run by MicroPython itself, with the firmware's own kernels. FOLDERS and SCANS are filled in.
ON_MICROPYTHON = """
import sys, time
from array import array
sys.path[:0] = [FOLDERS]
from ampwire import layout
from ampwire.framing import put_header
from logger import kernels

def measure_us(n_scans, n_frames):
    n_body = layout.HEADER_BYTES + 6 + 6 * n_scans
    frame = bytearray(n_body + 4)
    put_header(frame, layout.KIND_SAMPLES, 5, 0, 0, 0)
    for i in range(layout.HEADER_BYTES, n_body):
        frame[i] = (i * 37) & 0xFF
    crc_place = memoryview(frame)[n_body:]
    ring, table = bytearray(16384), kernels.make_crc_table()
    place = array("i", [0, len(ring) - 1])
    start = time.ticks_us()
    for _ in range(n_frames):
        kernels.step_groups(frame, layout.SEQ_AT, layout.SEQ_BYTES, 1)
        kernels.step_groups(frame, layout.INDEX_AT, layout.INDEX_BYTES, n_scans)
        kernels.crc_into(frame, n_body, table, crc_place)
        kernels.cobs_into_ring(frame, n_body + 4, ring, place)
    return time.ticks_diff(time.ticks_us(), start) / n_frames

for n_scans in (SCANS):
    print(n_scans, sorted(measure_us(n_scans, 2000) for _ in range(9))[0])
"""


def make_stream(n_scans: int, n_bytes: int, is_silent: bool) -> bytes:
    """About `n_bytes` of SAMPLES frames: a loud tone and a supply with noise, or (`is_silent`) nothing but zeros."""
    rng = np.random.default_rng(1)
    n_frames = n_bytes // (n_scans * 2 * N_CHANNELS)
    phase = np.arange(n_frames * n_scans) * (2 * np.pi * 50 / 8000)
    tone = np.stack([np.sin(phase), -np.sin(phase), 0.3 * np.ones_like(phase)], axis=1)
    counts = (16380 + 12000 * tone + rng.normal(0, 12, tone.shape)).astype("<u2")
    if is_silent:
        counts[:] = 0
    rails = messages.pack_samples([(0, 0)] * N_CHANNELS, [])
    rows = counts.reshape(n_frames, -1)
    frames = [
        pack_frame(layout.KIND_SAMPLES, TAG, k, k * n_scans, 0, rails + rows[k].tobytes()) for k in range(n_frames)
    ]
    return b"".join(frames)


def decode_one_by_one(raw: bytes) -> int:
    """The straightforward way: PyPI cobs (a C extension), zlib and frombuffer, frame by frame. Returns scans."""
    try:
        from cobs import cobs  # type: ignore[import-untyped]
    except ImportError:
        raise MissingToolError("the comparison needs the package `cobs`: install the extra 'dev'") from None
    n_scans = 0
    for encoded in raw.split(b"\0"):
        if not encoded:
            continue
        body = cobs.decode(encoded)
        if zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
            continue
        first = layout.HEADER_BYTES + 2 * N_CHANNELS
        counts = np.frombuffer(body, dtype="<u2", offset=first, count=(len(body) - first - layout.CRC_BYTES) // 2)
        n_scans += len(counts) // N_CHANNELS
    return n_scans


def decode_bulk(raw: bytes) -> int:
    """Our bulk decoder alone, for frames of at most 254 bytes. Returns scans."""
    n_scans = 0
    for piece in _whole_frames(raw):
        arrival = Arrival((len(piece),), (0.0,))
        n_scans += sum(len(batch.counts(N_CHANNELS)) for batch in decode_segments(piece, 0, 0, arrival).batches)
    return n_scans


def decode_long(raw: bytes, n_body: int) -> int:
    """The same idea for frames of `n_body` bytes, longer than one COBS run. Returns scans."""
    n_scans = 0
    for piece in _whole_frames(raw):
        bodies = _unstuff_long(np.frombuffer(piece, dtype=np.uint8).copy()).reshape(-1, n_body)
        good = bodies if find_intact(bodies).all() else bodies[:0]
        words = np.ascontiguousarray(good[:, layout.HEADER_BYTES + 2 * N_CHANNELS : -layout.CRC_BYTES]).view("<u2")
        n_scans += words.size // N_CHANNELS
    return n_scans


def _whole_frames(raw: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(raw):
        stop = raw.rfind(b"\0", at, at + CHUNK_BYTES) + 1
        yield raw[at:stop]
        at = stop


def _unstuff_long(buf: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Undo COBS of intact frames of any length in lockstep; the codes of full runs have to be taken out."""
    ends = np.flatnonzero(buf == 0)
    place = np.concatenate([[0], ends[:-1] + 1])
    keep = np.ones(len(buf), dtype=bool)
    keep[ends] = False
    keep[place] = False
    code = buf[place].astype(np.intp)
    while True:
        place = place + code
        going = place < ends
        place, ends, was_full = place[going], ends[going], code[going] == 255
        if not place.size:
            return buf[keep]
        code = buf[place].astype(np.intp)
        keep[place[was_full]] = False
        buf[place[~was_full]] = 0


def measure_mb_per_s(ways: list[Callable[[bytes], int]], raw: bytes, n_scans: int, rounds: int = 7) -> list[float]:
    """Speed of each way over `raw`, 1e6 bytes of wire a second: the fastest of several rounds, taken in turns.

    Other work on the machine only ever makes a round slower. Raises ValueError when scans are missing.
    """
    fastest_s = [float("inf")] * len(ways)
    for _ in range(rounds):
        for k, decode in enumerate(ways):
            start = time.perf_counter()
            got = decode(raw)
            fastest_s[k] = min(fastest_s[k], time.perf_counter() - start)
            if got != n_scans:
                raise ValueError(f"decoded {got} scans of {n_scans}")
    return [len(raw) / seconds / 1e6 for seconds in fastest_s]


def measure_on_micropython(scans: tuple[int, ...]) -> list[tuple[int, float]]:
    """(scans in a frame, microseconds a frame) for stepping counters, CRC and COBS under the real MicroPython.

    Raises MissingToolError where there is none.
    """
    command = find_micropython()
    if command is None:
        raise MissingToolError("no MicroPython here: install the extra 'dev'")
    folders = f"{str(find_wire_dir().parent)!r}, {str(find_firmware_dir())!r}"
    program = ON_MICROPYTHON.replace("FOLDERS", folders).replace("SCANS", repr(scans)[1:-1])
    done = subprocess.run([*command, "-c", program], capture_output=True, text=True, check=True)
    pairs = [line.split() for line in done.stdout.splitlines()]
    return [(int(n_scans), float(cost_us)) for n_scans, cost_us in pairs]


def main(n_bytes: int = 24_000_000) -> None:
    """Measure and print."""
    short = layout.scans_per_frame(N_CHANNELS)
    print("MB of wire a second, fastest of 7 rounds (in brackets: samples all zero, the slow case)")
    for n_scans in (short, LONG_SCANS):
        n_body = layout.HEADER_BYTES + messages.samples_payload_bytes(N_CHANNELS, n_scans) + layout.CRC_BYTES

        def lockstep(raw: bytes, n_scans: int = n_scans, n_body: int = n_body) -> int:
            return decode_bulk(raw) if n_scans == short else decode_long(raw, n_body)

        speeds = []
        for is_silent in (False, True):
            raw = make_stream(n_scans, n_bytes if not is_silent else n_bytes // 8, is_silent)
            truth = n_scans * raw.count(b"\0")
            speeds.append(measure_mb_per_s([lockstep, decode_one_by_one], raw, truth))
        (fast, plain), (fast_silent, plain_silent) = speeds
        wire_share = 2 * N_CHANNELS * n_scans / (len(raw) / (truth / n_scans))
        print(
            f"{n_scans:4d} scans, {n_body:4d} bytes, {100 * wire_share:.1f} % of them samples: in lockstep {fast:.0f} "
            f"({fast_silent:.0f}), one by one with PyPI cobs and zlib {plain:.0f} ({plain_silent:.0f})"
        )
    print("one frame under the real MicroPython, the firmware's kernels")
    for n_scans, cost_us in measure_on_micropython((short, LONG_SCANS)):
        print(f"{n_scans:4d} scans: {cost_us:.1f} us a frame, {1000 * cost_us / n_scans:.0f} ns a scan")


if __name__ == "__main__":
    main()
