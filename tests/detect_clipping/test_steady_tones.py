"""A clean steady tone with a weak line on it makes crests that look flat at one level; none of them is a clip."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.ceiling.rail_model import learn_rail
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.clips.judge.clip_round import is_overtopped
from ampwitness.detect.clips.judge.clip_verdict import judge
from ampwitness.detect.clips.table.clip_candidates import FIELDS, Candidates, HighCrests
from ampwitness.detect.result import DetectorResult

RATE_HZ = 8000.0


def play(tone_hz: float, line_hz: float, line_v: float, ceiling_v: float = 99.0) -> DetectorResult:
    at = np.arange(round(6 * RATE_HZ)) / RATE_HZ
    tone = np.clip(5.5 * np.sin(2 * np.pi * tone_hz * at), -ceiling_v, ceiling_v)
    noise = 0.01 * np.random.default_rng(4).standard_normal(len(at))
    output = (tone + line_v * np.sin(2 * np.pi * line_hz * at) + noise).astype(np.float32)
    supply = np.full(len(at), 12.6, dtype=np.float32)
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=10.0):
        detector.push(window)
    return detector.finish()


@pytest.mark.parametrize(
    ("tone_hz", "line_hz", "line_v"),
    [
        (97, 1700, 0.02),
        (97, 1700, 0.05),
        (50, 1400, 0.05),
        (71, 1200, 0.05),
        (43, 900, 0.05),
        (110, 1700, 0.05),
        (47, 600, 0.02),
    ],
)
def test_a_line_on_a_clean_tone_makes_no_clips(tone_hz: float, line_hz: float, line_v: float) -> None:
    """As an alternator's whine or a switching residue that folded: 0.4 to 1 % of the tone."""
    assert len(play(tone_hz, line_hz, line_v).findings) == 0


@pytest.mark.parametrize(("tone_hz", "line_hz"), [(97, 1700), (43, 900)])
def test_the_same_tone_that_clips_is_found(tone_hz: float, line_hz: float) -> None:
    found = play(tone_hz, line_hz, 0.02, ceiling_v=5.0)
    assert len(found.findings) > 0.95 * 2 * tone_hz * 6


@pytest.mark.parametrize(("lively", "is_refuted"), [(0.0, True), (0.3, False)])
def test_treble_rings_above_a_ceiling_and_does_not_refute_it(lively: float, is_refuted: bool) -> None:
    n = 20
    times = np.arange(n) * 0.2
    columns = {name: np.ones(n) for name in FIELDS} | {"level_v": np.full(n, 30.0), "lively": np.full(n, lively)}
    plateaus = Candidates(columns | {"start_s": times}, np.full((n, 4), np.nan), np.ones((n, 4)))
    rail = learn_rail(plateaus["level_v"], plateaus.supply, plateaus.output)
    assert rail is not None
    level = np.full(n, 30.3)
    crests = HighCrests(np.ones(n), times + 0.1, level, level, plateaus.supply, plateaus.output)
    assert is_overtopped(rail, plateaus, crests, 1.0, 0.01) is is_refuted
    low = HighCrests(np.ones(n), times + 0.1, level - 1, level - 1, plateaus.supply, plateaus.output)
    assert not is_overtopped(rail, plateaus, low, 1.0, 0.01)


def test_a_flat_crest_whose_highest_sample_is_noise_stands_above_no_ceiling() -> None:
    """Clipped square notes that no fit holds are kept as crests: their tops lie at the ceiling, one sample above it."""
    n = 20
    times = np.arange(n) * 0.2
    columns = {name: np.ones(n) for name in FIELDS} | {"level_v": np.full(n, 30.0), "lively": np.zeros(n)}
    plateaus = Candidates(columns | {"start_s": times}, np.full((n, 4), np.nan), np.ones((n, 4)))
    rail = learn_rail(plateaus["level_v"], plateaus.supply, plateaus.output)
    assert rail is not None
    top, highest = np.full(n, 30.04), np.full(n, 30.2)
    flat = HighCrests(np.ones(n), times + 0.1, top, highest, plateaus.supply, plateaus.output)
    assert not is_overtopped(rail, plateaus, flat, 1.0, 0.04)
    round_ = HighCrests(np.ones(n), times + 0.1, highest, highest, plateaus.supply, plateaus.output)
    assert is_overtopped(rail, plateaus, round_, 1.0, 0.04)


@pytest.mark.parametrize(("n_plain", "n_found"), [(1, 0), (5, 8)])
def test_one_plateau_makes_no_ceiling_that_others_come_just_up_to(n_plain: int, n_found: int) -> None:
    """A single flat crest in an hour of music is chance; crests that end near its level are none the more clips."""
    n = n_plain + 3
    columns = {name: np.zeros(n) for name in FIELDS} | {
        "start_s": np.arange(n) * 1.0, "stop_s": np.arange(n) + 0.001, "level_v": np.full(n, 5.0),
        "peak_v": np.full(n, 5.0), "crest_v": np.full(n, 5.1), "crest_sd_v": np.full(n, 0.02),
        "gain": np.repeat([61.0, 10.0], [n_plain, 3]), "narrow_gain": np.full(n, 30.0), "misfit": np.ones(n),
        "n_top": np.full(n, 6.0), "noise_v": np.full(n, 0.04), "flank_v_per_s": np.full(n, 900.0),
        "flatter_flank_ratio": np.full(n, 0.8), "sign": np.ones(n), "sharpness": np.zeros(n),
    }  # fmt: skip
    table = Candidates(columns, np.full((n, 4), np.nan), np.ones((n, 4)))
    assert len(judge(table, []).clips) == n_found
