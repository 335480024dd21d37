"""The designer: what it makes, against closed forms, moved parts, and what the board has."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from ampwitness.bench.board_model import nominal_channels
from ampwitness.errors import UsageError
from ampwitness.firmware_files import load_board_config
from ampwitness.frontend.budget import Tolerances, error_budget, source_loading
from ampwitness.frontend.corner import (
    CARRIED_OVER_MOST_CODES,
    CONVERTER_ERROR_CODES,
    LOSS_MOST_DB,
    board_rates,
    choose_corner,
    thermal_noise_v,
)
from ampwitness.frontend.design import CORNER_MATCH_RATIO, is_covered
from ampwitness.frontend.disturbances import DISTURBANCES, Disturbance, clamp, diode_v, stress, unplugged_a
from ampwitness.frontend.front_end import FrontEnd, design_front_end, read_front_end
from ampwitness.frontend.network import InputNetwork, network_from_parts
from ampwitness.frontend.settling import carried_over_ratio
from ampwitness.frontend.wishes import (
    default_wishes,
    line_wish,
    sensor_wish,
    small_wish,
    speaker_wish,
    supply_wish,
)
from ampwitness.waveform.calibration import nominal_calibration

CONFIG = load_board_config()
RATES = board_rates(CONFIG)


def designed(**known: float) -> FrontEnd:
    wishes = [speaker_wish(**known), *default_wishes()[1:]] if known else default_wishes()
    return design_front_end(wishes, 10_000, 12, CONFIG)


def board_network(name: str) -> InputNetwork:
    wish = next(wish for wish in default_wishes() if wish.name == name)
    return network_from_parts(wish.roles[0], CONFIG.REFERENCE_V, CONFIG.INPUT_OF_ROLE[wish.roles[0]])


# ---- what the board has --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["SPEAKER", "SUPPLY", "LINE", "CLAMP"])
def test_the_boards_networks_are_what_the_designer_makes(name: str) -> None:
    one = next(one for one in designed().inputs if one.name == name)
    assert one.network.parts() == getattr(CONFIG, name)


def test_the_small_range_of_the_board_holds_the_wish_and_reaches_equally_far_both_ways() -> None:
    mine = next(one for one in designed().inputs if one.name == "SMALL")
    board = board_network("SMALL")
    assert is_covered(board, mine.wish, Tolerances())  # type: ignore[arg-type]
    assert board.low_v == pytest.approx(-board.high_v)
    assert mine.network.volts_per_code < board.volts_per_code  # what its symmetry costs
    assert "+3.3 V" in mine.remark


def test_the_board_shares_the_corner_that_the_designer_takes() -> None:
    assert designed().corner_hz == CONFIG.INPUT_CORNER_HZ


def test_every_network_of_the_board_survives_the_12_v_table() -> None:
    judged = read_front_end(CONFIG, default_wishes(), 12)
    for one in judged.inputs:
        assert all(stress.judgement != "does not survive" for stress in (*one.signal, *one.stresses)), one.name
        assert all(stress.judgement == "measured" for stress in one.signal), one.name


# ---- ranges ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rail_v", [5.0, 14.4, 35.0, 61.0, 120.0])
@pytest.mark.parametrize("series", [(96,), (24, 96)])
def test_wishes_hold_with_every_part_at_its_limits(rail_v: float, series: tuple[int, ...]) -> None:
    """All corners of all tolerances, tried one by one."""
    limits = Tolerances()
    front_end = design_front_end(
        [speaker_wish(rail_v=rail_v), *default_wishes()[1:]], 10_000, 12, CONFIG, series=series
    )
    for one in front_end.inputs:
        assert abs(one.network.corner_hz / front_end.corner_hz - 1) <= CORNER_MATCH_RATIO
        assert one.wish is not None
        fitted = [key for key in ("top_ohm", "up_ohm", "down_ohm") if getattr(one.network, key) is not None]
        for signs in itertools.product((-1, 1), repeat=len(fitted) + 1):
            moved = {
                key: getattr(one.network, key) * (1 + sign * limits.resistor_ratio)
                for key, sign in zip(fitted, signs, strict=False)
            }
            reference_v = CONFIG.REFERENCE_V * (1 + signs[-1] * limits.reference_ratio)
            real = replace(one.network, reference_v=reference_v, **moved)
            assert real.low_v <= one.wish.low_v + 1e-9
            assert real.high_v >= one.wish.high_v - 1e-9


def test_the_range_is_not_wasted() -> None:
    # Tolerances alone ask for 4 % more than the wish; what preferred values add on top stays under 2 %.
    for one in designed().inputs:
        assert one.wish is not None
        if one.name != "SMALL":  # which resistors alone cannot make small
            wanted_v = one.wish.high_v - one.wish.low_v
            assert one.network.high_v - one.network.low_v < 1.06 * wanted_v


def test_a_series_too_coarse_for_the_shared_corner_is_said() -> None:
    with pytest.raises(UsageError, match="allow a finer series"):
        design_front_end(default_wishes(), 10_000, 12, CONFIG, series=(24,))


def test_one_amplifier_three_ways() -> None:
    # 100 W into 4 ohm: sqrt(2 * 100 * 4) = 28.28 V peak of a sine, rails a quarter higher when idle: 35.36 V.
    by_power = speaker_wish(power_w=100, load_ohm=4)
    assert (by_power.low_v, by_power.high_v) == pytest.approx((-17.678, 35.355), abs=1e-3)
    by_volts = speaker_wish(output_v=35.3553390593)
    assert (by_volts.low_v, by_volts.high_v) == pytest.approx((by_power.low_v, by_power.high_v))
    single = speaker_wish(output_v=35.0, is_bridged=False)
    assert (single.low_v, single.high_v) == (-35, 35)
    assert speaker_wish(rail_v=14.4).low_v == -14.4


def test_bridged_output_on_half_a_single_rail_is_inside() -> None:
    # A car radio's bridge on 14.4 V: each terminal at 7.2 V, swinging 0 to 14.4 V; 14.4 V peak between them.
    one = designed(output_v=14.4).inputs[0]
    assert one.network.low_v < 0 < 7.2 < 14.4 < one.network.high_v


@pytest.mark.parametrize(
    "make",
    [
        lambda: speaker_wish(rail_v=1e6),
        lambda: speaker_wish(rail_v=-20.0),
        lambda: speaker_wish(rail_v=0.0),
        lambda: speaker_wish(rail_v=math.nan),
        lambda: speaker_wish(power_w=100, load_ohm=0.0),
        lambda: speaker_wish(power_w=math.inf, load_ohm=4.0),
        lambda: speaker_wish(power_w=20_000, load_ohm=100.0),
        lambda: speaker_wish(power_w=100),
        lambda: speaker_wish(),
        lambda: speaker_wish(rail_v=20, output_v=20),
        lambda: supply_wish(48),
        lambda: supply_wish(12, 1e6),
        lambda: supply_wish(12, -12.0),
        lambda: line_wish(math.nan),
        lambda: line_wish(0.0),
        lambda: small_wish(-1.0),
        lambda: choose_corner(1e6, RATES),
        lambda: choose_corner(RATES.fastest_rate_hz / 2 * 1.001, RATES),
        lambda: choose_corner(0.0, RATES),
        lambda: choose_corner(math.nan, RATES),
        lambda: choose_corner(-10.0, RATES),
    ],
)
def test_absurd_wishes_end_in_one_sentence(make: object) -> None:
    with pytest.raises(UsageError) as caught:
        make()  # type: ignore[operator]
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


# ---- the corner -----------------------------------------------------------------------------------------------------


def test_the_corner_is_the_lowest_that_can_be_undone() -> None:
    choice = choose_corner(10_000, RATES)
    assert choice.chosen.corner_hz == 5_100
    assert choice.chosen.band_loss_db <= LOSS_MOST_DB
    lower = [one for one in choice.candidates if one.corner_hz < 5_100]
    assert lower
    assert all(one.refusal for one in lower)
    # First-order loss by hand: 10 lg(1 + (10/5.1)^2) = 6.853 dB.
    assert choice.chosen.band_loss_db == pytest.approx(6.853, abs=1e-3)


@pytest.mark.parametrize("bandwidth_hz", [100.0, 300.0, 1_000.0, 4_000.0, 12_500.0])
def test_any_bandwidth_gets_a_corner_that_settles(bandwidth_hz: float) -> None:
    chosen = choose_corner(bandwidth_hz, RATES).chosen
    assert chosen.band_loss_db <= LOSS_MOST_DB
    assert chosen.carried_over_codes <= CARRIED_OVER_MOST_CODES
    assert 1 / (2 * math.pi * chosen.parallel_ohm * chosen.farad) == pytest.approx(chosen.corner_hz)


def test_rates_of_the_board() -> None:
    # Slowest visit 3 * 250 cycles of 48 MHz = 15.625 us; fastest mode 48 MHz / (320 * 3 * 2) = 25 kS/s.
    assert RATES.visit_s == pytest.approx(15.625e-6)
    assert RATES.fastest_rate_hz == pytest.approx(25_000)


def test_the_converters_own_error_is_that_of_its_effective_bits() -> None:
    # 8.7 bits: 2.84 LSB rms, 2.29 mV at 3.3 V (IEEE 1241's definition, worked by hand).
    assert pytest.approx(2.84, abs=0.005) == CONVERTER_ERROR_CODES


def test_thermal_noise_of_ten_nanofarads() -> None:
    # sqrt(k T / C) at 27 degrees C and 10 nF: 0.6437 uV (ngspice 39 gave 0.6431 over 1 Hz to 1 MHz).
    assert thermal_noise_v(10e-9) == pytest.approx(0.6437e-6, abs=1e-10)


# ---- settling -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sampling_farad", [1e-12, 20e-12])
@pytest.mark.parametrize("farad", [1e-9, 10e-9, 100e-9])
def test_carried_over_against_charge_shared_step_by_step(farad: float, sampling_farad: float) -> None:
    network = InputNetwork("", 6_200, 6_200, None, farad, 3.3)
    before_v, true_v = 3.3, network.pin_v(0.0)
    node_v = true_v
    for _ in range(20_000):
        # Two capacitors share their charge, that moment is what is read; then the resistors pull the node back.
        node_v = (farad * node_v + sampling_farad * before_v) / (farad + sampling_farad)
        read_v = node_v
        node_v = true_v + (node_v - true_v) * math.exp(-RATES.visit_s / network.time_constant_s)
    expected = (read_v - true_v) / (before_v - true_v)
    assert carried_over_ratio(network, RATES.visit_s, sampling_farad) == pytest.approx(expected, rel=1e-6)


# ---- error budget ---------------------------------------------------------------------------------------------------


def reading_v(
    real: InputNetwork, nominal: InputNetwork, terminal_v: float, codes: float = 0.0, amps: float = 0.0
) -> float:
    """What is read through `real` parts by somebody who believes in the nominal ones."""
    pin_v = real.pin_v(terminal_v) + amps * real.parallel_ohm
    believed_v = (pin_v / real.reference_v + codes / 4096) * nominal.reference_v
    return (believed_v - nominal.bias_v) / nominal.gain_ratio


@pytest.mark.parametrize("name", ["SPEAKER", "SUPPLY", "LINE", "SMALL", "CLAMP"])
def test_budget_lines_against_parts_moved_one_at_a_time(name: str) -> None:
    limits = replace(Tolerances(), resistor_ratio=1e-5, reference_ratio=1e-5)  # small: first order
    nominal = board_network(name)
    budget = error_budget(nominal, limits)
    for line in budget.lines:
        part = line.cause.split()[0].rstrip(",")
        codes = limits.offset_codes if part == "converter" else 0.0
        amps = limits.leakage_a if part == "leakage" else 0.0
        real = nominal
        if part in ("top", "up", "down"):
            real = replace(nominal, **{f"{part}_ohm": getattr(nominal, f"{part}_ohm") * (1 + 1e-5)})
        if part == "reference":
            real = replace(nominal, reference_v=nominal.reference_v * (1 + 1e-5))
        zero_v = reading_v(real, nominal, 0.0, codes, amps)
        gain = reading_v(real, nominal, 1.0, codes, amps) - zero_v
        assert abs(gain - 1) == pytest.approx(line.gain_ratio, rel=1e-3, abs=1e-9), line.cause
        assert abs(zero_v) == pytest.approx(line.offset_v, rel=1e-3, abs=1e-9), line.cause


@pytest.mark.parametrize("name", ["SPEAKER", "SUPPLY", "LINE", "SMALL", "CLAMP"])
def test_worst_case_bounds_every_corner_and_rss_does_not(name: str) -> None:
    limits = replace(Tolerances(), offset_codes=0.0, leakage_a=0.0)
    nominal = board_network(name)
    budget = error_budget(nominal, limits)
    fitted = [key for key in ("top_ohm", "up_ohm", "down_ohm") if getattr(nominal, key) is not None]
    worst = 0.0
    for signs in itertools.product((-1, 1), repeat=len(fitted) + 1):
        moved = {key: getattr(nominal, key) * (1 + 0.01 * sign) for key, sign in zip(fitted, signs, strict=False)}
        real = replace(nominal, reference_v=3.3 * (1 + 0.02 * signs[-1]), **moved)
        worst = max(worst, abs(reading_v(real, nominal, 1.0) - reading_v(real, nominal, 0.0) - 1))
    assert budget.rss_gain_ratio < worst
    assert worst == pytest.approx(budget.worst_gain_ratio, rel=0.04)  # second order


@pytest.mark.parametrize("role", ["out_p", "supply", "source", "ground"])
def test_budget_agrees_with_the_uncertainty_that_reports_print(role: str) -> None:
    """The analysis works from the hello alone, with formulas of its own; leakage is not in them."""
    channel = nominal_channels((role,), "bass")[0]
    network = network_from_parts(role, CONFIG.REFERENCE_V, CONFIG.INPUT_OF_ROLE[role])
    budget = error_budget(network, replace(Tolerances(), leakage_a=0.0))
    printed = nominal_calibration(channel)
    assert budget.standard_gain_ratio == pytest.approx(printed.gain_uncertainty_ratio, rel=1e-6)
    assert budget.standard_offset_v == pytest.approx(printed.offset_uncertainty_v, rel=1e-6)


@pytest.mark.parametrize(("rise_v", "judgement"), [(0.5 * 0.2, "survives"), (1.5 * 0.2, "does not survive")])
def test_a_clamp_that_lifts_the_rail_by_more_than_a_fifth_of_a_volt_is_no_rescue(rise_v: float, judgement: str) -> None:
    """What the board does not draw charges the rail's capacitor: U = (I - 20 mA) t / C, by hand."""
    network = board_network("SMALL")
    clamp_a = clamp(network, 150.0, 0.0)[1]
    duration_s = rise_v * 10e-6 / (clamp_a - 0.020)
    assert duration_s > 5 * network.time_constant_s
    found = stress(network, Disturbance("made", 150.0, 0.0, duration_s, 0.0, "ours"))
    assert found.judgement == judgement
    assert judgement == "survives" or "it rises" in found.reason


