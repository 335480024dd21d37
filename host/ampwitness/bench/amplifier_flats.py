"""Where an output was cut off, how far, and by what: the truth beside the outputs that the models make.

A flat is one unbroken span in which a limit held the output. Its `overdrive_db` is the crest compression: 20 lg of the
wanted crest within the flat over the output at that moment. Times are crossings, between samples where the ceiling is
known, else halfway between the last free and the first held sample.
A soft corner has no edge: there a flat is where the output is compressed by 0.1 dB or more, and it counts
(`is_scored`) where its crest is compressed by 0.25 dB or more. Softer ones are kept, so that a finding on one of them
counts neither for nor against.
`half_cycle` counts the zero crossings of the wanted output: flats of one half-cycle share the number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ampwitness.bench.amplifier_stage import AT_CURRENT, AT_RAIL, StageRun
from ampwitness.bench.truth import find_runs
from ampwitness.types import FloatArray

Ceiling = Literal["rail", "current", "either"]  # either: both held it, or nothing can tell them apart
Origin = Literal["amplifier", "source", "either"]

SOFT_SPAN_DB = 0.1
SOFT_CREST_DB = 0.25
SOFTEST_DB = 0.02  # below this even a soft corner's crest is as good as untouched
MIXED_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class TrueFlat:
    """A span of the output at a ceiling; see the definitions above."""

    start_s: float
    stop_s: float
    polarity: Literal["positive", "negative"]
    overdrive_db: float
    crest_v: float  # wanted, with its sign
    half_cycle: int
    ceiling: Ceiling = "rail"
    origin: Origin = "amplifier"
    is_scored: bool = True

    @property
    def flat_s(self) -> float:
        return self.stop_s - self.start_s


def number_half_cycles(wanted_v: FloatArray) -> npt.NDArray[np.int64]:
    """Number of the half-cycle each sample lies in, (n,)."""
    flips = np.diff(np.signbit(wanted_v).astype(np.int8), prepend=np.int8(np.signbit(wanted_v[0])))
    return np.asarray(np.cumsum(flips != 0), dtype=np.int64)


def flats_under_ceiling(
    wanted_v: FloatArray,
    output_v: FloatArray,
    ceiling_v: FloatArray | float,
    negative_ceiling_v: FloatArray | float,
    rate_hz: float,
    *,
    is_soft: bool = False,
    origin: Origin = "amplifier",
) -> tuple[TrueFlat, ...]:
    """Flats of an output limited sample by sample under two ceilings, both given as positive numbers, in volts."""
    halves = number_half_cycles(wanted_v)
    flats: list[TrueFlat] = []
    for sign, ceiling in ((1.0, ceiling_v), (-1.0, negative_ceiling_v)):
        wanted, output = sign * wanted_v, sign * output_v
        excess = wanted - output * 10 ** (SOFT_SPAN_DB / 20) if is_soft else wanted - ceiling
        excess = np.where(wanted > 0, excess, -1.0)
        for first, last in find_runs(excess > 0):
            flat = _flat(sign, wanted, output, halves, first, last, _crossings(excess, first, last), rate_hz)
            flats.append(_with(flat, origin=origin, is_scored=not is_soft or flat.overdrive_db >= SOFT_CREST_DB))
        if is_soft:
            flats += _softer(sign, wanted, output, halves, rate_hz, origin)
    return tuple(sorted(flats, key=lambda flat: flat.start_s))


def flats_of_stage(run: StageRun) -> tuple[TrueFlat, ...]:
    """Flats of a run of amplifier_stage.py: rail, current limit, and the time it stuck included."""
    if run.is_soft:
        return flats_under_ceiling(run.wanted_v, run.output_v, math.inf, math.inf, run.rate_hz, is_soft=True)
    halves = number_half_cycles(run.wanted_v)
    is_held = (run.held_by == AT_RAIL) | (run.held_by == AT_CURRENT)
    flats = []
    for sign in (1.0, -1.0):
        wanted, output = sign * run.wanted_v, sign * run.output_v
        for first, last in find_runs(is_held & (output > 0)):
            if wanted[first:last].max() <= 0:
                continue
            flat = _flat(sign, wanted, output, halves, first, last, (first - 0.5, last - 0.5), run.rate_hz)
            share = float(np.mean(run.held_by[first:last] == AT_CURRENT))
            ceiling: Ceiling = "rail" if share < MIXED_SHARE else "current" if share > 1 - MIXED_SHARE else "either"
            flats.append(_with(flat, ceiling=ceiling))
    return tuple(sorted(flats, key=lambda flat: flat.start_s))


def _flat(
    sign: float,
    wanted: FloatArray,
    output: FloatArray,
    halves: npt.NDArray[np.int64],
    first: int,
    last: int,
    edges: tuple[float, float],
    rate_hz: float,
) -> TrueFlat:
    crest = first + int(np.argmax(wanted[first:last]))
    at_crest = max(float(output[crest]), 1e-6)
    return TrueFlat(
        start_s=edges[0] / rate_hz,
        stop_s=edges[1] / rate_hz,
        polarity="positive" if sign > 0 else "negative",
        overdrive_db=max(0.0, 20 * math.log10(float(wanted[crest]) / at_crest)),
        crest_v=sign * float(wanted[crest]),
        half_cycle=int(halves[crest]),
    )


def _with(flat: TrueFlat, **changes: object) -> TrueFlat:
    fields = {name: getattr(flat, name) for name in TrueFlat.__slots__}
    return TrueFlat(**{**fields, **changes})


def _softer(
    sign: float, wanted: FloatArray, output: FloatArray, halves: npt.NDArray[np.int64], rate_hz: float, origin: Origin
) -> list[TrueFlat]:
    """Spans whose crests are touched, but by less than makes a flat: not scored."""
    found = []
    for first, last in find_runs((wanted > 0) & (wanted > output * 10 ** (SOFTEST_DB / 20))):
        flat = _flat(sign, wanted, output, halves, first, last, (float(first), float(last)), rate_hz)
        if flat.overdrive_db < SOFT_SPAN_DB:
            found.append(_with(flat, origin=origin, is_scored=False))
    return found


def _crossings(excess: FloatArray, first: int, last: int) -> tuple[float, float]:
    """Where the excess leaves and regains zero, in samples."""

    def between(at: int) -> float:
        if at == 0 or at >= len(excess) or not np.isfinite(excess[at - 1] - excess[at]):
            return float(at)
        before, after = float(excess[at - 1]), float(excess[at])
        return at - after / (after - before)

    return between(first), between(last)
