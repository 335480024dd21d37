"""Whether a logged source tells where crests were cut off: through the whole board, output, supply and source.

`python -m ampwitness.bench.witness_scores --seeds 2 --first-seed 100` prints, by kind of case, how many true flats were
named rightly, wrongly, or left undecided with the source beside them, and without it.
"""

from __future__ import annotations

import argparse
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ampwitness.bench import clip_material, clip_signals
from ampwitness.bench.amplifier_flats import TrueFlat, flats_under_ceiling
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.clip_matching import named_origin
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.detect.run_all import DetectOptions, run_all
from ampwitness.types import Finding, FloatArray
from ampwitness.waveform.assemble import iter_windows

RATE_HZ = 48_000.0
SHORTEST_S = {"bass": 0.0005, "wide": 0.00025}
Drive = Callable[[np.random.Generator, float, float], FloatArray]


@dataclass(frozen=True, slots=True)
class WitnessCase:
    """Volts at output, supply and source, and the flats of the output with where each was cut off."""

    mode: str
    volts: dict[str, FloatArray]
    flats: tuple[TrueFlat, ...]
    board_seed: int

    def found(self, with_source: bool = True) -> list[Finding]:
        """The clips that all detectors together tell of it."""
        third = "source" if with_source else "remote"
        roles = ("out_p", "supply", third)
        names = (*self.volts, "remote")
        columns = np.column_stack([*self.volts.values(), np.full(len(self.volts["out_p"]), 12.0)])
        blocks = simulate_blocks(ArrayStimulus(names, RATE_HZ, columns), roles, self.mode, seed=self.board_seed)
        results = run_all(iter_windows(blocks, window_s=10.0), DetectOptions())
        return [finding for result in results for finding in result.findings if finding.kind == "clip"]


def _amplifier(drive: Drive, mode: str, rng: np.random.Generator, seconds: float) -> WitnessCase:
    """A clean source into an amplifier that cuts off at one level: without the source nothing can tell."""
    source = drive(rng, seconds, RATE_HZ)
    return _play(rng, source, source, mode, over_db=rng.uniform(1.0, 5.0))


def _source(drive: Drive, mode: str, rng: np.random.Generator, seconds: float) -> WitnessCase:
    """A source that cuts off at one level into an amplifier with room: without the source nothing can tell."""
    wanted = drive(rng, seconds, RATE_HZ)
    top = 10 ** (-rng.uniform(1.0, 5.0) / 20)
    cut = np.clip(wanted, -top, top)
    flats = flats_under_ceiling(wanted, cut, top, top, RATE_HZ, origin="source")
    case = _play(rng, cut / top, cut / top, mode, over_db=-rng.uniform(1.0, 6.0))
    return WitnessCase(mode, case.volts, flats, case.board_seed)


def _crossed(drive: Drive, mode: str, rng: np.random.Generator, seconds: float) -> WitnessCase:
    """Full-range music, cut off when it was made, through a crossover in the amplifier, which then cuts off itself."""
    wanted = drive(rng, seconds, RATE_HZ)
    top = 10 ** (-rng.uniform(1.0, 4.0) / 20)
    source = np.clip(wanted, -top, top) / top
    passed = clip_material.normalised(clip_material.crossover(source, RATE_HZ, 90.0))
    return _play(rng, source, passed, mode, over_db=rng.uniform(2.0, 5.0))


def _play(rng: np.random.Generator, source: FloatArray, passed: FloatArray, mode: str, over_db: float) -> WitnessCase:
    rail_v = rng.uniform(20.0, 45.0)
    wanted_v = passed * rail_v * 10 ** (over_db / 20)
    output_v = np.clip(wanted_v, -rail_v, rail_v)
    supply_v = clip_signals.sagging_supply(rng, np.clip(passed, -1, 1), RATE_HZ, rng.uniform(0.1, 0.6))
    flats = flats_under_ceiling(wanted_v, output_v, rail_v, rail_v, RATE_HZ)
    volts = {"out_p": output_v, "supply": supply_v, "source": source * rng.uniform(0.7, 3.0)}
    return WitnessCase(mode, volts, flats, int(rng.integers(1, 2**31)))


CASES: dict[str, Callable[[np.random.Generator, float], WitnessCase]] = {
    "amplifier, bass": lambda rng, s: _amplifier(clip_signals.bass_line, "bass", rng, s),
    "amplifier, kicks": lambda rng, s: _amplifier(clip_signals.kick_and_sub, "bass", rng, s),
    "amplifier, full range": lambda rng, s: _amplifier(clip_signals.full_range, "wide", rng, s),
    "amplifier behind a crossover, source cut too": lambda rng, s: _crossed(clip_signals.full_range, "bass", rng, s),
    "source, bass": lambda rng, s: _source(clip_signals.bass_line, "bass", rng, s),
    "source, kicks": lambda rng, s: _source(clip_signals.kick_and_sub, "bass", rng, s),
    "source, full range": lambda rng, s: _source(clip_signals.full_range, "wide", rng, s),
}  # fmt: skip


def make(name: str, seed: int, seconds: float) -> WitnessCase:
    """One case. Raises KeyError for an unknown name."""
    return CASES[name](np.random.default_rng([seed, zlib.crc32(name.encode())]), seconds)


def score(case: WitnessCase, with_source: bool = True) -> Counter[str]:
    """How many true flats that were found were named "right", "wrong" or "undecided"; "missed" were not found."""
    found = case.found(with_source)
    counts: Counter[str] = Counter()
    for polarity in ("positive", "negative"):
        mine = [f for f in found if f.measured["polarity"] == polarity]
        for flat in case.flats:
            if flat.polarity != polarity or flat.flat_s < SHORTEST_S[case.mode]:
                continue
            on = [f for f in mine if f.start_s < flat.stop_s and f.stop_s > flat.start_s]
            named = named_origin(on[0]) if on else "missed"
            counts["right" if named == flat.origin else named if named == "missed" else _wrong(named)] += 1
    return counts


def _wrong(named: str) -> str:
    return "wrong" if named in ("amplifier", "source") else "undecided"


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=100)
    parser.add_argument("--seconds", type=float, default=10.0)
    asked = parser.parse_args()
    for name in CASES:
        told = {True: Counter[str](), False: Counter[str]()}
        for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
            case = make(name, seed, asked.seconds)
            for with_source in told:
                told[with_source] += score(case, with_source)
        words = [
            f"{'with' if with_source else 'without'} the source "
            + ", ".join(f"{n[kind]} {kind}" for kind in ("right", "wrong", "undecided", "missed"))
            for with_source, n in told.items()
        ]
        print(f"{name:46s} {'; '.join(words)}", flush=True)


if __name__ == "__main__":
    main()
