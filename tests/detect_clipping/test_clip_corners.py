"""Tops between two corners: ceilings that sink, bow and lean within a half-cycle, and waves that only look like it."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import Tally, score_case
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips import clipping
from ampwitness.detect.clips.ceiling.clip_pile import BETWEEN_CORNERS
from ampwitness.detect.clips.ceiling.rail_model import learn_rail
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.judge import clip_verdict
from ampwitness.detect.clips.judge.clip_side import SideVerdict
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests
from scipy import signal

RATE_HZ, TIMES, SECONDS = 8000.0, 16, 2.0
FloatArray = np.ndarray


def times_s() -> FloatArray:
    return np.arange(round(SECONDS * RATE_HZ * TIMES)) / RATE_HZ / TIMES


def found_in(volts: FloatArray, window_s: float = 10.0) -> list[tuple[float, str]]:
    """Starts and polarities of what is found in volts at the fine rate."""
    logged = signal.resample_poly(volts, 1, TIMES)
    logged += 0.03 * np.random.default_rng(8).standard_normal(len(logged))
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({"output": logged.astype(np.float32)}, RATE_HZ, window_s=window_s):
        detector.push(window)
    return [(found.start_s, str(found.measured["polarity"])) for found in detector.finish().findings]


def beating(t: FloatArray) -> FloatArray:
    return 45 * (
        np.sin(2 * np.pi * 60 * t) + 0.7 * np.sin(2 * np.pi * 63.6 * t) + 0.2 * np.sin(2 * np.pi * 180 * t + 1)
    )


def behind_resistance(t: FloatArray) -> FloatArray:
    """What a ceiling leaves of a beating note that sinks by what a coil draws, out of step: by up to 15 %."""
    wanted = beating(t)
    drawn = signal.lfilter([1 - np.exp(-1 / 128)], [1, -np.exp(-1 / 128)], wanted)  # a millisecond behind
    return np.clip(wanted, -39 - 0.07 * np.minimum(drawn, 0), 39 - 0.07 * np.maximum(drawn, 0))


def test_tops_that_bow_and_lean_are_found_between_their_corners() -> None:
    t = times_s()
    volts = behind_resistance(t)
    is_cut = np.abs(volts - beating(t)) > 1e-9
    edges = np.flatnonzero(np.diff(is_cut.astype(int), prepend=0, append=0))
    starts, stops = t[edges[::2]], t[edges[1::2] - 1]
    long = stops - starts > 0.001
    found = np.array([start for start, _ in found_in(volts)])
    hits = [np.any((found > a - 5e-4) & (found < b)) for a, b in zip(starts[long], stops[long], strict=True)]
    assert len(hits) > 100
    assert np.mean(hits) > 0.95  # 0.70 by fits alone
    assert len(found) <= len(starts)


@pytest.mark.parametrize("crossover_hz", [80.0, 250.0])
def test_pulses_behind_a_crossover_have_no_corners(crossover_hz: float) -> None:
    t = times_s()
    pulse = 30 * signal.square(2 * np.pi * 55 * t) * (0.8 + 0.2 * np.sin(2 * np.pi * 0.7 * t)) - 200 * (
        t % (1 / 55) - 1 / 110
    )
    sos = signal.butter(4, crossover_hz, fs=RATE_HZ * TIMES, output="sos")
    assert not found_in(signal.sosfilt(sos, pulse))


def test_how_windows_are_cut_changes_nothing() -> None:
    volts = behind_resistance(times_s())
    assert found_in(volts, 0.7) == found_in(volts)


def test_tops_between_corners_far_below_a_ceiling_that_is_known_well_are_none() -> None:
    t = times_s()
    wanted = beating(t)
    drawn = signal.lfilter([1 - np.exp(-1 / 128)], [1, -np.exp(-1 / 128)], wanted)
    level, leaning = np.clip(wanted, -39, 39), np.clip(0.6 * wanted, -22 - 0.1 * drawn, 22 - 0.1 * drawn)
    assert len(found_in(np.where(t < 0.3, level, leaning))) > 150  # nothing else is known well
    both = found_in(np.where(t < 1.3, level, leaning))
    assert sum(start < 1.3 for start, _ in both) > 80
    assert sum(start > 1.31 for start, _ in both) <= 2  # 60


def score(seed: int) -> Tally:
    return score_case(clip_sets.make("stages", "boosted supply with a current limit", seed, 10.0), 0.0005)


def test_half_cycles_under_a_supply_that_collapses_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    tally = score(106)
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total() > 100
    assert tally.n_false == 0
    assert {ceiling for _, ceiling in tally.ceilings} <= {"undecided", "rail"}
    monkeypatch.setattr(clipping, "find_corners", lambda side: None)
    assert score(106).n_hit.total() < 0.75 * tally.n_true.total()


def test_the_rail_is_told_from_half_cycles_that_stand_at_it_not_from_sunk_ones() -> None:
    detector = ClippingDetector()
    for window in clip_sets.make("stages", "boosted supply with a current limit", 106, 10.0).windows(10.0):
        detector.push(window)
    for rail in detector.finish().summary["rails"].values():
        assert abs(rail["level_v"]) > 0.95 * rail["constant_v"]


@pytest.mark.parametrize(
    ("level", "top_kind", "asked_again"),
    [(True, BETWEEN_CORNERS, True), (False, BETWEEN_CORNERS, False), (True, 0.0, False)],
)
def test_tops_that_move_are_asked_again_where_level_plateaus_were_taken(
    level: bool, top_kind: float, asked_again: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Level ones may be taken for the company they keep, after those that move were judged."""
    asked: list[bool] = []
    rail = learn_rail(np.full(3, 30.0), np.full((3, 4), 12.0), np.ones((3, 4)))
    none_taken = np.zeros(3, dtype=bool)
    judged = SideVerdict(
        none_taken, np.full(3, 30.0), np.zeros(3), none_taken, none_taken, none_taken, rail, none_taken
    )

    def judge_side(*_: object, are_level: bool = False, **__: object) -> SideVerdict:
        asked.append(are_level)
        return judged

    monkeypatch.setattr(clip_verdict, "judge_side", judge_side)
    monkeypatch.setattr(clip_verdict, "shows_level", lambda table, side: level and bool(table["sign"][0] > 0))
    tables = []
    for sign, name in ((1.0, "positive"), (-1.0, "negative")):
        columns = {field: np.zeros(3) for field in FIELDS}
        columns |= {"sign": np.full(3, sign), "top_kind": np.full(3, top_kind)}
        tables.append((sign, name, Candidates(columns, np.ones((3, 4)), np.ones((3, 4)))))
    none = HighCrests(*np.zeros((4, 0)), *np.zeros((2, 0, 4)))
    clip_verdict._judge_sides(tables, none)
    assert asked == [False, False] + [True, True] * asked_again
