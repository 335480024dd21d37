"""A ceiling above flat tops of a source's: no half-cycle that the amplifier cut off is put down to the source."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.amplifier_flats import flats_under_ceiling
from ampwitness.bench.clip_cases import BASS_RATE_HZ, lagged, make_case
from ampwitness.bench.clip_matching import score_case
from ampwitness.bench.clip_signals import sagging_supply
from ampwitness.detect.clips.ceiling.clip_shared_top import lies_at_shared_top
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests

TOP_V, OWN_V = 30.0, (14.0, 22.0, 18.0, 25.0)
RNG = np.random.default_rng(3)


def count_at_top(level_v: np.ndarray, supply_v: np.ndarray | float = np.nan, crest_v: float = 0.0) -> int:
    """How many of some flat tops half a second apart lie at a highest level that they come back to."""
    n, lags = len(level_v), np.ones((len(level_v), 4))
    columns = {name: np.zeros(n) for name in FIELDS}
    columns |= {"level_v": level_v, "start_s": 0.5 * np.arange(n), "sign": np.ones(n)}
    table = Candidates(columns, lags * np.broadcast_to(supply_v, n)[:, None], lags)
    some = np.ones(4)
    crests = HighCrests(some, some, crest_v * some, crest_v * some, 12.5 * np.ones((4, 4)), np.ones((4, 4)))
    return int(np.count_nonzero(lies_at_shared_top(table, np.ones(n, dtype=bool), crests)))


def visit(n_each: tuple[int, ...], n_own: int = 4) -> np.ndarray:
    """Flat tops at the highest level, so many at each visit, and others of their own levels after each."""
    parts = [np.append(np.full(n, TOP_V), np.full(n_own, v)) for n, v in zip(n_each, OWN_V, strict=False)]
    level = np.concatenate(parts)
    return level * (1 + 5e-4 * RNG.standard_normal(len(level)))


def test_a_highest_level_that_flat_tops_come_back_to_is_a_ceiling_of_its_own() -> None:
    assert count_at_top(visit((6, 5))) == 11
    assert count_at_top(visit((12,))) == 0  # a level of the source's, left for good
    assert count_at_top(visit((2, 2))) == 0  # too few
    assert count_at_top(visit((6, 5), n_own=1)) == 0  # one flat top in between is chance
    assert count_at_top(visit((12, 1))) == 0  # as is one that comes back
    assert count_at_top(np.append(visit((6, 5)), [31.0, 33.0])) == 0  # the output stood above it
    assert count_at_top(visit((6, 5)), crest_v=31.0) == 0  # and so where round crests did


def test_a_ceiling_stands_still_while_a_volume_moves_all_else() -> None:
    moves = np.linspace(15.0, 28.0, 20)
    assert count_at_top(np.append(moves, visit((12,), n_own=0))) == 12
    assert count_at_top(np.append(moves, visit((12,)))) == 0  # it stood still elsewhere, too


def test_the_first_of_each_note_may_stand_higher_while_a_store_is_full() -> None:
    level = visit((6, 5))
    level[0] = 1.02 * TOP_V
    assert count_at_top(level) == 10
    level[0] = 1.05 * TOP_V
    assert count_at_top(level) == 0


def test_a_ceiling_that_follows_its_supply_is_told_by_its_share_of_it() -> None:
    supply = np.where(np.arange(19) % 2, 12.5, 11.5)
    level = visit((6, 5))
    is_top = level > 29.0
    follows = np.where(is_top, level * supply / 12.5, level)
    assert count_at_top(follows, supply) == 11
    assert count_at_top(follows) < 11


def test_a_level_that_stood_still_while_its_supply_moved_is_no_ceiling_that_follows_it() -> None:
    """Two levels of a source's, each while the supply comes up: their shares of it cross."""
    level = np.concatenate((np.full(40, TOP_V), np.full(4, 20.0), np.full(40, 1.05 * TOP_V)))
    level *= 1 + 2e-4 * RNG.standard_normal(84)
    comes_up = np.linspace(12.0, 12.6, 40)
    supply = np.concatenate((comes_up, np.full(4, 12.3), 1.05 * comes_up))
    assert count_at_top(level, supply) == 0
    assert count_at_top(level * supply / 12.3, supply) == 0  # two levels, one after the other
    follows = np.where(level > 25.0, TOP_V * supply / 12.3, level)
    assert count_at_top(follows, supply) == 80


@pytest.mark.parametrize("falls", [0.0, 0.1])
@pytest.mark.parametrize("seed", [9950, 9952])
def test_what_the_amplifier_cut_off_beside_flats_of_the_source_stays_undecided(seed: int, falls: float) -> None:
    """A source that clips, its volume turned every second; up to 0.8 of the highest the amplifier hands it through, or
    as much of its supply, and less by what `falls` under load."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(10 * BASS_RATE_HZ)) / BASS_RATE_HZ
    wave = np.sin(2 * np.pi * rng.uniform(38, 60) * t) * (1 + 0.2 * np.sin(2 * np.pi * 1.3 * t))
    cut = np.clip(wave, -0.7, 0.7) / 0.7
    steps = np.array([0.5, 0.95, 0.7, 0.4, 0.9, 0.6, 1.0, 0.45, 0.95, 0.55]) * rng.uniform(0.98, 1.02, 10)
    wanted_v = 35.0 * cut * lagged(np.repeat(steps, int(BASS_RATE_HZ)), 0.05, BASS_RATE_HZ)
    ceiling_v = np.full(len(t), 35.0 * 0.8)
    supply_v = sagging_supply(rng, np.clip(wanted_v, -28.0, 28.0) / 35.0, BASS_RATE_HZ, 2.0 if falls else 1.0)
    if falls:
        ceiling_v = ceiling_v * lagged(supply_v, 0.004, BASS_RATE_HZ) / supply_v.max()
        ceiling_v *= 1 - falls * lagged(np.minimum(np.abs(wanted_v) / 35.0, 1.0), 0.003, BASS_RATE_HZ)
    output_v = np.clip(wanted_v, -ceiling_v, ceiling_v)
    flats = flats_under_ceiling(wanted_v, output_v, ceiling_v, ceiling_v, BASS_RATE_HZ)
    case = make_case("ceiling above a clipped source", rng, output_v, supply_v, flats)
    tally = score_case(replace(case, has_square_tops=True), 0.0005)
    named = {origin for (true, origin) in tally.origins if true == "amplifier"}
    assert tally.n_hit.total() > 0.9 * tally.n_true.total() > 0
    assert "source" not in named
    assert tally.n_ignored > 20  # flats of the source's were there
