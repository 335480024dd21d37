"""Readings of a tone that is being turned, cycle by cycle, against the steady tone at the same level."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.tone_signals import KnobAmplifier, true_thd
from ampwitness.waveform.tone_cycles import cycle_amplitudes, measure_cycles
from ampwitness.waveform.tone_meter import measure_tone

RATE_HZ = 8000.0
BAND_HZ = 3400.0


def turned(amplifier: KnobAmplifier, crest_db: np.ndarray, hz: float) -> np.ndarray:
    """Volts of a hand's path (dB re 1 V crest at RATE_HZ), clipped 16 times finer so that little folds."""
    fine = np.interp(np.arange(16 * len(crest_db)) / 16, np.arange(len(crest_db)), crest_db)
    time = np.arange(len(fine)) / (16 * RATE_HZ)
    output = amplifier.output_v(10 ** (fine / 20), np.sin(2 * np.pi * hz * time))
    return np.asarray(output.reshape(-1, 16).mean(axis=1))


@pytest.mark.parametrize("hz", [28.3, 40.0, 61.7, 90.0])
@pytest.mark.parametrize(
    "amplifier",
    [KnobAmplifier(), KnobAmplifier(rail_v=38, sag_v=4), KnobAmplifier(negative_ratio=0.96), KnobAmplifier(34, 24.0)],
)
def test_an_even_turn_reads_as_if_the_hand_had_stopped(hz: float, amplifier: KnobAmplifier) -> None:
    """6 dB a second through the edge: THD and level of each instant are those of the steady tone (up to 20 kHz)."""
    n = round(0.6 * RATE_HZ)
    begin_db = 20 * np.log10(amplifier.rail_v) - 1.8
    crest_db = begin_db + 6.0 * np.arange(n) / RATE_HZ
    volts = turned(amplifier, crest_db, hz) + np.random.default_rng(3).normal(0, 0.01, n)
    cycle = RATE_HZ / hz
    like = measure_tone(volts[: round(6 * cycle)], RATE_HZ, expected_hz=hz)
    middles = np.arange(1.5 * cycle, n - 1.5 * cycle, cycle / 2)
    seen = 0
    for one in measure_cycles(volts, RATE_HZ, middles, like, band_hz=BAND_HZ):
        thd, level_v, _ = true_thd(amplifier, 10 ** (float(np.interp(one.middle, np.arange(n), crest_db)) / 20), hz)
        assert 20 * np.log10(one.reading.level_v / level_v) == pytest.approx(0, abs=0.0075)  # half the goal for a knee
        if 0.005 < thd < 0.03:
            seen += 1
            assert one.reading.thd_f_percent == pytest.approx(100 * thd, abs=0.04)
            with_noise = 100 * np.hypot(one.reading.thd_in_band_percent / 100, 0.01 / one.reading.level_v)
            assert one.reading.thd_n_percent == pytest.approx(with_noise, abs=0.01)  # the tone's of that instant
            assert one.reading.sinad_db == pytest.approx(-20 * np.log10(with_noise / 100), abs=0.1)
    assert seen >= 3


def test_a_level_that_jumps_raises_the_floor_above_what_it_invents() -> None:
    """A step of 1 dB within a clean tone leaks into the harmonics; the floor must say so."""
    n = round(1.0 * RATE_HZ)
    volts = turned(KnobAmplifier(rail_v=200), np.where(np.arange(n) < n // 2, 20.0, 21.0), 40.0)
    like = measure_tone(volts[:2000], RATE_HZ)
    readings = measure_cycles(volts, RATE_HZ, np.arange(500, n - 500, 100.0), like, band_hz=BAND_HZ)
    assert max(one.reading.thd_in_band_percent or 0.0 for one in readings) > 0.3  # the leak is there
    for one in readings:
        thd = one.reading.thd_f_percent or 0.0
        assert one.reading.thd_is_below_floor or one.reading.thd_floor_percent > 0.35 * thd or thd < 0.1


def test_an_even_slope_drops_out_of_every_harmonic() -> None:
    """The triangle's closed form: a level that changes evenly leaves nothing at orders 2 and up."""
    at = np.arange(2000)
    volts = (20 + 0.002 * at) * np.sin(2 * np.pi * 40 * at / RATE_HZ)
    amplitudes = cycle_amplitudes(volts, RATE_HZ, 40.0, np.array([600.0, 1000.0, 1333.3]), 20)
    assert np.abs(amplitudes[:, 1]) == pytest.approx([21.2, 22.0, 22.6666], rel=1e-4)
    # the fundamental's neighbours see a slope's own second moment: 1 / (pi n)^2 of the change within a cycle at most
    assert np.max(np.abs(amplitudes[:, 2:])) < 1e-3
