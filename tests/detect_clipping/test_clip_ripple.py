"""Rails that ripple with their supply within a half-cycle, and rails that do not."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from ampwitness.bench.amplifier_flats import flats_under_ceiling
from ampwitness.bench.clip_cases import lagged
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clip_ahead
from ampwitness.detect.clips.bent import clip_ripple
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.table.clip_stream import Stretch
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
    monkeypatch.setattr(clip_ahead, "find_ripple", lambda stretch, delay_s: None)
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
    assert most_bytes < 1.5 * means.nbytes


@pytest.mark.parametrize(("delay_s", "most_arrays"), [(0.0, 3.2), (0.002, 4.4)])
def test_what_ripples_is_found_in_little_room(delay_s: float, most_arrays: float) -> None:
    """In arrays of a stretch's length in double precision: a day's most memory was taken here. Our choice."""
    t = np.arange(400_000) / RATE_HZ
    supply_v = (12 + 0.8 * np.sin(2 * np.pi * 100 * t)).astype(np.float32)
    output_v = (30 * np.sin(2 * np.pi * 50 * t)).astype(np.float32)
    stretch = Stretch(RATE_HZ, 0, 0.0, 0, len(t), True, True, output_v, supply_v)
    tracemalloc.start()
    ripple_v = clip_ripple.find_ripple(stretch, delay_s)
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert ripple_v is not None
    assert most_bytes < most_arrays * 8 * len(t)


def collapse(top: float) -> tuple[list[Finding], int]:
    """Five bass notes that pull their supply from 12.5 to 5 V within a half-cycle, behind a bad ground, and a rail that
    follows it behind 2 ms: what was found, and how many true flats of half a millisecond and more there are. `top`:
    volts that the notes ask for."""
    rng, t = np.random.default_rng(4), np.arange(round(5 * RATE_HZ)) / RATE_HZ
    drive = np.zeros(len(t))
    for k in range(5):
        since_s = t - 0.3 - 0.95 * k
        turn = 2 * np.pi * ((40 + 5 * (k % 4)) * since_s + 0.6 * (1 - np.exp(-np.maximum(since_s, 0) / 0.03)))
        wave = np.sin(turn) + 0.3 * np.sin(2 * turn + rng.uniform(0, 6))
        drive += np.where(since_s > 0, wave * np.exp(-since_s / 0.14) * np.clip(since_s / 0.002, 0, 1), 0.0)
    drive *= top
    supply, output = np.full(len(t), 12.5), drive
    for _ in range(40):  # the rail decides the current, and that the rail
        rail = 2.9 * lagged(supply, 0.002, RATE_HZ)
        output = np.clip(drive, -rail, rail)
        supply = 0.7 * supply + 0.3 * (12.5 - 0.059 * (1.5 + output**2 / 2 / 0.72 / np.maximum(supply, 6.0)))
    noise = rng.normal(0, 0.02, (2, len(t)))
    roles = {"output": (output + noise[0]).astype(np.float32), "supply": (supply + 0.2 * noise[1]).astype(np.float32)}
    detector = ClippingDetector()
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=10.0):
        detector.push(window)
    flats = flats_under_ceiling(drive, output, rail, rail, RATE_HZ)
    return list(detector.finish().findings), sum(flat.flat_s >= 0.0005 for flat in flats)


def test_a_rail_that_follows_a_collapsing_supply_behind_its_store_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    found, n_long = collapse(49.0)
    assert n_long > 40
    assert 0.95 * n_long <= len(found) <= 1.02 * n_long
    assert not any(f.measured["origin"] == "source" for f in found)
    monkeypatch.setattr(clip_ahead, "DELAYS_S", ())  # two were found
    assert len(collapse(49.0)[0]) < 0.2 * len(found)


def test_clean_notes_into_a_collapsing_supply_are_not_clipped() -> None:
    found, n_long = collapse(18.0)
    assert n_long == 0
    assert not found
