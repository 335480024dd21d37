"""The correction against a converter modelled elsewhere (bench.adc), standing still and moving."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.adc import AdcModel as BenchAdc
from ampwitness.bench.adc import nominal_inl_lsb
from ampwitness.waveform import adc_correction
from ampwitness.waveform.adc_correction import CENTRE_CODE, NOMINAL_ADC, AdcModel, correct_counts, make_correction

LSB_V = 3.3 / 4096


def averaged(adc: BenchAdc, lsb: np.ndarray, averaging: int) -> tuple[np.ndarray, np.ndarray]:
    """Counts, and the true mean in LSB, of (n * averaging,) inputs."""
    codes = adc.codes(lsb.reshape(-1, averaging) * LSB_V)
    return codes.sum(axis=1).astype(np.uint16), lsb.reshape(-1, averaging).mean(axis=1)


def test_an_ideal_converter_is_left_alone():
    ideal = make_correction(AdcModel((0.0, 0.0, 0.0, 0.0), 1.6), 8, 8.0)
    counts = np.arange(100, 32_600, dtype=np.uint16)
    corrected = correct_counts(counts, ideal)
    np.testing.assert_allclose(corrected, counts / 8 - CENTRE_CODE, atol=2e-3)


def test_static_table_is_the_closed_form_away_from_the_wide_codes():
    table = make_correction(NOMINAL_ADC, 8, 8.0).still
    code = np.arange(20, 4076)
    away = np.min(np.abs(code[:, np.newaxis] - np.array([512, 1536, 2560, 3584])), axis=1) > 10
    added = table[code * 8] + CENTRE_CODE - code
    np.testing.assert_allclose(added[away], nominal_inl_lsb(code)[away], atol=2e-3)
    assert np.abs(added).max() == pytest.approx(4.0, abs=0.6)  # the sawtooth's height, rounded by the noise


@pytest.mark.parametrize(
    ("rate_hz", "averaging", "hz"), [(8000, 8, 40.0), (8000, 8, 200.0), (25000, 2, 1000.0), (2000, 32, 40.0)]
)
@pytest.mark.parametrize("amplitude_lsb", [300.0, 1450.0, 1900.0])
def test_only_noise_is_left_of_a_moving_signal(rate_hz, averaging, hz, amplitude_lsb):
    adc = BenchAdc(3, reference_v=3.3, is_nominal=True)
    t = np.arange(40_000 * averaging) / (rate_hz * averaging)
    lsb = 2060.0 + amplitude_lsb * np.sin(2 * np.pi * hz * t)
    codes = adc.codes(lsb.reshape(-1, averaging) * LSB_V).sum(axis=1)
    shift = 1 if averaging == 32 else 0
    counts = (codes >> shift).astype(np.uint16)
    true = lsb.reshape(-1, averaging).mean(axis=1) - CENTRE_CODE
    floor = adc.noise_lsb / averaging**0.5
    error = correct_counts(counts, make_correction(NOMINAL_ADC, averaging, averaging / 2**shift)) - true
    raw = correct_counts(counts, make_correction(None, averaging, averaging / 2**shift)) - true
    assert error.std() < 1.12 * floor + 0.02
    assert raw.std() > 1.5
    assert abs(error.mean()) < 0.05


def test_a_sample_does_not_depend_on_what_else_is_in_the_run():
    rng = np.random.default_rng(1)
    adc = BenchAdc(3, reference_v=3.3, is_nominal=True)
    slow, _ = averaged(adc, 2048 + 30 * np.sin(np.arange(4000 * 8) / 900), 8)
    fast, _ = averaged(adc, 2048 + 1900 * np.sin(np.arange(4000 * 8) / 40), 8)
    run = np.concatenate((slow, fast, rng.permutation(fast)))
    table = make_correction(NOMINAL_ADC, 8, 8.0)
    whole = correct_counts(run, table)
    for start, stop in ((0, 4000), (3500, 4300), (7000, 12000)):
        part = correct_counts(run[start:stop], table)
        np.testing.assert_array_equal(part[1:-1], whole[start + 1 : stop - 1])


def test_without_a_model_counts_become_codes_and_nothing_else():
    counts = np.array([0, 8, 16384, 32760], dtype=np.uint16)
    np.testing.assert_array_equal(
        correct_counts(counts, make_correction(None, 8, 8.0)) + CENTRE_CODE, [0.0, 1.0, 2048.0, 4095.0]
    )


def test_a_board_whose_wide_codes_differ_keeps_an_error_of_that_size():
    """Drawn widths of 6.5 to 9.5 LSB: what remains is below the 1.5 LSB by which they differ from nominal."""
    adc = BenchAdc(11, reference_v=3.3)
    t = np.arange(40_000 * 8) / 64_000
    counts, true = averaged(adc, 2060.0 + 1450 * np.sin(2 * np.pi * 40 * t), 8)
    error = correct_counts(counts, make_correction(NOMINAL_ADC, 8, 8.0)) - (true - CENTRE_CODE)
    remaining = (error - error.mean()).std()
    assert adc.noise_lsb / 8**0.5 < remaining < 1.5


def test_counts_far_from_every_wide_code_are_passed_over_only_where_nothing_would_change(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(3)
    correction = make_correction(NOMINAL_ADC, 8, 8.0)
    runs = []
    for _ in range(150):
        wave = rng.choice([8, 240, 1600, 8000]) * np.sin(np.arange(300) * rng.uniform(0.001, 3))
        runs.append(np.clip(rng.uniform(0, 32760) + wave, 0, 32760).astype(np.uint16))
    quickly = [correct_counts(run, correction) for run in runs]
    is_far = [adc_correction._is_far_from_wide(run, correction) for run in runs]
    assert 30 < sum(is_far) < 120
    monkeypatch.setattr(adc_correction, "_is_far_from_wide", lambda *_: False)
    for run, codes in zip(runs, quickly, strict=True):
        np.testing.assert_array_equal(correct_counts(run, correction), codes)
