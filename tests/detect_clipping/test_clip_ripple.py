"""Rails that ripple with their supply within a half-cycle, and rails that do not."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clip_ahead
from ampwitness.detect.clips.bent import clip_ripple
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import Finding

RATE_HZ = 8000.0


def find(ripples: bool) -> tuple[list[Finding], int]:
    """What is found of a beating note cut off by a rail, beside a supply that whines; and how many tops there are."""
    rng, t = np.random.default_rng(5), np.arange(16000) / RATE_HZ
    whine = 0.015 * np.sin(2 * np.pi * 640 * t) + 0.005 * np.sin(2 * np.pi * 1280 * t)
    wanted = 40 * (
        np.sin(2 * np.pi * 51 * t) + 0.6 * np.sin(2 * np.pi * 54.3 * t) + 0.2 * np.sin(2 * np.pi * 153 * t + 1)
    )
    rail_v = 39 * (1 + whine) if ripples else np.full(len(t), 39.0)
    cut = np.clip(wanted, -rail_v, rail_v)
    roles = {"output": cut + 0.03 * rng.standard_normal(len(t)), "supply": 13 * (1 + whine)}
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({k: v.astype(np.float32) for k, v in roles.items()}, RATE_HZ, window_s=10.0):
        detector.push(window)
    edges = np.flatnonzero(np.diff((np.abs(wanted) > rail_v).astype(int), prepend=0, append=0))
    return list(detector.finish().findings), int(np.count_nonzero(edges[1::2] - edges[::2] >= 6))


def test_tops_that_ripple_with_the_supply_are_found_and_are_no_sources(monkeypatch: pytest.MonkeyPatch) -> None:
    found, n_long = find(ripples=True)
    assert n_long > 100
    assert 0.98 * n_long <= len(found)
    assert not any(f.measured["origin"] == "source" for f in found)
    monkeypatch.setattr(clip_ahead, "find_ripple", lambda stretch: None)
    assert len(find(ripples=True)[0]) < 0.9 * len(found)


def test_a_rail_that_does_not_ripple_is_judged_as_it_is() -> None:
    found, n_long = find(ripples=False)
    assert 0.98 * n_long <= len(found)
    assert not any(f.evidence["held_back_v"] for f in found)


def test_means_are_those_of_a_triangle_and_take_little_room() -> None:
    values = (13 + np.random.default_rng(3).standard_normal(200_000)).astype(np.float32)
    triangle = np.convolve(np.full(16, 1 / 16), np.full(16, 1 / 16))
    tracemalloc.start()
    means = clip_ripple._mean_around(values, 16)
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert np.allclose(means[15:-16], np.convolve(values, triangle, "valid")[:-1], atol=1e-6)
    assert most_bytes < 3.5 * means.nbytes
