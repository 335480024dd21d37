"""Steady volts under a programme that plays on are told as danger; waves, own volts and one-sided clipping are none."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.findings.described import describe_finding
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(18 * RATE_HZ) / RATE_HZ
BEAT = np.where(AT % 0.5 < 0.35, 1.0, 0.2) * 12 * np.sin(2 * np.pi * 53 * AT)
UNDER = "output stuck at DC under what plays"
STEADY = (Edge("remote", 1, 0.01, "", 80),)


def _find(wave: FloatArray, window_s: float = 10.0, **more: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(4)
    volts = {"output": wave, "supply": np.full(len(AT), 12.6), **more}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in volts.items()}
    return list(find_cutouts(CutoutCase(noisy, "", STEADY), window_s)[0])


@pytest.mark.parametrize("volts", [-4.0, 7.0])
def test_steady_volts_under_music_are_danger_and_dated(volts: float) -> None:
    (found,) = _find(BEAT + volts * ((AT > 6.3) & (AT < 13.1)))
    assert (found.measured["cause"], found.severity, found.measured["confidence"]) == (UNDER, "danger", "high")
    assert found.start_s == pytest.approx(6.3, abs=0.05)
    assert found.stop_s == pytest.approx(13.1, abs=0.05)
    said = describe_finding(found)
    assert said.startswith(f"output carried {volts:.1f} V of steady volts under what it played on, for 6.8 s")
    assert "stopped" not in said


def test_no_more_volts_are_asked_for_than_where_nothing_plays() -> None:
    """Half a watt in 4 ohm and more heats a coil that does not move, under music as without it."""
    (found,) = _find(BEAT / 3 + 1.7 * (AT > 6.3))
    assert (found.measured["cause"], found.severity) == (UNDER, "danger")
    assert found.evidence["rest_v"] == pytest.approx(1.7, abs=0.05)


def test_volts_that_stand_on_once_the_music_has_ended_are_one_finding() -> None:
    found = _find(BEAT * (AT < 11.0) + 6.0 * (AT > 6.3))
    assert [f.measured["cause"] for f in found if f.severity == "danger"] == [UNDER]
    assert found[0].measured["recovered"] is False


@pytest.mark.parametrize(
    "wave",
    [
        BEAT + 4.0 * np.sin(2 * np.pi * 0.6 * AT),  # a warped record
        np.where(AT > 3.0, 6.0, 0.0) + BEAT / 3 * (AT > 4.0),  # a stage that is switched on, on half the supply
        BEAT / 6 + 1.2 * (AT > 6.0),  # less than is told
        3 * BEAT + 3.5 * (AT > 6.0),  # less than a quarter of what plays
        BEAT + 6.0 * ((AT > 6.2) & (AT < 7.1)),  # less than a second and a half
        np.clip(BEAT * np.where(AT > 6.0, 2.0, 0.5), -11.0, 8.0),  # one-sided clipping
    ],
)
def test_what_is_no_fault_is_not_told(wave: FloatArray) -> None:
    assert UNDER not in [f.measured["cause"] for f in _find(wave)]


def test_a_lost_ground_that_lifts_the_output_is_no_such_fault() -> None:
    lifted = 2.2 * (AT > 6.3)
    assert UNDER not in [f.measured["cause"] for f in _find(BEAT + 1.4 * lifted, ground=0.03 + lifted)]


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_negative_volts_that_stand_from_the_first_on_are_told(window_s: float) -> None:
    """No stage plays about volts below its ground; half the supply, and one-sided clipping, are no such fault."""
    (found,) = _find(BEAT - 5.0 * (AT < 13.1), window_s)
    assert (found.measured["cause"], found.severity, found.measured["confidence"]) == (UNDER, "danger", "medium")
    assert found.start_s == 0.0
    assert found.stop_s == pytest.approx(13.1, abs=0.05)
    assert "from the first second on" in str(found.evidence["reasons"])
    assert _find(np.clip(BEAT, -6.2, 6.2) + 6.3) == []
    assert _find(BEAT - 1.8) == []
    assert _find(3 * BEAT - 5.0) == []  # less than half of what plays
    assert _find(np.clip(2 * BEAT, -11.0, 4.0)) == []


@pytest.mark.parametrize("window_s", [1.0, 60.0])
def test_positive_volts_from_which_the_wave_swings_below_ground_are_told_from_the_first_on(window_s: float) -> None:
    """A stage on half the supply never goes below its ground, but by what a diode lets it."""
    (found,) = [f for f in _find(BEAT + 5.0 * (AT < 13.1), window_s) if f.severity == "danger"]
    assert (found.measured["cause"], found.severity, found.measured["confidence"]) == (UNDER, "danger", "medium")
    assert (found.start_s, found.stop_s) == (0.0, pytest.approx(13.1, abs=0.05))
    assert "that plays on volts of its own goes below its ground" in str(found.evidence["reasons"])
    assert _find(np.clip(BEAT + 6.3, -0.9, 12.6)) == []
    assert _find(BEAT + 1.8) == []
    assert _find(3 * BEAT + 5.0) == []  # less than half of what plays
    assert _find(np.clip(2 * BEAT, -4.0, 11.0)) == []


def test_negative_volts_that_stand_on_across_a_gap_are_one_finding() -> None:
    rng = np.random.default_rng(4)
    volts = {"output": BEAT - 5.0 + rng.normal(0, 0.02, len(AT)), "supply": 12.6 + rng.normal(0, 0.02, len(AT))}
    lost = ((round(8.3 * RATE_HZ), round(8.9 * RATE_HZ)),)
    (found,) = find_cutouts(CutoutCase(volts, "", STEADY, lost=lost))[0]
    assert (found.measured["cause"], found.start_s, found.stop_s) == (UNDER, 0.0, pytest.approx(18.0))


def test_a_level_that_moves_by_itself_must_be_left_by_much_more() -> None:
    """A level that wanders by 0.6 V to either side, and stands at 2.6 V for three seconds."""
    sway, is_off = np.where((AT // 0.5) % 2 == 0, 0.6, -0.6), (AT > 9.0) & (AT < 12.0)
    assert UNDER not in [f.measured["cause"] for f in _find(BEAT / 3 + np.where(is_off, 2.6, sway))]
    assert UNDER in [f.measured["cause"] for f in _find(BEAT / 3 + np.where(is_off, 2.6, 0.1 * sway))]


def test_windows_do_not_matter() -> None:
    wave = BEAT + 5.0 * ((AT > 6.3) & (AT < 13.1))
    assert _find(wave, 1.0) == _find(wave, 10.0) == _find(wave, 60.0)
