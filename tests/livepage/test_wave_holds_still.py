"""The picture of a wave hangs on the same place of it, window after window."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.livepage.wave_view import WaveRing, WaveView, find_rising, thin_to_extremes
from ampwitness.types import FloatArray, Gap, Segment, Trace

RATE_HZ = 8000


def views_of(volts: FloatArray, n_window: int = 320) -> list[WaveView]:
    ring, seen = WaveRing(), []
    for at in range(0, len(volts), n_window):
        part = volts[at : at + n_window]
        start_s = at / RATE_HZ
        segment = Segment(start_s, RATE_HZ, part)
        ring.push(Trace("output", start_s, segment.stop_s, (segment,), (), ()))
        view = ring.view()
        if view is not None:
            seen.append(view)
    return seen[20:]


def at_offsets(view: WaveView, offsets_s: FloatArray) -> FloatArray:
    times_s = view.start_s + view.step_s * np.arange(len(view.volts))
    return np.interp(offsets_s, times_s, view.volts)


@pytest.mark.parametrize("tone_hz", [31.7, 43.1, 120.3, 997.0])
def test_a_sine_is_its_own_formula_from_the_crossing(tone_hz: float) -> None:
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    views = views_of(20 * np.sin(2 * np.pi * tone_hz * time_s + 1.0))
    assert len(views) > 40
    for view in views:
        assert view.is_held
        offsets_s = np.linspace(-0.08, 0.85, 200) * view.span_s
        # A sine hung on its rising crossing is A sin(2 pi f t): no reference but the formula.
        assert at_offsets(view, offsets_s) == pytest.approx(20 * np.sin(2 * np.pi * tone_hz * offsets_s), abs=0.4)
    assert len({view.span_s for view in views}) == 1


def test_a_wave_with_several_crossings_a_period_and_noise_stands_still() -> None:
    rng = np.random.default_rng(5)
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    wave = 10 * np.sin(2 * np.pi * 41.3 * time_s) + 8 * np.sin(2 * np.pi * 3 * 41.3 * time_s + 2.0)
    views = views_of(wave + rng.normal(0, 0.1, len(time_s)))
    offsets_s = np.linspace(-0.08, 0.85, 300) * views[0].span_s
    looks = np.array([at_offsets(view, offsets_s) for view in views])
    moved = np.linalg.norm(looks - np.median(looks, axis=0), axis=1) / np.linalg.norm(looks[0])
    print(f"{len(views)} pictures, largest difference from the usual one {100 * moved.max():.1f} %")
    assert moved.max() < 0.1  # another crossing of the period would differ by more than its whole size


def test_silence_runs_free_and_a_gap_empties() -> None:
    assert not any(view.is_held for view in views_of(np.full(RATE_HZ, 0.3) + 0.01 * np.sin(np.arange(RATE_HZ))))
    ring = WaveRing()
    volts = 5 * np.sin(2 * np.pi * 50 * np.arange(3200) / RATE_HZ)
    ring.push(Trace("output", 0.0, 0.4, (Segment(0.0, RATE_HZ, volts),), (), ()))
    assert ring.view() is not None
    late = Segment(0.5, RATE_HZ, volts[:80])
    gap = Gap("s", 3200, 4000, 0.4, 0.5, "lost frames", True)  # type: ignore[arg-type]
    ring.push(Trace("output", 0.4, 0.51, (late,), (gap,), ()))
    assert ring.view() is None
    assert len(ring.volts) == 80


def test_crossings_are_counted_once_despite_noise() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    places = find_rising(10 * np.sin(2 * np.pi * 50 * time_s - 0.5) + rng.normal(0, 0.2, RATE_HZ), 0.0)
    assert len(places) == 50
    # noise of 0.2 V on a slope of 10 V x 2 pi 50 Hz moves a crossing by 0.06 ms, half a sample; four times that at most
    assert (places / RATE_HZ * 50 % 1) * 20 == pytest.approx(0.5 / (2 * np.pi) * 20, abs=0.3)


def test_thinning_keeps_every_extreme() -> None:
    volts = np.random.default_rng(2).normal(size=5003)
    thin, n = thin_to_extremes(volts, 1000)
    assert len(thin) <= 1000
    assert n == 11
    assert thin.max() == volts[: len(thin) // 2 * n].max()
    assert thin.min() == volts[: len(thin) // 2 * n].min()


def test_the_peak_lies_between_the_samples() -> None:
    # A sine at a quarter of the rate, sampled at 45 degrees: samples reach 0.707 of the crest (ITU-R BS.1770, Annex 2).
    volts = 10 * np.sin(2 * np.pi * 2000 * np.arange(3200) / RATE_HZ + np.pi / 4)
    ring = WaveRing()
    ring.push(Trace("output", 0.0, 0.4, (Segment(0.0, RATE_HZ, volts),), (), ()))
    peak_v = ring.peak_v(0.1)
    assert np.max(np.abs(volts)) == pytest.approx(7.07, abs=0.01)
    assert peak_v == pytest.approx(10.0, rel=0.01)
