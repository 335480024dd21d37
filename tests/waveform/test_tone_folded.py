"""Tones whose harmonics lie beyond the band, through the whole board: judged from where they fold to, or not at all."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.waveform.assemble import iter_windows
from ampwitness.waveform.tone_clip import cut_sine_harmonics, fit_clip_model_through, thd_ratio_of
from ampwitness.waveform.tone_folded import read_folded
from ampwitness.waveform.tone_meter import CONVERTER_FLOOR_V, ToneReading, measure_tone

ROLES = ("out_p", "out_n", "supply")
RATE_HZ = 960_000


def board_reading(hz: float, clip_ratio: float, seed: int, mode: str = "wide", is_bridged: bool = True) -> ToneReading:
    """0.25 s of a hard-clipped tone of 30 V, drawn parts. Clipped by its harmonics below the stimulus' Nyquist."""
    time = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    cut = math.acos(clip_ratio)
    harmonics = cut_sine_harmonics(cut, cut, int(0.45 * RATE_HZ / hz))
    angle = 2 * np.pi * hz * time + seed
    output = 30 / clip_ratio * sum(h * np.cos(k * angle) for k, h in enumerate(harmonics) if k % 2)
    share = 0.5 if is_bridged else 1.0
    volts = np.column_stack([7 + share * output, 7 - (1 - share) * output, np.full(len(time), 12.5)])
    (window,) = iter_windows(simulate_blocks(ArrayStimulus(ROLES, RATE_HZ, volts), ROLES, mode, seed=seed))
    (segment,) = window.traces["output"].segments
    part = segment.volts[1000 : 1000 + round(0.25 * segment.rate_hz)]
    reading = measure_tone(part, segment.rate_hz, converter_floor_v=CONVERTER_FLOOR_V)
    paths = window.traces["output"].paths
    return read_folded(part, segment.rate_hz, reading, paths, converter_floor_v=CONVERTER_FLOOR_V)


@pytest.mark.parametrize("hz", [2500.0, 2777.0, 3150.0])
@pytest.mark.parametrize("clip_ratio", [0.971487, 0.9])
def test_a_tone_of_3_khz_is_judged_to_a_tenth_of_its_distortion(hz: float, clip_ratio: float) -> None:
    """Closed form of the hard clip, all harmonics: 1 % and 4.22 %. 15 % of it: the parts of the corner are 10 % off."""
    cut = math.acos(clip_ratio)
    truth = 100 * thd_ratio_of(cut_sine_harmonics(cut, cut, 300))
    reading = board_reading(hz, clip_ratio, 62)
    assert not reading.not_judged
    assert reading.thd_is_extrapolated
    assert reading.thd_f_percent == pytest.approx(truth, rel=0.15)


@pytest.mark.parametrize("hz", [8000.0, 10_000.0])
def test_what_comes_through_too_weakly_is_not_judged(hz: float) -> None:
    reading = board_reading(hz, 0.9, 61)
    assert reading.thd_f_percent is None
    assert reading.not_judged
    assert reading.level_v > 15


@pytest.mark.parametrize("hz", [2500.0, 4000.0, 5000.0, 6300.0])
def test_a_clean_tone_is_never_called_distorted(hz: float) -> None:
    for seed in (63, 64):
        reading = board_reading(hz, 0.999999, seed)
        assert reading.thd_f_percent is None or reading.thd_is_below_floor
        assert reading.positive_overdrive_db is None


@pytest.mark.parametrize("hz", [5000.0, 5002.0, 4998.5])
def test_a_tone_whose_third_harmonic_lies_on_its_second_is_refused(hz: float) -> None:
    """A fifth of 25 kS/s, and what two 0.25 s apart cannot be told from it: a trace of the second harmonic, which comes
    through whole, would be read as distortion of the third, which comes weakly."""
    for clip_ratio in (0.999999, 0.971487):
        reading = board_reading(hz, clip_ratio, 61)
        assert reading.thd_f_percent is None
        assert "fold onto one another" in reading.not_judged


def test_at_8_ks_nothing_is_tried() -> None:
    reading = board_reading(1000.0, 0.9, 61, mode="bass")
    assert reading.thd_f_percent is None
    assert "fold onto others" in reading.not_judged


def test_an_unbridged_output_is_told_by_its_fit() -> None:
    """Of one terminal alone harmonics fold elsewhere than of two: at 4.9 kHz, taken for bridged, no clipping fits."""
    reading = board_reading(4900.0, 0.9, 61, is_bridged=False)
    assert reading.thd_f_percent == pytest.approx(4.22, rel=0.15)


def test_the_model_sees_through_known_gains() -> None:
    rng = np.random.default_rng(5)
    gains = rng.normal(0, 1, (4, 16)) + 1j * rng.normal(0, 1, (4, 16))
    gains[:, :2] = 0
    harmonics = cut_sine_harmonics(0.4, 0.2, 15)
    model = fit_clip_model_through(gains @ (harmonics / harmonics[1]), gains)
    assert (model.positive_cut_rad, model.negative_cut_rad) == pytest.approx((0.4, 0.2), abs=1e-5)
