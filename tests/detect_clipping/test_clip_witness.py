"""Whether a logged source tells who cut a crest off: known truth, through the whole board."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import witness_scores
from ampwitness.detect.clips.clip_witness import Beside, BoolArray, beside_clips, name_places, plain_db
from ampwitness.detect.clips.found_clips import NUMBERS, ClipTable
from ampwitness.detect.clips.table.clip_candidates import PLACES
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.detect.result import DetectorResult
from ampwitness.finding_list import FindingList
from ampwitness.findings.wording import describe_finding
from ampwitness.types import Coverage, FloatArray

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


def _told(
    where: FloatArray, flat: BoolArray, **others: FloatArray | BoolArray
) -> tuple[list[float], list[float | None]]:
    """Names, and what the source showed (None: nothing), of clips that are all plain, asked and positive but for ..."""
    n = len(where)
    every, none = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)
    beside = Beside(flat, others.get("near", none).astype(bool), others.get("further_db", np.zeros(n)))
    named, shown = name_places(
        where,
        others.get("sign", np.ones(n)),
        others.get("is_high", every).astype(bool),
        beside,
        others.get("asked", every).astype(bool),
    )
    return named.tolist(), [None if np.isnan(value) else value for value in shown]


def test_light_clips_follow_plain_ones_that_agree_and_where_the_source_was_not_judged_nothing_changes() -> None:
    where, flat = np.full(11, OPEN), np.zeros(11, dtype=bool)
    is_high = np.array([True] * 8 + [False] * 3)
    asked = np.array([True] * 10 + [False])
    named, shown = _told(where, flat, is_high=is_high, asked=asked)
    assert named == [AMPLIFIER] * 10 + [OPEN]
    assert shown == [0.0] * 10 + [None]
    named, _ = _told(where[1:], flat[1:], is_high=is_high[1:], asked=asked[1:])  # seven plain ones are too few
    assert named == [OPEN] * 10


def test_few_round_ones_among_flat_ones_stay_open() -> None:
    flat = np.array([True] * 8 + [False])
    named, shown = _told(np.full(9, OPEN), flat)
    assert named == [SOURCE] * 8 + [OPEN]
    assert shown[8] is None


def test_a_ceiling_that_moves_keeps_its_amplifier_only_where_it_cut_off_more_than_the_source_had() -> None:
    where = np.array([OPEN] * 9 + [AMPLIFIER])
    flat = np.array([True] * 8 + [False, True])
    named, shown = _told(where, flat, further_db=np.full(10, 1.0))
    assert named == [SOURCE] * 8 + [OPEN, AMPLIFIER]
    assert shown[9] == 1.0
    where[8] = AMPLIFIER  # and what the search missed in the source is left open with it
    assert _told(where, flat, further_db=np.full(10, 0.1))[0] == [SOURCE] * 8 + [OPEN, SOURCE]


def test_a_polarity_that_looks_round_while_the_other_is_flat_may_have_been_missed_and_stays_open() -> None:
    sign = np.repeat([1.0, -1.0], 10)
    named, _ = _told(np.full(20, OPEN), sign > 0, sign=sign)
    assert named == [SOURCE] * 10 + [OPEN] * 10


def test_a_source_flat_that_comes_a_little_earlier_makes_nothing_round() -> None:
    none = np.zeros(8, dtype=bool)
    assert _told(np.full(8, OPEN), none)[0] == [AMPLIFIER] * 8
    assert _told(np.full(8, OPEN), none, near=~none)[0] == [OPEN] * 8
    near = np.arange(30) == 0
    assert _told(np.full(30, OPEN), ~near & near, near=near)[0] == [OPEN] + [AMPLIFIER] * 29


def _table(start_s: list[float], flat_s: float, overdrive_db: float) -> ClipTable:
    n = len(start_s)
    columns = {name: np.ones(n) for name in NUMBERS}
    columns["start_s"], columns["stop_s"] = np.array(start_s), np.array(start_s) + flat_s
    columns["overdrive_db"] = np.full(n, overdrive_db)
    return ClipTable(columns, np.zeros((n, len(SUPPLY_LAGS_S))), np.zeros((n, len(OUTPUT_LAGS_S))))


def test_a_flat_of_the_source_is_beside_a_clip_near_it_or_neither() -> None:
    table = _table([1.0, 2.0, 3.0], 0.0004, 2.0)
    theirs = _table([1.0001, 2.001, 3.01], 0.0004, 1.5)
    found = beside_clips(table, theirs)
    assert found.flat.tolist() == [True, False, False]
    assert found.near.tolist() == [True, True, False]
    assert found.further_db.tolist() == [0.5, np.inf, np.inf]
    shorter = beside_clips(table, _table([2.001], 0.0002, 1.5))  # full-range music has such everywhere
    assert not shorter.near.any()


def test_a_noisy_source_is_asked_only_of_clips_far_past_the_ceiling() -> None:
    # A source's flat this deep and this noisy was missed by the search in one of four.
    source = DetectorResult(FindingList([]), Coverage("clipping", 9.0, ()), {"noise_ratios": ((0.0, 0.01),)})
    assert plain_db(_table([1.0], 0.001, 1.0), source)[0] > 2.0
    assert plain_db(_table([1.0], 0.001, 1.0), source)[0] < 3.0
    assert np.isinf(plain_db(_table([1.0], 0.0003, 1.0), source)[0])  # so short a flat leans with a little hum


def test_fewer_round_ones_than_flat_ones_stay_open_and_more_are_told() -> None:
    assert _told(np.full(25, OPEN), np.arange(25) < 15)[0] == [SOURCE] * 15 + [OPEN] * 10
    assert _told(np.full(25, OPEN), np.arange(25) < 10)[0] == [SOURCE] * 10 + [AMPLIFIER] * 15


def test_what_levels_alone_put_down_to_a_source_that_shows_nothing_there_is_left_open() -> None:
    flat = np.array([True] * 8 + [False] * 2)
    assert _told(np.full(10, SOURCE), flat)[0] == [SOURCE] * 8 + [OPEN] * 2


def test_one_flat_crest_in_a_source_that_is_round_otherwise_decides_nothing() -> None:
    named, shown = _told(np.full(30, OPEN), np.arange(30) == 0)
    assert named == [OPEN] + [AMPLIFIER] * 29
    assert shown[0] is None


def test_a_source_that_is_clean_takes_back_what_levels_alone_had_put_down_to_it() -> None:
    assert _told(np.full(9, SOURCE), np.zeros(9, dtype=bool))[0] == [AMPLIFIER] * 9
