"""Silences equally long at odd moments are an amplifier's wait; rests on a beat, or of all lengths, are the music's."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.cutouts.fixed_wait import find_fixed_waits
from ampwitness.types import FloatArray


def spans_at(start_s: FloatArray, length_s: FloatArray) -> list[tuple[float, float]]:
    return [(float(a), float(a + b)) for a, b in zip(start_s, length_s, strict=True)]


@pytest.mark.parametrize(("n", "wait_s", "least_told"), [(5, 8.8, 200), (18, 1.5, 195), (10, 0.8, 140)])
def test_an_amplifiers_wait_is_told(n: int, wait_s: float, least_told: int) -> None:
    """Of 200 drawings; an end is off by up to 20 ms, and the music begins to sound again after a random while."""
    n_told = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        start_s = np.cumsum(wait_s + rng.uniform(0.3, 5.0, n))
        n_told += bool(find_fixed_waits(spans_at(start_s, wait_s + rng.uniform(0, 0.02, n))).all())
    assert n_told >= least_told


def test_rests_on_a_beat_are_the_musics() -> None:
    """Rests of a beat up to two bars, less what a note rings on, each beginning on a beat or half of one."""
    n_told = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        beat_s = 60 / rng.uniform(80, 160)
        n_beats = int(rng.choice([1, 2, 4]))
        start_s = beat_s / 2 * np.cumsum(rng.integers(1, 12, 12) + 2 * n_beats) + rng.normal(0, 0.004, 12)
        wait_s = n_beats * beat_s - rng.uniform(0, 0.3 * beat_s)
        n_told += bool(find_fixed_waits(spans_at(start_s, wait_s + rng.uniform(0, 0.02, 12))).any())
    assert n_told == 0


def test_rests_of_all_lengths_are_the_musics() -> None:
    n_told = 0
    for seed in range(500):
        rng = np.random.default_rng(seed)
        start_s = np.cumsum(4.0 + rng.uniform(0.3, 5.0, 6))
        n_told += bool(find_fixed_waits(spans_at(start_s, rng.uniform(0.5, 4.0, 6))).any())
    assert n_told == 0


def test_few_are_chance() -> None:
    rng = np.random.default_rng(3)
    start_s, length_s = np.cumsum(5.0 + rng.uniform(0.3, 5.0, 12)), rng.uniform(0.4, 5.0, 12)
    length_s[:4] = 4.5
    assert not find_fixed_waits(spans_at(start_s, length_s)).any()
    assert not find_fixed_waits([]).any()
    assert not find_fixed_waits([(1.0, 9.5), (14.0, 22.5), (31.0, 39.5)]).any()
