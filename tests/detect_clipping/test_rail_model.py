"""The level at which an output is stopped, learned from plateaus that may nearly all stand at one supply."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.detect.clips.rail_model import learn_rail


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
