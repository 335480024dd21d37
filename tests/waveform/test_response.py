"""The response against brute force, and its inverse against the response."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.waveform.response import (
    HALF_TAPS,
    PASS_FRACTION,
    ChannelResponse,
    design_inverse,
    gain_through,
)

BASS = ChannelResponse(5100.0, 8000.0, 8, 3.5 / 64000 + 5.208e-6)
WIDE = ChannelResponse(5100.0, 25000.0, 2, 10e-6 + 13.333e-6)
SLOW = ChannelResponse(5100.0, 2000.0, 32, 31 / 128000)
ALL = [BASS, WIDE, SLOW]


def brute_gain(response: ChannelResponse, hz: float) -> complex:
    """Average of complex exponentials behind an RC, conversion by conversion."""
    first_s = response.delay_s - (response.averaging - 1) / (2 * response.averaging * response.rate_hz)
    t = first_s + np.arange(response.averaging) / (response.averaging * response.rate_hz)
    return complex(np.mean(np.exp(2j * np.pi * hz * t)) / (1 + 1j * hz / response.corner_hz))


@pytest.mark.parametrize("response", ALL)
@pytest.mark.parametrize("hz", [0.0, 40.0, 999.0, 3400.0, 8000.0, 12000.0, 63999.0, 64000.0, 128000.0])
def test_response_is_that_of_averaged_conversions(response, hz):
    assert response.gain_at(np.array([hz]))[0] == pytest.approx(brute_gain(response, hz), abs=1e-9)


def test_corner_is_three_decibels_down_and_45_degrees_late():
    """Textbook first-order low-pass: 1/sqrt(2) and -45 degrees at the corner."""
    plain = ChannelResponse(5100.0, 1e6, 1, 0.0)
    gain = plain.gain_at(np.array([5100.0]))[0]
    assert abs(gain) == pytest.approx(2**-0.5)
    assert np.degrees(np.angle(gain)) == pytest.approx(-45.0)


@pytest.mark.parametrize("response", ALL)
def test_inverse_is_exact_to_a_thousandth_up_to_the_stated_fraction(response):
    inverse = design_inverse(response)
    nyquist = response.rate_hz / 2
    hz = np.linspace(0, PASS_FRACTION * nyquist, 997)  # not the design grid
    error = np.abs(gain_through(response, inverse, hz) - 1)
    assert error.max() < 1e-3
    assert error[hz < nyquist / 2].max() < 5e-5
    assert error[0] < 1e-9
    assert inverse.worst_error_ratio == pytest.approx(error.max(), rel=0.05)


@pytest.mark.parametrize(("response", "bound"), [(BASS, 1.25), (WIDE, 1.9), (SLOW, 1.15)])
def test_noise_gain_is_as_stated_and_bounded(response, bound):
    inverse = design_inverse(response)
    noise = np.random.default_rng(5).standard_normal(200_000)
    measured = np.convolve(noise, inverse.taps, mode="valid").std()
    assert inverse.noise_gain == pytest.approx(measured, rel=0.01)
    assert inverse.noise_gain < bound
    assert inverse.highest_gain < 3.1


@pytest.mark.parametrize("response", ALL)
def test_nothing_is_left_at_nyquist(response):
    inverse = design_inverse(response)
    assert len(inverse.taps) == 2 * HALF_TAPS + 1
    assert abs(gain_through(response, inverse, np.array([response.rate_hz / 2]))[0]) < 0.02


def test_what_folds_is_stated():
    """7 kHz at 8 kS/s comes out at 1 kHz with the raw gain there (brute force) over that of 1 kHz."""
    expected = abs(brute_gain(BASS, 7000.0)) / abs(brute_gain(BASS, 1000.0))
    seen = gain_through(BASS, design_inverse(BASS), np.array([7000.0]))[0]
    assert abs(seen) == pytest.approx(expected, rel=1e-3)
    assert 0.08 < expected < 0.1
