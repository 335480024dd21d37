"""Scenarios for the guided walks: a probe that moves along a made supply, and a quiet output in six conditions.

Invented numbers. The noise has whole hertz and no hiss of its own, so that a part of it may be repeated seamlessly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ampwitness.bench.stimulus import ArrayStimulus

_ROLES = ("out_p", "out_n", "supply")
_COMMON_V = 6.0
SUPPLY_RATE_HZ, NOISE_RATE_HZ = 4_000.0, 16_000.0
PLACE_S = 6.0  # how long the probe stays at a place
NOISE_PART_S = 20.0
TONE_V = 20.0  # rms of the 40 Hz tone at the output

# (place, volts, whether a tone plays, engine running), in the order in which the probe goes
SUPPLY_WALK = (
    ("battery plus post@at rest", 12.58, False, False),
    ("amplifier plus terminal@at rest", 12.55, False, False),
    ("battery plus post@engine running", 14.25, False, True),
    ("battery plus post@under a tone", 12.30, True, False),
    ("main fuse in@under a tone", 12.27, True, False),
    ("main fuse out@under a tone", 11.98, True, False),
    ("amplifier plus terminal@under a tone", 11.80, True, False),
    ("remote lead@under a tone", 11.35, True, False),
)
HUM_V, WHINE_V = 0.040, 0.025  # rms at the terminals: hum of the amplifier's own, whine that comes with the source
ALTERNATOR_HZ = {"off": 0.0, "idle": 310.0, "raised": 640.0}
HUM_HZ = 50.0


@dataclass(frozen=True, slots=True)
class WorkshopScenario:
    """part_s: each start of the board plays the next part of so many seconds, over and over; None: one piece."""

    stimulus: ArrayStimulus
    part_s: float | None = None


def workshop_scenario(name: str) -> WorkshopScenario:
    """Make one of `workshop_scenario_names`."""
    return _SCENARIOS[name]()


def workshop_scenario_names() -> tuple[str, ...]:
    """Names that `workshop_scenario` knows."""
    return tuple(_SCENARIOS)


def _supply_walk() -> WorkshopScenario:
    """A main fuse holder that loses more than the cables, and a remote lead that feeds several amplifiers."""
    n = round(PLACE_S * SUPPLY_RATE_HZ)
    time_s = np.arange(n) / SUPPLY_RATE_HZ
    tone_v = np.sqrt(2) * TONE_V * np.sin(2 * np.pi * 40.0 * time_s)
    pieces = []
    for _, volts, is_playing, is_running in SUPPLY_WALK:
        # a bridged amplifier draws twice a cycle of its tone; an alternator leaves its ripple
        supply = np.full(n, volts) + 0.06 * is_playing * np.cos(2 * np.pi * 80.0 * time_s)
        supply += 0.08 * is_running * np.sin(2 * np.pi * 310.0 * time_s)
        half_v = tone_v * is_playing / 2
        pieces.append(np.column_stack([_COMMON_V + half_v, _COMMON_V - half_v, supply]))
    return WorkshopScenario(ArrayStimulus(_ROLES, SUPPLY_RATE_HZ, np.concatenate(pieces)))


def _noise_walk() -> WorkshopScenario:
    """Six conditions in the order of find-noise: a whine by the signal leads, and a hum of the amplifier's own."""
    n = round(NOISE_PART_S * NOISE_RATE_HZ)
    time_s = np.arange(n) / NOISE_RATE_HZ
    hum_v = HUM_V * np.sqrt(2) * np.sin(2 * np.pi * HUM_HZ * time_s)
    pieces = []
    for is_connected in (False, True):
        for engine, hz in ALTERNATOR_HZ.items():
            ripple = np.sqrt(2) * np.sin(2 * np.pi * hz * time_s)
            half_v = (hum_v + WHINE_V * is_connected * ripple) / 2
            supply = (12.6 if engine == "off" else 14.2) + 0.05 * ripple
            pieces.append(np.column_stack([_COMMON_V + half_v, _COMMON_V - half_v, supply]))
    return WorkshopScenario(ArrayStimulus(_ROLES, NOISE_RATE_HZ, np.concatenate(pieces)), NOISE_PART_S)


_SCENARIOS: dict[str, Callable[[], WorkshopScenario]] = {"supply_walk": _supply_walk, "noise_walk": _noise_walk}
