"""An amplifier less obliging than a static clip behind a smooth rail, played sample by sample.

    vehicle supply -- supply_ohm -- input capacitor -- converter (its own ohm, its own current limit)
        -- reservoir(s) -- output stage (loss, on-resistance, current limit, late release, slew, knee) -- load

What the plain model leaves out and this one has:
- The load is a loudspeaker: its current leads or lags, back-EMF and coil inductance included, so the volts lost in the
  output stage and drawn from the reservoirs are not in step with the output.
- Reservoirs are emptied within a half-cycle, each polarity its own (or both one); what a switching half-bridge takes
  from one it pumps into the other. A converter at its current limit lets them sink.
- A current limit of the output stage, which leaves a plateau in the current, not in the volts.
- Late release: the stage sticks to its rail after the drive has come back, then follows at its slew limit.

Everything is semi-implicit at the sample rate: 48 kHz for bass, 96 kHz and more for the rest.
Limits: the amplifier's feedback is ideal until something limits it; no heat, no protections, no turn-on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from ampwitness.bench.amplifier import ResistorLoad
from ampwitness.bench.amplifier_load import Loudspeaker, Recursion

Samples = npt.NDArray[np.float64]
Output = Literal["bridged", "single-ended", "half-supply"]

FREE, AT_RAIL, AT_CURRENT, SLEWING = 0, 1, 2, 3  # what held the output at a sample


@dataclass(frozen=True, slots=True)
class Reservoirs:
    """The stores behind the output stage, and what fills them.

    target = min(ratio * supply, regulated_v); current = (target - reservoir) / charge_ohm, never below 0 nor above
    charge_limit_a. `is_shared`: one store for both polarities (bridged and half-supply outputs).
    """

    ratio: float = 3.0
    regulated_v: float | None = None
    farad: float = 0.0047
    negative_farad: float = 0.0047
    charge_ohm: float = 0.15
    charge_limit_a: float = math.inf
    is_shared: bool = False


@dataclass(frozen=True, slots=True)
class Stage:
    """An amplifier in numbers.

    `loss_v`, `on_ohm`: what the output stage loses at its rail, fixed and for each ampere. `negative_loss_v` None: as
    the positive one. `limit_ohm`: how steeply the current limit takes the volts back, volts for each ampere beyond it.
    `release_s`: how long it sticks to a rail. `knee_exponent`: as in amplifier.py; None is a hard corner.
    `is_switching`: class D, which takes power, not current, from its reservoirs.
    `coupling_farad`: the capacitor in series with the load of a half-supply output; the terminals are behind it.
    """

    reservoirs: Reservoirs = field(default_factory=Reservoirs)
    load: Loudspeaker | ResistorLoad = field(default_factory=Loudspeaker)
    output: Output = "single-ended"
    loss_v: float = 1.0
    negative_loss_v: float | None = None
    on_ohm: float = 0.1
    current_limit_a: float | None = None
    limit_ohm: float = 30.0
    release_s: float = 0.0
    slew_v_per_s: float = math.inf
    knee_exponent: float | None = None
    is_switching: bool = False
    coupling_farad: float | None = None
    efficiency: float = 0.8
    idle_w: float = 10.0


@dataclass(frozen=True, slots=True)
class Feed:
    """What feeds the amplifier: open volts (n,) (alternator whine, other loads and all), and the resistance behind."""

    open_v: Samples
    supply_ohm: float = 0.02
    input_farad: float = 0.0047


@dataclass(frozen=True, slots=True)
class StageRun:
    """What an amplifier did; all arrays (n,). Volts are those between the terminals."""

    rate_hz: float
    wanted_v: Samples  # without any limit, with the coupling capacitor as charged as it really was
    output_v: Samples
    common_v: Samples
    held_by: npt.NDArray[np.int8]  # FREE, AT_RAIL, AT_CURRENT, SLEWING
    load_a: Samples
    positive_rail_v: Samples
    negative_rail_v: Samples
    supply_v: Samples
    is_soft: bool


def run_stage(stage: Stage, feed: Feed, wanted_v: Samples, rate_hz: float) -> StageRun:
    """Play what is wanted (n,) volts at the output stage; everything starts settled and silent."""
    n, dt = len(wanted_v), 1.0 / rate_hz
    is_half, is_speaker = stage.output == "half-supply", isinstance(stage.load, Loudspeaker)
    step = _recursion(stage.load, rate_hz)
    (a00, a01, a02), (a10, a11, a12), (a20, a21, a22) = step.a
    b0, b1, b2 = step.b
    on_ohm = stage.on_ohm
    loss = stage.loss_v
    negative_loss = loss if stage.negative_loss_v is None else stage.negative_loss_v
    holder = _Holder(stage, b0, rate_hz)
    coupling = 0.0 if stage.coupling_farad is None else dt / stage.coupling_farad
    stores = _Stores(stage, feed, dt)
    x0 = x1 = x2 = blocked_v = 0.0
    opens, wants = feed.open_v.tolist(), wanted_v.tolist()
    outs, helds, amps, tops, bottoms, supplies, blockeds = ([0.0] * n for _ in range(7))
    for k in range(n):
        top_v, bottom_v = stores.top_v, stores.bottom_v
        free = a00 * x0 + a01 * x1 + a02 * x2 - b0 * blocked_v  # load current = free + b0 * volts of the stage
        swing_up, swing_down = (0.5 * top_v, 0.5 * top_v) if is_half else (top_v, bottom_v)
        upper = (swing_up - loss - on_ohm * free) / (1 + on_ohm * b0)
        lower = (negative_loss - swing_down - on_ohm * free) / (1 + on_ohm * b0)
        volts, held = holder.hold(wants[k], free, upper, lower)
        amp = free + b0 * volts
        outs[k], helds[k], amps[k], blockeds[k] = volts - blocked_v, held, amp, blocked_v
        tops[k], bottoms[k], supplies[k] = top_v, bottom_v, stores.supply_v
        if is_speaker:
            at_load = volts - blocked_v
            x0, x1, x2 = (
                a00 * x0 + a01 * x1 + a02 * x2 + b0 * at_load,
                a10 * x0 + a11 * x1 + a12 * x2 + b1 * at_load,
                a20 * x0 + a21 * x1 + a22 * x2 + b2 * at_load,
            )
        blocked_v += amp * coupling
        stores.give(volts, amp, opens[k])
    supply = np.array(supplies)
    is_common = stage.output == "bridged" and stage.reservoirs.ratio <= 1
    return StageRun(
        rate_hz=rate_hz,
        wanted_v=wanted_v - np.array(blockeds),
        output_v=np.array(outs),
        common_v=supply / 2 if is_common else np.zeros(n),
        held_by=np.array(helds, dtype=np.int8),
        load_a=np.array(amps),
        positive_rail_v=np.array(tops),
        negative_rail_v=np.array(bottoms),
        supply_v=supply,
        is_soft=stage.knee_exponent is not None,
    )


def _recursion(load: Loudspeaker | ResistorLoad, rate_hz: float) -> Recursion:
    if isinstance(load, Loudspeaker):
        return load.recursion(rate_hz)
    return Recursion(((0.0, 0.0, 0.0),) * 3, (1 / load.ohm, 0.0, 0.0))


class _Holder:
    """What the output stage makes of what is wanted: rail, current limit, late release, slew."""

    def __init__(self, stage: Stage, per_volt_a: float, rate_hz: float) -> None:
        self._b0 = per_volt_a
        self._knee, self._limit_a, self._limit_ohm = stage.knee_exponent, stage.current_limit_a, stage.limit_ohm
        self._stick_n, self._slew_v = round(stage.release_s * rate_hz), stage.slew_v_per_s * (1.0 / rate_hz)
        self._stuck, self._side, self._last_v = 0, 1, 0.0

    def hold(self, want: float, free_a: float, upper: float, lower: float) -> tuple[float, int]:
        """Volts of the stage, and what held them; `free_a`: the load's current at no volts."""
        held, b0, limit_a = FREE, self._b0, self._limit_a
        if self._knee is not None:
            bound = upper if want >= 0 else -lower
            volts = want / (1 + abs(want / max(bound, 0.1)) ** self._knee) ** (1 / self._knee)
        else:
            volts = upper if want > upper else lower if want < lower else want
            if volts != want:
                held, self._stuck, self._side = AT_RAIL, self._stick_n, (1 if want > 0 else -1)
            elif self._stuck:
                self._stuck -= 1
                held, volts = AT_RAIL, (upper if self._side > 0 else lower)
        if limit_a is not None and abs(free_a + b0 * volts) > limit_a:
            beyond_a = free_a - limit_a if free_a + b0 * volts > 0 else free_a + limit_a
            volts, held = (volts - self._limit_ohm * beyond_a) / (1 + self._limit_ohm * b0), AT_CURRENT
            self._stuck = 0
        if abs(volts - self._last_v) > self._slew_v:
            volts = self._last_v + (self._slew_v if volts > self._last_v else -self._slew_v)
            held = held or SLEWING
        self._last_v = volts
        return volts, held


