"""Stops that come again and again behind long heat and end slowly, as where an amplifier cools down, no source logged.

How long it heats and cools, and that it comes back over half a second: common practice, no source."""

from __future__ import annotations

import numpy as np
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding

AT = np.arange(200 * RATE_HZ) / RATE_HZ
CUT_S, SOFT_S = (50.005, 154.005), 102.93


def _find(cuts_s: tuple[float, ...], back_over_s: float) -> tuple[Finding, ...]:
    """Notes of seven seconds that swell and fade, every eight; at each instant they fall silent for ten seconds."""
    wave = 15 * np.sin(2 * np.pi * 50 * AT) * np.clip((AT % 8) / 0.3, 0, 1) * np.clip(7 - AT % 8, 0, 1)
    gain = np.ones(len(AT))
    for cut_s in cuts_s:
        gain *= np.where((cut_s < AT) & (cut_s + 10 > AT), 0.0, np.clip((AT - cut_s - 10) / back_over_s, 0, 1) ** 2) + (
            cut_s >= AT
        )
    rng = np.random.default_rng(3)
    volts = {"output": wave * gain + rng.normal(0, 0.02, len(AT)), "supply": 12.6 + rng.normal(0, 0.01, len(AT))}
    return find_cutouts(CutoutCase(volts, "", edges=(Edge("remote", 1, 0.01, "drawn", 80),)))[0]


def test_one_of_them_that_began_in_a_softer_moment_is_told_beside_the_others() -> None:
    found = _find((CUT_S[0], SOFT_S, CUT_S[1]), 0.6)
    assert [round(f.start_s) for f in found] == [50, 103, 154]
    assert all(str(f.measured["cause"]).startswith("not decided: the signal may have paused") for f in found)
    assert all("consistent with thermal" in str(f.evidence["protection"]) for f in found)
    assert all(any("2 more stops" in reason for reason in f.evidence["reasons"]) for f in found)


def test_alone_it_is_a_pause() -> None:
    assert len(_find((SOFT_S,), 0.6)) == 0
    assert len(_find((CUT_S[0], SOFT_S), 0.6)) == 1
