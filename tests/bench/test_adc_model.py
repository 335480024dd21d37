"""The converter model against the figures it is to show, and against the published transfer."""

import math

import numpy as np
import pytest
from ampwitness.bench.adc import WIDE_CODES, AdcModel, nominal_inl_lsb

LSB_V = 3.3 / 4096


def effective_bits(code: np.ndarray, angle: np.ndarray) -> float:
    """IEEE 1057 three-parameter sine fit: columns [cos, sin, 1]; ENOB = log2(FSR / (NAD sqrt 12))."""
    basis = np.column_stack((np.cos(angle), np.sin(angle), np.ones(len(angle))))
    residual = code - basis @ np.linalg.lstsq(basis, code, rcond=None)[0]
    return math.log2(4096 / (math.sqrt(np.mean(residual**2)) * math.sqrt(12)))


@pytest.mark.parametrize("seed", [1, 2, 3, 40])
def test_noise_and_non_linearity_together_leave_8_7_bits(seed: int) -> None:
    # Source: RP2040 datasheet's ENOB of 8.7, as reproduced in digests of it.
    n = 200_000
    angle = 2 * np.pi * 997.3 / 64_000 * np.arange(n)
    code = AdcModel(seed).codes(1.65 + 1.645 * np.sin(angle)).astype(float)
    assert effective_bits(code, angle) == pytest.approx(8.7, abs=0.02)


def test_noise_alone_and_non_linearity_alone_are_each_better_than_both() -> None:
    n = 100_000
    angle = 2 * np.pi * 997.3 / 64_000 * np.arange(n)
    quiet = AdcModel(1, is_noisy=False).codes(1.65 + 1.645 * np.sin(angle)).astype(float)
    # A sawtooth of 8 LSB has 8 / sqrt(12) = 2.31 LSB rms: 9.0 bits.
    assert 8.8 < effective_bits(quiet, angle) < 9.3


def test_four_codes_are_wider_by_6_5_to_9_5_lsb_and_the_rest_equal() -> None:
    # Source of the codes: RP2350 datasheet, erratum RP2350-E11 / RP2040-E11 (DNL peaks at 512, 1536, 2560, 3584).
    adc = AdcModel(7, is_noisy=False)
    step = 1 / 64
    code = adc.codes(np.arange(-4, 4100, step) * LSB_V)
    width = np.bincount(code, minlength=4096) * step
    for place, wide in enumerate(WIDE_CODES):
        assert width[wide] - 1 == pytest.approx(adc.extra_width_lsb[place], abs=2 * step)
        assert 6.5 <= width[wide] - 1 <= 9.5
    narrow = np.delete(width, [0, 4095, *WIDE_CODES])
    assert narrow.min() > 0.99 - 2 * step
    assert narrow.max() < 1.0 + 2 * step
    assert np.all(np.diff(code.astype(int)) >= 0)


def test_every_code_appears_and_the_ends_saturate() -> None:
    adc = AdcModel(1, is_nominal=True, is_noisy=False)
    code = adc.codes(np.linspace(-0.2, 3.5, 200_000))
    assert set(np.unique(code)) == set(range(4096))
    assert code[0] == 0
    assert code[-1] == 4095


def test_published_inl_is_the_mean_input_of_each_code() -> None:
    adc = AdcModel(1, is_nominal=True, is_noisy=False)
    step = 1 / 128
    lsb = np.arange(-0.5, 4095.5, step) + step / 2
    code = adc.codes(lsb * LSB_V)
    mean_lsb = np.bincount(code, weights=lsb) / np.bincount(code)
    k = np.arange(4096)
    assert np.abs(mean_lsb - k - nominal_inl_lsb(k)).max() < 2 * step


def test_published_inl_closed_form() -> None:
    k = np.arange(4096)
    narrow = 1 - 4 * 8 / 4092
    below = sum((k > wide).astype(float) for wide in WIDE_CODES)
    is_wide = np.isin(k, WIDE_CODES)
    expected = k * (narrow - 1) + below * (9 - narrow) + (np.where(is_wide, 9.0, narrow) - 1) / 2
    assert np.abs(nominal_inl_lsb(k) - expected).max() < 1e-9
    assert nominal_inl_lsb(511) == pytest.approx(-4.0, abs=0.02)
    assert nominal_inl_lsb(513) == pytest.approx(4.0, abs=0.02)
    assert nominal_inl_lsb(510.5) == pytest.approx((nominal_inl_lsb(510) + nominal_inl_lsb(511)) / 2)


def test_same_seed_same_codes_whatever_the_cut() -> None:
    pin_v = np.random.default_rng(0).uniform(0, 3.3, 10_000)
    whole = AdcModel(5).codes(pin_v)
    adc = AdcModel(5)
    assert np.array_equal(whole, np.concatenate([adc.codes(part) for part in np.array_split(pin_v, 37)]))
    assert not np.array_equal(whole, AdcModel(6).codes(pin_v))
