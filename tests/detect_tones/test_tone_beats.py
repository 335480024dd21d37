"""Tones a few hertz apart: told as such, with how far apart, and nothing else is made of them."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.findings.described import describe_finding
from ampwitness.waveform.tone_beat import _line_shapes, find_beat

RATE_HZ = 8000
AT = np.arange(8 * RATE_HZ) / RATE_HZ


def _judge(wave: np.ndarray, window_s: float = 10.0) -> DetectorResult:
    detector = GainStepDetector(4.0, "resistor")
    for window in iter_windows_from_arrays({"output": wave}, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def _tone(hz: float, crest_v: float = 12.0) -> np.ndarray:
    noise = 0.02 * np.random.default_rng(3).standard_normal(len(AT))
    return np.asarray(crest_v * np.sin(2 * np.pi * hz * AT) + noise)


@pytest.mark.parametrize(("hz", "other_hz", "ratio"), [(40, 41.1, 0.9), (40, 42, 0.3), (61, 57, 1.0), (40, 39, 0.15)])
def test_two_tones_nearer_than_five_hertz_are_told_apart_and_nothing_is_made_of_them(
    hz: float, other_hz: float, ratio: float
) -> None:
    wave = _tone(hz) + ratio * 12 * np.sin(2 * np.pi * other_hz * AT + 1)
    result = _judge(wave)
    (found,) = result.findings
    apart_hz = abs(hz - other_hz)
    assert found.measured["not_judged"] == f"two tones or a beating tone, {apart_hz:.1f} Hz apart"
    assert found.stop_s - found.start_s > 5
    assert found.measured["apart_hz"] == pytest.approx(apart_hz, abs=0.05)
    assert found.measured["other_percent"] == pytest.approx(100 * ratio, rel=0.05)
    assert "THD not judged (two tones or a beating tone" in describe_finding(found)
    assert any(one.reason == "two tones or a beating tone" for one in result.coverage.not_judged)
    assert _judge(wave, 1.0).findings == result.findings


def test_a_tone_that_swells_evenly_is_told_so_and_one_that_is_turned_is_not() -> None:
    swells = _judge(_tone(45) * (1 + 0.3 * np.sin(2 * np.pi * 2.5 * AT)))
    (found,) = swells.findings
    assert found.measured["apart_hz"] == pytest.approx(2.5, abs=0.05)
    for level in (1 + 0.2 * AT, 10 ** (-AT / 4), np.where((AT % 2) < 1, 1.0, 0.6)):
        words = [f.measured.get("not_judged") for f in _judge(_tone(45) * level).findings]
        assert not any("beating" in str(why) for why in words)


def test_clipping_and_hum_are_no_beat() -> None:
    for wave in (np.clip(_tone(40.3), -8, 8), _tone(47) + 0.4 * np.sin(2 * np.pi * 50 * AT), _tone(40.3)):
        assert find_beat(wave[:RATE_HZ], RATE_HZ, 40.0) is None


def test_the_shape_of_a_line_is_what_its_spectrum_shows() -> None:
    n, bins = 4096, np.arange(60, 90)
    places = np.array([70.0, 70.2, 74.5, 73.999])  # on a bin, between, next to one
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    lines = np.exp(2j * np.pi * places[:, None] * np.arange(n) / n)
    turned = np.exp(1j * np.pi * places)[:, None] * _line_shapes(bins, places)
    np.testing.assert_allclose(turned, np.fft.fft(lines * window)[:, bins] / n, atol=3e-4)
