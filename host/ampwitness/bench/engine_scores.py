"""Scores of the engine states on drawn supplies with truth: `python -m ampwitness.bench.engine_scores`.

The supply is drawn, but for one family that is solved as a network: rest, cranking in the shape of ISO 16750-2's
starting profile with other depths and swings, charging with a lag, surface charge after the engine stops, accessories
with inrush, music that pulls it down. The truth of a variable charger is "not decidable" while it holds the supply
below 13.2 V.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import numpy.typing as npt

from ampwitness.bench import engine_shapes
from ampwitness.bench.cutout_material import starting_profile
from ampwitness.bench.engine_network import network_of_consumers
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.detect.supply.dips import DipDetector
from ampwitness.detect.supply.engine_states import EngineStates, find_engine_states
from ampwitness.detect.supply.supply_history import SupplyHistory

Samples = npt.NDArray[np.float64]
RATE_HZ = 1000
# ISO 16750-2, 12 V: lowest, cranking level's trough, seconds of the 2 Hz part, recovery. I: as reproduced in a public
# waveform library of the 2003 edition; IV: its numbers in a public simulation model; II and III: from memory.
ISO_LEVELS = {
    "I": (8.0, 9.5, 1.0, 0.04),
    "II": (4.5, 6.5, 10.0, 0.1),
    "III": (3.0, 5.0, 1.0, 0.1),
    "IV": (6.0, 6.5, 10.0, 0.1),
}
_REGULATED = 0.35  # what an alternator's regulator leaves of an accessory's step (our guess)


@dataclass(slots=True)
class EngineCase:
    """Volts, and the true states as (start, state), the last one ending with the data."""

    volts: dict[str, Samples]
    truth: list[tuple[float, str]]
    duration_s: float
    cranks: list[tuple[float, float]] = field(default_factory=list)


def _music(rng: np.random.Generator, n: int, peak_v: float, is_on: npt.NDArray[np.bool_]) -> Samples:
    at = np.arange(n) / RATE_HZ
    hz = np.repeat(rng.uniform(35, 90, n // 400 + 1), 400)[:n]
    shape = np.exp(-((at % 0.4) / rng.uniform(0.1, 0.5))) * np.repeat(rng.uniform(0.3, 1.0, n // 400 + 1), 400)[:n]
    return np.asarray(peak_v * shape * np.sin(2 * np.pi * np.cumsum(hz) / RATE_HZ) * is_on)


def _log(rng: np.random.Generator, open_v: Samples, wave: Samples) -> dict[str, Samples]:
    """What the logger has: the supply pulled down by the output, both with noise."""
    power = np.convolve(wave**2, np.exp(-np.arange(60) / 12) / np.exp(-np.arange(60) / 12).sum(), "full")[: len(wave)]
    sag = float(rng.uniform(0.01, 0.035)) * power / (4.0 * 0.75 * 12.5)
    return {
        "output": wave + rng.normal(0, 0.025, len(wave)),
        "supply": open_v - sag + rng.normal(0, 0.003, len(wave)),
    }


def _accessories(rng: np.random.Generator, at: Samples, n: int) -> Samples:
    """Steps of consumers with an inrush: fan, lamps, window lifter."""
    out = np.zeros(len(at))
    for _ in range(n):
        begin_s, length_s = float(rng.uniform(1, at[-1] - 3)), float(rng.uniform(0.3, 15.0))
        depth_v = float(rng.uniform(0.1, 0.6))
        u = at - begin_s
        inrush = 1.0 + float(rng.uniform(0.5, 2.0)) * np.exp(-np.maximum(u, 0) / 0.06)
        out -= np.where((u >= 0) & (u < length_s), depth_v * inrush, 0.0)
    return out


def drive_case(rng: np.random.Generator) -> EngineCase:
    """Rest, a start (at times a failed one before), charging, engine off with surface charge."""
    duration_s = 120.0
    at = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    rest_v, set_v = float(rng.uniform(12.1, 12.8)), float(rng.uniform(13.6, 14.7))
    open_v = np.full(len(at), rest_v)
    truth: list[tuple[float, str]] = [(0.0, "rest")]
    cranks: list[tuple[float, float]] = []
    now_s = float(rng.uniform(8, 25))
    if rng.uniform() < 0.3:
        now_s = _start(rng, at, open_v, now_s, rest_v, rest_v, truth, cranks, "rest") + float(rng.uniform(2, 5))
    now_s = _start(rng, at, open_v, now_s, rest_v, set_v, truth, cranks, "charging")
    off_s = float(rng.uniform(80, 105))
    surface_v = float(rng.uniform(0.1, 0.6))
    after = rest_v + surface_v * np.exp(-np.maximum(at - off_s, 0) / float(rng.uniform(20, 100)))
    fall = np.exp(-np.maximum(at - off_s, 0) / float(rng.uniform(0.05, 0.4)))
    open_v[:] = np.where(at >= off_s, after + (set_v - after) * fall, open_v)
    truth.append((off_s, "rest"))
    playing = (at < cranks[0][0] - 0.3) | ((at > now_s + 2.0) & (rng.uniform() < 0.8))
    wave = _music(rng, len(at), float(rng.uniform(5, 30)), playing)
    extra = _accessories(rng, at, int(rng.integers(0, 6))) * (at > now_s + 1.0)
    open_v += extra * np.where(at < off_s, _REGULATED, 1.0)
    return EngineCase(_log(rng, open_v, wave), truth, duration_s, cranks)


def _start(
    rng: np.random.Generator,
    at: Samples,
    open_v: Samples,
    begin_s: float,
    rest_v: float,
    after_v: float,
    truth: list[tuple[float, str]],
    cranks: list[tuple[float, float]],
    then: str,
) -> float:
    """Write a cranking into the supply; when it ends."""
    cranked_s = float(rng.uniform(0.3, 2.5))
    run_v, swing_v = rest_v - float(rng.uniform(2.2, 3.5)), float(rng.uniform(0.25, 1.0))
    profile = starting_profile(
        at,
        begin_s,
        rest_v,
        lowest_v=run_v - float(rng.uniform(1.0, 3.0)),
        run_v=run_v,
        ripple_hz=float(rng.uniform(3, 12)),
        cranked_s=cranked_s,
        after_v=rest_v,
        recover_s=float(rng.uniform(0.03, 0.1)),
        swing_v=swing_v,
    )
    end_s = begin_s + 0.070 + cranked_s
    lag = 1 - np.exp(-np.maximum(at - end_s, 0) / float(rng.uniform(0.08, 0.3)))
    open_v[:] = np.where(at >= begin_s, profile + (after_v - rest_v) * lag, open_v)
    truth += [(begin_s, "cranking"), (end_s, then)]
    cranks.append((begin_s, end_s))
    return end_s


def steady_case(rng: np.random.Generator, state: str) -> EngineCase:
    """Rest or charging throughout, with loud music and accessories."""
    at = np.arange(60 * RATE_HZ) / RATE_HZ
    level_v = float(rng.uniform(12.0, 12.85)) if state == "rest" else float(rng.uniform(13.6, 14.7))
    open_v = level_v + _accessories(rng, at, int(rng.integers(2, 9))) * (1.0 if state == "rest" else _REGULATED)
    wave = _music(rng, len(at), float(rng.uniform(10, 45)), np.ones(len(at), dtype=bool))
    return EngineCase(_log(rng, open_v, wave), [(0.0, state)], 60.0)


def iso_case(rng: np.random.Generator, level: str) -> EngineCase:
    """The starting profile itself, 12 V before and behind it."""
    lowest_v, run_v, cranked_s, recover_s = ISO_LEVELS[level]
    begin_s = float(rng.uniform(5, 15))
    at = np.arange(round((begin_s + cranked_s + 15.0) * RATE_HZ)) / RATE_HZ
    supply = starting_profile(
        at, begin_s, 12.0, lowest_v=lowest_v, run_v=run_v, cranked_s=cranked_s, recover_s=recover_s
    )
    wave = _music(rng, len(at), float(rng.uniform(2, 20)), at < begin_s - 0.2)
    end_s = begin_s + 0.070 + cranked_s
    truth = [(0.0, "rest"), (begin_s, "cranking"), (end_s, "rest")]
    return EngineCase(_log(rng, supply, wave), truth, float(len(at) / RATE_HZ), [(begin_s, end_s)])


def variable_case(rng: np.random.Generator) -> EngineCase:
    """A variable charger: after the start high, then low for a while, high again, several times."""
    at = np.arange(180 * RATE_HZ) / RATE_HZ
    rest_v = float(rng.uniform(12.2, 12.7))
    open_v = np.full(len(at), rest_v)
    truth: list[tuple[float, str]] = [(0.0, "rest")]
    cranks: list[tuple[float, float]] = []
    now_s = _start(rng, at, open_v, float(rng.uniform(8, 15)), rest_v, 14.6, truth, cranks, "charging")
    turns = now_s + np.cumsum(rng.uniform(12, 25, 8))
    volts = [14.6, 12.6, 13.6, 12.4, 14.8, 12.7, 13.5, 12.5, 14.5]
    for k, turn_s in enumerate(turns[turns < 170]):
        change = volts[k + 1] - volts[k]
        open_v += change * (1 - np.exp(-np.maximum(at - turn_s, 0) / 0.3))
        truth.append((float(turn_s), "charging" if volts[k + 1] > 13.2 else "not decidable"))
    wave = _music(rng, len(at), float(rng.uniform(5, 25)), at > now_s + 1)
    return EngineCase(_log(rng, open_v, wave), truth, 180.0, cranks)


def shape_case(
    rng: np.random.Generator, shape: Callable[[np.random.Generator, Samples], engine_shapes.Shape]
) -> EngineCase:
    """A shape that the standard does not draw, with music or in silence."""
    at = np.arange(95 * RATE_HZ) / RATE_HZ
    open_v, truth, cranks = shape(rng, at)
    playing = np.full(len(at), rng.uniform() < 0.5)
    wave = _music(rng, len(at), float(rng.uniform(5, 25)), playing)
    return EngineCase(_log(rng, open_v, wave), truth, 95.0, cranks)


FAMILIES: dict[str, Callable[[np.random.Generator], EngineCase]] = {
    "a drive": drive_case,
    "rest, loud music": lambda rng: steady_case(rng, "rest"),
    "charging, loud music": lambda rng: steady_case(rng, "charging"),
    **{f"ISO 16750-2 starting profile {level}": partial(iso_case, level=level) for level in ISO_LEVELS},
    "variable charger": variable_case,
    "cold start, weak battery": partial(shape_case, shape=engine_shapes.cold_start),
    "jump start": partial(shape_case, shape=engine_shapes.jump_start),
    "lithium battery": partial(shape_case, shape=engine_shapes.lithium_start),
    "start-stop": partial(shape_case, shape=engine_shapes.start_stop),
    "charger without an engine": partial(shape_case, shape=engine_shapes.charger_alone),
    "engine that does not start": partial(shape_case, shape=engine_shapes.engine_that_fails),
    "large consumers": partial(shape_case, shape=engine_shapes.large_consumers),
    "slow stop": partial(shape_case, shape=engine_shapes.slow_stop),
    "network of consumers": partial(shape_case, shape=network_of_consumers),
}


def find_states(case: EngineCase, window_s: float = 10.0) -> EngineStates:
    """The states found in a case."""
    dips, history = DipDetector(), SupplyHistory()
    for window in iter_windows_from_arrays(case.volts, RATE_HZ, window_s=window_s):
        dips.push(window)
        history.push(window)
    return find_engine_states(history.finish(), dips.finish().findings)


def score_case(case: EngineCase, states: EngineStates) -> tuple[float, Counter[str], list[tuple[float, float]], int]:
    """Share of time right, seconds by (true -> found), errors of start and end of crankings, crankings invented."""
    grid = np.arange(0.005, case.duration_s, 0.01)
    starts = np.array([t for t, _ in case.truth])
    true = [case.truth[int(k)][1] for k in np.searchsorted(starts, grid, "right") - 1]
    found_starts = np.array([s.start_s for s in states.spans])
    places = np.searchsorted(found_starts, grid, "right") - 1
    found = [states.spans[int(k)].state if k >= 0 else "none" for k in places]
    wrong = Counter(f"{a} called {b}" for a, b in zip(true, found, strict=True) if a != b)
    errors: list[tuple[float, float]] = []
    for a, b in case.cranks:
        near = [c for c in states.cranking if abs(c[0] - a) < 0.3]
        errors.append((near[0][0] - a, near[0][1] - b) if near else (np.inf, np.inf))
    invented = sum(all(abs(c[0] - a) >= 0.3 for a, _ in case.cranks) for c in states.cranking)
    return 1.0 - sum(wrong.values()) / len(grid), wrong, errors, invented


def main() -> None:
    """Print how much of the time the engine state was right, and how well crankings were dated."""
    parser = argparse.ArgumentParser(prog="python -m ampwitness.bench.engine_scores", description=main.__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="seeds a family (10)")
    parser.add_argument("--first-seed", type=int, default=5000, help="seeds below 1000 were tuned on (5000)")
    parser.add_argument("--remarks", type=int, default=0, help="how many imperfect cases to list (0)")
    asked = parser.parse_args()
    total_s = right_s = 0.0
    all_errors: list[tuple[float, float]] = []
    n_invented, remarks = 0, []
    print(f"engine states, seeds {asked.first_seed} to {asked.first_seed + asked.seeds - 1}: share of the time right")
    for number, (name, make) in enumerate(FAMILIES.items()):
        family_s = family_right_s = 0.0
        for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
            case = make(np.random.default_rng([seed, number]))
            share, wrong, errors, invented = score_case(case, find_states(case))
            family_s, family_right_s = family_s + case.duration_s, family_right_s + share * case.duration_s
            all_errors += errors
            n_invented += invented
            if share < 0.995 or invented or any(abs(a) > 0.005 for a, _ in errors):
                remarks.append(
                    f"{name} seed {seed}: {share:.2%} {dict(wrong)}, crankings off {np.round(errors, 4).tolist()}"
                )
        total_s, right_s = total_s + family_s, right_s + family_right_s
        print(f"  {name:32s} {family_right_s / family_s:8.3%} of {family_s:6.0f} s")
    starts = np.abs([a for a, _ in all_errors])
    ends = np.abs([b for _, b in all_errors])
    print(f"all: {right_s / total_s:.3%} of {total_s:.0f} s right (goal 99.5 %)")
    print(
        f"crankings: {int(np.isfinite(starts).sum())} of {len(starts)} found, {n_invented} invented; "
        f"start within 5 ms: {int(np.sum(starts <= 0.005))}/{len(starts)} (median {1e3 * np.median(starts):.1f} ms); "
        f"end: median {1e3 * np.median(ends):.0f} ms off, within 50 ms: {int(np.sum(ends <= 0.05))}/{len(ends)}"
    )
    for remark in remarks[: asked.remarks]:
        print("    " + remark)


if __name__ == "__main__":
    main()
