"""The less obliging amplifiers that are scored: recipes over amplifier_stage.py, their numbers drawn by seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ampwitness.bench.amplifier import ResistorLoad
from ampwitness.bench.amplifier_load import Loudspeaker
from ampwitness.bench.amplifier_stage import Feed, Reservoirs, Stage, run_stage
from ampwitness.bench.clip_cases import BASS_RATE_HZ, ScoredCase, case_of_stage
from ampwitness.types import FloatArray

OPEN_V = 13.4


def _driver(rng: np.random.Generator) -> Loudspeaker:
    return Loudspeaker(
        coil_ohm=rng.uniform(2.8, 3.8),
        coil_h=rng.uniform(0.4e-3, 1.8e-3),
        resonance_hz=rng.uniform(28, 60),
        q_mechanical=rng.uniform(3, 8),
        q_electrical=rng.uniform(0.4, 1.0),
    )


def _split(rng: np.random.Generator, **changes: Any) -> Reservoirs:
    base = Reservoirs(
        ratio=rng.uniform(2.4, 3.2),
        farad=rng.uniform(0.003, 0.01),
        negative_farad=rng.uniform(0.003, 0.01),
        charge_ohm=rng.uniform(0.05, 0.25),
    )
    return replace(base, **changes)


def _shared(rng: np.random.Generator, **changes: Any) -> Reservoirs:
    """Straight off the vehicle's supply, through a choke and one capacitor."""
    return replace(Reservoirs(ratio=1.0, farad=rng.uniform(0.001, 0.004), charge_ohm=0.015, is_shared=True), **changes)


@dataclass(frozen=True, slots=True)
class StageRecipe:
    """How to draw an amplifier and what feeds it."""

    name: str
    draw: Callable[[np.random.Generator], Stage]
    drive_db: tuple[float, float] = (0.5, 4.5)
    supply_ohm: float = 0.02
    whine_v: float = 0.0
    other_drop_v: float = 0.0  # another consumer pulls the supply down by this much, on and off
    carrier_peak_v: float = 0.0
    rate_hz: float = BASS_RATE_HZ


RECIPES = (
    StageRecipe("loudspeaker on large reservoirs", lambda rng: Stage(_split(rng), _driver(rng))),
    StageRecipe(
        "small uneven reservoirs",
        lambda rng: Stage(
            _split(rng, farad=rng.uniform(4e-4, 1.2e-3), negative_farad=rng.uniform(1.5e-3, 3e-3)), _driver(rng)
        ),
    ),
    StageRecipe(
        "boosted supply with a current limit",
        lambda rng: Stage(_split(rng, charge_limit_a=rng.uniform(1.0, 2.5)), _driver(rng)),
    ),
    StageRecipe(
        "boosted and regulated, into a resistor",
        lambda rng: Stage(
            _split(rng, regulated_v=rng.uniform(28, 34), farad=1e-3, negative_farad=1.4e-3), ResistorLoad(4.0)
        ),
    ),
    StageRecipe(
        "current limit into a resistor",
        lambda rng: Stage(
            _split(rng), ResistorLoad(2.0), current_limit_a=rng.uniform(8, 13), limit_ohm=rng.uniform(10, 60)
        ),
        drive_db=(-4.0, 0.0),
    ),
    StageRecipe(
        "current limit into a loudspeaker",
        lambda rng: Stage(_split(rng), _driver(rng), current_limit_a=rng.uniform(5, 9), limit_ohm=rng.uniform(10, 60)),
        drive_db=(-3.0, 0.0),
    ),
    StageRecipe(
        "rail and current limit, whichever comes first",
        lambda rng: Stage(_split(rng), _driver(rng), current_limit_a=rng.uniform(6, 9), limit_ohm=20.0),
        drive_db=(1.0, 4.5),
    ),
    StageRecipe(
        "late release and slew limit",
        lambda rng: Stage(
            _split(rng), _driver(rng), release_s=rng.uniform(1e-4, 5e-4), slew_v_per_s=rng.uniform(3e4, 2e5)
        ),
    ),
    StageRecipe(
        "bridged, straight off the supply",
        lambda rng: Stage(_shared(rng), _driver(rng), output="bridged", on_ohm=0.2),
        whine_v=0.08,
    ),
    StageRecipe(
        "half-supply output behind its capacitor",
        lambda rng: Stage(
            _shared(rng), ResistorLoad(4.0), output="half-supply", coupling_farad=rng.uniform(0.0015, 0.004)
        ),
    ),
    StageRecipe(
        "switching half-bridge that pumps its rails",
        lambda rng: Stage(
            _split(rng, farad=rng.uniform(0.001, 0.003), negative_farad=rng.uniform(0.001, 0.003)),
            _driver(rng),
            is_switching=True,
            efficiency=0.9,
        ),
        carrier_peak_v=3.0,
    ),
    StageRecipe(
        "switching bridge with residue",
        lambda rng: Stage(
            _shared(rng, ratio=rng.uniform(1.8, 3.0), charge_ohm=0.1),
            _driver(rng),
            output="bridged",
            is_switching=True,
            efficiency=0.9,
        ),
        carrier_peak_v=5.0,
    ),
    StageRecipe(
        "soft knee into a loudspeaker",
        lambda rng: Stage(_split(rng), _driver(rng), knee_exponent=rng.uniform(6, 20)),
    ),
    StageRecipe(
        "lossy on one side",
        lambda rng: Stage(_split(rng), _driver(rng), loss_v=1.0, negative_loss_v=rng.uniform(2.5, 6.0), on_ohm=0.3),
    ),
    StageRecipe(
        "weak supply that another consumer pulls down",
        lambda rng: Stage(_split(rng, ratio=2.5), _driver(rng)),
        supply_ohm=0.06,
        other_drop_v=2.0,
    ),
    StageRecipe(
        "alternator whine through to the rails",
        lambda rng: Stage(_split(rng, farad=5e-4, negative_farad=5e-4, charge_ohm=0.05), _driver(rng)),
        whine_v=0.15,
    ),
)


