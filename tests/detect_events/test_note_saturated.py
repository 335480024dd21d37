"""A supply that the logger's own input cut off: no sag is told of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes.note_saturated import WHY_NOT, SaturatedSpans
from ampwitness.detect.notes.notes import NoteDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.types import Interval

RATE_HZ = 8000.0
RAIL_V = 12.6


def _judge(saturated: tuple[Interval, ...], window_s: float) -> DetectorResult:
    """Three notes a second apart that pull a supply down by half a volt."""
    time_s = np.arange(round(5 * RATE_HZ)) / RATE_HZ
    plays = (time_s % 1.5 > 1.0) & (time_s < 4.7)
    rng = np.random.default_rng(2)
    output = 10 * plays * np.sin(2 * np.pi * 50 * time_s) + 0.002 * rng.standard_normal(len(time_s))
    pulled = np.convolve(plays, np.full(160, 1 / 160))[: len(plays)]  # falls over 20 ms
    supply = RAIL_V - 0.5 * pulled + 0.0015 * rng.standard_normal(len(time_s))
    detector = NoteDetector()
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=window_s):
        mine = tuple(
            Interval(max(span.start_s, window.start_s), min(span.stop_s, window.stop_s))
            for span in saturated
            if span.start_s < window.stop_s and span.stop_s > window.start_s
        )
        trace = replace(window.traces["supply"], saturated=mine)
        detector.push(replace(window, traces={**window.traces, "supply": trace}))
    return detector.finish()


@pytest.mark.parametrize("window_s", [1.0, 10.0])
def test_a_sag_that_the_loggers_input_cut_off_is_not_judged(window_s: float) -> None:
    """The second note's beginning, and what was looked at ahead of the third, were not seen."""
    result = _judge((Interval(2.52, 2.53), Interval(3.9, 3.95)), window_s)
    first, second, third = result.findings
    assert first.measured["sag_v"] == pytest.approx(0.5, abs=0.01)
    assert "supply" not in first.evidence
    for note in (second, third):
        for name in ("sag_v", "supply_before_v", "supply_lowest_v", "recovery_s", "ripple_v", "sag_percent"):
            assert note.measured[name] is None
        assert note.measured["pitch_hz"] == pytest.approx(50, abs=0.1)
        assert note.evidence["supply"] == WHY_NOT
    assert result.summary["largest_sag_v"] == pytest.approx(0.5, abs=0.01)
    spans = [n for n in result.coverage.not_judged if "supply under the notes" in n.reason]
    assert spans[0].start_s == pytest.approx(2.52)


def test_spans_are_joined_however_windows_cut_them() -> None:
    spans = SaturatedSpans()
    assert not spans.touch(np.array([0.0]), np.array([9.0])).any()
    for part in ((1.0, 2.0), (2.0, 2.5), (2.6, 2.7), (5.0, 5.1)):
        spans.add([Interval(*part)])
    touched = spans.touch(np.array([0.0, 0.5, 2.65, 3.0, 3.0, 6.0]), np.array([0.9, 1.1, 2.66, 4.0, 9.0, 7.0]))
    assert touched.tolist() == [False, True, True, False, True, False]
