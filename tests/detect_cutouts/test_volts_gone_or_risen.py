"""An output's own volts that go at once, a supply that rises too high, a remote lead that sinks slowly."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.detect.cutouts.cutout_cause import LOW, OVER, PAUSE, PROTECTION, REMOTE
from ampwitness.findings.road_words import find_next_test
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(14 * RATE_HZ) / RATE_HZ
STOP_S, BACK_S, HALF_V = 6.2033, 9.0, 6.2
TONE = 3.0 * np.sin(2 * np.pi * 47 * AT) + 1.2 * np.sin(2 * np.pi * 211 * AT)
IS_OFF = (AT > STOP_S) & (AT < BACK_S)


def _find(output: FloatArray, window_s: float = 10.0, **volts: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(4)
    given = {"output": output, "supply": np.full(len(AT), 2 * HALF_V), "remote": np.full(len(AT), 12.2), **volts}
    noisy = {role: values + rng.normal(0, 0.02, len(AT)) for role, values in given.items()}
    return list(find_cutouts(CutoutCase(noisy, "", ()), window_s)[0])


@pytest.mark.parametrize("left_v", [0.1, 0.8])
def test_half_the_supply_that_is_gone_at_once_was_taken_by_the_amplifier_itself(left_v: float) -> None:
    (found,) = _find(np.where(STOP_S < AT, left_v, TONE + HALF_V))
    assert str(found.measured["cause"]).startswith(PROTECTION)
    assert found.severity == "serious"
    assert found.evidence["sank_from_v"] == pytest.approx(HALF_V, abs=0.2)
    assert any("fell at once" in why for why in found.evidence["reasons"])
    assert "the logger's own lead off the output" in found.evidence["not_excluded"]


def test_half_the_supply_that_stays_may_be_a_pause() -> None:
    (found,) = _find(np.where(STOP_S < AT, 0.0, TONE) + HALF_V)
    assert found.measured["cause"] == PAUSE


def _rise(to_v: float, at_s: float) -> FloatArray:
    """A load dump as it decays, up to `to_v`."""
    since = np.maximum(AT - at_s, 0.0)
    return 14.2 + (to_v - 14.2) * np.clip(since / 0.003, 0, 1) * np.exp(-since / 0.15)


@pytest.mark.parametrize("window_s", [1.0, 10.0])
def test_a_supply_that_rose_too_high_stopped_it_and_is_in_the_order_of_events(window_s: float) -> None:
    (found,) = _find(TONE * ~IS_OFF, window_s, supply=_rise(23.0, STOP_S - 0.006))
    assert (found.measured["cause"], found.measured["confidence"], found.severity) == (OVER, "high", "serious")
    first, second, third = (event["what"] for event in found.evidence["events"])
    assert first.startswith("supply rose above")
    assert second.startswith("supply highest before the stop, 2")
    assert third == "output stopped"
    assert found.evidence["events"][0]["time_s"] == pytest.approx(STOP_S - 0.006, abs=0.002)
    assert "regulator" in find_next_test(OVER)
    assert "Never take a clamp off while the engine runs" in find_next_test(OVER)


def test_a_rise_that_the_output_had_gone_on_through_stopped_nothing() -> None:
    supply = np.maximum(_rise(19.0, 3.0), _rise(18.5, STOP_S - 0.006))
    (found,) = _find(TONE * ~IS_OFF, supply=supply)
    assert found.measured["cause"] == PAUSE


@pytest.mark.parametrize(("to_v", "before_s"), [(15.4, 0.006), (23.0, -0.004), (23.0, 0.5)])
def test_a_charger_a_rise_behind_the_stop_or_one_long_over_stopped_nothing(to_v: float, before_s: float) -> None:
    found = _find(TONE * ~IS_OFF, supply=_rise(to_v, STOP_S - before_s))
    assert OVER not in [one.measured["cause"] for one in found]


@pytest.mark.parametrize("tau_s", [1.2, 2.5])
def test_a_remote_lead_that_sank_slowly_is_dated_at_its_fall_with_the_volts_at_the_stop(tau_s: float) -> None:
    begin_s = STOP_S - tau_s * np.log(12.2 / 3.2)
    remote = 12.2 * np.exp(-np.maximum(AT - begin_s, 0) / tau_s)
    (found,) = _find(TONE * ~IS_OFF, remote=np.where(AT > BACK_S - 0.3, 12.2, remote))
    assert found.measured["cause"] == REMOTE
    assert found.evidence["remote_fell_s"] == pytest.approx(STOP_S - tau_s * np.log(6.0 / 3.2), abs=0.03)
    assert any("stood at 3.2 V when the output stopped" in why for why in found.evidence["reasons"])


def test_a_remote_lead_that_was_low_all_along_stopped_nothing() -> None:
    (found,) = _find(TONE * ~IS_OFF, remote=np.where(AT < 1.0, 12.2, 0.4))
    assert found.measured["cause"] == PAUSE


@pytest.mark.parametrize("is_logged", [True, False])
def test_a_slow_mute_at_a_low_supply_is_told_where_its_source_is_known_to_play_on(is_logged: bool) -> None:
    supply = 2 * HALF_V - 3.4 * np.clip(np.minimum(AT - STOP_S, STOP_S + 0.5 - AT) / 0.03, 0, 1)
    falls = np.clip(1 - (AT - STOP_S - 0.03) / 0.06, 0, 1)
    back = AT > STOP_S + 0.9
    source = {"source": TONE / 20} if is_logged else {}
    found = _find(TONE * np.where(back, 1.0, falls), supply=supply, **source)
    assert (LOW in [one.measured["cause"] for one in found]) or not is_logged
    if is_logged:
        assert found[0].start_s == pytest.approx(STOP_S + 0.03, abs=0.015)


def test_a_soft_note_is_looked_at_where_the_remote_lead_had_sunk() -> None:
    remote = 12.2 * np.exp(-np.maximum(AT - STOP_S + 1.2 * np.log(12.2 / 3.2), 0) / 1.2)
    remote = np.where(AT > BACK_S - 0.3, 12.2, remote)
    decay = np.where(AT < STOP_S, np.exp(-np.maximum(AT - STOP_S + 0.45, 0) / 0.2), 1.0)
    falls = np.where(AT > BACK_S, 1.0, np.clip(1 - (AT - STOP_S) / 0.02, 0, 1))
    (found,) = _find(TONE * decay * falls, remote=remote)
    assert found.measured["cause"] == REMOTE
    assert found.start_s == pytest.approx(STOP_S, abs=0.02)


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("hold_s", "decay_s"), [(0.0007, 0.0026), (0.0018, 0.003), (0.0009, 0.0028)])
def test_a_supply_that_falls_slowly_behind_an_open_plug_is_listed_ahead_of_the_stop(
    hold_s: float, decay_s: float, window_s: float
) -> None:
    """An amplifier lets go before what it stores has fallen to half: from memory, no source. The plug opened first."""
    at = np.arange(12 * RATE_HZ) / RATE_HZ
    off = (at >= 5.4) & (at < 6.3)
    supply = np.where(off, 12.8 * np.exp(-np.clip(at - 5.4, 0, 1) / decay_s), 12.8)
    wave = 11 * np.sin(2 * np.pi * 47 * at) * ((at < 5.4 + hold_s) | (at >= 6.5))
    rng = np.random.default_rng(7)
    volts = {"output": wave, "supply": supply}
    noisy = {role: values + rng.normal(0, 0.02, len(at)) for role, values in volts.items()}
    found = find_cutouts(CutoutCase(noisy, "", (Edge("remote", 1, 0.01, "", 80),)), window_s)[0]
    (lost,) = (one for one in found if one.measured["cause"] == "supply lost at the terminals")
    first, *_ = lost.evidence["events"]
    assert first["what"] == "supply fell below 90 % of usual"
    assert first["time_s"] == pytest.approx(5.4 + decay_s * np.log(1 / 0.9), abs=0.0005)
    assert "output stopped" in [event["what"] for event in lost.evidence["events"]]
