"""Signals and windows that the event tests share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.result import Detector, DetectorResult

RATE_HZ = 8000.0


def seconds(duration_s: float, rate_hz: float = RATE_HZ) -> np.ndarray:
    return np.arange(round(duration_s * rate_hz)) / rate_hz


def run(
    detector: Detector, volts: Mapping[str, np.ndarray], rate_hz: float = RATE_HZ, window_s: float = 10.0, **more: Any
) -> DetectorResult:
    for window in iter_windows_from_arrays(volts, rate_hz, window_s=window_s, **more):
        detector.push(window)
    return detector.finish()


def logged(output: np.ndarray, supply: np.ndarray | None = None, *, seed: int = 1) -> dict[str, np.ndarray]:
    """Volts with the noise that the fast mode leaves: 25 mV rms on the output, 1.5 mV on the supply."""
    rng = np.random.default_rng(seed)
    volts = {"output": output + rng.normal(0, 0.025, len(output))}
    if supply is not None:
        volts["supply"] = supply + rng.normal(0, 0.0015, len(supply))
    return volts


def burst(time_s: np.ndarray, hz: float, start_s: float, stop_s: float, peak_v: float) -> np.ndarray:
    inside = (time_s >= start_s) & (time_s < stop_s)
    return np.where(inside, peak_v * np.sin(2 * np.pi * hz * (time_s - start_s)), 0.0)


def decaying_notes(
    time_s: np.ndarray, starts_s: Sequence[float], pitches_hz: Sequence[float], peak_v: float = 20.0
) -> np.ndarray:
    """5 ms attack, decay of 0.2 s, cut off after 0.45 s: the onset vector that aubioonset was run on."""
    out = np.zeros(len(time_s))
    for start_s, hz in zip(starts_s, pitches_hz, strict=True):
        u = time_s - start_s
        shape = np.minimum(np.maximum(u, 0) / 0.005, 1) * np.exp(-np.maximum(u, 0) / 0.2)
        out += np.where((u >= 0) & (u < 0.45), peak_v * shape * np.sin(2 * np.pi * hz * u), 0.0)
    return out
