"""Levels over hours and the drift in them."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.day_signals import _GAINS_V as GAINS_V
from ampwitness.bench.day_signals import _OFFSETS_V as OFFSETS_V
from ampwitness.bench.day_signals import FRAME_WIRE_BYTES, SCANS, STRETCH, WireMaker
from ampwitness.bench.day_signals import RATE_HZ as BOARD_HZ
from ampwitness.bench.soak_scores import judge_soak, score
from ampwitness.bench.soak_signals import Soak
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.soak.drift_fit import find_drifts
from ampwitness.detect.soak.level_tiers import LevelTiers, SecondCutter, SecondLevels
from ampwitness.detect.soak.trends import BoardTrend, TrendDetector, add_findings
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.recording import RecordingWriter, open_recording
from ampwitness.reduction import ReduceOptions, reduce_recording
from ampwitness.types import Chunk, Finding, TraceWindow

RATE_HZ = 100.0


def soak(**changes: object) -> Soak:
    given = {
        "hours": 14.0, "drive": "tone", "shape": "linear", "change_at_s": 4 * 3600.0, "change_over_s": 6 * 3600.0,
        "change_db": -0.3, "supply_steps": False, "pauses": True, "seed": 5,
    }  # fmt: skip
    return Soak(**{**given, **changes})  # type: ignore[arg-type]


def test_a_drift_is_found_sized_and_dated() -> None:
    (drift,) = judge_soak(soak()).findings
    assert drift.start_s == pytest.approx(4 * 3600, abs=20 * 60)
    assert drift.stop_s == pytest.approx(10 * 3600, abs=40 * 60)
    assert drift.measured["change_db"] == pytest.approx(-0.3, abs=0.05)
    assert "consistent with thermal compression or a limiter" in str(drift.measured["cause"])
    assert "supply steady" in str(drift.measured["cause"])


def test_how_well_a_date_is_known_follows_from_the_noise() -> None:
    doubts_min = {}
    for drive, change_db in (("tone", -0.3), ("noise", -0.3), ("noise", -0.15)):
        (drift,) = judge_soak(soak(drive=drive, change_db=change_db, seed=44)).findings
        doubt_s = drift.measured["start_uncertainty_s"]
        assert isinstance(doubt_s, float)
        assert abs(drift.start_s - 4 * 3600) <= 2 * doubt_s
        doubts_min[drive, change_db] = doubt_s / 60
    tone, strong, weak = doubts_min.values()
    assert tone < strong < weak
    assert strong < 25  # the least possible is some 11


def test_none_is_invented() -> None:
    for seed in range(20, 26):
        result = judge_soak(soak(shape="steady", seed=seed, supply_steps=True))
        assert result.findings == ()
        assert result.coverage.judged_s > 13 * 3600


def test_scores_on_a_few_unused_seeds() -> None:
    linear, steady = score("linear", "tone", 9000, 5), score("steady", "noise", 9000, 5)
    assert (linear["found"], linear["dated"], linear["invented"]) == (5, 5, 0)
    assert (steady["judged"], steady["invented"]) == (5, 0)


def test_two_drifts_and_a_step_between_hours() -> None:
    time_s = (np.arange(24 * 60) + 0.5) * 60
    rng = np.random.default_rng(3)
    level_db = 0.01 * rng.standard_normal(len(time_s))
    level_db += -0.4 * np.clip((time_s - 2 * 3600) / 7200, 0, 1) + 0.3 * np.clip((time_s - 8 * 3600) / 7200, 0, 1)
    level_db[16 * 60 :] -= 3.0
    stretches, steps = find_drifts(time_s, level_db, 60.0)
    assert [(at, round(change, 1)) for at, change in steps] == [(16 * 60, -3.0)]
    first, second = stretches[0].drifts
    assert (first.change_db, second.change_db) == (pytest.approx(-0.4, abs=0.05), pytest.approx(0.3, abs=0.05))
    assert first.start_s == pytest.approx(2 * 3600, abs=1200)
    assert second.start_s == pytest.approx(8 * 3600, abs=1200)
    assert stretches[1].drifts == ()


def test_music_without_a_source_is_not_judged_with_one_it_is() -> None:
    rng = np.random.default_rng(4)
    n = 3 * 3600
    music_db = np.repeat(3 * rng.standard_normal(n // 20), 20)
    drop_db = -0.5 * np.clip((np.arange(n) - 3600) / 3600, 0, 1)
    zero = np.zeros(n)
    output, source = 10 * 10 ** ((music_db + drop_db) / 20), 10 ** (music_db / 20)
    levels = {name: SecondLevels(-v, v, zero, v) for name, v in (("output", output), ("source", source))}
    alone, against = TrendDetector(), TrendDetector()
    alone.push_levels(np.arange(n), {"output": levels["output"]})
    against.push_levels(np.arange(n), levels)
    result = alone.finish()
    assert result.findings == ()
    assert result.coverage.judged_s == 0
    assert "the drive was not constant" in result.coverage.not_judged[0].reason
    (drift,) = against.finish().findings
    assert drift.measured["change_db"] == pytest.approx(-0.5, abs=0.05)
    assert drift.start_s == pytest.approx(3600, abs=1200)
    assert drift.evidence["against"] == "the source"


def two_hours(window_s: float) -> Iterator[TraceWindow]:
    """A tone that sinks by 0.5 dB in the second half hour, at a low rate, with gaps."""
    time_s = np.arange(round(2 * 3600 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(6)
    level = 20 * 10 ** (-0.5 * np.clip((time_s - 1800) / 1800, 0, 1) / 20)
    output = level * np.sin(2 * np.pi * 7.3 * time_s) + 0.02 * rng.standard_normal(len(time_s))
    supply = 13.5 + 0.05 * rng.standard_normal(len(time_s))
    lost = [(100_050, 100_090), (400_000, 460_500)]
    volts = {"output": output.astype(np.float32), "supply": supply.astype(np.float32)}
    return iter_windows_from_arrays(volts, RATE_HZ, window_s=window_s, lost=lost)


@cache
def judge_two_hours(window_s: float) -> DetectorResult:
    return judge(two_hours(window_s))


def judge(windows: Iterator[TraceWindow]) -> DetectorResult:
    detector = TrendDetector()
    for window in windows:
        detector.push(window)
    return detector.finish()


def test_the_answer_does_not_depend_on_the_windows() -> None:
    results = [judge_two_hours(window_s) for window_s in (1.0, 10.0, 60.0, 7.3)]
    assert len(results[0].findings) == 1
    assert results[0].findings[0].start_s == pytest.approx(1800, abs=600)
    for other in results[1:]:
        assert other.findings == results[0].findings
        assert other.summary == results[0].summary
        assert other.coverage == results[0].coverage


def test_levels_of_seconds_give_what_windows_give() -> None:
    cutter, detector = SecondCutter(), TrendDetector()
    for window in two_hours(10.0):
        for numbers, levels in cutter.push(window):
            detector.push_levels(numbers, levels)
    windows = judge_two_hours(10.0)
    kept = detector.finish()
    assert kept.findings == windows.findings
    assert kept.summary == windows.summary


def test_memory_does_not_grow_with_time() -> None:
    tiers = LevelTiers(max_bins=64)
    rng = np.random.default_rng(8)
    for hour in range(100):
        n = 3600
        rms_v = np.full(n, 10.0) + 0.01 * rng.standard_normal(n)
        levels = {"output": SecondLevels(-15 + 0 * rms_v, 15 + 0 * rms_v, 0 * rms_v, rms_v)}
        tiers.push(np.arange(n) + hour * n, levels)
        assert len(tiers._sums["n_s"]) <= 64
    table = tiers.finish()
    assert len(table.n_s) * table.bin_s >= 100 * 3600
    assert table.n_s.sum() == 100 * 3600
    assert np.nanmax(np.abs(table.output_v - 10.0)) < 0.01
    board = BoardTrend()
    for minute in range(20_000):
        board.push(60.0 * minute, 25.0 + minute / 1000)
    board.push(60.0 * 20_000, None)
    told = board.finish()
    assert len(told["die_c"]) <= BoardTrend.MOST
    assert told["die_c"][-1] == pytest.approx(45.0, abs=0.1)


def test_findings_stand_in_the_row_of_their_time() -> None:
    table = deepcopy(judge_two_hours(60.0).summary["table"])
    clip = Finding(
        "clip", 600.5, 600.6, "attention", {"polarity": "positive", "plateau_v": 30.0, "flat_s": 0.6}, {}, {}
    )
    note = Finding("note", 660.0, 661.0, "information", {"sag_v": 0.4}, {}, {})
    gap = Finding("gap", 719.0, 722.0, "information", {"cause": "link"}, {}, {})
    add_findings(table, (clip, note, gap), 7200.0)
    assert table["step_s"] == 60.0
    assert table["clipped_percent"][10] == pytest.approx(1.0)
    assert table["positive_ceiling_v"][10] == 30.0
    assert table["negative_ceiling_v"][10] is None
    assert table["sag_v"][11] == 0.4
    assert table["lost_s"][11:13] == [1.0, 2.0]


@pytest.mark.parametrize("duration_s", [67.9, 60.9])
def test_the_clipped_share_is_of_all_that_was_recorded_of_a_row(duration_s: float) -> None:
    """A tenth of the time is clipped throughout; seconds broken by a gap and by the end hold clips too."""
    volts = {"output": np.ones(round(RATE_HZ * duration_s), dtype=np.float32)}
    table = deepcopy(judge(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0)).summary["table"])
    measured = {"polarity": "positive", "plateau_v": 30.0, "flat_s": 0.01}
    gap = Finding("gap", 20.3, 20.8, "information", {"cause": "link"}, {}, {})
    starts_s = [at_s for at_s in np.arange(0.05, duration_s, 0.1).tolist() if not gap.start_s < at_s < gap.stop_s]
    clips = [Finding("clip", at_s, at_s + 0.01, "attention", measured, {}, {}) for at_s in starts_s]
    add_findings(table, (*clips, gap), duration_s)
    assert len(table["clipped_percent"]) == (2 if duration_s > 61 else 1)
    assert table["clipped_percent"] == pytest.approx([10.0] * len(table["clipped_percent"]), rel=0.01)


def test_what_begins_just_ahead_of_the_recording_stands_in_the_first_row() -> None:
    table = deepcopy(judge_two_hours(60.0).summary["table"])
    clip = Finding("clip", -1e-5, 0.1, "attention", {"polarity": "negative", "plateau_v": -30.0, "flat_s": 0.6}, {}, {})
    gap = Finding("gap", -0.5, 3.0, "information", {"cause": "link"}, {}, {})
    add_findings(table, (clip, gap), 7200.0)
    assert table["negative_ceiling_v"][0] == -30.0
    assert table["lost_s"][0] == 3.0
    assert table["lost_s"][-1] == 0.0


@pytest.mark.long
def test_through_the_whole_chain_and_again_from_its_reduced_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Wire bytes of an hour, decoded and reconstructed: 0.5 dB in 20 minutes, in the file and in its copy."""
    path = tmp_path / "long.mcap"
    rng = np.random.default_rng(12)
    maker, host_s, n_stretches = WireMaker(), 1_700_000_000.0, 188
    with RecordingWriter(path, {}, fsync_every_s=1e9) as writer:
        for number in range(n_stretches):
            at = np.arange(number * STRETCH, (number + 1) * STRETCH)
            time_s = at / BOARD_HZ
            level = 18 * 10 ** (-0.5 * np.clip((time_s - 1200) / 1200, 0, 1) / 20)
            tone = (0.5 * level * np.sin(2 * np.pi * 47 * time_s)).astype(np.float32)
            counts = np.empty((STRETCH, 3), dtype=np.uint16)
            for channel, volts in enumerate((7 + tone, 7 - tone, np.float32(13.5))):
                code = (volts - OFFSETS_V[channel]) / GAINS_V[channel]
                counts[:, channel] = np.round(8 * code + 4 * rng.standard_normal(STRETCH, dtype=np.float32))
            for piece in maker.next_bytes(counts):
                host_s += len(piece) / FRAME_WIRE_BYTES * SCANS / BOARD_HZ
                writer.append(Chunk(piece, host_s))
    # The other detectors take long over such a tone and have nothing to do with it.
    judged: list[DetectorResult] = []

    def judge_trends(windows: Iterator[TraceWindow], *_: object, **__: object) -> tuple[DetectorResult, ...]:
        judged.append(judge(windows))
        return tuple(judged)

    monkeypatch.setattr("ampwitness.reduction.run_all", judge_trends)
    small = tmp_path / "small.mcap"
    reduce_recording(open_recording(path), small, ReduceOptions(), lambda what, share: None)
    assert small.stat().st_size < 0.1 * path.stat().st_size
    for findings in (judged[0].findings, analyse_file(small, AnalyseOptions()).findings):
        (drift,) = [f for f in findings if f.kind == "drift"]
        assert drift.start_s == pytest.approx(1200, abs=400)
        assert drift.measured["change_db"] == pytest.approx(-0.5, abs=0.05)
        assert drift.measured["level_before_v"] == pytest.approx(18 / np.sqrt(2), rel=0.03)  # nominal converter
