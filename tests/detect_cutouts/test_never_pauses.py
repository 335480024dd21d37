"""A signal that is known never to pause: what is silence, and what merely plays on at a lower level."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from scipy.signal import butter, sosfilt

AT = np.arange(9 * RATE_HZ) / RATE_HZ


@pytest.mark.parametrize("band_hz", [(25.0, 120.0), (20.0, 2500.0)])
def test_noise_that_plays_on_18_db_lower_is_no_silence_and_what_stops_is(band_hz: tuple[float, float]) -> None:
    rng = np.random.default_rng(11)
    noise = sosfilt(butter(2, band_hz, "band", fs=RATE_HZ, output="sos"), rng.standard_normal(len(AT)))
    level = np.where((AT > 3) & (AT < 5), 10 ** (-18 / 20), 1.0) * ((AT < 7.0) | (AT > 7.2))
    wave = 6 * noise / noise.std() * level
    case = CutoutCase({"output": wave + rng.normal(0, 0.025, len(AT))}, "", is_continuous=True)
    (found,) = find_cutouts(case)[0]
    assert found.start_s == pytest.approx(7.0, abs=0.005)
    assert found.stop_s == pytest.approx(7.2, abs=0.005)


@pytest.mark.parametrize("window_s", [1.0, 10.0])
def test_a_stop_of_40_ms_in_a_tone_is_one_where_the_signal_never_pauses(window_s: float) -> None:
    wave = 12 * np.sin(2 * np.pi * 43 * AT) * ((AT < 4.004) | (AT > 4.044))
    volts = {"output": wave + np.random.default_rng(2).normal(0, 0.02, len(AT))}
    (found,) = find_cutouts(CutoutCase(volts, "", is_continuous=True), window_s)[0]
    assert found.start_s == pytest.approx(4.004, abs=0.003)
    assert found.measured["outage_s"] == pytest.approx(0.040, abs=0.005)
    assert found.measured["returned"] == "at once"
    assert not find_cutouts(CutoutCase(volts, ""), window_s)[0]


@pytest.mark.parametrize("low_pass_hz", [50.0, 120.0])
def test_noise_about_zero_is_no_short_stop(low_pass_hz: float) -> None:
    at = np.arange(60 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(12)
    noise = sosfilt(butter(4, [20.0, low_pass_hz], "band", fs=RATE_HZ, output="sos"), rng.standard_normal(len(at)))
    volts = {"output": 6 * noise / noise.std() + rng.normal(0, 0.02, len(at))}
    found = find_cutouts(CutoutCase(volts, "", is_continuous=True))[0]
    assert not [one for one in found if one.measured["outage_s"] < 0.05]
