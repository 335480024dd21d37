"""Notes, dips and cut-outs with known truth, drawn by seed: what the event detectors are scored on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import integrate, ndimage, signal

from ampwitness.bench.amplifier import Amplifier, Guard, Rails, ResistorLoad
from ampwitness.bench.drive import Drive, drive
from ampwitness.bench.music import Note, bass_line, key_to_hz, play
from ampwitness.bench.truth import TrueNote, Truth, find_true_dips, find_truth
from ampwitness.bench.vehicle_supply import Alternator, Capacitor, VehicleSupply
from ampwitness.types import Edge

Samples = npt.NDArray[np.float64]

MODEL_RATE_HZ = 48_000
OUTPUT_NOISE_V = 0.025  # rms of one averaged sample, fast mode of 8 kS/s
SUPPLY_NOISE_V = 0.0015
_OUTPUT_STEP_V, _SUPPLY_STEP_V = 0.033, 0.0067  # one code of the converter
_OUTPUT_SPAN_V, _SUPPLY_SPAN_V = 32.0, 6.7  # a quarter of the range: where the wide codes lie


@dataclass(frozen=True, slots=True)
class EventCase:
    """Volts as logged, and what is true of them."""

    volts: dict[str, Samples]
    rate_hz: float
    truth: Truth | None = None
    notes: tuple[Note, ...] = ()
    edges: tuple[Edge, ...] = ()
    model_supply: Samples | None = None  # without noise, at the models' rate
    model_output: Samples | None = None  # the same
    attacks_s: tuple[float, ...] = ()  # how long each note takes to rise, where it was drawn by that
    nominal_supply_v: float | None = None
    extra: dict[str, float] = field(default_factory=dict)


def add_logger(rng: np.random.Generator, volts: Samples, role: str, *, inl_codes: float = 0.7) -> Samples:
    """Noise, and the sawtooth that wide codes leave after a correction that is not perfect.

    Parameters
    ----------
    volts : (n,) at the logger's rate
    role : "output" or a supply-like one
    inl_codes : height of the sawtooth, codes of the converter

    Returns
    -------
    (n,) volts as logged.
    """
    is_output = role == "output"
    step_v, span_v = (_OUTPUT_STEP_V, _OUTPUT_SPAN_V) if is_output else (_SUPPLY_STEP_V, _SUPPLY_SPAN_V)
    saw = ((volts + rng.uniform(0, span_v)) / span_v) % 1.0 - 0.5
    noise_v = OUTPUT_NOISE_V if is_output else SUPPLY_NOISE_V
    return np.asarray(volts + inl_codes * step_v * saw + rng.standard_normal(len(volts)) * noise_v)


def to_logger_rate(volts: Samples, rate_hz: int = 8000) -> Samples:
    """Band-limited resampling from the models' rate."""
    down = MODEL_RATE_HZ // rate_hz
    level = volts[0]
    return np.asarray(signal.resample_poly(volts - level, 1, down) + level)


def moving_parabola(volts: Samples) -> Samples:
    """What a note's lowest supply is taken from: a parabola fitted to the curve over 2 ms, at its middle.

    Parameters
    ----------
    volts : (n,) at the models' rate

    Source: Savitzky and Golay's parabola with integrals (Simpson's rule) in place of sums. Summed up, 97 samples span
    2.02 ms, and with a whine of 1 to 2 kHz on the supply that puts the lowest value up to 1.8 mV higher.
    """
    half = MODEL_RATE_HZ // 1000
    u = np.arange(-half, half + 1) / half
    weights = integrate.simpson(np.diag((9 - 15 * u**2) / 8), x=u, axis=0)
    return np.asarray(ndimage.correlate1d(volts, weights, mode="nearest"))


def log_drive(rng: np.random.Generator, run: Drive, rate_hz: int = 8000) -> dict[str, Samples]:
    """Output and supply of a run as the logger has them."""
    return {
        "output": add_logger(rng, to_logger_rate(run.output_v, rate_hz), "output"),
        "supply": add_logger(rng, to_logger_rate(run.supply.supply_v, rate_hz), "supply"),
    }