def test_drift_of_the_supply_input_by_hand() -> None:
    # Two resistors 100 ppm/K apart over 40 K: 2 * 0.4 % * (1 - 0.1295) = 0.696 %, and 0.4 % of the reference.
    budget = error_budget(board_network("SUPPLY"), Tolerances())
    assert budget.drift_gain_ratio == pytest.approx(0.01096, abs=2e-5)
    assert budget.drift_offset_v == 0


def test_loading_of_a_line_source_by_hand() -> None:
    # 10.5 k + (6.19 k || 15.4 k) = 14.915 k; 1 k in front: 20 lg(15.915/14.915) = 0.564 dB.
    # Open: 3.3 V * 15.4/(6.19 + 15.4) = 2.354 V, so 5.550 - 2.354 = 3.196 V peak fits behind a capacitor.
    loading = source_loading(board_network("LINE"))
    assert loading.drop_db == pytest.approx(0.564, abs=1e-3)
    assert loading.coupled_peak_v == pytest.approx(3.196, abs=2e-3)
    assert loading.dc_v == pytest.approx(2.354 / 15.915, abs=1e-3)


# ---- stresses -------------------------------------------------------------------------------------------------------


def test_diode_law_lies_on_the_data_sheets_largest_values() -> None:
    # Largest forward volts of BAV199 in two makers' data sheets: 0.9 V at 1 mA, 1.0 V at 10 mA, 1.1 V at 50 mA.
    assert diode_v(1e-3) == pytest.approx(0.9, abs=1e-3)
    assert diode_v(10e-3) == pytest.approx(1.0, abs=0.01)
    assert 1.1 <= diode_v(50e-3) < 1.13


