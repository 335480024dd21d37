"""Bass as players, drum machines and synthesisers make it, with truth by construction."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.note_unusual import drum_roll_case, legato_partials_case, lost_root_case, wobble_case
from ampwitness.detect.notes.note_break import most_left_in_phase
from ampwitness.detect.notes.note_decimate import Bands
from ampwitness.detect.notes.note_parts import agree_in_pieces, find_rolls
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.notes.sounding_note import SoundingNote
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


def test_a_low_drum_cut_off_right_ahead_of_the_next_is_no_onset() -> None:
    time_s = seconds(5.0)
    starts_s = 0.5 + 0.42 * np.arange(10)
    wave = np.zeros(len(time_s))
    for place, start_s in enumerate(starts_s):
        u = np.maximum(time_s - start_s, 0.0)
        shape = np.clip(u / 0.001, 0, 1) * np.exp(-u / 0.4) * np.clip((0.417 - u) / 0.005, 0, 1)
        wave += 8.0 * shape * np.sin(2 * np.pi * (36.0 + 0.7 * place) * (u - 0.06 * np.expm1(-u / 0.06)))
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.002)


@pytest.mark.parametrize("hz", [24.5, 30.0, 31.4])
def test_the_attack_of_a_low_note_with_partials_is_not_its_period(hz: float) -> None:
    time_s = seconds(2.0)
    u = time_s - 0.5
    partials = sum(np.sin(2 * np.pi * k * hz * u) / k for k in range(1, 6))
    wave = 5.0 * partials * np.clip(u / 0.004, 0, 1) * (u < 0.8)
    (note,) = run(NoteDetector(), logged(wave)).findings
    assert note.measured["attack_s"] < 0.028  # over 50 ms, as levels are averaged, 0.039 to 0.062


def test_the_fall_of_the_note_before_is_no_onset_where_other_music_fills_the_pause() -> None:
    time_s = seconds(6.0)
    starts_s = 0.5 + 0.5 * np.arange(10)
    wave = np.zeros(len(time_s))
    for start_s, hz in zip(starts_s, PITCHES_HZ, strict=True):
        wave += _held(time_s, hz, start_s, start_s + 0.455, 0.015, 10.0)
    for hz in (147.0, 185.0, 220.0):
        wave += 0.5 * np.sin(2 * np.pi * hz * time_s)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.004)


@pytest.mark.parametrize("turns_a_second", [4.0, 6.5])
def test_a_tone_with_tremolo_began_where_it_was_struck(turns_a_second: float) -> None:
    time_s = seconds(3.0)
    wave = np.zeros(len(time_s))
    for start_s, hz in ((0.5, 41.2), (1.7, 61.7)):
        height_v = 8.0 * (0.7 - 0.3 * np.cos(2 * np.pi * turns_a_second * (time_s - start_s)))
        wave += height_v * _held(time_s, hz, start_s, start_s + 1.0, 0.01, 1.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, 1.7], abs=0.0015)


@pytest.mark.parametrize(
    ("hz", "cents", "tremolo", "turns_a_second"),
    [(80.0, 45.0, 0.0, 3.6), (70.0, 40.0, 0.33, 5.0), (44.0, 25.0, 0.3, 4.0)],
)
def test_a_note_played_with_vibrato_and_tremolo_is_one(
    hz: float, cents: float, tremolo: float, turns_a_second: float
) -> None:
    time_s = seconds(3.0)
    u = time_s - 0.5
    turn = 2 * np.pi * turns_a_second * u
    swing = np.clip((u - 0.2) / 0.2, 0, 1)
    cycles = np.cumsum(hz * 2.0 ** (cents / 1200 * np.sin(turn) * swing)) / 8000.0
    partials = sum(np.sin(2 * np.pi * k * cycles) / k / np.sqrt(1 + (k / 3) ** 4) for k in range(1, 9))
    wave = 4.0 * (1 + tremolo * np.sin(turn + 1.0)) * partials * (np.clip(u / 0.005, 0, 1) * (u < 2.0))
    (note,) = run(NoteDetector(), logged(wave)).findings
    assert note.start_s == pytest.approx(0.5, abs=0.001)
    assert 1200 * np.log2(note.measured["pitch_hz"] / hz) == pytest.approx(0, abs=5.0)


@pytest.mark.parametrize(("hz", "turns_a_second"), [(44.4, 4.3), (55.3, 3.1)])
def test_a_note_whose_partials_wobble_is_one_of_the_pitch_that_its_pieces_agree_on(
    hz: float, turns_a_second: float
) -> None:
    time_s = seconds(3.0)
    u = time_s - 0.5
    turn = 2 * np.pi * hz * u
    wave = 8.0 * np.sin(turn + 1.25 * (1 - np.cos(2 * np.pi * turns_a_second * u)) * np.sin(turn))
    (note,) = run(NoteDetector(), logged(wave * np.clip(u / 0.004, 0, 1) * (u < 1.8))).findings
    assert note.start_s == pytest.approx(0.5, abs=0.001)
    assert 1200 * np.log2(note.measured["pitch_hz"] / hz) == pytest.approx(0, abs=3.0)


def test_a_bowed_note_with_partials_is_carried_back_to_its_beginning() -> None:
    time_s = seconds(5.0)
    wave = np.zeros(len(time_s))
    starts_s = np.array([0.5, 1.5, 2.5, 3.5])
    for start_s, hz in zip(starts_s, PITCHES_HZ, strict=False):
        u = np.maximum(time_s - start_s, 0.0)
        shape = (0.5 - 0.5 * np.cos(np.pi * np.clip(u / 0.1, 0, 1))) * np.clip((start_s + 0.8 - time_s) / 0.05, 0, 1)
        wave += 3.0 * shape * sum(np.sin(2 * np.pi * k * hz * u) / k for k in range(1, 7))
    found = run(NoteDetector(), logged(wave)).findings
    off_s = np.array([note.start_s for note in found]) - starts_s
    assert np.median(np.abs(off_s)) < 0.006
    assert np.max(np.abs(off_s)) < 0.010


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "slide_s", "decay_s"), [(200.0, 50.0, 0.025, 0.06), (120.0, 62.0, 0.02, 0.05)]
)
def test_a_drum_whose_pitch_falls_is_a_note(from_hz: float, to_hz: float, slide_s: float, decay_s: float) -> None:
    time_s = seconds(3.0)
    wave = np.zeros(len(time_s))
    starts_s = (0.5, 1.1, 1.7, 2.3)
    for start_s in starts_s:
        u = np.maximum(time_s - start_s, 0.0)
        cycles = to_hz * u + (from_hz - to_hz) * slide_s * -np.expm1(-u / slide_s)
        wave += 8.0 * np.exp(-u / decay_s) * np.sin(2 * np.pi * cycles)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.001)
    assert all(0.95 * to_hz < note.measured["pitch_hz"] < 1.25 * to_hz for note in found)


@pytest.mark.parametrize(("from_hz", "to_hz"), [(60.0, 40.0), (36.0, 72.0)])
def test_a_long_slide_is_one_note_of_the_pitch_it_comes_to(from_hz: float, to_hz: float) -> None:
    time_s = seconds(2.5)
    u = time_s - 0.5
    cycles = np.cumsum(from_hz * (to_hz / from_hz) ** np.clip((u - 0.3) / 0.5, 0, 1)) / 8000.0
    wave = 8.0 * ((u >= 0) & (u < 1.5)) * np.sin(2 * np.pi * cycles)
    (note,) = run(NoteDetector(), logged(wave)).findings
    assert note.start_s == pytest.approx(0.5, abs=0.002)
    assert note.measured["pitch_hz"] == pytest.approx(to_hz, rel=0.02)


def test_a_note_struck_again_within_a_tenth_of_a_second_is_another() -> None:
    time_s = seconds(2.5)
    starts_s = 0.5 + np.cumsum([0.0, 0.1, 0.085, 0.12, 0.09, 0.11, 0.08, 0.1, 0.095])
    wave = np.zeros(len(time_s))
    for start_s in starts_s:
        u = np.maximum(time_s - start_s, 0.0)
        wave += 6.0 * (time_s >= start_s) * (u < 0.075) * np.exp(-u / 0.05) * np.sin(2 * np.pi * 76.2 * u)
    found = run(NoteDetector(), logged(wave)).findings
    assert len(found) == len(starts_s)
    off_s = np.abs(np.array([note.start_s for note in found]) - starts_s)
    assert np.median(off_s) < 0.001
    assert off_s.max() < 0.008  # where the one before was cut off


def test_most_hits_of_a_drum_roll_are_notes() -> None:
    """223 of 244; 148 where what is left of the hit before counts as gone from 8 instead of 16 % of the peak on."""
    n_true = n_found = 0
    for seed in (100, 101):
        case = drum_roll_case(seed)
        assert case.truth is not None
        found = np.array([note.start_s for note in run(NoteDetector(), case.volts).findings])
        starts_s = np.array([note.begins_s for note in case.truth.notes])
        n_true += len(starts_s)
        n_found += int((np.abs(starts_s[:, None] - found[None, :]).min(axis=1) < 0.010).sum())
        assert len(found) <= len(starts_s)
    assert n_found >= 0.90 * n_true


def test_a_drum_right_behind_a_tone_as_loud_is_a_note() -> None:
    time_s = seconds(4.0)
    wave = np.zeros(len(time_s))
    for start_s in (0.5, 1.5, 2.5):
        wave += _held(time_s, 82.4, start_s, start_s + 0.5, 0.010, 6.0)
        u = np.maximum(time_s - start_s - 0.5, 0.0)
        cycles = 50.0 * u + 110.0 * 0.02 * -np.expm1(-u / 0.02)
        wave += 6.0 * np.exp(-u / 0.06) * np.sin(2 * np.pi * cycles)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, 1.0, 1.5, 2.0, 2.5, 3.0], abs=0.002)


@pytest.mark.parametrize(("tone_hz", "from_hz"), [(72.0, 230.0), (95.0, 150.0), (80.0, 190.0)])
def test_a_drum_that_slides_in_from_above_the_bass_as_a_tone_is_let_go_is_a_note(
    tone_hz: float, from_hz: float
) -> None:
    time_s = seconds(3.0)
    wave = np.zeros(len(time_s))
    for start_s in (0.5, 1.3, 2.1):
        wave += _held(time_s, tone_hz, start_s, start_s + 0.2, 0.010, 6.0)
        u = np.maximum(time_s - start_s - 0.2, 0.0)
        cycles = 52.0 * u + (from_hz - 52.0) * 0.025 * -np.expm1(-u / 0.025)
        wave += 6.0 * np.exp(-u / 0.06) * np.clip((0.24 - u) / 0.01, 0, 1) * np.sin(2 * np.pi * cycles)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, 0.7, 1.3, 1.5, 2.1, 2.3], abs=0.003)


@pytest.mark.parametrize(("root_v", "hz"), [(0.0, 28.0), (0.0, 32.5), (0.25, 37.8), (0.3, 41.2)])
def test_a_root_that_a_high_pass_took_is_told_by_its_partials(root_v: float, hz: float) -> None:
    time_s = seconds(2.0)
    u = time_s - 0.5
    wave = sum(
        v * np.sin(2 * np.pi * k * hz * u + 0.3 * k) for k, v in ((1, root_v), (2, 5.0), (3, 3.0), (4, 2.0), (5, 2.0))
    )
    (note,) = run(NoteDetector(), logged(wave * ((u >= 0) & (u < 1.0)))).findings
    assert 1200 * np.log2(note.measured["pitch_hz"] / hz) == pytest.approx(0, abs=2.0)


def test_hum_that_sounds_on_between_two_notes_is_no_onset() -> None:
    time_s = seconds(5.0)
    wave = 0.25 * np.sin(2 * np.pi * 50.0 * time_s)
    starts_s = 0.5 + 0.43 * np.arange(10)
    for start_s, hz in zip(starts_s, PITCHES_HZ, strict=True):
        wave += _held(time_s, hz, start_s, start_s + 0.40, 0.005, 9.0)
    found = [note.start_s for note in run(NoteDetector(), logged(wave)).findings if note.start_s > 0.4]
    assert found == pytest.approx(starts_s, abs=0.007)
    assert np.median(np.abs(np.array(found) - starts_s)) < 0.0006


@pytest.mark.parametrize("turns_a_second", [2.5, 4.0])
def test_partials_that_come_and_go_are_no_notes(turns_a_second: float) -> None:
    time_s = seconds(3.5)
    u = time_s - 0.5
    opened = 0.5 - 0.5 * np.cos(2 * np.pi * turns_a_second * u)
    wave = sum(np.sin(2 * np.pi * 41.2 * k * u) / k * (opened ** (k / 3) if k > 1 else 1.0) for k in range(1, 9))
    found = run(NoteDetector(), logged(6.0 * wave * ((u >= 0) & (u < 2.5)))).findings
    assert len(found) == 1
    assert found[0].start_s == pytest.approx(0.5, abs=0.001)


def test_legato_by_semitones_with_partials() -> None:
    time_s = seconds(4.5)
    starts_s = 0.5 + 0.3 * np.arange(12)
    steps = np.array([0, 1, 2, 0, 2, 1, 3, 2, 4, 2, 3, 1])
    hz = np.zeros(len(time_s))
    for start_s, step in zip(starts_s, steps, strict=True):
        hz[(time_s >= start_s) & (time_s < start_s + 0.3)] = 41.2 * 2 ** (step / 12)
    cycles = np.cumsum(hz) / 8000.0
    wave = sum(np.sin(2 * np.pi * k * cycles) / k**1.5 for k in range(1, 3)) * 5.0 * (hz > 0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.010)
    assert np.median(np.abs(np.array([note.start_s for note in found]) - starts_s)) < 0.001


@pytest.mark.parametrize("cents", [20.0, 40.0])
def test_a_hand_that_shakes_plays_one_note(cents: float) -> None:
    time_s = seconds(3.0)
    u = time_s - 0.5
    swing_hz = 58.3 * (2 ** (cents / 1200) - 1)
    wave = 6.0 * np.sin(2 * np.pi * 58.3 * u + swing_hz / 5.5 * (1 - np.cos(2 * np.pi * 5.5 * u)))
    (note,) = run(NoteDetector(), logged(wave * ((u >= 0) & (u < 2.0)))).findings
    assert note.start_s == pytest.approx(0.5, abs=0.001)
    assert 1200 * np.log2(note.measured["pitch_hz"] / 58.3) == pytest.approx(0, abs=2.0)


def test_a_drum_over_a_held_tone_is_one_note_a_beat() -> None:
    time_s = seconds(5.0)
    starts_s = 1.0 + 0.55 * np.arange(6)
    wave = sum(5.0 / k**2 * _held(time_s, 60.4 * k, 0.5, 4.6, 0.01, 1.0) for k in (1, 2, 3))
    for start_s in starts_s:
        u = np.maximum(time_s - start_s, 0.0)
        cycles = 50.0 * u + 100.0 * 0.02 * -np.expm1(-u / 0.02)
        wave += 11.0 * np.exp(-u / 0.06) * np.sin(2 * np.pi * cycles)
    found = np.array([note.start_s for note in run(NoteDetector(), logged(wave)).findings])
    assert len(found) == 7
    # One drum that slides against the tone is told 80 ms late: a known weakness.
    assert np.sum(np.abs(found - np.array([0.5, *starts_s])) < 0.004) >= 6


@pytest.mark.parametrize(("hz", "depth", "recovers_s"), [(87.3, 0.78, 0.22), (55.0, 0.7, 0.15), (41.2, 0.6, 0.1)])
def test_a_tone_whose_level_is_pulled_down_twice_a_second_was_struck_once(
    hz: float, depth: float, recovers_s: float
) -> None:
    time_s = seconds(3.8)
    u = time_s - 0.6
    since_s = np.mod(u, 0.47)
    pulled = np.where(since_s < 0.004, since_s / 0.004, np.exp(-(since_s - 0.004) / recovers_s))
    tone = sum(np.sin(2 * np.pi * k * hz * u) / k**1.5 for k in range(1, 5))
    (note,) = run(NoteDetector(), logged(6.0 * tone * (1 - depth * pulled) * np.clip(u / 0.003, 0, 1))).findings
    assert note.start_s == pytest.approx(0.6, abs=0.001)


def test_a_tone_struck_again_in_phase_is_another() -> None:
    time_s = seconds(4.0)
    u = np.mod(time_s - 0.5, 0.5)  # 25 periods
    shape = np.clip(u / 0.004, 0, 1) * np.exp(-u / 0.25) * (time_s >= 0.5)
    found = run(NoteDetector(), logged(8.0 * shape * np.sin(2 * np.pi * 50.0 * u))).findings
    assert [note.start_s for note in found] == pytest.approx(0.5 + 0.5 * np.arange(7), abs=0.001)


def test_a_soft_note_right_behind_a_loud_one_is_a_note() -> None:
    time_s = seconds(4.0)
    starts_s = 0.5 + 0.3 * np.arange(10)
    wave = np.zeros(len(time_s))
    for place, (start_s, hz) in enumerate(zip(starts_s, PITCHES_HZ, strict=True)):
        wave += _held(time_s, hz, start_s, start_s + 0.285, 0.012, 16.0 if place % 2 == 0 else 2.6)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.001)


def test_a_drum_that_rings_on_is_struck_again_twelve_times_a_second() -> None:
    time_s = seconds(2.0)
    starts_s = 0.5 + np.arange(6) / 12
    wave = np.zeros(len(time_s))
    for start_s in starts_s:
        u = np.maximum(time_s - start_s, 0.0)
        choked = np.exp(-np.maximum(u - 1 / 12, 0.0) / 0.003)
        cycles = 48.0 * (u - 0.024 * np.expm1(-u / 0.012))
        wave += 9.0 * np.clip(u / 0.001, 0, 1) * np.exp(-u / 0.075) * choked * np.sin(2 * np.pi * cycles)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.002)


def test_partials_of_a_lost_root_that_swing_further_once_a_period_are_not_struck_again() -> None:
    case = lost_root_case(19061)
    found = run(NoteDetector(), case.volts).findings
    assert case.truth is not None
    assert [note.start_s for note in found] == pytest.approx([note.begins_s for note in case.truth.notes], abs=0.002)


@pytest.mark.parametrize("seed", [19003, 19004, 19008, 19009, 19012, 19017])
def test_partials_that_swell_and_fade_begin_no_note_and_hide_none(seed: int) -> None:
    case = wobble_case(seed)
    assert case.truth is not None
    found = run(NoteDetector(), case.volts).findings
    assert [note.start_s for note in found] == pytest.approx([true.begins_s for true in case.truth.notes], abs=0.002)
    off = [note.measured["pitch_hz"] / true.pitch_hz for note, true in zip(found, case.truth.notes, strict=True)]
    assert off == pytest.approx(np.ones(len(off)), abs=0.001)


def test_phases_of_partials_go_on_over_zero_but_not_to_another_pitch() -> None:
    rate_hz, at = 500.0, 400
    since_s = (np.arange(800) - at) / rate_hz
    turn = 2 * np.pi * 41.3 * since_s
    steady = np.sin(turn) + 0.5 * np.sin(2 * turn)
    over_zero = np.tanh(since_s / 0.03) * np.sin(turn) + 0.5 * np.sin(2 * turn)
    semitone = np.sin(turn * np.where(since_s < 0.0, 1.0, 2 ** (1 / 12)))
    struck = np.where(since_s < 0.0, steady, np.roll(steady, 5))
    limits = [most_left_in_phase(wave, at, rate_hz, 41.4) for wave in (steady, over_zero, semitone, struck)]
    assert 0.0 < limits[0] < limits[1]
    assert limits[2:] == [0.0, 0.0]
    assert most_left_in_phase(semitone, at, rate_hz, 41.3 * 2 ** (1 / 24)) == 0.0  # from between the two
    assert most_left_in_phase(steady, 30, rate_hz, 41.3) == 0.0  # too little is known ahead


def test_pieces_taken_for_an_octave_or_a_fifth_go_with_the_pitch_of_the_others() -> None:
    rate_hz, n = 500.0, 55
    time_s = np.arange(n) / rate_hz
    root = np.sin(2 * np.pi * 42.0 * time_s) + 0.5 * np.sin(2 * np.pi * 84.0 * time_s)
    octave = np.sin(2 * np.pi * 84.0 * time_s) + 0.6 * np.sin(2 * np.pi * 121.0 * time_s)  # no clear tone
    other = np.sin(2 * np.pi * 67.0 * time_s)
    (pitch, short, voices) = agree_in_pieces(
        [
            np.concatenate([octave, root, root, octave, octave, root, octave, octave, octave]),
            np.concatenate([octave, root, root]),
            np.concatenate([other, root, root, other, other, root, other, octave, other]),
        ],
        rate_hz,
    )
    assert pitch is not None
    assert pitch.frequency_hz == pytest.approx(42.0, rel=0.002)
    assert short is None  # two say too little
    assert voices is not None  # most agree on another one
    assert voices.frequency_hz == pytest.approx(67.0, rel=0.002)


@pytest.mark.parametrize(("seed", "n_least"), [(19030, 115), (19035, 124)])
def test_drums_that_slide_far_are_known_by_their_wave_that_comes_again(seed: int, n_least: int) -> None:
    case = drum_roll_case(seed)
    assert case.truth is not None
    found = np.array([note.start_s for note in run(NoteDetector(), case.volts).findings])
    starts_s = np.array([note.begins_s for note in case.truth.notes])
    off_s = np.abs(found[:, None] - starts_s).min(axis=1)
    assert off_s.max() < 0.030  # none is invented
    assert n_least <= len(found) <= len(starts_s)


def test_waves_alike_make_a_roll_where_they_follow_soon() -> None:
    bands, rng = Bands(8000.0, False), np.random.default_rng(3)
    time_s = np.arange(40) / bands.band_hz

    def struck(onset_s: float, late_s: float = 0.0, wave: np.ndarray | None = None) -> SoundingNote:
        since_s = np.maximum(time_s - late_s, 0.0)
        note = SoundingNote(onset_s * bands.rate_hz, "", 1.0, 0.04, 0.0)
        drum = np.exp(-since_s / 0.03) * np.sin(2 * np.pi * (55.0 * since_s + 1.5 * -np.expm1(-since_s / 0.012)))
        note.band = [drum if wave is None else wave]
        return note

    noise = [rng.standard_normal(40) for _ in range(2)]
    notes = [
        struck(1.0),
        struck(1.09, 0.0007),  # dated a little early
        struck(1.18, wave=-noise[0]),
        struck(1.27, wave=noise[1]),
        struck(1.36),
        struck(1.80),  # too late to be a roll
        struck(1.89, wave=np.sin(2 * np.pi * 90.0 * time_s)),
    ]
    assert find_rolls(notes, bands).tolist() == [True, True, False, False, False, False, False]
    assert find_rolls(notes[:1], bands).tolist() == [False]
    assert find_rolls([], bands).tolist() == []


def test_a_semitone_of_a_legato_line_soon_behind_the_last_turn_is_no_swell() -> None:
    case = legato_partials_case(19201)
    assert case.truth is not None
    found = run(NoteDetector(), case.volts).findings
    assert [note.start_s for note in found] == pytest.approx([note.begins_s for note in case.truth.notes], abs=0.002)


def test_a_soft_low_wave_is_not_silent_between_its_swings() -> None:
    time_s = seconds(12.0)
    starts_s = 0.5 + 0.5 * np.arange(22)
    wave = np.zeros(len(time_s))
    numbers = np.arange(1, 13)
    for place, start_s in enumerate(starts_s):
        u = np.maximum(time_s - start_s, 0.0)
        heights = np.sin(np.pi * numbers * (0.08 + 0.002 * place)) / numbers
        hz = (30.0 + 0.3 * place) * numbers * np.sqrt(1 + 1.5e-4 * numbers**2)
        waves = np.sin(2 * np.pi * hz[:, None] * u) * np.exp(-0.15 * numbers[:, None] * u)
        shape = np.clip(u / 0.003, 0, 1) * np.clip((start_s + 0.38 - time_s) / 0.012, 0, 1)
        wave += 0.155 / np.abs(heights).max() * shape * (heights @ waves)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.045)
