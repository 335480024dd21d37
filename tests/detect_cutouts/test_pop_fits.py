"""What carries a damped swing on, from every one of its samples at once: as least squares one by one."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.cutouts.cutout_pop import carry_on_each


@pytest.mark.parametrize("noise_v", [0.0, 0.01])
def test_tails_of_a_swing_are_carried_on_as_by_least_squares(noise_v: float) -> None:
    at = np.arange(130.0)
    rng = np.random.default_rng(101)
    wave = 8.0 * np.exp(-at / 25.0) * np.sin(0.05 * at + 0.4) + noise_v * rng.normal(size=len(at))
    weights, left_v = carry_on_each(wave, 110)
    for start in range(110):
        tail = wave[start:]
        rows = np.column_stack((tail[1:-1], tail[:-2]))
        best = np.linalg.lstsq(rows, tail[2:], rcond=None)[0]
        rms_v = max(float(np.sqrt(np.mean((tail[2:] - rows @ best) ** 2))), 1e-6)
        assert left_v[start] == pytest.approx(rms_v, rel=1e-6, abs=2e-6)
        assert weights[start] == pytest.approx(best, abs=1e-5)


def test_a_plain_exponential_has_one_weight() -> None:
    wave = 4.0 * 0.9 ** np.arange(40.0)
    weights, left_v = carry_on_each(wave, 20)
    assert weights == pytest.approx(np.tile([0.9, 0.0], (20, 1)))
    assert left_v.max() < 1e-5
