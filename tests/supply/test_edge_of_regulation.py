"""Ceilings at the edge of what their plateaus show: a soft end at the top, own droop, a stage without a converter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.detect.clips.cause import ceiling_knee, clip_cause
from ampwitness.detect.clips.cause.ceiling_fit import AT_ONCE, CeilingFit, Plateaus
from ampwitness.detect.clips.cause.ceiling_top import stop_at_top
from ampwitness.detect.clips.cause.clip_cause import learn_ceilings
from ampwitness.types import FloatArray

SIDES = ("positive", "negative")


def _plateaus(supply_v: FloatArray, level_v: FloatArray) -> Plateaus:
    """Under a supply that stood at every lag."""
    n = len(supply_v)
    load = np.broadcast_to(0.6 * level_v[:, None, None], (n, 2, 4))
    return Plateaus(
        level_v, np.zeros(n), np.full(n, 0.002), np.repeat(supply_v[:, None], 4, axis=1), load, supply_v, supply_v
    )


def _learn(sides: dict[str, Plateaus]) -> dict[str, CeilingFit]:
    return learn_ceilings(sides, {side: seen.level_v for side, seen in sides.items()})


def test_a_line_that_the_topmost_plateaus_lie_below_is_not_carried_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Regulation at 12.0 V that sets in softly: few plateaus lie above, each at a level of its own."""
    rng = np.random.default_rng(7)
    sides = {}
    for side in SIDES:
        supply_v = np.concatenate((rng.uniform(10.0, 11.4, 300), [11.8, 11.9, 12.0, 12.05, 12.1]))
        level_v = 2.4 * np.minimum(supply_v, 11.5) - 1.0 + 0.01 * rng.standard_normal(len(supply_v))
        level_v[-5:] += [0.1, -0.25, 0.3, -0.1, 0.2]
        sides[side] = _plateaus(supply_v, level_v)
    highest_v = max(float(seen.level_v.max()) for seen in sides.values())
    monkeypatch.setattr(ceiling_knee, "_bend", lambda fits, every: None)  # as where no lag is the amplifier's own
    told = ceiling_knee.fit_ceilings(sides)["positive"]
    assert told.kind == "regulated until the supply is too low"
    assert float(told.at(np.array([12.8]))[0]) == pytest.approx(highest_v, abs=0.3)
    monkeypatch.setattr(ceiling_knee, "stop_at_top", lambda fits, seen: dict(fits))
    assert float(ceiling_knee.fit_ceilings(sides)["positive"].at(np.array([12.8]))[0]) > highest_v + 1.0


def test_one_odd_plateau_at_the_top_ends_no_line() -> None:
    rng = np.random.default_rng(8)
    supply_v = rng.uniform(10.0, 12.0, 100)
    level_v = 2.4 * supply_v - 1.0 + 0.01 * rng.standard_normal(100)
    level_v[supply_v.argmax()] -= 0.5
    sides = {side: _plateaus(supply_v, level_v) for side in SIDES}
    fits = ceiling_knee.fit_ceilings(sides)
    assert all(np.isinf(fit.knee_v) for fit in fits.values())
    assert stop_at_top(fits, sides) == fits


def test_what_hardly_rises_with_the_supply_is_own_droop(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(9)
    supply_v = rng.uniform(11.2, 12.4, 80)
    sides = {side: _plateaus(supply_v, 25.0 + 0.3 * supply_v + 0.01 * rng.standard_normal(80)) for side in SIDES}
    assert [fit.kind for fit in _learn(sides).values()] == ["regulated", "regulated"]
    monkeypatch.setattr(clip_cause, "leave_out_droop", lambda fits, seen: dict(fits))
    assert [fit.kind for fit in _learn(sides).values()] == ["follows supply", "follows supply"]


def test_a_rise_near_proportion_that_is_not_well_known_is_proportion() -> None:
    """A stage on the battery itself, whose supply moves by 40 mV while it is cut off: a rise of 0.84 +- 0.1 is one."""
    rng = np.random.default_rng(10)
    supply_v = np.linspace(11.88, 11.92, 24)
    error_v = 0.006 * rng.standard_normal(24)
    middle_v = supply_v - supply_v.mean()
    error_v -= middle_v * (error_v @ middle_v) / (middle_v @ middle_v)
    level_v = supply_v.mean() - 0.8 + 0.84 * middle_v + error_v
    seen = _plateaus(supply_v, level_v)
    # What the lags show is noise: they mix in what the supply was beside the plateau.
    seen = replace(seen, supply=11.9 + 0.03 * rng.standard_normal((24, 4)))
    told = _learn(dict.fromkeys(SIDES, seen))["positive"]
    assert (told.kind, told.lag) == ("follows supply", AT_ONCE)
    assert told.ratio == pytest.approx(1.0, abs=0.06)
