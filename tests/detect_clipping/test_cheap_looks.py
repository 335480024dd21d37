"""What saves time changes nothing: short windows before long ones, and no fit where no ceiling could vouch for it."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.bench.clip_speed import RATE_HZ, make_music
from ampwitness.detect.clips.clip_look import look_at, look_at_all, screen
from ampwitness.detect.clips.measure import clip_coarse, clip_measure, plateau_windows
from ampwitness.detect.clips.measure.clip_measure import LOW_NARROW_GAIN
from ampwitness.detect.clips.measure.plateau_windows import cut_windows
from ampwitness.detect.clips.table import clip_screen
from ampwitness.detect.clips.table.clip_candidates import Look, join, join_crests
from ampwitness.detect.clips.table.clip_screen import (
    BELOW_TOP_SHARE,
    LOW_ANSWER,
    NEAR_TOP_S,
    Suspects,
    find_crests,
    find_suspects,
    run_lengths,
    top_near,
)
from ampwitness.detect.clips.table.clip_stream import (
    OUTPUT_LAGS_S,
    SUPPLY_LAGS_S,
    TIME_CONSTANTS,
    LaggedMeans,
    SegmentStream,
    Stretch,
)
from scipy.interpolate import PchipInterpolator


@pytest.fixture(scope="module")
def looked() -> tuple[Stretch, Look]:
    output, supply, _ = make_music(7103, 0.05)
    stream = SegmentStream(RATE_HZ, 0.0, has_supply=True)
    list(stream.push(output[: round(20 * RATE_HZ)], supply[: round(20 * RATE_HZ)]))
    (stretch,) = stream.finish()
    return stretch, look_at(stretch, 0.02, None)


def test_crests_measured_in_short_windows_are_as_in_long_ones(
    looked: tuple[Stretch, Look], monkeypatch: pytest.MonkeyPatch
) -> None:
    stretch, look = looked
    crests = look.sides[0].crests
    measure = (stretch.output_v, RATE_HZ, crests.sample, crests.sign, crests.level_v)
    short = clip_coarse.measure_coarsely(*measure)
    monkeypatch.setattr(clip_coarse, "NEAR_S", clip_coarse.REACH_S)
    long = clip_coarse.measure_coarsely(*measure)
    assert short.is_flat.sum() > 20
    for name in clip_coarse.CoarsePlateaus.__slots__:
        np.testing.assert_allclose(getattr(short, name)[short.is_flat], getattr(long, name)[long.is_flat], 1e-5, 1e-5)


def test_stretches_fitted_together_show_what_each_shows_alone(looked: tuple[Stretch, Look]) -> None:
    stretch, look = looked
    quiet = replace(stretch, output_v=np.zeros_like(stretch.output_v))
    louder = replace(stretch, output_v=1.5 * stretch.output_v[::-1])
    alone = [look, look_at(quiet, 0.02, None), look_at(louder, 0.03, None)]
    together = look_at_all([screen(stretch, 0.02, None), screen(quiet, 0.02, None), screen(louder, 0.03, None)])
    for one, other in zip(alone, together, strict=True):
        assert len(one.sides) == len(other.sides)
        for name in ("start_s", "level_v", "crest_v", "misfit", "gain"):
            np.testing.assert_allclose(join(one.candidates)[name], join(other.candidates)[name], 1e-6, 1e-6)
    assert len(join(alone[0].candidates)) > 50
    assert len(join(alone[2].candidates)) > 50


def test_low_crests_that_stand_broad_are_those_that_long_windows_show(
    looked: tuple[Stretch, Look], monkeypatch: pytest.MonkeyPatch
) -> None:
    volts = np.concatenate((looked[0].output_v, np.repeat(10.0 * np.sin(np.arange(4000) / 7.0), 6))).astype(np.float32)
    asked: list[tuple[np.ndarray, np.ndarray]] = []
    original = clip_screen._stands_broad

    def note(top: np.ndarray, at: np.ndarray, rate_hz: float) -> np.ndarray:
        broad = original(top, at, rate_hz)
        asked.append((np.asarray(at), broad))
        return broad

    monkeypatch.setattr(clip_screen, "_stands_broad", note)
    tops = clip_screen._tops_of_blocks(volts[: len(volts) // 4 * 4].reshape(-1, 4))
    clip_screen.find_crests(volts, RATE_HZ, 0.1, None)
    reach = round(clip_screen.BROAD_REACH_S * RATE_HZ / clip_screen.BLOCK)
    assert sum(len(at) for at, _ in asked) > 100
    for top, (at, broad) in zip(tops, asked, strict=True):
        for k, is_broad in zip(at.tolist(), broad.tolist(), strict=True):
            line = top[np.clip(np.arange(k - reach, k + reach + 1), 0, len(top) - 1)]
            lengths = []
            for share in (clip_screen.HEAD_SHARE, clip_screen.WAIST_SHARE, clip_screen.BRINK_SHARE):
                below = np.flatnonzero(line < np.float32(share * top[k])) - reach
                first, last = np.append(below[below > 0], reach).min(), np.append(below[below < 0], -reach).max()
                lengths.append(first - last - 1.0)
            head, waist, brink = lengths
            assert is_broad == (head >= clip_screen.BROAD * waist or brink >= clip_screen.LEVEL * head)
    assert any(broad.any() for _, broad in asked)
    assert not all(broad.all() for _, broad in asked)


def test_far_below_the_top_only_what_the_narrow_window_shows_is_fitted(looked: tuple[Stretch, Look]) -> None:
    stretch, look = looked
    table = join(look.candidates)
    table = table.take(table["is_coarse"] == 0)
    for sign in (1.0, -1.0):
        mine = table.take(table["sign"] == sign)
        at = np.round(mine["start_s"] * RATE_HZ).astype(np.intp)
        reach = round(NEAR_TOP_S * RATE_HZ)
        near = [np.max(sign * stretch.output_v[max(0, k - reach) : k + reach]) for k in at]
        is_low = mine["peak_v"] < BELOW_TOP_SHARE * np.array(near)
        assert (~is_low).sum() > 20
        assert np.all(mine["narrow_gain"][is_low] >= LOW_NARROW_GAIN)


def test_below_a_ceiling_that_plain_plateaus_show_nearby_faint_ones_are_not_fitted(
    looked: tuple[Stretch, Look], monkeypatch: pytest.MonkeyPatch
) -> None:
    stretch, look = looked
    monkeypatch.setattr(clip_measure, "NEAR_PLAIN_SHARE", 0.0)
    every = join(look_at(stretch, 0.02, None).candidates)
    kept = join(look.candidates)
    left_out = ~np.isin(every["start_s"], kept["start_s"]) & (every["is_coarse"] == 0)
    assert left_out.any()
    for sign in (1.0, -1.0):
        mine = every["sign"] == sign
        plain = every.take(mine & (every["narrow_gain"] >= clip_measure.PLAIN_GAIN))
        out = every.take(mine & left_out)
        assert np.all(out["narrow_gain"] < LOW_NARROW_GAIN)
        assert np.all(out["peak_v"] < 0.95 * np.median(plain["level_v"]))


@pytest.mark.parametrize(("apart", "is_known"), [(1.05, True), (1.2, False)])
def test_plain_plateaus_at_many_levels_show_no_ceiling(
    looked: tuple[Stretch, Look], apart: float, is_known: bool
) -> None:
    stretch, look = looked
    crests = look.sides[0].crests.take(np.arange(6))
    level = np.array([20.0, 20.0 * apart, 20.0, 20.0, 10.0, 10.0])
    suspects = Suspects(crests.sign, crests.sample.astype(float), np.full(6, 8.0), level, np.ones(6), crests.sample)
    windows = cut_windows(stretch.output_v, RATE_HZ, suspects, 0.02)
    lowest = clip_measure._lowest_near(stretch, windows, level > 15)
    assert np.all(lowest == (20.0 if is_known else 0.0))


def test_lagged_means_are_the_sums_that_they_stand_for(looked: tuple[Stretch, Look]) -> None:
    stretch, _ = looked
    assert stretch.supply_v is not None
    block = round(RATE_HZ / 1000)
    last = len(stretch.output_v) // block - 1
    ends = np.array([0, 1, 15, 16, 17, 500, 10_000, last])
    means = LaggedMeans(stretch).at((ends + 0.5) * block)
    for found, volts, lags_s in zip(
        means, (stretch.supply_v, np.abs(stretch.output_v)), (SUPPLY_LAGS_S, OUTPUT_LAGS_S), strict=True
    ):
        blocks = volts[: (last + 1) * block].reshape(-1, block).mean(axis=1, dtype=float)
        back = np.arange(round(TIME_CONSTANTS * 1000 * max(lags_s)))
        for lag, lag_s in enumerate(lags_s):
            weights = np.exp(-back / 1000 / lag_s)
            wanted = blocks[np.maximum(ends[:, None] - back, 0)] @ weights / weights.sum()
            np.testing.assert_allclose(found[:, lag], wanted, rtol=2e-6)


def test_far_below_the_top_weak_answers_are_not_looked_at(looked: tuple[Stretch, Look]) -> None:
    stretch, look = looked
    crests = join_crests([side.crests for side in look.sides])
    suspects, looks_full = find_suspects(stretch.output_v, RATE_HZ, crests, 0.02)
    top_v = top_near(stretch.output_v, RATE_HZ, suspects.sign, suspects.crest)
    low = suspects.level_v < BELOW_TOP_SHARE * top_v
    assert low.any()
    assert (suspects.answer[~low] < LOW_ANSWER).any()
    assert (suspects.answer[low] >= LOW_ANSWER).all()
    top_v = top_near(stretch.output_v, RATE_HZ, crests.sign, crests.sample)
    assert not looks_full[crests.level_v < BELOW_TOP_SHARE * top_v].any()


@pytest.mark.parametrize("reach", [3, 8])
def test_many_short_windows_have_the_same_run_lengths_as_a_few(reach: int) -> None:
    rng = np.random.default_rng(reach)
    window = np.cumsum(rng.normal(size=(3000, 2 * reach + 1)), axis=1).astype(np.float32)
    window -= window[:, reach].copy()[:, None]
    floor_v = -rng.uniform(-0.1, 4.0, 3000).astype(np.float32)
    together = run_lengths(window, reach, floor_v)
    few = [run_lengths(window[k : k + 100], reach, floor_v[k : k + 100]) for k in range(0, 3000, 100)]
    np.testing.assert_array_equal(np.stack(together), np.concatenate(few, axis=1))
    assert len(np.unique(together[0])) == reach + 1


def test_a_plateau_behind_a_shoulder_is_found_and_not_the_two_as_one() -> None:
    """The shoulder is a crest of its own; a template laid there reached over the plateau above it."""
    rate, noise_v = 8000.0, 0.03
    rng = np.random.default_rng(3)
    at = [0, 20, 40, 58, 69, 77, 84, 89, 94, 99, 104, 122, 128, 134, 142, 150, 170, 200, 216]
    volts = [-9, 2, 11.9, 12.12, 12.1, 12.03, 12.4, 13.55, 15.4, 18.0, 20.3, 20.9, 16.4, 9.8, -2, -12, -17, -14, -9]
    wave = np.minimum(PchipInterpolator(at, volts)(np.arange(216)), 19.8)
    one = np.tile(wave, 6) + noise_v * rng.standard_normal(6 * 216)
    flat = np.flatnonzero(wave > 19.79)
    output = one.astype(np.float32)
    crests = find_crests(output, rate, 0.5, None)
    suspects, _ = find_suspects(output, rate, crests, noise_v)
    for first in range(216, 5 * 216, 216):
        over = (suspects.sign > 0) & (np.abs(suspects.centre - (first + flat.mean())) < 3)
        assert np.count_nonzero(over) == 1
        assert abs(2 * float(suspects.half[over][0]) / len(flat) - 1) < 0.3


def test_a_top_that_rises_behind_its_first_crest_is_one_plateau() -> None:
    """A rail behind a resistance, whose current comes late: of 105 clips 85 were left where no top might rise."""
    tally = score_case(clip_sets.make("unusual", "rail behind a resistance, current out of step", 9957, 10.0), 0.0005)
    assert tally.n_hit.total() >= 0.98 * tally.n_true.total() > 100


def test_crests_far_below_a_loud_passage_are_looked_at_where_cut_off_and_not_where_round() -> None:
    rate = 8000.0
    time_s = np.arange(round(4 * rate)) / rate
    wave = np.sin(2 * np.pi * 50 * time_s)
    for cut_off, n_looked in ((10 ** (-1 / 20), 98), (1.0, 0)):
        soft = 10.0 * np.clip(wave, -cut_off, cut_off) / cut_off
        output = np.where(time_s < 2, 3.0 * soft, soft) + 0.02 * np.random.default_rng(4).standard_normal(len(time_s))
        crests = find_crests(output.astype(np.float32), rate, 0.5, None)
        is_soft = (crests.sample > 2.01 * rate) & (crests.sign > 0)
        found = len(np.unique(np.round(crests.sample[is_soft] / rate * 50)))
        assert (found >= n_looked) if n_looked else (found == 0)


def test_crests_below_that_are_bent_but_lightly_are_not_looked_at() -> None:
    """Looked at from a third of a decibel on, bent crests of many heights hid that there is a ceiling (none of 41)."""
    tally = score_case(clip_sets.make("stages", "soft knee into a loudspeaker", 9962, 10.0), 0.0005)
    assert tally.n_hit.total() >= 30


def test_the_bases_of_the_longest_windows_are_made_in_little_memory() -> None:
    """They are made once, at the end of a loud hour as likely as not: what they take for a moment is a day's most."""
    tracemalloc.start()
    family = plateau_windows._family.__wrapped__(2 * plateau_windows.SIDE + 1)
    kept_bytes, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(family.length) > 1000
    assert peak_bytes < 3 * kept_bytes  # all in double precision at once: eight times
