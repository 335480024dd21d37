"""The gain curve's own process: the same answer as in this one, and an end that waits for nobody."""

from __future__ import annotations

import pickle
import subprocess
import sys

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.guide.curve_apart import CurveApart

RATE_HZ = 8000
# More windows than a pipe holds, and nobody takes them: the end of the program must not wait until somebody does.
LEFT_BEHIND = f"""
import numpy as np
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.guide.curve_apart import CurveApart
if __name__ == "__main__":
    apart = CurveApart(4.0, "resistor")
    for window in iter_windows_from_arrays({{"output": np.zeros(20 * {RATE_HZ})}}, {RATE_HZ}, window_s=0.04):
        apart.put(window)
    apart.close()
    print("closed")
"""


def test_it_answers_as_the_detector_does() -> None:
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    volts = {"output": np.clip(np.interp(time_s, [0, 2, 6], [8, 8, 30]) * np.sin(2 * np.pi * 40 * time_s), -24, 24)}
    detector, apart = GainStepDetector(4.0, "resistor", is_live=True), CurveApart(4.0, "resistor")
    try:
        for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=0.04):
            detector.push(window)
            apart.put(window)
        answer, wanted = apart.finish(), detector.finish()
        (curve,) = apart.curves  # came back while windows were still worked off
        assert curve.clean_v is not None
        assert len(pickle.dumps(curve)) < 4096  # else the level line would wait while it comes through a pipe
    finally:
        apart.close()
    assert len(wanted.findings) > 0
    assert [found.measured for found in answer.findings] == [found.measured for found in wanted.findings]


def test_a_program_that_leaves_windows_behind_ends() -> None:
    done = subprocess.run([sys.executable, "-c", LEFT_BEHIND], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "closed"


def test_a_process_that_died_is_said() -> None:
    apart = CurveApart(4.0, "resistor")
    apart.close()
    with pytest.raises(RuntimeError, match="without an answer"):
        apart.finish()


def test_begun_anew_it_forgets_what_came_before() -> None:
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    apart = CurveApart(4.0, "resistor")
    try:
        for hz in (40.0, 70.0):
            volts = {"output": 10 * np.sin(2 * np.pi * hz * time_s)}
            for window in iter_windows_from_arrays(volts, RATE_HZ, window_s=1.0):
                apart.put(window)
            if hz == 40.0:
                apart.begin_anew()
        answer = apart.finish()
    finally:
        apart.close()
    tones = [f.measured["frequency_hz"] for f in answer.findings if f.kind == "tone"]
    assert tones == [pytest.approx(70.0, abs=0.1)]
