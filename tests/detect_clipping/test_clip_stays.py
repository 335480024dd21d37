"""Stays: where music stands still, and whether it does so at one level more often than by chance."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import Tally, score_case
from ampwitness.detect.clips.ceiling.few_plateaus import rail_through_few
from ampwitness.detect.clips.ceiling.rail_model import summarise_rail
from ampwitness.detect.clips.second import clip_stays, clip_tight
from ampwitness.detect.clips.second.clip_stays import Stays, find_level, find_stays, repeat
from ampwitness.types import FloatArray
from scipy.stats import poisson

RATE_HZ = 8000.0


def stays_at(level_v: list[float], n_samples: list[int]) -> Stays:
    return Stays(100.0 * np.arange(len(level_v)), np.array(level_v), np.array(n_samples, dtype=np.intp))


def odds_of(level_v: list[float], n_samples: list[int], view: FloatArray | None = None) -> tuple[float, list[int]]:
    stays = stays_at(level_v, n_samples)
    views = [np.ones(len(stays))] + ([] if view is None else [view])
    odds, members = find_level(stays, views, RATE_HZ)
    return odds, np.flatnonzero(members).tolist()


def test_the_longest_of_stays_that_overlap_is_kept() -> None:
    volts = np.full(60, 2.0, dtype=np.float32)
    volts[::2] = 1.0  # alternates: smoothed it stands still, so it is kept low
    volts[20:26] = 10.0
    volts[40:48] = [9.0, 9.2, 9.1, 9.15, 9.1, 9.15, 9.1, 4.0]
    high = np.flatnonzero(volts > 5)
    stays = find_stays(volts, high, RATE_HZ)
    assert stays.middle.tolist() == [22.5, 43.0]
    assert stays.n_samples.tolist() == [4, 5]  # smoothed over three samples a plateau loses one at each end
    assert stays.level_v == pytest.approx([10.0, 9.13], abs=0.02)


def test_no_stay_where_nothing_stands_still() -> None:
    volts = (10 + np.arange(40.0)).astype(np.float32)
    assert len(find_stays(volts, np.arange(1, 39), RATE_HZ)) == 0
    assert len(find_stays(volts, np.zeros(0, dtype=np.intp), RATE_HZ)) == 0


def test_odds_are_those_of_poissons_law() -> None:
    """By scipy's own distribution: what is seen under the rate that it suggests, over what it is under chance's."""
    level_v, n_samples = [20.0, 20.05, 20.1, 15.0, 14.0, 13.0], [4, 4, 5, 3, 4, 2]
    odds, members = odds_of(level_v, n_samples)
    assert members == [0, 1, 2]
    share = 2 * clip_stays.NEAR_SHARE / (clip_stays.BELOW_SHARES[1] - clip_stays.BELOW_SHARES[0])
    told = 0.0
    for n_at, n_below, once_more in ((2, 1, 0.25), (1, 0, 0.12)):  # of four samples, and of five
        told += poisson.logpmf(n_at, n_at) - poisson.logpmf(n_at, (n_below + once_more) * share)
    assert odds == pytest.approx(told, rel=1e-9)


def test_stays_above_a_level_or_many_by_chance_speak_against_it() -> None:
    at_it, below = [20.0, 20.05, 20.1], [12.5 + 0.1 * k for k in range(60)]
    assert odds_of(at_it, [4, 4, 4])[0] > 10
    assert odds_of([*at_it, 21.0], [4] * 4)[1] != [0, 1, 2]
    assert odds_of([*at_it, *below], [4] * 63)[0] == 0.0


def test_a_level_that_goes_with_the_supply_is_seen_by_the_supply() -> None:
    supply_v = np.array([12.0, 12.6, 13.2, 13.8, 12.3])
    level_v = (1.5 * supply_v).tolist()
    assert len(odds_of(level_v, [4] * 5)[1]) < 3
    odds, members = odds_of(level_v, [4] * 5, supply_v)
    assert members == [0, 1, 2, 3, 4]
    assert odds > 10


def test_few_plateaus_that_go_with_the_supply_are_no_proof_of_it() -> None:
    supply_v = np.array([12.0, 12.6, 13.2, 13.8])[:, None] * np.ones(4)
    output_v = np.ones((4, 4))
    rail = rail_through_few(1.5 * supply_v[:, 0], supply_v, output_v)
    assert rail is not None
    assert rail.predict(supply_v, output_v) == pytest.approx(1.5 * supply_v[:, 0])
    assert not rail.follows
    said = summarise_rail(rail, 19.0)
    assert (said["kind"], said["ratio"], said["ratio_uncertainty"], said["constant_v"]) == ("unknown", None, None, 19.0)
    even = rail_through_few(np.full(4, 19.0), supply_v, output_v)
    assert even is not None
    assert (even.constant_v, even.per_supply_v) == (19.0, 0.0)
    unknown = rail_through_few(np.full(4, 19.0), np.full((4, 4), np.nan), output_v)
    assert unknown is not None
    assert unknown.per_supply_v == 0.0


def noise_music(case: str, seed: int) -> Tally:
    return score_case(clip_sets.make("full-8k", f"noise music, {case}", seed, 10.0), 0.0005)


def test_a_few_flats_in_noise_like_music_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    tally = noise_music("following", 9914)
    assert tally.n_true.total() >= 15
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total()
    assert tally.n_false == 0
    assert np.mean(tally.interval_holds) >= 0.85  # 0.75 without what noise-like music hides on a crest
    monkeypatch.setattr(clip_tight, "LEAST_ODDS", np.inf)
    monkeypatch.setattr(clip_tight, "LEAST_TOGETHER", np.inf)
    assert noise_music("following", 9914).n_hit.total() == 0


def test_one_polaritys_level_lends_the_other_ones_weight(monkeypatch: pytest.MonkeyPatch) -> None:
    alone = noise_music("following", 9906)
    assert (alone.n_hit.total(), alone.n_true.total()) == (5, 5)
    monkeypatch.setattr(clip_tight, "LEAST_TOGETHER", np.inf)
    assert noise_music("following", 9906).n_hit.total() < 5


def test_a_wave_that_repeats_stands_still_at_one_distance_and_music_does_not() -> None:
    even = 146.0 * np.arange(12)
    random = np.sort(np.random.default_rng(2).uniform(0, 2000, 12))
    level_v, n = np.full(12, 20.0), np.full(12, 4, dtype=np.intp)
    assert repeat(Stays(even, level_v, n))
    assert repeat(Stays(np.delete(even, 5), level_v, n[:-1]))  # one that was not seen
    assert not repeat(Stays(random, level_v, n))
    assert not repeat(Stays(even[:4], level_v[:4], n[:4]))  # too few to tell
