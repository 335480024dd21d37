"""Volts at which an output rests: stuck at DC where they stand, else a slow wave, a ring, or a ground that moved."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(7 * RATE_HZ) / RATE_HZ
OFF = (AT >= 4.003) & (AT < 5.4)
TONE = 17 * np.sin(2 * np.pi * 47 * AT)


def _find(wave: FloatArray, edges: tuple[Edge, ...] = (), **more: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(6)
    volts = {"output": wave, "supply": np.full(len(AT), 12.6), **more}
    noisy = {role: values + rng.normal(0, 0.01, len(AT)) for role, values in volts.items()}
    return list(find_cutouts(CutoutCase(noisy, "", edges))[0])


@pytest.mark.parametrize("slow_hz", [1.5, 2.3, 4.0, 7.0])
def test_a_slow_wave_under_a_programme_that_pauses_is_not_dc(slow_hz: float) -> None:
    pauses = np.abs(AT % 1.7 - 0.5) < 0.3
    wave = np.where(pauses, 0.0, TONE) + 6 * np.sin(2 * np.pi * slow_hz * AT)
    assert not [f for f in _find(wave) if not str(f.measured["cause"]).startswith("not decided: the signal may")]


def test_what_rings_slowly_behind_a_stop_does_not_hide_its_cause() -> None:
    since = np.maximum(AT - 4.003, 0)
    ring = np.where(OFF, 2.6 * np.exp(-since / 0.2) * np.sin(2 * np.pi * 4 * since), 0.0)
    edges = (Edge("remote", 1, 0.01, "", 80), Edge("remote", 0, 3.99, "", 31920), Edge("remote", 1, 5.3, "", 42400))
    (found,) = _find(np.where(OFF, ring, TONE), edges)
    assert found.measured["cause"] == "remote lead dropped"


@pytest.mark.parametrize(("stays_s", "is_stuck"), [(0.15, True), (1.2, True), (0.05, False)])
def test_dc_is_stuck_where_it_stands_for_a_while_though_it_ends_at_once(stays_s: float, is_stuck: bool) -> None:
    wave = np.where(OFF, np.where(4.003 + stays_s > AT, -11.0, 0.0), TONE)
    causes = [f.measured["cause"] for f in _find(wave)]
    assert ("output stuck at DC" in causes) == is_stuck


def test_an_output_that_moves_with_its_ground_is_one_stop_though_the_contact_flickers() -> None:
    away = OFF & ~((AT > 4.4) & (AT < 4.425)) & ~((AT > 4.7) & (AT < 4.71))
    lifted = 4.5 * (1 - np.exp(-np.maximum(AT - 4.003, 0) / 0.02))
    (found,) = _find(np.where(OFF, np.where(away, lifted, 0.0), TONE), ground=np.where(away, 3.3, 0.03))
    assert found.measured["cause"] == "ground connection intermittent"
    assert found.stop_s == pytest.approx(5.4, abs=0.005)
    assert any("measure across the speaker" in reason for reason in found.evidence["reasons"])


def test_a_supply_that_always_is_low_lets_the_amplifier_go_all_the_same() -> None:
    supply = 10.75 - 0.8 * np.clip((AT - 3.95) / 0.05, 0, 1) * (AT < 5.2)
    (found,) = _find(np.where(OFF, 0.0, TONE), supply=supply)
    assert found.measured["cause"] == "supply voltage too low"


def test_a_slow_ring_behind_a_stop_is_no_return() -> None:
    since = np.maximum(AT - 4.003, 0)
    ring = 2.4 * np.exp(-since / 0.2) * np.sin(2 * np.pi * 4 * since)
    supply = 12.6 - 3.6 * np.clip((AT - 3.95) / 0.05, 0, 1) * (AT < 5.2)
    (found,) = _find(np.where(OFF, ring, TONE), supply=supply)
    assert found.measured["cause"] == "supply voltage too low"
    assert found.stop_s == pytest.approx(5.4, abs=0.005)


def test_volts_that_creep_to_where_they_stand_are_one_stop_until_a_fuse_ends_them() -> None:
    at = np.arange(9 * RATE_HZ) / RATE_HZ
    since = np.maximum(at - 4.0, 0)
    wave = 6 * np.sin(2 * np.pi * 61 * at) * (since == 0) - 38 * (1 - np.exp(-since / 0.05)) * (since < 1.3)
    noise = np.random.default_rng(8).normal(0, 0.02, len(at))
    (found,) = find_cutouts(CutoutCase({"output": wave + noise}, ""))[0]
    assert found.measured["cause"] == "output stuck at DC"
    assert abs(found.start_s - 4.0) < 0.0125
    assert abs(found.stop_s - 5.3) < 0.005
