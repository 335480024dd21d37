"""Clips of an amplifier of transistors, solved by ngspice: a circuit, not a law of ours (see make_class_ab_golden.py).

Source: ngspice 39, Gummel-Poon transistors. The truth is the same circuit on rails that it never meets.
"""

from __future__ import annotations

import os
import shutil
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.detect.supply.supply_model import SupplyOptions
from make_class_ab_golden import (
    BATTERY_NOTES,
    BATTERY_SECONDS,
    RAIL_RATIO,
    RAIL_V,
    SECONDS,
    SOURCE_OHM,
    STEP_V,
    list_halves,
    netlist,
    solve,
)

HERE = Path(__file__).parent
RATE_HZ = 8000.0
CLIPPED_DB, CLEAN_DB = 0.2, 0.03
QUIET_V = 22.0  # below it neither side is near its rail
NEAR_DB = 0.07  # of a boundary between causes, in dB lost to sag: not scored, as the truth has such errors too


def _truth() -> tuple[np.ndarray, list[tuple[float, float, float]]]:
    """Output, and (start_s, stop_s, overdrive_db) of each half-cycle above half the rail."""
    stored = np.load(HERE / "golden" / "class_ab.npz")
    output_v, unclipped_v = STEP_V * stored["output"], STEP_V * stored["unclipped"]
    halves = [
        (start_s, stop_s, 20 * np.log10(abs(crest_v) / stopped_v), crest_v)
        for start_s, stop_s, crest_v, (stopped_v,) in list_halves(unclipped_v, output_v)
    ]
    return output_v, _without_gain(halves)


def _without_gain(halves: list[tuple[float, float, float, float]]) -> list[tuple[float, float, float]]:
    """Other rails make up to 0.05 dB of gain by themselves, by polarity: what quiet half-cycles show is taken off."""
    gain_db = {
        side: np.median([db for _, _, db, crest_v in halves if (crest_v > 0) == side and abs(crest_v) < QUIET_V])
        for side in (True, False)
    }
    return [(start_s, stop_s, float(db - gain_db[crest_v > 0])) for start_s, stop_s, db, crest_v in halves]


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
    assert len(clean) >= 30
    assert all(clipped)
    assert not any(clean)
    assert len(clips) == sum(len(found) for found in told)  # none where the output is quiet
    assert np.median(errors_db) < 0.15
    assert {clip.measured["origin"] for clip in clips} <= {"amplifier", "undecided"}


def test_whose_fault_a_circuits_clips_are() -> None:
    """On a battery behind 50 mohm. The truth: what the same circuit does on a supply that never sags."""
    stored = np.load(HERE / "golden" / "on_a_battery.npz")
    rng = np.random.default_rng(4)
    output_v, supply_v = STEP_V * stored["output"], STEP_V * stored["supply"]
    volts = {
        "output": output_v + rng.normal(0, 0.012, len(output_v)),
        "supply": supply_v + rng.normal(0, 0.004, len(supply_v)),
    }
    options = DetectOptions(supply=SupplyOptions(load_ohm=4.0, load_kind="resistor"))
    results = run_all(iter_windows_from_arrays(volts, RATE_HZ, window_s=10.0), options)
    clips = [f for result in results for f in result.findings if f.kind == "clip"]
    rows = [tuple(row) for row in stored["halves"]]
    over = _without_gain([(start_s, stop_s, 20 * np.log10(abs(crest) / there), crest)
                          for start_s, stop_s, crest, there, _ in rows])  # fmt: skip
    seen: Counter[tuple[str, str]] = Counter()
    n_clipped = 0
    for (start_s, stop_s, over_db), (_, _, _, there, stiff) in zip(over, rows, strict=True):
        if over_db < CLIPPED_DB:
            continue
        n_clipped += 1
        found = [c for c in clips if c.start_s < stop_s and c.stop_s > start_s]
        assert found, f"the clip at {start_s:.3f} s was not found"
        lost_db = 20 * np.log10(stiff / there)
        if min(abs(lost_db - over_db), abs(lost_db - over_db / 3)) > NEAR_DB:
            truth = "supply" if lost_db > over_db else "drive" if lost_db < over_db / 3 else "both"
            seen[truth, str(found[0].measured["cause"])] += 1
    right = sum(n for (truth, said), n in seen.items() if truth == said)
    print(f"{n_clipped} clipped, all found; {right} of {sum(seen.values())} causes right: {dict(seen)}")
    assert n_clipped >= 25
    assert right >= 0.9 * sum(seen.values()) > 10
    assert len({truth for truth, _ in seen}) >= 2
    supply = next(result.summary for result in results if result.coverage.detector == "supply")["states"]["at rest"]
    assert supply["lowest_source_ohm"] < SOURCE_OHM < supply["highest_source_ohm"]  # its efficiency is not known
    assert supply["beyond_own_power"] is None


@pytest.mark.skipif(not os.environ.get("CI") and shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_the_stored_output_is_what_ngspice_says() -> None:
    assert (HERE / "golden" / "class_ab.cir").read_text() == netlist(RAIL_V, SECONDS, "out.txt")
    battery = netlist(RAIL_RATIO * 12.6, BATTERY_SECONDS, "out.txt", BATTERY_NOTES, SOURCE_OHM)
    assert (HERE / "golden" / "on_a_battery.cir").read_text() == battery
    (again_v,) = solve(netlist(RAIL_V, 0.15, "out.txt"))
    stored_v = STEP_V * np.load(HERE / "golden" / "class_ab.npz")["output"]
    n = len(again_v) - 100  # the filter's edge
    assert np.abs(again_v[:n] - stored_v[:n]).max() < 0.05
