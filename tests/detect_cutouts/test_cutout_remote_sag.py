"""A remote lead that was back before the output was has had its effect: it explains no later stop."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts

AT = np.arange(14 * RATE_HZ) / RATE_HZ


def test_a_pause_soon_behind_a_return_is_not_put_down_to_the_remote_lead_that_fell_before() -> None:
    rng = np.random.default_rng(4)
    wave = 9 * np.sin(2 * np.pi * 53 * AT) * ~((AT > 5.0) & (AT < 6.5)) * ~((AT > 6.9) & (AT < 7.6))
    remote = np.where((AT > 4.985) & (AT < 6.3), 0.2, 12.3)
    volts = {"output": wave, "supply": np.full(len(AT), 12.6), "remote": remote}
    noisy = {role: values + rng.normal(0, 0.01, len(AT)) for role, values in volts.items()}
    first, then = find_cutouts(CutoutCase(noisy, "", ()))[0]
    assert first.measured["cause"] == "remote lead dropped"
    assert then.start_s == pytest.approx(6.9, abs=0.005)
    assert str(then.measured["cause"]).startswith("not decided: the signal may have paused")