def draw_supply(rng: np.random.Generator) -> VehicleSupply:
    """A supply: weak or sound, with or without capacitor and alternator."""
    with_alternator = rng.uniform() < 0.4
    return VehicleSupply(
        emf_v=float(rng.uniform(12.2, 12.9)),
        battery_ohm=float(rng.uniform(0.006, 0.022)),
        plus_cable_ohm=float(rng.uniform(0.002, 0.009)),
        return_cable_ohm=float(rng.uniform(0.001, 0.005)),
        slow_ohm=float(rng.uniform(0.002, 0.006)),
        slow_s=float(rng.uniform(0.8, 2.0)),
        alternator=(
            Alternator(set_point_v=14.3, limit_a=90.0, ripple_v=0.03, ripple_hz=float(rng.uniform(400, 900)))
            if with_alternator
            else None
        ),
        capacitor=Capacitor(farad=float(rng.uniform(0.2, 1.0)), esr_ohm=0.004) if rng.uniform() < 0.4 else None,
    )


_AMPLIFIER = Amplifier(
    gain_ratio=30.0,
    rails=Rails(ratio=3.0, loss_v=1.0, reservoir_s=0.003),
    load=ResistorLoad(4.0),
    under_voltage=Guard(off_at=6.0, on_at=7.0, hold_s=1.3),
)
_FULL_V = (3.0 * 12.0 - 1.0) / 30.0


def music_case(seed: int, *, kinds: Sequence[str], seconds: float = 20.0, loud: bool = False) -> EventCase:
    """A bass line of some kinds of notes through an amplifier on a drawn supply."""
    rng = np.random.default_rng(seed)
    peaks = (0.7 * _FULL_V, 1.6 * _FULL_V) if loud else (0.05 * _FULL_V, 0.8 * _FULL_V)
    wanted = bass_line(rng, 0.6, seconds - 0.6, peaks=peaks, kinds=kinds, beat_s=float(rng.uniform(0.4, 0.7)))  # type: ignore[arg-type]
    source_v, notes = play(wanted, seconds, MODEL_RATE_HZ, rng)
    run = drive(_AMPLIFIER, draw_supply(rng), source_v, MODEL_RATE_HZ)
    return EventCase(
        log_drive(rng, run),
        8000.0,
        find_truth(run, notes, 12.6),
        notes,
        model_supply=run.supply.supply_v,
        model_output=run.output_v,
    )


def tones_case(seed: int, *, second_harmonic: float = 0.0, length_s: float = 1.0, rate_hz: int = 8000) -> EventCase:
    """Single tones of 1 s with short attacks and pauses; `second_harmonic` is its share of the fundamental."""
    rng = np.random.default_rng(seed)
    seconds = 12.0
    at = np.arange(round(seconds * MODEL_RATE_HZ)) / MODEL_RATE_HZ
    source_v = np.zeros(len(at))
    notes, attacks_s = [], []
    begins_s = 0.7
    while begins_s + length_s < seconds - 0.3:
        hz = float(rng.uniform(22.0, 118.0)) if not second_harmonic else float(rng.uniform(22.0, 60.0))
        peak = float(0.7 * _FULL_V * 10 ** (-rng.uniform(0, 26) / 20))
        attack_s = float(rng.uniform(0.001, 0.006))
        u = at - begins_s
        attacks_s.append(attack_s)
        shape = np.clip(u / attack_s, 0, 1) * np.clip((length_s - u) / 0.004, 0, 1)
        wave = np.sin(2 * np.pi * hz * u) + second_harmonic * np.sin(4 * np.pi * hz * u + rng.uniform(0, 2 * np.pi))
        source_v += peak * shape * wave / (1 + second_harmonic)
        notes.append(Note("held", begins_s, begins_s, begins_s + length_s, hz, peak))
        begins_s += length_s + float(rng.uniform(0.08, 0.6))
    run = drive(_AMPLIFIER, draw_supply(rng), source_v, MODEL_RATE_HZ)
    return EventCase(
        log_drive(rng, run, rate_hz),
        float(rate_hz),
        find_truth(run, notes, 12.6),
        tuple(notes),
        model_supply=run.supply.supply_v,
        model_output=run.output_v,
        attacks_s=tuple(attacks_s),
    )