def test_unsuppressed_load_dump_on_the_supply_input_by_hand() -> None:
    # Node near 4.24 V: (101 - 4.24)/24.0005k = 4.032 mA in, 4.24/3.57k = 1.188 mA out, 2.844 mA into the clamp.
    dump = next(one for one in DISTURBANCES[12] if one.name == "unsuppressed load dump")
    result = stress(board_network("SUPPLY"), dump)
    assert result.clamp_a == pytest.approx(2.844e-3, abs=3e-6)
    assert result.top_w == pytest.approx(96.76**2 / 24_000, rel=1e-3)
    assert result.judgement == "survives"
    # Without clamp and pin resistor the chip would hold 3.8 V: (101 - 3.8)/24.0005k - 3.8/3.57k = 2.986 mA.
    assert result.bare_pin_a == pytest.approx(2.986e-3, abs=3e-6)


def test_short_pulse_moves_the_node_by_its_charge() -> None:
    # 3b on the supply input: 150 V more for 0.15 us through 24.05 k into 10 nF: 93.6 mV at most.
    pulse = next(one for one in DISTURBANCES[12] if one.name == "pulse 3b")
    network = board_network("SUPPLY")
    moved_v = stress(network, pulse).node_v - clamp(network, 13.5, pulse.source_ohm)[0]
    assert moved_v == pytest.approx(150 / 24_050 * 0.15e-6 / 10e-9, rel=0.01)


