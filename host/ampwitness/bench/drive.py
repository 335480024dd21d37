"""An amplifier and its supply run together, sample by sample: what stood at the terminals, and the truth beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.bench.amplifier import Amplifier, Guard
from ampwitness.bench.vehicle_supply import Samples, SupplyVolts, VehicleSupply, lag, run_supply

Flags = npt.NDArray[np.bool_]
_LEAST_SUPPLY_V = 3.0  # below this no amplifier runs; keeps the current for a given power finite


@dataclass(frozen=True, slots=True)
class Switching:
    """The amplifier went off or came back. `cause` is that of going off, in the words of the report."""

    sample: int
    is_on: bool
    cause: str


@dataclass(frozen=True, slots=True)
class Drive:
    """An amplifier's run: what stood at its terminals, and what it wanted to do. All arrays (n,)."""

    rate_hz: float
    source_v: Samples
    wanted_v: Samples  # the output if the ceiling were endless; 0 while muted
    limited_v: Samples  # under the ceiling, without the thump
    output_v: Samples  # between the terminals
    common_v: Samples  # mean of both terminals of a bridged output
    ceiling_v: Samples  # positive side
    negative_ceiling_v: Samples  # as a positive number
    remote_v: Samples
    supply: SupplyVolts
    switchings: tuple[Switching, ...]
    is_soft: bool
    is_bridged: bool

    def role_v(self, role: str) -> Samples:
        """Volts of a logger's role; the current comes as a clamp's 10 mV an ampere around 2.5 V. Raises KeyError."""
        half_v = self.output_v / 2 if self.is_bridged else self.output_v
        volts: dict[str, Samples] = {
            "out_p": half_v + self.common_v,
            "out_n": self.common_v - half_v if self.is_bridged else np.zeros_like(half_v),
            "supply": self.supply.supply_v,
            "battery": self.supply.battery_v,
            "ground": self.supply.ground_v,
            "remote": self.remote_v,
            "source": self.source_v,
            "current": 2.5 + 0.01 * self.supply.amplifier_a,
        }
        return volts[role]


def drive(
    amplifier: Amplifier,
    supply: VehicleSupply,
    source_v: Samples,
    rate_hz: float,
    *,
    remote_v: Samples | None = None,
    other_a: Samples | None = None,
    engine_is_on: Flags | None = None,
) -> Drive:
    """Run an amplifier and its supply together.

    Parameters
    ----------
    amplifier, supply : the models
    source_v : (n,) volts at the amplifier's input
    rate_hz : samples a second
    remote_v : (n,) volts on the remote lead; None: 12 V throughout
    other_a : (n,) current of other consumers at the battery, A
    engine_is_on : (n,) whether the alternator turns

    Returns
    -------
    Drive. The amplifier starts on (if its remote lead says so), settled, long after its turn-on.

    Raises
    ------
    SupplyCollapsedError : the amplifier wants more power than the supply can give and nothing switches it off

    Limits: clipping is computed at the given rate; corners of clipped tones above some 200 Hz want 192 kHz. Lags act
    from one sample on the next: on a weak supply the volts at 48 kHz are within 2 mV of those at 192 kHz (tested).
    """
    remote_v = np.full(len(source_v), 12.0) if remote_v is None else remote_v
    run = _AmplifierRun(amplifier, source_v, remote_v, rate_hz)
    volts = run_supply(supply, run, rate_hz, len(source_v), other_a=other_a, engine_is_on=engine_is_on)
    return run.result(volts)


@dataclass(slots=True)
class _Piece:
    """What the amplifier does over one block; lagging parts have one entry more, the state after the block."""

    wanted_v: Samples
    limited_v: Samples
    output_v: Samples
    common_v: Samples
    ceiling_v: Samples
    current_a: Samples
    lagged_supply_v: Samples
    lagged_load_a: Samples
    lagged_power_w: Samples
    loss_w: Samples
    load_state: tuple[float, ...]


