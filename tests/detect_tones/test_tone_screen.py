"""What is passed over cheaply would not have become a passage: findings with and without the screen are the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.streams import RunBlock
from ampwitness.detect.tones import tone_screen, tone_stream
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.detect.tones.tone_screen import may_be_steady
from ampwitness.types import Finding

RATE_HZ = 8000.0
Floats = npt.NDArray[np.float64]


def time_s(seconds: float) -> Floats:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


def clipped(volts: Floats, rail_v: float) -> Floats:
    return np.clip(volts, -rail_v, rail_v)


def drawn(seed: int) -> Floats:
    """A tone as a hand may make it: any pitch, a turned or stepped level, clipped or not, noise, hum, a drift; the
    edges anywhere."""
    rng = np.random.default_rng([seed, 41])
    seconds = rng.uniform(3.5, 7.0)
    t = time_s(seconds)
    hz = float(np.exp(rng.uniform(np.log(20), np.log(1500)))) * (1 + rng.choice([0.0, 0.002]) * t)
    level_v = 10 ** (rng.uniform(-0.3, 1.4) + rng.choice([0.0, 0.05, 0.2, 0.45]) * t / 2)
    if rng.uniform() < 0.3:
        level_v = level_v * np.where(t > rng.uniform(1, 3), 1.6, 1.0)
    volts = np.sqrt(2) * level_v * np.sin(2 * np.pi * np.cumsum(hz) / RATE_HZ + rng.uniform(0, 6))
    if rng.uniform() < 0.5:
        volts = clipped(volts, float(np.quantile(np.abs(volts), rng.uniform(0.5, 1.0))))
    if rng.uniform() < 0.3:
        volts += rng.uniform(0.01, 0.6) * np.median(level_v) * np.sin(2 * np.pi * rng.uniform(30, 900) * t)
    start, stop = rng.uniform(0, 1.2), rng.uniform(2.6, seconds + 1)
    volts = np.where((t >= start) & (t < stop), volts, 0.0)
    return np.asarray(volts + rng.choice([0.005, 0.03, 0.1]) * rng.standard_normal(len(t)))


def notes(seed: int) -> Floats:
    """Bass notes of a second or two, one after the other: nearly tones."""
    rng = np.random.default_rng([seed, 43])
    pieces = []
    for _ in range(4):
        t = time_s(rng.uniform(0.7, 2.6))
        decay = np.exp(-t * rng.choice([0.0, 0.3, 1.5]))
        pieces.append(rng.uniform(2, 20) * decay * np.sin(2 * np.pi * rng.uniform(35, 110) * t))
    volts = np.concatenate(pieces)
    return np.asarray(clipped(volts, 14.0) + 0.02 * rng.standard_normal(len(volts)))


def find(volts: Floats) -> list[Finding]:
    detector = GainStepDetector()
    for window in iter_windows_from_arrays({"output": volts.astype(np.float32)}, RATE_HZ, window_s=10.0):
        detector.push(window)
    return list(detector.finish().findings)


@pytest.mark.parametrize("make", [drawn, notes])
def test_the_screen_leaves_no_passage_out(make: Callable[[int], Floats], monkeypatch: pytest.MonkeyPatch) -> None:
    material = [make(seed) for seed in range(7)]
    screened = [find(volts) for volts in material]
    monkeypatch.setattr(tone_stream, "_screen", lambda blocks: {})
    monkeypatch.setattr(tone_stream, "_may_last", lambda inside, before, after: True)
    wanted = [find(volts) for volts in material]
    assert [repr(found) for found in screened] == [repr(found) for found in wanted]
    assert sum(map(bool, wanted)) >= 4, "the material must hold tones"


def test_steady_seconds_pass_and_noise_does_not() -> None:
    rng = np.random.default_rng(7)
    for seed in range(40):
        hz = float(np.exp(np.random.default_rng(seed).uniform(np.log(20), np.log(3000))))
        tone = np.sin(2 * np.pi * hz * time_s(1.0))
        rows = np.stack([tone, clipped(5 * tone, 2.0), tone * np.exp(1.15 * time_s(1.0))])
        assert may_be_steady(rows, RATE_HZ, 18.0, 0.2).all(), hz
    noise = rng.standard_normal((10, 8000))
    steps = np.cumsum(noise, axis=1) / 20
    quiet = 0.1 * np.sin(2 * np.pi * 50 * time_s(1.0))[None, :]
    assert not may_be_steady(steps, RATE_HZ, 18.0, 0.2).any()
    assert not may_be_steady(quiet, RATE_HZ, 18.0, 0.2).any()


@pytest.mark.parametrize("hz", [24.0, 50.3, 1000.0])
def test_a_long_tone_gives_the_same_whether_its_repeats_are_measured_or_not(
    hz: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tone_stream, "_THIN_ABOVE", 8)
    t = time_s(44.0)
    volts = 20 * (1 + 0.002 * np.sin(2 * np.pi * t / 50)) * np.sin(2 * np.pi * hz * t)
    volts[20 * 8000 : 20 * 8000 + 4800] *= 0.5  # it dips in between
    volts = clipped(volts, 20.2) + 0.02 * np.random.default_rng(1).standard_normal(len(t))
    n_measured = []
    measure = tone_stream.TonePassages._measure_all

    def counted(self: tone_stream.TonePassages, block: tone_stream.RunBlock) -> None:
        n_measured.append(block.first)
        measure(self, block)

    monkeypatch.setattr(tone_stream.TonePassages, "_measure_all", counted)
    found = find(volts)
    n_few = len(n_measured)
    monkeypatch.setattr(tone_stream.TonePassages, "_repeats", lambda self, block: False)
    assert repr(found) == repr(find(volts))
    assert n_few < 0.7 * (len(n_measured) - n_few)


def test_two_lines_must_hold_nearly_all() -> None:
    t = time_s(1.0)
    two = np.sin(2 * np.pi * 50 * t) + 0.7 * np.sin(2 * np.pi * 73 * t)
    others = sum(0.17 * np.sin(2 * np.pi * hz * t) for hz in (160.0, 231.0, 310.0, 390.0))
    rows = np.stack([two, two + others]).astype(np.float32)  # all of the power, and 93 % of it
    assert may_be_steady(rows, RATE_HZ, 20.0, 0.1).tolist() == [True, False]


def test_held_notes_too_short_for_a_passage_are_not_measured_finely(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(12)
    t = time_s(1.4)
    note = [clipped(24 * np.exp(-t) * np.sin(2 * np.pi * hz * t), 14.0) for hz in (41.0, 55.0, 49.0)]
    long = clipped(24 * np.exp(-time_s(3.0) / 2) * np.sin(2 * np.pi * 46 * time_s(3.0)), 14.0)
    volts = np.concatenate([*note, long, *note])
    volts = volts + 0.02 * rng.standard_normal(len(volts))
    finely: list[float] = []
    measure = tone_stream.measure_second

    def counted(block: tone_stream.RunBlock, *rest: Any) -> Any:
        finely.append(block.first / RATE_HZ)
        return measure(block, *rest)

    monkeypatch.setattr(tone_stream, "measure_second", counted)
    found = find(volts)
    assert finely
    assert all(3.0 <= at <= 8.0 for at in finely), finely
    n_few = len(finely)
    monkeypatch.setattr(tone_stream.Waiting, "take", lambda self, second, coarse: [second])
    assert repr(find(volts)) == repr(found)
    assert len(finely) - n_few > n_few


def test_a_second_beside_another_line_is_passed_over_by_a_coarse_look() -> None:
    def second(hz: float, behind_hz: float) -> RunBlock:
        t = time_s(0.5)
        volts = np.concatenate((np.sin(2 * np.pi * hz * t), np.sin(2 * np.pi * behind_hz * t)))
        return RunBlock(0, 0.0, RATE_HZ, 0, {"output": volts.astype(np.float32)}, False, {})

    held = second(60.0, 60.0)
    assert tone_stream._may_be_near([held], 60.0, second(61.0, 200.0))
    assert tone_stream._may_be_near([second(200.0, 60.0), held], 60.0, second(200.0, 60.0)), "by what lies before"
    assert not tone_stream._may_be_near([second(60.0, 200.0), held], 60.0, second(200.0, 60.0))
    assert tone_stream._may_be_near([second(900.0, 900.0)], 900.0, second(60.0, 60.0)), "not told of a high line"


def test_a_first_look_at_either_half_passes_over_what_lies_beside_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    t = time_s(1.0)
    line = np.sin(2 * np.pi * 55 * t)
    others = sum(0.17 * np.sin(2 * np.pi * hz * t) for hz in (131.0, 187.0, 247.0, 302.0))
    late = np.where(t < 0.5, line, 0.5 * line + others)  # 8 % of the power of the whole, 32 % of its half
    rows = np.stack([line, late, late[::-1]]).astype(np.float32)
    assert may_be_steady(rows, RATE_HZ, 20.0, 0.1).tolist() == [True, False, False]
    monkeypatch.setattr(tone_screen, "_may_be_pure", lambda volts, *rest: np.ones(len(volts), dtype=bool))
    assert may_be_steady(rows, RATE_HZ, 20.0, 0.1).all(), "as a whole it passes"
