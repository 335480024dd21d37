"""Headroom of unclipped passages: levels whose distance to a known ceiling is plain arithmetic."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from ampwitness.bench import clip_signals
from ampwitness.detect.clips.ceiling.headroom import (
    COLUMNS,
    MOST_PASSAGES,
    NO_CEILING,
    KeptRooms,
    Room,
    summarise_headroom,
)
from ampwitness.types import Interval
from test_clipping_detector import HIGH_HZ, RAIL_V, detect

SECONDS = 26.0


def wanted_v(*parts: tuple[float, float]) -> np.ndarray:
    """A 40 Hz tone: crest volts and seconds, one after another."""
    crest_v = np.concatenate([np.full(round(seconds * HIGH_HZ), level_v) for level_v, seconds in parts])
    return np.asarray(crest_v * np.sin(2 * math.pi * 40 * np.arange(len(crest_v)) / HIGH_HZ))


def rows_of(summary: Any) -> list[dict[str, Any]]:
    assert tuple(summary["headroom"]["columns"]) == COLUMNS
    return [dict(zip(COLUMNS, row, strict=True)) for row in summary["headroom"]["passages"]]


def test_each_passage_has_its_distance_to_the_ceiling() -> None:
    wave = wanted_v((33, 2), (20, 8), (33, 1), (28, 3), (5, 12))
    output = clip_signals.log(np.random.default_rng(3), np.clip(wave, -RAIL_V, RAIL_V), residue_codes=0.0)
    passages = rows_of(detect({"output": output}).summary)
    at_20, at_28 = (next(row for row in passages if row["start_s"] < t < row["stop_s"]) for t in (5.0, 12.5))
    for row, level_v in ((at_20, 20.0), (at_28, 28.0)):
        wanted_db = 20 * math.log10(RAIL_V / level_v)
        assert row["headroom_db"] == pytest.approx(wanted_db, abs=0.06)
        assert abs(row["headroom_db"] - wanted_db) < 3 * row["uncertainty_db"]
        assert abs(row["crest_v"]) == pytest.approx(level_v, abs=0.1)
        assert abs(row["ceiling_v"]) == pytest.approx(RAIL_V, abs=0.1)
    assert at_20["start_s"] == pytest.approx(2.0, abs=0.02)  # half a cycle after the last clip, at most
    # A tone below half of what lies near it is not looked at: no figure rather than a wrong one.
    quiet = [row for row in passages if row["start_s"] >= 16.0]
    assert quiet
    assert all(row["headroom_db"] is None or row["headroom_db"] > 15 for row in quiet)
    assert all(row["stop_s"] - row["start_s"] <= 10.0 + 1e-6 for row in passages)


def test_the_ceiling_follows_the_supply_into_the_passage() -> None:
    """Ceiling 2.2 x supply; it clips while the supply moves between 12 and 14 V, and is judged at 13 V."""
    n = round(SECONDS * HIGH_HZ)
    time_s = np.arange(n) / HIGH_HZ
    supply = np.where(time_s < 16, 13 + np.sin(2 * math.pi * 0.4 * time_s), 13.0)
    wave = wanted_v((36, 16), (22, SECONDS - 16))
    rng = np.random.default_rng(4)
    output = clip_signals.log(rng, np.clip(wave, -2.2 * supply, 2.2 * supply), residue_codes=0.0)
    logged = np.asarray(supply[:: clip_signals.OVERSAMPLING][: len(output)])
    row = rows_of(detect({"output": output, "supply": logged}).summary)[-1]
    assert row["headroom_db"] == pytest.approx(20 * math.log10(2.2 * 13 / 22), abs=0.1)
    assert row["uncertainty_db"] < 0.15
    assert row["supply_v"] == pytest.approx(13.0, abs=0.05)


def test_a_supply_that_was_never_seen_to_move_makes_the_figure_uncertain() -> None:
    """It clips at 13 V alone; at 11 V nobody knows whether the ceiling is still 28.6 V or in proportion 24.2 V."""
    n = round(12 * HIGH_HZ)
    supply = np.where(np.arange(n) / HIGH_HZ < 4, 13.0, 11.0)
    wave = np.clip(wanted_v((34, 4), (20, 8)), -28.6, 28.6)
    output = clip_signals.log(np.random.default_rng(5), wave, residue_codes=0.0)
    logged = np.asarray(supply[:: clip_signals.OVERSAMPLING][: len(output)])
    row = rows_of(detect({"output": output, "supply": logged}).summary)[-1]
    regulated_db, following_db = 20 * math.log10(28.6 / 20), 20 * math.log10(24.2 / 20)
    assert row["headroom_db"] - 2 * row["uncertainty_db"] < following_db < regulated_db < row["headroom_db"] + 0.1


def test_the_same_passages_whatever_the_windows() -> None:
    wave = np.clip(wanted_v((33, 3), (20, 9), (33, 1), (28, 8)), -RAIL_V, RAIL_V)
    output = clip_signals.log(np.random.default_rng(6), wave)
    one, other = (detect({"output": output}, window_s=window_s).summary["headroom"] for window_s in (1.0, 10.0))
    assert one == other


def test_without_a_clip_there_is_no_ceiling_and_no_figure() -> None:
    headroom = detect({"output": clip_signals.log(np.random.default_rng(7), wanted_v((20, 4)))}).summary["headroom"]
    assert headroom["not_judged"] == NO_CEILING
    assert headroom["passages"] == []
    assert "not recorded" in detect({"supply": np.full(8000, 13.0)}).summary["headroom"]["not_judged"]


def room_of(time_s: np.ndarray, room_db: np.ndarray) -> Room:
    same = np.ones(len(time_s))
    return Room(time_s, room_db, 0.1 * same, 20 * same, 30 * same, 13 * same)


def test_passages_end_at_clips_gaps_and_saturation_and_a_day_stays_small() -> None:
    seen = [Interval(0.0, 30.0), Interval(40.0, 50.0)]
    clipped_s = np.array([[4.0, 4.01], [4.5, 4.51], [25.0, 25.01]])
    at_s = np.arange(0, 50, 0.25)
    found = summarise_headroom([room_of(at_s, 3 + at_s / 100)], seen, clipped_s, [Interval(12.0, 13.0)])
    spans = [tuple(row[:2]) for row in found["passages"]]
    assert spans == [(0.0, 4.0), (4.51, 10.0), (10.0, 12.0), (13.0, 20.0), (20.0, 25.0), (25.01, 30.0), (40.0, 50.0)]
    assert found["total_s"] == pytest.approx(40 - 0.5 - 0.02 - 1, abs=0.02)
    day_s = 86_400.0
    starts_s = np.arange(2.0, day_s, 3.0)
    at_s = np.arange(0, day_s, 0.25)
    room_db = np.where(np.abs(at_s - 50_000.5) < 0.01, 0.5, 5.0)
    day = summarise_headroom([room_of(at_s, room_db)], [Interval(0.0, day_s)],
                             np.stack((starts_s, starts_s + 0.01), axis=1), [])  # fmt: skip
    assert len(day["passages"]) == MOST_PASSAGES < day["n_passages"]
    assert min(row[2] for row in day["passages"]) == 0.5
    whole = summarise_headroom([room_of(at_s, room_db)], [Interval(0.0, day_s)], np.array([[1.0, 1.01]]), [])
    assert len(whole["passages"]) == whole["n_passages"] <= MOST_PASSAGES


def test_rooms_that_are_put_away_say_the_same() -> None:
    rng = np.random.default_rng(3)
    rooms = [room_of(np.sort(rng.uniform(a, a + 60, 2000)), rng.uniform(-0.1, 9, 2000)) for a in range(0, 600, 60)]
    kept = KeptRooms()
    for room in rooms:
        kept.append(room)
    asked = [Interval(0.0, 600.0)], np.array([[4.0, 4.01], [77.0, 78.0]]), [Interval(300.0, 301.0)]
    found = summarise_headroom(kept, *asked)
    assert found == summarise_headroom(rooms, *asked)
    for start_s, stop_s, least_db, *_ in found["passages"]:
        inside = [room.room_db[(room.time_s >= start_s) & (room.time_s < stop_s)].min(initial=99.0) for room in rooms]
        assert least_db == pytest.approx(max(0.0, min(inside)), abs=1e-4)
