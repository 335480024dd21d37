"""Plateaus that scatter (hum added behind the amplifier, a rail that wobbles): a level that is only not refuted is no
regulated rail."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.cause import clip_cause
from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit, Plateaus, to_loads
from ampwitness.detect.clips.cause.clip_cause import learn_ceilings

N, RATIO, LOSS_V = 250, 2.5, 0.7


def _sides(scatter_v: float, moves_v: float, ratio: float = RATIO) -> dict[str, Plateaus]:
    """Both polarities of an amplifier of some 28 V, supplies spread over `moves_v`, levels scattered evenly."""
    rng = np.random.default_rng(3)
    sides = {}
    for side in ("positive", "negative"):
        supply_v = 11.65 + moves_v * rng.uniform(-0.5, 0.5, N)
        supply = supply_v[:, None] + 0.004 * rng.standard_normal((N, 4))
        level_v = (RATIO * 11.65 - LOSS_V) + ratio * (supply_v - 11.65) + scatter_v * rng.uniform(-1.7, 1.7, N)
        size_v = 18.0 + 0.5 * rng.standard_normal((N, 4))
        loads = to_loads(level_v, size_v, 1.1 * size_v)
        sides[side] = Plateaus(level_v, np.zeros(N), np.full(N, 0.002), supply, loads)
    return sides


def _learn(sides: dict[str, Plateaus]) -> dict[str, CeilingFit]:
    return learn_ceilings(sides, {side: seen.level_v for side, seen in sides.items()})


def test_a_ceiling_that_follows_is_told_through_hum(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.21 V of hum hide a rise that a line through 500 plateaus still shows with five deviations."""
    sides = _sides(0.21, 0.2)
    for fit in _learn(sides).values():
        assert fit.kind == "follows supply"
        assert fit.ratio == pytest.approx(RATIO, rel=0.04)
    monkeypatch.setattr(clip_cause, "ask_levels", lambda levels, sides: levels)
    assert {fit.kind for fit in _learn(sides).values()} == {"regulated"}


def test_nothing_is_said_where_plateaus_agree_with_both() -> None:
    assert _learn(_sides(0.8, 0.12)) == {}


@pytest.mark.parametrize("scatter_v", [0.015, 0.06])
def test_a_level_that_stands_is_one(scatter_v: float) -> None:
    fits = _learn(_sides(scatter_v, 0.2, ratio=0.0))
    assert {fit.kind for fit in fits.values()} == {"regulated"}
    assert len(fits) == 2
