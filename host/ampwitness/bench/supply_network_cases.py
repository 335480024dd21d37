"""Vehicles drawn by seed and solved as a network (`supply_network`), with what is true of supply and of each clip.

A clip's cause is found by stepping the same amplifier again under the same music on a supply that stands at its settled
volts: the decibels by which its ceiling stands higher there are what the supply took.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from ampwitness.bench.drive import Drive
from ampwitness.bench.event_signals import MODEL_RATE_HZ, add_logger, to_logger_rate
from ampwitness.bench.music import Note, bass_line, play, tone
from ampwitness.bench.supply_network import (
    Converter,
    Course,
    Network,
    Surroundings,
    run_network,
    settle_network,
    standing_volts,
)
from ampwitness.bench.supply_signals import TrueCause
from ampwitness.bench.truth import TrueClip, Truth, find_truth
from ampwitness.bench.vehicle_supply import Samples, SupplyVolts

NETWORK_SECONDS = 20.0
CYCLE_S = 1 / 40.0


@dataclass(frozen=True, slots=True)
class NetworkCase:
    """A run, what the logger sees of it, and what is true."""

    name: str
    amplifier: Converter
    net: Network
    beside: Surroundings
    run: Drive
    volts: dict[str, Samples]
    rate_hz: float
    truth: Truth
    notes: tuple[Note, ...]
    causes: tuple[TrueCause, ...]
    settled_v: float

    @property
    def efficiency(self) -> float:
        """Output power over supply power beyond idle, over the whole run: what a person could state."""
        idle_w = self.amplifier.idle_w / self.amplifier.converter_efficiency
        taken_w = self.run.supply.amplifier_a * self.run.supply.supply_v - idle_w
        return float(np.mean(self.run.output_v**2) / self.amplifier.load_ohm / np.mean(taken_w))


def draw_network(rng: np.random.Generator, *, has_alternator: bool) -> Network:
    """A vehicle: weak or sound, with or without a capacitor."""
    has_store = rng.uniform() < 0.35
    set_point_v = float(rng.uniform(13.7, 14.7)) if has_alternator else None
    # On charge a battery's plates have risen nearly to the set point: it takes in some ten amperes, not all there are.
    charged_v = set_point_v - float(rng.uniform(0.05, 0.4)) if set_point_v is not None else None
    return Network(
        emf_v=float(rng.uniform(12.25, 12.85)) if charged_v is None else charged_v,
        battery_ohm=float(rng.uniform(0.004, 0.014)),
        quick_ohm=float(rng.uniform(0.001, 0.004)),
        quick_s=float(rng.uniform(0.02, 0.12)),
        slow_ohm=float(rng.uniform(0.002, 0.008)),
        slow_s=float(rng.uniform(1.5, 8.0)),
        main_lead_ohm=float(rng.uniform(0.0015, 0.006)),
        lead_ohm=float(rng.uniform(0.001, 0.005)),
        return_ohm=float(rng.uniform(0.001, 0.005)),
        set_point_v=set_point_v,
        gain_a_per_v=float(rng.uniform(80.0, 300.0)),
        field_s=float(rng.uniform(0.05, 0.2)),
        ripple_v=float(rng.uniform(0.02, 0.15)),
        ripple_hz=float(rng.uniform(300.0, 1200.0)),
        farad=float(rng.uniform(0.3, 1.5)) if has_store else 0.0,
        esr_ohm=float(rng.uniform(0.002, 0.006)),
    )


def draw_converter(rng: np.random.Generator, settled_v: float) -> tuple[Converter, str]:
    """An amplifier whose rails follow, are regulated until the supply is too low, or are regulated throughout."""
    kind = str(rng.choice(["following", "following", "regulated until it sags", "regulated"]))
    ratio = float(rng.uniform(1.3, 3.5))
    low, high = {"following": (9.0, 9.0), "regulated until it sags": (0.9, 0.97), "regulated": (0.6, 0.68)}[kind]
    regulated_v = ratio * settled_v * float(rng.uniform(low, high))
    rail_v = min(ratio * settled_v, regulated_v)
    power_w = float(rng.uniform(250.0, 650.0))
    load_ohm = float(np.clip(rail_v**2 / 2 / power_w, 0.3, 8.0))
    inner_ohm = float(rng.uniform(0.01, 0.06)) * 2 * load_ohm  # sinks by one to six per cent under a full sine
    return Converter(
        ratio=ratio,
        regulated_v=regulated_v,
        inner_ohm=inner_ohm,
        farad=float(rng.uniform(0.0015, 0.008)) / inner_ohm,
        loss_v=float(rng.uniform(0.4, 1.6)),
        negative_ratio=float(rng.uniform(0.97, 1.0)),
        load_ohm=load_ohm,
        stage_efficiency=float(rng.uniform(0.65, 0.92)),
        converter_efficiency=float(rng.uniform(0.85, 0.95)),
        idle_w=float(rng.uniform(6.0, 20.0)),
    ), kind


def draw_surroundings(rng: np.random.Generator, n: int, sound: Samples, *, has_alternator: bool) -> Surroundings:
    """Consumers that come and go, a second amplifier on some of the music, speeds that move the alternator's limit."""
    time_s = np.arange(n) / MODEL_RATE_HZ
    ends_s = n / MODEL_RATE_HZ
    other_a = np.zeros(n)
    # Compressor, fan, window: an inrush that dies away, then even. What stays for longer counts as the supply's own.
    on_s = float(rng.uniform(0.0, ends_s))
    while on_s < ends_s:
        lasts_s = float(rng.uniform(0.4, 5.0))
        since_s = time_s - on_s
        inrush = 1.0 + rng.uniform(0.0, 1.5) * np.exp(-np.maximum(since_s, 0.0) / 0.08)
        other_a += rng.uniform(5.0, 30.0) * inrush * ((since_s > 0) & (since_s < lasts_s))
        on_s += lasts_s + float(rng.uniform(2.5, 8.0))
    second_w = np.zeros(n)
    if rng.uniform() < 0.5:  # full-range: the same music's envelope, and much that is its own
        own = np.interp(time_s, np.arange(0, ends_s + 0.25, 0.25), rng.exponential(1.0, round(4 * ends_s) + 1))
        keep = math.exp(-1 / (MODEL_RATE_HZ * 0.01))
        envelope = _smooth(sound**2 / max(float(np.max(sound**2)), 1e-9), keep)
        second_w = rng.uniform(20.0, 100.0) * (0.5 * own + 1.5 * envelope)
    limit_a = np.full(n, float(rng.uniform(50.0, 130.0)))
    if rng.uniform() < 0.4:  # idling between stretches of driving
        limit_a *= 1.0 - 0.35 * (np.sin(2 * np.pi * time_s / rng.uniform(8.0, 20.0)) > 0.3)
    return Surroundings(other_a, second_w, limit_a, np.full(n, float(has_alternator)))


