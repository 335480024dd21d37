"""A gap that hides the stop itself: an output that is dead behind it is told, and a programme that paused is not."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.findings.road_words import describe_cutout, explain_cutout
from ampwitness.types import Edge, FloatArray

RATE_HZ = 8000
GAP_S = (4.85, 5.12)
OFF_S, BACK_S, LONG_S = 5.0, 6.6, 12.0
AT = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
IS_OFF = (AT >= OFF_S) & (AT < BACK_S)
WAVE = 0.6 * np.sin(2 * np.pi * 50 * AT)


def _find(
    more: dict[str, FloatArray],
    *,
    is_off: np.ndarray = IS_OFF,  # type: ignore[type-arg]
    gap_s: tuple[float, float] = GAP_S,
    window_s: float = 10.0,
    edges: tuple[Edge, ...] = (),
) -> DetectorResult:
    noise = np.random.default_rng(1).normal(0, 0.01, len(AT))
    traces = {"output": np.where(is_off, 0.0, 30 * WAVE) + noise, "supply": np.full(len(AT), 12.6)} | more
    lost = [(round(gap_s[0] * RATE_HZ), round(gap_s[1] * RATE_HZ))]
    detector = CutoutDetector()
    for window in iter_windows_from_arrays(traces, RATE_HZ, window_s=window_s, lost=lost, edges=edges):
        detector.push(window)
    return detector.finish()


def _remote() -> FloatArray:
    return np.where((AT >= OFF_S - 0.03) & (AT < BACK_S - 0.6), 0.0, 12.2)


def test_a_stop_within_a_gap_is_told_with_the_remote_lead_that_is_low_behind_it() -> None:
    told = [_find({"remote": _remote()}, window_s=window_s) for window_s in (1.0, 10.0, 60.0)]
    (cutout,) = told[0].findings
    assert cutout.measured["cause"] == "remote lead dropped"
    assert abs(cutout.start_s - OFF_S) <= float(cutout.measured["start_uncertainty_s"])  # type: ignore[arg-type]
    assert cutout.measured["start_uncertainty_s"] == pytest.approx(0.135, abs=0.001)
    assert cutout.stop_s == pytest.approx(BACK_S, abs=0.005)
    assert describe_cutout(cutout).startswith("output stopped within the gap from 4.850 s to 5.120 s: remote lead drop")
    assert "A gap hides it: its start is known to +-135 ms." in explain_cutout(cutout)
    assert all(one.findings == told[0].findings for one in told)


def test_a_digital_line_tells_as_much() -> None:
    levels = ((0.01, 1), (OFF_S - 0.03, 0), (BACK_S - 0.6, 1))
    edges = tuple(Edge("remote", level, time_s, "s", round(time_s * RATE_HZ)) for time_s, level in levels)
    (cutout,) = _find({}, edges=edges).findings
    assert cutout.measured["cause"] == "remote lead dropped"
    assert cutout.evidence["remote_fell_s"] == OFF_S - 0.03


def test_a_source_that_plays_behind_the_gap_shows_a_stop_and_no_cause_of_it() -> None:
    (cutout,) = _find({"source": WAVE, "remote": np.full(len(AT), 12.2)}).findings
    assert str(cutout.measured["cause"]).startswith("not decided: the amplifier stopped within a gap")
    assert "remote lead dropped" in cutout.evidence["not_excluded"]
    assert cutout.evidence["protection"] is None


def test_a_supply_that_is_gone_behind_the_gap_is_told() -> None:
    (cutout,) = _find({"supply": np.where(IS_OFF, 0.1, 12.6)}).findings
    assert cutout.measured["cause"] == "supply lost at the terminals"


def test_a_programme_that_may_have_paused_within_the_gap_is_no_cut_out() -> None:
    assert _find({"source": np.where(IS_OFF, 0.0, WAVE), "remote": np.full(len(AT), 12.2)}).findings == ()
    assert _find({"remote": np.full(len(AT), 12.2)}).findings == ()


def test_treble_that_never_reached_the_output_is_not_missed_behind_a_gap() -> None:
    """A woofer's programme rests within its source at times, as it did before the gap."""
    rests = IS_OFF | ((AT > 4.5) & (AT < 4.62))
    source = WAVE * ~rests + 0.2 * np.sin(2 * np.pi * 900 * AT)
    assert _find({"source": source}, is_off=rests).findings == ()


def test_what_was_silent_before_the_gap_did_not_stop_within_it() -> None:
    remote = np.where((AT >= 2.0) & (AT < BACK_S - 0.6), 0.0, 12.2)
    is_off = (AT >= 2.03) & (AT < BACK_S)
    (cutout,) = _find({"remote": remote}, is_off=is_off).findings
    assert cutout.start_s == pytest.approx(2.03, abs=0.01)
    assert _find({"remote": remote, "source": WAVE}, is_off=(AT < BACK_S)).findings == ()


def test_in_a_long_gap_anything_may_have_been_done() -> None:
    remote = np.where((AT >= 3.0) & (AT < 9.5), 0.0, 12.2)
    is_off = (AT >= 3.03) & (AT < 10.0)
    assert _find({"remote": remote}, is_off=is_off, gap_s=(2.5, 8.0)).findings == ()
