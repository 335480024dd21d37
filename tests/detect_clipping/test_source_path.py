"""What lies between a logged source and the output, against filters of an independent library (scipy)."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.source_path import expected_volts, learn_path
from ampwitness.types import FloatArray
from scipy import signal

RATE_HZ = 8000.0
CEILING_V = 30.0


def _music(rng: np.random.Generator, seconds: float) -> FloatArray:
    """Notes of a bass, each with harmonics, over noise as loud as treble is."""
    n = round(seconds * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    volts = np.zeros(n)
    for first in np.arange(0.0, seconds, 0.4):
        since = np.maximum(t - first, 0)
        swell = np.exp(-since / 0.2) * (t >= first) * np.minimum(since / 0.004, 1)
        pitch_hz = rng.uniform(38, 90)
        volts += swell * sum(np.sin(2 * np.pi * k * pitch_hz * since + k) / k**2 for k in range(1, 5))
    return np.asarray(volts / np.max(np.abs(volts)) + 0.02 * rng.standard_normal(n))


def _through(source_v: FloatArray, kind: str) -> FloatArray:
    """What an amplifier wants to put out, V."""
    if kind == "gain":
        return 40 * source_v
    if kind == "late and upside down":
        return -40 * np.concatenate((np.zeros(6), source_v[:-6]))  # 0.75 ms
    if kind == "capacitor":
        return np.asarray(40 * signal.lfilter(*signal.butter(1, 6.0, "high", fs=RATE_HZ), source_v))
    if kind == "tone control":
        return np.asarray(40 * (source_v + 0.8 * signal.lfilter(*signal.butter(1, 150.0, fs=RATE_HZ), source_v)))
    low = signal.butter(2, 90.0, fs=RATE_HZ, output="sos")  # two in a row: a crossover of 24 dB an octave
    subsonic = signal.butter(2, 20.0, "high", fs=RATE_HZ, output="sos")
    return np.asarray(60 * signal.sosfilt(np.vstack((low, low, subsonic)), source_v))


@pytest.mark.parametrize("kind", ["gain", "late and upside down", "capacitor", "tone control", "crossover"])
def test_crests_that_an_amplifier_cut_off_are_foretold(kind: str) -> None:
    source_v = _music(np.random.default_rng(3), 10.0)
    wanted_v = _through(source_v, kind)
    is_free = np.abs(wanted_v) < CEILING_V
    assert np.count_nonzero(~is_free) > 100
    path = learn_path(np.clip(wanted_v, -CEILING_V, CEILING_V), source_v, RATE_HZ, is_free)
    assert path is not None
    # Within a hundredth of the ceiling on what was never seen: 0.1 dB.
    error_v = (expected_volts(path, source_v, ~is_free) - wanted_v)[~is_free]
    assert np.sqrt(np.mean(error_v**2)) < 0.01 * CEILING_V
    assert path.misfit < 0.01


def test_a_source_that_has_nothing_to_do_with_the_output_says_so() -> None:
    rng = np.random.default_rng(4)
    path = learn_path(_music(rng, 8.0), _music(rng, 8.0), RATE_HZ, np.ones(64_000, dtype=bool))
    assert path is not None
    assert path.misfit > 0.8


def test_too_little_tells_nothing() -> None:
    source_v = _music(np.random.default_rng(5), 1.0)
    assert learn_path(source_v, source_v, RATE_HZ, np.ones(len(source_v), dtype=bool)) is None
    silent = np.zeros(80_000)
    assert learn_path(silent, silent, RATE_HZ, np.ones(len(silent), dtype=bool)) is None


def test_volume_that_is_turned_makes_no_filter_of_what_was_loud_at_one_pitch() -> None:
    source_v = _music(np.random.default_rng(7), 10.0)
    t_s = np.arange(len(source_v)) / RATE_HZ
    turned = np.interp(t_s, [3.0, 3.2, 7.0, 7.2], [50.0, 15.0, 15.0, 50.0])
    path = learn_path(turned * source_v, source_v, RATE_HZ, np.ones(len(t_s), dtype=bool))
    assert path is not None
    made_v = expected_volts(path, source_v, np.ones(len(t_s), dtype=bool))[8_000:]
    line = np.polyfit(source_v[8_000:], made_v, 1)
    assert np.std(made_v - np.polyval(line, source_v[8_000:])) < 0.01 * np.std(made_v)  # a gain and nothing else