def _smooth(values: Samples, keep: float) -> Samples:
    return np.asarray(lfilter([1 - keep], [1, -keep], values))


def network_case(seed: int, seconds: float = NETWORK_SECONDS) -> NetworkCase:
    """Some seconds of a bass line driven into clipping in a drawn vehicle."""
    rng = np.random.default_rng(seed)
    has_alternator = bool(rng.uniform() < 0.55)
    net = draw_network(rng, has_alternator=has_alternator)
    n = round(seconds * MODEL_RATE_HZ)
    amplifier, kind = draw_converter(rng, net.emf_v)
    top_v = min(amplifier.ratio * net.emf_v, amplifier.regulated_v) - amplifier.loss_v
    peaks = (0.7 * top_v / amplifier.gain_ratio, 1.45 * top_v / amplifier.gain_ratio)
    wanted = bass_line(rng, 0.8, seconds - 0.8, peaks=peaks, beat_s=float(rng.uniform(0.4, 0.7)))
    sound, notes = play(wanted, seconds, MODEL_RATE_HZ, rng)
    beside = draw_surroundings(rng, n, sound, has_alternator=has_alternator)
    course = run_network(net, amplifier, sound, beside, MODEL_RATE_HZ)
    run = to_drive(course, amplifier, sound)
    truth = find_truth(run, notes, 12.6)
    # An alternator's limit never binds while the amplifier is idle.
    settled_v = settle_network(net, amplifier, limit_a=float(beside.limit_a.min()))
    stiff = run_network(None, amplifier, sound, beside, MODEL_RATE_HZ, stiff_v=np.full(n, settled_v))
    volts = {
        role: add_logger(rng, to_logger_rate(model_v), role)
        for role, model_v in (
            ("output", course.output_v),
            ("supply", course.supply_v),
            ("battery", course.battery_v),
            ("ground", course.ground_v),
        )
    }
    causes = tuple(find_true_cause(clip, run, top_of(stiff, amplifier)) for clip in truth.clips)
    return NetworkCase(
        f"network {seed}, rails {kind}", amplifier, net, beside, run, volts, 8000.0, truth, notes, causes, settled_v
    )


def top_of(course: Course, amplifier: Converter) -> Samples:
    """(n,) positive ceiling: what the rails of the step before leave."""
    rail_v = np.concatenate((course.rail_v[:1], course.rail_v[:-1]))
    return np.asarray(np.maximum(rail_v - amplifier.loss_v, 0.0))


