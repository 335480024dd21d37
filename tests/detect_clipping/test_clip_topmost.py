"""Cut-off crests that nothing tops, and plateaus that end with a jump, in tables made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ampwitness.detect.clips.ceiling.clip_pile import BETWEEN_CORNERS
from ampwitness.detect.clips.ceiling.clip_refuted import is_refuted
from ampwitness.detect.clips.judge.clip_release import is_released_late, without_release
from ampwitness.detect.clips.judge.clip_topmost import (
    ends_among_round,
    find_topmost,
    shows_one_corner,
)
from ampwitness.detect.clips.judge.clip_verdict import crest_sd
from ampwitness.detect.clips.measure.overdrive import overdrive_interval
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests

N = 6


def table(**changes: Any) -> Candidates:
    """Plateaus of 20 V every 30 ms, plain but not by themselves."""
    columns = {name: np.zeros(N) for name in FIELDS} | {
        "start_s": 1 + 0.03 * np.arange(N), "stop_s": 1.003 + 0.03 * np.arange(N), "level_v": np.full(N, 20.0),
        "peak_v": np.full(N, 20.1), "crest_v": np.full(N, 22.0), "crest_sd_v": np.full(N, 0.2),
        "gain": np.full(N, 90.0), "narrow_gain": np.full(N, 30.0), "misfit": np.ones(N), "n_top": np.full(N, 24.0),
        "noise_v": np.full(N, 0.03), "flank_v_per_s": np.full(N, 3000.0), "flatter_flank_ratio": np.full(N, 0.9),
        "sign": np.ones(N),
    }  # fmt: skip
    columns |= {name: np.broadcast_to(np.asarray(value, dtype=float), N).copy() for name, value in changes.items()}
    return Candidates(columns, np.full((N, 4), 13.0), np.full((N, 4), 8.0))


def crest(at_s: float, level_v: float, supply_v: float = 13.0, load_v: float = 8.0) -> HighCrests:
    level = np.array([level_v])
    lags = np.full((1, 4), supply_v), np.full((1, 4), load_v)
    return HighCrests(np.ones(1), np.array([at_s]), level, level, *lags)


def n_topmost(crests: HighCrests, **changes: Any) -> int:
    return int(find_topmost(table(**changes), crests, 1.0).sum())


def test_a_round_crest_nearby_that_stands_above_speaks_against_plateaus() -> None:
    assert n_topmost(crest(1.2, 19.0)) == N
    assert n_topmost(crest(1.2, 20.3)) == 0
    assert n_topmost(crest(1.2, 20.3, load_v=4.0)) == N  # before the ceiling sank under load
    assert n_topmost(crest(9.0, 20.3)) == N  # a ceiling may drift by so much
    # A candidate that is round itself counts too.
    assert n_topmost(crest(9.0, 1.0), gain=[90, 90, 90, 90, 90, 8], peak_v=[20.1] * 5 + [20.6]) == 0


def test_a_far_louder_passage_at_no_more_supply_speaks_against_plateaus() -> None:
    assert n_topmost(crest(9.0, 22.0)) == 0
    assert n_topmost(crest(9.0, 22.0, supply_v=14.5)) == N
    assert n_topmost(crest(9.0, 22.0, load_v=4.0)) == N


@pytest.mark.parametrize(("n", "gain", "n_found"), [(1, 90.0, 0), (1, 120.0, 1), (2, 90.0, 2)])
def test_a_single_flat_crest_needs_more(n: int, gain: float, n_found: int) -> None:
    """In hours of music one flat crest is chance."""
    gains, peaks = [gain] * n + [10.0] * (N - n), [20.1] * n + [15.0] * (N - n)
    assert n_topmost(crest(1.2, 19.0), gain=gains, peak_v=peaks, narrow_gain=50.0) == n_found


@pytest.mark.parametrize(("misfit", "n_found"), [(10.0, 1), (21.0, 0)])
def test_a_single_flat_crest_must_fit_for_what_it_gains(misfit: float, n_found: int) -> None:
    """Two round crests of clean music gained 142 and 251 at misfits of 21 and 22, and were clips."""
    gains, peaks = [251.0] + [10.0] * (N - 1), [20.1] + [15.0] * (N - 1)
    assert n_topmost(crest(1.2, 19.0), gain=gains, peak_v=peaks, narrow_gain=50.0, misfit=misfit) == n_found


@pytest.mark.parametrize(("gain", "misfit", "n_found"), [(90.0, 6.0, 0), (90.0, 4.0, N), (110.0, 6.0, N)])
def test_where_nothing_shows_a_ceiling_round_tops_that_fit_badly_are_none(
    gain: float, misfit: float, n_found: int
) -> None:
    """Notes that their maker saturated decay with crests of 60 to 90, at misfits of 3 to 20."""
    assert n_topmost(crest(1.2, 19.0), gain=gain, misfit=misfit) == n_found
    known = np.arange(N) < 3
    assert find_topmost(table(gain=gain, misfit=misfit), crest(1.2, 19.0), 1.0, known).sum() == N - 3


@pytest.mark.parametrize(("crest_v", "misfit", "n_found"), [(20.5, 3.0, 0), (20.5, 1.0, N), (22.0, 3.0, N)])
def test_where_nothing_shows_a_ceiling_light_cuts_must_fit_well(crest_v: float, misfit: float, n_found: int) -> None:
    """Flat waves of limited notes gain 150 to 480 at misfits of 7 to 10, as if cut off by 0.1 to 0.5 dB."""
    light = {"gain": 110.0, "misfit": misfit, "crest_v": crest_v}
    assert n_topmost(crest(1.2, 19.0), **light) == n_found
    assert find_topmost(table(**light), crest(1.2, 19.0), 1.0, np.arange(N) < 3).sum() == N - 3


@pytest.mark.parametrize(("crest_v", "n_found"), [(24.6, 0), (25.5, N)])
def test_where_nothing_shows_a_ceiling_what_no_fit_describes_must_be_cut_off_far(crest_v: float, n_found: int) -> None:
    coarse = {"is_coarse": 1.0, "gain": 0.0, "crest_v": crest_v}
    assert n_topmost(crest(1.2, 19.0), **coarse) == n_found
    assert find_topmost(table(**coarse), crest(1.2, 19.0), 1.0, np.arange(N) < 3).sum() == N - 3


@pytest.mark.parametrize(("n_round", "n_found"), [(10, N), (30, 0)])
def test_where_many_round_crests_end_a_few_flat_ones_are_none(n_round: int, n_found: int) -> None:
    """A limiter brings crests of every shape to one level."""
    level, lags = np.full(n_round, 20.0), np.full((n_round, 4), 13.0)
    round_ones = HighCrests(np.ones(n_round), np.linspace(3, 9, n_round), level, level, lags, lags)
    assert n_topmost(round_ones) == n_found


@pytest.mark.parametrize(("n_topped", "n_found"), [(2, 2), (4, 0)])
def test_look_alikes_at_a_level_that_are_refused_speak_against_the_others(n_topped: int, n_found: int) -> None:
    """In limited notes of frequency modulation 24 of 660 such tops lay under nothing round, by chance."""
    start_s = np.array([5.0, 5.03] + [1.0, 1.03, 1.06, 1.09][:n_topped] + [8.0] * (4 - n_topped))
    level_v = np.array([20.0, 20.0] + [20.0] * n_topped + [10.0] * (4 - n_topped))
    tops = {"start_s": start_s, "stop_s": start_s + 0.003, "level_v": level_v, "narrow_gain": 5.0}
    assert n_topmost(crest(1.2, 20.3), **tops) == n_found


@pytest.mark.parametrize(("n_round", "n_found"), [(0, 4), (9, 0)])
def test_a_top_that_ends_among_round_crests_vouches_for_none_beside_it(n_round: int, n_found: int) -> None:
    """In two minutes of limited frequency modulation one of gain 40 at a limiter's level spoke for five below it."""
    level_v = np.array([20.05, 20.0, 20.0, 20.0, 10.0, 10.0])
    tops = {"level_v": level_v, "peak_v": level_v, "gain": [50.0] + [25.0] * 3 + [5.0] * 2, "narrow_gain": 5.0}
    high_v, lags = np.full(max(n_round, 1), 20.09 if n_round else 15.0), np.full((max(n_round, 1), 4), 13.0)
    times_s = np.linspace(3, 9, len(high_v))
    assert n_topmost(HighCrests(np.ones(len(high_v)), times_s, high_v, high_v, lags, lags), **tops) == n_found


