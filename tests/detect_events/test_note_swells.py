"""Notes that swell: dated by their rise carried back to nothing, against shapes in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from ampwitness.bench import event_signals
from ampwitness.bench.event_scores import NoteScore, score_notes
from ampwitness.detect.notes.note_knees import RawKnees
from ampwitness.detect.notes.note_swell import _EnvelopeFit, date_swell, is_one_swell
from ampwitness.detect.notes.notes import NoteDetector
from event_material import run

RATE_HZ = 500.0
Shape = Callable[[np.ndarray], np.ndarray]


def _line(u: np.ndarray) -> np.ndarray:
    return np.clip(u / 0.2, 0.0, 1.0)


def _half_cosine(u: np.ndarray) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(u / 0.25, 0.0, 1.0))


@pytest.mark.parametrize("shape", [_line, _half_cosine])
@pytest.mark.parametrize("hz", [28.0, 55.0, 110.0])
def test_a_rise_is_carried_back_to_where_it_leaves_zero(shape: Shape, hz: float) -> None:
    rng = np.random.default_rng(4)
    time_s = np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    begins_s = 0.3
    u = np.maximum(time_s - begins_s, 0.0)
    band = 6.0 * shape(u) * np.sin(2 * np.pi * hz * u + 0.7) + rng.normal(0.0, 0.004, len(time_s))
    at = date_swell(band, round((begins_s + 0.020) * RATE_HZ), RATE_HZ, hz)
    assert at is not None
    assert at / RATE_HZ == pytest.approx(begins_s, abs=0.010)


def test_what_sounded_before_is_no_silence_to_rise_from() -> None:
    time_s = np.arange(500) / RATE_HZ
    assert date_swell(np.sin(2 * np.pi * 50.0 * time_s), 150, RATE_HZ, 50.0) is None


def test_a_swell_is_one_and_a_second_stroke_is_not() -> None:
    u = np.arange(90) / RATE_HZ
    swell = 5.0 * (u / 0.2) ** 2 * np.sin(2 * np.pi * 80.0 * u)
    assert is_one_swell(swell, RATE_HZ, 19.0, 123.0)
    again = swell + np.where(u > 0.1, 4.0 * np.sin(2 * np.pi * 61.0 * (u - 0.1)), 0.0)
    assert not is_one_swell(again, RATE_HZ, 19.0, 123.0)


def test_swells_not_tuned_on() -> None:
    score = NoteScore()
    for seed in (4200, 4201, 4202):
        score_notes(event_signals.slow_attack_case(seed), score)
    assert score.n_matched == score.n_true
    assert score.n_invented == 0
    assert np.quantile(np.abs(score.onset_s), 0.9) < 0.010  # the goal for slow attacks


def test_swells_do_not_depend_on_the_windows() -> None:
    case = event_signals.slow_attack_case(4203)
    short, long = (run(NoteDetector(), case.volts, window_s=window_s) for window_s in (1.0, 60.0))
    assert short.findings == long.findings


def test_a_wave_that_fades_in_is_dated_where_it_leaves_zero_not_where_it_is_first_seen() -> None:
    rng = np.random.default_rng(3)
    knees = RawKnees(8000.0)
    at = (np.arange(knees.before + knees.behind) - knees.before) / 8000.0
    begins_s, fade_s = rng.uniform(-0.004, -0.002, (200, 1)), rng.uniform(0.006, 0.015, (200, 1))
    u = np.maximum(at[None, :] - begins_s, 0.0)
    wave = 10.0 * np.sin(2 * np.pi * 55.0 * u) * (0.5 - 0.5 * np.cos(np.pi * np.minimum(u / fade_s, 1.0)))
    found = knees.find(wave + 0.025 * rng.standard_normal(wave.shape), np.zeros(200, dtype=np.intp))
    off_s = np.abs((found - knees.before) / 8000.0 - begins_s[:, 0])
    assert np.isfinite(off_s).all()
    assert np.median(off_s) < 0.0004
    assert np.quantile(off_s, 0.9) < 0.0008


def test_an_envelope_fit_takes_up_what_least_squares_do() -> None:
    n = 100
    band = np.random.default_rng(8).normal(size=n)
    fit = _EnvelopeFit.on_grid(RATE_HZ, 20.0, 120.0, n)
    turn = 2 * np.pi * 20.0 * np.arange(n) / RATE_HZ  # the first of the grid
    powers = np.vander(np.linspace(-1, 1, n), 4, increasing=True)
    columns = np.concatenate((powers * np.cos(turn)[:, None], powers * np.sin(turn)[:, None]), axis=1)
    left = band - columns @ np.linalg.lstsq(columns, band, rcond=None)[0]
    assert fit.explains(band)[0] == pytest.approx(band @ band - left @ left, rel=1e-6)
