"""One scored case: volts at the terminals with their true flats, and the way through the board to trace windows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import signal

from ampwitness.bench.amplifier_flats import Origin, TrueFlat, flats_of_stage, flats_under_ceiling
from ampwitness.bench.amplifier_residue import folded_residue
from ampwitness.bench.amplifier_stage import AT_CURRENT, AT_RAIL, StageRun
from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.board_model import simulate_blocks
from ampwitness.bench.clip_signals import sagging_supply
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.types import FloatArray, TraceWindow
from ampwitness.waveform.assemble import iter_windows

BASS_RATE_HZ = 48_000.0
RESTED_V = 13.6
ONE_LEVEL = 1.05  # times a level: as near as this, what was cut off lies at one
# The same where no supply was recorded: from 10.5 V (the lowest a device of ISO 16750-2 code D has to work at) to an
# alternator's 14.55 V a ceiling that follows its supply moves as far, and nothing in the recording can tell.
ONE_LEVEL_UNWATCHED = 14.55 / 10.5
Rail = Literal["regulated", "following", "loaded", "whining", "wobbling", "tilted", "collapsing"]


@dataclass(frozen=True, slots=True)
class ScoredCase:
    """What stands at the terminals, and what is true.

    `has_square_tops`: the material has flat tops of its own; findings that do not blame the amplifier for one of them
    count neither for nor against.
    """

    name: str
    mode: str
    stimulus: ArrayStimulus
    flats: tuple[TrueFlat, ...]
    board_seed: int
    has_supply: bool = True
    has_square_tops: bool = False

    def windows(self, window_s: float = 10.0) -> Iterator[TraceWindow]:
        """The case through the whole board: parts off nominal, corner, converter with its wide codes, averaging."""
        # Three channels in either case, so that the rate is that of the mode; a spare one measures the remote lead.
        roles = ("out_p", "out_n", "supply" if self.has_supply else "remote")
        blocks = simulate_blocks(self.stimulus, roles, self.mode, seed=self.board_seed)
        return iter_windows(blocks, window_s=window_s)


def make_case(
    name: str,
    rng: np.random.Generator,
    output_v: FloatArray,
    supply_v: FloatArray,
    flats: tuple[TrueFlat, ...],
    *,
    rate_hz: float = BASS_RATE_HZ,
    mode: str = "bass",
    common_v: FloatArray | float = 0.0,
    is_bridged: bool = True,
    carrier_peak_v: FloatArray | float = 0.0,
    has_supply: bool = True,
    has_square_tops: bool = False,
) -> ScoredCase:
    """Put an output and a supply at the terminals; `carrier_peak_v` adds a switching amplifier's folded carrier."""
    half = output_v / 2 if is_bridged else output_v
    plus, minus = half + common_v, (common_v - half if is_bridged else np.zeros_like(output_v))
    peak_v = np.broadcast_to(carrier_peak_v, output_v.shape)
    if np.any(peak_v):
        residue = _carrier(rng, output_v, peak_v, rate_hz, mode)
        plus, minus = plus + residue / 2, minus - residue / 2
    volts = np.column_stack((plus, minus, supply_v, np.full_like(supply_v, 12.0)))
    stimulus = ArrayStimulus(("out_p", "out_n", "supply", "remote"), rate_hz, volts)
    return ScoredCase(name, mode, stimulus, flats, int(rng.integers(1, 2**31)), has_supply, has_square_tops)


def _carrier(
    rng: np.random.Generator, output_v: FloatArray, peak_v: FloatArray, rate_hz: float, mode: str
) -> FloatArray:
    """A carrier near a multiple of the conversion rate, where folding hurts most, falling with the output's size."""
    config = load_board_config()
    conversion_rate_hz = config.ADC_CLOCK_HZ / config.MODES[mode]["cycles"] / 3
    carrier_hz = conversion_rate_hz * rng.integers(5, 8) + rng.uniform(500, 6000)
    falls = 1 - rng.uniform(0, 0.02) * (output_v / np.max(np.abs(output_v))) ** 2
    return folded_residue(carrier_hz * falls, peak_v, rate_hz, conversion_rate_hz, config.INPUT_CORNER_HZ)


