"""The supply as the amplifier sees it: closed forms, a published cable, engine states, what is assumed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from ampwitness.bench.supply_scores import analyse, supply_summary
from ampwitness.bench.supply_signals import (
    find_true_causes,
    make_case,
    settled_supply,
    true_full_power_sag,
    true_source_ohm,
)
from ampwitness.bench.vehicle_supply import Capacitor, FixedLoad, VehicleSupply, run_supply
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.conclude import conclude
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.supply.engine_states import find_engine_states
from ampwitness.detect.supply.supply_described import FULL_POWER_AFTER_S
from ampwitness.detect.supply.supply_fit import SupplyFit, Term
from ampwitness.detect.supply.supply_forecast import Ceiling, fit_sag_line
from ampwitness.detect.supply.supply_history import STEP_S, SupplyHistory, SupplySteps, collect_history
from ampwitness.detect.supply.supply_model import SupplyOptions, learn_supply
from ampwitness.detect.supply.supply_ohms import find_factor
from ampwitness.pipeline import _supply_options
from ampwitness.types import Coverage, Finding

RATE_HZ = 2000.0


def _stepped(
    supply: VehicleSupply, seconds: float = 20.0, ampere: float = 60.0, seed: int = 1
) -> dict[str, np.ndarray]:
    """Steps of current of many lengths, as four channels and a clamp would log them."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    amperes = np.ones(n)
    at = 2000
    while at < n - 2000:
        length = int(rng.uniform(0.1, 0.7) * RATE_HZ)
        amperes[at : at + length] += ampere * rng.uniform(0.3, 1.0)
        at += length + int(rng.uniform(0.1, 0.7) * RATE_HZ)
    volts = run_supply(supply, FixedLoad(amperes), RATE_HZ, n)
    logged = {
        "output": np.zeros(n),
        "supply": volts.supply_v,
        "battery": volts.battery_v,
        "ground": volts.ground_v,
        "current": 2.5 + 0.01 * volts.amplifier_a,
    }
    return {role: part + 0.002 * rng.standard_normal(n) * (role != "current") for role, part in logged.items()}


def _summary(volts: dict[str, np.ndarray], roles: tuple[str, ...]) -> dict:
    windows = iter_windows_from_arrays({role: volts[role] for role in roles}, RATE_HZ, window_s=10.0)
    return supply_summary(conclude((), collect_history(windows), SupplyOptions()))


def _states(volts: dict[str, np.ndarray], options: SupplyOptions, roles: tuple[str, ...] | None = None) -> dict:
    chosen = {role: volts[role] for role in roles or tuple(volts)}
    steps = collect_history(iter_windows_from_arrays(chosen, RATE_HZ, window_s=10.0))
    return dict(supply_summary(conclude((), steps, options))["states"])


def test_battery_and_cable_of_a_netlist_are_told_apart() -> None:
    """12.6 V, 12 mohm battery, 8 mohm cable, 1 F with 4 mohm at the amplifier: ngspice 39 gives 0.72 V lost in the
    battery and 0.48 V in the cable at 60 A, with time constant (R + ESR) C = 24 ms."""
    supply = VehicleSupply(12.6, 0.012, 0.008, 0.0, capacitor=Capacitor(1.0, 0.004))
    state = _states(_stepped(supply), SupplyOptions())["at rest"]
    assert state["open_v"] == pytest.approx(12.6, abs=0.01)  # with a clamp: at no current at all
    assert state["source_ohm"] == pytest.approx(0.020, rel=0.03)
    assert 60 * state["parts"]["battery"]["ohm"] == pytest.approx(0.72, rel=0.03)
    assert 60 * state["parts"]["plus lead"]["ohm"] == pytest.approx(0.48, rel=0.03)
    assert state["parts"]["return lead"]["share"] == pytest.approx(0.0, abs=0.01)
    lagging = [t for t in state["time_constants"] if t["time_constant_s"] > 0.015]
    assert len(lagging) == 1
    assert lagging[0]["what"].startswith("through a store")
    assert 0.017 <= lagging[0]["time_constant_s"] <= 0.036
    assert lagging[0]["share"] > 0.8  # at once only what the capacitor's own resistance lets through: 3.3 of 20 mohm


