"""Hours of a tone that breaks off every few minutes, as a soak plays it: what is kept does not grow with them."""

from __future__ import annotations

import gc
import tracemalloc

import numpy as np
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.result import Detector
from ampwitness.detect.tones.tone_stream import TonePassages

RATE_HZ = 2000
PLAYS_S, RESTS_S = 110.0, 10.0


def _piece() -> dict[str, np.ndarray]:
    at = np.arange(round((PLAYS_S + RESTS_S) * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(4)
    output = np.where(at < PLAYS_S, 26.0 * np.sin(2 * np.pi * 50.0 * at), 0.0) + rng.normal(0, 0.01, len(at))
    return {"output": output.astype(np.float32), "supply": np.full(len(at), 12.6, dtype=np.float32)}


def _held_after(detector: Detector | TonePassages, n_pieces: list[int]) -> list[int]:
    """Bytes held once so many pieces have been pushed."""
    piece = _piece()
    volts = {role: np.tile(values, n_pieces[-1]) for role, values in piece.items()}
    length_s, held = PLAYS_S + RESTS_S, []
    gc.collect()
    tracemalloc.start()
    for number, window in enumerate(iter_windows_from_arrays(volts, RATE_HZ, window_s=length_s), start=1):
        detector.push(window)
        if number in n_pieces:
            held.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    return held


def test_notes_of_minutes_do_not_wait_for_hours() -> None:
    held = _held_after(NoteDetector(), [15, 20, 25, 30])
    assert max(held) < 30e6  # without a limit 100 MB after an hour


def test_points_of_a_tone_that_comes_again_and_again_are_thinned() -> None:
    passages = TonePassages()
    after_ten_minutes, after_20_minutes = _held_after(passages, [5, 10])
    assert after_20_minutes < after_ten_minutes + 1e6
    found = passages.finish()
    assert len(found) == 10
    assert all(passage.n_points >= 430 for passage in found)  # all are counted
    assert all(abs(passage.frequency_hz - 50.0) < 0.001 for passage in found)
