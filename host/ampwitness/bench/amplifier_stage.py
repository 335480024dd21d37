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
from ampwitness.bench.amplifier_load import Loudspeaker

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
    """Play what is wanted (n,) volts at the output stage; everything starts settled and silent.

    Long for a function, and kept in one piece on purpose: it is one loop over the samples, some 3 us each.
    """
    reservoirs, dt = stage.reservoirs, 1.0 / rate_hz
    n = len(wanted_v)
    is_half, is_shared = stage.output == "half-supply", reservoirs.is_shared
    is_speaker = isinstance(stage.load, Loudspeaker)
    if isinstance(stage.load, Loudspeaker):
        step = stage.load.recursion(rate_hz)
        (a00, a01, a02), (a10, a11, a12), (a20, a21, a22) = step.a
        b0, b1, b2 = step.b
    else:
        a00 = a01 = a02 = a10 = a11 = a12 = a20 = a21 = a22 = b1 = b2 = 0.0
        b0 = 1 / stage.load.ohm
    loss, on_ohm = stage.loss_v, stage.on_ohm
    negative_loss = loss if stage.negative_loss_v is None else stage.negative_loss_v
    limit_a, limit_ohm = stage.current_limit_a, stage.limit_ohm
    stick_n = round(stage.release_s * rate_hz)
    slew_v, knee = stage.slew_v_per_s * dt, stage.knee_exponent
    ratio = reservoirs.ratio
    regulated = math.inf if reservoirs.regulated_v is None else reservoirs.regulated_v
    fill, most = reservoirs.charge_ohm, reservoirs.charge_limit_a
    p_share, n_share = dt / reservoirs.farad, dt / reservoirs.negative_farad
    in_share = dt / feed.input_farad
    in_leak = 1 / (1 + in_share / feed.supply_ohm)
    coupling = 0.0 if stage.coupling_farad is None else dt / stage.coupling_farad
    supply_v = float(feed.open_v[0]) - feed.supply_ohm * stage.idle_w / float(feed.open_v[0])
    top_v = bottom_v = min(ratio * supply_v, regulated)
    x0 = x1 = x2 = blocked_v = last_v = 0.0
    stuck, side = 0, 1
    opens, wants = feed.open_v.tolist(), wanted_v.tolist()
    outs, helds, amps, tops, bottoms, supplies, blockeds = ([0.0] * n for _ in range(7))
    for k in range(n):
        want = wants[k]
        free = a00 * x0 + a01 * x1 + a02 * x2 - b0 * blocked_v  # load current = free + b0 * volts of the stage
        swing_up, swing_down = (0.5 * top_v, 0.5 * top_v) if is_half else (top_v, bottom_v)
        upper = (swing_up - loss - on_ohm * free) / (1 + on_ohm * b0)
        lower = (negative_loss - swing_down - on_ohm * free) / (1 + on_ohm * b0)
        held = FREE
        if knee is not None:
            bound = upper if want >= 0 else -lower
            volts = want / (1 + abs(want / max(bound, 0.1)) ** knee) ** (1 / knee)
        else:
            volts = upper if want > upper else lower if want < lower else want
            if volts != want:
                held, stuck, side = AT_RAIL, stick_n, (1 if want > 0 else -1)
            elif stuck:
                stuck -= 1
                held, volts = AT_RAIL, (upper if side > 0 else lower)
        if limit_a is not None:
            amp = free + b0 * volts
            if amp > limit_a:
                volts, held, stuck = (volts - limit_ohm * (free - limit_a)) / (1 + limit_ohm * b0), AT_CURRENT, 0
            elif amp < -limit_a:
                volts, held, stuck = (volts - limit_ohm * (free + limit_a)) / (1 + limit_ohm * b0), AT_CURRENT, 0
        if abs(volts - last_v) > slew_v:
            volts = last_v + (slew_v if volts > last_v else -slew_v)
            held = held or SLEWING
        last_v = volts
        amp = free + b0 * volts
        outs[k], helds[k], amps[k], blockeds[k] = volts - blocked_v, held, amp, blocked_v
        tops[k], bottoms[k], supplies[k] = top_v, bottom_v, supply_v
        if is_speaker:
            at_load = volts - blocked_v
            x0, x1, x2 = (
                a00 * x0 + a01 * x1 + a02 * x2 + b0 * at_load,
                a10 * x0 + a11 * x1 + a12 * x2 + b1 * at_load,
                a20 * x0 + a21 * x1 + a22 * x2 + b2 * at_load,
            )
        blocked_v += amp * coupling
        # ---- what the reservoirs give, and get
        bottom_taken = 0.0
        if is_shared:
            top_taken = max(amp, 0.0) if is_half else amp * volts / top_v if stage.is_switching else abs(amp)
        elif stage.is_switching:
            duty = (volts + bottom_v) / (top_v + bottom_v)
            top_taken, bottom_taken = amp * duty, amp * (duty - 1)
        else:
            top_taken, bottom_taken = (amp, 0.0) if amp > 0 else (0.0, -amp)
        target = min(ratio * supply_v, regulated)
        before = top_v
        top_v = _refill(top_v, top_taken, target, fill, most, p_share)
        power = before * max((top_v - before) / p_share + top_taken, 0.0)
        if is_shared:
            bottom_v = top_v
        else:
            before = bottom_v
            bottom_v = _refill(bottom_v, bottom_taken, target, fill, most, n_share)
            power += before * max((bottom_v - before) / n_share + bottom_taken, 0.0)
        taken = (power / stage.efficiency + stage.idle_w) / max(supply_v, 3.0)
        supply_v = (supply_v + in_share * (opens[k] / feed.supply_ohm - taken)) * in_leak
    supply = np.array(supplies)
    return StageRun(
        rate_hz=rate_hz,
        wanted_v=wanted_v - np.array(blockeds),
        output_v=np.array(outs),
        common_v=supply / 2 if stage.output == "bridged" and ratio <= 1 else np.zeros(n),
        held_by=np.array(helds, dtype=np.int8),
        load_a=np.array(amps),
        positive_rail_v=np.array(tops),
        negative_rail_v=np.array(bottoms),
        supply_v=supply,
        is_soft=knee is not None,
    )


def _refill(volts: float, taken_a: float, target_v: float, ohm: float, most_a: float, share: float) -> float:
    """A reservoir's volts one sample later; implicit in its own charging, so that small stores stay stable."""
    if volts >= target_v:
        return volts - share * taken_a
    if (target_v - volts) / ohm > most_a:
        return volts + share * (most_a - taken_a)
    return (volts + share * (target_v / ohm - taken_a)) / (1 + share / ohm)