def test_a_published_cable_is_measured() -> None:
    """5 m of 4 AWG out and back: 0.2485 ohm a thousand feet (HyperPhysics, after Floyd), 8.153 mohm for the loop."""
    each_ohm = 0.2485 / 304.8 * 5.0
    supply = VehicleSupply(12.6, 0.010, each_ohm, each_ohm)
    parts = _states(_stepped(supply), SupplyOptions())["at rest"]["parts"]
    assert parts["plus lead"]["ohm"] + parts["return lead"]["ohm"] == pytest.approx(8.153e-3, rel=0.02)
    for name in ("plus lead", "return lead"):
        assert parts[name]["lowest_ohm"] <= each_ohm <= parts[name]["highest_ohm"]


def test_without_a_ground_channel_battery_and_return_stay_together() -> None:
    supply = VehicleSupply(12.6, 0.010, 0.005, 0.004)
    volts = _stepped(supply)
    state = _states(volts, SupplyOptions(), ("output", "supply", "battery", "current"))["at rest"]
    assert set(state["parts"]) == {"plus lead", "battery and return lead"}
    assert state["parts"]["battery and return lead"]["ohm"] == pytest.approx(0.014, rel=0.03)
    summary = _summary(volts, ("output", "supply", "current", "ground"))
    assert set(summary["states"]["at rest"]["parts"]) == {"return lead", "battery and plus lead"}
    assert any("the plus lead's are given together" in remark for remark in summary["remarks"])
    state = _states(volts, SupplyOptions(), ("output", "supply", "current"))["at rest"]
    assert state["parts"] == {}
    assert state["source_ohm"] == pytest.approx(0.019, rel=0.03)


def test_a_few_seconds_of_charging_give_a_range_alone() -> None:
    """Too little to see whether the alternator came to its limit: a straight line might be two."""
    few = _states(_stepped(VehicleSupply(13.9, 0.010, 0.005, 0.004), seconds=8.0), SupplyOptions())["charging"]
    assert few["source_ohm"] is None
    assert "current limit" in few["not_judged"]
    assert few["lowest_source_ohm"] < 0.019 < few["highest_source_ohm"]


