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
