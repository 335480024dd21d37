"""The network's steps against closed forms, and what the cases say against a supply that stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.supply_network import Converter, Network, Surroundings, run_network, settle_network
from ampwitness.bench.supply_network_cases import find_true_cause, to_drive, top_of
from ampwitness.bench.truth import find_true_clips

RATE_HZ = 48_000
NET = Network(12.6, 0.008, 0.002, 0.05, 0.004, 2.0, 0.003, 0.002, 0.003)
AMPLIFIER = Converter(2.0, 1e3, 0.05, 0.05, 1.0, 1.0, 2.0, 1.0, 1.0, 12.0, gain_ratio=1.0)


def _beside(n: int) -> Surroundings:
    return Surroundings(np.zeros(n), np.zeros(n), np.full(n, 90.0), np.zeros(n))


def test_an_idle_amplifier_takes_its_idle_power_and_the_network_settles_by_ohms_law() -> None:
    course = run_network(NET, AMPLIFIER, np.zeros(4800), _beside(4800), RATE_HZ)
    supply_v = float(course.supply_v[-1])
    assert float(course.amplifier_a[-1]) == pytest.approx(12.0 / supply_v, rel=0.01)
    within_ohm = NET.source_ohm + NET.slow_ohm * (1 - np.exp(-1.1 / NET.slow_s))
    assert 12.6 - supply_v == pytest.approx(within_ohm * 12.0 / supply_v, rel=0.02)
    assert settle_network(NET, AMPLIFIER, limit_a=90.0) == pytest.approx(supply_v, abs=0.003)


def test_a_steady_output_pulls_battery_leads_and_rails_as_kirchhoff_says() -> None:
    """10 V into 2 ohm are 50 W, 62 W with the idle ones: currents of a direct solution, the slow part apart."""
    course = run_network(NET, AMPLIFIER, np.full(24_000, 10.0), _beside(24_000), RATE_HZ)
    supply_v, rail_v, amperes = (float(c[-1]) for c in (course.supply_v, course.rail_v, course.amplifier_a))
    assert rail_v == pytest.approx(2 * supply_v - 0.05 * 62.0 / rail_v, abs=0.005)
    assert amperes == pytest.approx(2 * 62.0 / rail_v, rel=0.003)
    assert float(course.battery_v[-1]) - supply_v == pytest.approx(0.005 * amperes, rel=0.003)
    assert float(course.ground_v[-1]) == pytest.approx(-0.003 * amperes, rel=0.003)


def test_a_clip_that_would_fit_on_a_supply_that_stands_is_the_supplys() -> None:
    time_s = np.arange(9600) / RATE_HZ
    weak = replace(NET, battery_ohm=0.06)
    full_v = float(2 * 12.5 - 1.0)
    causes = {}
    for drive_ratio in (0.93, 4.0):
        sound = drive_ratio * full_v * np.sin(2 * np.pi * 50 * time_s)
        course = run_network(weak, AMPLIFIER, sound, _beside(9600), RATE_HZ)
        stiff = run_network(None, AMPLIFIER, sound, _beside(9600), RATE_HZ, stiff_v=np.full(9600, 12.55))
        run = to_drive(course, AMPLIFIER, sound)
        clips = find_true_clips(run)
        assert clips
        causes[drive_ratio] = {find_true_cause(clip, run, top_of(stiff, AMPLIFIER)).cause for clip in clips}
    assert "supply" in causes[0.93]
    assert "supply" not in causes[4.0]
