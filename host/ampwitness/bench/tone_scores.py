"""How near the knee comes to the truth: `python -m ampwitness.bench.tone_scores` prints the table.

A hand turns the gain of a modelled amplifier; the volts go through the whole board model (drawn parts, noise,
converter steps), the assembler and the detector. Truth: 1 % THD from all harmonics up to 20 kHz, by one cycle of 16384
points. The error is that of the level in dB after the board's own gain is taken out: that of a clean, steady tone at
the same frequency, 1 dB below the knee, through the same board. "nominal" leaves it in, on a board with exact parts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.tone_signals import (
    ROLES,
    KnobAmplifier,
    find_true_knee,
    knob_stimulus,
    true_thd,
    turning_knob_db,
)
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.tones.gain_steps import GainStepDetector
from ampwitness.types import TraceWindow
from ampwitness.waveform.assemble import iter_windows
from ampwitness.waveform.tone_meter import measure_tone

GOAL_DB = {"bass": 0.015, "wide": 0.05}
STIMULUS_HZ = {"bass": 96_000.0, "wide": 240_000.0}
AMPLIFIERS = {
    "hard rail": KnobAmplifier(),
    "hard rail 12 V": KnobAmplifier(rail_v=12.0),
    "sagging rail": KnobAmplifier(rail_v=38.0, sag_v=4.0),
    "uneven rails": KnobAmplifier(rail_v=32.0, negative_ratio=0.96),
    "soft knee": KnobAmplifier(rail_v=34.0, knee_exponent=24.0),
}
# Where distortion comes slowly the level of 1 % is as unsure as the distortion is, so the goal is not theirs: what is
# scored is whether the stated uncertainty holds the truth.
SLOW_AMPLIFIERS = {
    "too little bias": KnobAmplifier(rail_v=30.0, dead_v=0.3),
    "second harmonic": KnobAmplifier(rail_v=30.0, second_ratio=0.009),
    "soft all along": KnobAmplifier(rail_v=60.0, knee_exponent=2.0),
}


@dataclass(slots=True)
class KneeScore:
    """Errors of one amplifier over its seeds."""

    error_db: list[float] = field(default_factory=list)
    drive_error_db: list[float] = field(default_factory=list)
    thd_error_points: list[float] = field(default_factory=list)
    n_held: int = 0  # errors within twice the stated uncertainty
    n_missed: int = 0
    n_wrong: int = 0


def windows_of(
    amplifier: KnobAmplifier, hz: float, mode: str, seed: int, *, seconds: float = 14.0, exact: bool = False
) -> tuple[Iterator[TraceWindow], np.typing.NDArray[np.float64]]:
    """Windows of a recording of the knob being turned, and the wanted crest in dB re 1 V at the stimulus' rate."""
    rng = np.random.default_rng([seed, 77])
    rate_hz = STIMULUS_HZ[mode]
    rail_db = 20 * float(np.log10(amplifier.rail_v))
    knob = turning_knob_db(rng, seconds, rate_hz, rail_db - 14, rail_db + 3.0)
    stimulus = knob_stimulus(amplifier, hz, knob, rate_hz)
    return iter_windows(simulate_blocks(stimulus, ROLES, mode, seed=seed, exact_parts=exact)), knob


def detect(windows: Iterator[TraceWindow]) -> DetectorResult:
    """Run the detector alone."""
    detector = GainStepDetector(load_ohm=4.0, load_kind="resistor")
    for window in windows:
        detector.push(window)
    return detector.finish()


def board_gain_db(knee_v: float, hz: float, mode: str, seed: int) -> float:
    """Gain of a drawn board for a clean, steady tone 1 dB below a level (rms volts), dB."""
    rate_hz = STIMULUS_HZ[mode]
    crest_db = 20 * float(np.log10(np.sqrt(2) * knee_v)) - 1.0
    stimulus = knob_stimulus(KnobAmplifier(rail_v=500.0), hz, np.full(round(1.2 * rate_hz), crest_db), rate_hz)
    (window,) = iter_windows(simulate_blocks(stimulus, ROLES, mode, seed=seed))
    (segment,) = window.traces["output"].segments
    margin = len(segment.volts) // 6
    level_v = measure_tone(segment.volts[margin:-margin], segment.rate_hz).level_v
    return 20 * float(np.log10(level_v * np.sqrt(2))) - crest_db


