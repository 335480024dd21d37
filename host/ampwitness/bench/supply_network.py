"""A vehicle and its amplifier as one network, stepped from sample to sample: causes and sags that nobody drew.

    battery: emf - R0 - two RC parts -+- main lead -+- lead -+- converter - rails with their own store - output
    alternator: regulator, field lag,-+             |        +- capacitor (some)
       limit that moves with speed    |             +- second amplifier, in step with the music or not
    consumers: compressor, fan, lamps-+- return, shared with the second amplifier

Unlike `supply_signals` rails are charged through the converter's own resistance and only ever charged: they sink by
what the output draws, and the supply's current is what flows in, not a lag of the output's power. What a clip owes to
the supply follows from stepping the same amplifier again on a supply that stands at its settled volts.

Limits: no inductance; the stage draws power from its rails with one efficiency. Currents, ohms, times are inventions.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ampwitness.bench.vehicle_supply import Samples

AT_ONCE = 48_000  # samples; as Python's numbers all at once would take a gigabyte


@dataclass(frozen=True, slots=True)
class Network:
    """Battery, leads, alternator and capacitor; ohms, volts, seconds, amperes."""

    emf_v: float
    battery_ohm: float
    quick_ohm: float  # first RC part of the battery
    quick_s: float
    slow_ohm: float  # second
    slow_s: float
    main_lead_ohm: float
    lead_ohm: float
    return_ohm: float
    set_point_v: float | None = None  # None: no alternator turns
    gain_a_per_v: float = 150.0
    field_s: float = 0.1
    ripple_v: float = 0.0
    ripple_hz: float = 400.0
    farad: float = 0.0
    esr_ohm: float = 0.004

    @property
    def source_ohm(self) -> float:
        """What the supply loses an ampere of the amplifier's within a note: without the battery's slow part."""
        return self.battery_ohm + self.quick_ohm + self.main_lead_ohm + self.lead_ohm + self.return_ohm


@dataclass(frozen=True, slots=True)
class Converter:
    """An amplifier behind its own converter: rails are charged towards ratio * supply, or a set level if that is less,
    through `inner_ohm`, and hold `farad`."""

    ratio: float
    regulated_v: float
    inner_ohm: float
    farad: float
    loss_v: float
    negative_ratio: float
    load_ohm: float
    stage_efficiency: float
    converter_efficiency: float
    idle_w: float
    gain_ratio: float = 30.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What else hangs on the network, all (n,): consumers at the battery, the second amplifier's power, the most that
    the alternator gives, and whether it turns."""

    other_a: Samples
    second_w: Samples
    limit_a: Samples
    turns: Samples

    def idle(self) -> Surroundings:
        """The same with nothing switched on."""
        return replace(self, other_a=np.zeros_like(self.other_a), second_w=np.zeros_like(self.second_w))


@dataclass(slots=True)
class Course:
    """What stood in the network, all (n,)."""

    supply_v: Samples
    battery_v: Samples
    ground_v: Samples
    amplifier_a: Samples
    lead_a: Samples
    rail_v: Samples
    output_v: Samples
    alternator_a: Samples = field(default_factory=lambda: np.zeros(0))


def run_network(
    net: Network | None, amplifier: Converter, source_v: Samples, beside: Surroundings, rate_hz: float,
    *, stiff_v: Samples | None = None,
) -> Course:  # fmt: skip
    """Step amplifier and network together, starting settled with the amplifier idle.

    Parameters
    ----------
    net : the network; None with `stiff_v`
    amplifier : the amplifier
    source_v : (n,) at its input
    beside : everything else
    rate_hz : samples a second
    stiff_v : (n,) volts of a supply that never gives way, instead of the network's
    """
    settling = round(1.0 * rate_hz) if stiff_v is None else round(0.1 * rate_hz)
    n = len(source_v)
    lead = np.zeros(settling)
    played = np.concatenate((lead, source_v * amplifier.gain_ratio))
    if stiff_v is not None:
        rows = np.zeros((n + settling, 5))
        rows[:, 4] = np.concatenate((np.full(settling, stiff_v[0]), stiff_v))
        out = _step(Network(0.0, 0, 0, 1, 0, 1, 0, 0, 0), amplifier, played, rows, rate_hz, is_stiff=True)
    else:
        assert net is not None
        time_s = (np.arange(n + settling) - settling) / rate_hz
        angle = 2 * np.pi * net.ripple_hz * time_s
        rows = np.empty((n + settling, 5))
        for k, column in enumerate((beside.other_a, beside.second_w, beside.limit_a, beside.turns)):
            rows[:, k] = np.concatenate((np.full(settling, column[0]), column))
        rows[:, 4] = net.ripple_v / 1.13 * (np.sin(angle) + 0.3 * np.sin(2 * angle))
        out = _step(net, amplifier, played, rows, rate_hz, is_stiff=False)
    return Course(*(column[settling:].copy() for column in out.T))


