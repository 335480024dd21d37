"""Rests that a bass line makes again and again are no cut-outs, whichever way one of them ends."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts.rests import RestCount
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(24 * RATE_HZ) / RATE_HZ
ON = (Edge("remote", 1, 0.01, "", 80),)
BEAT_S, REST_S = 0.5, 0.1
CUT_BEAT = 20  # of 48


def _line(release_s: float = 0.060, cut_s: float = 0.0) -> FloatArray:
    """Notes of 0.4 s and rests of 0.1 s; one note breaks off, `cut_s` before its release would begin."""
    since = AT % BEAT_S
    level = np.clip((BEAT_S - REST_S - since) / release_s, 0.0, 1.0) * np.clip(since / 0.004, 0.0, 1.0)
    breaks = (AT // BEAT_S == CUT_BEAT) & (since > BEAT_S - REST_S - release_s - cut_s)
    return np.asarray(12 * np.sin(2 * np.pi * 47.3 * AT + 1) * np.where(breaks & (cut_s > 0), 0.0, level))


def _find(wave: FloatArray, window_s: float = 10.0) -> tuple[list[Finding], dict[str, Any]]:
    rng = np.random.default_rng(5)
    volts = {"output": wave + rng.normal(0, 0.02, len(AT)), "supply": 12.6 + rng.normal(0, 0.002, len(AT))}
    found, summary = find_cutouts(CutoutCase(volts, "", ON), window_s)
    rests = summary["rests"]
    assert isinstance(rests, dict)
    return list(found), rests


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_one_of_many_rests_that_broke_off_is_a_rest(window_s: float) -> None:
    found, rests = _find(_line(cut_s=0.010), window_s)
    assert found == []
    assert rests["n"] == 1
    assert rests["longest_s"] == pytest.approx(REST_S + 0.070, abs=0.01)


def test_rests_that_are_all_cut_off_are_told() -> None:
    """No instrument ends its notes so: a gate, or an amplifier that lets go again and again."""
    found, rests = _find(_line(release_s=0.0005))
    assert len(found) > 30
    assert rests["n"] == 0


def test_a_stop_that_lasts_longer_than_its_line_rests_is_told() -> None:
    wave = _line()
    wave[(AT > 10.207) & (AT < 10.7)] = 0.0
    (stop,), rests = _find(wave)
    assert stop.start_s == pytest.approx(10.207, abs=0.005)
    assert rests["n"] == 0


def test_a_short_stop_of_what_does_not_rest_is_told() -> None:
    wave = 12 * np.sin(2 * np.pi * 47.3 * AT)
    wave[(AT > 10.207) & (AT < 10.3)] = 0.0
    (stop,), rests = _find(wave)
    assert stop.start_s == pytest.approx(10.207, abs=0.005)
    assert rests == {"n": 0, "shortest_s": None, "longest_s": None}


def test_a_supply_that_was_lost_in_a_line_with_rests_is_told() -> None:
    rng = np.random.default_rng(5)
    lost = (AT > 10.25) & (AT < 10.35)
    supply = np.where(lost, 0.05, 12.6)
    wave = np.where(lost, 0.0, _line())
    volts = {"output": wave + rng.normal(0, 0.02, len(AT)), "supply": supply + rng.normal(0, 0.002, len(AT))}
    (stop,) = find_cutouts(CutoutCase(volts, "", ON))[0]
    assert stop.measured["cause"] == "supply lost at the terminals"


def test_only_rests_near_a_stop_are_remembered() -> None:
    """A day of short rests takes no memory."""
    rests = RestCount()
    for number in range(1000):
        rests.add(number * 1.0, number + 0.1)
        rests.forget(number * 1.0, [500.0])
    assert rests.find_rests([(500.0, 500.1)]) == [0]
    assert rests.find_rests([(400.0, 400.1)]) == []
    assert len(rests._rests) < 60


def test_rests_of_two_lengths_that_end_on_the_beat_are_the_musics() -> None:
    """A synthesiser's gate, down over 10 ms a tenth before notes of one and two beats; 35 were told one by one."""
    rng = np.random.default_rng(2)
    level, at = np.zeros(len(AT)), 0.3
    while at < AT[-1] - 1:
        length_s = float(rng.choice([0.25, 0.5, 0.5, 1.0]))
        since = AT - at
        on = (since >= 0) & (since < 0.9 * length_s)
        level[on] = np.minimum(since[on] / 0.004, np.minimum(1.0, (0.9 * length_s - since[on]) / 0.010))
        at += length_s
    wave = 12 * np.sin(2 * np.pi * 47.3 * AT + 1) * np.clip(level, 0, 1)
    found, _ = _find(wave)
    assert found == []


def test_stops_at_odd_moments_are_told() -> None:
    """A signal lead that loses contact for 50 to 200 ms, again and again."""
    rng = np.random.default_rng(4)
    wave = 12 * np.sin(2 * np.pi * 47.3 * AT + 1)
    for start_s in np.cumsum(rng.uniform(0.5, 1.6, 18)):
        since = AT - start_s
        wave[(since > 0) & (since < rng.uniform(0.05, 0.2))] = 0.0
    found, _ = _find(wave)
    assert len(found) > 12
