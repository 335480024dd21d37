"""Notes that sound together, of which one is let go. No outside source: truth is by construction."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from ampwitness.bench.event_signals import EventCase, restruck_case
from ampwitness.bench.note_unusual import octave_case, ring_on_case
from ampwitness.detect.notes.note_decimate import Bands, History
from ampwitness.detect.notes.note_leaving import find_clear, only_ends
from ampwitness.detect.notes.note_parts import sounding_part
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.notes.sounding_note import SoundingNote
from event_material import logged, run, seconds

BAND_HZ = 500.0


def _plucked(time_s: np.ndarray, hz: float, begins_s: float, stop_s: float, peak_v: float) -> np.ndarray:
    """A note with two partials that dies away and is let go over 30 ms."""
    u = np.maximum(time_s - begins_s, 0.0)
    shape = np.clip(u / 0.002, 0, 1) * np.exp(-u / 1.5) * np.clip((stop_s - time_s) / 0.030, 0, 1)
    return np.asarray(peak_v * shape * (np.sin(2 * np.pi * hz * u) + 0.3 * np.sin(4 * np.pi * hz * u + 1.0)))


@pytest.mark.parametrize("seed", [1, 7])
@pytest.mark.parametrize("make", [ring_on_case, octave_case])
def test_strings_that_are_let_go_beside_another_are_no_onsets(make: Callable[[int], EventCase], seed: int) -> None:
    case = make(seed)
    assert case.truth is not None
    found = run(NoteDetector(), case.volts).findings
    true = case.truth.notes
    assert [note.start_s for note in found] == pytest.approx([note.begins_s for note in true], abs=0.005)
    hz = [note.measured["pitch_hz"] for note in found]
    assert hz == pytest.approx([note.pitch_hz for note in true], rel=0.01)


@pytest.mark.parametrize(
    ("first_hz", "second_hz"), [(77.8, 103.8), (61.7, 73.4), (49.0, 36.7), (43.7, 87.3), (98.0, 49.0), (41.2, 61.7)]
)
def test_a_note_that_sounds_on_alone_is_one_note_of_its_own_pitch(first_hz: float, second_hz: float) -> None:
    time_s = seconds(3.0)
    wave = _plucked(time_s, first_hz, 0.5, 1.7, 15.0) + _plucked(time_s, second_hz, 1.15, 2.35, 13.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, 1.15], abs=0.003)
    assert [note.measured["pitch_hz"] for note in found] == pytest.approx([first_hz, second_hz], rel=0.002)


@pytest.mark.parametrize(("hz", "struck_s"), [((55.0, 73.4), 1.140), ((55.0, 73.4), 1.156), ((58.3, 69.3), 1.116)])
def test_a_note_struck_shortly_behind_a_rise_is_dated_where_it_departs(
    hz: tuple[float, float], struck_s: float
) -> None:
    time_s = seconds(2.6)
    wave = _plucked(time_s, hz[0], 0.5, 1.7, 19.0) + _plucked(time_s, hz[1], struck_s, 2.3, 12.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, struck_s], abs=0.003)


def _asked(wave: np.ndarray) -> int | None:
    """Of a band whose newer note began 0.4 s ahead of the instant, 1 s."""
    band = History(np.float64)
    band.append(wave)
    instant = (500.0, 600)
    hz = find_clear(band, BAND_HZ, [instant]).get(instant)
    return None if hz is None else only_ends(band, BAND_HZ, 300, *instant, hz)


def _tone(hz: float, begins_s: float, stop_s: float) -> np.ndarray:
    at = np.arange(800) / BAND_HZ
    return np.asarray(5.0 * ((at >= begins_s) & (at < stop_s)) * np.sin(2 * np.pi * hz * at + 0.1 * hz))


def test_what_sounded_on_beside_something_that_ends_begins_nothing() -> None:
    alone_from = _asked(_tone(41.2, 0.0, 1.0) + _tone(61.7, 0.6, 1.5))
    assert alone_from is not None
    assert 500 <= alone_from < 520
    assert _asked(_tone(41.2, 0.0, 1.0) + _tone(61.7, 0.6, 1.0) + _tone(49.0, 1.0, 1.5)) is None  # both give way


def test_a_line_that_loses_what_the_other_note_had_of_it_begins_nothing() -> None:
    low, octave = _tone(41.2, 0.0, 1.0), _tone(82.4, 0.0, 1.0)
    assert _asked(low + octave + _tone(82.4, 0.6, 1.5)) is not None


def test_of_three_notes_one_sounds_on() -> None:
    two = _tone(41.2, 0.0, 1.0) + _tone(54.0, 0.5, 1.0)
    assert _asked(two + _tone(73.4, 0.6, 1.5)) is not None


def test_a_note_struck_again_as_another_ends_begins() -> None:
    again = np.roll(_tone(61.7, 0.8, 1.5), 4) * (np.arange(800) >= 500)  # half a period later
    assert _asked(_tone(41.2, 0.0, 1.0) + _tone(61.7, 0.6, 1.0) + again) is None


def test_one_note_between_two_others_in_pitch_gives_way() -> None:
    case = restruck_case(19500, "legato")  # steps of one and two semitones
    assert case.truth is not None
    found = run(NoteDetector(), case.volts).findings
    assert [note.start_s for note in found] == pytest.approx([note.begins_s for note in case.truth.notes], abs=0.003)


def test_pitch_is_measured_where_a_note_sounds_alone() -> None:
    bands, note = Bands(8000.0, False), SoundingNote(0.0, "", 1.0, 0.04, np.inf)
    note.band, note.end = [np.arange(400.0)], 6400.0
    note.alone_from = 250
    assert sounding_part(note, bands)[0] == 250.0
    note.alone_from = 350  # too little is left
    assert sounding_part(note, bands)[0] == 40.0


def test_places_looked_at_together_are_told_as_one_by_one() -> None:
    band = History(np.float64)
    rng = np.random.default_rng(4)
    band.append(_tone(41.2, 0.0, 1.0) + _tone(61.7, 0.6, 1.5) + 0.2 * rng.standard_normal(800))
    asked = [(at, round(at) + 100) for at in (250.0, 310.4, 398.7, 455.2, 500.0, 560.9, 680.0, 730.0)]
    together = find_clear(band, BAND_HZ, asked)
    assert 2 <= len(together) < len(asked)
    assert together == {place: hz for one in asked for place, hz in find_clear(band, BAND_HZ, [one]).items()}
