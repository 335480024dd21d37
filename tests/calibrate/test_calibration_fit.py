"""The line through known volts: against scipy, against made boards whose truth is known, and its refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.types import Block, Channel
from ampwitness.waveform.adc_correction import NOMINAL_ADC
from ampwitness.waveform.calibration import nominal_calibration
from ampwitness.waveform.calibration_fit import (
    CalibrationPoint,
    ContradictionError,
    design_limits,
    fit_calibration,
    read_still,
)
from scipy.optimize import curve_fit

SUPPLY = Channel("supply", 28, 3.3 * (1 + 24_000 / 3_570) / 4096, 0.0, 0)
SPEAKER = Channel("out_p", 26, 3.3 * (1 + 120_000 / 6_200 + 120_000 / 6_490) / 4096, -3.3 * 120_000 / 6_200, 0)


def points_on(channel: Channel, volts: list[float], gain: float = 1.0, zero_v: float = 0.0) -> list[CalibrationPoint]:
    """Exact points of a channel whose true gain is `gain` times the design's and which is `zero_v` off at zero."""
    true_gain = channel.gain_v_per_code * gain
    zero_code = -channel.offset_v / channel.gain_v_per_code
    return [CalibrationPoint(v, 0.006, zero_code + (v - zero_v) / true_gain, 1.2) for v in volts]


def fit(channel: Channel, points: list[CalibrationPoint]):  # type: ignore[no-untyped-def]
    return fit_calibration(channel, points, meter_ratio=0.003, made_on="2026-03-01", meter="a meter")


def test_the_line_and_its_uncertainty_are_scipy_s() -> None:
    """scipy.optimize.curve_fit with absolute sigmas solves the same weighted problem by another road."""
    rng = np.random.default_rng(7)
    points = [
        replace(p, known_v=p.known_v + rng.normal(0, 0.006), known_uncertainty_v=0.004 + 0.002 * k)
        for k, p in enumerate(points_on(SUPPLY, [0.0, 5.0, 12.0, 14.4], gain=1.012, zero_v=0.01))
    ]
    codes = np.array([p.mean_code for p in points])
    sigma = [math.hypot(p.known_uncertainty_v, SUPPLY.gain_v_per_code * p.code_uncertainty_lsb) for p in points]
    best, covariance = curve_fit(
        lambda x, a, b: a * x + b, codes, [p.known_v for p in points], sigma=sigma, absolute_sigma=True
    )
    ours = fit(SUPPLY, points).calibration
    assert ours.gain_v_per_code == pytest.approx(best[0], rel=1e-7)
    assert ours.offset_v == pytest.approx(best[1], abs=1e-6)
    slope_ratio = math.sqrt(covariance[0, 0]) / SUPPLY.gain_v_per_code
    assert ours.gain_uncertainty_ratio == pytest.approx(math.hypot(slope_ratio, 0.003), rel=1e-3)
    assert ours.offset_uncertainty_v == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-3)  # design: 0 V is code 0


def test_the_truth_lies_within_the_stated_uncertainty_as_often_as_it_should() -> None:
    rng = np.random.default_rng(11)
    z_gain, z_zero = [], []
    for _ in range(400):
        meter = 1 + rng.normal(0, 0.003)
        points = [
            replace(
                p,
                known_v=p.known_v * meter + rng.normal(0, p.known_uncertainty_v),
                mean_code=p.mean_code + rng.normal(0, p.code_uncertainty_lsb),
            )
            for p in points_on(SPEAKER, [0.0, 12.0, 30.0], gain=0.99, zero_v=0.3)
        ]
        done = fit(SPEAKER, points).calibration
        true_gain = SPEAKER.gain_v_per_code * 0.99
        z_gain.append((done.gain_v_per_code / true_gain - 1) / done.gain_uncertainty_ratio)
        zero_code = -SPEAKER.offset_v / SPEAKER.gain_v_per_code
        z_zero.append((done.gain_v_per_code * zero_code + done.offset_v - 0.3) / done.offset_uncertainty_v)
    for z in (z_gain, z_zero):
        assert 0.9 < np.std(z) < 1.1  # 400 draws: +-7 % is two sigmas of a standard deviation
        assert abs(np.mean(z)) < 0.2