def _step(net: Network, amp: Converter, played: Samples, rows: Samples, rate_hz: float, *, is_stiff: bool) -> Samples:
    """(n, 8) columns of a Course. The converter's current is solved with the supply at each step, the rest follows one
    step behind."""
    dt = 1 / rate_hz
    ratio, regulated_v, inner_ohm = amp.ratio, amp.regulated_v, amp.inner_ohm
    per_rail = dt / amp.farad
    efficiency, idle_w = amp.converter_efficiency, amp.idle_w
    out = np.empty((len(played), 8))
    ways: _Vehicle | _Stiff = _Stiff() if is_stiff else _Vehicle(net, rows[0].tolist(), dt)
    supply_v = float(rows[0, 4]) if is_stiff else ways.terminal_v
    rail_v = min(ratio * supply_v, regulated_v)
    for first in range(0, len(played), AT_ONCE):
        kept = []
        for wanted_v, beside in zip(
            played[first : first + AT_ONCE].tolist(), rows[first : first + AT_ONCE].tolist(), strict=True
        ):
            top_v = max(rail_v - amp.loss_v, 0.0)
            bottom_v = -top_v * amp.negative_ratio
            output_v = top_v if wanted_v > top_v else bottom_v if wanted_v < bottom_v else wanted_v
            drawn_a = (output_v * output_v / amp.load_ohm / amp.stage_efficiency + idle_w) / rail_v
            open_v, open_ohm = ways.open(beside, supply_v)
            if ratio * supply_v <= regulated_v:  # it gives all it can: a transformer with a resistance behind it
                charge_a = (ratio * open_v - rail_v) / (inner_ohm + ratio * ratio * open_ohm / efficiency)
                charge_a = max(charge_a, 0.0)
                taken_a = ratio * charge_a / efficiency
            else:
                charge_a = max((regulated_v - rail_v) / inner_ohm, 0.0)
                taken_a = regulated_v * charge_a / supply_v / efficiency
            supply_v = open_v - open_ohm * taken_a
            rail_v += per_rail * (charge_a - drawn_a)
            post_v, ground_v, lead_a = ways.follow(beside, supply_v, taken_a)
            kept.append((supply_v, post_v, ground_v, taken_a, lead_a, rail_v, output_v, ways.alternator_a))
        out[first : first + len(kept)] = kept
    return out


class _Stiff:
    """A supply that never gives way: its volts are the last column of what stands beside."""

    terminal_v = alternator_a = 0.0

    def open(self, beside: list[float], supply_v: float) -> tuple[float, float]:
        return beside[4], 0.0

    def follow(self, beside: list[float], supply_v: float, taken_a: float) -> tuple[float, float, float]:
        return supply_v, 0.0, taken_a


