"""Notes that swell: dated by their rise carried back to nothing, against shapes in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from ampwitness.bench import event_signals
from ampwitness.bench.event_scores import NoteScore, score_notes
from ampwitness.detect.notes.note_knees import RawKnees
from ampwitness.detect.notes.note_swell import _weigh, date_swell
from ampwitness.detect.notes.notes import NoteDetector
from event_material import logged, run, seconds
from scipy import signal

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


def _swell(hz: float, takes_s: float, peaks_v: tuple[float, ...], seed: int = 1) -> np.ndarray:
    """A fifth of a second of silence, then a swell along half a cosine, in a logger's noise."""
    time_s = np.arange(500) / RATE_HZ
    u = np.maximum(time_s - 0.2, 0.0)
    wave = sum(v * np.sin(2 * np.pi * k * hz * u + 0.7 * k) for k, v in enumerate(peaks_v, 1))
    noise = np.random.default_rng(seed).normal(0.0, 0.004, 500)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * np.clip(u / takes_s, 0, 1))) * wave + noise)


@pytest.mark.parametrize(("hz", "takes_s"), [(26.0, 0.16), (32.0, 0.10), (35.0, 0.16)])
@pytest.mark.parametrize("root_v", [2.0, 0.0])
def test_all_partials_of_a_swell_are_described(hz: float, takes_s: float, root_v: float) -> None:
    """22 ms late or not dated where the first four are."""
    peaks_v = (root_v, 2.0, 1.6, 1.6, 1.6, 1.6)
    at = date_swell(_swell(hz, takes_s, peaks_v), 100 + round(0.15 * takes_s * RATE_HZ), RATE_HZ, hz, peaks_v)
    assert at is not None
    assert at / RATE_HZ == pytest.approx(0.2, abs=0.006)


@pytest.mark.parametrize("n", [6, 7, 8, 10, 14])
def test_what_ends_as_it_begins_shows_no_rise(n: int) -> None:
    assert date_swell(np.concatenate((np.zeros(6), np.sin(np.arange(n - 5)))), 6, RATE_HZ, 150.0) is None


def test_noise_ahead_of_a_soft_swell_is_no_rise_that_was_not_heard() -> None:
    """A fifth of them was not dated where noise counted as that."""
    found = [date_swell(_swell(35.0, 0.1, (0.4,), seed)[45:], 65, RATE_HZ, 35.0) for seed in range(20)]
    off_s = [np.nan if at is None else (at + 45) / RATE_HZ - 0.2 for at in found]
    assert np.median(np.abs(off_s)) < 0.006  # NaN, not dated, fails


@pytest.mark.parametrize("phase", [0.0, 1.5, 3.0, 4.5])
def test_a_louder_note_ahead_leaves_a_swing_of_the_high_pass_that_is_no_rise(phase: float) -> None:
    """Most were not dated, some were 26 ms late: the swing was as high as the first of the rise."""
    time_s = np.arange(round(1.2 * RATE_HZ)) / RATE_HZ
    u = np.maximum(time_s - 0.35, 0.0)
    swell = (0.5 - 0.5 * np.cos(np.pi * np.clip(u / 0.2, 0.0, 1.0))) * np.sin(2 * np.pi * 90.0 * u)
    loud = np.where(time_s < 0.25, 22.0 * np.sin(2 * np.pi * 27.0 * (time_s - 0.25) + phase), 0.0)
    noise = np.random.default_rng(7).normal(0.0, 0.004, len(time_s))
    band = signal.sosfilt(signal.butter(2, 8.0, "high", fs=RATE_HZ, output="sos"), swell + loud + noise)
    first = round(0.29 * RATE_HZ)  # 40 ms behind the end of the louder note
    at = date_swell(np.asarray(band[first:]), round(0.38 * RATE_HZ) - first, RATE_HZ, 90.0)
    assert at is not None
    assert (first + at) / RATE_HZ == pytest.approx(0.35, abs=0.008)


