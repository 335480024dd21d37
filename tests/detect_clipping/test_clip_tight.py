"""A ceiling that shows where dense music stands still: found in noise-like music, not in a limited master."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_material, clip_sets, clip_signals
from ampwitness.bench.clip_cases import make_case
from ampwitness.bench.clip_matching import Tally, score_case
from ampwitness.detect.clips import clipping
from ampwitness.detect.clips.judge.clip_doubles import _settle_stays
from ampwitness.detect.clips.second import clip_tight
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates


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
    monkeypatch.setattr(clip_tight, "_is_round", lambda volts, middle, n_stay: False)
    assert score_case(case, 0.0005).n_false > 10


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
    assert clip_tight._is_round(volts, 12.0 + 25 * np.arange(20), 3) is is_round
