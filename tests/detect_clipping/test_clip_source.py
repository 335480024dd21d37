"""Plateaus at many levels: cut off before the amplifier, or at a rail that sinks into a limit of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.ceiling.clip_refuted import is_refuted, move_within_notes
from ampwitness.detect.clips.ceiling.clip_source import is_source_for_sure, is_turned
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests


def make_table(level_v: np.ndarray, supply_v: np.ndarray, output_v: np.ndarray | float = 1.0) -> Candidates:
    """Plateaus half a second apart."""
    n = len(level_v)
    columns = {name: np.zeros(n) for name in FIELDS}
    columns |= {"level_v": level_v, "peak_v": level_v, "start_s": 0.5 * np.arange(n), "sign": np.ones(n)}
    lags = np.ones((n, 4))
    return Candidates(columns, lags * supply_v[:, None], lags * np.broadcast_to(output_v, n)[:, None])


def none() -> HighCrests:
    return HighCrests(*np.zeros((4, 0)), *np.zeros((2, 0, 4)))


def is_sure(level_v: np.ndarray, supply_v: np.ndarray) -> bool:
    sides = [(make_table(level_v, supply_v), np.ones(len(level_v), dtype=bool))]
    return is_source_for_sure(sides) or is_refuted(sides, none())


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


def test_levels_that_no_one_passes_are_the_source_where_they_stand_still_beside_a_moving_supply() -> None:
    """Many levels that only fall, each under a higher supply than the one before."""
    level = np.repeat([30.0, 27.0, 24.0], 10)
    ripple = np.tile(np.linspace(-0.1, 0.1, 10), 3)

    def is_source(level_v: np.ndarray, supply_v: np.ndarray) -> bool:
        return is_source_for_sure([(make_table(level_v, supply_v), np.ones(30, dtype=bool))])

    supply = np.repeat([12.0, 12.6, 13.2], 10)
    assert is_source(level, supply + ripple)
    assert not is_source(level, supply)  # nothing moved
    assert not is_source(level * (1 + ripple / 12.6), supply + ripple)  # it follows


def test_without_a_supply_channel_levels_far_apart_are_the_source_unless_they_sink_after_pauses() -> None:
    def is_sure_at(level_v: list[float], settles: float = 0.0) -> bool:
        """Notes of ten plateaus with pauses between; what `settles` is how much higher the first of each lies."""
        sag = 1 + settles * np.exp(-np.arange(10) / 2)
        level = np.concatenate([one * sag for one in level_v])
        table = make_table(level, np.full(len(level), np.nan))
        table.columns["start_s"] = (np.arange(len(level_v))[:, None] + 0.03 * np.arange(10)).ravel()
        return is_source_for_sure([(table, np.ones(len(level), dtype=bool))])

    assert is_sure_at([30.0, 22.0, 27.0])
    assert not is_sure_at([30.0, 22.0, 27.0], settles=0.05)  # a store that runs empty and fills
    assert not is_sure_at([27.0, 30.0, 30.0])  # an engine that started
    assert not is_sure_at([30.0, 30.0, 30.0])


def test_without_a_supply_channel_a_level_passed_by_more_than_supplies_differ_is_the_source() -> None:
    level, every = np.repeat([22.0, 34.0], 10), np.ones(20, dtype=bool)

    def is_no_ceiling(level_v: np.ndarray) -> bool:
        table = make_table(level_v, np.full(20, np.nan))
        table.columns["start_s"] = (np.array([[0.0], [1.0]]) + 0.03 * np.arange(10)).ravel()
        return is_refuted([(table, every)], none())

    assert is_no_ceiling(level)
    assert not is_no_ceiling(np.repeat([28.0, 34.0], 10))  # 14.4 V after 11.8 V
    sunk = level.copy()
    sunk[:10] = np.maximum(33 * 0.9 ** np.arange(10), 22.0)  # came down to where it stands: a store that emptied
    assert not is_no_ceiling(sunk)


def test_without_a_supply_channel_steps_that_a_supply_may_make_show_no_source() -> None:
    noise, every = 1 + 2e-4 * np.random.default_rng(6).standard_normal(36), np.ones(36, dtype=bool)

    def is_source(level_v: np.ndarray) -> bool:
        return is_source_for_sure([(make_table(level_v * noise, np.full(36, np.nan)), every)])

    assert is_source(np.repeat([28.0, 20.5, 28.1], 12))
    assert not is_source(np.repeat([28.0, 21.5, 28.1], 12))  # 14.4 V and 11.1 V
    assert not is_source(np.append(np.repeat([28.0, 20.5], 12), np.linspace(21, 27, 12)))  # a third stands nowhere
    assert not is_source(np.repeat([28.0, 14.0, 28.0], (30, 3, 3)))  # a few of the music's own


@pytest.mark.parametrize(
    ("name", "case", "seed"),
    [
        ("stages", "weak supply that another consumer pulls down", 9950),
        ("stages", "lossy on one side", 9961),
        ("stages", "rail and current limit, whichever comes first", 9971),
        ("hostile", "limited, clipping", 9951),
    ],
)
def test_no_amplifier_is_put_down_to_a_source_where_the_supply_is_not_known(name: str, case: str, seed: int) -> None:
    tally = score_case(replace(clip_sets.make(name, case, seed, 10.0), has_supply=False), 0.0005)
    assert tally.n_hit.total() > 0.9 * tally.n_true.total()
    assert "source" not in {named for _, named in tally.origins}


def test_what_the_output_passed_under_no_better_conditions_is_no_ceiling() -> None:
    level, supply, output = np.repeat([22.0, 25.0], 10), np.repeat([13.2, 12.9], 10), np.repeat([8.0, 10.0], 10)

    def is_no_ceiling(
        level_v: np.ndarray, supply_v: np.ndarray, output_v: np.ndarray, crest_v: float = 0.0, n: int = 2
    ) -> bool:
        table = make_table(level_v, supply_v, output_v)
        some, lags = np.ones(n), np.ones((n, 4))
        crests = HighCrests(some, some, crest_v * some, crest_v * some, 12.9 * lags, 10.0 * lags)
        return is_refuted([(table, np.ones(len(level_v), dtype=bool))], crests)

    assert is_no_ceiling(level, supply, output)
    assert not is_no_ceiling(level, supply[::-1], output)  # a ceiling that follows its supply
    assert not is_no_ceiling(level, supply, output[::-1])  # or sinks under load
    assert not is_no_ceiling(0.05 * level + 22, supply, output)  # or wobbles
    assert not is_no_ceiling(level[:10], supply[:10], output[:10])
    assert is_no_ceiling(level[:10], supply[:10], output[:10], crest_v=25.0)  # crests that nothing cut off
    assert not is_no_ceiling(level[:10], supply[:10], output[:10], crest_v=25.0, n=1)  # chance


def test_what_sank_since_the_last_pause_refutes_no_amplifier() -> None:
    """Notes of four plateaus; the first of each lies higher in an amplifier whose store runs empty."""
    level = np.tile([30.0, 25.0, 22.0, 22.0], 10)

    def is_no_ceiling(level_v: np.ndarray, pause_s: float = 0.5, delay_s: float = 0.015) -> bool:
        sides = []
        for late_s, volts in ((0.0, np.full(40, 22.0)), (delay_s, level_v)):
            table = make_table(volts, np.full(40, 13.2))
            table.columns["start_s"] = np.add.outer(pause_s * np.arange(10), 0.03 * np.arange(4)).ravel() + late_s
            table.columns["sign"] = np.full(40, 1.0 if not late_s else -1.0)
            sides.append((table, np.ones(40, dtype=bool)))
        return is_refuted(sides, none())

    assert not is_no_ceiling(level)
    climbing = np.tile([22.0, 22.0, 25.0, 30.0], 10)
    assert is_no_ceiling(climbing)  # what comes first after a pause did not sink
    assert not is_no_ceiling(climbing, pause_s=0.3)  # there is no pause
    assert not is_no_ceiling(climbing, delay_s=0.15)  # what the other polarity did before may have emptied it


def test_levels_that_move_within_notes_refute_no_amplifier() -> None:
    """Notes that begin after a pause and climb from a rail that is still low, as a boosted supply at its current limit
    lets them: every level comes again, yet none stays for long. A source's stay while the volume stays."""

    def is_no_ceiling(n_same: int, n_notes: int = 10) -> bool:
        n = 4 * n_same
        table = make_table(np.tile(np.repeat([22.0, 23.0, 25.0, 30.0], n_same), n_notes), np.full(n * n_notes, 13.2))
        table.columns["start_s"] = np.add.outer(1.0 * np.arange(n_notes), 0.02 * np.arange(n)).ravel()
        side = [(table, np.ones(n * n_notes, dtype=bool))]
        return is_refuted(side, none()) and not move_within_notes(side)

    assert not is_no_ceiling(2)
    assert is_no_ceiling(4)
    assert is_no_ceiling(2, n_notes=3)  # a fade may have moved so few


