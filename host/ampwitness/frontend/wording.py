"""A front end in words and tables for a person, and as plain values for JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from ampwitness.frontend.corner import CONVERTER_ERROR_CODES, RESIDUE_HZ
from ampwitness.frontend.digital import DigitalDivider
from ampwitness.frontend.disturbances import PIN_OHM, Stress, unplugged_a
from ampwitness.frontend.front_end import FrontEnd, JudgedInput
from ampwitness.frontend.preferred import value_code

_RUNNING_V = {12: 13.5, 24: 27.0}

# What no row of the tables says. Judgement of our own and common practice.
LIMITS = (
    "Every row takes the fitted clamp for granted: a low-leakage diode pair at each pin and "
    f"{value_code(PIN_OHM)} ohm between it and the pin. Without them the current of the last column goes into the "
    "chip.",
    "A lead with a fuse at its source end is still needed: the networks protect the board, not the wire.",
    "Not survived, whatever the table says: mains, ignition leads, high-voltage vehicles, welding on the vehicle, "
    "a ground lead that carries an amplifier's current. Discharges from people are not rated here.",
    "Leads off before the board loses its USB supply: through the clamp they feed the dead board.",
    "Arithmetic on nominal and worst-case parts, not a test of anything built. No board was measured.",
)


def front_end_text(front_end: FrontEnd) -> str:
    """Everything about a front end, for a terminal of 110 columns."""
    lines = [f"Input networks for a {front_end.system_v} V vehicle; one low-pass serves all inputs and modes."]
    if front_end.corner is not None:
        lines += ["", *_corner_lines(front_end)]
    for one in front_end.inputs:
        lines += ["", *_input_lines(one, front_end)]
    for digital in front_end.lines:
        lines += ["", *_digital_lines(digital)]
    lines += ["", "In words"]
    for line in [*_survival_lines(front_end), *(f"  - {limit}" for limit in LIMITS)]:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        lines += textwrap.wrap(line, 110, subsequent_indent=indent, break_on_hyphens=False)
    return "\n".join(lines)


def front_end_to_json(front_end: FrontEnd) -> dict[str, Any]:
    """The same as plain values; every name ends in its unit."""
    return {
        "system_v": front_end.system_v,
        "reference_v": front_end.reference_v,
        "input_corner_hz": front_end.corner_hz,
        "tolerances": asdict(front_end.tolerances),
        "corner": None if front_end.corner is None else asdict(front_end.corner),
        "inputs": [_input_to_json(one, front_end) for one in front_end.inputs],
        "lines": [asdict(line) for line in front_end.lines],
        "limits": list(LIMITS),
    }


def _digital_lines(line: DigitalDivider) -> list[str]:
    network = line.network
    lost = [stress for stress in line.stresses if stress.judgement == "does not survive"]
    most = max(stress.clamp_a for stress in line.stresses)
    fate = "survives all of the table" if not lost else f"DOES NOT SURVIVE {_names(lost)}"
    return [
        f"Digital line {line.role}, GPIO{line.pin}: the same clamp and pin resistor behind a divider",
        f"  parts       top {value_code(network.top_ohm)}, down {value_code(network.down_ohm or 0)} to ground, "
        f"{value_code(network.farad)}F",
        f"  reads       0 for certain below {line.surely_low_v:.1f} V, turns near {line.threshold_v:.1f} V, "
        f"1 for certain above {line.surely_high_v:.1f} V",
        f"  {fate}; {_milliamperes(1e3 * most)} at most into the clamp",
    ]


def _corner_lines(front_end: FrontEnd) -> list[str]:
    choice = front_end.corner
    assert choice is not None
    head = (
        "",
        "corner",
        f"loss at {choice.bandwidth_hz:g} Hz",
        f"at {RESIDUE_HZ / 1e3:g} kHz",
        "C",
        "source",
        "carried over",
        "",
    )
    rows = [
        (
            ">" if one == choice.chosen else "",
            f"{one.corner_hz:g} Hz",
            f"{one.band_loss_db:.1f} dB",
            f"{one.residue_loss_db:.1f} dB",
            f"{value_code(one.farad)}F",
            f"{value_code(round(one.parallel_ohm))} ohm",
            f"{one.carried_over_codes:.2f} codes",
            one.refusal or ("taken: the lowest that does not" if one == choice.chosen else "lets more residue in"),
        )
        for one in choice.candidates
    ]
    return [
        f"Corner, for signals up to {choice.bandwidth_hz:g} Hz",
        *_table([head, *rows], "  "),
        f"  at {RESIDUE_HZ / 1e3:g} kHz: what the low-pass takes off the switching residue of class-D outputs.",
        "  carried over: what the multiplexer leaves of the channel before, a whole range away; the capacitor is the "
        f"smallest that keeps it under half of the converter's own error, {CONVERTER_ERROR_CODES:.2f} codes rms.",
    ]


def _input_lines(one: JudgedInput, front_end: FrontEnd) -> list[str]:
    network, budget = one.network, one.budget
    mv_per_code = 1e3 * network.volts_per_code
    lines = [f"{one.name} for {', '.join(one.roles)}" + (f": {one.wish.why}" if one.wish else "")]
    if one.remark:
        lines.append(f"  {one.remark}")
    rating = "no rating stands it" if one.resistor_w is None else f"rated {one.resistor_w:g} W or more"
    lines += [
        f"  parts       {_parts_words(one)}; top resistor {rating}",
        f"  range       {network.low_v:+.2f} to {network.high_v:+.2f} V; ratio 1 : {1 / network.gain_ratio:.4g}; "
        f"{mv_per_code:.3g} mV a code; {network.bias_v:.3f} V at the pin for 0 V",
        f"  low-pass    {network.corner_hz:.0f} Hz; source impedance {network.parallel_ohm:.0f} ohm; "
        f"loads the terminal with {value_code(round(network.input_ohm))} ohm",
        f"  settling    {one.carried_codes:.2f} codes ({mv_per_code * one.carried_codes:.3g} mV) after the "
        f"multiplexer's switch; {one.carried_worst_codes:.1f} codes if its input is as bad as can be read",
        f"  noise       {1e3 * budget.noise_v:.3g} mV rms in one conversion, converter included",
        f"  drift       gain {100 * budget.drift_gain_ratio:.2f} %, zero {_volts(budget.drift_offset_v)} at worst over "
        f"+-{front_end.tolerances.temperature_k:g} K",
        *_budget_lines(one),
        *_loading_lines(one),
        *_table(_stress_rows(one), "  "),
    ]
    return lines


def _parts_words(one: JudgedInput) -> str:
    network = one.network
    words = [f"top {value_code(network.top_ohm)}"]
    if network.up_ohm is not None:
        words.append(f"up {value_code(network.up_ohm)} to 3.3 V")
    if network.down_ohm is not None:
        words.append(f"down {value_code(network.down_ohm)} to ground")
    return ", ".join([*words, f"{value_code(network.farad)}F"])


def _budget_lines(one: JudgedInput) -> list[str]:
    budget = one.budget
    rows: list[tuple[str, ...]] = [("  error", "of a difference", "of a reading at 0 V")]
    rows += [(f"    {line.cause}", f"{100 * line.gain_ratio:.2f} %", _volts(line.offset_v)) for line in budget.lines]
    rows += [
        ("    worst case, all at once", f"{100 * budget.worst_gain_ratio:.2f} %", _volts(budget.worst_offset_v)),
        ("    RSS of the limits", f"{100 * budget.rss_gain_ratio:.2f} %", _volts(budget.rss_offset_v)),
        (
            "    standard uncertainty",
            f"{100 * budget.standard_gain_ratio:.2f} %",
            _volts(budget.standard_offset_v),
        ),
    ]
    return _table(rows, "")


def _loading_lines(one: JudgedInput) -> list[str]:
    loading = one.loading
    if loading is None:
        return []
    return [
        f"  loading     a source of {loading.source_ohm:g} ohm loses {loading.drop_db:.2f} dB and gets "
        f"{1e3 * loading.dc_v:.0f} mV of DC",
        f"              behind a coupling capacitor it floats to {one.network.open_v:.2f} V: "
        f"{loading.coupled_peak_v:.2f} V peak fits; {1e6 * loading.coupled_farad:g} uF lose 3 dB at "
        f"{loading.coupled_corner_hz:.2g} Hz",
    ]


def _stress_rows(one: JudgedInput) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [
        ("what comes in", "lead", "node", "pin", "clamp", "chip", "top R", "outcome", "bare chip")
    ]
    for stress in (*one.signal, *one.stresses):
        rows.append(
            (
                stress.disturbance.name,
                f"{stress.disturbance.volts:.4g} V",
                f"{stress.node_v:.2f} V",
                f"{stress.pin_v:.2f} V",
                _milliamperes(1e3 * stress.clamp_a),
                _milliamperes(1e3 * stress.pin_a),
                f"{stress.top_w:.2g} W",
                _outcome(stress),
                _milliamperes(1e3 * stress.bare_pin_a),
            )
        )
    return rows


def _outcome(stress: Stress) -> str:
    if stress.judgement == "does not survive":
        return "DOES NOT SURVIVE"
    if stress.judgement == "measured":
        return "measured"
    return "survives, reads " + ("top" if stress.node_v > 1 else "bottom")


def _survival_lines(front_end: FrontEnd) -> list[str]:
    lines = []
    for one in front_end.inputs:
        by: dict[str, list[Stress]] = {"measured": [], "survives": [], "does not survive": []}
        for stress in (*one.signal, *one.stresses):
            by[stress.judgement].append(stress)
        where = "" if one.is_on_supply else " (its lead meets these only when it is clipped to the wrong place)"
        lines.append(f"  {one.name}{where}")
        if by["measured"]:
            lines.append(f"    stays inside its range: {_names(by['measured'])}.")
        if by["survives"]:
            lines.append(
                f"    survives, but reads the end of its range, so nothing is judged: {_names(by['survives'])}."
            )
        for stress in by["does not survive"]:
            lines.append(f"    DOES NOT SURVIVE {stress.disturbance.name}: {stress.reason}.")
        if not by["does not survive"]:
            lines.append("    survives all of the table.")
        volts = _RUNNING_V[front_end.system_v]
        leak_ma = 1e3 * unplugged_a(one.network, volts)
        lines.append(f"    left on {volts:g} V with the board unplugged: {_milliamperes(leak_ma)} into the dead board.")
    return lines


def _names(stresses: Iterable[Stress]) -> str:
    return ", ".join(dict.fromkeys(stress.disturbance.name for stress in stresses))


def _milliamperes(value: float) -> str:
    return "-" if value == 0 else f"{value:.3g} mA" if value >= 0.01 else "<0.01 mA"


def _volts(value: float) -> str:
    return f"{value:.2f} V" if value >= 1 else f"{1e3 * value:.3g} mV"


def _table(rows: list[tuple[str, ...]], indent: str) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _input_to_json(one: JudgedInput, front_end: FrontEnd) -> dict[str, Any]:
    network, budget = one.network, one.budget
    return {
        "name": one.name,
        "roles": list(one.roles),
        "wish": None if one.wish is None else {"low_v": one.wish.low_v, "high_v": one.wish.high_v, "why": one.wish.why},
        "remark": one.remark,
        "parts": network.parts(),
        "top_rating_w": one.resistor_w,
        "low_v": network.low_v,
        "high_v": network.high_v,
        "gain_ratio": network.gain_ratio,
        "bias_v": network.bias_v,
        "volts_per_code": network.volts_per_code,
        "source_impedance_ohm": network.parallel_ohm,
        "input_ohm": network.input_ohm,
        "corner_hz": network.corner_hz,
        "carried_over_codes": one.carried_codes,
        "carried_over_worst_codes": one.carried_worst_codes,
        "noise_v": budget.noise_v,
        "drift": {"gain_ratio": budget.drift_gain_ratio, "offset_v": budget.drift_offset_v},
        "error_budget": {
            "lines": [asdict(line) for line in budget.lines],
            "worst_gain_ratio": budget.worst_gain_ratio,
            "worst_offset_v": budget.worst_offset_v,
            "rss_gain_ratio": budget.rss_gain_ratio,
            "rss_offset_v": budget.rss_offset_v,
            "standard_gain_ratio": budget.standard_gain_ratio,
            "standard_offset_v": budget.standard_offset_v,
        },
        "loading": None if one.loading is None else asdict(one.loading),
        "unplugged_a": unplugged_a(network, _RUNNING_V[front_end.system_v]),
        "stresses": [asdict(stress) for stress in (*one.signal, *one.stresses)],
    }