def restruck_case(seed: int, kind: str) -> EventCase:
    """Notes without silence between: "same" (struck again), "legato" (the pitch turns), "overlap" (both sound)."""
    rng = np.random.default_rng(seed)
    seconds = 12.0
    at = np.arange(round(seconds * MODEL_RATE_HZ)) / MODEL_RATE_HZ
    source_v = np.zeros(len(at))
    starts = np.cumsum(rng.uniform(0.35, 0.7, 15)) + 0.4
    starts = starts[starts < seconds - 0.8]
    keys = rng.integers(26, 43, len(starts))
    if kind == "legato":
        keys = np.cumsum(rng.choice([-5, -3, -2, -1, 1, 2, 3, 5], len(starts)))
        keys = 26 + np.abs(keys) % 17
        for place in range(1, len(keys)):  # each differs from the one before
            keys[place] += keys[place] == keys[place - 1]
    notes = []
    phase = 0.0
    peak = float(rng.uniform(0.15, 0.7) * _FULL_V)
    same_hz = key_to_hz(int(keys[0]))
    for place, begins_s in enumerate(starts):
        stop_s = starts[place + 1] if place + 1 < len(starts) else begins_s + 0.6
        hz = same_hz if kind == "same" else key_to_hz(int(keys[place]))
        u = at - begins_s
        if kind == "legato":
            inside = (u >= 0) & (at < stop_s)
            source_v[inside] += (
                peak * np.sin(phase + 2 * np.pi * hz * u[inside]) * np.clip(u[inside] / 0.004 + (place > 0), 0, 1)
            )
            phase += 2 * np.pi * hz * (stop_s - begins_s)
        else:
            decay_s = float(rng.uniform(0.2, 0.5))
            strength = peak * float(rng.uniform(0.6, 1.0))
            wave = strength * np.clip(u / 0.004, 0, 1) * np.exp(-np.maximum(u, 0) / decay_s)
            wave *= np.sin(2 * np.pi * hz * u) * (u >= 0)
            if kind == "same":  # the hand stops the string as it strikes anew
                source_v *= np.clip((begins_s + 0.003 - at) / 0.003, 0, 1) * (at < begins_s + 0.003) if place else 1.0
            source_v += wave
        notes.append(Note("plucked", float(begins_s), float(begins_s), float(stop_s), hz, peak))
    run = drive(_AMPLIFIER, draw_supply(rng), source_v, MODEL_RATE_HZ)
    return EventCase(
        log_drive(rng, run), 8000.0, find_truth(run, notes, 12.6), tuple(notes), model_supply=run.supply.supply_v
    )


def slow_attack_case(seed: int) -> EventCase:
    """Notes that swell over 40 to 300 ms as half a cosine, with pauses; their truth is when they leave zero."""
    rng = np.random.default_rng(seed)
    rate_hz, seconds = 8000, 16.0
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    wave = np.zeros(len(at))
    notes, attacks_s = [], []
    begins_s = 0.7
    while begins_s + 1.2 < seconds:
        hz, peak = float(rng.uniform(25.0, 110.0)), float(10 ** rng.uniform(0.0, 1.4))
        attack_s = float(rng.uniform(0.04, 0.3))
        u = at - begins_s
        attacks_s.append(attack_s)
        shape = 0.5 - 0.5 * np.cos(np.pi * np.clip(u / attack_s, 0, 1))
        wave += peak * shape * np.clip((0.9 - u) / 0.02, 0, 1) * np.sin(2 * np.pi * hz * u)
        notes.append(TrueNote(begins_s, begins_s + 0.9, hz, 12.6, 12.6, 0.0, begins_s))
        begins_s += 0.9 + float(rng.uniform(0.1, 0.5))
    supply = np.full(len(at), 12.6)
    volts = {"output": add_logger(rng, wave, "output"), "supply": add_logger(rng, supply, "supply")}
    return EventCase(volts, float(rate_hz), Truth((), tuple(notes), (), ()), attacks_s=tuple(attacks_s))


def recovery_case(seed: int) -> EventCase:
    """Tones on a supply that falls and returns as one exponential, half of them beside a battery that rises slowly on;
    `extra` holds the time constant."""
    rng = np.random.default_rng(seed)
    rate_hz, seconds = 8000, 6.0
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    tau_s = float(np.exp(rng.uniform(np.log(0.006), np.log(0.4))))
    depth_v, u = float(rng.uniform(0.3, 2.0)), at - 1.0
    slow_v = float(rng.uniform(0.05, 0.2)) if seed % 2 else 0.0
    sag = np.zeros(len(at))
    for part_v, part_s in ((depth_v, tau_s), (slow_v, 1.5)):
        down = -np.expm1(-np.clip(u, 0.0, 1.5) / part_s)
        sag += part_v * down * np.exp(-np.maximum(u - 1.5, 0.0) / part_s)
    hz = float(rng.uniform(25.0, 100.0))
    wave = np.where((u >= 0) & (u < 1.5), 20.0 * np.sin(2 * np.pi * hz * u), 0.0)
    volts = {"output": add_logger(rng, wave, "output"), "supply": add_logger(rng, 12.6 - sag, "supply")}
    return EventCase(volts, float(rate_hz), extra={"recovery_s": tau_s, "has_slow_part": float(slow_v > 0)})


