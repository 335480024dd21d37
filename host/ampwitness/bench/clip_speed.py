"""What the clipping detector costs on ordinary music: `python -m ampwitness.bench.clip_speed`.

Bass lines of our own making, driven so that about two in a hundred of their half-cycles are clipped, are played again
and again. Printed is the processor time, not the time on the clock: other programs may run beside it.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from ampwitness.bench import clip_signals
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.clips.clipping import ClippingDetector
from ampwitness.types import FloatArray

RAIL_V = 30.0
RATE_HZ = 8000.0
PIECE_S = 60.0
DAY_S = 86400.0
BEFORE_MS = 48.0  # the same at 2 %, measured while every crest was still fitted


def make_music(seed: int, clipped_share: float) -> tuple[FloatArray, FloatArray, float]:
    """A minute of output and supply as logged, volts, and the share of half-cycles that is clipped."""
    rng = np.random.default_rng(seed)
    high_hz = RATE_HZ * clip_signals.OVERSAMPLING
    drive = clip_signals.bass_line(rng, PIECE_S, high_hz)
    supply = clip_signals.sagging_supply(rng, drive, high_hz, sag_v=1.0)
    signs = np.flatnonzero(np.diff(np.signbit(drive)))
    crests = np.maximum.reduceat(np.abs(drive), signs)
    ceiling = np.quantile(crests, 1 - clipped_share)
    volts = np.clip(drive / ceiling, -1, 1) * RAIL_V
    share = float(np.mean(crests > ceiling))
    return clip_signals.log(rng, volts).astype(np.float32), clip_signals.log_supply(rng, supply), share


def measure(seed: int, clipped_share: float, minutes: int) -> tuple[float, int, float]:
    """Processor time (ms a second of recording), findings, and the true share of clipped half-cycles."""
    output, supply, share = make_music(seed, clipped_share)
    roles = {"output": np.tile(output, minutes), "supply": np.tile(supply.astype(np.float32), minutes)}
    windows = list(iter_windows_from_arrays(roles, RATE_HZ, window_s=10.0))
    detector = ClippingDetector()
    begun = time.process_time()
    for window in windows:
        detector.push(window)
    result = detector.finish()
    spent_s = time.process_time() - begun
    return 1e3 * spent_s / (PIECE_S * minutes), len(result.findings), share


def main() -> None:
    """Print what a second of recording, and a day, costs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=20)
    parser.add_argument("--seed", type=int, default=7100)
    args = parser.parse_args()
    measure(args.seed, 0.02, 1)  # tables that are made once
    for share in (0.0, 0.02, 0.1):
        cost_ms, n, true = measure(args.seed, share, args.minutes)
        print(
            f"{100 * true:4.1f} % of half-cycles clipped: {cost_ms:.3f} ms a second of recording ({n} findings in "
            f"{args.minutes} min), a day {cost_ms * DAY_S / 1e3:.0f} s"
        )
    print(f"while every crest was still fitted, 2 % cost {BEFORE_MS:.0f} ms")


if __name__ == "__main__":
    main()
