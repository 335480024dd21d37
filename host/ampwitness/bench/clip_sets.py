"""The sets that clipping is scored on: bass, full-range, hostile, less obliging, clean. All through the board model.

Seeds: a case draws everything from `[seed, its name]`. TUNING_SEEDS are for whoever chooses the detector's numbers;
SCORED_SEEDS are never looked at for that. The families of clip_signals.TUNING are left out of the scored sets.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from ampwitness.bench import clip_material as material
from ampwitness.bench import clip_signals, music
from ampwitness.bench.clip_cases import BASS_RATE_HZ, ScoredCase, make_case, play_source_clipped, play_static
from ampwitness.bench.clip_stages import RECIPES, StageRecipe, make_stage_case
from ampwitness.bench.clip_unusual import UNUSUAL, Play
from ampwitness.types import FloatArray

TUNING_SEEDS = range(100, 200)
SCORED_SEEDS = range(7000, 7100)
CLEAN_SEEDS = range(8000, 9000)  # clean material is scored chunk by chunk, a seed each
CLEAN_CHUNK_S = 120.0
FULL_RANGE_RATE_HZ = 96_000.0

Drive = Callable[[np.random.Generator, float, float], FloatArray]
Recipe = Callable[[np.random.Generator, float], ScoredCase]

BASS: dict[str, Drive] = {
    "notes": material.notes,
    "crossed music": material.crossed_music,
    "sub noise": clip_signals.sub_noise,
    "saw bass": clip_signals.saw_bass,
    "fm bass": clip_signals.fm_bass,
}


def _noise_music(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    return music.full_range(seconds, rate_hz, rng)


FULL_RANGE: dict[str, Drive] = {"chords and drums": clip_signals.full_range, "noise music": _noise_music}


def recipes(name: str, audio: Path | None = None) -> dict[str, Recipe]:
    """Recipes of a set ("bass", "full-8k", "full-25k", "hostile", "stages", "unusual"), by case name.

    `audio` : folder of recorded sounds, which then are played too (see clip_material.py)
    """
    if name == "bass":
        return _bass_set(audio)
    if name == "hostile":
        return _hostile_set()
    if name == "unusual":
        return {case: partial(_unusual, play) for case, play in UNUSUAL.items()}
    if name == "stages":
        return {recipe.name: partial(_stage_case, recipe) for recipe in RECIPES}
    return _full_range_set("bass" if name == "full-8k" else "wide", audio)


def make(name: str, case: str, seed: int, seconds: float, audio: Path | None = None) -> ScoredCase:
    """One case of a set. Raises KeyError for an unknown case."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{name} {case}".encode())])
    return replace(recipes(name, audio)[case](rng, seconds), name=case)


def iter_clean(seconds: float, first: int = 0, audio: Path | None = None) -> Iterator[ScoredCase]:
    """Clean material: at least `seconds` of it, in chunks of CLEAN_CHUNK_S (the last one may be shorter)."""
    left_s, number = seconds, first
    while left_s > 0:
        seed = CLEAN_SEEDS[number % len(CLEAN_SEEDS)]
        yield _clean_case(np.random.default_rng([seed, 77]), number, min(CLEAN_CHUNK_S, max(left_s, 10.0)), audio)
        left_s -= CLEAN_CHUNK_S
        number += 1


# ---- what the sets are made of


def _recorded(audio: Path | None, is_bass: bool) -> dict[str, Drive]:
    if audio is None:
        return {}
    if is_bass:
        return {"recorded bass": partial(material.recorded_bass, folder=audio)}
    return {"recorded": partial(material.recorded, folder=audio)}


def _bass_set(audio: Path | None) -> dict[str, Recipe]:
    found: dict[str, Recipe] = {}
    for family, drive in {**BASS, **_recorded(audio, True)}.items():
        found[f"{family}, regulated"] = partial(_static, drive, drive_db=(0.5, 5.0), rail="regulated")
        found[f"{family}, following"] = partial(_static, drive, drive_db=(2.0, 6.0), rail="following")
        found[f"{family}, light"] = partial(_static, drive, drive_db=(0.2, 0.8), rail="regulated")
    return found


def _full_range_set(mode: str, audio: Path | None) -> dict[str, Recipe]:
    found: dict[str, Recipe] = {}
    for family, drive in {**FULL_RANGE, **_recorded(audio, False)}.items():
        for rail in ("regulated", "following"):
            found[f"{family}, {rail}"] = partial(
                _static, drive, drive_db=(4.0, 9.0), rail=rail, mode=mode, rate_hz=FULL_RANGE_RATE_HZ
            )
    return found


def _static(
    drive: Drive,
    rng: np.random.Generator,
    seconds: float,
    *,
    drive_db: tuple[float, float],
    rate_hz: float = BASS_RATE_HZ,
    **options: object,
) -> ScoredCase:
    """A drive through the plain amplifier; rail, level and sag drawn."""
    rail_v = 12.0 if rng.uniform() < 0.2 else float(rng.uniform(20, 50))
    return play_static(
        "static", rng, drive(rng, seconds, rate_hz), rate_hz=rate_hz, rail_v=rail_v,
        drive_db=float(rng.uniform(*drive_db)), sag_v=float(rng.uniform(0.5, 2.5)),
        **options,  # type: ignore[arg-type]
    )  # fmt: skip


