"""Extrapolated crests against the closed form of a clipped sine."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.detect.lobe_fit import ramp
from ampwitness.detect.overdrive import Corners, extrapolate_crests, sine_crest


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


def test_unequal_flanks_lean_the_crest_but_do_not_lower_it() -> None:
    one = np.ones(1)
    even = extrapolate_crests(Corners(10 * one, 30 * one, one, one, 0.1 * one, 0.01 * one, 0.05 * one, 0 * one))
    uneven = extrapolate_crests(
        Corners(10 * one, 30 * one, 1.5 * one, 0.5 * one, 0.1 * one, 0.01 * one, 0.05 * one, 0 * one)
    )
    assert uneven.crest_v[0] >= even.crest_v[0]


def test_band_limited_ramp_meets_the_ideal_one_away_from_its_corner() -> None:
    t = np.array([-9.0, -6.0, 0.0, 6.0, 9.0])
    rounded = ramp(t[None, :], np.ones(1, dtype=int))[0]
    assert np.allclose(rounded[[0, 1, 3, 4]], np.maximum(t, 0)[[0, 1, 3, 4]], atol=0.02)
    # An ideal low-pass at B half sample rates leaves 1 / (pi^2 B) ... within a fifth of that at the corner itself.
    assert rounded[2] == pytest.approx(1 / (math.pi**2 * 0.9) * 1.0, rel=0.25)
