"""What stops within what was taken for a pause: a programme turned down, a note's first milliseconds; low levels."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_drawn import make_case as make_drawn
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase, make_case
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(14 * RATE_HZ) / RATE_HZ
STEADY = (Edge("remote", 1, 0.01, "", 80),)
CUT_S, BACK_S = 6.0037, 9.0
OFF = (AT >= CUT_S) & (AT < BACK_S)
HISS = np.convolve(np.random.default_rng(8).normal(0, 1, len(AT)), np.full(6, 1 / 6), "same")
NOTE = np.where((AT % 1.0 > 0.0) & (AT % 1.0 < 0.6), 10 * np.sin(2 * np.pi * 47 * AT), 0.0)


def _find(wave: FloatArray, noise_v: float = 0.01, window_s: float = 10.0, **more: FloatArray) -> list[Finding]:
    rng = np.random.default_rng(4)
    volts = {"supply": np.full(len(AT), 12.6), **more}
    noisy = {role: values + rng.normal(0, 0.002, len(AT)) for role, values in volts.items()}
    noisy["output"] = wave + rng.normal(0, noise_v, len(AT))
    return list(find_cutouts(CutoutCase(noisy, "", STEADY), window_s)[0])


def _lost(lead_s: float) -> FloatArray:
    return np.where((CUT_S - lead_s <= AT) & (AT < BACK_S - 0.1), 0.05, 12.6)


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_steady_noise_that_had_been_turned_down_can_stop(window_s: float) -> None:
    soft = np.where(AT < 3.0, 20.0, 1.4) * HISS
    (stop,) = _find(np.where(OFF, 0.0, soft), window_s=window_s, supply=_lost(0.005))
    assert stop.measured["cause"] == "supply lost at the terminals"
    assert stop.start_s == pytest.approx(CUT_S, abs=0.005)
    assert stop.stop_s == pytest.approx(BACK_S, abs=0.01)


def test_hum_that_ends_in_a_pause_tells_of_nothing() -> None:
    """What is left in a pause may end as well, and nothing explains it."""
    wave = np.where(AT < 5.0, NOTE, 0.0) + np.where(AT < 9.0, 0.12 * np.sin(2 * np.pi * 50 * AT), 0.0)
    assert [f for f in _find(wave) if f.start_s > 5.2 and f.measured["confidence"] != "low"] == []


@pytest.mark.parametrize("has_source", [False, True])
def test_a_note_that_is_cut_in_its_first_milliseconds_was_no_click(has_source: bool) -> None:
    """A rest of 0.4 s, and 4 ms of the next note."""
    more = {"source": NOTE / 10} if has_source else {}
    found = _find(np.where(OFF, 0.0, NOTE), supply=_lost(0.010), **more)
    (stop,) = (f for f in found if f.measured["cause"] == "supply lost at the terminals")
    assert stop.start_s == pytest.approx(CUT_S, abs=0.005)


def test_a_protection_in_a_notes_first_milliseconds_is_dated_there() -> None:
    found = _find(np.where(OFF, 0.0, NOTE), source=NOTE / 10)
    (stop,) = (f for f in found if str(f.measured["cause"]).startswith("protection with supply and remote fine"))
    assert stop.start_s == pytest.approx(CUT_S, abs=0.002)


def test_a_note_that_nothing_explains_is_told_of_where_it_was_cut_soon_after_it_began() -> None:
    """A rest of 0.4 s and 27 ms of the next note, as loud as the one before: the rest does not hide it."""
    line = NOTE * np.clip((0.6 - AT % 1.0) / 0.1, 0, 1)
    is_cut = (AT >= 6.027) & (AT < BACK_S)
    (stop,) = _find(np.where(is_cut, 0.0, line))
    assert stop.start_s == pytest.approx(6.027, abs=0.002)
    assert stop.stop_s == pytest.approx(BACK_S, abs=0.02)
    assert str(stop.measured["cause"]).startswith("not decided: the signal may have paused")
    soft = np.where((AT >= 6.0) & (AT < 6.1), 0.3, 1.0) * line
    assert not _find(np.where(is_cut, 0.0, soft))  # a thump may be as loud


def test_a_click_in_a_pause_is_none() -> None:
    click = np.where((AT > 6.8) & (AT < 6.804), 3.0, 0.0)
    wave = NOTE + click
    assert _find(wave) == _find(NOTE)
    assert not [f for f in _find(wave, source=NOTE / 10) if f.measured["cause"] != "signal stopped at the source"]


def test_a_lone_spike_of_noise_hides_no_stop() -> None:
    """Behind the stop one sample stands a little out of the noise: the wave had held up to the stop, not to there."""
    wave = np.where(OFF, 0.0, 4 * HISS)
    wave[round((CUT_S + 0.020) * RATE_HZ)] = 0.1
    pull = np.clip((AT - CUT_S + 0.03) / 0.02, 0, 1) * (AT < BACK_S - 0.2)
    (stop,) = _find(wave, 0.02, supply=12.6 - 3.0 * pull)
    assert stop.measured["cause"] == "supply voltage too low"


def test_a_source_under_noise_ended_when_its_output_did() -> None:
    """The output's tail is lost in noise before the source's is: the supply that sank meanwhile stopped nothing."""
    wave = np.where(AT < CUT_S, 1.0, np.exp(-np.maximum(AT - CUT_S, 0) / 0.03)) * HISS
    wave = np.where((AT > BACK_S), HISS, wave)
    pull = np.clip((AT - CUT_S + 0.03) / 0.02, 0, 1) * (AT < BACK_S - 0.2)
    found = _find(wave, 0.06, supply=12.6 - 2.5 * pull, source=wave / 4)
    assert not [f for f in found if f.measured["cause"] == "supply voltage too low"]


def test_a_stop_into_the_hiss_of_a_switching_stage_is_told() -> None:
    """Hiss of 0.08 V is no programme that plays on; a bass of 0.08 V is."""
    tone = np.where(OFF, 0.0, 4 * np.sin(2 * np.pi * 61 * AT + 1))
    (stop,) = _find(tone, noise_v=0.08)
    assert str(stop.measured["cause"]).startswith("not decided: the signal may have paused")
    assert not _find(tone + 0.113 * np.sin(2 * np.pi * 180 * AT))


def test_a_soft_programme_that_broke_off_stands_far_above_hiss() -> None:
    """Crests of hiss reach a seventh of it; its rms does not."""
    soft = np.where(OFF, 0.0, 0.6 * HISS)
    (stop,) = _find(soft, noise_v=0.05, source=np.where(OFF, 0.0, HISS) / 10)
    assert stop.measured["cause"] == "signal stopped at the source"
    assert stop.start_s == pytest.approx(CUT_S, abs=0.005)


def test_a_stop_in_the_first_note_behind_a_gap_is_no_thump_of_a_turn_on() -> None:
    """A gap in a rest; behind it the source plays, as it had before: nothing woke up."""
    rng = np.random.default_rng(4)
    wave = np.where((AT >= 6.0737) & (AT < BACK_S), 0.0, NOTE)
    volts = {"output": wave, "source": NOTE / 10, "supply": np.full(len(AT), 12.6)}
    noisy = {role: values + rng.normal(0, 0.003, len(AT)) for role, values in volts.items()}
    lost = ((round(5.65 * RATE_HZ), round(5.67 * RATE_HZ)),)
    found = find_cutouts(CutoutCase(noisy, "", STEADY, lost=lost))[0]
    assert [round(f.start_s, 2) for f in found if str(f.measured["cause"]).startswith("protection")] == [6.07]


def test_a_stop_in_a_soft_moment_beside_a_supply_at_which_nothing_plays_is_told() -> None:
    """The wave stood at a seventh of its swing when the starter took all volts within 10 ms."""
    (stop,) = find_cutouts(make_case("cranking mute", 18701))[0]
    assert str(stop.measured["cause"]).startswith("muted while the engine was cranked")


def test_a_note_cut_behind_one_that_ended_while_the_supply_sank_is_told() -> None:
    """Where the first stop may be chance, it hides no second one."""
    at_s = (*find_cutouts(make_drawn("drawn: pulled under, five times", 27))[0],)
    assert any(abs(f.start_s - 23.030) < 0.005 and f.measured["cause"] == "supply voltage too low" for f in at_s)


def test_a_stop_no_longer_than_a_gate_is_quiet_is_not_sure_to_be_the_supply() -> None:
    tone = np.where((AT >= CUT_S) & (AT < CUT_S + 0.14), 0.0, 6 * np.sin(2 * np.pi * 61 * AT + 1))
    pull = 3.0 * np.clip((AT - CUT_S + 0.03) / 0.02, 0, 1) * (AT < CUT_S + 0.1)
    (short,) = _find(tone, supply=12.6 - pull)
    assert (short.measured["cause"], short.measured["confidence"]) == ("supply voltage too low", "medium")
    assert "a pause of the programme" in short.evidence["not_excluded"]
    (long,) = _find(np.where(AT < CUT_S + 0.4, np.where(AT < CUT_S, tone, 0.0), tone), supply=12.6 - pull)
    assert long.measured["confidence"] == "high"