class _Vehicle:
    """Battery, alternator, leads and capacitor from one step to the next; `beside`: consumers at the battery, the
    second amplifier's power, the alternator's limit, whether it turns, its ripple."""

    def __init__(self, net: Network, beside: list[float], dt: float) -> None:
        """Settled volts of the beginning: battery and alternator agree at once, lags follow within the settling."""
        self._net, self._dt = net, dt
        self._per_quick, self._per_slow, self._per_field = dt / net.quick_s, dt / net.slow_s, dt / net.field_s
        self._ohm = net.battery_ohm + (net.main_lead_ohm + net.lead_ohm + net.return_ohm)
        self._second_ohm = net.battery_ohm + net.main_lead_ohm + net.return_ohm
        self._gain = net.gain_a_per_v if net.set_point_v is not None else 0.0
        whole = net.battery_ohm + net.quick_ohm + net.slow_ohm
        self.alternator_a = 0.0
        if net.set_point_v is not None and self._gain and beside[3]:
            wanted = self._gain * (net.set_point_v - net.emf_v + whole * beside[0]) / (1 + self._gain * whole)
            self.alternator_a = min(max(wanted, 0.0), beside[2])
        battery_a = beside[0] - self.alternator_a
        self._quick_v, self._slow_v = net.quick_ohm * battery_a, net.slow_ohm * battery_a
        self.terminal_v = net.emf_v - self._quick_v - self._slow_v - net.battery_ohm * battery_a
        self._store_v = self.terminal_v
        self._second_a = self._ripple_v = self._path_v = 0.0

    def open(self, beside: list[float], supply_v: float) -> tuple[float, float]:
        """Volts that the converter would see without a current of its own, and the ohms ahead of it."""
        other_a, second_w, _, turns, extra_v = beside
        net = self._net
        self._second_a = second_w / supply_v
        self._ripple_v = extra_v if turns else 0.0
        open_v = (
            net.emf_v - self._quick_v - self._slow_v - net.battery_ohm * (other_a - self.alternator_a)
            - self._second_ohm * self._second_a
        )  # fmt: skip
        self._path_v = open_v + self._ripple_v
        if not net.farad:
            return self._path_v, self._ohm
        weight = 1 / self._ohm + 1 / net.esr_ohm
        return (self._path_v / self._ohm + self._store_v / net.esr_ohm) / weight, 1 / weight

    def follow(self, beside: list[float], supply_v: float, taken_a: float) -> tuple[float, float, float]:
        """Take the current in; volts between the posts and of the ground, and the current in the lead."""
        other_a, _, limit_a, turns, _ = beside
        net, lead_a = self._net, taken_a
        if net.farad:
            lead_a = (self._path_v - supply_v) / self._ohm
            self._store_v += self._dt / net.farad * (supply_v - self._store_v) / net.esr_ohm
        battery_a = other_a + self._second_a + lead_a - self.alternator_a
        self.terminal_v = net.emf_v - self._quick_v - self._slow_v - net.battery_ohm * battery_a
        self._quick_v += self._per_quick * (net.quick_ohm * battery_a - self._quick_v)
        self._slow_v += self._per_slow * (net.slow_ohm * battery_a - self._slow_v)
        asked_a = min(max(self._gain * ((net.set_point_v or 0.0) - self.terminal_v), 0.0), limit_a) * turns
        self.alternator_a += self._per_field * (asked_a - self.alternator_a)
        ground_v = -net.return_ohm * (lead_a + self._second_a)
        return self.terminal_v + ground_v + self._ripple_v, ground_v, lead_a


def settle_network(net: Network, amplifier: Converter, *, limit_a: float) -> float:
    """Supply volts after a long time with the amplifier idle and nothing else switched on."""
    idle_w = amplifier.idle_w / amplifier.converter_efficiency
    supply_v = net.emf_v
    for _ in range(200):
        idle_a = np.array([idle_w / supply_v])
        supply_v = float(standing_volts(net, idle_a, limit_a, net.battery_ohm + net.quick_ohm + net.slow_ohm)[0])
    return supply_v


def standing_volts(net: Network, amperes: Samples, limit_a: float, inside_ohm: float) -> Samples:
    """(n,) supply volts once currents of the amplifier stand, with so many ohms inside the battery."""
    alternator_a: Samples | float = 0.0
    if net.set_point_v is not None:
        wanted_a = net.gain_a_per_v * (net.set_point_v - net.emf_v + inside_ohm * amperes)
        alternator_a = np.clip(wanted_a / (1 + net.gain_a_per_v * inside_ohm), 0.0, limit_a)
    ways_ohm = net.main_lead_ohm + net.lead_ohm + net.return_ohm
    return np.asarray(net.emf_v - inside_ohm * (amperes - alternator_a) - ways_ohm * amperes)
