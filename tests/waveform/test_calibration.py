"""Nominal calibrations: against networks solved with other parts, and against Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.types import Calibration
from ampwitness.waveform.calibration import calibrations_for, nominal_calibrations
from analytic_board import SCALE, hello

DESCRIBED = hello("bass", ("out_p", "out_n", "supply"))
PARTS = {"out_p": (120e3, 6.2e3, 6.49e3), "supply": (24e3, None, 3.57e3)}


def node_v(terminal_v: float, top: float, up: float | None, down: float, reference_v: float) -> float:
    """Node equation of the input network."""
    up_siemens = 0.0 if up is None else 1 / up
    return (terminal_v / top + reference_v * up_siemens) / (1 / top + up_siemens + 1 / down)


@pytest.mark.parametrize("role", ["out_p", "supply"])
def test_uncertainties_are_those_of_drawn_parts(role):
    calibration = {c.role: c for c in nominal_calibrations(DESCRIBED)}[role]
    rng = np.random.default_rng(2)
    gains, zeros = [], []
    for _ in range(20_000):
        top, up, down = (None if r is None else r * (1 + rng.uniform(-0.01, 0.01)) for r in PARTS[role])
        reference = 3.3 * (1 + rng.uniform(-0.02, 0.02))
        offset_lsb = rng.uniform(-3, 3)
        low, high = (
            calibration.gain_v_per_code * (node_v(v, top, up, down, reference) / reference * 4096 + offset_lsb)
            + calibration.offset_v
            for v in (0.0, 10.0)
        )
        gains.append((high - low) / 10.0)
        zeros.append(low)
    assert np.std(gains) == pytest.approx(calibration.gain_uncertainty_ratio, rel=0.05)
    assert np.std(zeros) == pytest.approx(calibration.offset_uncertainty_v, rel=0.05)
    assert np.mean(gains) == pytest.approx(1.0, abs=0.001)


def test_nominal_values_are_those_of_the_hello_and_say_so():
    for calibration in nominal_calibrations(DESCRIBED):
        assert (calibration.gain_v_per_code, calibration.offset_v) == SCALE[calibration.role]
        assert calibration.made_on is None
        assert "1 %" in calibration.source


def test_a_measured_calibration_replaces_the_nominal_one_of_its_role_only():
    mine = Calibration("supply", 0.0064, 0.01, 0.001, 0.002, "2025-01-01", "bench meter")
    chosen = calibrations_for(DESCRIBED, {"supply": mine})
    assert chosen["supply"] is mine
    assert chosen["out_p"].made_on is None
    assert calibrations_for(DESCRIBED, [mine])["supply"] is mine
