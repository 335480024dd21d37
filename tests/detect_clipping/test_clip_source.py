"""Plateaus at many levels: cut off before the amplifier, or at a rail that sinks into a limit of its own."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clip_candidates import FIELDS, Candidates
from ampwitness.detect.clip_source import is_source_for_sure


def make_table(level_v: np.ndarray, supply_v: np.ndarray) -> Candidates:
    """Plateaus half a second apart."""
    columns = {name: np.zeros(len(level_v)) for name in FIELDS}
    columns |= {"level_v": level_v, "start_s": 0.5 * np.arange(len(level_v)), "sign": np.ones(len(level_v))}
    return Candidates(columns, np.repeat(supply_v[:, None], 4, axis=1), np.ones((len(level_v), 4)))


def is_sure(level_v: np.ndarray, supply_v: np.ndarray) -> bool:
    return is_source_for_sure([(make_table(level_v, supply_v), np.ones(len(level_v), dtype=bool))])


def test_a_step_beside_a_moving_supply_is_the_source_and_a_rail_that_follows_is_not() -> None:
    rng = np.random.default_rng(5)
    supply = rng.uniform(12.2, 12.8, 40)
    noise = 1 + 2e-4 * rng.standard_normal(40)
    step = np.repeat([20.0, 21.0], 20)
    assert is_sure(step * noise, supply)
    assert not is_sure(np.full(40, 20.0) * noise, supply)  # regulated
    assert not is_sure(step * noise, np.full(40, 12.6))  # nothing moved: nothing is shown
    charged = np.repeat([12.6, 14.2], 20) + 0.001 * rng.standard_normal(40)
    assert not is_sure(charged * 1.6, charged)  # follows a supply that stepped
    assert not is_sure(supply * 1.6, supply)
    pulled = np.repeat([13.2, 11.2], 20)  # a reservoir hides the ripple, not that another consumer pulls
    assert not is_sure(pulled * 2.3 * noise, pulled * (1 + 0.01 * rng.standard_normal(40)))


@pytest.mark.parametrize(
    ("name", "case", "seed", "seconds", "wanted"),
    [
        ("hostile", "source clipped, level moves", 101, 10.0, "source"),
        ("stages", "boosted supply with a current limit", 101, 8.0, "undecided"),
        ("stages", "lossy on one side", 105, 10.0, "undecided"),
    ],
)
def test_what_is_named(name: str, case: str, seed: int, seconds: float, wanted: str) -> None:
    tally = score_case(clip_sets.make(name, case, seed, seconds), 0.0005)
    named = {origin for _, origin in tally.origins}
    assert tally.n_hit.total() > 0.9 * tally.n_true.total()
    assert named <= {wanted, "amplifier"} - ({"amplifier"} if wanted == "source" else set())
