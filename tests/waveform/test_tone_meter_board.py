"""THD+N, SINAD and effective bits through the whole board: terminals, drawn parts, converter, averaging, correction.

Truth is put on at the terminals: harmonics from the closed form of a clipped sine, and noise of a known size. SINAD and
effective bits by IEEE 1057 (four-parameter sine fit; noise and distortion is what it leaves) and
IEEE 1241 (effective bits = (SINAD - 1.7609) / 6.0206 for a sine that fills the range).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.types import FloatArray
from ampwitness.waveform.assemble import iter_windows
from ampwitness.waveform.response import PASS_FRACTION
from ampwitness.waveform.tone_clip import cut_sine_harmonics
from ampwitness.waveform.tone_meter import CONVERTER_FLOOR_V, ToneReading, measure_tone
from scipy import signal

SECONDS = 1.2
SOURCE_RATE_HZ = {"bass": 96_000, "wide": 150_000}
CASES = [("bass", 40.0, 3000.0), ("bass", 61.7, 3000.0), ("wide", 1000.0, 9500.0)]


def through_board(output: FloatArray, mode: str, seed: int) -> tuple[FloatArray, float]:
    """A second of logged volts from the middle, and their rate."""
    volts = np.column_stack([7 + output / 2, 7 - output / 2, np.full(len(output), 12.5)])
    roles = ("out_p", "out_n", "supply")
    (window,) = iter_windows(simulate_blocks(ArrayStimulus(roles, SOURCE_RATE_HZ[mode], volts), roles, mode, seed=seed))
    (segment,) = window.traces["output"].segments
    first = len(segment.volts) // 10
    part = np.asarray(segment.volts[first : first + round(segment.rate_hz)], dtype=float)
    return part, segment.rate_hz


def clipped_v(hz: float, mode: str, clip_ratio: float, ceiling_v: float) -> tuple[FloatArray, FloatArray]:
    """A clipped sine by its series up to 20 kHz, and the amplitudes of its orders."""
    rate_hz = SOURCE_RATE_HZ[mode]
    angle = 2 * np.pi * hz * np.arange(round(SECONDS * rate_hz)) / rate_hz
    cut_rad = math.acos(clip_ratio)
    sizes = cut_sine_harmonics(cut_rad, cut_rad, int(20_000 / hz)) * ceiling_v / clip_ratio
    return np.sum([size * np.cos(order * angle) for order, size in enumerate(sizes)], axis=0), sizes


def noise_v(rms_v: float, mode: str, top_hz: float, seed: int) -> FloatArray:
    """White up to `top_hz`, of a known rms."""
    rate_hz = SOURCE_RATE_HZ[mode]
    white = np.random.default_rng(seed).normal(0, 1, round(SECONDS * rate_hz))
    low = signal.sosfiltfilt(signal.butter(8, top_hz, fs=rate_hz, output="sos"), white)
    return np.asarray(low * rms_v / np.std(low))


def read(volts: FloatArray, rate_hz: float) -> ToneReading:
    return measure_tone(volts, rate_hz, converter_floor_v=CONVERTER_FLOOR_V)


@pytest.mark.parametrize(("mode", "hz", "top_hz"), CASES)
@pytest.mark.parametrize(("clip_ratio", "noise_rms_v"), [(0.90, 0.3), (0.98, 1.0)])
def test_distortion_and_noise_put_on_are_read_back(
    mode: str, hz: float, top_hz: float, clip_ratio: float, noise_rms_v: float
) -> None:
    """THD+N within 0.15 points, SINAD within 0.3 dB, effective bits within 0.05 of what was put on in the band."""
    output, sizes = clipped_v(hz, mode, clip_ratio, 36.0)
    volts, rate_hz = through_board(output + noise_v(noise_rms_v, mode, top_hz, 51), mode, 51)
    n_inside = int(PASS_FRACTION * rate_hz / 2 / hz)
    rest_v = math.hypot(noise_rms_v, math.sqrt(float(np.sum(sizes[2 : n_inside + 1] ** 2)) / 2))
    tone_v = sizes[1] / math.sqrt(2)
    reading = read(volts, rate_hz)
    assert reading.thd_n_percent == pytest.approx(100 * rest_v / math.hypot(tone_v, rest_v), abs=0.15)
    sinad_db = 20 * math.log10(tone_v / rest_v)
    assert reading.sinad_db == pytest.approx(sinad_db, abs=0.3)
    assert reading.effective_bits == pytest.approx((sinad_db - 1.7609) / 6.0206, abs=0.05)
    # Noise is no distortion: THD alone keeps to the harmonics.
    assert reading.thd_in_band_percent == pytest.approx(
        100 * math.sqrt(float(np.sum(sizes[2 : n_inside + 1] ** 2))) / sizes[1], abs=0.15
    )


def four_parameter_fit(volts: FloatArray, rate_hz: float, hz: float) -> tuple[float, float]:
    """rms of sine and of what is left, by the iteration of IEEE 1057 written out: columns cos, sin, 1, and
    -A t sin + B t cos for the frequency (the board's own clock is some parts in a million off)."""
    time_s = np.arange(len(volts)) / rate_hz
    found = np.zeros(4)
    for _ in range(8):
        cos, sin = np.cos(2 * np.pi * hz * time_s), np.sin(2 * np.pi * hz * time_s)
        turn = time_s * (found[1] * cos - found[0] * sin)
        columns = np.stack([cos, sin, np.ones(len(volts)), turn], axis=1)[:, : 4 if found[:2].any() else 3]
        found = np.append(np.linalg.lstsq(columns, volts, rcond=None)[0], 0.0)[:4]
        left = volts - columns @ found[: columns.shape[1]]
        hz += found[3] / (2 * np.pi)
    return math.hypot(found[0], found[1]) / math.sqrt(2), float(np.sqrt(left @ left / (len(volts) - 4)))


@pytest.mark.parametrize("seed", [61, 62, 63])
@pytest.mark.parametrize(("mode", "hz", "top_hz"), CASES)
def test_of_a_clean_tone_it_gives_what_a_four_parameter_fit_leaves(
    mode: str, hz: float, top_hz: float, seed: int
) -> None:
    """The board's own noise and steps; the fit is made here, by numpy alone."""
    rate_hz = SOURCE_RATE_HZ[mode]
    output = 38.0 * np.sin(2 * np.pi * hz * np.arange(round(SECONDS * rate_hz)) / rate_hz + 0.3)
    volts, logged_hz = through_board(output, mode, seed)
    tone_v, left_v = four_parameter_fit(volts, logged_hz, hz)
    sinad_db = 20 * math.log10(tone_v / left_v)
    reading = read(volts, logged_hz)
    assert reading.sinad_db == pytest.approx(sinad_db, abs=0.1)
    assert reading.effective_bits == pytest.approx((sinad_db - 1.7609) / 6.0206, abs=0.02)
    # What the model's boards gave when this was written, less a decibel: 8 conversions averaged, and none.
    assert sinad_db > (56 if mode == "bass" else 46.4)
    assert reading.thd_is_below_floor
