"""Battery, alternator, cables and capacitor: the volts an amplifier gets for the current it takes.

    battery emf - battery_ohm - slow part -+- plus cable -+- amplifier + ---+--- capacitor (esr) ---+
                 alternator, other loads --+              | current_a       |                       |
    battery minus -------------- return cable ------------+- amplifier - ---+-----------------------+

All volts are relative to the amplifier's minus terminal, as the logger sees them. The linear parts are solved exactly
for currents that stay constant from one sample to the next; what depends on the volts themselves (the amplifier's
current, the alternator's regulator) is iterated block by block until the volts stand still.

Limits: no inductance, the battery's emf does not discharge, and the alternator's regulator is one lag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]

BLOCK_S = 0.02
SETTLED_V = 1e-7  # the iteration stops when no sample moves by more
_MAX_ROUNDS = 200


class SupplyCollapsedError(RuntimeError):
    """No volts satisfy both the supply and the load: the load wants more power than the supply can give."""


@dataclass(frozen=True, slots=True)
class Alternator:
    """A regulated current source at the battery: it drives towards the set-point as fast as its field current allows.

    `ripple_v` is the peak of the rectifier's residue as it stands at the open battery terminals, at `ripple_hz`.
    """

    set_point_v: float = 14.2
    limit_a: float = 90.0
    gain_a_per_v: float = 150.0
    lag_s: float = 0.08
    ripple_v: float = 0.0
    ripple_hz: float = 600.0


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A capacitor across the amplifier's supply terminals, with its series resistance."""

    farad: float
    esr_ohm: float


@dataclass(frozen=True, slots=True)
class VehicleSupply:
    """The supply network. `slow_ohm` is the part of the battery's drop that comes with time constant `slow_s`."""

    emf_v: float = 12.6
    battery_ohm: float = 0.012
    plus_cable_ohm: float = 0.004
    return_cable_ohm: float = 0.004
    slow_ohm: float = 0.0
    slow_s: float = 1.5
    alternator: Alternator | None = None
    capacitor: Capacitor | None = None

    @property
    def cable_ohm(self) -> float:
        """Both ways."""
        return self.plus_cable_ohm + self.return_cable_ohm


class SupplyLoad(Protocol):
    """What hangs on the supply. Both methods start from the state reached by the last `accept`."""

    def current_a(self, start: int, supply_v: Samples) -> Samples:
        """Current for these volts at samples start .. start + n; changes nothing."""
        ...

    def accept(self, start: int, supply_v: Samples) -> int:
        """Take the volts as final; how many samples, fewer where the load changed its state within them."""
        ...


@dataclass(slots=True)
class FixedLoad:
    """A current that does not depend on the volts, (n,) amperes."""

    amperes: Samples

    def current_a(self, start: int, supply_v: Samples) -> Samples:
        return self.amperes[start : start + len(supply_v)]

    def accept(self, start: int, supply_v: Samples) -> int:
        return len(supply_v)


@dataclass(frozen=True, slots=True)
class SupplyVolts:
    """What stands in the network at each sample, all (n,)."""

    supply_v: Samples  # amplifier plus terminal
    battery_v: Samples  # battery plus post, relative to the amplifier's minus terminal
    ground_v: Samples  # battery minus post, relative to the amplifier's minus terminal
    amplifier_a: Samples
    cable_a: Samples  # battery to amplifier, what the amplifier takes and what the capacitor gives or takes
    alternator_a: Samples

    @property
    def battery_terminal_v(self) -> Samples:
        """From post to post of the battery."""
        return self.battery_v - self.ground_v


@dataclass(slots=True)
class _State:
    capacitor_v: float
    slow_v: float
    alternator_a: float


@dataclass(slots=True)
class _Block:
    """One block's solution; the lagging parts have one entry more, the state at the next block's first sample."""

    supply_v: Samples
    cable_a: Samples
    amplifier_a: Samples
    capacitor_v: Samples
    slow_v: Samples
    alternator_a: Samples


@dataclass(slots=True)
class _Record:
    supply_v: list[Samples] = field(default_factory=list)
    cable_a: list[Samples] = field(default_factory=list)
    amplifier_a: list[Samples] = field(default_factory=list)
    alternator_a: list[Samples] = field(default_factory=list)