class _GuardRun:
    """One guard's memory: whether it holds the amplifier off, and when its quantity was last too low."""

    def __init__(self, guard: Guard, cause: str, rate_hz: float) -> None:
        self.guard, self.cause = guard, cause
        self._hold = max(1, round(guard.hold_s * rate_hz))
        self.is_tripped = False
        self._last_bad = -(10**15)

    def first_change(self, values: Samples, start: int) -> int | None:
        """First of these samples at which the guard trips or lets go; None: it stays as it is."""
        if not self.is_tripped:
            changes = values < self.guard.off_at
        else:
            at = np.arange(start, start + len(values))
            bad_at = np.maximum.accumulate(np.where(values < self.guard.on_at, at, self._last_bad))
            changes = at - bad_at > self._hold
        return int(np.argmax(changes)) if changes.any() else None

    def take(self, values: Samples, start: int) -> None:
        """Remember samples that became final."""
        bad = np.flatnonzero(values < self.guard.on_at)
        if len(bad):
            self._last_bad = start + int(bad[-1])

    def flip(self, sample: int) -> None:
        """Trip or let go before this sample."""
        self.is_tripped = not self.is_tripped
        self._last_bad = sample - 1 if self.is_tripped else self._last_bad


class _AmplifierRun:
    """The amplifier as a load of the supply (see SupplyLoad)."""

    def __init__(self, amplifier: Amplifier, source_v: Samples, remote_v: Samples, rate_hz: float) -> None:
        self._amplifier, self._rate_hz = amplifier, rate_hz
        self._source_v, self._remote_v = source_v, remote_v
        self._is_started = False
        self._lagged_supply_v = self._sense_v = self._lagged_load_a = self._lagged_power_w = self._heat_w = 0.0
        self._load_state = amplifier.load.rest_state()
        self._is_on, self._changed_at, self._gain_at_change = True, -(10**12), 0.0
        self._guards = [
            _GuardRun(amplifier.under_voltage, "supply voltage too low", rate_hz),
            _GuardRun(amplifier.remote, "remote lead dropped", rate_hz),
        ]
        if amplifier.thermal is not None:
            thermal = amplifier.thermal
            self._guards.append(_GuardRun(Guard(-thermal.off_c, -thermal.on_c, 0.0), "too hot", rate_hz))
        if remote_v[0] < amplifier.remote.off_at:
            self._guards[1].flip(0)
            self._is_on = False
        self._pieces: list[_Piece] = []
        self._switchings: list[Switching] = []

    # ---- as a load of the supply

    def current_a(self, start: int, supply_v: Samples) -> Samples:
        if not self._is_started:  # settled at whatever the supply starts with
            self._lagged_supply_v = self._sense_v = float(supply_v[0])
        return self._play(start, supply_v).current_a

    def accept(self, start: int, supply_v: Samples) -> int:
        if not self._is_started:
            self._lagged_supply_v = self._sense_v = float(supply_v[0])
            self._is_started = True
        amplifier, n = self._amplifier, len(supply_v)
        piece = self._play(start, supply_v)
        quantities = [
            lag(supply_v, amplifier.under_voltage_sense_s, self._rate_hz, self._sense_v),
            np.append(self._remote_v[start : start + n], self._remote_v[min(start + n, len(self._remote_v) - 1)]),
        ]
        if amplifier.thermal is not None:
            heat_w = lag(piece.loss_w, amplifier.thermal.time_constant_s, self._rate_hz, self._heat_w)
            quantities.append(-(amplifier.thermal.ambient_c + amplifier.thermal.rise_c_per_w * heat_w))
        found = [guard.first_change(q[:n], start) for guard, q in zip(self._guards, quantities, strict=True)]
        n_taken = min((k for k in found if k is not None), default=n)
        for guard, quantity in zip(self._guards, quantities, strict=True):
            guard.take(quantity[:n_taken], start)
        if n_taken:
            self._keep(piece if n_taken == n else self._play(start, supply_v[:n_taken]))
            self._sense_v = float(quantities[0][n_taken])
            if amplifier.thermal is not None:
                self._heat_w = float(heat_w[n_taken])
        if n_taken < n:
            self._switch(start + n_taken, [g for g, k in zip(self._guards, found, strict=True) if k == n_taken])
        return n_taken

    def _keep(self, piece: _Piece) -> None:
        self._pieces.append(piece)
        self._lagged_supply_v = float(piece.lagged_supply_v[-1])
        self._lagged_load_a = float(piece.lagged_load_a[-1])
        self._lagged_power_w = float(piece.lagged_power_w[-1])
        self._load_state = piece.load_state

    def _switch(self, sample: int, changing: list[_GuardRun]) -> None:
        gain = float(self._envelope(np.array([sample]))[0])
        causes = [guard.cause for guard in changing if not guard.is_tripped]
        for guard in changing:
            guard.flip(sample)
        is_on = not any(guard.is_tripped for guard in self._guards)
        if is_on == self._is_on:
            return
        self._is_on, self._changed_at, self._gain_at_change = is_on, sample, gain
        self._switchings.append(Switching(sample, is_on, causes[0] if causes else self._switchings[-1].cause))

    # ---- the sound

    def _envelope(self, at: npt.NDArray[np.int64]) -> Samples:
        """Gain from 0 to 1 at these samples, in the present state."""
        since_s = (at - self._changed_at) / self._rate_hz
        if self._is_on:
            return np.clip(since_s / self._amplifier.ramp_s, 0, 1)
        return np.asarray(self._gain_at_change * np.clip(1 - since_s / self._amplifier.mute_s, 0, 1))

    def _play(self, start: int, supply_v: Samples) -> _Piece:
        amplifier, rails, rate_hz = self._amplifier, self._amplifier.rails, self._rate_hz
        n = len(supply_v)
        at = np.arange(start, start + n)
        envelope = self._envelope(at)
        wanted_v = amplifier.gain_ratio * self._source_v[start : start + n] * envelope
        lagged_v = lag(supply_v, rails.reservoir_s, rate_hz, self._lagged_supply_v)
        ceiling_v = rails.undrooped_v(lagged_v[:-1])
        lagged_load_a = np.zeros(n + 1)
        if rails.droop_ohm:
            undrooped_a, _ = amplifier.load.current_a(amplifier.limit(wanted_v, ceiling_v), rate_hz, self._load_state)
            lagged_load_a = lag(np.abs(undrooped_a), rails.reservoir_s, rate_hz, self._lagged_load_a)
            ceiling_v = np.maximum(ceiling_v - rails.droop_ohm * lagged_load_a[:-1], 0)
        limited_v = amplifier.limit(wanted_v, ceiling_v)
        output_v = limited_v
        if self._is_on and amplifier.thump_v and self._switchings:
            since_s = (at - self._changed_at) / rate_hz
            output_v = limited_v + amplifier.thump_v * np.exp(-since_s / amplifier.thump_s)
        load_a, load_state = amplifier.load.current_a(output_v, rate_hz, self._load_state)
        power_w = output_v * load_a
        lagged_power_w = lag(power_w, rails.reservoir_s, rate_hz, self._lagged_power_w)
        taken_w = np.maximum(lagged_power_w[:-1], 0) / amplifier.efficiency
        taken_w = taken_w + amplifier.idle_w if self._is_on else np.zeros(n)
        current_a = taken_w / np.maximum(supply_v, _LEAST_SUPPLY_V) + amplifier.standby_a
        return _Piece(
            wanted_v=wanted_v,
            limited_v=limited_v,
            output_v=output_v,
            common_v=amplifier.common_mode_ratio * lagged_v[:-1] * envelope,
            ceiling_v=ceiling_v,
            current_a=current_a,
            lagged_supply_v=lagged_v,
            lagged_load_a=lagged_load_a,
            lagged_power_w=lagged_power_w,
            loss_w=taken_w - np.maximum(lagged_power_w[:-1], 0) if self._is_on else taken_w,
            load_state=load_state,
        )

    def result(self, volts: SupplyVolts) -> Drive:
        """Everything that was kept, end to end."""

        def join(name: str) -> Samples:
            return np.concatenate([getattr(piece, name) for piece in self._pieces])

        ceiling_v = join("ceiling_v")
        return Drive(
            rate_hz=self._rate_hz,
            source_v=self._source_v,
            wanted_v=join("wanted_v"),
            limited_v=join("limited_v"),
            output_v=join("output_v"),
            common_v=join("common_v"),
            ceiling_v=ceiling_v,
            negative_ceiling_v=ceiling_v * self._amplifier.rails.negative_ratio,
            remote_v=self._remote_v,
            supply=volts,
            switchings=tuple(self._switchings),
            is_soft=self._amplifier.knee_exponent is not None,
            is_bridged=self._amplifier.is_bridged,
        )
