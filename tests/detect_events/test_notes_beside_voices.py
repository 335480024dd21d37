"""A second voice over one that sounds on. No outside source: truth is by construction."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.note_unusual import pumped_case
from ampwitness.detect.notes.notes import NoteDetector
from event_material import logged, run, seconds


def _voice(time_s: np.ndarray, hz: float, begins_s: float, stop_s: float, peak_v: float, decay_s: float) -> np.ndarray:
    u = np.maximum(time_s - begins_s, 0.0)
    shape = np.clip(u / 0.005, 0, 1) * np.exp(-u / decay_s) * np.clip((stop_s - time_s) / 0.030, 0, 1)
    partials = ((2, 0.35), (3, 0.2), (4, 0.1))
    wave = np.sin(2 * np.pi * hz * u) + sum(a * np.sin(2 * np.pi * n * hz * u + n) for n, a in partials)
    return np.asarray(peak_v * shape * wave)


def _played(low_hz: float, upper_hz: float) -> list[tuple[float, float]]:
    """Found in a low voice of 1.14 s under two short notes of an upper one: when, and pitch."""
    time_s = seconds(2.4)
    wave = _voice(time_s, low_hz, 0.5, 1.64, 11.0, 3.0)
    wave += sum(_voice(time_s, upper_hz, at, at + 0.24, 7.7, 0.5) for at in (0.8, 1.4))
    found = run(NoteDetector(), logged(wave)).findings
    return [(note.start_s, note.measured["pitch_hz"]) for note in found]


@pytest.mark.parametrize(("low_hz", "upper_hz"), [(36.7, 92.5), (46.2, 103.8), (49.0, 116.5), (55.0, 110.0)])
def test_notes_of_an_upper_voice_have_their_own_pitch(low_hz: float, upper_hz: float) -> None:
    found = _played(low_hz, upper_hz)
    assert [at for at, _ in found] == pytest.approx([0.5, 0.8, 1.4], abs=0.006)
    assert [hz for _, hz in found] == pytest.approx([low_hz, upper_hz, upper_hz], rel=0.01)


@pytest.mark.parametrize("low_hz", [41.2, 46.25, 49.0])
def test_an_octave_struck_over_a_string_that_rings_on_is_a_note(low_hz: float) -> None:
    """It leads to no other pitch, and hardly breaks: two of these three were missed."""
    time_s = seconds(2.4)
    wave = _voice(time_s, low_hz, 0.5, 1.4, 14.0, 1.0) + _voice(time_s, 2.0 * low_hz, 0.95, 1.35, 8.0, 0.5)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, 0.95], abs=0.004)
    assert [note.measured["pitch_hz"] for note in found] == pytest.approx([low_hz, 2.0 * low_hz], rel=0.01)


@pytest.mark.parametrize("seed", [19189, 19192, 19193])
def test_a_steady_tone_that_is_pulled_down_begins_no_note(seed: int) -> None:
    case = pumped_case(seed)
    assert case.truth is not None
    begins_s = [note.begins_s for note in case.truth.notes]
    assert [note.start_s for note in run(NoteDetector(), case.volts).findings] == pytest.approx(begins_s, abs=0.020)


def test_a_voice_above_the_bass_begins_no_note_of_the_one_below() -> None:
    found = _played(51.9, 138.6)
    assert [at for at, _ in found] == pytest.approx([0.5], abs=0.006)


def test_a_note_struck_again_as_another_sets_in_above_the_bass_is_a_note() -> None:
    time_s = seconds(2.4)
    wave = _voice(time_s, 41.2, 0.5, 1.9, 8.0, 3.0) + _voice(time_s, 41.2, 1.1, 1.9, 8.0, 3.0)
    wave += _voice(time_s, 146.8, 1.1, 1.9, 4.0, 3.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, 1.1], abs=0.02)
    assert [note.measured["pitch_hz"] for note in found] == pytest.approx([41.2, 41.2], rel=0.01)
