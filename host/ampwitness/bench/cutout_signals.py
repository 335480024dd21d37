"""Outputs that stop, for reasons that are known: cut-outs of several causes, and pauses that are none."""

from __future__ import annotations

import numpy as np

from ampwitness.bench.amplifier import Amplifier, Guard, Rails, ResistorLoad
from ampwitness.bench.drive import drive
from ampwitness.bench.event_signals import MODEL_RATE_HZ, EventCase, Samples, add_logger, draw_supply, log_drive
from ampwitness.bench.music import WantedNote, bass_line, key_to_hz, play
from ampwitness.bench.vehicle_supply import VehicleSupply
from ampwitness.types import Edge

# class -> what the detector's cause must begin with; "none": no finding wanted
CUTOUT_CLASSES: dict[str, str] = {
    "under-voltage, model": "supply voltage too low",
    "supply lost": "supply lost at the terminals",
    "remote dropped": "remote lead dropped",
    "remote, no digital line": "not decided",
    "cut at a random instant": "not decided",
    "cut, no supply channel": "not decided",
    "continuous tone, slow mute": "not decided",
    "pause between notes": "none",
    "fade of 0.25 s": "none",
    "decaying notes": "none",
    "music under sag, no cut-out": "none",
}
_RATE_HZ = 8000


def make_cutout_case(name: str, seed: int) -> tuple[EventCase, float | None, float | None, str]:
    """A case of a class: volts, when the output stops and comes back (None: never), the answer wanted."""
    rng = np.random.default_rng(seed * 31 + sorted(CUTOUT_CLASSES).index(name))
    wanted = CUTOUT_CLASSES[name]
    if name == "under-voltage, model":
        case, off_s, on_s = _under_voltage(rng)
        return case, off_s, on_s, wanted if off_s is not None else "none"
    if name == "music under sag, no cut-out":
        return _sagging_music(rng), None, None, wanted
    n = 8 * _RATE_HZ
    at = np.arange(n) / _RATE_HZ
    wave = _programme(rng, at, "decaying" if name in ("decaying notes", "pause between notes") else "any")
    supply = np.full(n, float(rng.uniform(12.0, 14.2))) - 0.02 * np.abs(wave)
    start_s = float(rng.uniform(3.0, 4.5))
    stop_s: float | None = start_s + float(rng.uniform(0.1, 2.0))
    gate = np.ones(n)
    edges: tuple[Edge, ...] = ()
    if name == "pause between notes" or name == "decaying notes":
        start, stop_s = None, None
    elif name.startswith("fade"):
        gate = np.clip((start_s + 0.25 - at) / 0.25, 0, 1) * (at < start_s + 0.3) + (at >= start_s + 1.0)
        start, stop_s = None, None
    else:
        if rng.uniform() < 0.2:
            stop_s = None
        end_s = stop_s if stop_s is not None else 99.0
        # A stop can only be seen where something sounds: move it to the next instant above a fifth of the peak.
        loud = np.flatnonzero((np.abs(wave) > 0.25 * np.abs(wave).max()) & (at >= start_s))
        start_s = float(at[loud[0]])
        fall_s = 0.004 if name.endswith("slow mute") else 0.0003
        gate = np.where(at < start_s, 1.0, np.exp(-np.maximum(at - start_s, 0) / fall_s)) + (at >= end_s)
        start = start_s
        if name.startswith("remote"):
            dropped_s = start_s - float(rng.uniform(0.0005, 0.030))
            edges = (
                Edge("remote", 0, dropped_s, "drawn", round(dropped_s * _RATE_HZ)),
                *((Edge("remote", 1, end_s - 0.1, "drawn", round((end_s - 0.1) * _RATE_HZ)),) if end_s < 90 else ()),
            )
            if "no digital" in name:
                edges = ()
        if name == "supply lost":
            supply = np.where((at >= start_s - 0.002) & (at < end_s - 0.05), 0.05, supply)
    wave = wave * gate
    volts = {"output": add_logger(rng, wave, "output")}
    if "no supply" not in name:
        volts["supply"] = add_logger(rng, supply, "supply")
    if stop_s is not None and start is not None:
        # It is back when the signal can be seen again.
        loud = np.flatnonzero((np.abs(wave) > 0.3) & (at >= stop_s))
        stop_s = float(at[loud[0]]) if len(loud) else None
    return EventCase(volts, float(_RATE_HZ), edges=edges), start, stop_s, wanted