def test_what_a_battery_gives_off_behind_charging_is_fitted_to_neither_state() -> None:
    """The engine stops at 20 s under an organ, and the volts go from 14.2 to 12.6 V with 4 s: charged for 5 s more."""
    at_s = np.arange(round(40.0 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(8)
    chord_w = np.repeat(rng.uniform(40.0, 120.0, 20), 2 * round(RATE_HZ))
    open_v = np.where(at_s < 20.0, 14.2, 12.6 + 1.6 * np.exp(-np.maximum(at_s - 20.0, 0.0) / 4.0))
    volts = {
        "output": np.sqrt(2 * 4.0 * chord_w) * np.sin(2 * np.pi * 60.0 * at_s),
        "supply": open_v - 0.019 * chord_w / 0.75 / open_v,
    }
    noisy = {role: part + 0.002 * rng.standard_normal(len(at_s)) for role, part in volts.items()}
    charged = _states(noisy, SupplyOptions(load_ohm=4.0, load_kind="resistor", efficiency=0.75))["charging"]
    assert charged["open_v"] == pytest.approx(14.2, abs=0.05)
    assert charged["source_ohm"] == pytest.approx(0.019, rel=0.05)
    assert not any(t["time_constant_s"] > 0.5 for t in charged["time_constants"])


def test_a_supply_that_moves_by_itself_is_given_as_a_range_alone() -> None:
    """Another consumer of up to 60 A that comes and goes by itself: one figure would be chance."""
    supply = VehicleSupply(12.6, 0.010, 0.005, 0.004)
    volts = _stepped(supply)
    other = _stepped(VehicleSupply(12.6, 0.010, 0.0, 0.0), ampere=60.0, seed=9)["supply"] - 12.6
    disturbed = {"output": volts["output"], "supply": volts["supply"] + other, "current": volts["current"]}
    state = _states(disturbed, SupplyOptions())["at rest"]
    assert state["source_ohm"] is None
    assert "that the output does not explain" in state["not_judged"]
    assert state["lowest_source_ohm"] < 0.019 < state["highest_source_ohm"]


def test_what_comes_back_by_itself_leaves_a_range_alone() -> None:
    """Over seconds under load a supply that rises is driven by something else than the music."""
    supply = VehicleSupply(12.6, 0.012, 0.006, 0.0, slow_ohm=-0.008, slow_s=3.0)
    state = _states(_stepped(supply, 40.0), SupplyOptions())["at rest"]
    assert state["source_ohm"] is None
    assert "rose by itself over seconds" in state["not_judged"]
    assert state["lowest_source_ohm"] < 0.018 < state["highest_source_ohm"]


def test_the_battery_slow_part_is_named_and_kept_apart() -> None:
    supply = VehicleSupply(12.6, 0.012, 0.006, 0.0, slow_ohm=0.006, slow_s=1.5)
    state = _states(_stepped(supply, 40.0), SupplyOptions())["at rest"]
    assert state["source_ohm"] == pytest.approx(0.018, rel=0.03)
    assert state["slow_ohm"] == pytest.approx(0.006, rel=0.25)
    slow = [t for t in state["time_constants"] if t["what"].startswith("slowly")]
    assert 1.0 <= slow[0]["time_constant_s"] <= 3.0


def test_a_slow_part_beyond_a_batterys_is_no_ground_for_open_volts() -> None:
    """Consumers that ran beside the loudest part look like a slow part of several times the fast one."""
    fitted = SupplyFit((Term(0.0, 0.004), Term(0.02, 0.006), Term(3.0, 0.045)), np.eye(3), 0.01, 1000, 80.0, 40.0)
    kept = fitted.without_others(is_charging=False)
    assert kept.part(0.0, 0.3)[0] == pytest.approx(0.010)
    assert kept.part(0.6, 5.0)[0] == pytest.approx(0.006)
    assert kept.without_others(is_charging=False) is kept
    assert fitted.part(0.6, 5.0)[0] == pytest.approx(0.045)  # what was fitted is told as it is


def test_at_rest_no_slow_part_gives_back_what_the_fast_one_took() -> None:
    """A regulator does, when charging, but never more than all; the rest is other consumers in step with the music."""
    fitted = SupplyFit((Term(0.0, 0.004), Term(0.02, 0.006), Term(5.0, -0.045)), np.eye(3), 0.01, 1000, 80.0, 40.0)
    assert fitted.without_others(is_charging=False).part(0.6, 5.0)[0] == 0.0
    assert fitted.without_others(is_charging=True).part(0.6, 5.0)[0] == pytest.approx(-0.010)
    regulated = replace(fitted, terms=(Term(0.0, 0.010), Term(1.0, -0.006)), covariance=np.eye(2))
    assert regulated.without_others(is_charging=True) is regulated


@cache
def _rest_and_charged() -> dict[str, np.ndarray]:
    rest = _stepped(VehicleSupply(12.6, 0.012, 0.006, 0.0))
    charged = _stepped(VehicleSupply(14.2, 0.006, 0.006, 0.0), seed=2)
    return {role: np.concatenate((rest[role], charged[role])) for role in rest}


def test_charging_and_rest_are_told_apart_and_modelled_each() -> None:
    states = _states(_rest_and_charged(), SupplyOptions())
    assert states["at rest"]["source_ohm"] == pytest.approx(0.018, rel=0.03)
    assert states["charging"]["source_ohm"] == pytest.approx(0.012, rel=0.03)
    assert states["at rest"]["open_v"] == pytest.approx(12.6, abs=0.02)
    assert states["charging"]["open_v"] == pytest.approx(14.2, abs=0.02)


@pytest.mark.usefixtures("no_alternator")
def test_a_change_of_state_is_put_where_the_volts_step() -> None:
    """Joined at 20 s, also within the 2 s that are looked at together."""
    volts = _rest_and_charged()
    for lead_s in (0.0, 0.7, 1.3):
        later = {role: np.concatenate((part[: round(lead_s * RATE_HZ)], part)) for role, part in volts.items()}
        steps = collect_history(iter_windows_from_arrays(later, RATE_HZ, window_s=10.0))
        model = learn_supply(steps, SupplyOptions())
        assert model is not None
        assert model.change_state == ("at rest", "charging")
        assert model.change_s[1] == pytest.approx(20.0 + lead_s, abs=0.02)


@pytest.mark.usefixtures("no_alternator")
def test_iron_phosphate_cells_rest_at_what_would_be_a_chargers_volts() -> None:
    lithium = _stepped(VehicleSupply(13.35, 0.004, 0.004, 0.0))
    assert set(_states(lithium, SupplyOptions(battery_kind="lithium"))) == {"at rest"}
    assert set(_states(lithium, SupplyOptions())) == {"charging"}


def test_what_is_assumed_is_said_and_widens_the_range() -> None:
    stated, _ = find_factor("V", SupplyOptions(load_ohm=4.0, load_kind="resistor", efficiency=0.8))
    guessed, _ = find_factor("V", SupplyOptions(load_ohm=4.0, load_kind="speaker"), 1.2)
    softly, _ = find_factor("V", SupplyOptions(load_ohm=4.0, load_kind="speaker"), 0.3)
    unknown, _ = find_factor("V", SupplyOptions(load_ohm=4.0, load_kind="speaker"))
    measured, _ = find_factor("A", SupplyOptions())
    assert stated is not None
    assert guessed is not None
    assert measured is not None
    assert stated.ohm == pytest.approx(3.2)
    assert stated.highest_ohm / stated.lowest_ohm < 1.15
    assert guessed.highest_ohm / guessed.lowest_ohm > 3
    at_level = "as of class AB at the level that was played"
    assert f"efficiency not known, 0.75 assumed (0.50, {at_level}, to 0.92)" in guessed.words
    assert softly is not None
    assert unknown is not None
    assert softly.lowest_ohm == pytest.approx(0.3 * guessed.lowest_ohm)
    assert f"0.75 assumed (0.15, {at_level}, to 0.92)" in softly.words
    assert "0.75 assumed (0.05, as of class AB played softly, to 0.92)" in unknown.words
    assert unknown.ohm == softly.ohm == guessed.ohm
    assert "4 ohm nominal (speaker), real impedance 3.2 to 16 ohm" in guessed.words
    assert "measured with a clamp, 100 A a volt assumed: not stated" in measured.words
    stated, _ = find_factor("A", _supply_options({"current_a_per_v": 50.0, "current_zero_v": 2.4}))
    assert stated is not None
    assert "50 A a volt as stated" in stated.words
    assert find_factor("V", SupplyOptions(load_kind="none"))[1].startswith("no load")
    assert find_factor("V", SupplyOptions())[1] == "the load's ohms were not given"


def test_a_supply_that_does_not_move_is_not_given_a_resistance() -> None:
    rng = np.random.default_rng(3)
    n = 40_000
    volts = {"output": 5 * rng.standard_normal(n), "supply": 12.6 + 0.002 * rng.standard_normal(n)}
    state = _states(volts, SupplyOptions(load_ohm=4.0))["at rest"]
    assert state["source_ohm"] is None
    assert state["not_judged"] == "the supply did not fall with the output"
    assert state["full_power"] is None
    assert learn_supply(collect_history(()), SupplyOptions()) is None
    (silent,) = conclude((), collect_history(()), SupplyOptions())
    assert silent.coverage.not_judged[0].reason == "no supply channel"


def test_music_gives_resistance_range_and_full_power() -> None:
    case = make_case(4, "ordinary", 12.0)
    stated = SupplyOptions(load_ohm=case.amplifier.load.ohm, load_kind="resistor", efficiency=case.amplifier.efficiency)
    state = supply_summary(analyse(case, stated))["states"]["at rest"]
    flowed = case.run.supply.amplifier_a[: 1200 * 480].reshape(-1, 480).mean(axis=1)
    truth_ohm = true_source_ohm(case.supply, flowed, engine_is_on=False)
    assert truth_ohm == pytest.approx(case.supply.battery_ohm + case.supply.cable_ohm, rel=1e-6)
    assert state["source_ohm"] == pytest.approx(truth_ohm, rel=0.05)
    assert state["lowest_source_ohm"] <= truth_ohm <= state["highest_source_ohm"]
    truth_v = true_full_power_sag(case.amplifier, case.supply, FULL_POWER_AFTER_S, engine_is_on=False)
    assert state["full_power"]["lowest_sag_v"] <= truth_v <= state["full_power"]["highest_sag_v"]
    assert state["open_v"] == pytest.approx(settled_supply(case.amplifier, case.supply, engine_is_on=False), abs=0.03)


def test_steps_do_not_depend_on_windows_and_gaps_leave_holes() -> None:
    rng = np.random.default_rng(4)
    volts = {"output": rng.standard_normal(30_011), "supply": 12 + rng.standard_normal(30_011)}
    lost = [(5_000, 5_300)]
    seen = [
        collect_history(iter_windows_from_arrays(volts, 7812.5, window_s=window_s, lost=lost))
        for window_s in (0.123, 1.0, 60.0)
    ]
    assert all(np.array_equal(part.index, seen[0].index) for part in seen)
    assert all(np.array_equal(part.output_v2, seen[0].output_v2) for part in seen)
    inside = (seen[0].time_s > 5_000 / 7812.5 - STEP_S / 2) & (seen[0].time_s < 5_300 / 7812.5 + STEP_S / 2)
    assert not inside.any()
    at = int(np.flatnonzero(seen[0].index == 30)[0])
    samples = (np.arange(30_011) / 7812.5 >= 0.30 - 1e-9) & (np.arange(30_011) / 7812.5 < 0.31 - 1e-9)
    assert seen[0].volts["supply"][at] == pytest.approx(volts["supply"][samples].mean(), abs=1e-6)
    assert len(SupplyHistory().finish()) == 0


def test_sag_line_is_robust_and_wants_notes() -> None:
    level_v = np.linspace(2, 20, 30)
    sag_v = 2e-3 * level_v**2
    sag_v[::6] += 1.5  # another consumer switched on under these
    line = fit_sag_line(level_v, sag_v)
    assert line is not None
    assert line["sag_v_per_v2"] == pytest.approx(2e-3, rel=0.02)
    assert line["curve"][-1] == pytest.approx((20.0, 0.8), rel=0.02)
    assert fit_sag_line(level_v[:4], sag_v[:4]) is None


def test_a_ceiling_with_a_knee_stops_rising() -> None:
    ceiling = Ceiling(constant_v=-1.0, ratio=3.0, per_output=0.0, uncertainty_v=0.0, knee_v=12.0)
    assert ceiling.at(11.0) == pytest.approx(32.0)
    assert ceiling.at(13.0) == ceiling.at(12.0) == pytest.approx(35.0)


def test_truth_of_a_cause_follows_from_the_models() -> None:
    """On a supply that cannot sag nothing is the supply's fault."""
    case = make_case(4, "ordinary", 12.0)
    assert {true.cause for true in case.causes} >= {"drive", "supply"}
    stiff = replace(case.supply, battery_ohm=1e-6, plus_cable_ohm=1e-6, return_cable_ohm=1e-6, slow_ohm=0.0)
    run = replace(case.run, supply=replace(case.run.supply, supply_v=np.full(len(case.run.output_v), stiff.emf_v)))
    rest_v = float(case.amplifier.rails.undrooped_v(np.array([stiff.emf_v]))[0])
    run = replace(
        run,
        ceiling_v=np.full(len(run.output_v), rest_v),
        negative_ceiling_v=np.full(len(run.output_v), rest_v * case.amplifier.rails.negative_ratio),
    )
    causes = find_true_causes(run, case.truth, case.amplifier, stiff, case.engine_is_on)
    assert {true.cause for true in causes} == {"drive"}


def test_full_power_is_held_against_the_level_at_which_the_amplifier_was_seen_to_switch_off() -> None:
    case = make_case(4, "ordinary", 12.0)
    stated = SupplyOptions(load_ohm=case.amplifier.load.ohm, load_kind="resistor", efficiency=case.amplifier.efficiency)
    results = analyse(case, stated)[:-2]  # without what was concluded
    steps = collect_history(
        iter_windows_from_arrays({r: case.volts[r] for r in ("output", "supply")}, 8000.0, window_s=10.0)
    )

    def cut_out(start_s: float, cause: str, supply_v: float) -> Finding:
        measured = {"cause": cause, "supply_at_start_v": supply_v}
        return Finding("cutout", start_s, start_s + 1.0, "serious", measured, {}, {})

    seen = DetectorResult(
        (cut_out(1.0, "supply voltage too low", 9.2), cut_out(3.0, "remote lead dropped", 12.0)),
        Coverage("cutouts", 12.0, ()),
        {},
    )
    summary = conclude((*results, seen), steps, stated)[-1].summary
    assert summary["under_voltage_v"] == pytest.approx(9.2)  # a remote lead says nothing about the supply
    full = summary["states"]["at rest"]["full_power"]
    assert full["above_under_voltage_v"] == pytest.approx(full["supply_v"] - 9.2)
    without = conclude(results, steps, stated)[-1].summary
    assert without["under_voltage_v"] is None
    assert "above_under_voltage_v" not in without["states"]["at rest"]["full_power"]


def test_a_dip_in_a_state_of_which_nothing_else_was_learned_is_no_obstacle() -> None:
    """Charging, then volts too low to be a supply at rest: the dip that lies there belongs to no state's figures."""
    at_s = np.arange(0, 30.0, 1 / RATE_HZ)
    volts = {"output": 10 * np.sin(2 * np.pi * 50 * at_s), "supply": np.where(at_s < 10, 14.2, 5.9)}
    dip = Finding("dip", 15.0, 15.3, "attention", {"role": "supply", "residual_v": 7.5}, {}, {})
    found = DetectorResult((dip,), Coverage("dips", 30.0, ()), {})
    steps = collect_history(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0))
    summary = supply_summary(conclude((found,), steps, SupplyOptions()))
    assert set(summary["states"]) == {"charging"}
    assert summary["states"]["charging"]["lowest_v"] > 14.0


def test_a_clamps_offset_and_what_flows_at_idle_raise_no_settled_volts() -> None:
    """The supply is settled with the amplifier quiet: what it takes by then, and what a clamp is off, is no sag."""
    n = 3000
    played = np.zeros(n)
    for first in range(150, n - 100, 120):
        played[first : first + 60] = 20.0 + (first % 7) * 8.0
    amperes = 1.5 + played
    supply_v = 12.6 - 0.02 * amperes
    current = 2.5 + (amperes + 3.0) / 100.0  # three amperes off
    volts = {"supply": supply_v, "current": current}
    model = learn_supply(SupplySteps(np.arange(n), played * 10.0, volts), SupplyOptions())
    assert model is not None
    assert model.settled_at(10.0) == pytest.approx(12.6 - 0.02 * 1.5, abs=0.005)
    assert model.states["at rest"].open_v == pytest.approx(12.6 + 0.02 * 3.0, abs=0.005)  # at no current by the clamp


@pytest.mark.parametrize(("length_s", "roles"), [(0.5, ("output", "supply")), (0.5, ("output",)), (0.15, ("supply",))])
def test_too_little_of_a_supply_is_not_told_as_none(length_s: float, roles: tuple[str, ...]) -> None:
    volts = {role: np.full(round(8000 * length_s), 12.5) for role in roles}
    steps = collect_history(iter_windows_from_arrays(volts, 8000.0, window_s=10.0))
    (result,) = conclude((), steps, SupplyOptions())
    has_supply = "supply" in roles
    wanted = "less than a second of the supply" if has_supply else "no supply channel"
    assert [span.reason for span in result.coverage.not_judged] == [wanted]
    if length_s < 0.2:
        assert find_engine_states(steps, ()).remarks == ("less than a fifth of a second of the supply without a gap",)
    elif not has_supply:
        assert find_engine_states(steps, ()).remarks == ("no supply channel",)
