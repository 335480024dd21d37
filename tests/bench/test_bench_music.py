"""Music of our own: pitches, onsets as defined, and what full-range noise is to look like."""

import itertools

import numpy as np
import pytest
from ampwitness.bench.music import WantedNote, bass_line, full_range, key_to_hz, play, tone

RATE_HZ = 48_000


def test_pitches_of_the_scale() -> None:
    # A4 = 440 Hz (ISO 16, from memory); twelve equal steps to the octave.
    expected = {33: 55.0, 28: 41.203, 26: 36.708, 31: 48.999, 24: 32.703, 45: 110.0}
    for key, pitch_hz in expected.items():
        assert key_to_hz(key) == pytest.approx(pitch_hz, abs=0.001)


@pytest.mark.parametrize("kind", ["plucked", "held", "drum"])
def test_a_notes_times_are_those_of_its_own_waveform(kind: str) -> None:
    want = WantedNote(kind, 0.5, 0.8, 41.203, 0.7)  # type: ignore[arg-type]
    sound, (note,) = play([want], 2.0, RATE_HZ, np.random.default_rng(3))
    assert np.abs(sound).max() == pytest.approx(0.7)
    loud = np.flatnonzero(np.abs(sound) >= 0.07)
    assert note.start_s == loud[0] / RATE_HZ
    assert note.stop_s == loud[-1] / RATE_HZ
    assert note.begins_s == 0.5
    assert np.abs(sound[: RATE_HZ // 2]).max() == 0
    assert 0 < note.start_s - note.begins_s < 0.02


@pytest.mark.parametrize("kind", ["plucked", "held", "drum"])
def test_a_note_has_its_pitch(kind: str) -> None:
    want = WantedNote(kind, 0.0, 1.5, 61.735, 1.0)  # type: ignore[arg-type]
    sound, _ = play([want], 1.5, RATE_HZ, np.random.default_rng(3))
    late = sound[int(0.2 * RATE_HZ) :] * np.hanning(len(sound) - int(0.2 * RATE_HZ))
    spectrum = np.abs(np.fft.rfft(late, 16 * len(late)))
    assert np.argmax(spectrum) * RATE_HZ / (16 * len(late)) == pytest.approx(61.735, abs=0.3)


def test_a_line_is_one_note_at_a_time_within_its_levels_and_its_seed() -> None:
    line = bass_line(np.random.default_rng(5), 1.0, 31.0, peaks=(0.2, 0.8))
    assert line == bass_line(np.random.default_rng(5), 1.0, 31.0, peaks=(0.2, 0.8))
    assert line != bass_line(np.random.default_rng(6), 1.0, 31.0, peaks=(0.2, 0.8))
    assert len(line) > 30
    for before, after in itertools.pairwise(line):
        assert before.begins_s + before.length_s < after.begins_s
    assert all(0.2 <= want.peak <= 0.8 and 20 < want.pitch_hz < 120 for want in line)
    assert line[-1].begins_s + line[-1].length_s < 31.0


def test_tone_is_a_sine_between_its_fades() -> None:
    wave = tone(1_000, 1.0, RATE_HZ, 0.5)
    middle = np.arange(10_000, 20_000)
    assert np.abs(wave[middle] - 0.5 * np.sin(2 * np.pi * 1_000 * middle / RATE_HZ)).max() < 1e-12
    assert wave[0] == 0
    assert abs(wave[-1]) < 1e-6


def test_full_range_falls_with_frequency_and_peaks_high() -> None:
    sound = full_range(20.0, RATE_HZ, np.random.default_rng(1))
    assert np.abs(sound).max() == pytest.approx(1.0)
    assert 1 / np.std(sound) > 3.0
    spectrum = np.abs(np.fft.rfft(sound)) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    octaves = [10 * np.log10(spectrum[(hz > low) & (hz < 2 * low)].sum()) for low in (1_000, 2_000, 4_000)]
    assert max(octaves) - min(octaves) < 6  # pink would be equal energy an octave