def dense_music(seed: int, seconds: float) -> EventCase:
    """A bass line without pause, two notes a second, and the supply under it: what speed is measured on."""
    rng = np.random.default_rng(seed)
    wanted = bass_line(rng, 0.5, seconds - 1.0, peaks=(1.5, 28.0), beat_s=0.5)
    wave, notes = play(wanted, seconds, 8000, rng)
    sag = signal.lfilter([0.01], [1.0, -0.99], wave**2) / 400.0
    volts: dict[str, npt.NDArray[Any]] = {
        "output": (wave + rng.normal(0, OUTPUT_NOISE_V, len(wave))).astype(np.float32),
        "supply": (12.6 - sag + rng.normal(0, SUPPLY_NOISE_V, len(wave))).astype(np.float32),
    }
    return EventCase(volts, 8000.0, notes=notes)


def noise_case(seed: int, kind: str, rms_v: float) -> EventCase:
    """Material without bass notes: "silence", "white", "pink" (30 Hz up), "band" (25 to 90 Hz), "speech" (a voice of
    130 to 240 Hz)."""
    rng = np.random.default_rng(seed)
    rate_hz, seconds = 8000, 20.0
    n = round(rate_hz * seconds)
    white = rng.standard_normal(n)
    if kind == "silence":
        wave = np.zeros(n)
    elif kind == "white":
        wave = white
    elif kind in ("pink", "band"):
        f = np.fft.rfftfreq(n, 1 / rate_hz)
        shape = np.where(f > 30, 1 / np.sqrt(np.maximum(f, 1)), 0.0) if kind == "pink" else (f > 25.0) & (f < 90.0)
        wave = np.fft.irfft(np.fft.rfft(white) * shape, n)
    else:
        wave = _voice(rng, n, rate_hz)
    wave = wave * (rms_v / max(float(wave.std()), 1e-9))
    supply = np.full(n, 12.6)
    return EventCase(
        {"output": add_logger(rng, wave, "output"), "supply": add_logger(rng, supply, "supply")}, float(rate_hz)
    )


def _voice(rng: np.random.Generator, n: int, rate_hz: int) -> Samples:
    """Syllables of a gliding buzz through resonances, with breath noise between: like speech in pitch and rhythm."""
    at = np.arange(n) / rate_hz
    knots = np.arange(0, at[-1] + 0.3, 0.25)
    pitch = np.interp(at, knots, rng.uniform(130, 240, len(knots)))
    loud = np.clip(np.interp(at, knots / 1.0, rng.uniform(-0.4, 1.0, len(knots))), 0, 1)
    buzz = signal.sawtooth(2 * np.pi * np.cumsum(pitch) / rate_hz)
    out = np.zeros(n)
    for hz, width in ((500, 80), (1500, 120), (2500, 200)):
        b, a = signal.iirpeak(hz, hz / width, fs=rate_hz)
        out += signal.lfilter(b, a, loud * buzz + 0.05 * rng.standard_normal(n))
    b, a = signal.butter(2, 110, "highpass", fs=rate_hz)
    return np.asarray(signal.lfilter(b, a, out + 0.2 * loud * buzz))


def dips_case(seed: int, *, declare_nominal: bool) -> EventCase:
    """A supply with dips of many shapes: steps, exponential sags, ramps, some too shallow to count."""
    rng = np.random.default_rng(seed)
    seconds, rate_hz = 30.0, MODEL_RATE_HZ
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    rest_v = float(rng.uniform(12.3, 14.3))
    supply = np.full(len(at), rest_v)
    begins_s = 2.0
    while begins_s < seconds - 3.0:
        length_s = float(np.exp(rng.uniform(np.log(0.02), np.log(1.5))))
        depth_v = float(rng.uniform(0.05, 0.45)) * rest_v
        tau_s = float(rng.choice([1e-4, 0.005, 0.05]))
        u = at - begins_s
        down = np.where(u > 0, -np.expm1(-np.maximum(u, 0) / tau_s), 0.0)
        up = np.where(u > length_s, np.exp(-np.maximum(u - length_s, 0) / tau_s), 1.0)
        supply -= depth_v * down * up
        begins_s += length_s + float(rng.uniform(0.3, 2.0))
    dips = find_true_dips("supply", supply, rate_hz, rest_v)
    volts = {"supply": add_logger(rng, to_logger_rate(supply), "supply")}
    return EventCase(volts, 8000.0, Truth((), (), dips, ()), nominal_supply_v=rest_v if declare_nominal else None)
