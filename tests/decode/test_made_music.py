"""Made music as wire bytes: every scan comes back, and corruptions cost only the frames they hit."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench import day, day_signals
from ampwitness.bench.day import corrupt
from ampwitness.bench.day_signals import SCANS, STRETCH, DayOfMusic, WireMaker
from ampwitness.bench.straightforward import decode_frame_by_frame
from ampwitness.decode import Decoder
from ampwitness.types import Block, Chunk

N_STRETCHES = 3


@pytest.fixture(scope="module")
def music() -> tuple[np.ndarray, bytes]:
    day, maker = DayOfMusic(5), WireMaker()
    counts = [day.next_counts() for _ in range(N_STRETCHES)]
    return np.concatenate(counts), b"".join(piece for part in counts for piece in maker.next_bytes(part))


def decode(raw: bytes) -> tuple[list[Block], Decoder]:
    decoder = Decoder()
    items = [x for at in range(0, len(raw), 1 << 20) for x in decoder.push(Chunk(raw[at : at + (1 << 20)], 0.0))]
    return [item for item in [*items, *decoder.finish()] if isinstance(item, Block)], decoder


def test_every_scan_comes_back_and_a_plain_decoder_agrees(music):
    counts, raw = music
    blocks, decoder = decode(raw)
    np.testing.assert_array_equal(np.concatenate([block.counts for block in blocks]), counts)
    np.testing.assert_array_equal(decode_frame_by_frame(raw), counts)  # PyPI cobs and zlib, nothing of ours
    assert decoder.health().balances
    assert len(counts) == N_STRETCHES * STRETCH


def test_corruptions_cost_only_the_frames_they_hit(music):
    counts, raw = music
    harmed, n_hit = corrupt(raw, 150)
    blocks, decoder = decode(harmed)
    assert sum(block.n_frames for block in blocks) == len(counts) // SCANS - n_hit
    for block in blocks:
        first = block.first_sample_index
        np.testing.assert_array_equal(block.counts, counts[first : first + len(block.counts)])
    assert decoder.health().balances


def test_the_music_never_repeats_and_clips_in_two_percent(music):
    counts, _ = music
    parts = counts.reshape(N_STRETCHES, STRETCH, 3)[:, :, 0].astype(float)
    parts -= parts.mean(axis=1, keepdims=True)
    spectra = np.fft.rfft(parts, axis=1)
    for k in range(1, N_STRETCHES):
        alike = np.fft.irfft(spectra[0] * spectra[k].conj()) / np.sqrt((parts[0] ** 2).sum() * (parts[k] ** 2).sum())
        assert np.abs(alike).max() < 0.9  # at no shift is a stretch the first one again
    day = DayOfMusic(6)
    for _ in range(30):
        day.next_counts()
    assert day.share_clipped == pytest.approx(0.02, abs=0.004)


def test_every_part_that_is_timed_is_there() -> None:
    """The stopwatch finds what it watches by name; in a process of its own, as it replaces what it times."""
    watched = "from ampwitness.bench import day; day._watch_all(day.Stopwatch())"
    assert subprocess.run([sys.executable, "-c", watched], capture_output=True, text=True).stderr == ""


def test_a_day_is_made_in_another_process_than_that_which_starts_the_measurement(tmp_path: Path, monkeypatch):
    """A process hands its peak memory on: an hour was told to take 224 MB where it had just been made, else 176."""
    monkeypatch.setattr(day_signals, "write_day", None)
    made = day._made(tmp_path, 0.0012)
    assert made.stat().st_size > 100_000
