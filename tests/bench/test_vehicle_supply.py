"""The supply network against closed forms and a circuit simulator."""

import math
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench import vehicle_supply
from ampwitness.bench.vehicle_supply import (
    Alternator,
    Capacitor,
    FixedLoad,
    SupplyCollapsedError,
    SupplyVolts,
    VehicleSupply,
    run_supply,
)

# 12.6 V, 12 mOhm battery, 8 mOhm cable, 1 F with 4 mOhm ESR at the amplifier, 60 A for 0.5 s.
NETWORK = VehicleSupply(12.6, 0.012, 0.005, 0.003, capacitor=Capacitor(1.0, 0.004))
RATE_HZ = 200_000
STEP_AT = 20_000  # sample
TAU_S = 0.024  # (20 mOhm + 4 mOhm) * 1 F


def pulse_run() -> SupplyVolts:
    ampere = np.zeros(160_000)
    ampere[STEP_AT : STEP_AT + RATE_HZ // 2] = 60.0
    return run_supply(NETWORK, FixedLoad(ampere), RATE_HZ, len(ampere))


@pytest.mark.parametrize(
    ("after_ms", "amplifier_v", "battery_v"),
    [
        # ngspice 39; its source rises within 10 us, so that it stands 5 us later than an ideal step
        (0.1, 12.39605, 12.47763),
        (10, 12.05938, 12.27563),
        (50, 11.52454, 11.95472),
        (499.9, 11.40000, 11.88000),
    ],
)
def test_pulse_against_simulator_table(after_ms: float, amplifier_v: float, battery_v: float) -> None:
    volts = pulse_run()
    at = STEP_AT + round((after_ms * 1e-3 - 5e-6) * RATE_HZ)
    assert volts.supply_v[at] == pytest.approx(amplifier_v, abs=8e-6)
    assert volts.battery_terminal_v[at] == pytest.approx(battery_v, abs=8e-6)


def test_pulse_against_closed_form_at_every_sample() -> None:
    # v = v_inf + (v_0 - v_inf) exp(-t / tau); v_0 = 12.6 - I R ESR / (R + ESR) = 12.4 V, v_inf = 12.6 - I R = 11.4 V
    volts = pulse_run()
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    expected = 11.4 + 1.0 * np.exp(-t / TAU_S)
    assert np.abs(volts.supply_v[STEP_AT : STEP_AT + len(t)] - expected).max() < 1e-6
    after = STEP_AT + RATE_HZ // 2
    left = 1.2 * (1 - math.exp(-0.5 / TAU_S))  # what the capacitor has lost at the release
    t = np.arange(8_000) / RATE_HZ
    released = 12.6 - left * (20 / 24) * np.exp(-t / TAU_S)
    assert np.abs(volts.supply_v[after : after + len(t)] - released).max() < 1e-6


def test_cable_and_battery_drops_are_told_apart() -> None:
    volts = pulse_run()
    at = STEP_AT + RATE_HZ // 2 - 1
    assert 12.6 - volts.battery_terminal_v[at] == pytest.approx(0.72, abs=1e-6)
    assert volts.battery_terminal_v[at] - volts.supply_v[at] == pytest.approx(0.48, abs=1e-6)
    assert volts.ground_v[at] == pytest.approx(-60 * 0.003, abs=1e-6)
    assert volts.battery_v[at] - volts.supply_v[at] == pytest.approx(60 * 0.005, abs=1e-6)


@pytest.mark.skipif(not os.environ.get("CI") and shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_pulse_against_simulator_run_here(tmp_path: Path) -> None:
    netlist = """supply
VB b 0 12.6
RI b t 12m
RC t a 8m
RE a c 4m
C1 c 0 1 IC=12.6
IL a 0 PULSE(0 60 0.1 10u 10u 0.49999 10)
.tran 20u 0.7 0 20u UIC
.control
run
linearize v(a) v(t)
wrdata out.txt v(a) v(t)
quit 0
.endc
.end
"""
    (tmp_path / "supply.cir").write_text(netlist)
    subprocess.run(["ngspice", "-b", "supply.cir"], cwd=tmp_path, check=True, capture_output=True)
    table = np.loadtxt(tmp_path / "out.txt")
    volts = pulse_run()
    for after_s in (0.0002, 0.001, 0.01, 0.05, 0.2, 0.499, 0.51, 0.55):
        row = np.argmin(np.abs(table[:, 0] - 0.1 - after_s))
        at = round((table[row, 0] - 5e-6) * RATE_HZ)
        assert volts.supply_v[at] == pytest.approx(table[row, 1], abs=30e-6)
        assert volts.battery_terminal_v[at] == pytest.approx(table[row, 3], abs=30e-6)


def test_without_capacitor_the_drop_is_ohms_law() -> None:
    ampere = np.repeat([0.0, 40.0, 10.0], 1_000)
    volts = run_supply(VehicleSupply(12.5, 0.02, 0.01, 0.005), FixedLoad(ampere), 10_000, 3_000)
    assert np.abs(volts.supply_v - (12.5 - 0.035 * ampere)).max() < 1e-9


def test_slow_part_of_the_battery_comes_with_its_time_constant() -> None:
    ampere = np.concatenate((np.zeros(1_000), np.full(49_000, 50.0)))
    supply = VehicleSupply(12.6, 0.01, 0.0, 0.0, slow_ohm=0.006, slow_s=1.5)
    volts = run_supply(supply, FixedLoad(ampere), 10_000, 50_000)
    t = np.arange(49_000) / 10_000
    expected = 12.6 - 0.5 - 0.3 * (1 - np.exp(-t / 1.5))
    assert np.abs(volts.supply_v[1_000:] - expected).max() < 1e-6


def test_alternator_holds_its_set_point_and_no_more_than_its_limit() -> None:
    supply = VehicleSupply(12.8, 0.01, 0.0, 0.0, alternator=Alternator(14.2, 80.0, 150.0, 0.05))
    rate_hz = 10_000
    ampere = np.concatenate((np.full(10_000, 20.0), np.full(30_000, 150.0)))
    volts = run_supply(supply, FixedLoad(ampere), rate_hz, len(ampere))
    # At 20 A it is limited already: charging asks for (14.2 - 12.8) / 0.01 + 20 A. 12.8 + 0.01 * (80 - 20) = 13.4 V.
    assert volts.supply_v[5_000] == pytest.approx(13.4, abs=1e-6)
    assert volts.alternator_a[5_000] == pytest.approx(80, abs=1e-6)
    assert volts.supply_v[-1] == pytest.approx(12.8 - 0.01 * (150 - 80), abs=1e-6)
    # A charged battery: regulated. v = 14.0 + 0.01 (a - 20), a = 150 (14.2 - v)
    charged = VehicleSupply(14.0, 0.01, 0.0, 0.0, alternator=Alternator(14.2, 80.0, 150.0, 0.05))
    regulated = run_supply(charged, FixedLoad(np.full(20_000, 20.0)), rate_hz, 20_000)
    expected = (14.0 - 0.2 + 0.01 * 150 * 14.2) / (1 + 0.01 * 150)
    assert np.abs(regulated.supply_v - expected).max() < 1e-6


def test_engine_stopping_takes_the_alternator_away_with_its_lag() -> None:
    supply = VehicleSupply(13.0, 0.01, 0.0, 0.0, alternator=Alternator(14.2, 50.0, 150.0, 0.1))
    is_on = np.arange(30_000) < 10_000
    volts = run_supply(supply, FixedLoad(np.full(30_000, 10.0)), 10_000, 30_000, engine_is_on=is_on)
    t = np.arange(20_000) / 10_000
    expected = 12.9 + 0.01 * 50 * np.exp(-t / 0.1)
    assert np.abs(volts.supply_v[10_000:] - expected).max() < 1e-5


def test_answer_does_not_depend_on_the_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    supply = VehicleSupply(13.0, 0.01, 0.004, 0.003, 0.004, 1.0, Alternator(ripple_v=0.1), Capacitor(0.5, 0.003))
    ampere = np.repeat(rng.uniform(0, 120, 100), 100)
    first = run_supply(supply, FixedLoad(ampere), 10_000, 10_000)
    monkeypatch.setattr(vehicle_supply, "BLOCK_S", 0.0031)
    second = run_supply(supply, FixedLoad(ampere), 10_000, 10_000)
    assert np.abs(first.supply_v - second.supply_v).max() < 1e-6


class ConstantPower:
    """Takes so many watts whatever the volts."""

    def __init__(self, watt: float) -> None:
        self.watt = watt

    def current_a(self, start: int, supply_v: np.ndarray) -> np.ndarray:
        return self.watt / np.maximum(supply_v, 1.0)

    def accept(self, start: int, supply_v: np.ndarray) -> int:
        return len(supply_v)


def test_constant_power_up_to_the_edge_and_beyond() -> None:
    supply = VehicleSupply(12.6, 0.03, 0.015, 0.005)  # at most 12.6^2 / (4 * 0.05) = 793.8 W
    volts = run_supply(supply, ConstantPower(750.0), 1_000, 100)
    expected = (12.6 + math.sqrt(12.6**2 - 4 * 0.05 * 750)) / 2
    assert np.abs(volts.supply_v - expected).max() < 1e-5
    with pytest.raises(SupplyCollapsedError, match="more than the supply can give"):
        run_supply(supply, ConstantPower(900.0), 1_000, 100)
