"""The least error at which a drift can be dated, against fits of made-up levels."""

from __future__ import annotations

import numpy as np
from ampwitness.bench.soak_bounds import onset_bound_s, ramp_bound_s, share_within
from ampwitness.bench.soak_signals import Soak
from ampwitness.types import FloatArray
from scipy.optimize import curve_fit

SOAK = Soak(20.0, "noise", "linear", 7 * 3600.0, 6 * 3600.0, 0.3, False, False, 1)


def test_least_squares_reach_the_bound_where_errors_are_small() -> None:
    """SciPy's `curve_fit` (an outside fit) scatters by what the bound says, in white noise of a millibel."""
    times = np.arange(150.0, 72000.0, 300.0)
    scatter_db = 0.001
    bound_s = ramp_bound_s(times, scatter_db**2 * np.eye(len(times)), SOAK)

    def ramp(at_s: FloatArray, start_h: float, stop_h: float, change_db: float, before_db: float) -> FloatArray:
        return before_db + change_db * np.clip((at_s / 3600 - start_h) / (stop_h - start_h), 0.0, 1.0)

    rng = np.random.default_rng(4)
    truth = (7.0, 13.0, 0.3, 0.0)
    starts_h = [
        curve_fit(ramp, times, ramp(times, *truth) + scatter_db * rng.standard_normal(len(times)), p0=truth)[0][0]
        for _ in range(200)
    ]
    # 200 draws scatter by 5 % in their standard deviation
    assert abs(3600 * float(np.std(starts_h)) / bound_s - 1) < 0.15


def test_bound_grows_with_the_noise_and_the_wander() -> None:
    """Plain noise of 150 Hz: some ten minutes; a tone, which scatters less, far less."""
    noise_s = onset_bound_s(SOAK)
    white_s = ramp_bound_s(
        times := np.arange(150.0, 72000.0, 300.0), SOAK.scatter_db**2 / 300 * np.eye(len(times)), SOAK
    )
    tone_s = onset_bound_s(Soak(20.0, "tone", "linear", 7 * 3600.0, 6 * 3600.0, 0.3, False, False, 1))
    assert tone_s < 0.5 * noise_s
    assert 300 < white_s < noise_s < 900
    assert abs(share_within(1.0, 1.96) - 0.95) < 0.001  # of a normal distribution: 1.96 of it hold 95 %
