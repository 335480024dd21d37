"""What founds no ceiling and names no source, on tables of numbers."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.ceiling.clip_pile import Pile, is_one_note, stands_below_its_peak
from ampwitness.detect.clips.ceiling.clip_plain import find_plain, leads_above, may_be_one_kink
from ampwitness.detect.clips.ceiling.rail_model import learn_rail
from ampwitness.detect.clips.judge.clip_verdict import _follow_the_supply
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates


def _rows(n: int, **changed: float) -> Candidates:
    """Plain flats of a rail at 30 V, alike but for what is said."""
    columns = {name: np.zeros(n) for name in FIELDS}
    usual = {
        "sign": 1.0, "stop_s": 0.002, "level_v": 30.0, "crest_v": 31.5, "crest_sd_v": 0.01, "flank_v_per_s": 3000.0,
        "flatter_flank_ratio": 0.9, "gain": 500.0, "narrow_gain": 200.0, "misfit": 1.0, "n_top": 14.0, "noise_v": 0.03,
        "peak_v": 30.0, "start_sd_s": 1e-5, "stop_sd_s": 1e-5,
    }  # fmt: skip
    for name, value in (usual | changed).items():
        columns[name] = np.full(n, value)
    return Candidates(columns, np.full((n, 4), 12.0), np.ones((n, 4)))


@pytest.mark.parametrize(
    ("changed", "is_kink"),
    [
        ({}, False),
        ({"lean": -0.8, "flatter_flank_ratio": 0.4, "n_top": 4.0}, True),  # a straight attack that ends
        ({"n_top": 1.2}, True),  # a tip
        ({"lean": 0.8, "flatter_flank_ratio": 0.32, "tilt_v_per_s": 200.0, "start_sd_s": 1e-4}, True),  # a saw
        ({"lean": 0.8, "flatter_flank_ratio": 0.32, "tilt_v_per_s": 5.0, "start_sd_s": 1e-4}, False),  # square, level
        ({"lean": 0.8, "flatter_flank_ratio": 0.32, "tilt_v_per_s": 200.0, "start_sd_s": 3e-5}, False),  # both sure
    ],
)
def test_tops_that_bend_once_found_no_ceiling(changed: dict[str, float], is_kink: bool) -> None:
    rows = _rows(1, **changed)
    assert may_be_one_kink(rows)[0] == is_kink
    assert find_plain(rows)[0] != is_kink


@pytest.mark.parametrize(("noise_v", "is_asked"), [(0.03, True), (0.25, False)])
def test_flanks_are_not_asked_where_the_noise_is_music(noise_v: float, is_asked: bool) -> None:
    rng = np.random.default_rng(3)
    rows = _rows(40, gain=20.0, noise_v=noise_v, promised_v=30.5, promised_sd_v=noise_v / 3, cut_below_v=30.1)
    rows.columns["level_v"] = 30 + 0.003 * rng.standard_normal(40)
    rows.columns["promised_v"][20:], rows.columns["cut_below_v"][20:] = 29.5, 0.0
    rail = learn_rail(rows["level_v"], rows.supply, rows.output)
    assert rail is not None
    above, below = leads_above(rail, rows, np.full(40, 30.0), np.ones(40, dtype=bool))
    assert above[:20].all() == below[20:].all() == is_asked
    assert not above[20:].any()
    assert not below[:20].any()


def test_a_level_far_above_all_samples_is_no_plateau_but_may_be_a_soft_ceiling() -> None:
    assert stands_below_its_peak(_rows(1))[0]
    assert not stands_below_its_peak(_rows(1, level_v=43.0))[0]
    assert stands_below_its_peak(_rows(1, level_v=43.0, is_coarse=1.0))[0]


@pytest.mark.parametrize(("n_along", "is_rail"), [(0, False), (4, False), (6, True)])
def test_tops_along_the_supplys_course_are_an_amplifiers(n_along: int, is_rail: bool) -> None:
    rows = _rows(10)
    rows.columns["on_course"][:n_along] = 1.0
    assert _follow_the_supply([(rows, find_plain(rows))]) == is_rail


@pytest.mark.parametrize(("n_elsewhere", "is_coarse", "is_note"), [(1, 1.0, True), (2, 1.0, False), (0, 0.0, False)])
def test_crests_of_one_note_none_of_which_is_a_plateau_found_no_ceiling(
    n_elsewhere: int, is_coarse: float, is_note: bool
) -> None:
    """An organ's pedal of a second, and crests of other notes at its level."""
    rows = _rows(24, is_coarse=is_coarse)
    rows.columns["start_s"] = np.append(np.linspace(4.0, 5.0, 24 - n_elsewhere), 15.0 + 5.0 * np.arange(n_elsewhere))
    rail = learn_rail(rows["level_v"], rows.supply, rows.output)
    assert rail is not None
    assert is_one_note(Pile(rail, np.ones(24, dtype=bool), 0.14), rows) == is_note
