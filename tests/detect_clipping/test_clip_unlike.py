"""Where flanks are unlike any sine's the overdrive is told as an interval from nothing."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips import clip_ledger
from ampwitness.detect.clips.judge.clip_unlike import FEWEST, UNLIKE, most_where_unlike
from ampwitness.detect.clips.measure.overdrive import Corners, overdrive_interval, unlike_a_sine


def corners(bend_share: float, curvature_sd_v: float = 1e-4) -> Corners:
    """Of a sine of 40 V at 40 Hz cut off at 30 V, at 8 kS/s, whose flanks bend `bend_share` times as much."""
    w = 2 * np.pi * 40 / 8000
    phase = np.arccos(30 / 40)
    one = np.ones(1)
    return Corners(
        2 * phase / w * one, 30 * one, 40 * w * np.sin(phase) * one, 40 * w * np.sin(phase) * one,
        bend_share * 30 * w**2 * one, 0.001 * one, curvature_sd_v * one, 0 * one,
    )  # fmt: skip


def test_a_sines_flanks_are_those_of_a_sine() -> None:
    """By closed form: slope A w sin(phi), curvature A w^2 cos(phi)."""
    assert unlike_a_sine(corners(1.0))[0] < 0.01
    phase = np.arccos(30 / 40)
    off = 4 * phase / np.tan(phase)  # four times k T / (2 s) of a sine too much
    assert unlike_a_sine(corners(5.0, 1e-9))[0] == pytest.approx(off / 0.5, rel=0.01)
    assert unlike_a_sine(corners(5.0, 1.0))[0] < 0.2  # a curvature that is not known says nothing


@pytest.mark.parametrize(("changed", "is_unlike"), [
    ({}, True), ({"unlike": 0.9 * UNLIKE}, False), ({"lively": 0.8}, False), ({"is_coarse": 1.0}, False),
    ({"n_compared": 30.0}, False),
])  # fmt: skip
def test_half_of_the_fits_must_be_unlike_a_sine(changed: dict[str, float], is_unlike: bool) -> None:
    usual = {"unlike": 1.1 * UNLIKE, "lively": 0.0, "is_coarse": 0.0, "n_compared": 0.0, "level_v": 30.0}
    clips = {
        name: np.full(FEWEST, value)
        for name, value in ({**usual, "crest_sd_v": 0.0, "crest_v": 33.0} | changed).items()
    }
    clips["overdrive_db"] = np.linspace(0.0, 3.0, FEWEST)
    most_db = most_where_unlike(clips)
    assert (most_db > 0) == is_unlike
    if is_unlike:
        highs = [overdrive_interval(db, 0.0, 0.0, False)[1] for db in clips["overdrive_db"].tolist()]
        assert sum(high <= most_db for high in highs) == pytest.approx(2 / 3 * FEWEST, abs=1)
        assert overdrive_interval(0.1, 0.0, 0.0, False, most_db) == (0.0, most_db)
    few = {name: column[1:] for name, column in clips.items()}
    assert most_where_unlike(few) == 0.0


def test_intervals_of_square_bass_hold_the_truth(monkeypatch: pytest.MonkeyPatch) -> None:
    cases = [clip_sets.make("hostile", "square bass", seed, 10.0) for seed in (9946, 9953)]
    held = np.concatenate([score_case(case, 0.0005).interval_holds for case in cases])
    assert np.mean(held) >= 0.95
    monkeypatch.setattr(clip_ledger, "most_where_unlike", lambda clips: 0.0)
    believed = np.concatenate([score_case(case, 0.0005).interval_holds for case in cases])
    assert np.mean(believed) < 0.9  # 0.87; what is filled in knows some of it


def test_intervals_of_other_bass_stay_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    found: list[float] = []
    real = most_where_unlike
    monkeypatch.setattr(clip_ledger, "most_where_unlike", lambda clips: found.append(real(clips)) or found[-1])
    for name in ("saw bass, following", "fm bass, following", "notes, regulated"):
        score_case(clip_sets.make("bass", name, 9953, 10.0), 0.0005)
    assert found == [0.0, 0.0, 0.0]
