"""The input networks against circuit theory, and the parts' spread."""

import math
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.front_end import InputNetwork, clamp_pin_v, drawn_network, nominal_network

ROLES = tuple(load_board_config().INPUT_OF_ROLE)


def test_divider_example_against_ngspice() -> None:
    # 39 k / 6.8 k + 10 nF: gain 0.1484716 (ngspice 0.1484716), Rth 5790.4 ohm, corner 2748.60 Hz
    # (ngspice 39 gave 2747.64 Hz by interpolation).
    network = InputNetwork("supply", 39_000, None, 6_800, 10e-9, 3.3)
    assert network.gain_ratio == pytest.approx(0.1484716, abs=1e-7)
    assert network.parallel_ohm == pytest.approx(5790.4, abs=0.05)
    assert network.corner_hz == pytest.approx(2748.60, abs=0.01)
    assert network.bias_v == 0


@pytest.mark.parametrize("role", ROLES)
def test_node_equation_holds(role: str) -> None:
    """Currents into the pin's node sum to zero (Kirchhoff), for any terminal volts."""
    network = nominal_network(role)
    for terminal_v in (-3.0, 0.0, 7.0):
        pin_v = network.bias_v + network.gain_ratio * terminal_v
        current = (terminal_v - pin_v) / network.top_ohm
        current += 0 if network.up_ohm is None else (3.3 - pin_v) / network.up_ohm
        current -= 0 if network.down_ohm is None else pin_v / network.down_ohm
        assert abs(current) < 1e-15


@pytest.mark.parametrize("role", ROLES)
def test_drawn_parts_stay_within_their_spread(role: str) -> None:
    exact = nominal_network(role)
    drawn = [drawn_network(role, 3.3, np.random.default_rng(seed)) for seed in range(200)]
    gain = np.array([network.gain_ratio for network in drawn]) / exact.gain_ratio - 1
    corner = np.array([network.corner_hz for network in drawn]) / exact.corner_hz - 1
    assert np.abs(gain).max() < 0.0101
    assert np.abs(gain).max() > 0.002
    assert 0.06 < np.abs(corner).max() < 0.12


def test_clamp_leaves_the_range_alone_and_holds_beyond() -> None:
    inside = np.linspace(-0.2, 3.5, 1000)
    assert clamp_pin_v(inside) is inside
    hit = clamp_pin_v(np.array([-10.0, -1.0, 0.0, 3.3, 5.0, 10.0]))
    assert np.all(np.diff(hit) > 0)
    assert hit[0] > -0.6
    assert hit[-1] < 3.9
    assert hit[2] == 0
    assert hit[3] == pytest.approx(3.3)


def test_one_corner_serves_all_inputs_and_the_notes_say_what_the_parts_give() -> None:
    """board_config promises 2 %; hardware-notes/input-network.md prints ranges, steps and corners of the same parts."""
    config = load_board_config()
    notes = (Path(__file__).resolve().parents[2] / "hardware-notes" / "input-network.md").read_text(encoding="utf-8")
    for role, parts in config.INPUT_OF_ROLE.items():
        siemens = sum(1 / parts[name] for name in ("top_ohm", "up_ohm", "down_ohm") if parts[name])
        corner_hz = siemens / (2 * math.pi * parts["farad"])
        assert corner_hz == pytest.approx(config.INPUT_CORNER_HZ, rel=0.02), role
        bias_v = config.REFERENCE_V / parts["up_ohm"] / siemens if parts["up_ohm"] else 0.0
        gain = 1 / (parts["top_ohm"] * siemens)
        if role in ("out_p", "supply"):
            assert f"{(config.REFERENCE_V - bias_v) / gain:.1f} V" in notes
            assert f"{1e3 * config.REFERENCE_V / config.ADC_CODES / gain:.3g} mV" in notes
            assert f"{corner_hz / 1e3:.2f} kHz" in notes
