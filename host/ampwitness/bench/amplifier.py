"""What an amplifier is, in numbers: ceiling, clipping law, current drawn, protections, turn-on. drive.py runs it.

    wanted = gain * source, muted while off          ceiling = what the rails allow at that instant
    output = wanted, limited by the ceiling          supply current = (power into the load / efficiency + idle) / volts

The rails follow the supply, or are regulated until the supply no longer suffices; both sag with the load if told to.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from ampwitness.bench.vehicle_supply import Samples


class Load(Protocol):
    """What hangs on the output. `state` is whatever the load remembers from sample to sample."""

    def rest_state(self) -> tuple[float, ...]: ...

    def current_a(
        self, output_v: Samples, rate_hz: float, state: tuple[float, ...]
    ) -> tuple[Samples, tuple[float, ...]]:
        """Current for these volts, and the state after them."""
        ...


@dataclass(frozen=True, slots=True)
class ResistorLoad:
    """A resistor."""

    ohm: float = 4.0

    def rest_state(self) -> tuple[float, ...]:
        return ()

    def current_a(
        self, output_v: Samples, rate_hz: float, state: tuple[float, ...]
    ) -> tuple[Samples, tuple[float, ...]]:
        return output_v / self.ohm, state


@dataclass(frozen=True, slots=True)
class Rails:
    """The largest volts between the output terminals.

    ceiling = min(ratio * lagged supply, regulated_v) - loss_v - droop_ohm * lagged |load current|

    `regulated_v` None: the rails follow the supply. The lag is that of the reservoir, for supply and load alike; the
    load current is the one an undrooped ceiling would allow. The negative ceiling is `negative_ratio` times as deep.
    """

    ratio: float = 1.0
    regulated_v: float | None = None
    loss_v: float = 0.8
    reservoir_s: float = 0.003
    droop_ohm: float = 0.0
    negative_ratio: float = 1.0

    def undrooped_v(self, lagged_supply_v: Samples) -> Samples:
        """Positive ceiling before the droop of the load, never below 0."""
        level = self.ratio * lagged_supply_v
        if self.regulated_v is not None:
            level = np.minimum(level, self.regulated_v)
        return np.asarray(np.maximum(level - self.loss_v, 0.0))


@dataclass(frozen=True, slots=True)
class Guard:
    """Switches the amplifier off when a quantity falls below `off_at`, on again after `hold_s` at or above `on_at`."""

    off_at: float
    on_at: float
    hold_s: float


@dataclass(frozen=True, slots=True)
class Thermal:
    """Heat of the losses into one thermal mass; the amplifier is off from `off_c` until it has cooled to `on_c`."""

    off_c: float = 90.0
    on_c: float = 75.0
    ambient_c: float = 25.0
    rise_c_per_w: float = 0.5
    time_constant_s: float = 600.0


@dataclass(frozen=True, slots=True)
class Amplifier:
    """What an amplifier does, in numbers.

    `knee_exponent` None: hard clipping; p: output = ceiling * x / (1 + |x|^p)^(1/p) with x = wanted / ceiling.
    `is_bridged`: both terminals swing, around `common_mode_ratio` * lagged supply; else out_n is the ground.
    Turn-on: the gain comes up over `ramp_s`, with a thump of `thump_v` that decays within `thump_s`.
    """

    gain_ratio: float = 20.0
    rails: Rails = field(default_factory=Rails)
    load: Load = field(default_factory=ResistorLoad)
    is_bridged: bool = True
    common_mode_ratio: float = 0.0
    knee_exponent: float | None = None
    efficiency: float = 0.82
    idle_w: float = 12.0
    standby_a: float = 0.01
    under_voltage: Guard = field(default_factory=lambda: Guard(off_at=9.5, on_at=11.0, hold_s=1.2))
    under_voltage_sense_s: float = 0.005
    remote: Guard = field(default_factory=lambda: Guard(off_at=5.0, on_at=6.0, hold_s=0.4))
    thermal: Thermal | None = None
    mute_s: float = 0.0005
    ramp_s: float = 0.03
    thump_v: float = 0.0
    thump_s: float = 0.02

    def limit(self, wanted_v: Samples, ceiling_v: Samples) -> Samples:
        """Output for what is wanted, under a ceiling that is lower by `negative_ratio` on the negative side."""
        allowed_v = np.where(wanted_v < 0, ceiling_v * self.rails.negative_ratio, ceiling_v)
        if self.knee_exponent is None:
            return np.asarray(np.clip(wanted_v, -allowed_v, allowed_v))
        p = self.knee_exponent
        x = wanted_v / np.maximum(allowed_v, 1e-9)
        return np.asarray(allowed_v * x / (1 + np.abs(x) ** p) ** (1 / p))