def test_of_a_plateau_with_one_corner_neither_end_nor_crest_is_known() -> None:
    assert not shows_one_corner(table()).any()
    for odd in ({"tilt_v_per_s": -2500.0}, {"n_top": 1.0}, {"flatter_flank_ratio": 0.1}):
        assert shows_one_corner(table(**odd)).all()


@pytest.mark.parametrize(("crest_v", "known_sd_v"), [(320.0, 5.0), (24.0, 0.5)])
def test_a_top_between_corners_that_no_fit_describes_may_have_gone_no_further(
    crest_v: float, known_sd_v: float
) -> None:
    """Clipped square notes: 24 dB were told for 66 tops of one recording, 5.6 at least, where 1.9 were true."""
    clips = table(crest_v=crest_v, crest_sd_v=known_sd_v, top_kind=[BETWEEN_CORNERS] * 3 + [0.0] * 3)
    sd_v = crest_sd(clips, np.zeros(N, dtype=bool))
    np.testing.assert_array_equal(sd_v[3:], known_sd_v)
    sd_db = 20 / np.log(10) * sd_v / clips["crest_v"]
    low_db, high_db = overdrive_interval(clips.over_db, sd_db, clips["lively"], is_coarse=True)
    assert (low_db[:3] == 0).all()
    assert (low_db[3:] > 0).all()
    assert (high_db > clips.over_db).all()