def lag(signal: Samples, time_constant_s: float, rate_hz: float, state: float) -> Samples:
    """First-order lag of a signal held from sample to sample: (n + 1,), entry k before sample k has its effect.

    A time constant of 0 gives the signal itself, with its last value repeated.
    """
    if time_constant_s <= 0:
        return np.concatenate((signal, signal[-1:]))
    from scipy.signal import lfilter  # here: a second of loading, which a virtual board of steady volts does without

    decay = math.exp(-1 / (rate_hz * time_constant_s))
    later, _ = lfilter([1 - decay], [1, -decay], signal, zi=[decay * state])
    return np.concatenate(([state], later))


def run_supply(
    supply: VehicleSupply,
    load: SupplyLoad,
    rate_hz: float,
    n: int,
    *,
    other_a: Samples | None = None,
    engine_is_on: npt.NDArray[np.bool_] | None = None,
) -> SupplyVolts:
    """Volts of the whole network over n samples, starting settled.

    Parameters
    ----------
    supply, load : the network, and what is connected to it
    rate_hz : samples a second
    n : samples
    other_a : (n,) current of other consumers at the battery, A (a starter, a fan, lamps)
    engine_is_on : (n,) whether the alternator turns; None: it always does, where there is one

    Raises
    ------
    SupplyCollapsedError : the load wants more power than the supply can give, and no protection ends it
    """
    other_a = np.zeros(n) if other_a is None else other_a
    engine_is_on = np.ones(n, dtype=bool) if engine_is_on is None else engine_is_on
    state, supply_v = _settle(supply, load, float(other_a[0]), bool(engine_is_on[0]))
    record = _Record()
    block_length = max(1, round(BLOCK_S * rate_hz))
    at = 0
    while at < n:
        stop = min(at + block_length, n)
        block = _solve_block(supply, load, rate_hz, at, state, supply_v, other_a[at:stop], engine_is_on[at:stop])
        n_taken = load.accept(at, block.supply_v)
        state = _State(
            float(block.capacitor_v[n_taken]), float(block.slow_v[n_taken]), float(block.alternator_a[n_taken])
        )
        if n_taken:
            record.supply_v.append(block.supply_v[:n_taken])
            record.cable_a.append(block.cable_a[:n_taken])
            record.amplifier_a.append(block.amplifier_a[:n_taken])
            record.alternator_a.append(block.alternator_a[:n_taken])
            supply_v = float(block.supply_v[n_taken - 1])
        at += n_taken
    final_v, cable_a = np.concatenate(record.supply_v), np.concatenate(record.cable_a)
    return SupplyVolts(
        supply_v=final_v,
        battery_v=final_v + supply.plus_cable_ohm * cable_a,
        ground_v=-supply.return_cable_ohm * cable_a,
        amplifier_a=np.concatenate(record.amplifier_a),
        cable_a=cable_a,
        alternator_a=np.concatenate(record.alternator_a),
    )


def _solve_block(
    supply: VehicleSupply,
    load: SupplyLoad,
    rate_hz: float,
    start: int,
    state: _State,
    first_guess_v: float,
    other_a: Samples,
    engine_is_on: npt.NDArray[np.bool_],
) -> _Block:
    """Iterate volts -> currents -> volts over one block until the volts stand still."""
    n = len(other_a)
    emf_v = supply.emf_v + _ripple(supply.alternator, start, n, rate_hz) * engine_is_on
    supply_v = np.full(n, first_guess_v)
    terminal_v = supply_v
    share = 1.0
    last_change_v = math.inf
    for _ in range(_MAX_ROUNDS):
        amplifier_a = load.current_a(start, supply_v)
        alternator_a = _alternator_current(supply.alternator, terminal_v, engine_is_on, rate_hz, state.alternator_a)
        block = _solve_linear(supply, rate_hz, state, emf_v, amplifier_a, other_a, alternator_a)
        new_terminal_v = block.supply_v + supply.cable_ohm * block.cable_a
        change_v = max(float(np.abs(block.supply_v - supply_v).max()), float(np.abs(new_terminal_v - terminal_v).max()))
        if change_v < SETTLED_V and block.supply_v.min() > 0:
            return block
        if change_v > 0.9 * last_change_v:  # it swings: go on with smaller steps
            share = max(0.2, share * 0.7)
        last_change_v = change_v
        supply_v = supply_v + share * (block.supply_v - supply_v)
        terminal_v = terminal_v + share * (new_terminal_v - terminal_v)
    raise SupplyCollapsedError(
        f"at {start / rate_hz:.3f} s the load wants more than the supply can give ({supply_v.min():.2f} V is left)"
    )


