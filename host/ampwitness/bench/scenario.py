"""Built-in scenarios with known truth. Vehicle, amplifier and music are inventions of this project.

`demo` and `clean`: a bridged amplifier whose rails follow a weak supply with the engine off. `engine_running`: the same
amplifier on a sound supply that is being charged. `gain_turned`: a 40 Hz tone while its gain is turned up, a little
past the edge, and back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ampwitness.bench.amplifier import Amplifier, Guard, Rails, ResistorLoad
from ampwitness.bench.drive import Drive, drive
from ampwitness.bench.music import ONSET_RATIO, Note, WantedNote, bass_line, key_to_hz, play
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.truth import Truth, find_truth
from ampwitness.bench.vehicle_supply import Alternator, Capacitor, Samples, VehicleSupply
from ampwitness.errors import UsageError

RATE_HZ = 48_000
ROLES = ("out_p", "out_n", "supply")
DIGITAL_ROLES = ("remote",)  # in the stimulus, but a digital line of the board
NOMINAL_SUPPLY_V = {"engine off": 12.6, "engine running": 13.8}

AMPLIFIER = Amplifier(
    gain_ratio=30.0,
    rails=Rails(ratio=3.0, loss_v=1.0, reservoir_s=0.003),
    load=ResistorLoad(4.0),
    under_voltage=Guard(off_at=9.5, on_at=11.0, hold_s=1.3),
    thump_v=1.5,
)
WEAK_SUPPLY = VehicleSupply(
    emf_v=12.6, battery_ohm=0.022, plus_cable_ohm=0.009, return_cable_ohm=0.005, slow_ohm=0.006, slow_s=1.5
)
CHARGED_SUPPLY = VehicleSupply(
    emf_v=13.0,
    battery_ohm=0.009,
    plus_cable_ohm=0.003,
    return_cable_ohm=0.002,
    slow_ohm=0.003,
    alternator=Alternator(set_point_v=14.3, limit_a=90.0, ripple_v=0.04, ripple_hz=620.0),
    capacitor=Capacitor(farad=0.5, esr_ohm=0.004),
)
STIFF_SUPPLY = VehicleSupply(emf_v=12.7, battery_ohm=0.004, plus_cable_ohm=0.001, return_cable_ohm=0.001)
# Source volts at which the amplifier just reaches its ceiling on a supply at rest.
_FULL_V = (3.0 * 12.5 - 1.0) / AMPLIFIER.gain_ratio


@dataclass(frozen=True, slots=True)
class Scenario:
    """A stimulus with its truth.

    `roles` are the board's analog channels; the stimulus may have more (a digital remote line). `notes` are session
    notes as a person would have typed them. `drive` is the run it was made from.
    """

    name: str
    stimulus: ArrayStimulus
    roles: tuple[str, ...]
    truth: Truth
    notes: Mapping[str, Any]
    drive: Drive


def scenario(name: str, seed: int | None = None) -> Scenario:
    """Make a built-in scenario: "demo", "clean", "engine_running" or "gain_turned".

    `seed` draws other notes and levels; None is the scenario's own. Raises UsageError for an unknown name.
    """
    if name not in _SCENARIOS:
        raise UsageError(f"unknown scenario {name!r}; the scenarios are {', '.join(_SCENARIOS)}")
    make, own_seed = _SCENARIOS[name]
    return make(np.random.default_rng(own_seed if seed is None else seed))


def scenario_names() -> tuple[str, ...]:
    """Names that `scenario` knows."""
    return tuple(_SCENARIOS)


def _demo(rng: np.random.Generator) -> Scenario:
    """40 s: idle, clean, gain too high, clipping for want of supply, an under-voltage cut-out, clean, idle."""
    duration_s = 40.0
    wanted = bass_line(rng, 2.0, 11.0, peaks=(0.25 * _FULL_V, 0.55 * _FULL_V))
    wanted += bass_line(rng, 12.0, 20.0, peaks=(0.85 * _FULL_V, 1.65 * _FULL_V), kinds=("plucked", "plucked", "drum"))
    # Held notes that fit under the ceiling of a rested supply, until another consumer switches on.
    other_loads = [(28.6, 28.95, 140.0), (38.5, 38.65, 75.0)]
    for at_s, key in zip(np.arange(21.0, 26.5, 0.9), rng.integers(26, 38, 7), strict=True):
        wanted.append(WantedNote("held", float(at_s), 0.7, key_to_hz(int(key)), 0.94 * _FULL_V))
        other_loads.append((float(at_s) + 0.15, float(at_s) + 0.55, 55.0))
    wanted.append(WantedNote("held", 28.0, 1.2, key_to_hz(31), 0.7 * _FULL_V))
    wanted += bass_line(rng, 32.0, 37.5, peaks=(0.25 * _FULL_V, 0.5 * _FULL_V))
    other_a = _step_load(duration_s, other_loads)
    return _finish("demo", wanted, duration_s, WEAK_SUPPLY, rng, "engine off", other_a)


def _clean(rng: np.random.Generator) -> Scenario:
    """20 s of a bass line well under the ceiling: nothing to find but notes."""
    wanted = bass_line(rng, 1.0, 19.0, peaks=(0.15 * _FULL_V, 0.55 * _FULL_V))
    return _finish("clean", wanted, 20.0, WEAK_SUPPLY, rng, "engine off", None)


def _engine_running(rng: np.random.Generator) -> Scenario:
    """20 s on a charged supply with alternator ripple; the second half clips a little."""
    wanted = bass_line(rng, 1.0, 10.0, peaks=(0.3 * _FULL_V, 0.8 * _FULL_V))
    wanted += bass_line(rng, 10.5, 19.0, peaks=(0.95 * _FULL_V, 1.5 * _FULL_V))
    return _finish("engine_running", wanted, 20.0, CHARGED_SUPPLY, rng, "engine running", None)


def _gain_turned(rng: np.random.Generator) -> Scenario:
    """26 s of 40 Hz: quiet, turned up over 12 s, a little past the edge, back by 3 dB, and rest."""
    duration_s = 26.0
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    # at 12 V under load: where the tone's crest reaches the ceiling
    edge_v = (3.0 * 12.45 - 1.0) / AMPLIFIER.gain_ratio
    knob_db = np.interp(time_s, [0.0, 4.0, 16.0, 19.0, 20.0, duration_s], [-12, -12, 0.4, 1.0, -2.0, -2.0])
    fade = np.clip((time_s - 1.0) / 0.05, 0, 1) * np.clip((duration_s - 1.0 - time_s) / 0.05, 0, 1)
    source_v = fade * edge_v * 10 ** (knob_db / 20) * np.sin(2 * np.pi * 40.0 * time_s)
    run = drive(AMPLIFIER, STIFF_SUPPLY, source_v, RATE_HZ)
    # A tone is a bass note like any other; its onset counts beside the level it begins with, not the one it grows to.
    first_peak = float(np.abs(source_v[: round(1.2 * RATE_HZ)]).max())
    loud = np.flatnonzero(np.abs(source_v) >= ONSET_RATIO * first_peak)
    note = Note("held", 1.0, float(loud[0]) / RATE_HZ, float(loud[-1]) / RATE_HZ, 40.0, float(np.abs(source_v).max()))
    return _described("gain_turned", run, (note,), "engine off")


_SCENARIOS: dict[str, tuple[Callable[[np.random.Generator], Scenario], int]] = {
    "demo": (_demo, 11),
    "clean": (_clean, 12),
    "engine_running": (_engine_running, 13),
    "gain_turned": (_gain_turned, 14),
}


def _finish(
    name: str,
    wanted: list[WantedNote],
    duration_s: float,
    supply: VehicleSupply,
    rng: np.random.Generator,
    engine: str,
    other_a: Samples | None,
) -> Scenario:
    source_v, notes = play(wanted, duration_s, RATE_HZ, rng)
    return _described(name, drive(AMPLIFIER, supply, source_v, RATE_HZ, other_a=other_a), notes, engine)


def _described(name: str, run: Drive, notes: tuple[Note, ...], engine: str) -> Scenario:
    return Scenario(
        name=name,
        stimulus=_stimulus(run),
        roles=ROLES,
        truth=_truth(run, notes, engine),
        notes={
            "amplifier": "made-up bridged mono amplifier",
            "load_ohm": 4.0,
            "load_kind": "resistor",
            "nominal_supply_v": NOMINAL_SUPPLY_V[engine],
            "reference_point": "amplifier ground",
            "remarks": f"built-in scenario {name}, {engine}",
        },
        drive=run,
    )


def _stimulus(run: Drive) -> ArrayStimulus:
    roles = ROLES + DIGITAL_ROLES
    return ArrayStimulus(roles, RATE_HZ, np.column_stack([run.role_v(role) for role in roles]))


def _truth(run: Drive, notes: tuple[Note, ...], engine: str) -> Truth:
    return find_truth(run, notes, NOMINAL_SUPPLY_V[engine])


def _step_load(duration_s: float, steps: list[tuple[float, float, float]]) -> Samples:
    """Current of other consumers: (start_s, stop_s, A) each, with edges of 10 ms."""
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    total = np.zeros(len(time_s))
    for start_s, stop_s, ampere in steps:
        total += ampere * (np.clip((time_s - start_s) / 0.01, 0, 1) - np.clip((time_s - stop_s) / 0.01, 0, 1))
    return total