def test_levels_that_move_within_notes_are_the_source_where_each_note_begins_at_what_the_one_before_ended_at() -> None:
    """Sixteen notes of eight plateaus: under a volume that is turned slowly, up, down and up again, and under a rail
    that climbs within every note, or sinks."""

    def is_source(level_v: np.ndarray, supply_v: float = 13.2) -> bool:
        table = make_table(level_v, np.full(128, supply_v))
        table.columns["start_s"] = np.add.outer(0.7 * np.arange(16), 0.02 * np.arange(8)).ravel()
        side = [(table, np.ones(128, dtype=bool))]
        assert move_within_notes(side)
        return is_turned(side)

    volume = 22.0 * 10 ** (0.15 * np.sin(2 * np.pi * np.arange(128) / 90))
    within = np.tile(np.linspace(22.0, 30.0, 8), 16)
    assert is_source(volume)
    assert not is_source(within)  # stands like a volume's, and every note begins anew
    assert not is_source(within * (1 + 1e-3 * np.random.default_rng(3).standard_normal(128)))
    sinking = np.repeat(volume[::8], 8) * np.tile(np.linspace(1.0, 0.8, 8), 16)
    assert not is_source(sinking)  # a store that runs empty, whatever its supply did meanwhile


def test_low_tops_of_a_saw_that_fades_are_not_cut_off() -> None:
    """Four of them, no two at one level: five clips of a source were told."""
    tally = score_case(clip_sets.make("bass", "saw bass, light", 9950, 10.0), 0.0005)
    assert tally.n_false == 0