def test_beginnings_that_explain_a_rise_as_well_are_averaged() -> None:
    """Likelihoods in closed form: as what is left to the power of minus half the number of samples."""
    begins = np.array([100.0, 104.0, 110.0])
    assert _weigh(begins, np.array([[0.01, 0.5, 0.01]]), 60) == pytest.approx(105.0)
    assert _weigh(begins, np.array([[0.01, 0.5, 0.5], [0.5, 0.5, 0.01]]), 60) == pytest.approx(105.0)
    assert _weigh(begins, np.array([[0.01, 0.02, 0.03]]), 60) == pytest.approx(100.0, abs=0.01)
    assert _weigh(begins, np.array([[0.02, 0.01, 0.5]]), 2) == pytest.approx(102.7, abs=0.1)  # weights 1/2, 1 and 1/50


@pytest.mark.parametrize(
    ("hz", "root", "third"), [(28.0, 0.06, 0.5), (29.9, 0.0, 0.5), (29.9, 0.2, 0.9), (31.6, 0.0, 0.9)]
)
def test_a_sudden_note_whose_root_a_high_pass_took_is_dated_no_earlier(hz: float, root: float, third: float) -> None:
    """Truth: where its drawn wave begins. 9 to 36 ms early where not all its partials were described, or where a rise
    was believed that would have been heard ahead of it."""
    u = np.maximum(seconds(2.0) - 0.5, 0.0)
    peaks_v = 5.0 * np.array([root, 1.0, third, *((0.8, 0.7, 0.6) if third > 0.6 else (0.9, 0.4, 0.8))])
    wave = peaks_v @ np.sin(2 * np.pi * hz * np.arange(1, 7)[:, None] * u)
    found = run(NoteDetector(), logged(wave * np.clip(u / 0.003, 0, 1) * np.clip((0.9 - u) / 0.005, 0, 1))).findings
    assert [note.start_s for note in found] == pytest.approx([0.5], abs=0.001)


@pytest.mark.parametrize(("hz", "rises_s", "pause_s"), [(39.0, 0.2, 0.115), (58.0, 0.26, 0.10), (85.0, 0.26, 0.10)])
def test_a_swell_soon_behind_another_note_is_carried_back(hz: float, rises_s: float, pause_s: float) -> None:
    """Truth: when their drawn rise leaves zero. 19 to 26 ms late where the end of the note ahead counted as a part of
    the rise."""
    time_s = seconds(3.0)
    wave = np.zeros(len(time_s))
    begins_s = (0.5, 1.3 + pause_s)
    for start_s in begins_s:
        u = np.maximum(time_s - start_s, 0.0)
        rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(u / rises_s, 0, 1))
        wave += 2.0 * rise * np.clip((0.8 - u) / 0.02, 0, 1) * np.sin(2 * np.pi * hz * u)
    found = run(NoteDetector(), logged(wave)).findings
    assert [note.start_s for note in found] == pytest.approx(begins_s, abs=0.008)
    assert found[1].evidence["onset_basis"].startswith("a swell")


def test_what_sounded_before_is_no_silence_to_rise_from() -> None:
    time_s = np.arange(500) / RATE_HZ
    assert date_swell(np.sin(2 * np.pi * 50.0 * time_s), 150, RATE_HZ, 50.0) is None


def test_swells_not_tuned_on() -> None:
    score = NoteScore()
    for seed in (4200, 4201, 4202):
        score_notes(event_signals.slow_attack_case(seed), score)
    assert score.n_matched == score.n_true
    assert score.n_invented == 0
    assert np.quantile(np.abs(score.onset_s), 0.9) < 0.010  # the goal for slow attacks


@pytest.mark.parametrize("seed", [19023, 19034])
def test_a_swell_that_rises_elevenfold_and_more_within_its_first_tenth_of_a_second_is_one_note(seed: int) -> None:
    score = NoteScore()
    score_notes(event_signals.slow_attack_case(seed), score)
    assert (score.n_matched, score.n_invented) == (score.n_true, 0)


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