def _bass_drive(rng: np.random.Generator, seconds: float) -> FloatArray:
    names = list(BASS)
    return BASS[names[int(rng.integers(len(names)))]](rng, seconds, BASS_RATE_HZ)


def _any_bass(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
    return _bass_drive(rng, seconds)


def _stage_case(recipe: StageRecipe, rng: np.random.Generator, seconds: float) -> ScoredCase:
    return make_stage_case(recipe, rng, _bass_drive(rng, seconds))


def _unusual(play: Play, rng: np.random.Generator, seconds: float) -> ScoredCase:
    return play(rng, _bass_drive(rng, seconds))


def _hostile_set() -> dict[str, Recipe]:
    clipping = (2.0, 5.5)

    def limited(rng: np.random.Generator, seconds: float, rate_hz: float) -> FloatArray:
        return material.limited(_bass_drive(rng, seconds), rate_hz, float(rng.uniform(3, 9)))

    found: dict[str, Recipe] = {
        "rounded corners": partial(_static, _any_bass, drive_db=clipping, rail="following", knee_exponent=30.0),
        "soft clipping": partial(_static, _any_bass, drive_db=clipping, knee_exponent=10.0),
        "alternator whine": partial(_static, _any_bass, drive_db=clipping, rail="whining"),
        "wobbling rails": partial(_static, _any_bass, drive_db=clipping, rail="wobbling"),
        "tilted rails": partial(_static, _any_bass, drive_db=clipping, rail="tilted"),
        "loaded rails": partial(_static, _any_bass, drive_db=clipping, rail="loaded"),
        "asymmetric": partial(_static, _any_bass, drive_db=clipping, rail="following", negative_ratio=0.8),
        "switching residue": partial(_static, _any_bass, drive_db=clipping, rail="following", carrier_peak_v=5.0),
        "limited, 0.3 dB under clipping": partial(_static, limited, drive_db=(-0.3, -0.3), negative_ratio=1.0),
        "limited, clipping": partial(_static, limited, drive_db=(0.3, 2.0), rail="following"),
        "square bass": partial(
            _static, material.square_bass, drive_db=(0.5, 3.0), rail="following", has_square_tops=True
        ),
        "collapsing supply": partial(_static, _any_bass, drive_db=clipping, rail="collapsing"),
        "no supply channel": partial(_static, _any_bass, drive_db=clipping, rail="following", has_supply=False),
    }
    sources: dict[str, dict[str, object]] = {
        "source clipped, level moves": {"origin": "source"},
        "source clipped, level moves, tilted": {"origin": "source", "high_pass_hz": 5.0},
        "source clipped, no supply channel": {"origin": "source", "has_supply": False},
        "source clipped at one level": {"origin": "either"},
    }
    for label, options in sources.items():
        found[label] = partial(_source, options)
    return found


def _source(options: dict[str, object], rng: np.random.Generator, seconds: float) -> ScoredCase:
    return play_source_clipped(
        "source", rng, _bass_drive(rng, seconds), over_db=float(rng.uniform(0.8, 5.0)),
        rail_v=float(rng.uniform(20, 50)),
        **options,  # type: ignore[arg-type]
    )  # fmt: skip


def _clean_case(rng: np.random.Generator, number: int, seconds: float, audio: Path | None) -> ScoredCase:
    """A chunk of clean material: family after family in turn, level from a volt to just under a 50 V ceiling."""
    families: dict[str, Drive] = {
        **BASS,
        "kick and sub": clip_signals.kick_and_sub,
        "bass line": clip_signals.bass_line,
        "steady tone": lambda rng, s, rate: clip_signals.tone(rng, s, rate, float(rng.uniform(22, 110))),
        **FULL_RANGE,
        "bright plucks": material.bright_plucks,
        "organ pedal": material.organ_pedal,
        **_recorded(audio, True),
    }
    name = list(families)[number % len(families)]
    drive = families[name](rng, seconds, BASS_RATE_HZ)
    if rng.uniform() < 0.3:
        drive, name = material.limited(drive, BASS_RATE_HZ, float(rng.uniform(2, 9))), f"limited {name}"
    peak_v = 50 * 10 ** (-rng.uniform(0, 30) / 20)
    supply_v = clip_signals.sagging_supply(rng, drive, BASS_RATE_HZ, float(rng.uniform(0.2, 2.5)))
    carrier_v = float(rng.choice([0.0, 0.0, 2.0, 5.0]))
    return make_case(
        f"{name}, {peak_v:.0f} V", rng, drive * peak_v, supply_v, (), common_v=float(rng.uniform(0, 7)),
        carrier_peak_v=carrier_v,
    )  # fmt: skip
