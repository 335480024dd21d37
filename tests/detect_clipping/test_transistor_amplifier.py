"""Clips of an amplifier of transistors, solved by ngspice: a circuit, not a law of ours (see make_class_ab_golden.py).

Source: ngspice 39, Gummel-Poon transistors. The truth is the same circuit on rails that it never meets.
"""

from __future__ import annotations

import itertools
import shutil
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clipping import ClippingDetector
from make_class_ab_golden import RAIL_V, SECONDS, STEP_V, netlist, solve

HERE = Path(__file__).parent
RATE_HZ = 8000.0
CLIPPED_DB, CLEAN_DB = 0.2, 0.03
QUIET_V = 22.0  # below it neither side is near its rail: what two rails alone make in gain, up to 0.05 dB


def _truth() -> tuple[np.ndarray, list[tuple[float, float, float]]]:
    """Output, and (start_s, stop_s, overdrive_db) of each half-cycle above half the rail."""
    stored = np.load(HERE / "golden" / "class_ab.npz")
    output_v, unclipped_v = 0.002 * stored["output"], 0.002 * stored["unclipped"]
    edges = np.flatnonzero(np.diff(np.signbit(unclipped_v)))
    halves = []
    for first, last in itertools.pairwise(edges):
        crest_v = np.abs(unclipped_v[first:last]).max()
        if last - first > 4 and crest_v > 15.0:
            over_db = 20 * np.log10(crest_v / np.abs(output_v[first:last]).max())
            halves.append((first / RATE_HZ, last / RATE_HZ, float(over_db), unclipped_v[first + 2] > 0, crest_v))
    gain_db = {side: np.median([h[2] for h in halves if h[3] == side and h[4] < QUIET_V]) for side in (True, False)}
    return output_v, [(start_s, stop_s, over_db - gain_db[side]) for start_s, stop_s, over_db, side, _ in halves]


def test_what_a_circuit_clips_is_found_and_nothing_else() -> None:
    output_v, halves = _truth()
    noise_v = np.random.default_rng(3).normal(0, 0.012, len(output_v))
    detector = ClippingDetector()
    for window in iter_windows_from_arrays({"output": output_v + noise_v}, RATE_HZ, window_s=1.0):
        detector.push(window)
    clips = detector.finish().findings
    told = [[c for c in clips if c.start_s < stop_s and c.stop_s > start_s] for start_s, stop_s, _ in halves]
    clipped = [bool(found) for found, (_, _, db) in zip(told, halves, strict=True) if db > CLIPPED_DB]
    clean = [bool(found) for found, (_, _, db) in zip(told, halves, strict=True) if db < CLEAN_DB]
    errors_db = [
        abs(float(found[0].measured["overdrive_db"] or 0.0) - db)
        for found, (_, _, db) in zip(told, halves, strict=True)
        if found and db > CLIPPED_DB
    ]
    print(f"{sum(clipped)} of {len(clipped)} told, {sum(clean)} of {len(clean)} clean ones called clipped")
    print(f"overdrive {np.median(errors_db):.3f} dB off at the median, {np.max(errors_db):.3f} dB at most")
    assert len(clipped) >= 18
    assert len(clean) >= 40
    assert all(clipped)
    assert not any(clean)
    assert len(clips) == sum(len(found) for found in told)  # none where the output is quiet
    assert np.median(errors_db) < 0.15
    assert {clip.measured["origin"] for clip in clips} <= {"amplifier", "undecided"}


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_the_stored_output_is_what_ngspice_says() -> None:
    assert (HERE / "golden" / "class_ab.cir").read_text() == netlist(RAIL_V, SECONDS, "out.txt")
    again_v = solve(RAIL_V, 0.15)
    stored_v = STEP_V * np.load(HERE / "golden" / "class_ab.npz")["output"]
    n = len(again_v) - 100  # the filter's edge
    assert np.abs(again_v[:n] - stored_v[:n]).max() < 0.05
