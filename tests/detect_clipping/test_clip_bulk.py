"""The short way at a ceiling that is proven: what it measures, what it leaves alone, and when it closes."""

from __future__ import annotations

import functools
from collections.abc import Mapping

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clip_look import Screened, with_supply
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.short.clip_bulk import ShortWay
from ampwitness.detect.clips.table import clip_stream
from ampwitness.detect.clips.table.clip_stream import LaggedMeans
from ampwitness.detect.result import DetectorResult
from ampwitness.types import FloatArray
from scipy.signal import butter, resample_poly, sosfilt

RATE_HZ, OVER = 8000.0, 8
SECONDS, STRETCH_S = 24.0, 8.0
TREBLE_V = 0.8
Flats = list[tuple[float, float, float]]  # start and stop, s; overdrive, dB


@pytest.fixture(autouse=True)
def short_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clip_stream, "STRETCH_S", STRETCH_S)


@functools.cache
def make_music(treble_v: float) -> tuple[FloatArray, FloatArray]:
    """Drive of 60 V and less, OVER times oversampled, and a supply that sags a little beneath it."""
    rng = np.random.default_rng(131)
    t = np.arange(int(SECONDS * RATE_HZ * OVER)) / (RATE_HZ * OVER)
    bass = sum(np.sin(2 * np.pi * hz * t + k) for k, hz in enumerate((41.0, 58.3, 83.7)))
    band = butter(1, (100, 3800), "band", fs=RATE_HZ * OVER, output="sos")
    noise = sosfilt(band, rng.standard_normal(len(t)))
    drive = 21.0 * np.asarray(bass) + treble_v * noise / noise.std()
    supply = 13.0 - 0.3 * (1 + np.sin(2 * np.pi * 0.4 * t))
    return drive, supply


def clip(drive: FloatArray, supply: FloatArray, source_from_s: float = np.inf) -> tuple[FloatArray, FloatArray, Flats]:
    """Output and supply as logged, and true flats of the positive polarity; from a moment on the source clips first."""
    t = np.arange(len(drive)) / (RATE_HZ * OVER)
    rail = 3.0 * supply - 1.0
    drive = np.where(t >= source_from_s, 0.7 * np.clip(drive, -30.0, 30.0), drive)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (drive > rail).astype(np.int8), [0]))))
    flats = [
        (t[a], t[b - 1], float(20 * np.log10(drive[a:b].max() / rail[a])))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    rng = np.random.default_rng(7)
    output = resample_poly(np.clip(drive, -rail, rail), 1, OVER) + rng.normal(0, 0.01, int(SECONDS * RATE_HZ))
    return output.astype(np.float32), resample_poly(supply, 1, OVER, padtype="line"), flats


def detect(output: FloatArray, supply: FloatArray, window_s: float = 10.0) -> DetectorResult:
    detector = ClippingDetector()
    roles: Mapping[str, FloatArray] = {"output": output, "supply": supply}
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=window_s):
        detector.push(window)
    return detector.finish()


def is_short(finding: object) -> bool:
    return finding.evidence["measured_by"] == "short way"  # type: ignore[attr-defined]


def test_most_clips_of_dense_music_go_the_short_way_and_no_worse(monkeypatch: pytest.MonkeyPatch) -> None:
    output, supply, flats = clip(*make_music(TREBLE_V))
    found = detect(output, supply).findings
    late = [f for f in found if f.start_s > STRETCH_S]
    assert sum(map(is_short, late)) > 0.5 * len(late)
    assert all(f.evidence["compared_on_clips"] >= 50 for f in late if is_short(f))
    monkeypatch.setattr(ShortWay, "learn", lambda *_: None)
    by_long_way = detect(output, supply).findings
    assert not any(map(is_short, by_long_way))

    def score(findings: object) -> tuple[int, float, float]:
        mine = [f for f in findings if f.measured["polarity"] == "positive"]  # type: ignore[attr-defined]
        hit, start_s, apart_db = 0, [], []
        for start, stop, over_db in flats:
            if stop - start < 0.00075 or start < STRETCH_S:
                continue
            on = [f for f in mine if f.start_s < stop and f.stop_s > start]
            hit += bool(on)
            if len(on) == 1:
                start_s.append(abs(on[0].start_s - start))
                apart_db.append(abs(on[0].measured["overdrive_db"] - over_db))
        return hit, float(np.quantile(start_s, 0.9)), float(np.median(apart_db))

    (n, start_s, apart_db), (n_long, start_long_s, apart_long_db) = score(found), score(by_long_way)
    assert n >= n_long
    assert start_s <= 1.1 * start_long_s + 1e-5
    assert apart_db <= 1.1 * apart_long_db + 0.01


