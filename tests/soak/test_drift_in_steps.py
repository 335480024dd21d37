"""A level that sinks in small steps, as fans and guards that wait make it, drifts as one that sinks evenly."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.soak.drift_fit import find_drifts


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_many_small_steps_are_the_drift_that_they_make_together(sign: float) -> None:
    minute_s = 60.0 * (np.arange(12 * 60) + 0.5)
    share = np.ceil(np.clip((minute_s - 3 * 3600) / (6 * 3600), 0, 1) * 6) / 6  # an hour apart, 0.05 dB each
    level_db = sign * 0.3 * share + 0.001 * np.random.default_rng(4).standard_normal(len(minute_s))
    ((stretch,), steps) = find_drifts(minute_s, level_db, 60.0)
    (drift,) = stretch.drifts
    assert not steps
    assert drift.change_db == pytest.approx(sign * 0.3, abs=0.05)
    assert drift.start_s == pytest.approx(3 * 3600, abs=1200)
