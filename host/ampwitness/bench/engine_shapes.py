"""Supplies of starts that the standard does not draw: cold, jumped, lithium, start-stop; a charger without an engine.

Each gives (open supply, true states, crankings) for instants `at`. Invented shapes: a notch that recovers
exponentially, cylinders as a rectified sine, a charging level that comes up with its own lag.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
Shape = tuple[Samples, list[tuple[float, str]], list[tuple[float, float]]]


def _crank(
    at: Samples,
    start_s: float,
    cranked_s: float,
    notch_v: float,
    run_v: float,
    strokes_hz: float,
    swing_v: float,
    rise_v: float,
    lag_s: float = 0.2,
) -> Samples:
    """What a cranking adds to the supply, and the charging behind it; depths below rest are positive."""
    u, v = np.maximum(at - start_s, 0.0), np.maximum(at - start_s - cranked_s, 0.0)
    strokes = swing_v * (np.abs(np.sin(np.pi * strokes_hz * u)) - 0.5) * (u > 0.05)
    during = strokes - (run_v + (notch_v - run_v) * np.exp(-u / 0.05)) * (1 - np.exp(-u / 0.002))
    behind = rise_v * (1 - np.exp(-v / lag_s)) - run_v * np.exp(-v / 0.02)
    return np.asarray(np.where(v > 0, behind, np.where(u > 0, during, 0.0)))


def _started(start_s: float, cranked_s: float) -> tuple[list[tuple[float, str]], list[tuple[float, float]]]:
    end_s = start_s + cranked_s
    return [(0.0, "rest"), (start_s, "cranking"), (end_s, "charging")], [(start_s, end_s)]


def cold_start(rng: np.random.Generator, at: Samples) -> Shape:
    """A weak battery in the cold: slow strokes for seconds, a charging level that takes seconds to come up."""
    rest_v, start_s, cranked_s = float(rng.uniform(11.6, 12.3)), float(rng.uniform(8, 20)), float(rng.uniform(2.5, 5))
    rise_v, lag_s = float(rng.uniform(13.5, 14.2)) - rest_v, float(rng.uniform(0.5, 3))
    crank = _crank(
        at,
        start_s,
        cranked_s,
        float(rng.uniform(5, 6.8)),
        float(rng.uniform(3, 4)),
        float(rng.uniform(2.5, 5)),
        float(rng.uniform(0.3, 1.2)),
        rise_v,
        lag_s,
    )
    return (rest_v + crank, *_started(start_s, cranked_s))


def jump_start(rng: np.random.Generator, at: Samples) -> Shape:
    """A flat battery that another one is clipped to, then the start."""
    flat_v, clipped_s = float(rng.uniform(10.2, 11.3)), float(rng.uniform(8, 12))
    lift_v = float(rng.uniform(12.3, 12.9)) - flat_v
    start_s, cranked_s = clipped_s + float(rng.uniform(10, 20)), float(rng.uniform(0.8, 2.5))
    rise_v = float(rng.uniform(13.6, 14.3)) - flat_v - lift_v
    crank = _crank(
        at,
        start_s,
        cranked_s,
        float(rng.uniform(3.5, 5)),
        float(rng.uniform(1.8, 2.6)),
        float(rng.uniform(4, 9)),
        0.7,
        rise_v,
    )
    return (flat_v + lift_v * (at >= clipped_s) + crank, *_started(start_s, cranked_s))


def lithium_start(rng: np.random.Generator, at: Samples) -> Shape:
    """A lithium battery: 13.1 to 13.35 V at rest, a small notch, and off again at the end."""
    rest_v, start_s, cranked_s = (
        float(rng.uniform(13.1, 13.35)),
        float(rng.uniform(15, 25)),
        float(rng.uniform(0.4, 1.2)),
    )
    crank = _crank(
        at,
        start_s,
        cranked_s,
        float(rng.uniform(2.5, 3.2)),
        float(rng.uniform(1.2, 1.8)),
        float(rng.uniform(5, 10)),
        0.5,
        14.3 - rest_v,
    )
    truth, cranks = _started(start_s, cranked_s)
    off_s = 75.0
    fading = rest_v + 0.1 + (14.2 - rest_v) * np.exp(-np.maximum(at - off_s, 0) / 0.3)
    return np.where(at >= off_s, fading, rest_v + crank), [*truth, (off_s, "rest")], cranks


def start_stop(rng: np.random.Generator, at: Samples) -> Shape:
    """An engine that stops at two lights and is cranked again, warm and briefly, out of the low supply it left."""
    rest_v = 12.5
    volts = rest_v + _crank(at, 8.0, 0.6, 4.0, 2.4, 8.0, 0.7, 1.7)
    truth, cranks = _started(8.0, 0.6)
    for off_s in (30.0, 60.0):
        on_s, cranked_s = off_s + float(rng.uniform(8, 15)), float(rng.uniform(0.3, 0.5))
        volts = np.where(at >= off_s, rest_v + 1.7 * np.exp(-np.maximum(at - off_s, 0) / 0.3), volts)
        again = rest_v + _crank(at, on_s, cranked_s, 3.2, 2.0, float(rng.uniform(8, 12)), 0.5, 1.7)
        volts = np.where(at >= on_s, again, volts)
        truth += [(off_s, "rest"), (on_s, "cranking"), (on_s + cranked_s, "charging")]
        cranks.append((on_s, on_s + cranked_s))
    return volts, truth, cranks


def charger_alone(rng: np.random.Generator, at: Samples) -> Shape:
    """A converter or a mains charger comes and goes, the engine is never cranked."""
    on_s, off_s, rest_v = float(rng.uniform(15, 25)), float(rng.uniform(65, 80)), float(rng.uniform(12.3, 12.8))
    set_v = float(rng.uniform(14.2, 14.6))
    up = rest_v + (set_v - rest_v) * (1 - np.exp(-np.maximum(at - on_s, 0) / 0.8))
    down = rest_v + 0.3 + (set_v - rest_v - 0.3) * np.exp(-np.maximum(at - off_s, 0) / 0.8)
    volts = np.where(at < on_s, rest_v, np.where(at < off_s, up, down))
    return volts, [(0.0, "rest"), (on_s, "charging"), (off_s, "rest")], []


def engine_that_fails(rng: np.random.Generator, at: Samples) -> Shape:
    """An engine that is cranked twice, with weak even strokes, and does not start."""
    rest_v = float(rng.uniform(11.8, 12.5))
    volts, truth, cranks = np.full(len(at), rest_v), [(0.0, "rest")], []
    for start_s in (float(rng.uniform(15, 25)), float(rng.uniform(40, 60))):
        cranked_s, run_v = float(rng.uniform(1.0, 3.0)), float(rng.uniform(1.6, 3.0))
        strokes_hz, swing_v = float(rng.uniform(4, 10)), float(rng.uniform(0.2, 0.35))
        volts += _crank(at, start_s, cranked_s, run_v + float(rng.uniform(0.7, 2)), run_v, strokes_hz, swing_v, 0.0)
        truth += [(start_s, "cranking"), (start_s + cranked_s, "rest")]
        cranks.append((start_s, start_s + cranked_s))
    return volts, truth, cranks


def large_consumers(rng: np.random.Generator, at: Samples) -> Shape:
    """A compressor and a winch at a battery at rest: as deep as a starter at first, and steady behind the inrush."""
    volts = np.full(len(at), float(rng.uniform(12.2, 12.7)))
    for begin_s in (10.0, 30.0, 50.0, 70.0):
        u, run_v = at - begin_s - float(rng.uniform(0, 5)), float(rng.uniform(0.8, 2.0))
        inrush = float(rng.uniform(1.3, 3.0)) * np.exp(-np.maximum(u, 0) / float(rng.uniform(0.02, 0.2)))
        volts -= (run_v + inrush) * (1 - np.exp(-np.maximum(u, 0) / 0.002)) * (u < float(rng.uniform(0.8, 6)))
    return volts, [(0.0, "rest")], []


def slow_stop(rng: np.random.Generator, at: Samples) -> Shape:
    """An engine that is switched off, and a battery, lead or lithium, that comes down to its rest over seconds."""
    rest_v = float(rng.uniform(13.0, 13.3)) if rng.uniform() < 0.5 else float(rng.uniform(12.2, 12.7))
    start_s, cranked_s, off_s = float(rng.uniform(10, 20)), float(rng.uniform(0.4, 1.2)), float(rng.uniform(55, 65))
    set_v, strokes_hz = float(rng.uniform(14.0, 14.5)), float(rng.uniform(5, 10))
    crank = _crank(at, start_s, cranked_s, float(rng.uniform(2.6, 3.5)), 1.6, strokes_hz, 0.5, set_v - rest_v)
    truth, cranks = _started(start_s, cranked_s)
    fading = rest_v + (set_v - rest_v) * np.exp(-np.maximum(at - off_s, 0) / float(rng.uniform(1.0, 4.0)))
    return np.where(at >= off_s, fading, rest_v + crank), [*truth, (off_s, "rest")], cranks