def rested_ceiling_v(stage: Stage) -> float:
    """Highest output on a supply at rest, without load, by the lower side."""
    rail = stage.reservoirs.ratio * OPEN_V
    if stage.reservoirs.regulated_v is not None:
        rail = min(rail, stage.reservoirs.regulated_v)
    if stage.output == "half-supply":
        rail /= 2
    return rail - max(stage.loss_v, stage.negative_loss_v or 0.0)


def make_stage_case(recipe: StageRecipe, rng: np.random.Generator, drive: FloatArray, mode: str = "bass") -> ScoredCase:
    """Draw an amplifier and let it play a drive of peak 1."""
    stage = recipe.draw(rng)
    wanted_v = drive * rested_ceiling_v(stage) * 10 ** (rng.uniform(*recipe.drive_db) / 20)
    run = run_stage(stage, _feed(recipe, rng, len(drive)), np.asarray(wanted_v, dtype=np.float64), recipe.rate_hz)
    return case_of_stage(
        recipe.name, rng, run, mode=mode, is_bridged=stage.output == "bridged", carrier_peak_v=recipe.carrier_peak_v
    )


def _feed(recipe: StageRecipe, rng: np.random.Generator, n: int) -> Feed:
    t = np.arange(n) / recipe.rate_hz
    open_v = OPEN_V + 0.1 * np.sin(2 * np.pi * rng.uniform(0.02, 0.1) * t + rng.uniform(0, 6))
    if recipe.whine_v:
        angle = 2 * np.pi * rng.uniform(300, 1200) * t
        open_v = open_v + recipe.whine_v * (np.sin(angle) + 0.3 * np.sin(2 * angle)) / 1.13
    if recipe.other_drop_v:
        is_on = np.repeat(rng.uniform(size=int(t[-1] / 0.7) + 1) < 0.4, int(0.7 * recipe.rate_hz) + 1)[:n]
        smooth = np.convolve(is_on.astype(np.float64), np.ones(960) / 960, "same")
        open_v = open_v - recipe.other_drop_v * smooth
    return Feed(open_v, supply_ohm=recipe.supply_ohm)