def test_the_digital_line_turns_where_board_config_says_and_survives() -> None:
    made = designed()
    (line,) = made.lines
    role, pin, threshold_v = CONFIG.DIGITAL[0]
    assert (line.role, line.pin) == (role, pin)
    assert line.threshold_v == pytest.approx(threshold_v, rel=0.02)
    # 39 k / 12 k: 2.0 V at the pin are 2.0 * 51/12 = 8.5 V at the lead, 0.8 V are 3.4 V.
    assert (line.surely_low_v, line.surely_high_v) == pytest.approx((3.4, 8.5))
    for volts in (0.0, 3.3):
        assert line.network.pin_v(volts) < 0.8  # an amplifier told to be off
    for volts in (9.0, 16.0):
        assert line.network.pin_v(volts) > 2.0
    assert all(one.judgement != "does not survive" for one in line.stresses)


def test_a_24_v_vehicle_is_designed_for_where_its_leads_belong() -> None:
    front_end = design_front_end(default_wishes(24), 10_000, 24, CONFIG)
    by_name = {one.name: one for one in front_end.inputs}
    for name in ("SPEAKER", "SUPPLY"):
        assert all(one.judgement != "does not survive" for one in by_name[name].stresses), name
    dump = next(one for one in by_name["SMALL"].stresses if one.disturbance.name == "unsuppressed load dump")
    assert dump.disturbance.volts == 202  # ISO 16750-2, as reproduced in a journal's table
    assert dump.judgement == "does not survive"
    assert "3.3 V" in dump.reason
    assert by_name["SUPPLY"].network.high_v > 36


def test_more_current_than_anything_stands_is_said() -> None:
    bare_wire = InputNetwork("", 100.0, None, 100.0, 10e-9, 3.3)
    dump = next(one for one in DISTURBANCES[12] if one.name == "unsuppressed load dump")
    result = stress(bare_wire, dump)
    assert result.judgement == "does not survive"
    assert result.resistor_w is None


def test_a_dead_board_is_fed_through_the_clamp() -> None:
    # 13.5 V through 24 k against a diode's 0.85 V, less what 3.57 k carries: (13.5-0.85)/24k - 0.85/3.57k = 0.29 mA.
    assert unplugged_a(board_network("SUPPLY"), 13.5) == pytest.approx(0.29e-3, abs=0.01e-3)


def test_the_sensor_range_holds_five_volts() -> None:
    assert board_network("CLAMP").high_v == pytest.approx(5.156, abs=1e-3)
    assert is_covered(board_network("CLAMP"), sensor_wish(), Tolerances())