def play_static(
    name: str,
    rng: np.random.Generator,
    drive: FloatArray,
    *,
    rate_hz: float = BASS_RATE_HZ,
    mode: str = "bass",
    rail_v: float = 35.0,
    drive_db: float = 3.0,
    rail: Rail = "regulated",
    sag_v: float = 1.5,
    negative_ratio: float = 0.985,
    knee_exponent: float | None = None,
    carrier_peak_v: float = 0.0,
    has_supply: bool = True,
    has_square_tops: bool = False,
) -> ScoredCase:
    """A drive (peak 1) through an amplifier that clips sample by sample under a ceiling that may move.

    `drive_db` is the peak of the wanted output over the ceiling of a rested supply; negative is clean.
    """
    supply_v = sagging_supply(rng, drive, rate_hz, sag_v)
    if rail == "collapsing":
        supply_v = supply_v - _collapses(rng, len(drive), rate_hz)
    wanted_v = drive * rail_v * 10 ** (drive_db / 20)
    ceiling_v, supply_v = _ceiling(rng, rail, rail_v, supply_v, drive, rate_hz)
    low_v = ceiling_v * negative_ratio
    if knee_exponent is None:
        output_v = np.clip(wanted_v, -low_v, ceiling_v)
    else:
        bound_v = np.where(wanted_v < 0, low_v, ceiling_v)
        output_v = wanted_v / (1 + np.abs(wanted_v / bound_v) ** knee_exponent) ** (1 / knee_exponent)
    flats = flats_under_ceiling(wanted_v, output_v, ceiling_v, low_v, rate_hz, is_soft=knee_exponent is not None)
    is_free = (wanted_v < ceiling_v) & (wanted_v > -low_v)
    return make_case(
        name, rng, output_v, supply_v, flats, rate_hz=rate_hz, mode=mode, common_v=rng.uniform(0, 7),
        carrier_peak_v=carrier_peak_v * is_free, has_supply=has_supply, has_square_tops=has_square_tops,
    )  # fmt: skip


