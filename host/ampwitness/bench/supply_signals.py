"""Amplifiers clipping on supplies of many kinds, drawn by seed, with what is true of supply and of each clip's cause.

"Settled" in every truth is the supply with the amplifier idle and no other consumer switched on, in the engine state of
that moment; a cause follows from the share of the overdrive that the ceiling had lost since then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ampwitness.bench.amplifier import Amplifier, Guard, Rails, ResistorLoad
from ampwitness.bench.drive import Drive, drive
from ampwitness.bench.event_signals import MODEL_RATE_HZ, add_logger, draw_supply, to_logger_rate
from ampwitness.bench.music import Note, WantedNote, bass_line, play, tone
from ampwitness.bench.truth import TrueClip, Truth, find_truth
from ampwitness.bench.vehicle_supply import Alternator, Capacitor, FixedLoad, Samples, VehicleSupply, run_supply

Family = Literal["ordinary", "hostile"]
RailKind = Literal["following", "regulated", "regulated until it sags"]
SECONDS = 30.0
ROLES = ("output", "supply", "battery", "ground")


@dataclass(frozen=True, slots=True)
class TrueCause:
    """One clip and what made it. `margin_db`: distance of the decibels lost from the nearest boundary."""

    clip: TrueClip
    cause: str
    share: float
    margin_db: float


@dataclass(frozen=True, slots=True)
class SupplyCase:
    """A run, what the logger sees of it, and what is true."""

    name: str
    amplifier: Amplifier
    supply: VehicleSupply
    engine_is_on: np.typing.NDArray[np.bool_]
    run: Drive
    volts: dict[str, Samples]
    rate_hz: float
    truth: Truth
    notes: tuple[Note, ...]
    causes: tuple[TrueCause, ...]


def draw_amplifier(rng: np.random.Generator, family: Family, rest_v: float) -> tuple[Amplifier, RailKind]:
    """An amplifier whose rails follow its supply, are regulated, or are regulated until the supply is too low."""
    kind: RailKind = rng.choice(["following", "following", "regulated", "regulated until it sags"])
    ratio = float(rng.uniform(1.0, 3.5))
    regulated_v = None
    if kind == "regulated":
        regulated_v = ratio * rest_v * float(rng.uniform(0.6, 0.68))
    elif kind == "regulated until it sags":
        regulated_v = ratio * rest_v * float(rng.uniform(0.92, 0.97))
    hostile = family == "hostile"
    # Power that makes a supply of some 20 mohm sag by one to two volts.
    ceiling_v = ratio * rest_v if regulated_v is None else regulated_v
    load_ohm = float(np.clip(ceiling_v**2 / 2 / rng.uniform(250.0, 700.0), 0.3, 8.0))
    rails = Rails(
        ratio=ratio,
        regulated_v=regulated_v,
        loss_v=float(rng.uniform(0.5, 2.0)),
        reservoir_s=float(rng.uniform(0.001, 0.012) if hostile else rng.uniform(0.0025, 0.006)),
        droop_ohm=load_ohm * float(rng.uniform(0.01, 0.08)) if hostile and rng.uniform() < 0.5 else 0.0,
        negative_ratio=float(rng.uniform(0.96, 1.0)),
    )
    amplifier = Amplifier(
        gain_ratio=30.0,
        rails=rails,
        load=ResistorLoad(load_ohm),
        efficiency=float(rng.uniform(0.55, 0.9)),
        idle_w=float(rng.uniform(5.0, 25.0)),
        under_voltage=Guard(off_at=4.0, on_at=5.0, hold_s=1.0),
    )
    return amplifier, kind


def make_case(seed: int, family: Family, seconds: float = SECONDS) -> SupplyCase:
    """Some seconds of a bass line driven into clipping on a drawn supply."""
    rng = np.random.default_rng(seed)
    supply = draw_supply(rng)
    n = round(seconds * MODEL_RATE_HZ)
    engine_is_on = np.ones(n, dtype=bool)
    other_a = np.zeros(n)
    if family == "hostile":
        supply, engine_is_on, other_a = _make_hostile(rng, supply, n)
    is_charged = supply.alternator is not None and bool(engine_is_on[0])
    rest_v = 14.2 if is_charged else supply.emf_v
    amplifier, kind = draw_amplifier(rng, family, rest_v)
    ceiling_v = float(amplifier.rails.undrooped_v(np.array([rest_v]))[0])
    peaks = (0.75 * ceiling_v / 30.0, (1.35 if family == "ordinary" else 1.6) * ceiling_v / 30.0)
    wanted = bass_line(rng, 0.8, seconds - 0.8, peaks=peaks, beat_s=float(rng.uniform(0.4, 0.7)))
    source_v, notes = play(wanted, seconds, MODEL_RATE_HZ, rng)
    run = drive(amplifier, supply, source_v, MODEL_RATE_HZ, other_a=other_a, engine_is_on=engine_is_on)
    truth = find_truth(run, notes, 12.6)
    volts = log_roles(rng, run)
    return SupplyCase(
        f"{family} {seed}, rails {kind}",
        amplifier,
        supply,
        engine_is_on,
        run,
        volts,
        8000.0,
        truth,
        notes,
        find_true_causes(run, truth, amplifier, supply, engine_is_on),
    )


def _make_hostile(
    rng: np.random.Generator, supply: VehicleSupply, n: int
) -> tuple[VehicleSupply, np.typing.NDArray[np.bool_], Samples]:
    """Alternator whine, other consumers that come and go, an engine that starts or stops in the middle."""
    time_s = np.arange(n) / MODEL_RATE_HZ
    other_a = np.zeros(n)
    for _ in range(int(rng.integers(1, 5))):
        begins_s, length_s = rng.uniform(0, n / MODEL_RATE_HZ), rng.uniform(0.3, 3.0)
        edge = np.clip((time_s - begins_s) / 0.02, 0, 1) - np.clip((time_s - begins_s - length_s) / 0.02, 0, 1)
        other_a += rng.uniform(10, 40) * edge
    engine_is_on = np.ones(n, dtype=bool)
    if rng.uniform() < 0.6:
        whine = Alternator(
            set_point_v=float(rng.uniform(13.7, 14.6)),
            limit_a=float(rng.uniform(60, 140)),
            ripple_v=float(rng.uniform(0.08, 0.2)),
            ripple_hz=float(rng.uniform(300, 1200)),
        )
        supply = replace(supply, alternator=whine)
        if rng.uniform() < 0.4:
            at_s = n / MODEL_RATE_HZ * rng.uniform(0.33, 0.67)
            engine_is_on = (time_s > at_s) if rng.uniform() < 0.5 else (time_s < at_s)
    return supply, engine_is_on, other_a


def log_roles(rng: np.random.Generator, run: Drive) -> dict[str, Samples]:
    """What a logger with four inputs has of a run."""
    model = {
        "output": run.output_v,
        "supply": run.supply.supply_v,
        "battery": run.supply.battery_v,
        "ground": run.supply.ground_v,
    }
    return {role: add_logger(rng, to_logger_rate(volts), role) for role, volts in model.items()}


def settled_supply(amplifier: Amplifier, supply: VehicleSupply, *, engine_is_on: bool) -> float:
    """Supply volts after a long time with the amplifier idle and nothing else switched on."""
    n = 480
    idle = drive(
        amplifier, supply, np.zeros(n), MODEL_RATE_HZ, engine_is_on=np.full(n, engine_is_on), other_a=np.zeros(n)
    )
    # The ripple's mean is zero; its first sample is too.
    return float(idle.supply.supply_v[0])


def find_true_causes(
    run: Drive, truth: Truth, amplifier: Amplifier, supply: VehicleSupply, engine_is_on: np.typing.NDArray[np.bool_]
) -> tuple[TrueCause, ...]:
    """The cause of each clip from the models themselves."""
    settled = {
        on: settled_supply(amplifier, supply, engine_is_on=on)
        for on in sorted({bool(on) for on in engine_is_on[::480]})
    }
    rested = {on: float(amplifier.rails.undrooped_v(np.array([volts]))[0]) for on, volts in settled.items()}
    ratio = amplifier.rails.negative_ratio
    causes = []
    for clip in truth.clips:
        first, last = round(clip.start_s * run.rate_hz), round(clip.stop_s * run.rate_hz) + 1
        sign = 1.0 if clip.polarity == "positive" else -1.0
        crest = first + int(np.argmax(sign * run.wanted_v[first:last]))
        side = 1.0 if sign > 0 else ratio
        ceiling_v = (run.ceiling_v if sign > 0 else run.negative_ceiling_v)[crest]
        # The droop under load is the amplifier's own: it stays in both.
        lagged_v = _lagged_supply(run, amplifier, crest)
        undrooped_v = side * float(amplifier.rails.undrooped_v(np.array([lagged_v]))[0])
        at_rest_v = ceiling_v + side * rested[bool(engine_is_on[crest])] - undrooped_v
        lost_db = 20 * math.log10(max(at_rest_v, 1e-6) / ceiling_v)
        over_db = 20 * math.log10(abs(run.wanted_v[crest]) / ceiling_v)
        share = lost_db / max(over_db, 1e-9)
        cause = "supply" if share >= 1 else "drive" if share < 1 / 3 else "both"
        margin_db = min(abs(lost_db - over_db), abs(lost_db - over_db / 3))
        causes.append(TrueCause(clip, cause, share, margin_db))
    return tuple(causes)


def _lagged_supply(run: Drive, amplifier: Amplifier, sample: int) -> float:
    """The supply as the reservoir passes it on, from the last ten time constants."""
    lag_s = amplifier.rails.reservoir_s
    n = max(1, round(10 * lag_s * run.rate_hz))
    part = run.supply.supply_v[max(0, sample - n) : sample]
    if lag_s <= 0 or len(part) == 0:
        return float(run.supply.supply_v[sample])
    keep = math.exp(-1 / (run.rate_hz * lag_s))
    weights = keep ** np.arange(len(part) - 1, -1, -1)
    return float(part @ weights / weights.sum())


# ---- truths of the supply itself -------------------------------------------------------------------------------------


def true_source_ohm(supply: VehicleSupply, amperes: Samples, *, engine_is_on: bool) -> float:
    """Volts an ampere that the supply loses once it stands, without the battery's slow part.

    The slope of the straight line through the standing volts at the currents that flowed, (n,) means over 10 ms: with
    an alternator, whose current has a limit, the volts are no straight line.
    """
    quick = replace(supply, slow_ohm=0.0)
    if quick.alternator is not None:
        quick = replace(quick, alternator=replace(quick.alternator, ripple_v=0.0))
    levels = np.linspace(0.0, float(amperes.max()) + 1.0, 25)
    rate_hz, each = 2000.0, 1600
    steps = np.repeat(levels, each)
    on = np.full(len(steps), engine_is_on)
    volts = run_supply(quick, FixedLoad(steps), rate_hz, len(steps), engine_is_on=on).supply_v[each - 1 :: each]
    standing_v = np.interp(amperes, levels, volts)
    return -float(np.polyfit(amperes, standing_v, 1)[0])


def true_regime_ohms(supply: VehicleSupply) -> dict[str, float]:
    """Volts an ampere that a charged supply loses once it stands, without the battery's slow part, in closed form.

    At its current limit the alternator gives no more whatever the volts: battery and leads, as at rest. Below it its
    gain stands beside the battery's resistance.
    """
    whole = supply.battery_ohm + supply.cable_ohm
    if supply.alternator is None:
        return {}
    following = supply.cable_ohm + supply.battery_ohm / (1.0 + supply.alternator.gain_a_per_v * supply.battery_ohm)
    return {"the alternator follows": following, "the alternator is at its current limit": whole}


def true_full_power_sag(amplifier: Amplifier, supply: VehicleSupply, after_s: float, *, engine_is_on: bool) -> float:
    """Sag of the cycle mean `after_s` into a 40 Hz tone that just reaches the ceiling."""
    lead_s = 0.2
    duration_s = lead_s + after_s
    n = round(duration_s * MODEL_RATE_HZ)
    shape = np.zeros(n)
    first = round(lead_s * MODEL_RATE_HZ)
    shape[first:] = tone(40.0, (n - first) / MODEL_RATE_HZ, MODEL_RATE_HZ, fade_s=0.003)
    if supply.alternator is not None:
        supply = replace(supply, alternator=replace(supply.alternator, ripple_v=0.0))
    low, high = 0.1, 3.0 * amplifier.rails.ratio * 15.0
    volts = np.zeros(n)
    for _ in range(12):
        crest_v = (low + high) / 2
        run = drive(
            amplifier,
            supply,
            shape * crest_v / amplifier.gain_ratio,
            MODEL_RATE_HZ,
            engine_is_on=np.full(n, engine_is_on),
        )
        reaches = np.any(run.wanted_v > run.ceiling_v) or np.any(-run.wanted_v > run.negative_ceiling_v)
        low, high = (low, crest_v) if reaches else (crest_v, high)
        volts = run.supply.supply_v
    cycle = round(MODEL_RATE_HZ / 40.0)
    end = n - round(0.003 * MODEL_RATE_HZ)
    return float(volts[first - 1] - volts[end - cycle : end].mean())


def recovery_case(seed: int) -> tuple[dict[str, Samples], float]:
    """Single notes on a supply whose recovery is one exponential: a capacitor behind battery and cables.

    Returns the logged volts and the true time constant, (R + ESR) C.
    """
    rng = np.random.default_rng(seed)
    capacitor = Capacitor(float(rng.uniform(0.5, 4.0)), float(rng.uniform(0.001, 0.004)))
    supply = VehicleSupply(
        emf_v=12.7,
        battery_ohm=float(rng.uniform(0.008, 0.02)),
        plus_cable_ohm=float(rng.uniform(0.004, 0.012)),
        return_cable_ohm=0.003,
        capacitor=capacitor,
    )
    amplifier, _ = draw_amplifier(rng, "ordinary", 12.6)
    peak = 0.9 * float(amplifier.rails.undrooped_v(np.array([11.5]))[0]) / 30.0
    wanted = [
        WantedNote("held", 0.8 + 1.6 * k, 0.6, float(rng.uniform(35, 90)), peak * float(rng.uniform(0.6, 1.0)))
        for k in range(5)
    ]
    source_v, _ = play(wanted, 9.0, MODEL_RATE_HZ, rng)
    run = drive(amplifier, supply, source_v, MODEL_RATE_HZ)
    tau_s = (supply.battery_ohm + supply.cable_ohm + capacitor.esr_ohm) * capacitor.farad
    return log_roles(rng, run), tau_s