def _solve_linear(
    supply: VehicleSupply,
    rate_hz: float,
    state: _State,
    emf_v: Samples,
    amplifier_a: Samples,
    other_a: Samples,
    alternator_a: Samples,
) -> _Block:
    """Volts for given currents. The slow part of the battery sees the current without the capacitor's: it is slow."""
    battery_a = amplifier_a + other_a - alternator_a[:-1]
    slow_v = lag(supply.slow_ohm * battery_a, supply.slow_s, rate_hz, state.slow_v)
    source_v = emf_v - slow_v[:-1] - supply.battery_ohm * (other_a - alternator_a[:-1])
    ohm = supply.battery_ohm + supply.cable_ohm
    open_v = source_v - ohm * amplifier_a  # without the capacitor
    if supply.capacitor is None:
        flat = np.zeros(len(emf_v) + 1)
        return _Block(open_v, amplifier_a, amplifier_a, flat, slow_v, alternator_a)
    esr_ohm = supply.capacitor.esr_ohm
    capacitor_v = lag(open_v, (ohm + esr_ohm) * supply.capacitor.farad, rate_hz, state.capacitor_v)
    capacitor_a = (open_v - capacitor_v[:-1]) / (ohm + esr_ohm)
    return _Block(open_v - ohm * capacitor_a, amplifier_a + capacitor_a, amplifier_a, capacitor_v, slow_v, alternator_a)


def _alternator_current(
    alternator: Alternator | None,
    terminal_v: Samples,
    engine_is_on: npt.NDArray[np.bool_],
    rate_hz: float,
    state: float,
) -> Samples:
    if alternator is None:
        return np.zeros(len(terminal_v) + 1)
    wanted_a = np.clip(alternator.gain_a_per_v * (alternator.set_point_v - terminal_v), 0, alternator.limit_a)
    return lag(wanted_a * engine_is_on, alternator.lag_s, rate_hz, state)


def _ripple(alternator: Alternator | None, start: int, n: int, rate_hz: float) -> Samples:
    if alternator is None or not alternator.ripple_v:
        return np.zeros(n)
    angle = 2 * np.pi * alternator.ripple_hz / rate_hz * np.arange(start, start + n)
    wave = np.sin(angle) + 0.3 * np.sin(2 * angle)
    return np.asarray(wave * (alternator.ripple_v / 1.13))  # 1.13: its peak


def _settle(supply: VehicleSupply, load: SupplyLoad, other_a: float, engine_is_on: bool) -> tuple[_State, float]:
    """State and supply volts after a long time with the load's first current."""
    alternator = supply.alternator if engine_is_on else None
    battery_ohm = supply.battery_ohm + supply.slow_ohm
    supply_v = supply.emf_v
    alternator_a = load_a = 0.0
    for _ in range(200):
        load_a = float(load.current_a(0, np.array([supply_v]))[0])
        without_v = supply.emf_v - battery_ohm * (load_a + other_a)
        if alternator is not None:
            # terminal = without + battery_ohm * a, a = gain * (set point - terminal), then limited
            gain = alternator.gain_a_per_v
            alternator_a = gain * (alternator.set_point_v - without_v) / (1 + gain * battery_ohm)
            alternator_a = min(max(alternator_a, 0.0), alternator.limit_a)
        new_v = without_v + battery_ohm * alternator_a - supply.cable_ohm * load_a
        is_settled = abs(new_v - supply_v) < 1e-12
        supply_v = new_v
        if is_settled:
            break
    slow_v = supply.slow_ohm * (load_a + other_a - alternator_a)
    return _State(supply_v, slow_v, alternator_a), supply_v