@pytest.mark.parametrize("channel", [SUPPLY, SPEAKER])
def test_a_sound_board_is_never_refused_and_limits_are_worst_case(channel: Channel) -> None:
    gain_limit, zero_limit = design_limits(channel)
    nominal = nominal_calibration(channel)
    assert gain_limit > math.sqrt(3) * nominal.gain_uncertainty_ratio * 0.99  # worst case is beyond root sum of squares
    assert zero_limit > math.sqrt(3) * nominal.offset_uncertainty_v * 0.99
    for sign in (-1, 1):
        done = fit(channel, points_on(channel, [0.0, 20.0], gain=1 + sign * gain_limit, zero_v=sign * zero_limit))
        assert done.gain_off_ratio == pytest.approx(sign * gain_limit, rel=1e-6)


def test_limits_against_every_corner_of_the_tolerances() -> None:
    """All 16 corners of three 1 % resistors and a 2 % reference, computed from the circuit itself."""
    top, up, down = 120_000.0, 6_200.0, 6_490.0
    nominal_zero_code = -SPEAKER.offset_v / SPEAKER.gain_v_per_code
    gain_off, zero_off = [], []
    for a in (0.99, 1.01):
        for b in (0.99, 1.01):
            for c in (0.99, 1.01):
                for d in (0.98, 1.02):
                    k = 1 + a * top / (b * up) + a * top / (c * down)
                    gain = 3.3 * d * k / 4096
                    gain_off.append(abs(gain / SPEAKER.gain_v_per_code - 1))
                    zero_off.append(abs(gain * nominal_zero_code - 3.3 * d * a * top / (b * up)))
    gain_limit, zero_limit = design_limits(SPEAKER)
    assert max(gain_off) == pytest.approx(gain_limit, rel=0.03)  # first order in the tolerances
    assert max(zero_off) <= zero_limit * 1.03


def test_contradictions_are_refused_in_words() -> None:
    with pytest.raises(ContradictionError, match="two points at least"):
        fit(SUPPLY, points_on(SUPPLY, [12.0]))
    with pytest.raises(ContradictionError, match="two points at least"):
        fit(SUPPLY, points_on(SUPPLY, [12.0, 12.5]))
    with pytest.raises(ContradictionError, match="its parts allow"):
        fit(SUPPLY, points_on(SUPPLY, [0.0, 12.0], gain=1.12))
    with pytest.raises(ContradictionError, match="reads 0 V"):
        fit(SUPPLY, points_on(SUPPLY, [0.0, 12.0], zero_v=0.5))
    bent = points_on(SUPPLY, [0.0, 12.0, 14.0])
    bent[1] = replace(bent[1], known_v=12.3)
    with pytest.raises(ContradictionError, match=r"12\.3 V"):
        fit(SUPPLY, bent)


def test_correcting_the_converter_helps_a_calibration() -> None:
    """A board with nominal wide codes, held at voltages whose codes lie around a wide one: with the correction the
    points lie on a line to a fraction of a code, without it they are several codes apart."""
    volts = np.linspace(1.0, 24.0, 12)
    codes = {True: [], False: []}
    for known_v in volts:
        stimulus = ArrayStimulus(("supply",), 1000.0, np.full((300, 1), known_v))
        decoded = simulate_blocks(stimulus, ("supply",), "bass", seed=5)
        blocks = [item for item in decoded if isinstance(item, Block)]
        for is_corrected in (True, False):
            (reading,) = read_still(blocks, NOMINAL_ADC if is_corrected else None)
            assert reading.n_at_rail == 0
            codes[is_corrected].append(reading.mean_code)
    off_lsb = {}
    for is_corrected, mean_codes in codes.items():
        line = np.polynomial.Polynomial.fit(volts, mean_codes, 1)
        off_lsb[is_corrected] = float(np.std(np.array(mean_codes) - line(volts)))
    print(f"off the line: {off_lsb[True]:.2f} LSB corrected, {off_lsb[False]:.2f} LSB raw")
    assert off_lsb[True] < 0.5 * off_lsb[False]
    assert off_lsb[True] < 1.0
