"""Plateaus under a ceiling that sinks and ripples with its supply within each half-cycle."""

from __future__ import annotations

import numpy as np
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import Finding, FloatArray
from scipy import signal


def _lag(volts: FloatArray, time_constant_s: float, rate_hz: float) -> FloatArray:
    keep = np.exp(-1 / (time_constant_s * rate_hz))
    return np.asarray(signal.lfilter([1 - keep], [1, -keep], volts - volts[0]) + volts[0])


def _find(volts: dict[str, FloatArray], rate_hz: float, window_s: float) -> list[Finding]:
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(volts, rate_hz, window_s=window_s):
        detector.push(window)
    return list(detector.finish().findings)


def test_overdrive_under_a_ceiling_that_ripples_with_the_supply_within_half_cycles() -> None:
    """A line on top misses by 0.8 dB and more in every tenth of them."""
    rng, rate_hz, times = np.random.default_rng(5), 8000.0, 6
    model_hz = rate_hz * times
    t = np.arange(round(4.8 * model_hz)) / model_hz
    pitch_hz = np.repeat([43.0, 62.0, 36.0, 80.0, 51.0, 70.0], len(t) // 6)
    wanted = (20 + 6 * np.sin(2 * np.pi * 2.9 * t)) * np.sin(2 * np.pi * np.cumsum(pitch_hz) / model_hz)
    supply = 12.6 - 2.2 * _lag((np.clip(wanted, -17, 17) / 17) ** 2, 0.001, model_hz)
    rail = 1.5 * _lag(supply, 0.003, model_hz) - 0.5
    volts = {
        role: (signal.resample_poly(x, 1, times) + sd * rng.standard_normal(len(t) // times)).astype(np.float32)
        for role, x, sd in (("output", np.clip(wanted, -rail, rail), 0.02), ("supply", supply, 0.01))
    }
    clips = _find(volts, rate_hz, 1.0)
    errors, moved = [], []
    for found in clips:
        on = (t >= found.start_s) & (t <= found.stop_s)
        true_db = 20 * np.log10(np.max(np.abs(wanted[on]) / rail[on]))
        errors.append(float(found.measured["overdrive_db"]) - true_db)
        moved.append(np.ptp(rail[on]) / 18)
    assert len(errors) > 350
    assert np.median(moved) > 0.04
    assert np.quantile(np.abs(errors), 0.9) < 0.3
    assert _find(volts, rate_hz, 10.0) == clips
