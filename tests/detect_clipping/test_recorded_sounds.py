"""CC0 recordings of the Debian package sonic-pi-samples: one clipped when it was made, low drums that never were.

The truth is in the file: runs of equal samples at full scale. Played through the board as from an amplifier that has
room above it. Nothing of the package is kept here; CI installs it (22 MB), elsewhere these tests are left out without
it.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.result import DetectorResult
from ampwitness.waveform.assemble import iter_windows

FOLDER = Path("/usr/share/sonic-pi/samples")
RATE_HZ = 44_100
FULL_SCALE_V = 30.0
ROLES = ("out_p", "out_n", "supply")

pytestmark = pytest.mark.skipif(
    not os.environ.get("CI") and not FOLDER.exists(), reason="apt install sox sonic-pi-samples to run these"
)


def read_left(name: str) -> np.ndarray:
    command = ["sox", str(FOLDER / f"{name}.flac"), "-r", str(RATE_HZ), "-t", "f32", "-", "remix", "1"]
    sound = np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, dtype="<f4")
    return np.pad(sound.astype(float), RATE_HZ // 10)


def played(sound: np.ndarray, mode: str) -> DetectorResult:
    output = FULL_SCALE_V * sound
    volts = np.column_stack([7 + output / 2, 7 - output / 2, np.full(len(output), 12.5)])
    detector = ClippingDetector()
    for window in iter_windows(simulate_blocks(ArrayStimulus(ROLES, RATE_HZ, volts), ROLES, mode, seed=3)):
        detector.push(window)
    return detector.finish()


def full_scale_runs_s(sound: np.ndarray) -> np.ndarray:
    """(n, 2) starts and stops of runs of equal samples at full scale."""
    at_top = np.abs(sound) >= np.abs(sound).max() - 1e-6
    edges = np.flatnonzero(np.diff(np.concatenate(([0], at_top.astype(int), [0])))).reshape(-1, 2)
    return np.asarray(edges[edges[:, 1] - edges[:, 0] > 1] / RATE_HZ)


@pytest.mark.parametrize("mode", ["bass", "wide"])
def test_a_loop_that_was_clipped_when_it_was_made(mode: str) -> None:
    sound = read_left("loop_amen_full")
    runs_s = full_scale_runs_s(sound)
    assert np.max(runs_s[:, 1] - runs_s[:, 0]) * RATE_HZ == pytest.approx(63)  # the longest, as once counted
    findings = played(sound, mode).findings
    found_s = np.array([(f.start_s, f.stop_s) for f in findings])
    overlaps = (found_s[:, None, 0] < runs_s[None, :, 1] + 1e-4) & (found_s[:, None, 1] > runs_s[None, :, 0] - 1e-4)
    assert overlaps.any(axis=1).all()  # nothing is found elsewhere
    if mode == "bass":
        is_long = runs_s[:, 1] - runs_s[:, 0] >= 0.5e-3
        assert np.mean(overlaps.any(axis=0)[is_long]) >= 0.95
    # One constant level: the amplifier's or the source's, nothing in the recording can tell.
    assert {f.measured["origin"] for f in findings} == {"undecided"}
    assert all(abs(abs(float(f.measured["plateau_v"] or 0)) - FULL_SCALE_V) < 0.03 * FULL_SCALE_V for f in findings)


@pytest.mark.parametrize("name", ["bd_808", "bd_haus", "bd_boom", "loop_amen"])
def test_sounds_without_runs_at_their_peak_are_no_clips(name: str) -> None:
    """bd_808: a 38 Hz crest stays 17 samples within 0.1 % of its peak."""
    sound = read_left(name)
    assert all(stop_s - start_s < 3 / RATE_HZ for start_s, stop_s in full_scale_runs_s(sound))
    assert len(played(sound, "bass").findings) == 0
