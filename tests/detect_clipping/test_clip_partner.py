"""Lightly cut-off crests that others vouch for, in tables made by hand and in one recording."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.judge.clip_partner import find_partners
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests


def table(**changes: Any) -> Candidates:
    """Two light plateaus of 20 V 0.4 s apart, too faint by themselves."""
    columns = {name: np.zeros(2) for name in FIELDS} | {
        "start_s": np.array([1.0, 1.4]), "stop_s": np.array([1.001, 1.401]), "level_v": np.array([20.0, 20.02]),
        "peak_v": np.full(2, 20.03), "crest_v": np.full(2, 20.4), "gain": np.full(2, 40.0), "misfit": np.ones(2),
        "n_top": np.full(2, 6.0), "noise_v": np.full(2, 0.03), "flank_v_per_s": np.full(2, 1500.0),
        "flatter_flank_ratio": np.full(2, 0.8), "sign": np.ones(2),
    }  # fmt: skip
    columns |= {name: np.broadcast_to(np.asarray(value, dtype=float), 2).copy() for name, value in changes.items()}
    return Candidates(columns, np.full((2, 4), 13.0), np.full((2, 4), 8.0))


def n_found(
    known: tuple[bool, bool] = (False, False), opposite_v: tuple[float, ...] = (), round_v: tuple[float, ...] = (18.0,),
    **changes: Any,
) -> int:  # fmt: skip
    n = len(round_v)
    lags = np.full((n, 4), 13.0), np.full((n, 4), 8.0)
    crests = HighCrests(np.ones(n), np.linspace(1.2, 1.3, n), np.array(round_v), np.array(round_v), *lags)
    return int(find_partners(table(**changes), np.array(known), np.array(opposite_v), crests, 1.0).sum())


def test_a_clip_of_the_other_polarity_vouches_for_about_its_height() -> None:
    assert n_found() == 0
    assert n_found(opposite_v=(19.0,)) == 2
    assert n_found(opposite_v=(16.0,)) == 0
    assert n_found(opposite_v=(19.0,), gain=20.0) == 0
    assert n_found(opposite_v=(19.0,), misfit=5.0) == 0
    assert n_found(opposite_v=(19.0,), is_coarse=1.0, gain=0.0, crest_v=22.0) == 0  # a gliding note's round tops


def test_a_clip_of_the_same_polarity_vouches_for_its_height_though_a_fit_is_odd() -> None:
    assert n_found((True, False), gain=15.0, flatter_flank_ratio=-3.0) == 1
    assert n_found((True, False), gain=15.0, level_v=[20.0, 19.5], peak_v=[20.0, 19.5]) == 0
    assert n_found((True, False), is_coarse=1.0, gain=0.0, crest_v=22.0) == 1


@pytest.mark.parametrize("round_v", [(20.3,), (20.01, 20.02, 20.0)])
def test_round_crests_above_or_many_at_the_height_speak_against_it(round_v: tuple[float, ...]) -> None:
    assert n_found(opposite_v=(19.0,), round_v=round_v) == 0


def test_of_a_recording_that_just_touches_its_ceiling_both_polarities_are_told() -> None:
    tally = score_case(clip_sets.make("bass", "crossed music, light", 102, 10.0), 0.0005)
    assert (tally.n_hit.total(), tally.n_true.total(), tally.n_false) == (2, 2, 0)