def test_a_level_that_minds_neither_supply_nor_load_is_no_ceiling_once_passed_by_a_little() -> None:
    """Twelve plateaus of one note at one level while the supply sags by 6 %, and crests 5 % above them elsewhere."""
    supply, output = np.linspace(13.4, 12.6, 12), np.linspace(6.0, 11.0, 12)
    noise = 1 + 2e-4 * np.random.default_rng(7).standard_normal(12)

    def is_no_ceiling(level_v: np.ndarray, crest_v: float = 23.2, crest_supply_v: float = 12.7, n: int = 2) -> bool:
        table = make_table(level_v, supply, output)
        table.columns["start_s"] *= 0.1
        some, lags = np.ones(n), np.ones((n, 4))
        crests = HighCrests(some, some, crest_v * some, crest_v * some, crest_supply_v * lags, 6.0 * lags)
        return is_refuted([(table, np.ones(12, dtype=bool))], crests)

    assert is_no_ceiling(22.0 * noise)
    assert not is_no_ceiling(22.0 * supply / 13.0)  # it follows the supply
    assert not is_no_ceiling(22.0 * noise - 0.05 * output)  # it sinks under load
    assert not is_no_ceiling(22.0 * noise, crest_v=22.5)
    assert not is_no_ceiling(22.0 * noise, crest_supply_v=13.9)  # regulated only as far as was seen
    assert not is_no_ceiling(22.0 * noise, n=1)  # chance


