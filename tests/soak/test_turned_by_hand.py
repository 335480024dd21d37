"""Levels that a hand changed, and parts that were resumed: no drift, and one that is dated all the same."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.soak_scores import judge_soak
from ampwitness.bench.soak_signals import make_soak
from ampwitness.detect.soak.drift_fit import find_drifts
from ampwitness.types import FloatArray

MINUTES = np.arange(12 * 60)
TIME_S = 60.0 * MINUTES + 30.0


def _level() -> FloatArray:
    rng = np.random.default_rng(7)
    return np.asarray(0.01 * np.sin(MINUTES / 200) + rng.normal(0, 0.003, len(MINUTES)))


@pytest.mark.parametrize("drive", ["tone", "noise"])
@pytest.mark.parametrize("seed", [301, 302, 303])
def test_a_level_that_is_turned_is_no_drift(drive: str, seed: int) -> None:
    assert not judge_soak(make_soak(seed, "turned", drive)).findings  # type: ignore[arg-type]


@pytest.mark.parametrize("change_db", [0.25, -3.0])
def test_a_step_is_told_where_it_lies_though_its_minute_holds_both_levels(change_db: float) -> None:
    level_db = _level() + change_db * (MINUTES > 300) + 0.4 * change_db * (MINUTES == 300)
    stretches, steps = find_drifts(TIME_S, level_db, 60.0)
    assert [drift for stretch in stretches for drift in stretch.drifts] == []
    ((at, by_db),) = steps
    assert at in (300, 301)
    assert by_db == pytest.approx(change_db, abs=0.03)


def test_a_drift_that_began_between_two_parts_is_dated_there() -> None:
    """Four hours are missing, and it began two hours into them."""
    kept = (MINUTES < 180) | (MINUTES > 420)
    level_db = _level() - 0.3 * np.clip((MINUTES - 300) / 360, 0, 1)
    stretches, _ = find_drifts(TIME_S[kept], level_db[kept], 60.0)
    (drift,) = [drift for stretch in stretches for drift in stretch.drifts]
    assert abs(drift.start_s - 300 * 60) < min(40 * 60, 2 * drift.start_uncertainty_s)
