"""A ceiling that sinks within a note, and square notes that fade, which must not be taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets, clip_signals
from ampwitness.bench.clip_matching import Tally, score_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clipping
from ampwitness.detect.clips.ceiling.clip_pile import SUNK
from ampwitness.detect.clips.judge import clip_verdict
from ampwitness.detect.clips.second import clip_sunk
from ampwitness.detect.clips.second.clip_sunk import find_sunk
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests, OneSide
from scipy import signal

RATE_HZ = 8000.0
HIGH_HZ = RATE_HZ * clip_signals.OVERSAMPLING


def score(seed: int) -> Tally:
    return score_case(clip_sets.make("stages", "boosted supply with a current limit", seed, 10.0), 0.0005)


def count_sunk(output_v: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> int:
    found: list[Candidates] = []

    def watch(side: OneSide) -> Candidates | None:
        rows = find_sunk(side)
        if rows is not None:
            found.append(rows)
        return rows

    monkeypatch.setattr(clipping, "find_sunk", watch)
    detector = clipping.ClippingDetector()
    roles = {"output": output_v.astype(np.float32), "supply": np.full(len(output_v), 12.6, dtype=np.float32)}
    for window in iter_windows_from_arrays(roles, RATE_HZ, window_s=10.0):
        detector.push(window)
    detector.finish()
    return sum(len(rows) for rows in found)


def test_half_cycles_under_a_supply_that_collapses_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    tally = score(106)
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total() > 100
    assert tally.n_false == 0
    assert {ceiling for _, ceiling in tally.ceilings} <= {"undecided", "rail"}
    for look in ("find_sunk", "find_corners"):
        monkeypatch.setattr(clipping, look, lambda side: None)
    assert score(106).n_hit.total() < 0.75 * tally.n_true.total()


def sinking(level: np.ndarray, drive: float, hz: float, t: np.ndarray) -> np.ndarray:
    wanted = drive * np.sin(2 * np.pi * hz * t)
    return np.clip(wanted, -level, level)


def test_a_sinking_ceiling_is_told_from_a_square_note_that_fades(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(round(3 * HIGH_HZ)) / HIGH_HZ
    ceiling = 30 * (0.4 + 0.6 * np.exp(-t / 0.15))
    sunk = sinking(ceiling, 50.0, 50.0, t)
    assert count_sunk(clip_signals.log(rng, sunk), monkeypatch) > 100
    for fade_s in (0.3, 1.0, 4.0):
        fading = sinking(np.full(len(t), 20.0), 50.0, 50.0, t) * np.exp(-t / fade_s)
        assert count_sunk(clip_signals.log(rng, fading), monkeypatch) == 0
    square = signal.square(2 * np.pi * 60 * t) * 30 * np.exp(-t)
    soft = signal.sosfilt(signal.butter(2, 400, "low", fs=HIGH_HZ, output="sos"), square)
    assert count_sunk(clip_signals.log(rng, soft), monkeypatch) == 0


def test_in_full_range_music_none_is_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chords change their shape as they fade, as a sinking ceiling would make them; 24 such came from a clean one."""
    rng = np.random.default_rng(3)
    t = np.arange(round(3 * HIGH_HZ)) / HIGH_HZ
    sunk = sinking(30 * (0.4 + 0.6 * np.exp(-t / 0.15)), 50.0, 50.0, t)
    lively = clip_signals.log(rng, np.where(t < 1.5, sunk, 20 * np.sin(2 * np.pi * 600 * t)))
    assert count_sunk(lively, monkeypatch) == 0
    monkeypatch.setattr(clip_sunk, "LIVELIEST", 1.0)
    assert count_sunk(lively, monkeypatch) > 50


def test_a_steady_rail_sinks_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    drive = clip_signals.bass_line(rng, 10.0, HIGH_HZ)
    clipped = np.clip(drive / np.max(np.abs(drive)) * 60, -30, 30)
    assert count_sunk(clip_signals.log(rng, clipped), monkeypatch) == 0


def test_the_rail_is_told_from_half_cycles_that_stand_at_it_not_from_sunk_ones() -> None:
    detector = clipping.ClippingDetector()
    for window in clip_sets.make("stages", "boosted supply with a current limit", 106, 10.0).windows(10.0):
        detector.push(window)
    for rail in detector.finish().summary["rails"].values():
        assert abs(rail["level_v"]) > 0.95 * rail["constant_v"]


@pytest.mark.parametrize(
    ("level", "sunk", "asked_again"), [(True, SUNK, True), (False, SUNK, False), (True, 0.0, False)]
)
def test_tops_that_sink_are_asked_again_where_level_plateaus_were_taken(
    level: bool, sunk: float, asked_again: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Level ones may be taken for the company they keep, after those that sink were judged."""
    asked: list[bool] = []
    monkeypatch.setattr(clip_verdict, "judge_side", lambda *_, are_level=False: asked.append(are_level))
    monkeypatch.setattr(clip_verdict, "shows_level", lambda table, side: level and bool(table["sign"][0] > 0))
    tables = []
    for sign, name in ((1.0, "positive"), (-1.0, "negative")):
        columns = {field: np.zeros(3) for field in FIELDS} | {"sign": np.full(3, sign), "sunk": np.full(3, sunk)}
        tables.append((sign, name, Candidates(columns, np.ones((3, 4)), np.ones((3, 4)))))
    none = HighCrests(*np.zeros((4, 0)), *np.zeros((2, 0, 4)))
    clip_verdict._judge_sides(tables, none)
    assert asked == [False, False] + [True, True] * asked_again