def test_a_level_that_minds_neither_supply_nor_load_is_no_higher_under_a_smaller_load() -> None:
    """One crest of 5 % more after less output than the twelve plateaus had, and one of 3 %, as each note's later do."""
    supply, output = np.linspace(13.4, 12.6, 12), np.linspace(6.0, 11.0, 12)
    noise = 1 + 2e-4 * np.random.default_rng(7).standard_normal(12)

    def is_no_ceiling(level_v: np.ndarray, output_v: float = 4.0, next_v: float = 22.7, load: float = 1.0) -> bool:
        loads = 6.0 + load * (output - 6.0)
        table = make_table(level_v, supply, loads)
        table.columns["start_s"] *= 0.1
        lags, crest_v = np.ones((2, 4)), np.array([23.2, next_v])
        crests = HighCrests(np.ones(2), np.ones(2), crest_v, crest_v, 12.7 * lags, output_v * lags)
        return is_refuted([(table, np.ones(12, dtype=bool))], crests)

    assert is_no_ceiling(22.0 * noise)
    assert not is_no_ceiling(22.0 * noise, output_v=0.5)  # far less than was seen
    assert not is_no_ceiling(22.0 * noise, load=0.1)  # it was asked under one load only
    assert not is_no_ceiling(22.0 * noise, next_v=22.2)  # one crest alone is chance
    assert not is_no_ceiling(22.0 * supply / 13.0)  # it follows the supply


def test_few_plateaus_among_many_refute_no_amplifier() -> None:
    """Forty loud plateaus, and some at half the level: the music's own flat crests."""

    def is_no_ceiling(n_low: int) -> bool:
        table = make_table(np.append(np.full(40, 40.0), np.full(n_low, 20.0)), np.full(40 + n_low, 13.2))
        return is_refuted([(table, np.ones(40 + n_low, dtype=bool))], none())

    assert is_no_ceiling(5)
    assert not is_no_ceiling(4)
    one = make_table(np.array([20.0, 20.0 * 2, 20.0 * 2]), np.full(3, 13.2))
    assert not is_refuted([(one, np.ones(3, dtype=bool))], none())  # one is chance


def test_flat_waves_each_at_a_level_of_its_own_are_the_music() -> None:
    level, supply = np.linspace(20.0, 40.0, 20), np.full(20, 13.2)

    def is_no_ceiling(level_v: np.ndarray) -> bool:
        return is_refuted([(make_table(level_v, supply), np.ones(20, dtype=bool))], none())

    assert not is_no_ceiling(level)
    assert is_no_ceiling(np.repeat(level[::2], 2))


def test_flat_waves_below_a_ceiling_each_at_a_level_of_its_own_refute_no_amplifier() -> None:
    """Full-range music under a regulated rail: of some forty plateaus at it ten fits in the music lie anywhere."""
    low = np.linspace(10.0, 20.0, 10)
    for each, is_no_ceiling in ((low, False), (np.repeat(low[::2], 2), True)):
        table = make_table(np.append(np.full(40, 40.0), each), np.full(50, 13.2))
        assert is_refuted([(table, np.ones(50, dtype=bool))], none()) == is_no_ceiling


@pytest.mark.parametrize(
    ("name", "case", "seed", "seconds", "wanted"),
    [
        ("hostile", "source clipped, level moves", 101, 10.0, "source"),
        ("hostile", "source clipped, level moves", 114, 6.0, "source"),
        ("hostile", "source clipped, level moves", 9996, 10.0, "source"),  # one level but for one clip
        ("stages", "boosted supply with a current limit", 106, 10.0, "undecided"),
        ("stages", "lossy on one side", 9940, 10.0, "undecided"),  # judged ahead of a resistance, not of a capacitor
        ("stages", "lossy on one side", 105, 10.0, "undecided"),
        # reckoned ahead of a guessed capacitor, whose own charge had moved the level: 231 put down to a source
        ("stages", "half-supply output behind its capacitor", 10021, 10.0, "undecided"),
    ],
)
def test_what_is_named(name: str, case: str, seed: int, seconds: float, wanted: str) -> None:
    tally = score_case(clip_sets.make(name, case, seed, seconds), 0.0005)
    named = {origin for _, origin in tally.origins}
    assert tally.n_hit.total() > 0.9 * tally.n_true.total()
    assert named <= {wanted, "amplifier"} - ({"amplifier"} if wanted == "source" else set())