def test_a_late_release_shows_in_both_polarities_and_its_flank_says_nothing() -> None:
    both = {"sign": [1, -1] * (N // 2), "crest_v": 30.0}
    late = Candidates(*(_twice(part) for part in _parts(table(lean=0.5, flank_v_per_s=16_000.0, **both))))
    assert is_released_late(late)
    assert not is_released_late(Candidates(*(_twice(part) for part in _parts(table(lean=-0.5, **both)))))
    saw = Candidates(*(_twice(part) for part in _parts(table(lean=[0.5, -0.5] * (N // 2), **both))))
    assert not is_released_late(saw)
    # The flank before: 8 V/ms at 20 V over 3 ms. x tan x = s T / 2 L = 0.6 gives x = 0.7051, the crest L / cos x.
    assert without_release(late)["crest_v"] == pytest.approx(20 / np.cos(0.7051), rel=1e-3)


def _parts(one: Candidates) -> tuple[Any, ...]:
    return one.columns, one.supply, one.output


def _twice(part: Any) -> Any:
    if isinstance(part, dict):
        return {name: np.concatenate((column, column)) for name, column in part.items()}
    return np.concatenate((part, part))


def test_faint_ones_at_one_level_speak_together_unless_round_crests_end_there_too() -> None:
    """A limiter before the amplifier brings round crests to one level, and noise makes some of them look flat."""
    faint = {"gain": [65.0, 60.0, 2.0, 2.0, 2.0, 2.0], "peak_v": 20.0, "narrow_gain": 5.0}
    assert n_topmost(crest(1.2, 19.0), **{**faint, "peak_v": [20.0] * 2 + [15.0] * 4}) == 2
    assert n_topmost(crest(1.2, 19.0), **faint) == 0


@pytest.mark.parametrize(
    ("is_slide", "pause_s", "refutes"), [(False, 0.5, True), (False, 0.0, False), (True, 0.0, False)]
)
def test_a_level_that_was_slid_down_to_refutes_no_amplifier(is_slide: bool, pause_s: float, refutes: bool) -> None:
    """A store that runs empty lets its ceiling down in small steps, further than the lags look back."""
    at = np.arange(80)
    start_s = 1 + 0.02 * at + np.where(at < 20, 0.0, pause_s)
    level_v = np.maximum(30 * 0.97**at, 17.0) if is_slide else np.where(at < 20, 30.0, 17.0)
    columns = {name: np.zeros(80) for name in FIELDS}
    columns |= {"sign": np.ones(80), "start_s": start_s, "level_v": level_v, "peak_v": level_v}
    load_v = np.repeat((0.7 * level_v)[:, None], 4, axis=1)
    plateaus = Candidates(columns, np.full((80, 4), 13.0), load_v)
    nothing = np.zeros(0)
    none = HighCrests(nothing, nothing, nothing, nothing, np.zeros((0, 4)), np.zeros((0, 4)))
    assert is_refuted([(plateaus, np.ones(80, dtype=bool))], none) == refutes


def test_flat_tops_among_many_round_ones_at_their_level_are_no_sources() -> None:
    """31 flat crests of a held organ pedal were, in a recording with five times as many round ones at their level."""
    flats, found = table(), np.array([True] * 4 + [False] * 2)
    assert not ends_among_round(flats, found, np.full(12, 20.0)).any()  # three round ones to each: chance
    assert ends_among_round(flats, found, np.full(13, 20.0)).all()
    assert not ends_among_round(flats, found, np.sort(np.append(np.full(40, 19.5), np.full(40, 20.5)))).any()
