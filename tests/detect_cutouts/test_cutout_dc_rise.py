"""Steady volts that rise slowly, or while the output is off already, are told: they burn a speaker all the same."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.findings.described import describe_finding
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(14 * RATE_HZ) / RATE_HZ
STOP_S = 4.2033
TONE = 14 * np.sin(2 * np.pi * 47 * AT)
STEADY = (Edge("remote", 1, 0.01, "", 80),)


def _find(wave: FloatArray, window_s: float = 10.0) -> list[Finding]:
    rng = np.random.default_rng(4)
    volts = {"output": wave, "supply": np.full(len(AT), 12.6)}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in volts.items()}
    return list(find_cutouts(CutoutCase(noisy, "", STEADY), window_s)[0])


def _rise(begin_s: float, long_s: float, volts: float) -> FloatArray:
    return volts * np.clip((AT - begin_s) / max(long_s, 1e-3), 0, 1)


@pytest.mark.parametrize("long_s", [0.0, 0.5, 1.5, 3.0])
@pytest.mark.parametrize("volts", [-5.0, 8.0])
def test_steady_volts_that_come_while_the_output_is_off(long_s: float, volts: float) -> None:
    begin_s = STOP_S + 1.0
    found = _find(np.where(AT < STOP_S, TONE, 0.0) + _rise(begin_s, long_s, volts))
    (stuck,) = (f for f in found if f.measured["cause"] == "output stuck at DC")
    assert stuck.severity == "danger"
    assert begin_s - 0.02 <= stuck.start_s <= begin_s + 0.1 * long_s + 0.02
    (stop,) = (f for f in found if f is not stuck)
    assert stop.start_s == pytest.approx(STOP_S, abs=0.002)
    assert stop.stop_s == pytest.approx(stuck.start_s, abs=0.002)


@pytest.mark.parametrize("long_s", [0.2, 1.5, 3.0])
def test_steady_volts_that_rise_where_nothing_plays(long_s: float) -> None:
    (stuck,) = _find(_rise(5.0, long_s, 6.0))
    assert stuck.measured["cause"] == "output stuck at DC"
    assert 4.98 <= stuck.start_s <= 5.02 + 0.35 * long_s


def test_a_slow_wave_in_silence_is_none() -> None:
    assert not _find(4.0 * np.sin(2 * np.pi * 0.6 * AT))


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("volts", [-11.8, -3.0, 11.8])
def test_volts_that_stand_there_when_the_data_begin_are_danger_and_nothing_is_said_to_have_stopped(
    volts: float, window_s: float
) -> None:
    """Nothing was seen of the time before: neither a stop, nor a supply that would be missing."""
    (stuck,) = _find(np.full(len(AT), volts), window_s)
    assert (stuck.measured["cause"], stuck.severity, stuck.start_s) == ("output stuck at DC", "danger", 0.0)
    said = f"{describe_finding(stuck)} {stuck.evidence['in_time_order']} {stuck.evidence['reasons']}"
    assert f"output stood at {volts:.1f} V DC without sound from the first moment seen, to the end" in said
    assert "stopped" not in said
    assert "no supply channel" not in f"{said} {stuck.evidence['supply']}"
    (stuck,) = _find(np.where(AT < 9.0, volts, TONE), window_s)
    assert "gone after 9.0" in describe_finding(stuck)
    (stuck,) = (f for f in _find(np.where(AT < 6.0, TONE, volts), window_s) if f.severity == "danger")
    assert "output stopped and stuck" in describe_finding(stuck)


def test_windows_do_not_matter() -> None:
    wave = np.where(AT < STOP_S, TONE, 0.0) + _rise(5.0, 1.5, 7.0)
    assert _find(wave, 1.0) == _find(wave, 10.0) == _find(wave, 60.0)


@pytest.mark.parametrize("long_s", [1.0, 3.0])
@pytest.mark.parametrize("volts", [-5.1, 6.8])
def test_volts_that_rise_while_what_plays_dies_away(long_s: float, volts: float) -> None:
    """An output stage that fails takes seconds to: what it played sinks as its steady volts come."""
    playing = 1.0 - np.clip((AT - STOP_S) / long_s, 0, 1)
    found = _find(TONE * playing + _rise(STOP_S, long_s, volts))
    stuck = [f for f in found if f.measured["cause"] == "output stuck at DC"]
    assert [f.severity for f in stuck] == ["danger"]
    assert stuck[0].start_s < STOP_S + long_s + 0.5
    # Where they stood all along they are the own volts of a stage on half its supply, and silence changes nothing.
    assert not any(f.severity == "danger" for f in _find(0.4 * TONE * playing + 6.3))


def test_volts_that_creep_for_ten_seconds_behind_a_stop() -> None:
    at = np.arange(24 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(4)
    wave = np.where(at < STOP_S, 14 * np.sin(2 * np.pi * 47 * at), 0.0) - 5.1 * np.clip((at - STOP_S) / 10.0, 0, 1)
    volts = {"output": wave + rng.normal(0, 0.02, len(at)), "supply": np.full(len(at), 12.6)}
    found = find_cutouts(CutoutCase(volts, "", STEADY), 10.0)[0]
    assert [f.severity for f in found if f.measured["cause"] == "output stuck at DC"] == ["danger"]
