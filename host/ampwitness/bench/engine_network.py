"""Vehicles whose supply is solved as a network, for engine states: starter, alternator, consumers that come and go.

Unlike the drawn shapes, what the volts do follows from currents: a strong battery hardly gives way to its starter, an
alternator of few amperes falls to the volts of rest under consumers and comes back without the engine's having stopped.
Currents, ohms and times are inventions.
"""

from __future__ import annotations

import numpy as np

from ampwitness.bench.engine_shapes import Samples, Shape
from ampwitness.bench.vehicle_supply import Alternator, Capacitor, FixedLoad, VehicleSupply, run_supply

_STROKES_HZ = 9.0


def network_of_consumers(rng: np.random.Generator, at: Samples) -> Shape:
    """Rest, a start, charging under three to nine consumers, and at times the engine off again."""
    rate_hz, ends_s = 1 / float(at[1] - at[0]), float(at[-1])
    start_s, cranked_s = float(rng.uniform(12, 30)), float(rng.uniform(0.5, 1.6))
    off_s = float(rng.uniform(70, 85)) if rng.random() < 0.7 else ends_s + 1.0
    runs = (at >= start_s + cranked_s) & (at < off_s)
    supply = VehicleSupply(
        emf_v=float(rng.uniform(12.3, 12.85)),
        battery_ohm=float(rng.uniform(0.004, 0.015)),
        plus_cable_ohm=0.004,
        return_cable_ohm=0.003,
        slow_ohm=float(rng.uniform(0.001, 0.008)),
        slow_s=float(rng.uniform(0.5, 5)),
        alternator=Alternator(
            set_point_v=float(rng.uniform(13.6, 14.7)),
            limit_a=float(rng.uniform(60, 140)),
            gain_a_per_v=float(rng.uniform(100, 400)),
            lag_s=float(rng.uniform(0.04, 0.3)),
            ripple_v=float(rng.uniform(0, 0.06)),
            ripple_hz=float(rng.uniform(200, 450)),
        ),
        capacitor=Capacitor(float(rng.uniform(0.5, 2)), 0.003) if rng.random() < 0.3 else None,
    )
    other_a = float(rng.uniform(1, 6)) + float(rng.uniform(5, 20)) * runs
    u = at - start_s
    strokes = 0.8 + 0.2 * np.abs(np.sin(np.pi * _STROKES_HZ * u))
    inrush = (1 + 1.5 * np.exp(-np.maximum(u, 0) / 0.04)) * np.clip(u / 0.005, 0, 1)
    other_a = other_a + float(rng.uniform(140, 220)) * inrush * strokes * (u < cranked_s)
    for _ in range(int(rng.integers(3, 10))):
        on_s, length_s = float(rng.uniform(2, ends_s - 5)), float(np.exp(rng.uniform(np.log(0.3), np.log(40))))
        v = at - on_s
        other_a += float(rng.uniform(5, 45)) * ((v > 0) & (v < length_s)) * (1 + np.exp(-np.maximum(v, 0) / 0.06))
    idle = FixedLoad(np.full(len(at), 0.8))
    solved = run_supply(supply, idle, rate_hz, len(at), other_a=other_a, engine_is_on=runs)
    truth = [(0.0, "rest"), (start_s, "cranking"), (start_s + cranked_s, "charging")]
    truth += [(off_s, "rest")] if off_s < ends_s else []
    return solved.supply_v, truth, [(start_s, start_s + cranked_s)]
