"""Closed forms against ngspice, and ngspice's stored words against ngspice of today."""

from __future__ import annotations

import json
import math
import os
import shutil

import pytest
from ampwitness.frontend.corner import thermal_noise_v
from ampwitness.frontend.disturbances import CHIP_BEYOND_V, DISTURBANCES, PIN_OHM, stress
from ampwitness.frontend.wishes import default_wishes
from make_ngspice_golden import GOLDEN, PULSES, STEADY, key_of, netlists, networks, run_ngspice

RESULTS: dict[str, dict[str, float]] = json.loads((GOLDEN / "results.json").read_text(encoding="utf-8"))
NETWORKS = networks()
DISTURBANCE = {one.name: one for one in DISTURBANCES[12]}


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_golden_netlists_are_of_todays_numbers(name: str) -> None:
    """Parts or clamp changed? Then run make_ngspice_golden.py again and look at what it says."""
    assert (GOLDEN / name).read_text(encoding="utf-8") == netlists()[name]


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_ngspice_of_today_says_the_same(name: str) -> None:
    if shutil.which("ngspice") is None:
        if os.environ.get("CI"):
            pytest.fail("CI installs ngspice, and it is not here")
        pytest.skip("ngspice is not installed")
    found = run_ngspice(netlists()[name])
    assert found.keys() == RESULTS[name].keys()
    for key, value in RESULTS[name].items():
        assert found[key] == pytest.approx(value, rel=2e-3, abs=1e-8), key


@pytest.mark.parametrize("wish", default_wishes(), ids=lambda wish: wish.name)
def test_gain_and_bias(wish: object) -> None:
    name, low_v, high_v = wish.name, wish.low_v, wish.high_v  # type: ignore[attr-defined]
    for end, volts in (("low", low_v), ("zero", 0.0), ("high", high_v)):
        found = RESULTS["gain.cir"][f"v(n{key_of(name)}{end})"]
        assert found == pytest.approx(NETWORKS[name].pin_v(volts), rel=1e-5, abs=1e-8)


@pytest.mark.parametrize("name", NETWORKS)
def test_corner_and_noise(name: str) -> None:
    found = RESULTS["corner_noise.cir"]
    assert found[f"corner{key_of(name)}"] == pytest.approx(NETWORKS[name].corner_hz, rel=1e-4)
    # kT/C; the band of 1 Hz to 10 MHz leaves out (2/pi)(1/5100 + 5100/10e6) = 0.04 % of the power.
    whole_v = thermal_noise_v(NETWORKS[name].farad)
    expected_v = whole_v * math.sqrt(1 - 2 / math.pi * (1 / 5_120 + 5_120 / 10e6))
    assert found[f"noise{key_of(name)}"] == pytest.approx(expected_v, rel=1e-4)


@pytest.mark.parametrize("name", NETWORKS)
@pytest.mark.parametrize("disturbance", STEADY)
def test_lasting_disturbances(name: str, disturbance: str) -> None:
    found = RESULTS["steady.cir"]
    key = key_of(name) + key_of(disturbance)
    mine = stress(NETWORKS[name], DISTURBANCE[disturbance])
    is_up = DISTURBANCE[disturbance].volts > 0
    assert found[key + ("highv" if is_up else "lowv")] == pytest.approx(mine.node_v, rel=2e-3)
    assert found[key + ("upa" if is_up else "downa")] == pytest.approx(mine.clamp_a, rel=5e-3, abs=1e-9)
    assert found[key + ("downa" if is_up else "upa")] == 0


@pytest.mark.parametrize("name", NETWORKS)
@pytest.mark.parametrize("disturbance", PULSES)
def test_pulses_stay_inside_the_designers_bounds(name: str, disturbance: str) -> None:
    """The designer takes a pulse as a rectangle and the clamp as settled: real shapes do less, but not nothing."""
    found = RESULTS["pulses.cir"]
    key = key_of(name) + key_of(disturbance)
    mine = stress(NETWORKS[name], DISTURBANCE[disturbance])
    is_up = DISTURBANCE[disturbance].volts > 0
    peak_v = found[key + ("highv" if is_up else "lowv")]
    assert peak_v <= mine.node_v * 1.001 if is_up else peak_v >= mine.node_v - 0.001 * abs(mine.node_v)
    assert max(found[key + "upa"], found[key + "downa"]) <= mine.clamp_a * 1.005 + 1e-9
    if disturbance == "pulse 1":  # long against the time constant: the bound is nearly reached
        assert found[key + "downa"] == pytest.approx(mine.clamp_a, rel=0.15)


def test_chip_behind_the_pin_resistor() -> None:
    """With a junction in the chip instead of the limit of its rating, the current is less, but of the same size."""
    found = RESULTS["steady.cir"]
    mine = stress(NETWORKS["SUPPLY"], DISTURBANCE["unsuppressed load dump"])
    assert 0.7 * mine.pin_a < found["chippina"] < mine.pin_a
    assert found["chippinv"] - 3.3 - CHIP_BEYOND_V < 0.1
    # Ohm's law over the pin resistor, from ngspice's own two numbers to the designer's node.
    assert found["chippina"] * PIN_OHM + found["chippinv"] == pytest.approx(mine.node_v, rel=2e-3)
