"""Notes beside drums, hum and louder notes, or struck again at their pitch: truth by construction."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.event_scores import NoteScore, score_notes
from ampwitness.bench.event_signals import restruck_case
from ampwitness.bench.note_unusual import (
    behind_crossover_case,
    legato_partials_case,
    soft_among_loud_case,
    wobble_case,
)
from ampwitness.detect.notes.notes import NoteDetector
from event_material import logged, run, seconds


def _tone(
    time_s: np.ndarray, hz: float, start_s: float, stop_s: float, peak_v: float, dies_s: float = 1e9
) -> np.ndarray:
    """A sine with 3 ms of attack, let go over 8 ms."""
    u = np.maximum(time_s - start_s, 0.0)
    shape = np.clip(u / 0.003, 0, 1) * np.clip((stop_s - time_s) / 0.008, 0, 1) * np.exp(-u / dies_s)
    return np.asarray(peak_v * shape * np.sin(2 * np.pi * hz * u))


@pytest.mark.parametrize("hz", [36.7, 69.3])
def test_a_drum_and_a_note_struck_at_once_for_a_fifth_of_a_second_are_a_note(hz: float) -> None:
    time_s = seconds(4.0)
    starts_s = 0.5 + 0.6 * np.arange(5)
    wave = np.zeros(len(time_s))
    for start_s in starts_s:
        for each_hz in (hz, 53.0):
            wave += _tone(time_s, each_hz, start_s, start_s + 0.2, 4.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(starts_s, abs=0.003)


def test_a_level_pulled_far_down_for_a_moment_ends_no_note() -> None:
    time_s = seconds(4.0)
    since_s = np.where(time_s < 1.0, np.inf, np.mod(time_s, 0.485))
    pulled = np.where(since_s < 0.004, since_s / 0.004, np.exp(-(np.maximum(since_s, 0.004) - 0.004) / 0.1))
    wave = sum(_tone(time_s, k * 64.4, 0.5, 3.5, 8.0 / k**1.5) for k in (1, 2, 3))
    (note,) = run(NoteDetector(), logged(wave * (1.0 - 0.82 * pulled))).findings
    assert (note.start_s, note.stop_s) == pytest.approx((0.5, 3.5), abs=0.01)


@pytest.mark.parametrize(("hz", "turns"), [(63.2, 19.21), (63.2, 19.54), (87.3, 26.36), (87.3, 26.69)])
def test_the_same_pitch_struck_again_as_loud_breaks_and_is_another(hz: float, turns: float) -> None:
    time_s, again_s = seconds(2.0), 0.5 + turns / hz
    wave = np.zeros(len(time_s))
    for start_s, stop_s in ((0.5, again_s - 0.001), (again_s, 1.7)):
        u = np.maximum(time_s - start_s, 0.0)
        wave += 10.0 * np.clip(u / 0.003, 0, 1) * np.clip((stop_s - time_s) / 0.006, 0, 1) * np.sin(2 * np.pi * hz * u)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, again_s], abs=0.006)


def test_a_high_note_struck_again_in_phase_and_much_louder_is_another() -> None:
    time_s, hz = seconds(2.5), 116.5
    again_s = 0.5 + 100 / hz
    wave = _tone(time_s, hz, 0.5, 2.0, 2.0) + _tone(time_s, hz, again_s, 2.0, 5.0)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx([0.5, again_s], abs=0.003)


def test_a_soft_note_at_the_pitch_of_the_loud_one_right_before_is_no_beat() -> None:
    score = NoteScore()
    score_notes(soft_among_loud_case(19100), score)
    assert (score.n_matched, score.n_invented) == (score.n_true, 0)


def test_an_older_note_that_rings_on_an_octave_below_is_no_root() -> None:
    score = NoteScore()
    score_notes(restruck_case(29003, "overlap"), score)
    assert (score.n_matched, score.n_invented, score.n_octave) == (score.n_true, 0, 0)


def test_a_string_that_sounds_on_as_the_drum_struck_with_it_dies_away_began_with_it() -> None:
    score = NoteScore()
    for seed in (7, 18, 22, 28):
        score_notes(behind_crossover_case(seed), score)
    assert score.n_matched == score.n_true
    assert score.n_invented == 0


def test_what_is_no_tone_for_a_moment_is_the_attack_of_the_note_it_turns_into() -> None:
    score = NoteScore()
    score_notes(wobble_case(19100), score)
    assert (score.n_matched, score.n_invented) == (score.n_true, 0)


def test_a_turn_by_a_semitone_that_is_placed_a_little_ahead_of_itself_is_looked_at_from_nearer() -> None:
    score = NoteScore()
    score_notes(legato_partials_case(19100), score)
    assert (score.n_matched, score.n_invented) == (score.n_true, 0)


def test_of_the_lowest_notes_too_few_periods_are_carried_back_to_tell_what_was_there() -> None:
    time_s = seconds(3.4)
    notes = ((0.4, 1.171, 22.5128), (1.471, 2.299, 20.3604), (2.299, 3.104, 24.0006))
    wave = sum(_tone(time_s, hz, start_s, stop_s, 7.6) for start_s, stop_s, hz in notes)
    found = run(NoteDetector(), logged(np.asarray(wave))).findings
    assert [note.start_s for note in found] == pytest.approx([start_s for start_s, _, _ in notes], abs=0.008)
