"""A note that sounds as the data begin: its level is that of the tone, not the band's high-pass answering the step."""

from __future__ import annotations

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.notes.notes import NoteDetector

RATE_HZ = 8000.0
CREST_V = 18.0


@pytest.mark.parametrize("hz", [40.0, 47.0, 100.0])
@pytest.mark.parametrize("stop_s", [6.0, 1.0])
def test_its_level_is_the_tones(hz: float, stop_s: float) -> None:
    """12.73 V rms was told as 14.3 to 14.9 V, beside a test tone of 12.7 V on the same page."""
    time_s = np.arange(round(8 * RATE_HZ)) / RATE_HZ
    output = np.where(time_s < stop_s, CREST_V * np.cos(2 * np.pi * hz * time_s), 0.0).astype(np.float32)
    found = []
    for window_s in (1.0, 10.0):
        detector = NoteDetector()
        for window in iter_windows_from_arrays({"output": output}, RATE_HZ, window_s=window_s):
            detector.push(window)
        found.append(list(detector.finish().findings))
    assert found[0] == found[1]
    (note,) = found[0]
    assert note.start_s == pytest.approx(0.0, abs=0.01)
    angle = 2 * np.pi * hz * 0.050  # the highest rms over 50 ms of a sine, in closed form
    wanted_v = CREST_V / np.sqrt(2) * np.sqrt(1 + abs(np.sin(angle)) / angle)
    assert note.measured["level_v"] == pytest.approx(wanted_v, rel=0.005)


@pytest.mark.parametrize("hz", [25.0, 30.0, 40.0, 60.0])
def test_it_is_found_whatever_its_phase(hz: float) -> None:
    """Of 56 tones that sounded as the data began 10 were no notes: the place at which they were looked at lay behind
    30 ms, though they were found to begin at the very first sample, or it was a turn of what nobody knew of."""
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    for phase in np.arange(8) * np.pi / 4:
        output = (CREST_V * np.sin(2 * np.pi * hz * time_s + phase)).astype(np.float32)
        detector = NoteDetector()
        for window in iter_windows_from_arrays({"output": output}, RATE_HZ, window_s=2.0):
            detector.push(window)
        (note,) = detector.finish().findings
        assert note.start_s == pytest.approx(0.0, abs=0.01)
        assert note.measured["pitch_hz"] == pytest.approx(hz, rel=0.001)
