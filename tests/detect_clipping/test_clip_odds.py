"""Whether a crest that ends within noise of a ceiling was cut off there, by Bayes' rule."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.judge import clip_few
from ampwitness.detect.clips.second import clip_faint
from ampwitness.detect.clips.second.clip_odds import Leads, cut_below
from ampwitness.detect.clips.second.clip_promise import Tops, measure_promises
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests
from ampwitness.types import FloatArray
from test_clip_promise import CEILING_V, NOISE_V, RATE_HZ, note

SIDE_V = 0.02


def crests_near_the_ceiling(n: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """(n,) wanted crests up to 0.3 V to either side of a ceiling, and the highest ceiling at which each was cut off."""
    rng = np.random.default_rng(seed)
    wanted_v = CEILING_V + rng.uniform(-0.3, 0.3, n)
    angle = 2 * np.pi * 60.0 * (np.arange(480) - 240 + rng.uniform(-0.5, 0.5, (n, 1))) / RATE_HZ
    bend = rng.uniform(-0.1, 0.1, (n, 1))
    shape = np.cos(angle) + bend * np.cos(3 * angle) + 0.1 * np.sin(2 * angle)
    shape /= shape.max(axis=1, keepdims=True)
    logged = np.minimum(wanted_v[:, None] * shape, CEILING_V) + NOISE_V * rng.standard_normal(shape.shape)
    tops = np.array([480 * k + 240 + np.argmax(one[200:280]) - 40 for k, one in enumerate(logged)])
    (found,) = measure_promises([Tops(logged.astype(np.float32).ravel(), RATE_HZ, tops, np.ones(n), NOISE_V)])
    return wanted_v, found.cut_below_v


def test_crests_within_noise_of_a_ceiling_are_told_apart() -> None:
    wanted_v, cut_below_v = crests_near_the_ceiling(1500, 5)
    is_cut = cut_below_v >= CEILING_V
    beyond_v = wanted_v - CEILING_V
    assert np.mean(is_cut[beyond_v > 0.1]) > 0.93  # 0.03 dB
    assert np.mean(is_cut[beyond_v > SIDE_V]) > 0.85
    assert np.mean(beyond_v[is_cut] < 0) <= 1 / 21  # odds of 20 to one, and better
    assert not is_cut[beyond_v < -0.1].any()


def test_odds_are_those_of_numbers_that_can_be_reckoned_by_hand() -> None:
    """A curve that rises alike everywhere, known to 1 V, and a top of three samples known to 0.1 V at 10 V. If the
    ceiling was at 10 V the crest may have gone to any height beyond; if it was at 10.05 V, all samples say 10 V."""
    n_top, noise_v = 3, np.array([0.1])
    leads = Leads(np.full((1, n_top), 10.0), np.zeros((1, n_top)), np.ones((1, n_top)), np.array([10.0]), np.ones(1))
    sure, likely_v = cut_below(leads, np.full((1, n_top), 10.0), noise_v)
    # By hand: beyond a ceiling c, exp(-3 (10 - c)^2 / 0.02) times the normal distribution's share above c - 10; below,
    # a normal distribution of 0.1 / sqrt(3) V about 10 V up to c, times 0.058. At c = 9.943 V these are 0.31 and 0.009.
    assert 9.9 < sure[0] < 10.0
    assert 10.5 < likely_v[0] < 11.1  # the mean of a normal distribution above its middle is 0.8 of its deviation
    none, _ = cut_below(leads, np.array([[10.0, 9.0, 10.0]]), noise_v)
    assert none[0] == 0.0  # no height gives such a top


@pytest.mark.parametrize("is_asked", [True, False])
def test_a_soft_note_cut_off_by_hundredths_is_found_where_its_flanks_alone_say_nothing(
    is_asked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(9)
    strong = note(1.2 * CEILING_V, 1.0)
    faint = [note(CEILING_V + 0.05, 0.4) for _ in range(5)]
    output = np.concatenate([strong, *(part for one in faint for part in (np.zeros(2400), one))])
    output = (output + NOISE_V * rng.standard_normal(len(output))).astype(np.float32)
    if not is_asked:
        nothing = lambda leads, top_v, noise_v: (np.zeros(len(top_v)), leads.crest_v)  # noqa: E731
        monkeypatch.setattr("ampwitness.detect.clips.second.clip_promise.cut_below", nothing)
    detector = ClippingDetector()
    supply = np.full_like(output, 12.6)
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=10.0):
        detector.push(window)
    n_faint = sum(finding.start_s > 1.1 for finding in detector.finish().findings)
    assert n_faint >= 50 if is_asked else n_faint <= 30


def _rows(level_v: list[float], gain: list[float], cut_below_v: list[float]) -> Candidates:
    n = len(level_v)
    columns = {name: np.zeros(n) for name in FIELDS}
    columns |= {"level_v": np.array(level_v), "peak_v": np.array(level_v), "gain": np.array(gain)}
    columns |= {"cut_below_v": np.array(cut_below_v), "start_s": np.arange(n) + 0.1, "stop_s": np.arange(n) + 0.101}
    columns |= {"noise_v": np.full(n, 0.03), "n_top": np.full(n, 5.0), "sign": np.ones(n)}
    return Candidates(columns, np.full((n, 4), 12.0), np.ones((n, 4)))


@pytest.mark.parametrize(("n_round", "is_taken"), [(0, True), (1, True), (8, False)])
def test_a_crest_that_joins_one_plateau_is_a_clip_where_few_round_ones_end(n_round: int, is_taken: bool) -> None:
    rows = _rows([30.0, 30.01, 30.02, 30.01], [900.0, 2.0, 2.0, 2.0], [0.0, 30.1, 30.1, 30.0])
    flat = np.zeros(n_round)
    lags = np.ones((n_round, 4))
    crests = HighCrests(flat + 1, flat + 50.0, flat + 30.0, flat + 30.0, lags, lags)
    taken, plateau = np.array([True, False, False, False]), np.array([True, False, False, False])
    found = clip_few.joins_few(rows, crests, 1.0, np.full(4, 30.0), taken, plateau)
    assert found.tolist() == [False, is_taken, is_taken, False]
    assert not clip_few.joins_few(rows, crests, 1.0, np.full(4, 30.0), ~plateau, plateau).any()  # that one is no clip


def test_crests_are_looked_at_again_where_one_plateau_shows_a_ceiling() -> None:
    rows = _rows([30.0, 12.0], [900.0, 2.0], [0.0, 0.0])
    plain = {"flatter_flank_ratio": 0.9, "flank_v_per_s": 3000.0, "narrow_gain": 200.0, "misfit": 1.0, "crest_v": 31.0}
    rows.columns.update({name: np.full(2, value) for name, value in plain.items()})
    assert clip_faint._rail_so_far(rows) is not None
