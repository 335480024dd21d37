"""A gap that hides the return of the output: it is told as that, and no output that plays is said to be off."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.findings.road_words import describe_cutout, word_road

RATE_HZ = 8000.0
OFF_S, BACK_S, LONG_S = 5.0, 7.3, 14.0


def _find(gap_s: tuple[float, float], window_s: float = 1.0, back_s: float = BACK_S) -> DetectorResult:
    t = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
    is_off = (t >= OFF_S + 0.03) & (t < back_s)
    output = np.where(is_off, 0.0, 18 * np.sin(2 * np.pi * 50 * t)) + np.random.default_rng(1).normal(0, 0.005, len(t))
    remote = np.where((t >= OFF_S) & (t < back_s - 0.4), 0.0, 12.2)
    traces = {"output": output, "supply": np.full(len(t), 12.6), "remote": remote}
    lost = [(round(gap_s[0] * RATE_HZ), round(gap_s[1] * RATE_HZ))]
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(traces, RATE_HZ, window_s=window_s, lost=lost):
        detector.push(window)
    return detector.finish()


def test_an_output_that_plays_behind_the_gap_came_back_within_it() -> None:
    told = [_find((7.1, 7.6), window_s) for window_s in (1.0, 10.0, 60.0)]
    (cutout,) = told[0].findings
    assert cutout.measured["cause"] == "remote lead dropped"
    assert cutout.measured["recovered"]
    assert cutout.measured["returned"] == "within the gap from 7.100 s to 7.600 s"
    assert "out for 2.070 s at least, back somewhere within the gap from 7.100" in describe_cutout(cutout)
    (said,) = [line for line in word_road({"cutouts": told[0].summary}) if line.startswith("Turn-on")]
    assert said == "Turn-on at 6.900 s: the sound came within the gap from 7.100 s to 7.600 s."
    assert all(one.findings == told[0].findings for one in told)


def test_one_that_is_quiet_behind_the_gap_is_not_said_to_be_back_nor_never_to_come() -> None:
    (cutout,) = _find((6.0, 6.4), back_s=9.0).findings
    assert not cutout.measured["recovered"]
    assert "did not come back" not in describe_cutout(cutout)
    assert "still off when a gap began" in describe_cutout(cutout)


@pytest.mark.parametrize("gap_s", [(2.0, 2.5), (9.0, 9.5)])
def test_gaps_elsewhere_say_nothing_of_it(gap_s: tuple[float, float]) -> None:
    (cutout,) = _find(gap_s).findings
    assert cutout.measured["recovered"]
    assert cutout.measured["returned"] == "at once"


def test_without_a_gap_what_did_not_come_back_did_not() -> None:
    (cutout,) = _find((2.0, 2.5), back_s=20.0).findings
    assert "did not come back" in describe_cutout(cutout)
