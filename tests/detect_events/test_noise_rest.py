"""Hours of steady noise are not looked at note by note, and what comes then is found all the same."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes import noise_rest
from ampwitness.detect.notes.noise_rest import REASON, NoiseRest
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.types import FloatArray
from scipy.signal import butter, sosfilt

RATE_HZ = 1000
NOISE_S, NOTES_S = 310, 40
AT = np.arange((NOISE_S + NOTES_S) * RATE_HZ) / RATE_HZ
BAND = butter(2, [30, 100], "band", fs=RATE_HZ, output="sos")


def _noise() -> FloatArray:
    noise = sosfilt(BAND, np.random.default_rng(8).normal(0, 1, len(AT)))
    return np.asarray(8.0 * noise / noise.std())


def _find(wave: FloatArray, window_s: float = 10.0) -> DetectorResult:
    noisy = wave + np.random.default_rng(9).normal(0, 0.01, len(AT))
    detector = NoteDetector()
    for window in iter_windows_from_arrays({"output": noisy}, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def _left_out(result: DetectorResult) -> list[tuple[float, float]]:
    return [(span.start_s, span.stop_s) for span in result.coverage.not_judged if span.reason == REASON]


def _then_notes(level_v: float) -> FloatArray:
    """Noise, and behind it notes of half a second every second."""
    since = AT % 1.0
    notes = level_v * np.sin(2 * np.pi * 55 * AT) * np.clip(since / 0.004, 0, 1) * np.clip((0.5 - since) / 0.03, 0, 1)
    return np.where(AT < NOISE_S, _noise(), notes)


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
def test_notes_behind_steady_noise_are_found_though_most_of_it_is_not_looked_at(window_s: float) -> None:
    result = _find(_then_notes(12.0), window_s)
    onsets = [finding.start_s for finding in result.findings]
    assert len([s for s in onsets if s > NOISE_S]) >= NOTES_S - 1
    assert not [s for s in onsets if s < NOISE_S - 1]
    left_out = _left_out(result)
    total_s = sum(stop_s - start_s for start_s, stop_s in left_out)
    assert total_s == pytest.approx(180.0, abs=0.1)  # from 120 s on, in blocks of 20 s
    assert all(stop_s <= NOISE_S for _, stop_s in left_out)
    assert result.coverage.judged_s == pytest.approx(NOISE_S + NOTES_S - total_s, abs=0.1)


def test_noise_whose_level_changes_is_looked_at_throughout() -> None:
    """By 3 dB every 20 s: a programme without notes, as speech is one, may have some any time."""
    assert _left_out(_find(_noise() * np.where(AT % 40 < 20, 1.0, 0.7))) == []


def test_notes_are_looked_at_throughout() -> None:
    since = AT % 0.5
    level = np.clip(since / 0.004, 0, 1) * np.clip((0.4 - since) / 0.03, 0, 1)
    result = _find(9 * np.sin(2 * np.pi * 55 * AT) * level)
    assert _left_out(result) == []
    assert len(result.findings) >= 2 * (NOISE_S + NOTES_S) - 2


def test_every_seventh_sample_tells_the_same_noise_from_another(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of 20 s by 0, 0.4 and 1.2 dB off those that were looked at: rests are taken and ended alike by all."""
    noise = _noise()[: 300 * RATE_HZ].reshape(15, -1)
    levels_db = np.array([0.0, 0.2, -0.2, 0.1, 0.0, -0.1, 0.4, -0.4, 0.0, 1.2, 0.0, 0.0, -1.2, 0.4, 0.0])
    blocks = (noise * 10 ** (levels_db[:, None] / 20)).astype(np.float32)

    def decide(step: int) -> list[bool]:
        monkeypatch.setattr(noise_rest, "_STEP", step)
        rest, out = NoiseRest(), []
        for block in blocks:
            out.append(rest.leaves_out(block, is_last=False))
            rest.count(384, 0)
        return out

    expected = [False] * 6 + [True] * 3 + [False] * 6
    shipped = noise_rest._STEP
    assert decide(shipped) == decide(1) == expected
    assert shipped >= 7  # the cost of it: a seventh is looked at