def to_drive(course: Course, amplifier: Converter, sound: Samples) -> Drive:
    """A course in the words of the other models."""
    ceiling_v = top_of(course, amplifier)
    supply = SupplyVolts(
        course.supply_v, course.battery_v, course.ground_v, course.amplifier_a, course.lead_a, course.alternator_a
    )
    return Drive(
        rate_hz=MODEL_RATE_HZ,
        source_v=sound,
        wanted_v=sound * amplifier.gain_ratio,
        limited_v=course.output_v,
        output_v=course.output_v,
        common_v=np.zeros(len(sound)),
        ceiling_v=ceiling_v,
        negative_ceiling_v=ceiling_v * amplifier.negative_ratio,
        remote_v=np.full(len(sound), 12.0),
        supply=supply,
        switchings=(),
        is_soft=False,
        is_bridged=True,
    )


def find_true_cause(clip: TrueClip, run: Drive, stiff_top_v: Samples) -> TrueCause:
    """The cause of a clip: its ceiling against that of the same amplifier on a supply that stands."""
    first, last = round(clip.start_s * run.rate_hz), round(clip.stop_s * run.rate_hz) + 1
    sign = 1.0 if clip.polarity == "positive" else -1.0
    crest = first + int(np.argmax(sign * run.wanted_v[first:last]))
    lost_db = 20 * math.log10(stiff_top_v[crest] / run.ceiling_v[crest])
    positive_v = run.ceiling_v if sign > 0 else run.negative_ceiling_v
    over_db = 20 * math.log10(abs(run.wanted_v[crest]) / positive_v[crest])
    share = lost_db / max(over_db, 1e-9)
    cause = "supply" if share >= 1 else "drive" if share < 1 / 3 else "both"
    return TrueCause(clip, cause, share, min(abs(lost_db - over_db), abs(lost_db - over_db / 3)))


def network_line_ohm(case: NetworkCase) -> float:
    """Slope of the straight line through the standing volts at the currents that flowed, 10 ms means."""
    net, step = case.net, round(0.01 * MODEL_RATE_HZ)
    amperes = case.run.supply.amplifier_a
    flowed = amperes[: len(amperes) // step * step].reshape(-1, step).mean(axis=1)
    limit_a = float(np.median(case.beside.limit_a - case.beside.other_a))
    volts = standing_volts(net, flowed, limit_a, net.battery_ohm + net.quick_ohm)
    return -float(np.polyfit(flowed, volts, 1)[0])


def network_regime_ohms(net: Network) -> dict[str, float]:
    """Both sides of the alternator's limit, in closed form; empty without one."""
    inside_ohm = net.battery_ohm + net.quick_ohm
    following = net.source_ohm - inside_ohm + inside_ohm / (1 + net.gain_a_per_v * inside_ohm)
    both = {"the alternator follows": following, "the alternator is at its current limit": net.source_ohm}
    return both if net.set_point_v is not None else {}


def network_full_power_sag(case: NetworkCase, after_s: float) -> float:
    """Sag of the cycle mean `after_s` into a 40 Hz tone that just reaches the ceiling, nothing else switched on."""
    lead_s = 0.1
    n = round((lead_s + after_s) * MODEL_RATE_HZ)
    first = round(lead_s * MODEL_RATE_HZ)
    shape = np.zeros(n)
    shape[first:] = tone(1 / CYCLE_S, (n - first) / MODEL_RATE_HZ, MODEL_RATE_HZ, fade_s=0.003)
    limit_a = float(np.median(case.beside.limit_a))
    beside = Surroundings(
        np.zeros(n), np.zeros(n), np.full(n, limit_a), np.full(n, float(case.net.set_point_v is not None))
    )
    net, amplifier = replace(case.net, ripple_v=0.0), case.amplifier
    low, high, volts = 0.3, 1.0, np.zeros(n)
    full_v = min(amplifier.ratio * 15.0, amplifier.regulated_v) / amplifier.gain_ratio
    for _ in range(8):
        share = (low + high) / 2
        course = run_network(net, amplifier, shape * share * full_v, beside, MODEL_RATE_HZ)
        clips = np.abs(shape * share * full_v * amplifier.gain_ratio) > np.abs(course.output_v) + 1e-9
        low, high = (low, share) if clips.any() else (share, high)
        volts = course.supply_v
    cycle, end = round(CYCLE_S * MODEL_RATE_HZ), n - round(0.003 * MODEL_RATE_HZ)
    return float(volts[first - 1] - volts[end - cycle : end].mean())
