"""`python -m ampwitness.bench.cutout_music`: what the cut-out detector tells of in dense music in which nothing stops.

Bass lines and full-range sound of `day_signals`, clipped in 2 % of their half-cycles: whatever is told of is invented.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np

from ampwitness.bench.day_signals import RATE_HZ, STRETCH, DayOfMusic
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.cutouts.cutouts import CutoutDetector

_HISS_V = 0.007
_STRETCHES = 92  # half an hour a seed


def count_invented(seed: int, n_stretches: int = _STRETCHES) -> Counter[str]:
    """Causes told of in a piece of music, by how often."""
    music, rng = DayOfMusic(seed), np.random.default_rng(seed)
    pieces = [music.next_volts() for _ in range(n_stretches)]
    output, supply = (np.concatenate(column).astype(np.float32) for column in zip(*pieces, strict=True))
    output += rng.normal(0.0, _HISS_V, len(output)).astype(np.float32)
    detector = CutoutDetector()
    for window in iter_windows_from_arrays({"output": output, "supply": supply}, RATE_HZ, window_s=30.0):
        detector.push(window)
    return Counter(str(finding.measured["cause"]) for finding in detector.finish().findings)


def main() -> None:
    """Print what was invented."""
    parser = argparse.ArgumentParser(prog="python -m ampwitness.bench.cutout_music", description=main.__doc__)
    parser.add_argument("--seeds", type=int, default=4, help="half an hour each (4)")
    parser.add_argument("--first-seed", type=int, default=5000, help="500 to 505 were tuned on (5000)")
    asked = parser.parse_args()
    total: Counter[str] = Counter()
    for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
        total += count_invented(seed)
    hours = asked.seeds * _STRETCHES * STRETCH / RATE_HZ / 3600
    print(f"{hours:.1f} h of dense music without a stop, seeds {asked.first_seed} on: {sum(total.values())} invented")
    for cause, count in total.most_common():
        print(f"  {count} x {cause}")


if __name__ == "__main__":
    main()