class _Stores:
    """Reservoirs and the input capacitor: what they give, and get."""

    def __init__(self, stage: Stage, feed: Feed, dt: float) -> None:
        self._stage, self._feed, stores = stage, feed, stage.reservoirs
        self._regulated = math.inf if stores.regulated_v is None else stores.regulated_v
        self._is_half = stage.output == "half-supply"
        self._p_share, self._n_share = dt / stores.farad, dt / stores.negative_farad
        self._in_share = dt / feed.input_farad
        self._in_leak = 1 / (1 + self._in_share / feed.supply_ohm)
        self.supply_v = float(feed.open_v[0]) - feed.supply_ohm * stage.idle_w / float(feed.open_v[0])
        self.top_v = self.bottom_v = min(stores.ratio * self.supply_v, self._regulated)

    def give(self, volts: float, amp: float, open_v: float) -> None:
        """One sample of the load's current at the stage's volts."""
        stage, stores = self._stage, self._stage.reservoirs
        top_taken, bottom_taken = self._taken(volts, amp)
        target = min(stores.ratio * self.supply_v, self._regulated)
        before, fill, most = self.top_v, stores.charge_ohm, stores.charge_limit_a
        self.top_v = _refill(before, top_taken, target, fill, most, self._p_share)
        power = before * max((self.top_v - before) / self._p_share + top_taken, 0.0)
        if stores.is_shared:
            self.bottom_v = self.top_v
        else:
            before = self.bottom_v
            self.bottom_v = _refill(before, bottom_taken, target, fill, most, self._n_share)
            power += before * max((self.bottom_v - before) / self._n_share + bottom_taken, 0.0)
        taken = (power / stage.efficiency + stage.idle_w) / max(self.supply_v, 3.0)
        self.supply_v = (self.supply_v + self._in_share * (open_v / self._feed.supply_ohm - taken)) * self._in_leak

    def _taken(self, volts: float, amp: float) -> tuple[float, float]:
        """Amperes out of the upper and the lower reservoir."""
        if self._stage.reservoirs.is_shared:
            if self._is_half:
                return max(amp, 0.0), 0.0
            return (amp * volts / self.top_v if self._stage.is_switching else abs(amp)), 0.0
        if self._stage.is_switching:
            duty = (volts + self.bottom_v) / (self.top_v + self.bottom_v)
            return amp * duty, amp * (duty - 1)
        return (amp, 0.0) if amp > 0 else (0.0, -amp)


def _refill(volts: float, taken_a: float, target_v: float, ohm: float, most_a: float, share: float) -> float:
    """A reservoir's volts one sample later; implicit in its own charging, so that small stores stay stable."""
    if volts >= target_v:
        return volts - share * taken_a
    if (target_v - volts) / ohm > most_a:
        return volts + share * (most_a - taken_a)
    return (volts + share * (target_v / ohm - taken_a)) / (1 + share / ohm)
