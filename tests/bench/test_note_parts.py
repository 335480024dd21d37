"""The true parts of notes that the detector is scored on, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.event_signals import MODEL_RATE_HZ, music_case
from ampwitness.bench.note_part_scores import PartScore, score_parts, true_energy, true_ripple, true_slope
from ampwitness.bench.truth import TrueNote

NOTE = TrueNote(1.0, 2.0, 40.0, 12.6, 11.6, 1.0, 1.0)
TIME_S = np.arange(3 * MODEL_RATE_HZ) / MODEL_RATE_HZ


def test_energy_of_a_sine_is_half_its_square_times_its_time() -> None:
    wave = 10.0 * np.sin(2 * np.pi * 40.0 * TIME_S) + 3.0
    assert true_energy(wave, NOTE) == pytest.approx(50.0, rel=1e-6)


def test_ripple_of_a_sine_beside_a_line_is_twice_its_peak() -> None:
    supply = 12.0 - 0.3 * TIME_S + 0.05 * np.sin(2 * np.pi * 80.0 * TIME_S)
    assert true_ripple(supply, NOTE) == pytest.approx(0.10, rel=1e-6)


def test_slope_of_an_exponential_fall() -> None:
    """From 10 to 90 % an exponential takes tau ln 9."""
    tau_s = 0.05
    supply = 12.6 + np.where(TIME_S > 1.0, np.expm1(-np.maximum(TIME_S - 1.0, 0.0) / tau_s), 0.0)
    assert true_slope(supply, NOTE) == pytest.approx(-0.8 / (tau_s * np.log(9.0)), rel=0.01)


def test_parts_of_notes_not_tuned_on() -> None:
    score = PartScore()
    score_parts(music_case(4300, kinds=("plucked", "held", "drum"), seconds=12.0, loud=True), score)
    assert len(score.energy_ratio) > 10
    assert np.quantile(np.abs(score.energy_ratio), 0.9) < 0.01
    assert np.quantile(np.abs(score.slope_ratio), 0.9) < 0.10
    assert np.quantile(np.abs(score.ripple_v), 0.9) < 0.010
