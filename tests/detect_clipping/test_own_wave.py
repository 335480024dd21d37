"""Waves that are flat by themselves are no clips; what a source or a ceiling cut off is."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench import clip_sets
from ampwitness.bench.clip_matching import score_case
from ampwitness.detect.clips.judge.clip_lookalike import makes_own_plateaus
from ampwitness.detect.clips.judge.clip_round import are_mostly_faint
from ampwitness.detect.clips.judge.clip_side import judge_side
from ampwitness.detect.clips.judge.clip_source_sides import _is_own_wave
from ampwitness.detect.clips.judge.clip_verdict import judge
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests
from ampwitness.types import FloatArray


def _plateaus(start_s: list[float], gain: float) -> Candidates:
    columns = {"start_s": np.array(start_s), "gain": np.full(len(start_s), gain)}
    nothing = np.zeros((len(start_s), 0))
    return Candidates(columns, nothing, nothing)


def test_one_note_of_weak_plateaus_is_its_own_wave() -> None:
    note = [33.2 + 0.0148 * k for k in range(25)]
    assert _is_own_wave(_plateaus(note, 91.0))
    assert not _is_own_wave(_plateaus(note, 1300.0))  # strong ones
    assert not _is_own_wave(_plateaus([*note, 40.0], 91.0))  # they come again
    assert not _is_own_wave(_plateaus([33.2 + 0.2 * k for k in range(25)], 91.0))  # longer than a note


def test_an_organ_pedal_has_no_clip() -> None:
    case = next(iter(clip_sets.iter_clean(120.0, 887)))
    assert case.name == "organ pedal, 12 V"
    assert score_case(case, 0.0005).n_false == 0


def test_limited_notes_of_frequency_modulation_have_no_clip() -> None:
    case = next(iter(clip_sets.iter_clean(120.0, 1276)))
    assert case.name == "limited fm bass, 11 V"
    assert score_case(case, 0.0005).n_false == 0


def _tops(level_v: FloatArray, gain: FloatArray, supply_v: FloatArray | float = 13.0) -> Candidates:
    """Plateaus of one polarity every 15 ms, in notes of ten with half a second between."""
    n = len(level_v)
    start_s = 1 + 0.015 * np.arange(n) + 0.5 * (np.arange(n) // 10)
    columns = {name: np.zeros(n) for name in FIELDS} | {
        "sign": np.ones(n), "start_s": start_s, "stop_s": start_s + 0.003, "level_v": level_v, "peak_v": level_v + 0.05,
        "crest_v": 1.12 * level_v, "crest_sd_v": np.full(n, 0.1), "gain": gain, "narrow_gain": gain / 2,
        "misfit": np.ones(n), "n_top": np.full(n, 24.0), "noise_v": np.full(n, 0.03),
        "flank_v_per_s": np.full(n, 3000.0), "flatter_flank_ratio": np.full(n, 0.9),
    }  # fmt: skip
    supply = np.broadcast_to(np.asarray(supply_v, dtype=float), n)[:, None]
    return Candidates(columns, np.repeat(supply, 4, axis=1), np.full((n, 4), 8.0))


def _no_crests() -> HighCrests:
    nothing, lags = np.zeros(0), np.zeros((0, 4))
    return HighCrests(nothing, nothing, nothing, nothing, lags, lags)


SWEPT_V = np.random.default_rng(3).uniform(5, 12, 60)
SUNK_V = np.tile(np.linspace(12, 8, 10), 6)  # within each note, into a limit of what supplies the amplifier


@pytest.mark.parametrize(
    ("level_v", "supply_v", "are_own"),
    [(SWEPT_V, 13.0, True), (SWEPT_V, SWEPT_V + 1, False), (SUNK_V, 13.0, False), (SWEPT_V[:7], 13.0, False)],
)
def test_of_swept_pulses_nearly_all_are_passed_by_far(level_v: FloatArray, supply_v: FloatArray, are_own: bool) -> None:
    """Each wave has a flat of its own, hardly two at one level; a ceiling sinks with its supply, or while it is met."""
    assert makes_own_plateaus([_tops(level_v, np.full(len(level_v), 900.0), supply_v)], _no_crests()) == are_own


def test_swept_pulses_are_no_clips() -> None:
    swept = _tops(SWEPT_V, np.full(60, 900.0))
    assert len(judge(swept, []).clips) == 0
    assert len(judge(_tops(SUNK_V, np.full(60, 900.0)), []).clips) > 0


@pytest.mark.parametrize(("n_plain", "has_ceiling"), [(5, False), (20, True)])
def test_hardly_flat_crests_beside_a_few_plain_ones_are_a_limiters(n_plain: int, has_ceiling: bool) -> None:
    wide_v = 12 - 0.15 * np.abs(np.random.default_rng(4).standard_normal(60))
    levels, gain = np.concatenate((np.full(n_plain, 12.0), wide_v)), np.full(n_plain + 60, 20.0)
    gain[:n_plain] = 200.0
    table = _tops(levels, gain)
    assert are_mostly_faint(table, np.abs(levels - 12) < 0.1) == (not has_ceiling)
    assert (judge_side(table, _no_crests(), 1.0).rail is not None) == has_ceiling
