"""Outputs that stand at half the supply: switched off they sink, and nothing else about them is steady volts."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.findings.road_words import NEXT_TESTS, find_next_test
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(14 * RATE_HZ) / RATE_HZ
STOP_S, BACK_S, HALF_V = 4.2033, 9.0, 6.2
TONE = 3.0 * np.sin(2 * np.pi * 47 * AT) + 1.2 * np.sin(2 * np.pi * 211 * AT)
STEADY = (Edge("remote", 1, 0.01, "", 80),)


def _play(tau_s: float, thump_v: float = 0.0) -> FloatArray:
    """Switched off at `STOP_S`, its volts sinking; on again at `BACK_S`, and it plays half a second later."""
    since, back = np.maximum(AT - STOP_S, 0), np.maximum(AT - BACK_S, 0)
    level = np.where(AT < STOP_S, HALF_V, HALF_V * np.exp(-since / tau_s))
    level = np.where(AT >= BACK_S, HALF_V * -np.expm1(-back / 0.15), level)
    thump = np.where((AT >= STOP_S) & (AT < BACK_S), thump_v * np.exp(-since / 0.02), 0.0)
    return np.where((AT < STOP_S) | (AT >= BACK_S + 0.5), TONE, 0.0) + level + thump


def _find(
    wave: FloatArray, edges: tuple[Edge, ...] = STEADY, window_s: float = 10.0, supply: FloatArray | None = None
) -> list[Finding]:
    rng = np.random.default_rng(4)
    volts = {"output": wave, "supply": np.full(len(AT), 2 * HALF_V) if supply is None else supply}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in volts.items()}
    return list(find_cutouts(CutoutCase(noisy, "", edges), window_s)[0])


@pytest.mark.parametrize("tau_s", [0.15, 0.6, 2.0])
@pytest.mark.parametrize("thump_v", [0.0, -1.1])
def test_a_stage_that_is_switched_off_is_one_stop_from_its_silence_to_its_sound(tau_s: float, thump_v: float) -> None:
    (found,) = _find(_play(tau_s, thump_v))
    assert str(found.measured["cause"]).startswith("protection with supply and remote fine")
    assert found.start_s == pytest.approx(STOP_S, abs=0.005)
    assert found.stop_s == pytest.approx(BACK_S + 0.5, abs=0.005)
    assert found.evidence["sank_from_v"] == pytest.approx(HALF_V, abs=0.1)
    assert found.evidence["sank_to_v"] < 0.1 * HALF_V + 0.5
    assert any("its stage was switched off" in why for why in found.evidence["reasons"])


def test_its_cause_is_named_as_that_of_any_other_stop() -> None:
    edges = (*STEADY, Edge("remote", 0, STOP_S - 0.012, "", 0), Edge("remote", 1, BACK_S, "", 0))
    assert [f.measured["cause"] for f in _find(_play(0.7), edges)] == ["remote lead dropped"]
    lost = np.where((AT > STOP_S - 0.006) & (AT < BACK_S), 0.05, 2 * HALF_V)
    assert [f.measured["cause"] for f in _find(_play(0.7), supply=lost)] == ["supply lost at the terminals"]
    (found,) = _find(_play(0.7), ())
    assert (
        found.measured["cause"] == "not decided: the amplifier stopped and its own volts sank, remote lead not logged"
    )
    assert find_next_test(str(found.measured["cause"])) != NEXT_TESTS[-1][1]


def test_a_pause_leaves_the_stage_where_it_stands() -> None:
    gate = np.where((AT > STOP_S) & (AT < BACK_S), np.maximum(1 - (AT - STOP_S) / 0.1, 0), 1.0)
    assert not _find(TONE * gate + HALF_V)


@pytest.mark.parametrize("begins_s", [0.0, 2.0])
def test_volts_on_which_it_plays_later_are_its_own(begins_s: float) -> None:
    level = HALF_V * -np.expm1(-np.maximum(AT - begins_s, 0) / 0.1) if begins_s else HALF_V
    assert not _find(np.where(begins_s + 1.5 < AT, 0.2 * TONE, 0.0) + level)


def test_half_the_supply_on_which_nothing_plays_stays_dangerous_with_what_else_it_may_be() -> None:
    (found,) = _find(np.where(AT > 2.0, HALF_V, 0.0))
    assert (found.measured["cause"], found.severity) == ("output stuck at DC", "danger")
    assert found.measured["confidence"] == "medium"
    assert any("stands at half the supply" in other for other in found.evidence["not_excluded"])


def test_an_output_that_had_played_about_zero_is_stuck_at_half_the_supply_whatever_plays_on_it() -> None:
    causes = [f.measured["cause"] for f in _find(np.where(AT < 4, TONE, np.where(AT > 9, TONE + HALF_V, HALF_V)))]
    assert "output stuck at DC" in causes


def test_windows_do_not_matter() -> None:
    wave = _play(0.6, 0.8)
    assert _find(wave, window_s=1.0) == _find(wave, window_s=10.0) == _find(wave, window_s=60.0)