@pytest.mark.parametrize("treble_v", [0.0, TREBLE_V])
def test_the_short_way_does_not_mind_how_windows_are_cut(treble_v: float) -> None:
    output, supply, _ = clip(*make_music(treble_v))
    first, *others = [list(detect(output, supply, window_s).findings) for window_s in (10.0, 1.0, 60.0)]
    assert len(first) > 300
    assert all(other == first for other in others)


def test_smooth_bass_is_measured_by_the_same_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    output, supply, _ = clip(*make_music(0.0))
    found = detect(output, supply).findings
    monkeypatch.setattr(ShortWay, "learn", lambda *_: None)
    wanted = detect(output, supply).findings
    assert len(found) == len(wanted)
    apart = [
        (abs(a.start_s - b.start_s), abs(a.measured["overdrive_db"] - b.measured["overdrive_db"]))  # type: ignore[operator]
        for a, b in zip(found, wanted, strict=True)
    ]
    assert np.quantile(apart, 0.9, axis=0)[0] < 1e-5
    assert np.median(apart, axis=0)[1] < 0.005


def test_flats_of_a_source_well_below_the_ceiling_close_the_short_way(monkeypatch: pytest.MonkeyPatch) -> None:
    output, supply, _ = clip(*make_music(TREBLE_V), source_from_s=17.0)
    found = detect(output, supply).findings
    assert any(is_short(f) for f in found if f.start_s < 16)
    assert not any(is_short(f) for f in found if f.start_s > 16)
    monkeypatch.setattr(ShortWay, "learn", lambda *_: None)
    wanted = [f.start_s for f in detect(output, supply).findings if f.start_s > 16]
    assert [f.start_s for f in found if f.start_s > 16] == wanted
    assert len(wanted) > 50


def test_a_stretch_on_the_short_way_waits_without_its_supply_and_gets_it_back_by_the_millisecond() -> None:
    output, supply, _ = clip(*make_music(TREBLE_V))
    waited: list[Screened] = []

    class Noting(ClippingDetector):
        def _look_at_screened(self) -> None:
            waited.extend(self._run.screened)
            super()._look_at_screened()

    detector = Noting()
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=10.0):
        detector.push(window)
    detector.finish()
    ways = [(one.split is None, one.view.stretch.supply_v is None) for one in waited if one.view is not None]
    assert ways[0] == (True, False)  # the long way asks for every sample of it
    assert set(ways[1:]) == {(False, True)}
    view = waited[-1].view
    assert view is not None
    back = with_supply(view)
    assert back.supply_v is not None
    assert len(back.supply_v) == len(back.output_v)
    begin = back.first_index
    wanted = supply[begin : begin + len(back.output_v)]
    assert np.abs(back.supply_v - wanted).max() < 0.005  # it moves by less than 1 V/s
    again = LaggedMeans(back)
    at = np.linspace(100, len(wanted) - 100, 50)
    np.testing.assert_allclose(again.at(at)[0], view.lagged.at(at)[0], atol=1e-4)
    np.testing.assert_allclose(again.mean_supply(at, at + 40), view.lagged.mean_supply(at, at + 40), atol=1e-4)
