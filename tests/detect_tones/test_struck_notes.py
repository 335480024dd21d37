"""A note of a string or a key is no test tone, and what has crests above a sine's was not cut off by a source."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.tones import gain_steps, tone_curve
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.types import Finding, FloatArray

RATE_HZ = 8000.0
AT = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ


def _notes(levels_v: tuple[float, ...], decay_s: float, octave: float = 0.25, turn: float = 1.0) -> FloatArray:
    """Notes of one pitch with a second harmonic, which sink within each or stand (decay 0)."""
    wave = np.sin(2 * np.pi * 55 * AT) + octave * np.sin(2 * np.pi * 110 * AT + turn)
    shape = np.exp(-AT / decay_s) if decay_s else np.ones(len(AT))
    shape = shape * np.clip(AT / 0.01, 0, 1) * np.clip((3.2 - AT) / 0.05, 0, 1)
    return np.concatenate([level_v * shape * wave for level_v in levels_v])


def _find(output_v: FloatArray) -> list[Finding]:
    noisy = output_v + np.random.default_rng(1).normal(0, 0.02, len(output_v))
    volts = {"output": noisy.astype(np.float32), "supply": np.full(len(noisy), 12.6, dtype=np.float32)}
    detector = GainStepDetector()
    for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0):
        detector.push(window)
    return list(detector.finish().findings)


def test_struck_notes_are_no_test_tones(monkeypatch: pytest.MonkeyPatch) -> None:
    played = _notes((20.0, 12.0, 7.0), 1.2, octave=0.05)  # too few harmonics to be told by them
    assert _find(played) == []
    monkeypatch.setattr(gain_steps, "is_struck", lambda points: False)
    assert [f.kind for f in _find(played)].count("tone") == 3


@pytest.mark.parametrize(("octave", "turn"), [(0.25, 1.0), (0.05, 0.0)])  # crests of 1.6, and of a sine's height
def test_notes_that_are_held_at_several_levels_show_no_source_that_clips(
    monkeypatch: pytest.MonkeyPatch, octave: float, turn: float
) -> None:
    played = _notes((20.0, 12.0, 7.0), 0.0, octave, turn)
    assert "source clipped before the amplifier" not in [f.measured.get("outcome") for f in _find(played)]
    monkeypatch.setattr(tone_curve, "_are_cut", lambda points, bad: True)
    assert "source clipped before the amplifier" in [f.measured.get("outcome") for f in _find(played)]


def test_a_tone_that_is_turned_down_is_one() -> None:
    shape = np.clip(1.5 - AT / 2.0, 0.1, 1.0)  # stands for a second, then falls
    found = _find(20 * shape * np.sin(2 * np.pi * 55 * AT))
    assert [f.kind for f in found].count("tone") == 1


def _swelling(percents: tuple[float, ...]) -> FloatArray:
    """Notes of one pitch that swell all along, with a second and third harmonic of so much in all."""
    shape = np.clip(AT / 3.2, 0, 1) * np.clip((3.2 - AT) / 0.05, 0, 1)
    high = np.sin(2 * np.pi * 110 * AT + 1) + np.sin(2 * np.pi * 165 * AT + 2)
    return np.concatenate([10 * shape * (np.sin(2 * np.pi * 55 * AT) + p / 141 * high) for p in percents])


@pytest.mark.parametrize("percent", [40.0, 75.0])
def test_notes_that_swell_with_harmonics_that_no_cut_makes_are_no_test_tones(
    monkeypatch: pytest.MonkeyPatch, percent: float
) -> None:
    played = _swelling((percent,) * 3)
    assert _find(played) == []
    monkeypatch.setattr(gain_steps, "has_harmonics_of_music", lambda points: False)
    assert [f.kind for f in _find(played)].count("tone") == 3


def test_one_tone_alone_is_not_told_to_be_music_by_its_harmonics() -> None:
    assert [f.kind for f in _find(_swelling((75.0,)))].count("tone") == 1


@pytest.mark.parametrize("dead_v", [9.0, 16.0])  # some 27 and 78 % of what is left
def test_a_tone_that_stands_is_one_whatever_an_amplifier_leaves_of_it(dead_v: float) -> None:
    shape = np.interp(AT, [0.4, 0.5, 1.5, 2.5, 3.9, 4.0], [0, 1.0, 1.0, 1.1, 1.1, 0])
    wave = 20 * shape * np.sin(2 * np.pi * 55 * AT)
    found = [f for f in _find(np.sign(wave) * np.maximum(0.0, np.abs(wave) - dead_v)) if f.kind == "tone"]
    assert len(found) == 1
    assert found[0].measured["thd_percent"] > (48.4 if dead_v > 10 else 10.0)
    assert found[0].evidence["crest_ratio"] > 1.5


def test_a_cut_tone_that_is_turned_all_along_is_one() -> None:
    level = 10 ** np.interp(AT, [0.2, 3.9], [0.3, 1.0])
    (found,) = [f for f in _find(np.clip(20 * level * np.sin(2 * np.pi * 55 * AT), -20, 20)) if f.kind == "tone"]
    assert found.measured["thd_percent"] > 35.0


def test_notes_whose_harmonics_differ_at_each_level_show_no_level_of_ten_percent(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    notes = ((20.0, 0.08), (15.0, 0.30), (13.0, 0.09), (18.0, 0.12), (14.0, 0.25), (16.0, 0.09), (19.0, 0.06))
    shape = np.clip(AT / 0.05, 0, 1) * np.clip((3.2 - AT) / 0.05, 0, 1)
    sines = np.sin(2 * np.pi * 55 * AT), np.sin(2 * np.pi * 165 * AT)
    played = np.concatenate([level_v * shape * (sines[0] + share * sines[1]) for level_v, share in notes])
    assert gain_steps.IN_NOISE not in [f.measured.get("outcome") for f in _find(played)]
    monkeypatch.setattr(tone_curve, "_rises_with_level", lambda level, thd, at_v: True)
    assert gain_steps.IN_NOISE in [f.measured.get("outcome") for f in _find(played)]
