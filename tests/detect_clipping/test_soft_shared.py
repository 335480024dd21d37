"""One soft ceiling for all crests of a stretch, where few are bent over, and lightly."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from ampwitness.bench import clip_signals
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.second import clip_soft
from ampwitness.detect.clips.second.soft_shared import Crowd, learn_shared
from ampwitness.types import Finding

NOISE_V, CEILING_V = 0.03, 30.0
RATE_HZ = 8000.0
HIGH_HZ = RATE_HZ * clip_signals.OVERSAMPLING
N_LAGS = 4


def crowd(sharpness: float, highest: float, ratio: float = 0.0, own: float = 0.0, third: float = 0.0) -> Crowd:
    """24 half-cycles, 0.1 s apart, driven up to `highest` times the ceiling. That is level, or a `ratio` to the supply,
    or (`own` > 0) by so much each half-cycle's own."""
    rng = np.random.default_rng(8)
    t = np.linspace(-1, 1, 45)
    drives = np.linspace(0.82, highest, 24)
    time_s, supply_v = 0.1 * np.arange(24), 12.6 - 1.2 * rng.random(24)
    windows = []
    for drive, volts in zip(drives, supply_v, strict=True):
        ceiling_v = (ratio * volts if ratio else CEILING_V) * (1 + own * rng.uniform(-1, 1))
        wanted = drive * ceiling_v * (np.cos(1.1 * t + 0.1 * t**2) + third * np.cos(3.3 * t))
        bent = wanted / (1 + np.abs(wanted / ceiling_v) ** sharpness) ** (1 / sharpness)
        windows.append(bent + NOISE_V * rng.standard_normal(len(t)))
    return Crowd(windows, time_s, np.repeat(supply_v[:, None], N_LAGS, axis=1), NOISE_V)


def test_a_level_ceiling_is_learned_from_half_cycles_that_hardly_reach_it() -> None:
    shared = learn_shared(crowd(10.0, 1.0))
    assert shared is not None
    assert shared.rail.per_supply_v == 0
    assert shared.rail.constant_v == pytest.approx(CEILING_V, rel=0.015)
    assert shared.sharpness == pytest.approx(10, rel=0.15)
    assert shared.misfit < 1.5


def test_a_ratio_to_the_supply_is_learned_as_one() -> None:
    shared = learn_shared(crowd(10.0, 1.03, ratio=2.5))
    assert shared is not None
    assert shared.rail.constant_v == 0
    assert shared.rail.per_supply_v == pytest.approx(2.5, rel=0.015)
    assert shared.sharpness == pytest.approx(10, rel=0.15)


@pytest.mark.parametrize(
    "none",
    [
        crowd(10.0, 0.7),  # not one reaches it
        crowd(400.0, 1.1),  # a corner
        crowd(400.0, 0.95, third=-0.06),  # flattened by a harmonic, under no ceiling
    ],
)
def test_nothing_is_learned_of_crests_that_no_soft_ceiling_bends(none: Crowd) -> None:
    assert learn_shared(none) is None


def test_half_cycles_each_with_a_ceiling_of_its_own_share_none() -> None:
    """As notes do that were saturated one by one, before they were played louder or softer."""
    assert learn_shared(crowd(10.0, 1.05, own=0.08)) is None


def bass(sharpness: float, highest: float = 1.1) -> tuple[np.ndarray, np.ndarray]:
    """24 s of decaying low notes, their crests up to `highest` times a ceiling: wanted, and logged."""
    rng = np.random.default_rng(17)
    t = np.arange(int(0.45 * HIGH_HZ)) / HIGH_HZ
    edge = np.minimum(t / 0.02, 1) * np.minimum((t[-1] - t) / 0.02, 1) * np.exp(-t / 0.6)
    wanted = np.zeros(int(24 * HIGH_HZ))
    for start_s in np.arange(0.5, 23, 0.5):
        hz, first = rng.uniform(36, 70), int(start_s * HIGH_HZ)
        tone = np.sin(2 * np.pi * hz * t) + 0.2 * rng.random() * np.sin(4 * np.pi * hz * t + rng.uniform(0, 6))
        wanted[first : first + len(t)] = rng.uniform(0.4, 1) * tone * edge
    wanted *= highest * CEILING_V / np.abs(wanted).max()
    return wanted, clip_signals.log(rng, wanted / (1 + np.abs(wanted / CEILING_V) ** sharpness) ** (1 / sharpness))


def detect(output_v: np.ndarray, window_s: float = 10.0) -> list[Finding]:
    detector = ClippingDetector()
    roles = {"output": output_v, "supply": np.full(len(output_v), 12.6, dtype=np.float32)}
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=window_s):
        detector.push(window)
    return list(detector.finish().findings)


def test_crests_bent_by_a_quarter_to_half_a_decibel_are_found_and_no_others(monkeypatch: pytest.MonkeyPatch) -> None:
    wanted, logged = bass(10.0)
    found = detect(logged)
    starts = np.array([f.start_s for f in found])
    n_true = n_hit = n_plain = n_plain_hit = n_any = 0
    for first, last in pairwise(np.flatnonzero(np.diff(np.signbit(wanted)))):
        bent_db = 2 * np.log10(1 + (float(np.max(np.abs(wanted[first:last]))) / CEILING_V) ** 10)
        hit = bool(np.any((starts >= first / HIGH_HZ - 0.001) & (starts < last / HIGH_HZ)))
        n_true, n_hit = n_true + (bent_db >= 0.25), n_hit + (hit and bent_db >= 0.25)
        n_plain, n_plain_hit = n_plain + (bent_db >= 0.35), n_plain_hit + (hit and bent_db >= 0.35)
        n_any += hit and bent_db >= 0.15
    assert 6 <= n_true <= 60
    assert n_hit >= 0.7 * n_true
    assert n_plain_hit == n_plain >= 4
    assert n_any == len(found)
    assert {f.measured["hardness"] for f in found} == {"soft"}
    for f in found:
        assert abs(float(f.evidence["rail_expected_v"])) == pytest.approx(CEILING_V, rel=0.02)
    monkeypatch.setattr(clip_soft, "learn_shared", lambda crowd: None)
    assert len(detect(logged)) == 0  # without it nothing is found


@pytest.mark.parametrize("window_s", [1.0, 60.0])
def test_what_is_found_does_not_depend_on_windows(window_s: float) -> None:
    _, logged = bass(10.0)
    kept, other = detect(logged), detect(logged, window_s)
    assert [f.start_s for f in kept] == [f.start_s for f in other]
    assert len(kept) > 5


def test_the_same_bass_under_no_ceiling_shows_none() -> None:
    assert detect(bass(1000.0, 0.9)[1]) == []