def _programme(rng: np.random.Generator, at: Samples, kind: str) -> Samples:
    """Something that sounds: tones, music with treble, noise; or decaying notes with pauses."""
    n, seconds = len(at), float(at[-1])
    if kind == "decaying":
        wanted = [
            WantedNote(
                "plucked" if rng.uniform() < 0.7 else "drum", float(b), 0.9, key_to_hz(int(rng.integers(26, 43))), 15.0
            )
            for b in np.arange(0.3, seconds - 1.2, 1.2)
        ]
        sound, _ = play(wanted, seconds + 1 / _RATE_HZ, _RATE_HZ, rng)
        return np.asarray(np.pad(sound, (0, max(0, n - len(sound))))[:n])
    peak = float(rng.uniform(3.0, 30.0))
    which = int(rng.integers(3))
    if which == 0:
        return np.asarray(peak * np.sin(2 * np.pi * rng.uniform(30, 110) * at))
    if which == 1:
        hz = rng.uniform(40, 80)
        mix = np.sin(2 * np.pi * hz * at) + 0.4 * np.sin(2 * np.pi * 7.3 * hz * at) + 0.2 * rng.standard_normal(n)
        return np.asarray(peak * mix / 2)
    wave = rng.standard_normal(n)
    smooth = np.convolve(wave, np.hanning(25), "same")
    return np.asarray(peak * smooth / np.abs(smooth).max())


def _under_voltage(rng: np.random.Generator) -> tuple[EventCase, float | None, float | None]:
    """A weak supply that another consumer pulls down while bass plays, until the amplifier lets go."""
    seconds = 8.0
    amplifier = Amplifier(
        gain_ratio=30.0,
        rails=Rails(ratio=3.0, loss_v=1.0, reservoir_s=0.003),
        load=ResistorLoad(4.0),
        under_voltage=Guard(off_at=float(rng.uniform(9.0, 10.0)), on_at=11.0, hold_s=float(rng.uniform(0.5, 1.5))),
        thump_v=float(rng.uniform(0.0, 1.5)),
    )
    supply = VehicleSupply(
        emf_v=12.6, battery_ohm=0.022, plus_cable_ohm=0.009, return_cable_ohm=0.005, slow_ohm=0.006, slow_s=1.5
    )
    at = np.arange(round(seconds * MODEL_RATE_HZ)) / MODEL_RATE_HZ
    source_v = 0.7 * np.sin(2 * np.pi * float(rng.uniform(35, 80)) * at)
    pulled_s = float(rng.uniform(2.5, 4.0))
    other_a = 150.0 * np.clip((at - pulled_s) / 0.02, 0, 1) * (at < pulled_s + 0.4)
    run = drive(amplifier, supply, source_v, MODEL_RATE_HZ, other_a=other_a)
    off = [s for s in run.switchings if not s.is_on]
    on = [s for s in run.switchings if s.is_on]
    start_s = off[0].sample / MODEL_RATE_HZ if off else None
    stop_s = on[0].sample / MODEL_RATE_HZ if on else None
    return EventCase(log_drive(rng, run), float(_RATE_HZ)), start_s, stop_s


def _sagging_music(rng: np.random.Generator) -> EventCase:
    """Loud music on a weak supply that dips below 90 %, without any cut-out."""
    amplifier = Amplifier(
        gain_ratio=30.0,
        rails=Rails(ratio=3.0, loss_v=1.0, reservoir_s=0.003),
        load=ResistorLoad(4.0),
        under_voltage=Guard(off_at=6.0, on_at=7.0, hold_s=1.0),
    )
    wanted = bass_line(rng, 0.5, 7.5, peaks=(0.8, 1.3), kinds=("plucked", "held", "drum"))
    source_v, _ = play(wanted, 8.0, MODEL_RATE_HZ, rng)
    supply = draw_supply(rng)
    return EventCase(log_drive(rng, drive(amplifier, supply, source_v, MODEL_RATE_HZ)), float(_RATE_HZ))
