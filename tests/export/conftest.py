"""Small recordings from the bench's board model: whole, and with frames missing. No port, so nothing hangs on time."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from ampwire import layout, messages
from ampwire.framing import pack_frame
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus, Stimulus
from ampwitness.recording import RecordingWriter
from ampwitness.recording.reader import open_recording
from ampwitness.types import Block, Chunk, Hello

RATE_HZ = 44_100
ROLES = ("out_p", "out_n", "supply")
NOTES = {"amplifier": "=sub & amp", "nominal_supply_v": 12.6, "load_ohm": 4.0, "load_kind": "resistor"}
TAG = 7


def true_volts() -> npt.NDArray[np.float32]:
    """Four seconds on a supply of 12.6 V: 50 Hz of 20 V peak between the terminals from 0.5 to 3.5 s, the last second
    of it 3 dB over a ceiling of 24 V."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    level_v = np.where(time_s < 2.5, 20.0, 34.0) * ((time_s >= 0.5) & (time_s < 3.5))
    output = np.clip(level_v * np.sin(2 * np.pi * 50 * time_s), -24, 24)
    return np.column_stack([6.0 + output / 2, 6.0 - output / 2, np.full(len(output), 12.6)]).astype(np.float32)


def wire_bytes(stimulus: Stimulus) -> Iterator[tuple[bytes, float]]:
    """What a board would send for it, with when it is received."""
    seq = 0

    def frame(kind: int, index: int, payload: bytes) -> bytes:
        nonlocal seq
        seq += 1
        return pack_frame(kind, TAG, seq - 1, index, 0, payload)

    for item in simulate_blocks(stimulus, ROLES, "bass"):
        if isinstance(item, Hello):
            fields = {
                **item.raw,
                "session_id": f"{TAG:04x}0000",
                "session_tag": TAG,
                "rate_hz": [item.rate_hz.numerator, item.rate_hz.denominator],
                "channels": [asdict(channel) for channel in item.channels],
                "digital": [],
                "streaming": True,
                "remarks": [],
            }
            yield frame(layout.KIND_HELLO, 0, json.dumps(fields).encode()), 0.0
        elif isinstance(item, Block):
            n = item.scans_per_frame
            frames = []
            for k in range(item.n_frames):
                rails = [(int(low), int(high)) for low, high in item.at_rail[k]]
                payload = messages.pack_samples(rails, item.counts[k * n : (k + 1) * n].ravel().tolist())
                frames.append(frame(layout.KIND_SAMPLES, item.first_sample_index + k * n, payload))
            yield b"".join(frames), item.host_s


@pytest.fixture(scope="session")
def small_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`true_volts` as a recording."""
    path = tmp_path_factory.mktemp("small") / "small.mcap"
    with RecordingWriter(path, NOTES) as writer:
        for raw, host_s in wire_bytes(ArrayStimulus(ROLES, RATE_HZ, true_volts())):
            writer.append(Chunk(raw, host_s))
    return path


@pytest.fixture(scope="session")
def gapped_recording(small_recording: Path) -> Path:
    """The same bytes with a piece cut out of the middle: frames are missing there."""
    raw = b"".join(chunk.raw for chunk in open_recording(small_recording).iter_chunks())
    middle = len(raw) // 2
    path = small_recording.with_name("gapped.bin")
    path.write_bytes(raw[:middle] + raw[middle + 3000 :])
    return path
