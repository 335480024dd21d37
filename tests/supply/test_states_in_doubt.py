"""Engine states where the battery's kind or the system's volts leave them open."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.road import settle_road
from ampwitness.detect.supply.supply_history import SupplyHistory
from ampwitness.types import FloatArray

RATE_HZ = 1000.0
# A rested lithium iron phosphate battery, nearly full, and a charged 24 V vehicle: common practice, no source.
LITHIUM_REST_V, CHARGED_24_V = 13.3, 27.6


def _states(supply: FloatArray, **declared: object) -> tuple[list[str], tuple[str, ...]]:
    history = SupplyHistory()
    for window in iter_windows_from_arrays({"supply": supply}, RATE_HZ, window_s=10.0):
        history.push(window)
    engine = settle_road((), history.finish(), **declared)[-1]  # type: ignore[arg-type]
    return [span["state"] for span in engine.summary["spans"]], tuple(engine.summary["remarks"])


def _level(*levels_v: float) -> FloatArray:
    at = np.arange(20 * int(RATE_HZ)) / RATE_HZ
    return np.concatenate([volts + 0.01 * np.sin(at) for volts in levels_v])


@pytest.mark.parametrize("kind", ["lithium", None])
def test_volts_at_which_lithium_rests_are_no_charging_by_themselves(kind: str | None) -> None:
    states, remarks = _states(_level(LITHIUM_REST_V + 0.05), battery_kind=kind)
    assert states == ["not decidable"]
    assert remarks[0].startswith("a supply of up to 13.4 V may be a lithium battery at rest")
    assert ("not declared" in remarks[0]) == (kind is None)


@pytest.mark.parametrize("kind", ["flooded", "AGM", "agm"])
def test_no_battery_of_lead_rests_there(kind: str) -> None:
    assert _states(_level(LITHIUM_REST_V + 0.05), battery_kind=kind) == (["charging"], ())


def test_what_stands_higher_charges_whatever_the_battery() -> None:
    for kind in ("lithium", None):
        assert _states(_level(14.2), battery_kind=kind)[0] == ["charging"]


def test_a_step_up_from_rest_is_a_charger_unless_lithium_was_declared() -> None:
    supply = _level(12.5, LITHIUM_REST_V + 0.05)
    assert _states(supply)[0] == ["rest", "charging"]
    assert _states(supply, battery_kind="lithium")[0] == ["rest", "not decidable"]


@pytest.mark.parametrize("declared_v", [24.0, None])
def test_a_24_v_vehicle_has_no_states_by_the_volts_of_12(declared_v: float | None) -> None:
    states, remarks = _states(_level(25.2, CHARGED_24_V), nominal_supply_v=declared_v)
    assert states == ["not decidable"]
    assert "12 V vehicles" in remarks[0]
