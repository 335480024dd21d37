"""A hum of the mains in the place of a signal is told; tones, held notes and a hum that always was are none."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase, programme
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.findings.road_words import NEXT_TESTS, find_next_test
from ampwitness.types import Edge, Finding, FloatArray

AT = np.arange(16 * RATE_HZ) / RATE_HZ
LOST_S, BACK_S = 6.2033, 11.4007
OFF = (AT >= LOST_S) & (AT < BACK_S)
MUSIC = programme(np.random.default_rng(11), AT, "noise")
MUSIC = 12.0 * MUSIC / np.quantile(np.abs(MUSIC), 0.99)
HUM_SHARES = {1: 1.0, 2: 0.2, 3: 0.35, 5: 0.1}


def _hum(hz: float, volts: float = 1.5) -> FloatArray:
    return volts * np.sum([a * np.sin(2 * np.pi * hz * k * AT + k) for k, a in HUM_SHARES.items()], axis=0)


def _find(wave: FloatArray, source: FloatArray | None = None, window_s: float = 10.0) -> list[Finding]:
    rng = np.random.default_rng(3)
    volts = {"output": wave + rng.normal(0, 0.025, len(AT)), "supply": 12.6 + rng.normal(0, 0.003, len(AT))}
    if source is not None:
        volts["source"] = source + rng.normal(0, 0.002, len(AT))
    return list(find_cutouts(CutoutCase(volts, "", (Edge("remote", 1, 0.01, "", 80),)), window_s)[0])


@pytest.mark.parametrize("hz", [50.0, 49.98, 60.01, 100.0])
def test_a_hum_in_the_place_of_a_signal(hz: float) -> None:
    (found,) = _find(np.where(OFF, _hum(hz), MUSIC))
    assert found.measured["cause"] == "not decided: a steady hum took the signal's place"
    assert (found.measured["confidence"], found.severity) == ("low", "attention")
    assert found.start_s == pytest.approx(LOST_S, abs=0.005)
    assert found.stop_s == pytest.approx(BACK_S, abs=0.01)
    assert found.evidence["hum_v"] == pytest.approx(np.std(_hum(hz)), rel=0.05)
    assert any("Hz and its multiples" in why for why in found.evidence["reasons"])
    assert "signal lead" in find_next_test(str(found.measured["cause"])) != NEXT_TESTS[-1][1]


def test_a_logged_source_says_on_which_side_the_lead_is_open() -> None:
    wave = np.where(OFF, _hum(50.0), MUSIC)
    (found,) = _find(wave, MUSIC / 12)
    assert (found.measured["cause"], found.severity) == ("signal lost between source and amplifier", "serious")
    (found,) = _find(wave, wave / 12)
    assert (found.measured["cause"], found.severity) == ("signal stopped at the source", "information")
    assert any("as in the source" in why for why in found.evidence["reasons"])


def test_a_soft_hum_behind_a_stop_belongs_to_it() -> None:
    (found,) = _find(np.where(OFF, _hum(50.0, 0.5), MUSIC), MUSIC / 12)
    assert found.measured["cause"] == "signal lost between source and amplifier"
    assert found.start_s == pytest.approx(LOST_S, abs=0.005)


@pytest.mark.parametrize("volts", [0.6, 1.5])
def test_a_hum_that_was_there_before_took_no_place(volts: float) -> None:
    assert not [f for f in _find(np.where(OFF, 0.0, MUSIC) + _hum(50.0, volts)) if f.evidence["hum_v"] is not None]


@pytest.mark.parametrize("hz", [50.0, 60.0, 100.0])
@pytest.mark.parametrize("drive", [0.3, 1.6])
def test_a_test_tone_clipped_or_not_is_no_hum(hz: float, drive: float) -> None:
    assert not _find(np.where(OFF, 12.0 * np.clip(drive * np.sin(2 * np.pi * hz * AT), -1, 1), MUSIC))


@pytest.mark.parametrize("hz", [49.0, 51.91, 61.74])
def test_a_held_note_with_partials_is_no_hum(hz: float) -> None:
    assert not _find(np.where(OFF, _hum(hz, 3.0), MUSIC))


def test_windows_do_not_matter() -> None:
    wave = np.where(OFF, _hum(50.0), MUSIC)
    assert _find(wave, None, 1.0) == _find(wave, None, 10.0) == _find(wave, None, 60.0)
