"""Under-voltage that the amplifier's own load makes, over and over; supplies that go on to nothing; late mutes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from ampwitness.bench.cutout_faults import make_case
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_material import make_case as make_usual
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts.cutout_cause import LOW, REMOTE, TOGETHER
from ampwitness.detect.cutouts.cutout_level import learn_level
from ampwitness.detect.cutouts.cutout_measure import count_batteries
from ampwitness.detect.cutouts.cutout_stood import LOST
from ampwitness.types import Finding

AT = np.arange(9 * RATE_HZ) / RATE_HZ


def test_retries_under_its_own_load_are_under_voltage_and_no_cranking_and_tell_the_level() -> None:
    for seed in (157, 158):
        case = make_case("its own load, retries", seed)
        found, summary = find_cutouts(case)
        assert [f.measured["cause"] for f in found] == [LOW] * len(case.start_s)
        level = summary["under_voltage"]
        assert isinstance(level, dict)
        assert case.level_v is not None
        assert abs(level["level_v"] - case.level_v) < 0.1


def test_under_voltage_of_a_24_v_amplifier_is_told_as_on_12_v() -> None:
    """What is no low supply on 12 V is one on 24 V: a guard that lets go at 20 V was said to have a rested battery."""
    case = make_usual("under-voltage, three times", 18801)
    found = find_cutouts(replace(case, volts={**case.volts, "supply": 2.0 * case.volts["supply"]}))[0]
    assert [(f.measured["cause"], f.measured["confidence"]) for f in found] == [(LOW, "high")] * len(case.start_s)
    assert count_batteries(np.array([12.6, 16.0, 18.5, 25.2, 28.8, 50.4])).tolist() == [1, 1, 2, 2, 2, 4]


def test_a_steep_fall_is_under_voltage_where_others_show_the_level_and_open_where_it_is_alone() -> None:
    supply, gate = np.full(len(AT), 12.5), np.ones(len(AT))
    for begin_s, depth_v in ((2.0, 3.0), (4.0, 3.05), (6.0, 3.1)):
        since = AT - begin_s
        supply = np.where((since >= 0) & (since < 0.006), supply - depth_v, supply)
        gate = np.where((since >= 0.004) & (since < 0.5), 0.0, gate)
    wave = 14 * np.sin(2 * np.pi * 53.1 * AT) * gate
    rng = np.random.default_rng(5)
    noisy = {role: v + rng.normal(0, 0.01, len(AT)) for role, v in (("output", wave), ("supply", supply))}
    found, _ = find_cutouts(CutoutCase(noisy, ""))
    assert [f.measured["cause"] for f in found] == [LOW] * 3
    assert all("an overload that recurs" in " ".join(f.evidence["not_excluded"]) for f in found)
    n = 3 * RATE_HZ
    (alone,) = find_cutouts(CutoutCase({role: v[:n] for role, v in noisy.items()}, ""))[0]
    assert alone.measured["cause"] == TOGETHER


def test_the_level_is_told_from_courses_that_have_turned_up_again_as_well() -> None:
    """At 9.5 V it lets go 4 ms later: one supply went on falling, one came back, one had stood still."""
    courses = ([9.5 + 0.05 * (ms - 4) for ms in range(13)], [9.8 - 0.075 * ms for ms in range(13)], [9.5] * 13)
    evidence = [{"let_go_v": min(course), "supply_ms_before_v": course} for course in courses]
    level = learn_level([Finding("cutout", 0.0, 1.0, "serious", {"cause": LOW}, {}, e) for e in evidence])
    assert level is not None
    assert abs(level["level_v"] - 9.5) < 0.02


def test_a_supply_that_was_falling_and_went_on_to_nothing_was_lost_though_it_stood_high() -> None:
    since = np.maximum(AT - 4.0, 0)
    gate = (AT < 4.008) * 1.0
    supply = 14.2 * np.exp(-since / 0.06)
    rng = np.random.default_rng(5)
    volts = {"output": 9 * np.sin(2 * np.pi * 55 * AT) * gate, "supply": supply}
    (found,) = find_cutouts(CutoutCase({r: v + rng.normal(0, 0.01, len(AT)) for r, v in volts.items()}, ""))[0]
    assert found.measured["cause"] == LOST


def test_a_programme_that_grew_weaker_ahead_of_a_late_mute_is_no_fade_of_the_amplifier() -> None:
    case = make_case("late after the remote", 17809)
    (found,) = find_cutouts(case)[0]
    assert found.measured["cause"] == REMOTE
    assert abs(found.start_s - case.start_s[0]) < 0.02
