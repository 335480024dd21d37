"""Rounded tops at one level that no fit describes: of one held shape they show no ceiling, of many drives they do."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.detect.clips.judge.clip_side import judge_side
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests
from ampwitness.detect.clips.table.clip_stream import OUTPUT_LAGS_S, SUPPLY_LAGS_S
from ampwitness.types import FloatArray

LEVEL_V, N = 20.0, 40


def tops(drive: FloatArray) -> Candidates:
    """Half-cycles measured by their crossings, at one level."""
    columns = {name: np.zeros(N) for name in FIELDS}
    start_s = 0.1 + 0.02 * np.arange(N)
    wiggle_v = 0.02 * np.random.default_rng(5).standard_normal(N)
    columns |= {
        "sign": np.ones(N), "start_s": start_s, "stop_s": start_s + 0.003, "level_v": LEVEL_V + wiggle_v,
        "peak_v": LEVEL_V + wiggle_v + 0.2, "crest_v": LEVEL_V * drive, "crest_sd_v": np.full(N, 0.5),
        "flank_v_per_s": np.full(N, 5000.0), "flatter_flank_ratio": np.full(N, 0.9), "n_top": np.full(N, 20.0),
        "noise_v": np.full(N, 0.03), "is_coarse": np.ones(N), "lively": np.full(N, 0.4),
    }  # fmt: skip
    return Candidates(columns, np.full((N, len(SUPPLY_LAGS_S)), 12.6), np.full((N, len(OUTPUT_LAGS_S)), 10.0))


def crests(level_v: FloatArray) -> HighCrests:
    """Round crests of the same polarity."""
    n = len(level_v)
    lags = np.full((n, len(SUPPLY_LAGS_S)), 12.6), np.full((n, len(OUTPUT_LAGS_S)), 10.0)
    return HighCrests(np.ones(n), 2 + 0.25 * np.arange(n), level_v, level_v, *lags)


@pytest.mark.parametrize(
    ("drive", "round_v", "n_told"),
    [
        (np.linspace(1.2, 1.6, N), np.full(5, 15.0), N),
        (np.linspace(1.29, 1.31, N), np.full(5, 15.0), 0),  # one shape
        (np.linspace(1.2, 1.6, N), np.full(4 * N, LEVEL_V), 0),  # a limiter brought round ones there as well
    ],
)
def test_tops_of_many_drives_show_a_ceiling(drive: FloatArray, round_v: FloatArray, n_told: int) -> None:
    assert np.count_nonzero(judge_side(tops(drive), crests(round_v), 1.0).accepted) == n_told
