"""Extrapolated crests against the closed form of a clipped sine."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.measure.corner_ramp import ramp
from ampwitness.detect.clips.measure.overdrive import Corners, extrapolate_crests, sine_crest
from scipy import signal


@pytest.mark.parametrize("ratio", [0.99, 0.971487, 0.9, 0.8, 0.5])
def test_crest_of_a_clipped_sine(ratio: float) -> None:
    step = 2 * math.pi * 40 / 8000  # phase a sample
    phi = math.pi / 2 - math.asin(ratio)
    flat, level = 2 * phi / step, 30.0
    slope = level / math.cos(phi) * step * math.sin(phi)
    one = np.ones(1)
    assert sine_crest(slope * one, flat * one, level * one)[0] == pytest.approx(level / ratio, rel=1e-6)
    tiny = 1e-6 * one
    corners = Corners(
        flat * one, level * one, slope * one, slope * one, level * step**2 * one, tiny, tiny * level * step**2, 0 * one
    )
    crest = extrapolate_crests(corners)
    assert 20 * math.log10(crest.crest_v[0] / level) == pytest.approx(-20 * math.log10(ratio), abs=0.12)


def test_flanks_that_bend_more_than_a_sine_belong_to_a_flatter_crest() -> None:
    """cos(x) -/+ 0.1 cos(3 x), cut off at 0.7 of its crest: the sine of the same slope misses by 0.2 dB and more."""
    for third in (-0.1, 0.1):
        x = np.linspace(0, math.pi / 2, 200_001)
        wave = np.cos(x) + third * np.cos(3 * x)
        half = x[np.flatnonzero(wave >= 0.7 * wave.max())[-1]]
        slope, bend = math.sin(half) + 3 * third * math.sin(3 * half), math.cos(half) + 9 * third * math.cos(3 * half)
        flat, one = 40.0, np.ones(1)
        level, step = float(np.interp(half, x, wave)), 2 * half / flat
        corners = Corners(
            flat * one, level * one, slope * step * one, slope * step * one, bend * step**2 * one, 1e-6 * one,
            1e-6 * step**2 * one, 0 * one,
        )  # fmt: skip
        true_db = 20 * math.log10(wave.max() / level)
        sine_db = 20 * math.log10(sine_crest(slope * step * one, flat * one, level * one)[0] / level)
        found_db = 20 * math.log10(extrapolate_crests(corners).crest_v[0] / level)
        assert abs(sine_db - true_db) > 0.2
        assert abs(found_db - true_db) < 0.6 * abs(sine_db - true_db)


def test_unequal_flanks_lean_the_crest_but_do_not_lower_it() -> None:
    one = np.ones(1)
    even = extrapolate_crests(Corners(10 * one, 30 * one, one, one, 0.1 * one, 0.01 * one, 0.05 * one, 0 * one))
    uneven = extrapolate_crests(
        Corners(10 * one, 30 * one, 1.5 * one, 0.5 * one, 0.1 * one, 0.01 * one, 0.05 * one, 0 * one)
    )
    assert uneven.crest_v[0] >= even.crest_v[0]


def test_band_limited_ramp_meets_the_ideal_one_away_from_its_corner() -> None:
    t = np.arange(-9.0, 10.0)
    rounded = ramp(t[None, :], np.ones(1, dtype=int))[0]
    far = np.abs(t) >= 6
    assert np.allclose(rounded[far], np.maximum(t, 0)[far], atol=0.02)
    # An ideal low-pass at B half sample rates leaves 1 / (pi^2 B) ... within a fifth of that at the corner itself.
    assert rounded[9] == pytest.approx(1 / (math.pi**2 * 0.9) * 1.0, rel=0.25)


def test_crest_of_any_plateau_solves_its_equation() -> None:
    """From a hair cut off to nearly square: x tan x = slope * flat / (2 level), the crest level / cos x."""
    half = np.logspace(-9, 3, 500)
    x = np.arccos(1 / sine_crest(2 * half, np.ones(500), np.ones(500)))
    assert np.allclose(x * np.tan(x), half, rtol=1e-5, atol=1e-9)


def test_the_interval_holds_what_stood_hidden_on_the_crests_of_noise_like_music() -> None:
    held: list[bool] = []
    for seed in (152, 154):
        case = clip_sets.make("full-25k", "noise music, following", seed, 4.0)
        held += score_case(case, 0.00012).interval_holds
    assert len(held) > 100
    assert np.mean(held) >= 0.9


def test_next_to_no_noise_does_not_make_a_rippled_plateau_more_than_one() -> None:
    rng, rate_hz, times = np.random.default_rng(3), 8000.0, 16
    t = np.arange(round(2 * rate_hz * times)) / rate_hz / times
    wanted = 40 * (1 + 0.3 * np.sin(2 * np.pi * 0.9 * t)) * np.sin(2 * np.pi * 47 * t)
    rail = 40 * (1 - 0.0015 * np.sin(2 * np.pi * 310 * t))
    logged = signal.resample_poly(np.clip(wanted, -rail, rail), 1, times)
    logged += 5e-4 * rng.standard_normal(len(logged))
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({"output": logged.astype(np.float32)}, rate_hz, window_s=10.0):
        detector.push(window)
    errors = []
    for found in detector.finish().findings:
        on = (t >= found.start_s) & (t <= found.stop_s)
        true_db = 20 * np.log10(np.max(np.abs(wanted[on]) / rail[on]))
        errors.append(abs(float(found.measured["overdrive_db"]) - true_db))
    assert len(errors) > 80
    assert np.median(errors) < 0.05
