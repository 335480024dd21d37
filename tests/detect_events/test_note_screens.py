"""What is passed over cheaply under notes would have come to nothing: the long way gives the same."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.note_over_music import make_over_music
from ampwitness.bench.note_unusual import opening_filter_case, pumped_case
from ampwitness.detect.notes import note_damping, note_places, note_walk
from ampwitness.detect.notes.note_break import Breaks, measure_left
from ampwitness.detect.notes.note_departure import DepartureFinder
from ampwitness.detect.notes.note_glide import straighten
from ampwitness.detect.notes.note_spectrum import measure_pitches
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.types import FloatArray
from event_material import run

_N = 72


def _departures(rng: np.random.Generator, k: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Rows in which a tone is let go or not as another sets in: volts, what is carried on, where they part, limits."""
    t = np.arange(_N) / 1000.0
    hz, phase = rng.uniform(30, 110, (2, k, 1)), rng.uniform(0, 2 * np.pi, (2, k, 1))
    carried = 5.0 * np.sin(2 * np.pi * hz[0] * t + phase[0])
    begin, later = rng.uniform(30, 40, (k, 1)), rng.uniform(2, 16, (k, 1))
    since = np.maximum(np.arange(_N) - begin, 0.0)
    is_let_go = rng.random((k, 1)) < 0.5
    height = np.where(is_let_go, np.maximum(1.0 - since / rng.uniform(3, 12, (k, 1)), 0.0), 1.0)
    new = np.where(since > later, 4.0 * np.sin(2 * np.pi * hz[1] * (since - later) / 1000.0), 0.0)
    volts = carried * height + new + 0.002 * rng.standard_normal((k, _N))
    parts = np.abs(volts - carried) > 0.1
    return volts, carried, np.argmax(parts, axis=1), np.full(k, 0.1)


