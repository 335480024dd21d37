"""An outage that slides over the edge of a block of ten seconds is the same outage."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from scipy import signal

AT = np.arange(12 * RATE_HZ) / RATE_HZ
STOP_S, BACK_S = 10.1, 10.7


def _draw(wave: np.ndarray, fall_s: float, *, supply_is_lost: bool) -> dict[str, np.ndarray]:
    noise = np.random.default_rng(3)
    left = np.clip(1 - (AT - STOP_S) / fall_s, 0, 1) + np.clip((AT - BACK_S) / 0.01, 0, 1)
    out_v = wave * left + noise.normal(0, 0.02, len(AT))
    is_out = (AT > STOP_S - 0.004) & (AT < STOP_S + 0.3) & supply_is_lost
    return {"output": out_v, "supply": np.where(is_out, 0.26, 12.6) + noise.normal(0, 0.003, len(AT))}


def _plucks() -> np.ndarray:
    rng, wave = np.random.default_rng(1), np.zeros(len(AT))
    for at_s in np.arange(0, 12, 0.5):
        since_s = AT - at_s
        sounds = (since_s >= 0) & (since_s < 0.47)
        since_s, hz = since_s[sounds], rng.choice([41.0, 55.0, 62.0, 73.0, 82.0])
        ends = np.minimum(1, since_s / 0.01) * np.minimum(1, (0.47 - since_s) / 0.02)
        wave[sounds] += 16 * np.sin(2 * np.pi * hz * since_s) * np.exp(-since_s / 0.5) * ends
    return wave


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(
    ("fall_s", "is_continuous", "supply_is_lost"),
    [(0.0005, True, False), (0.0005, False, True), (0.020, False, True), (0.020, True, True)],
)
def test_an_outage_is_found_once_wherever_it_lies_about_the_edge_of_a_block(
    window_s: float, fall_s: float, is_continuous: bool, supply_is_lost: bool
) -> None:
    wave = _plucks() if fall_s > 0.001 else 14 * np.sin(2 * np.pi * 44 * AT)
    volts = _draw(wave, fall_s, supply_is_lost=supply_is_lost)
    for cut_ms in range(85, 116):  # of what is left the outage begins 15 ms ahead of 10 s to 15 ms behind
        left = {role: values[cut_ms * RATE_HZ // 1000 :] for role, values in volts.items()}
        found = find_cutouts(CutoutCase(left, "", is_continuous=is_continuous), window_s)[0]
        assert len(found) == 1, f"{cut_ms} ms ahead were left out: {len(found)} found"
        assert found[0].start_s + 1e-3 * cut_ms == pytest.approx(STOP_S, abs=fall_s + 0.001)
        assert found[0].stop_s + 1e-3 * cut_ms == pytest.approx(BACK_S, abs=0.005)
        assert found[0].measured["cause"].startswith("supply lost" if supply_is_lost else "not decided")


def test_a_half_supply_stage_whose_volts_sink_is_told_wherever_it_stops() -> None:
    """Its silence lies ahead of the block's edge and what sinks behind it, or both on one side."""
    at_s, noise = 10.12, np.random.default_rng(12)
    section = signal.butter(2, [25, 120], "band", fs=RATE_HZ, output="sos")
    wave = signal.sosfilt(section, noise.standard_normal(len(AT)))
    wave *= 3 / wave.std()
    sinks = 6 * np.exp(-np.clip(AT - at_s, 0, None) / 0.3)
    output = np.where(AT - at_s < 0, 6 + wave, sinks) + noise.normal(0, 0.02, len(AT))
    volts = {"output": output, "supply": 12.6 + noise.normal(0, 0.003, len(AT))}
    for cut_ms in range(100, 141):
        left = {role: values[cut_ms * RATE_HZ // 1000 :] for role, values in volts.items()}
        found = find_cutouts(CutoutCase(left, "", is_continuous=False), 60.0)[0]
        starts_s = [s for one in found if (s := one.start_s + 1e-3 * cut_ms) > 5.0]  # standing volts all along are told
        assert len(starts_s) == 1, f"{cut_ms} ms ahead were left out: {starts_s}"
        assert starts_s[0] == pytest.approx(at_s, abs=0.025)
