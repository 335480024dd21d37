"""Bass as players, drum machines and synthesisers make it, with truth by construction."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.notes import NoteDetector
from event_material import logged, run, seconds

PITCHES_HZ = (41.2, 55.0, 46.2, 65.4, 49.0, 73.4, 61.7, 43.7, 58.3, 82.4)


def _held(time_s: np.ndarray, hz: float, start_s: float, stop_s: float, fall_s: float, peak_v: float) -> np.ndarray:
    """A tone with 2 ms of attack that ends in a straight fall."""
    u = time_s - start_s
    shape = np.clip(u / 0.002, 0, 1) * np.clip((stop_s - time_s) / fall_s, 0, 1)
    return np.asarray(peak_v * shape * np.sin(2 * np.pi * hz * np.maximum(u, 0.0)))


@pytest.mark.parametrize("fall_s", [0.003, 0.008, 0.014, 0.020])
def test_the_fall_of_the_note_before_is_no_onset(fall_s: float) -> None:
    time_s = seconds(5.0)
    starts_s = 0.5 + 0.4 * np.arange(10)
    wave = np.zeros(len(time_s))
    for start_s, hz in zip(starts_s, PITCHES_HZ, strict=True):
        wave += _held(time_s, hz, start_s, start_s + 0.399, fall_s, 10.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert len(found) == 10
    off_s = np.array([note.start_s for note in found]) - starts_s
    assert np.median(np.abs(off_s)) < 0.0008
    assert np.max(np.abs(off_s)) < 0.005
