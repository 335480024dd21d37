"""Full-range music at 25 kS/s under ceilings that move by a twentieth, and the same music that no ceiling touches."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from ampwitness.bench.amplifier_flats import TrueFlat, flats_under_ceiling
from ampwitness.bench.clip_cases import lagged
from ampwitness.bench.clip_signals import full_range
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clipping
from ampwitness.types import Finding, FloatArray
from scipy import signal

RATE_HZ, MADE_HZ = 25_000.0, 100_000.0
SECONDS = 8.0


def _drive(seed: int, top_v: float) -> tuple[np.random.Generator, FloatArray]:
    rng = np.random.default_rng(seed)
    music = full_range(rng, SECONDS, MADE_HZ)
    return rng, top_v * music / np.percentile(np.abs(music), 99.5)


def _find(rng: np.random.Generator, output_v: FloatArray, supply_v: FloatArray, window_s: float) -> list[Finding]:
    every = round(MADE_HZ / RATE_HZ)
    corners = signal.butter(4, 11_000, fs=MADE_HZ, output="sos")
    arrays: dict[str, npt.NDArray[np.float32]] = {
        "output": signal.sosfiltfilt(corners, output_v)[::every].astype(np.float32),
        "supply": supply_v[::every].astype(np.float32),
    }
    for role, noise_v in (("output", 0.12), ("supply", 0.03)):
        arrays[role] += rng.normal(0, noise_v, len(arrays[role])).astype(np.float32)
    detector = clipping.ClippingDetector()
    for window in iter_windows_from_arrays(arrays, RATE_HZ, window_s=window_s):
        detector.push(window)
    return list(detector.finish().findings)


def starved(seed: int, window_s: float = 10.0) -> tuple[list[Finding], list[TrueFlat]]:
    """Drive that starves: the ceiling sinks with the load's current, which lags in a loudspeaker."""
    rng, drive = _drive(seed, 36.0)
    supply_v = np.full(len(drive), 12.5)
    output_v = drive
    for _ in range(8):
        current_a = lagged(output_v, 3e-4, MADE_HZ) / 4
        ceiling_v = 2.7 * lagged(supply_v, 0.003, MADE_HZ) - 1 - 0.35 * np.abs(current_a)
        output_v = np.clip(drive, -ceiling_v, ceiling_v)
        supply_v = 12.5 - 0.012 * lagged(output_v**2 / 4 / 0.65 / 12.5, 0.004, MADE_HZ)
    flats = flats_under_ceiling(drive, output_v, ceiling_v, ceiling_v, MADE_HZ)
    return _find(rng, output_v, supply_v, window_s), [flat for flat in flats if flat.flat_s >= 6e-4]


def _n_hit(findings: list[Finding], flats: list[TrueFlat]) -> int:
    spans = [(one.start_s, one.stop_s, one.measured["polarity"]) for one in findings]
    return sum(
        any(
            polarity == flat.polarity and start < flat.stop_s and stop > flat.start_s for start, stop, polarity in spans
        )
        for flat in flats
    )


@pytest.mark.parametrize("seed", [3, 6])
def test_flats_under_a_ceiling_that_moves_with_the_current_are_found(seed: int) -> None:
    findings, flats = starved(seed)
    assert len(flats) >= 15
    assert _n_hit(findings, flats) >= 0.85 * len(flats)


def test_they_are_few_where_rests_are_not_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clipping, "find_rests", lambda sides: [])
    findings, flats = starved(3)
    assert _n_hit(findings, flats) < 0.6 * len(flats)


def test_windows_of_any_length_give_the_same() -> None:
    assert [finding.start_s for finding in starved(3, 1.0)[0]] == [finding.start_s for finding in starved(3)[0]]


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_the_same_music_below_every_ceiling_gives_none(seed: int) -> None:
    rng, drive = _drive(seed, 17.0)
    assert not _find(rng, drive, np.full(len(drive), 12.5), 10.0)
