"""Plateaus at many levels: cut off before the amplifier, or at a rail that sinks into a limit of its own."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.clip_candidates import FIELDS, Candidates, HighCrests
from ampwitness.detect.clips.clip_refuted import is_refuted
from ampwitness.detect.clips.clip_source import _leaps, is_source_for_sure


def make_table(level_v: np.ndarray, supply_v: np.ndarray) -> Candidates:
    """Plateaus half a second apart."""
    columns = {name: np.zeros(len(level_v)) for name in FIELDS}
    columns |= {"level_v": level_v, "start_s": 0.5 * np.arange(len(level_v)), "sign": np.ones(len(level_v))}
    return Candidates(columns, np.repeat(supply_v[:, None], 4, axis=1), np.ones((len(level_v), 4)))


def is_sure(level_v: np.ndarray, supply_v: np.ndarray) -> bool:
    return is_source_for_sure([(make_table(level_v, supply_v), np.ones(len(level_v), dtype=bool))])


def test_a_step_beside_a_moving_supply_is_the_source_and_a_rail_that_follows_is_not() -> None:
    rng = np.random.default_rng(5)
    supply = rng.uniform(12.2, 12.8, 40)
    noise = 1 + 2e-4 * rng.standard_normal(40)
    step = np.repeat([20.0, 21.0], 20)
    assert is_sure(step * noise, supply)
    assert not is_sure(np.full(40, 20.0) * noise, supply)  # regulated
    assert not is_sure(step * noise, np.full(40, 12.6))  # nothing moved: nothing is shown
    charged = np.repeat([12.6, 14.2], 20) + 0.001 * rng.standard_normal(40)
    assert not is_sure(charged * 1.6, charged)  # follows a supply that stepped
    assert not is_sure(supply * 1.6, supply)
    pulled = np.repeat([13.2, 11.2], 20)  # a reservoir hides the ripple, not that another consumer pulls
    assert not is_sure(pulled * 2.3 * noise, pulled * (1 + 0.01 * rng.standard_normal(40)))


def test_without_a_supply_channel_levels_that_step_up_and_down_after_pauses_are_the_source() -> None:
    def is_sure_at(level_v: list[float], settles: float = 0.0) -> bool:
        """Notes of ten plateaus with pauses between; what `settles` is how much higher the first of each lies."""
        sag = 1 + settles * np.exp(-np.arange(10) / 2)
        level = np.concatenate([one * sag for one in level_v])
        table = make_table(level, np.full(len(level), np.nan))
        table.columns["start_s"] = (np.arange(len(level_v))[:, None] + 0.03 * np.arange(10)).ravel()
        return is_source_for_sure([(table, np.ones(len(level), dtype=bool))])

    assert is_sure_at([30.0, 27.0, 29.0])
    assert not is_sure_at([30.0, 27.0, 29.0], settles=0.05)  # a supply that sags and comes back
    assert not is_sure_at([27.0, 30.0, 30.0])  # an engine that started
    assert not is_sure_at([30.0, 30.0, 30.0])


def test_a_step_that_no_supply_makes_is_the_source_and_what_sank_since_the_last_pause_is_not() -> None:
    level = np.repeat([22.0, 34.0], 10)
    table = make_table(level, np.full(20, 13.2))
    table.columns["start_s"] = (np.array([[0.0], [1.0]]) + 0.03 * np.arange(10)).ravel()
    every = np.ones(20, dtype=bool)
    assert _leaps(table, every)
    table.columns["level_v"] = np.repeat([28.0, 34.0], 10)  # 14.4 V after 11.8 V
    assert not _leaps(table, every)
    table.columns["level_v"] = level.copy()
    table.columns["level_v"][:3] = [33.0, 29.0, 25.0]  # came down to where it stands: a store that emptied
    assert not _leaps(table, every)
    assert not _leaps(table, np.arange(20) > 2)  # not all plain


def test_without_a_supply_channel_small_steps_are_the_source_where_the_load_moves_nothing() -> None:
    level = np.repeat([28.0, 28.9, 28.1], 12) * (1 + 2e-4 * np.random.default_rng(6).standard_normal(36))
    table = make_table(level, np.full(36, np.nan))
    steady = Candidates(table.columns, table.supply, np.full((36, 4), 9.0))
    moving = Candidates(table.columns, table.supply, np.tile([[8.0], [9.0], [10.0]], (12, 4)))
    every = np.ones(36, dtype=bool)
    assert is_source_for_sure([(moving, every)])
    assert not is_source_for_sure([(steady, every)])  # nothing was asked of a supply
    table.columns["level_v"] = level - 0.02 * (moving.output[:, 0] - 9)  # hardly any pull, but other consumers' steps
    assert is_source_for_sure([(moving, every)])
    table.columns["level_v"] = level - 0.2 * (moving.output[:, 0] - 9)
    assert not is_source_for_sure([(moving, every)])


def test_what_the_output_passed_under_no_better_conditions_is_no_ceiling() -> None:
    level, supply, output = np.repeat([22.0, 25.0], 10), np.repeat([13.2, 12.9], 10), np.repeat([8.0, 10.0], 10)

    def is_no_ceiling(level_v: np.ndarray, supply_v: np.ndarray, output_v: np.ndarray, crest_v: float = 0.0) -> bool:
        table = make_table(level_v, supply_v)
        table = Candidates(table.columns, table.supply, np.repeat(output_v[:, None], 4, axis=1))
        one, lags = np.ones(1), np.ones((1, 4))
        crests = HighCrests(one, one, crest_v * one, crest_v * one, 12.9 * lags, 10.0 * lags)
        return is_refuted([(table, np.ones(len(level_v), dtype=bool))], crests)

    assert is_no_ceiling(level, supply, output)
    assert not is_no_ceiling(level, supply[::-1], output)  # a ceiling that follows its supply
    assert not is_no_ceiling(level, supply, output[::-1])  # or sinks under load
    assert not is_no_ceiling(0.05 * level + 22, supply, output)  # or wobbles
    assert not is_no_ceiling(level[:10], supply[:10], output[:10])
    assert is_no_ceiling(level[:10], supply[:10], output[:10], crest_v=25.0)  # a crest that nothing cut off
    sinking = level * np.where(np.arange(20) % 10 < 4, 1.0, 0.98 ** np.arange(20))  # through many levels
    assert not is_no_ceiling(sinking, supply, output)


def test_a_level_that_minds_neither_supply_nor_load_is_no_ceiling_once_passed_by_a_little() -> None:
    """Twelve plateaus of one note at one level while the supply sags by 6 %, and crests 7 % above them elsewhere."""
    supply, output = np.linspace(13.4, 12.6, 12), np.linspace(6.0, 11.0, 12)
    noise = 1 + 2e-4 * np.random.default_rng(7).standard_normal(12)

    def is_no_ceiling(level_v: np.ndarray, crest_v: float = 23.5, crest_supply_v: float = 12.7, n: int = 6) -> bool:
        table = make_table(level_v, supply)
        table.columns["start_s"] *= 0.1
        table = Candidates(table.columns, table.supply, np.repeat(output[:, None], 4, axis=1))
        some, lags = np.ones(n), np.ones((n, 4))
        crests = HighCrests(some, some, crest_v * some, crest_v * some, crest_supply_v * lags, 5.0 * lags)
        return is_refuted([(table, np.ones(12, dtype=bool))], crests)

    assert is_no_ceiling(22.0 * noise)
    assert not is_no_ceiling(22.0 * supply / 13.0)  # it follows the supply
    assert not is_no_ceiling(22.0 * noise - 0.05 * output)  # it sinks under load
    assert not is_no_ceiling(22.0 * noise, crest_v=22.5)
    assert not is_no_ceiling(22.0 * noise, crest_supply_v=13.6)  # regulated only as far as was seen
    assert not is_no_ceiling(22.0 * noise, n=3)  # chance


def test_few_plateaus_that_were_passed_by_far_are_no_ceiling() -> None:
    """Forty loud plateaus, and five at half the level under a supply no lower and a load no less."""

    def is_no_ceiling(low_v: float) -> bool:
        table = make_table(np.append(np.full(40, 40.0), np.full(5, low_v)), np.full(45, 13.2))
        return is_refuted([(table, np.ones(45, dtype=bool))], HighCrests(*np.zeros((4, 0)), *np.zeros((2, 0, 4))))

    assert is_no_ceiling(20.0)
    assert not is_no_ceiling(35.0)


def test_a_few_plateaus_of_each_polarity_are_a_group_together() -> None:
    supply = np.array([13.1, 13.4, 13.2, 13.45, 13.45, 13.44])
    output = np.repeat([9.0, 8.0], 3)

    def is_sure_of(positive_v: np.ndarray, negative_v: np.ndarray, load_v: np.ndarray = output) -> bool:
        sides = []
        for level_v, delay_s in ((positive_v, 0.0), (negative_v, 0.01)):
            table = make_table(level_v, supply)
            table.columns["start_s"] += delay_s
            sides.append(Candidates(table.columns, table.supply, np.repeat(load_v[:, None], 4, axis=1)))
        return is_source_for_sure([(side, np.ones(6, dtype=bool)) for side in sides])

    level = np.repeat([25.7, 24.8], 3)  # lower at a higher supply and a lighter load
    assert is_sure_of(level, 0.976 * level)
    assert not is_sure_of(level, 0.976 * level, output[::-1])  # it may have sunk under the load
    assert not is_sure_of(level, np.array([25.1, 23.0, 24.5, 22.5, 24.9, 23.7]))  # polarities apart
    assert not is_sure_of(level[::-1], 0.976 * level[::-1])  # higher at a higher supply


@pytest.mark.parametrize(
    ("name", "case", "seed", "seconds", "wanted"),
    [
        ("hostile", "source clipped, level moves", 101, 10.0, "source"),
        ("hostile", "source clipped, level moves", 114, 6.0, "source"),
        ("stages", "boosted supply with a current limit", 106, 10.0, "undecided"),
        ("stages", "lossy on one side", 105, 10.0, "undecided"),
    ],
)
def test_what_is_named(name: str, case: str, seed: int, seconds: float, wanted: str) -> None:
    tally = score_case(clip_sets.make(name, case, seed, seconds), 0.0005)
    named = {origin for _, origin in tally.origins}
    assert tally.n_hit.total() > 0.9 * tally.n_true.total()
    assert named <= {wanted, "amplifier"} - ({"amplifier"} if wanted == "source" else set())