def test_rows_that_may_not_fall_give_no_fall(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = _departures(np.random.default_rng(1), 600)
    screened = note_damping.carry_falls(*rows)
    may_begin = note_damping._may_fall(*rows)
    monkeypatch.setattr(note_damping, "_may_fall", lambda *_: np.ones_like(may_begin))
    thorough = note_damping.carry_falls(*rows)
    for short, long in zip(screened, thorough, strict=True):
        np.testing.assert_array_equal(short, long)
    assert np.count_nonzero(thorough[1]) > 50  # falls are there to be lost
    assert np.count_nonzero(may_begin.any(axis=1)) < 0.75 * len(may_begin)  # and most of the others are passed over


def test_what_goes_on_far_below_the_limit_gives_no_fall(monkeypatch: pytest.MonkeyPatch) -> None:
    t = np.arange(_N) / 1000.0
    sizes_v = np.where(np.arange(300) % 3 == 0, 5.0, 0.04)[:, None]
    volts, carried, _, limit_v = _departures(np.random.default_rng(2), 300)
    struck = 4.0 * np.sin(2 * np.pi * 60.0 * np.maximum(t - 0.035, 0.0))
    volts = np.where(sizes_v > 1.0, volts, sizes_v / 5.0 * carried + struck)
    rows = (volts, sizes_v / 5.0 * carried, np.argmax(np.abs(volts - sizes_v / 5.0 * carried) > 0.1, axis=1), limit_v)
    asked: list[int] = []
    may_fall = note_damping._may_fall
    monkeypatch.setattr(note_damping, "_may_fall", lambda *some: asked.append(len(some[0])) or may_fall(*some))
    screened = note_damping.carry_falls(*rows)
    monkeypatch.setattr(note_damping, "_LEAST_CARRIED", 0.0)
    for short, long in zip(screened, note_damping.carry_falls(*rows), strict=True):
        np.testing.assert_array_equal(short, long)
    assert np.count_nonzero(screened[1]) > 10
    assert asked == [100, 300]


def test_slides_are_straightened_together_as_one_by_one() -> None:
    time_s = np.arange(150) / 500.0
    rises, lengths = (1.0, -1.5, 2.0), (150, 90, 120)
    slides = [
        np.sin(2 * np.pi * 60.0 * np.cumsum(2.0 ** (rise * time_s[:n])) / 500.0)
        for rise, n in zip(rises, lengths, strict=True)
    ]
    still, short = np.sin(2 * np.pi * 60.0 * time_s), slides[0][:30]
    assert straighten([], 500.0) == []
    assert straighten([still, short], 500.0) == [None, None]
    first, *straight, last = straighten([still, *slides, short], 500.0)
    assert first is None
    assert last is None
    for slide, together in zip(slides, straight, strict=True):
        (alone,) = straighten([slide], 500.0)
        assert together is not None
        assert alone is not None
        np.testing.assert_allclose(together[0], alone[0], atol=1e-9)
        assert together[1] == alone[1]
        # One line now: nearly all of its energy lies around the strongest one.
        power = np.abs(np.fft.rfft(together[0] * np.hanning(len(slide)), 4096)) ** 2
        top, wide = int(np.argmax(power)), 4096 * 4 // len(slide)
        assert power[max(0, top - wide) : top + wide].sum() > 0.98 * power.sum()


def test_what_smooth_envelopes_leave_is_what_least_squares_leave() -> None:
    rate_hz, at, n = 500.0, 200, 400
    time_s = np.arange(n) / rate_hz
    rng = np.random.default_rng(5)
    bands, pitches_hz, expected = [], (41.0, 41.0, 97.0), []
    for pitch_hz, step in zip(pitches_hz, (1.0, 2.0, 1.0), strict=True):
        band = sum(np.cos(2 * np.pi * k * pitch_hz * time_s + k) / k for k in (1, 2)) * np.exp(-2.0 * time_s)
        band = np.where(np.arange(n) < at, band, step * band) + 0.01 * rng.standard_normal(n)
        half = round(max(0.090, 3.5 / pitch_hz) * rate_hz)
        since = np.arange(-half, half + 1)
        turns = 2 * np.pi * pitch_hz / rate_hz * since * np.arange(1, int(215 / pitch_hz) + 1)[:5, None]
        waves = np.concatenate((np.cos(turns), np.sin(turns)))
        smooth = np.polynomial.legendre.legvander(since / half, 5).T
        matrix = (smooth[:, None, :] * waves).reshape(-1, len(since)).T
        part = band[at - half : at + half + 1]
        rest = part - matrix @ np.linalg.lstsq(matrix, part, rcond=None)[0]
        expected.append(rest @ rest / (part @ part))
        bands.append(band)
    found = [
        measure_left(band, np.array([at]), rate_hz, np.array([hz]))[0]
        for band, hz in zip(bands, pitches_hz, strict=True)
    ]
    np.testing.assert_allclose(found, expected, rtol=1e-5)
    assert found[0] < 0.001 < 0.005 < found[1]
    both = measure_left(bands[1], np.array([at, 10]), rate_hz, np.array([41.0, 41.0]))
    assert both[0] == found[1]
    assert np.isnan(both[1])  # too little is known ahead


def test_what_rises_sixteenfold_is_no_vibrato_and_no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    volts = [pumped_case(19000).volts, make_over_music(301).volts]
    asked: list[float] = []
    is_at, only_ends = Breaks.is_at, note_walk.only_ends
    monkeypatch.setattr(Breaks, "is_at", lambda self, onset: asked.append(onset) or is_at(self, onset))
    ended: list[object] = []
    monkeypatch.setattr(note_walk, "only_ends", lambda *place: ended.append(place) or only_ends(*place))
    found, counts = [], []
    for ratio in (note_walk.PLAIN_RISE_RATIO, np.inf):
        monkeypatch.setattr(note_walk, "PLAIN_RISE_RATIO", ratio)
        asked.clear()
        ended.clear()
        found.append([[(f.start_s, f.stop_s) for f in run(NoteDetector(), one).findings] for one in volts])
        counts.append((len(asked), len(ended)))
    assert found[0] == found[1]
    assert all(few < 0.9 * many for few, many in zip(*counts, strict=True)), counts


@pytest.mark.parametrize(("from_hz", "to_hz"), [(46.2, 34.6), (43.7, 58.3), (49.0, 36.7), (43.7, 65.4)])
def test_a_long_slide_of_a_low_note_leaves_one_line(from_hz: float, to_hz: float) -> None:
    time_s = np.arange(360) / 500.0
    course = from_hz * (to_hz / from_hz) ** np.clip((time_s - 0.2) / 0.25, 0.0, 1.0)
    turned = 2 * np.pi * np.cumsum(course) / 500.0
    slide = np.exp(-time_s / 0.9) * (np.sin(turned) + 0.08 * np.sin(2.0 * turned + 1.0) + 0.1 * np.sin(3.0 * turned))
    (still,) = straighten([slide], 500.0)
    assert still is not None
    (pitch,) = measure_pitches([still[0]], 500.0)
    assert pitch is not None
    assert pitch.explained_ratio > 0.94  # straightened once, 0.92 at most
    assert pitch.frequency_hz * still[1] == pytest.approx(to_hz, rel=0.02)


def test_within_a_notes_first_60_ms_nothing_is_asked_and_nothing_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    case = opening_filter_case(19000)
    asked: list[int] = []
    measure = DepartureFinder.measure_novelty

    def count(self: DepartureFinder, high: FloatArray, starts: np.ndarray) -> tuple[FloatArray, FloatArray, FloatArray]:
        asked.append(len(starts))
        return measure(self, high, starts)

    monkeypatch.setattr(DepartureFinder, "measure_novelty", count)
    screened = run(NoteDetector(), case.volts, case.rate_hz).findings
    n_screened = sum(asked)
    asked.clear()
    monkeypatch.setattr(note_places, "LEAST_NOTE_S", 0.0)
    thorough = run(NoteDetector(), case.volts, case.rate_hz).findings
    assert len(screened) >= 7
    assert [(f.start_s, dict(f.measured)) for f in screened] == [(f.start_s, dict(f.measured)) for f in thorough]
    assert n_screened < sum(asked)
