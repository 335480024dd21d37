"""The level at which an output is stopped, learned from plateaus that may nearly all stand at one supply."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.ceiling.rail_model import learn_rail
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S


@pytest.mark.parametrize("ratio", [0.0, 2.5])
def test_a_few_plateaus_at_other_supplies_say_that_a_rail_follows(ratio: float) -> None:
    """Forty at one supply, a dozen elsewhere: a level that stands still leaves no spread, but leaves the dozen out."""
    rng = np.random.default_rng(4)
    supply = np.concatenate((12.3 + 0.002 * rng.standard_normal(40), rng.uniform(11.3, 13.4, 12)))
    level = 30.8 + ratio * (supply - 12.3) + 0.02 * rng.standard_normal(52)
    lagged = np.tile(supply[:, None], (1, len(SUPPLY_LAGS_S)))
    rail = learn_rail(level, lagged, rng.uniform(10, 20, (52, len(OUTPUT_LAGS_S))))
    assert rail is not None
    assert rail.per_supply_v == pytest.approx(ratio, abs=0.1)


def test_a_rail_that_lags_between_two_known_lags_is_followed_where_the_supply_moves() -> None:
    """Most plateaus stand where the supply is steady and mind no lag; those at the beginning of notes do."""
    rng = np.random.default_rng(5)
    steady = 12.5 + 0.3 * rng.standard_normal(40)
    lagged = np.tile(steady[:, None], (1, len(SUPPLY_LAGS_S)))
    lagged[:8] += np.array([0.0, 0.2, 0.45, 0.7])  # falling: what lags is higher
    level = 1.6 * (0.5 * lagged[:, 0] + 0.5 * lagged[:, 1]) + 0.01 * rng.standard_normal(40)
    output = rng.uniform(10, 20, (40, len(OUTPUT_LAGS_S)))
    rail = learn_rail(level, lagged, output)
    assert rail is not None
    assert rail.supply_lag == pytest.approx(0.5, abs=0.3)
    assert np.abs(rail.predict(lagged, output) - level)[:8].max() < 0.06