def _ceiling(
    rng: np.random.Generator, rail: Rail, rail_v: float, supply_v: FloatArray, drive: FloatArray, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Ceiling and supply; the supply may get the ripple that the rail has."""
    n = len(drive)
    t = np.arange(n) / rate_hz
    follows = rail_v / RESTED_V * lagged(supply_v, rng.uniform(0.001, 0.006), rate_hz)
    if rail == "regulated":
        return np.full(n, rail_v), supply_v
    if rail == "loaded":
        size = lagged(np.minimum(np.abs(drive), 1), rng.uniform(0.004, 0.012), rate_hz)
        return follows * (1 - rng.uniform(0.03, 0.07) * size), supply_v
    if rail == "whining":
        angle = 2 * np.pi * rng.uniform(300, 1200) * t
        whine = (np.sin(angle) + 0.3 * np.sin(2 * angle)) / 1.2
        return follows * (1 + rng.uniform(0.003, 0.012) * whine), supply_v + rng.uniform(0.03, 0.15) * whine
    if rail == "wobbling":
        sos = signal.butter(2, [0.5, rng.uniform(3, 12)], "bandpass", fs=rate_hz, output="sos")
        wander = signal.sosfilt(sos, rng.standard_normal(n))
        return follows * (1 + rng.uniform(0.01, 0.03) * wander / np.max(np.abs(wander))), supply_v
    if rail == "tilted":
        tilt = lagged(np.minimum(np.abs(drive), 1), rng.uniform(0.001, 0.004), rate_hz)
        return follows * (1 - rng.uniform(0.06, 0.12) * tilt), supply_v
    return follows, supply_v


def _collapses(rng: np.random.Generator, n: int, rate_hz: float) -> FloatArray:
    """Volts by which a supply gives way, every two seconds or so, within 0.1 to 0.6 s, and comes back."""
    drop = np.zeros(n)
    at = rng.uniform(0.5, 1.5)
    while at * rate_hz < n:
        t = np.arange(n) / rate_hz - at
        fall_s, rise_s = rng.uniform(0.1, 0.6), rng.uniform(0.1, 0.4)
        shape = np.minimum(np.clip(t / fall_s, 0, 1), np.clip((fall_s + rise_s - t) / rise_s, 0, 1))
        drop = np.maximum(drop, rng.uniform(1.5, 4.5) * shape)
        at += fall_s + rise_s + rng.uniform(0.5, 2.0)
    return drop


def lagged(x: FloatArray, time_constant_s: float, rate_hz: float) -> FloatArray:
    """(n,) x behind one time constant, at rest at its first value."""
    keep = np.exp(-1 / (time_constant_s * rate_hz))
    behind, _ = signal.lfilter([1 - keep], [1, -keep], x, zi=[keep * x[0]])
    return np.asarray(behind)


def play_source_clipped(
    name: str, rng: np.random.Generator, drive: FloatArray, *, rate_hz: float = BASS_RATE_HZ, over_db: float = 3.0,
    origin: Origin = "source", rail_v: float = 35.0, high_pass_hz: float | None = None, has_supply: bool = True,
) -> ScoredCase:  # fmt: skip
    """A drive cut off before the amplifier, which stays under its own ceiling.

    origin "source": somebody moves the volume behind the cut, so the plateaus lie at many levels; where all that were
    cut off lie at one and nothing stands above it, or without a supply channel no further apart than a supply moves a
    ceiling, they count as "either". "either": the level never moves, and nothing in the recording can tell.
    """
    top = 10 ** (-over_db / 20)
    cut = np.clip(drive, -top, top)
    flats = flats_under_ceiling(drive, cut, top, top, rate_hz, origin=origin)
    if high_pass_hz is not None:
        cut = signal.sosfilt(signal.butter(1, high_pass_hz, "highpass", fs=rate_hz, output="sos"), cut)
    level = np.full(len(drive), rng.uniform(0.5, 0.95))
    if origin == "source":
        steps = rng.uniform(0.35, 0.95, int(len(drive) / rate_hz / 2) + 1)
        level = lagged(np.repeat(steps, int(2 * rate_hz))[: len(drive)], 0.05, rate_hz)
    supply_v = sagging_supply(rng, drive * level, rate_hz, rng.uniform(0.3, 1.5))
    one_level = ONE_LEVEL if has_supply else ONE_LEVEL_UNWATCHED
    if origin == "source" and not _shows_its_source(flats, cut, level, top, rate_hz, one_level):
        flats = tuple(replace(flat, origin="either") for flat in flats)
    return make_case(
        name, rng, cut / np.max(np.abs(cut)) * level * rail_v, supply_v, flats, rate_hz=rate_hz, has_supply=has_supply
    )


def _shows_its_source(
    flats: tuple[TrueFlat, ...], cut: FloatArray, level: FloatArray, top: float, rate_hz: float, one_level: float
) -> bool:
    """Whether what was cut off lies at two levels at least `one_level` apart, or something else stands above it by that
    much: else one ceiling in the amplifier explains all."""
    at = [level[round((flat.start_s + flat.stop_s) / 2 * rate_hz)] * top for flat in flats]
    highest = float(np.max(np.abs(cut) * level, initial=0.0))
    return bool(at) and max(max(at), highest) > one_level * min(at)


def case_of_stage(
    name: str, rng: np.random.Generator, run: StageRun, *, mode: str = "bass", is_bridged: bool = False,
    carrier_peak_v: float = 0.0,
) -> ScoredCase:  # fmt: skip
    """A run of amplifier_stage.py at the terminals; the carrier rests while a limit holds the output."""
    is_free = (run.held_by != AT_RAIL) & (run.held_by != AT_CURRENT)
    return make_case(
        name, rng, run.output_v, run.supply_v, flats_of_stage(run), rate_hz=run.rate_hz, mode=mode,
        common_v=run.common_v, is_bridged=is_bridged, carrier_peak_v=carrier_peak_v * is_free,
    )  # fmt: skip
