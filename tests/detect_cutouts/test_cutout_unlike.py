"""A signal that is lost on the way while its logged source plays on: told whatever took its place."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.cutout_material import RATE_HZ, CutoutCase
from ampwitness.bench.cutout_scores import find_cutouts
from ampwitness.types import Edge, Finding, FloatArray
from scipy.signal import butter, sosfilt

AT = np.arange(20 * RATE_HZ) / RATE_HZ
GONE = (AT >= 7.2) & (AT < 12.6)
STEADY = (Edge("remote", 1, 0.01, "", 80),)
LOST = "signal lost between source and amplifier"


def _music() -> FloatArray:
    """A drum of 60 Hz twice a second over a bass of 95 Hz and noise up to 400 Hz."""
    noise = sosfilt(butter(2, 400.0, fs=RATE_HZ, output="sos"), np.random.default_rng(5).normal(0, 1, len(AT)))
    drum = np.exp(-(AT % 0.5) / 0.12) * np.sin(2 * np.pi * 60 * AT)
    return np.asarray(8.0 * drum + 3.0 * np.sin(2 * np.pi * 95 * AT) + 1.5 * noise)


def _find(output: FloatArray, source: FloatArray, window_s: float = 10.0) -> list[Finding]:
    rng = np.random.default_rng(4)
    volts = {"output": output, "supply": np.full(len(AT), 12.6), "source": source}
    noisy = {role: values + rng.normal(0, 0.003, len(AT)) for role, values in volts.items()}
    return list(find_cutouts(CutoutCase(noisy, "", STEADY), window_s)[0])


def _whine() -> FloatArray:
    return np.asarray(1.2 * np.sin(2 * np.pi * 330 * AT) + 0.5 * np.sin(2 * np.pi * 660 * AT))


@pytest.mark.parametrize("kind", ["whine", "hiss"])
def test_whine_or_hiss_in_the_place_of_a_source_that_plays_on(kind: str) -> None:
    instead = _whine() if kind == "whine" else np.random.default_rng(6).normal(0, 1.5, len(AT))
    (found,) = _find(np.where(GONE, instead, _music()), _music() / 12)
    assert (found.measured["cause"], found.measured["confidence"], found.severity) == (LOST, "medium", "serious")
    assert found.start_s == pytest.approx(7.2, abs=0.02)
    assert found.stop_s == pytest.approx(12.6, abs=0.02)
    assert "another input was selected" in " ".join(found.evidence["not_excluded"])


def test_a_whine_that_the_source_carries_itself_is_no_lost_signal() -> None:
    wave = np.where(GONE, _whine(), _music())
    assert LOST not in [f.measured["cause"] for f in _find(wave, wave / 12)]


def test_hum_that_is_left_where_a_crossover_lets_nothing_by_was_there_before() -> None:
    treble = np.where(GONE, 6.0 * np.sin(2 * np.pi * 410 * AT), _music())  # a passage without bass
    output = sosfilt(butter(4, 120.0, fs=RATE_HZ, output="sos"), treble) + 0.8 * np.sin(2 * np.pi * 47 * AT)
    assert LOST not in [f.measured["cause"] for f in _find(output, treble / 12)]


def test_a_volume_that_is_turned_down_into_the_amplifiers_own_hiss_loses_no_signal() -> None:
    hiss = np.random.default_rng(6).normal(0, 0.3, len(AT))
    assert LOST not in [f.measured["cause"] for f in _find(np.where(GONE, 0.003, 1.0) * _music() + hiss, _music() / 12)]


def test_what_is_heard_within_a_stop_that_is_told_is_told_once() -> None:
    weak = 0.25 * np.sin(2 * np.pi * 330 * AT)
    source = _music() * np.where(AT > 9.2, 0.4, 1.0)
    found = _find(np.where(GONE, weak, source), source / 12)
    assert [f.start_s for f in found] == pytest.approx([7.2], abs=0.005)


def test_an_amplifier_that_tries_again_and_one_whose_own_volts_sink_lose_no_signal() -> None:
    tries = _music() * ~(GONE & (AT % 0.6 > 0.1))
    assert LOST not in [f.measured["cause"] for f in _find(tries, _music() / 12)]
    own = np.where(AT < 7.2, 6.3, 6.3 * np.exp(-(AT - 7.2) / 1.5))
    assert LOST not in [f.measured["cause"] for f in _find(0.3 * _music() * (AT < 7.2) + own, _music() / 12)]


def test_windows_do_not_matter() -> None:
    output = np.where(GONE, _whine(), _music())
    assert _find(output, _music() / 12, 1.0) == _find(output, _music() / 12) == _find(output, _music() / 12, 60.0)
