"""One damaged byte in what stands ahead of the samples loses no sample and ends in no traceback."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from ampwitness.errors import AmpwitnessError
from ampwitness.recording import RecordingWriter
from ampwitness.recording.reader import open_recording
from ampwitness.types import Chunk

SAMPLES = bytes(range(1, 250)) * 8


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    path = tmp_path / "sound.mcap"
    with RecordingWriter(path, {"amplifier": "sub amp", "nominal_supply_v": 12.6, "text": "made here"}) as writer:
        writer.append(Chunk(SAMPLES, 1.7e9))
    return path


def test_a_damaged_byte_in_the_head_loses_no_sample(sound: Path) -> None:
    whole, draw = sound.read_bytes(), random.Random(4)
    first = whole.index(SAMPLES[:40]) - 31  # behind the notes and names, ahead of the message
    n_kept = n_told = 0
    for _ in range(300):
        damaged = bytearray(whole)
        damaged[draw.randrange(8, first)] = draw.randrange(256)
        sound.write_bytes(damaged)
        try:
            recording = open_recording(sound)
            n_kept += b"".join(chunk.raw for chunk in recording.iter_chunks()).startswith(SAMPLES)
            n_told += "damaged" in recording.notes
            assert isinstance(recording.is_torn, bool)
        except AmpwitnessError:
            continue  # one sentence: the record's length itself is the damaged byte
    assert n_kept >= 240  # the others hit the length of a record
    assert n_told >= 10
