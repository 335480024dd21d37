"""Whether a logged source tells who cut a crest off: known truth, through the whole board."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import witness_scores
from ampwitness.detect.clips.clip_candidates import PLACES
from ampwitness.detect.clips.clip_witness import name_places
from ampwitness.findings.wording import describe_finding

AMPLIFIER, SOURCE, OPEN = (float(PLACES.index(name)) for name in ("amplifier", "source", "not decided"))


@pytest.mark.parametrize("name", ["amplifier, kicks", "source, kicks", "amplifier behind a crossover, source cut too"])
def test_what_one_steady_level_leaves_open_the_source_tells(name: str) -> None:
    case = witness_scores.make(name, 11, 6.0)
    told = witness_scores.score(case)
    assert told["right"] >= 5
    assert told["wrong"] == told["undecided"] == 0
    without = witness_scores.score(case, with_source=False)
    assert without["undecided"] >= 5  # else the source would not have been asked for anything


def test_each_clip_says_what_the_source_showed() -> None:
    first = witness_scores.make("amplifier, kicks", 11, 4.0).found()[0]
    assert first.evidence["source_was_flat"] is False
    assert describe_finding(first).endswith("round in the source: cut off in the amplifier")
    first = witness_scores.make("source, kicks", 12, 6.0).found()[0]
    assert first.evidence["source_was_flat"] is True
    assert describe_finding(first).endswith("as flat in the source: cut off before the amplifier")


def test_light_clips_follow_plain_ones_that_agree_and_where_the_source_was_not_judged_nothing_changes() -> None:
    where = np.full(8, OPEN)
    is_high = np.array([True] * 5 + [False] * 3)
    asked = np.array([True] * 7 + [False])
    flat = np.zeros(8, dtype=bool)
    named, shown = name_places(where, is_high, flat, asked)
    assert named.tolist() == [AMPLIFIER] * 7 + [OPEN]
    assert shown[:7].tolist() == [0.0] * 7
    assert np.isnan(shown[7])
    named, _ = name_places(where[1:], is_high[1:], flat[1:], asked[1:])  # four plain ones are too few
    assert named.tolist() == [AMPLIFIER] * 4 + [OPEN] * 3


def test_few_round_ones_among_flat_ones_stay_open_and_a_ceiling_that_moves_keeps_its_amplifier() -> None:
    where = np.array([OPEN] * 9 + [AMPLIFIER])
    flat = np.array([True] * 8 + [False, True])
    every = np.ones(10, dtype=bool)
    named, shown = name_places(where, every, flat, every)
    assert named.tolist() == [SOURCE] * 8 + [OPEN, AMPLIFIER]
    assert np.isnan(shown[8])
    assert shown[9] == 1.0


def test_one_flat_crest_in_a_source_that_is_round_otherwise_decides_nothing() -> None:
    flat = np.array([True] + [False] * 29)
    every = np.ones(30, dtype=bool)
    named, shown = name_places(np.full(30, OPEN), every, flat, every)
    assert named.tolist() == [OPEN] + [AMPLIFIER] * 29
    assert np.isnan(shown[0])


def test_a_source_that_is_clean_takes_back_what_levels_alone_had_put_down_to_it() -> None:
    every = np.ones(6, dtype=bool)
    named, _ = name_places(np.full(6, SOURCE), every, ~every, every)
    assert named.tolist() == [AMPLIFIER] * 6
