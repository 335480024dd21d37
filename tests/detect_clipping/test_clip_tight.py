"""A ceiling that shows where dense music stands still: found in noise-like music, not in a limited master."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_material, clip_sets, clip_signals
from ampwitness.bench.clip_cases import ScoredCase, make_case, play_static
from ampwitness.bench.clip_matching import Tally, score_case
from ampwitness.bench.music import full_range
from ampwitness.detect.clips import clipping
from ampwitness.detect.clips.ceiling.rail_model import Rail
from ampwitness.detect.clips.judge import clip_round, clip_side
from ampwitness.detect.clips.judge.clip_doubles import _settle_stays
from ampwitness.detect.clips.second import clip_tight
from ampwitness.detect.clips.second.clip_stays import Stays
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates
from ampwitness.types import FloatArray


def noise_music() -> Tally:
    return score_case(clip_sets.make("full-25k", "noise music, regulated", 101, 4.0), 0.00025)


def test_flats_of_music_dense_as_noise_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    tally = noise_music()
    assert tally.n_true.total() >= 10
    assert tally.n_hit.total() >= 0.9 * tally.n_true.total()
    assert tally.n_false == 0
    monkeypatch.setattr(clipping, "find_tight", lambda sides: [None] * len(sides))
    assert noise_music().n_hit.total() == 0


def test_crests_that_a_fast_limiter_holds_are_round(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng([100, 5, 200])
    music = clip_signals.full_range(rng, 8.0, 48_000.0)
    music = clip_material.limited(music, 48_000.0, float(rng.uniform(3, 9)), 0.002)
    level_v = 50 * 10 ** (-rng.uniform(0, 12) / 20)
    supply_v = clip_signals.sagging_supply(rng, music, 48_000.0, float(rng.uniform(0.2, 2.5)))
    case = make_case("limited", rng, music * level_v, supply_v, (), common_v=float(rng.uniform(0, 7)))
    assert score_case(case, 0.0005).n_false == 0
    monkeypatch.setattr(clip_tight, "repeat", lambda stays: False)  # most of its crests come again at one distance
    assert score_case(case, 0.0005).n_false == 0
    monkeypatch.setattr(clip_tight, "_roundness", lambda volts, stays: (0.0, 1.0))
    assert score_case(case, 0.0005).n_false == 0
    monkeypatch.setattr(clip_tight, "BOTH_SD", np.inf)  # and as restless as the music's own
    assert score_case(case, 0.0005).n_false > 10


def driven_chords(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    """Chords of driven strings, whose waves stand still for moments by themselves."""
    out = np.zeros(int(seconds * rate_hz))
    t = np.arange(int(0.85 * rate_hz)) / rate_hz
    for first in range(0, len(out) - len(t), len(t)):
        root_hz = rng.choice([82.4, 98.0, 110.0, 123.5, 146.8])
        wave = np.zeros(len(t))
        for ratio, phase in ((1.0, 0.3), (1.498, 1.0), (2.003, 2.0)):
            for k in range(1, 11):
                wave += np.sin(2 * np.pi * k * root_hz * ratio * t + k * phase) / k
        out[first : first + len(t)] = np.tanh(1.8 * wave) * np.exp(-0.3 * t) * np.clip(t / 0.01, 0, 1)
    return out


def limited_music(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    music = 0.35 * driven_chords(rng, seconds, rate_hz) + 0.6 * clip_signals.kick_and_sub(rng, seconds, rate_hz)
    return clip_material.limited(music + 0.3 * clip_signals.full_range(rng, seconds, rate_hz), rate_hz, 10.0, 0.003)


def limited_band(seed: int, mode: str, seconds: float = 8.0) -> ScoredCase:
    """Driven chords, drums and a full-range mix behind a limiter, never clipped."""
    rng, rate_hz = np.random.default_rng([100, seed]), 48_000.0
    music = limited_music(rng, seconds, rate_hz)
    return make_case(
        "limited band", rng, 35 * music, clip_signals.sagging_supply(rng, music, rate_hz, 0.3), (), mode=mode
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_what_stays_at_a_limiters_level_is_as_restless_as_the_musics_own(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    case = limited_band(seed, "bass")
    assert score_case(case, 0.0005).n_false == 0
    monkeypatch.setattr(clip_tight, "BOTH_SD", np.inf)
    assert score_case(case, 0.0005).n_false > 100


@pytest.mark.parametrize("seed", [1, 3])
def test_a_few_plain_tops_of_limited_music_are_no_ceiling(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    case = limited_band(seed, "wide")
    assert score_case(case, 0.0005).n_false == 0
    monkeypatch.setattr(clip_round, "MOST_LED", np.inf)
    assert score_case(case, 0.0005).n_false > 100


def test_a_few_plain_tops_show_a_ceiling_where_the_other_polarity_has_it_too() -> None:
    table = Candidates({name: np.ones(1) for name in FIELDS}, np.full((1, 4), 12.0), np.ones((1, 4)))

    def rail(level_v: float) -> Rail:
        return Rail(level_v, 0.0, 0.0, 0.0, 0, 0.1, 20, 0.0, np.nan)

    assert clip_side._lie_alike(rail(35.0), rail(34.0), table)
    assert not clip_side._lie_alike(rail(35.0), rail(30.0), table)


def test_a_fit_whose_level_lies_below_nothing_is_no_clip() -> None:
    """It came up to the ceiling by its peak, and had no decibels."""
    rng, rate_hz = np.random.default_rng([100, 8]), 48_000.0
    music = limited_music(rng, 6.0, rate_hz)
    case = play_static("over", rng, music, rate_hz=rate_hz, mode="wide", drive_db=1.2, rail="following", sag_v=1.0)
    tally = score_case(case, 0.00025)
    assert tally.n_hit.total() >= 0.98 * tally.n_true.total() > 500


def test_a_ceiling_at_which_one_polarity_never_stands_still_is_no_limiters_level() -> None:
    # Half of its fits gain under 20, as at a limiter's level; a tenth of them gain 94, as nothing else does.
    tally = score_case(clip_sets.make("full-8k", "chords and drums, regulated", 9951, 10.0), 0.0005)
    assert tally.n_true.total() >= 30
    assert tally.n_hit.total() >= 0.95 * tally.n_true.total()


def test_a_plateau_at_the_ceiling_takes_over_and_others_give_way() -> None:
    """Two stays; over the first lies a plateau at its level, over the second one far below."""
    columns = {name: np.ones(4) for name in FIELDS}
    columns |= {
        "start_s": np.array([0.010, 0.020, 0.009, 0.019]),
        "stop_s": np.array([0.011, 0.021, 0.012, 0.022]),
        "level_v": np.array([30.0, 30.0, 30.1, 28.0]),
        "crest_v": np.full(4, 33.0),
        "n_top": np.full(4, 8.0),
        "stay_v": np.array([30.05, 30.05, 0.0, 0.0]),
    }
    left = _settle_stays(Candidates(columns, np.ones((4, 4)), np.ones((4, 4))))
    assert left["start_s"].tolist() == [0.020, 0.009]
    assert left["stay_v"].tolist() == [30.05, 30.05]


@pytest.mark.parametrize(("is_flat", "is_round"), [(True, False), (False, True)])
def test_plateaus_are_not_taken_for_round_ones_by_what_rings_on_them(is_flat: bool, is_round: bool) -> None:
    """Corners ring up and down from sample to sample, and many plateaus of a tone alike, here highest in the middle."""
    at = np.arange(-12, 13)
    flat = 30 - 1.5 * np.maximum(np.abs(at) - 3, 0) + 0.08 * (-1.0) ** at * (np.abs(at) <= 4)
    half_cycle = flat if is_flat else 30 - 0.1 * at**2
    volts = np.tile(half_cycle, 20).astype(np.float32)
    stays = Stays(12.0 + 25 * np.arange(20), np.full(20, 30.0), np.full(20, 3))
    share, sd = clip_tight._roundness(volts, stays)
    assert (share > clip_tight.MOST_ROUND) is is_round
    assert sd < 0.01  # all alike


def test_full_range_music_is_found_under_a_ceiling_that_follows_a_sagging_supply() -> None:
    """At 8 kS/s most flats last four samples; 205 of 494 were found where more was asked of them."""
    rng, rate_hz = np.random.default_rng([5, 3]), 48_000.0
    music = full_range(16.0, rate_hz, rng)
    music /= np.quantile(np.abs(music), 0.995)
    case = play_static("sagging", rng, music, rate_hz=rate_hz, rail="following", rail_v=36.0, drive_db=9.0, sag_v=2.5)
    tally = score_case(case, 0.0005)
    assert sum(tally.n_hit.values()) > 0.95 * sum(tally.n_true.values()) > 400
    assert tally.n_false == 0
