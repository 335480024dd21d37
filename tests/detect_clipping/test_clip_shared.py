"""A ceiling that both polarities have in common: borrowed by one, or told by both together."""

from __future__ import annotations

import numpy as np
from ampwitness.detect.clips.ceiling.rail_model import learn_rail
from ampwitness.detect.clips.judge.clip_shared import find_shared, level_of_other
from ampwitness.detect.clips.judge.clip_side import judge_side
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests
from ampwitness.types import FloatArray

LAGS = 4


def make_table(level_v: np.ndarray, gain: float = 60.0, sign: float = 1.0) -> Candidates:
    """Flat tops half a second apart in dense music, at a supply that stands."""
    n = len(level_v)
    columns: dict[str, FloatArray] = {name: np.zeros(n) for name in FIELDS}
    columns |= {name: np.full(n, 1.0) for name in ("flatter_flank_ratio", "flank_v_per_s", "lively")}
    columns |= {"level_v": level_v, "peak_v": level_v + 0.05, "crest_v": level_v + 2.0, "noise_v": np.full(n, 0.12)}
    columns |= {"start_s": 0.5 * np.arange(n), "sign": np.full(n, sign), "n_top": np.full(n, 20.0)}
    columns |= {"gain": np.full(n, gain), "stop_s": 0.5 * np.arange(n) + 1e-3}
    return Candidates(columns, np.full((n, LAGS), 14.2), np.full((n, LAGS), 5.0))


def crests_at(level_v: np.ndarray, sign: float = 1.0) -> HighCrests:
    n = len(level_v)
    time_s = 0.25 + 0.5 * np.arange(n)
    return HighCrests(np.full(n, sign), time_s, level_v, level_v, np.full((n, LAGS), 14.2), np.full((n, LAGS), 5.0))


NO_CRESTS = crests_at(np.zeros(0))
LOW_V = np.linspace(4.0, 10.0, 12)


def at_ceiling(n: int, level_v: float = 12.49) -> np.ndarray:
    return level_v + 0.03 * np.sin(np.arange(n))


def test_a_polarity_whose_tops_crowd_at_the_others_ceiling_has_that_ceiling() -> None:
    known = make_table(at_ceiling(30))
    other = learn_rail(known["level_v"], known.supply, known.output)
    assert other is not None

    def has_it(level_v: np.ndarray, crests: HighCrests = NO_CRESTS) -> bool:
        table = make_table(level_v)
        return level_of_other(table, crests, 1.0, np.ones(len(table), dtype=bool), other) is not None

    assert has_it(np.append(LOW_V, at_ceiling(5)))
    assert not has_it(np.append(LOW_V, at_ceiling(2)))
    assert not has_it(np.append(LOW_V, at_ceiling(5, 11.5)))  # an output off its middle
    assert not has_it(np.append(at_ceiling(5), np.linspace(11.9, 12.3, 8)))  # tops end anywhere there
    assert not has_it(np.append(LOW_V, at_ceiling(5)), crests_at(np.full(4, 13.2)))  # what passes it


def test_the_height_at_which_tops_of_both_polarities_crowd_and_that_none_passes_is_their_ceiling() -> None:
    def is_shared(n_positive: int, n_negative: int, crests: HighCrests = NO_CRESTS, off_v: float = 0.0) -> bool:
        tables = [
            (1.0, make_table(np.append(LOW_V, at_ceiling(n_positive)))),
            (-1.0, make_table(np.append(LOW_V, at_ceiling(n_negative, 12.49 + off_v)), sign=-1.0)),
        ]
        return find_shared(tables, crests) is not None

    assert is_shared(6, 4)
    assert not is_shared(4, 3)  # too few
    assert not is_shared(9, 1)  # of one polarity alone
    assert not is_shared(6, 6, off_v=0.4)  # not at one height
    assert not is_shared(6, 4, crests_at(np.full(30, 12.5)))  # a limiter's level: round crests end there
    flat = [(sign, make_table(np.append(LOW_V, at_ceiling(6)), gain=10.0, sign=sign)) for sign in (1.0, -1.0)]
    assert find_shared(flat, NO_CRESTS) is None  # hardly flat


def test_at_a_ceiling_that_is_known_firmly_a_poor_fit_in_dense_music_is_taken_for_where_it_lies() -> None:
    """Below cymbals a top's highest sample lies elsewhere, or its flanks tell hardly anything."""

    def is_taken(level_v: float, noise_v: float = 0.12, gain: float = 4.0) -> bool:
        table = make_table(np.append(at_ceiling(20), level_v))
        columns: dict[str, FloatArray] = {name: column.copy() for name, column in table.columns.items()}
        columns |= {"noise_v": np.full(21, noise_v), "narrow_gain": np.full(21, 60.0), "lively": np.full(21, 0.15)}
        columns["gain"][:20], columns["gain"][20] = 900.0, gain
        columns["peak_v"][20], columns["crest_sd_v"][20] = 0.85 * level_v, 5.0
        side = judge_side(Candidates(columns, table.supply, table.output), NO_CRESTS, 1.0)
        assert side.accepted[:20].all()
        return bool(side.accepted[20])

    assert is_taken(12.47)
    assert not is_taken(12.2)
    assert not is_taken(12.47, noise_v=0.03)  # in calm music fits tell
    assert not is_taken(12.47, gain=1.0)
