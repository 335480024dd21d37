"""Levels that follow their drive, and where they stop: made points, and a tone too high for its distortion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.types import Finding
from ampwitness.waveform.assemble import iter_windows

SOURCE_RATE_HZ = 150_000
RAIL_V = 28.0
KNEE_RATIO = math.sqrt(1.04751)  # rms at 1 % THD over that of the sine that just fits, closed form


def drive_steps(low_db: float, high_db: float, step_db: float = 1.0, step_s: float = 1.5) -> np.ndarray:
    """Decibels against the rail for each sample."""
    levels = np.arange(low_db, high_db + step_db / 2, step_db)
    return np.repeat(levels, round(step_s * SOURCE_RATE_HZ))


def through_board(
    hz: float, drive_db: np.ndarray, *, with_source: bool, limit_v: float | None = None
) -> DetectorResult:
    """Volts at the terminals through the board's wide mode, and what the report's detector makes of them."""
    time_s = np.arange(len(drive_db)) / SOURCE_RATE_HZ
    crest_v = RAIL_V * 10 ** (drive_db / 20)
    held_v = crest_v if limit_v is None else np.minimum(crest_v, limit_v)
    output = np.clip(held_v * np.sin(2 * np.pi * hz * time_s), -RAIL_V, RAIL_V)
    columns = {"out_p": 7 + output / 2, "out_n": 7 - output / 2, "supply": np.full(len(output), 12.5)}
    if with_source:
        columns["source"] = crest_v / RAIL_V * np.sin(2 * np.pi * hz * time_s)
    roles = tuple(columns)
    detector = GainStepDetector(4.0, "resistor")
    stimulus = ArrayStimulus(roles, SOURCE_RATE_HZ, np.column_stack(list(columns.values())))
    for window in iter_windows(simulate_blocks(stimulus, roles, "wide", seed=8)):
        detector.push(window)
    return detector.finish()


def knees(result: DetectorResult) -> list[Finding]:
    return [finding for finding in result.findings if finding.kind == "knee"]


@pytest.mark.parametrize(("hz", "with_source"), [(4100.0, True), (6300.0, False)])
def test_a_tone_without_distortion_finds_the_ceiling_by_its_steps(hz: float, with_source: bool) -> None:
    (found,) = knees(through_board(hz, drive_steps(-8, 2), with_source=with_source))
    follow_v = float(found.measured["follow_v"] or 0)
    assert found.measured["knee_v"] is None  # no distortion was measured, and none is claimed
    followed_v = float(found.measured["followed_v"] or 0)
    # The last step that follows is that at the rail; the board's own gain (1 or 2 %) drops out.
    assert followed_v == pytest.approx(RAIL_V / math.sqrt(2), rel=0.03)
    assert 20 * math.log10(follow_v / followed_v) == pytest.approx(20 * math.log10(KNEE_RATIO), abs=0.1)
    assert "stopped following" in str(found.measured["outcome"])
    assert "limiter" in str(found.measured["outcome"])


def test_a_clean_amplifier_follows_and_no_edge_is_invented() -> None:
    for with_source in (True, False):
        result = through_board(6300.0, drive_steps(-12, -2), with_source=with_source)
        assert all(one.measured["follow_v"] is None for one in knees(result))
        # One reason is one line of the coverage, whatever the levels were.
        assert len({span.reason for span in result.coverage.not_judged if "distortion" in span.reason}) == 1


def test_a_held_level_is_a_limiter_where_the_source_says_it_rose() -> None:
    (found,) = knees(through_board(1000.0, drive_steps(-14, -3), with_source=True, limit_v=RAIL_V * 10 ** (-7 / 20)))
    assert found.measured["outcome"] == "level held (a limiter?)"
    assert found.measured["knee_v"] is None


def test_a_compressor_is_said_to_rise_less_than_its_source() -> None:
    """3 dB of source for 1 dB of output above -8 dB; every level is clean."""
    drive_db = drive_steps(-14, -2)
    time_s = np.arange(len(drive_db)) / SOURCE_RATE_HZ
    out_db = np.where(drive_db > -8, -8 + (drive_db + 8) / 3, drive_db)
    wave = np.sin(2 * np.pi * 1000.0 * time_s)
    output, source = RAIL_V * 10 ** (out_db / 20) * wave, 10 ** (drive_db / 20) * wave
    roles = ("out_p", "out_n", "supply", "source")
    volts = np.column_stack([7 + output / 2, 7 - output / 2, np.full(len(output), 12.5), source])
    detector = GainStepDetector(4.0, "resistor")
    for window in iter_windows(simulate_blocks(ArrayStimulus(roles, SOURCE_RATE_HZ, volts), roles, "wide", seed=9)):
        detector.push(window)
    (found,) = knees(detector.finish())
    assert found.measured["outcome"] == "the level rises less than the source (a compressor or limiter?)"
    assert found.measured["knee_v"] is None
    assert found.measured["followed_v"] == pytest.approx(RAIL_V / math.sqrt(2) * 10 ** (-8 / 20), rel=0.03)
