"""Crests filled in by linear prediction: signals whose crests are known, how sure it says to be, how many are done."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.measure import crest_fill
from ampwitness.detect.clips.measure.crest_fill import (
    ENOUGH,
    MOST_LATER,
    FillBudget,
    fill_crests,
    filled_interval,
    weigh_fills,
)
from ampwitness.types import Finding, FloatArray

RATE_HZ = 8000.0
AT = np.arange(round(2 * RATE_HZ)) / RATE_HZ


def _organ(seed: int) -> FloatArray:
    """Eight steady lines, as of two stops of an organ: no half-cycle is like the one before."""
    rng = np.random.default_rng(seed)
    lines = rng.uniform(45.0, 350.0, 8)
    return np.asarray(
        sum(np.sin(2 * np.pi * f * AT + rng.uniform(0, 6)) / (1 + f / 200) for f in lines.tolist()), dtype=float
    )


def _fill(wave: FloatArray, *tops: np.ndarray) -> tuple[FloatArray, FloatArray]:
    return fill_crests(np.pad(wave, crest_fill.HALF).astype(np.float32), *tops)


def _tops(wave: FloatArray, ceiling: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, FloatArray]:
    """First and last sample of each top that a ceiling cuts off, well inside; its sign; the true highest sample."""
    edges = np.diff(np.concatenate(([0], (np.abs(wave) > ceiling).astype(int), [0])))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    inside = (first > 600) & (last < len(wave) - 600)
    first, last = first[inside], last[inside]
    true = np.array([np.max(np.abs(wave[a : b + 1])) for a, b in zip(first, last, strict=True)])
    return first, last, np.sign(wave[first]), true


@pytest.mark.parametrize("seed", range(4))
def test_the_crests_of_steady_lines_come_out_and_how_well_is_known(seed: int) -> None:
    wave = _organ(seed)
    ceiling = 0.7 * float(np.max(np.abs(wave)))
    first, last, sign, true = _tops(wave, ceiling)
    noisy = np.clip(wave, -ceiling, ceiling) + 0.002 * np.random.default_rng(seed).standard_normal(len(wave))
    crest, sd = _fill(noisy, first, last, sign)
    error_db = 20 * np.log10(np.maximum(crest, ceiling) / true)
    assert len(true) >= 10
    assert np.median(np.abs(error_db)) < 0.1
    assert np.mean(np.abs(crest - true) < 3 * sd + 0.01 * ceiling) >= 0.9


def test_what_is_noise_is_said_not_to_be_known() -> None:
    wave = np.random.default_rng(3).standard_normal(len(AT))
    first, last, sign, true = _tops(wave, 1.5)
    crest, sd = _fill(np.clip(wave, -1.5, 1.5), first, last, sign)
    assert np.median(sd) > 0.5  # of samples that scatter by 0.9
    assert np.mean(np.abs(np.maximum(crest, 1.5) - true) < 3 * sd) >= 0.9


def test_a_sum_of_lines_under_a_ceiling_is_told_by_what_is_filled_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the whole detector: the overdrive of an organ's tops, with and without."""
    wave = 30.0 * _organ(13) / float(np.max(np.abs(_organ(13))))
    ceiling = 22.0
    first, last, _, true = _tops(wave, ceiling)
    output = np.clip(wave, -ceiling, ceiling) + 0.01 * np.random.default_rng(1).standard_normal(len(AT))

    def off_db() -> FloatArray:
        found = _clips(output)
        off = [
            float(clip.measured["overdrive_db"] or 0) - 20 * np.log10(peak / ceiling)
            for a, b, peak in zip(first / RATE_HZ, last / RATE_HZ, true, strict=True)
            for clip in found
            if clip.start_s < b and clip.stop_s > a
        ]
        return np.abs(np.array(off))

    filled = off_db()
    monkeypatch.setattr(FillBudget, "most", lambda budget, n: 0)
    by_flanks = off_db()
    assert len(filled) == len(by_flanks) >= 15

    assert np.median(filled) < 0.05
    assert np.median(by_flanks) > 2 * np.median(filled)


def _clips(output: FloatArray) -> list[Finding]:
    detector = ClippingDetector()
    supply = np.full(len(output), 13.8)
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=10.0):
        detector.push(window)
    return list(detector.finish().findings)


def test_each_is_weighed_by_how_well_it_is_known() -> None:
    over, sd = weigh_fills(*(np.array([x, x]) for x in (1.0, 0.1)), np.array([1.4, 1.4]), np.array([0.01, 9.0]),
                           np.full(2, 8.0), np.zeros(2), np.zeros(2))  # fmt: skip
    assert over[0] == pytest.approx(1.2, abs=0.01)  # no further up than the flanks' own deviation of 0.2 dB
    assert over[1] == pytest.approx(1.0, abs=0.01)
    long, _ = weigh_fills(*(np.array([x, x]) for x in (1.0, 0.1, 1.1, 0.05)), np.array([8.0, 48.0]), np.zeros(2),
                          np.zeros(2))  # fmt: skip
    assert 1.0 < long[1] < long[0] < 1.1  # over a long top less is thought of it
    assert sd[0] < 0.03 < sd[1] <= 0.2
    low, high = filled_interval(over, sd, np.zeros(2), np.zeros(2), np.zeros(2))
    assert np.all(low < over)
    assert np.all(over < high)


def test_a_long_recording_fills_in_the_furthest_of_each_stretch() -> None:
    budget = FillBudget()
    assert budget.most(ENOUGH) == ENOUGH
    assert budget.most(500) == MOST_LATER
    assert budget.most(3) == 3


@pytest.mark.parametrize("n", [1, crest_fill.LONGEST])
def test_the_shortest_and_the_longest_top_fit_their_window(n: int) -> None:
    """The window holds the top and what the prediction reaches over to either side of it."""
    wave = np.sin(2 * np.pi * 60.0 * AT)
    first = 8000 + round(RATE_HZ / 240) - n // 2
    known = wave.copy()
    known[first : first + n] = min(wave[first - 1], wave[first + n])
    crest, _ = _fill(known, np.array([first]), np.array([first + n - 1]), np.ones(1))
    assert crest[0] == pytest.approx(1.0, abs=0.02)
