"""The score program's own truth, and a short run of it on seeds that are not scored."""

from __future__ import annotations

import math

import pytest
from ampwitness.bench.tone_scores import GOAL_DB, KneeScore, score_knee
from ampwitness.bench.tone_signals import KnobAmplifier, find_true_knee


def test_truth_is_the_closed_form() -> None:
    """1 % THD of a hard clip: clip level over crest 0.971487, rms^2 1.04751 times that of the sine (closed forms)."""
    knee = find_true_knee(KnobAmplifier(rail_v=10.0), 40.0)
    assert 10.0 / knee.crest_v == pytest.approx(0.971487, abs=2e-4)
    assert knee.level_v == pytest.approx(10 / math.sqrt(2) * math.sqrt(1.04751), rel=2e-4)


def test_knee_of_a_turned_gain_through_the_board() -> None:
    score = KneeScore()
    score_knee(KnobAmplifier(), 40.0, "bass", 11, score, exact=True)
    assert score.n_missed == 0
    assert abs(score.error_db[0]) < GOAL_DB["bass"]
