"""Unequal dividers are found from the music, and not where there is no bridge."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.types import Calibration
from ampwitness.waveform.assemble import Assembler
from ampwitness.waveform.balance import balance_calibrations
from ampwitness.waveform.calibration import calibrations_for
from analytic_board import Sines, block, hello

ROLES = ("out_p", "out_n", "supply")


def off(role: str, ratio: float) -> Calibration:
    """A calibration that is wrong by `ratio`, as if the divider were."""
    true = calibrations_for(hello("bass", ROLES), None)[role]
    return Calibration(role, true.gain_v_per_code * ratio, true.offset_v * ratio, 0.0, 0.0, None, "test")


def measure(signals, calibrations, n_frames=3000):
    assembler = Assembler(calibrations=calibrations, correct_adc=False)
    assembler.push(block(hello("bass", ROLES), signals, n_frames, noise_lsb=2.0))
    assembler.finish()
    return assembler.bridge_balance()


BRIDGE = {
    # common level with ripple at twice the note and at another frequency, as a sagging supply gives it
    "out_p": Sines(7.0, ((10.0, 47.0, 0.0), (0.2, 94.0, 0.5), (0.15, 31.0, 0.0))),
    "out_n": Sines(7.0, ((10.0, 47.0, np.pi), (0.2, 94.0, 0.5), (0.15, 31.0, 0.0))),
    "supply": Sines(12.2),
}


@pytest.mark.parametrize("mismatch", [-0.015, 0.0, 0.01])
def test_mismatch_is_found_within_its_uncertainty(mismatch):
    calibrations = {"out_p": off("out_p", 1 + mismatch / 2), "out_n": off("out_n", 1 - mismatch / 2)}
    balance = measure(BRIDGE, calibrations)
    assert balance.reason is None
    assert balance.gain_ratio - 1 == pytest.approx(mismatch, abs=5e-4)
    assert abs(balance.gain_ratio - 1 - mismatch) < 4 * balance.uncertainty_ratio + 1e-4
    mended = balance_calibrations(calibrations, balance)
    again = measure(BRIDGE, mended)
    assert again.gain_ratio == pytest.approx(1.0, abs=2e-4)
    assert mended["out_p"].gain_v_per_code * mended["out_n"].gain_v_per_code == pytest.approx(
        calibrations["out_p"].gain_v_per_code * calibrations["out_n"].gain_v_per_code, rel=1e-9
    )


def test_single_ended_output_is_not_taken_for_a_bridge():
    signals = {"out_p": Sines(0.0, ((10.0, 47.0, 0.0),)), "out_n": Sines(0.0), "supply": Sines(12.0)}
    balance = measure(signals, None)
    assert balance.gain_ratio is None
    assert "not bridged" in balance.reason


def test_silence_says_too_little():
    balance = measure({role: Sines(7.0) for role in ROLES}, None, 500)
    assert balance.gain_ratio is None
    assert "too little" in balance.reason
    kept = calibrations_for(hello("bass", ROLES), None)
    assert balance_calibrations(kept, balance) == kept
