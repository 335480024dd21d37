"""The gain curve's own process: the same answer as in this one, and an end that waits for nobody."""

from __future__ import annotations

import pickle
import subprocess
import sys
import time

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.cli.set_gain_run import SetGainRun
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.detect.tones.tone_curve import ToneCurve
from ampwitness.guide.curve_apart import CurveApart
from ampwitness.guide.set_gain import SetGainWalk
from ampwitness.types import TraceWindow

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
                deadline_s = time.monotonic() + 30
                while not apart.curves and time.monotonic() < deadline_s:
                    time.sleep(0.02)
                before = apart.curves
                assert before
                apart.begin_anew(1)
                apart.begin_anew(1)  # asked again for the same beginning, it forgets nothing more
                apart._take((0, before))  # an answer that was on its way
                assert not apart.curves
        answer = apart.finish()
    finally:
        apart.close()
    tones = [f.measured["frequency_hz"] for f in answer.findings if f.kind == "tone"]
    assert tones == [pytest.approx(70.0, abs=0.1)]


def test_a_walk_that_begins_anew_by_itself_gets_no_curve_of_before() -> None:
    """With no keyboard the walk leaves its first step while a reading is taken: the curve asked for right behind that
    still held the source's old flats, and sent it back to the source."""
    order: list[object] = []

    class Thorough:
        def put(self, window: TraceWindow) -> None:
            order.append("window")

        def begin_anew(self, n_begun: int) -> None:
            order.append(n_begun)

        @property
        def curves(self) -> list[ToneCurve]:
            order.append("curves")
            return []

    class Meter:
        def push(self, window: TraceWindow, *, wants_reading: bool) -> None:
            run.walk.n_fresh_starts = 1

    run = SetGainRun.__new__(SetGainRun)
    run.walk = SetGainWalk(40.0, "resistor", is_hands_free=True)
    run._thorough, run._meter, run._tone_hz = Thorough(), Meter(), 40.0  # type: ignore[assignment]
    run._take(next(iter(iter_windows_from_arrays({"output": np.zeros(320)}, RATE_HZ, window_s=0.04))), is_late=False)
    assert order == ["window", 1, "curves"]