def score_knee(amplifier: KnobAmplifier, hz: float, mode: str, seed: int, score: KneeScore, exact: bool) -> None:
    """One recording into the score."""
    windows, knob = windows_of(amplifier, hz, mode, seed, exact=exact)
    result = detect(windows)
    knees = [f for f in result.findings if f.kind == "knee"]
    if len(knees) != 1 or knees[0].measured["knee_v"] is None:
        score.n_missed += 1
        return
    truth = find_true_knee(amplifier, hz)
    rows = np.array(knees[0].evidence["curve"], dtype=float)
    crest_db = np.interp(rows[:, 0], np.arange(len(knob)) / STIMULUS_HZ[mode], knob)
    true_level, true_percent = [], []
    for value in crest_db:
        thd, level, _ = true_thd(amplifier, 10 ** (value / 20), hz)
        true_level.append(level)
        true_percent.append(100 * thd)
    gain_db = 0.0 if exact else board_gain_db(truth.level_v, hz, mode, seed)
    measured_v = float(knees[0].measured["knee_v"])
    error_db = 20 * float(np.log10(measured_v / truth.level_v)) - gain_db
    score.error_db.append(error_db)
    score.n_held += int(abs(error_db) <= 2 * float(knees[0].measured["uncertainty_db"] or 0.0))
    near = np.abs(np.array(true_percent) - 1.0) < 0.6
    score.thd_error_points += list(np.abs(rows[near, 2] - np.array(true_percent)[near]))
    # The same error seen from the knob: how much further or less it was turned than to the true knee.
    step = 1.0005
    rise = 20 * np.log10(true_thd(amplifier, truth.crest_v * step, hz)[1] / truth.level_v) / (20 * np.log10(step))
    score.drive_error_db.append(error_db / float(rise))
    score.n_wrong += int(abs(error_db) > GOAL_DB[mode])


def main() -> None:
    """Print the score table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first-seed", type=int, default=7000, help="tuned on seeds below 100")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    print(f"Knee at 1 % THD, seeds {seeds.start} to {seeds.stop - 1}; error in dB of the level: median / p90 / largest")
    print(
        f"{'amplifier':16s} {'tone':>7s} mode board    level                      knob p90    THD p90       beyond goal"
    )
    for name, amplifier in {**AMPLIFIERS, **SLOW_AMPLIFIERS}.items():
        for hz, mode in ((40.0, "bass"), (1000.0, "wide")):
            for exact in (True, False):
                score, begun = KneeScore(), time.perf_counter()
                for seed in seeds:
                    score_knee(amplifier, hz, mode, seed, score, exact)
                print(describe(name, hz, mode, exact, score, time.perf_counter() - begun), flush=True)


def describe(name: str, hz: float, mode: str, exact: bool, score: KneeScore, cost_s: float) -> str:
    """One line of the table."""
    board = "nominal" if exact else "drawn"
    head = f"{name:16s} {hz:5.0f} Hz {mode} {board:8s}"
    if not score.error_db:
        return f"{head} no knee found in {score.n_missed}"
    size = np.abs(score.error_db)
    return (
        f"{head} {np.median(size):.4f} / {np.percentile(size, 90):.4f} / {size.max():.4f} dB"
        f"   {np.percentile(np.abs(score.drive_error_db), 90):.4f} dB"
        f"   {np.percentile(score.thd_error_points or [np.nan], 90):.3f} points"
        f"   {score.n_wrong} of {len(size)} over {GOAL_DB[mode]} dB, {score.n_missed} not found,"
        f" {score.n_held} within twice the stated uncertainty  ({cost_s:.0f} s)"
    )


if __name__ == "__main__":
    main()
