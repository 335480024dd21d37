"""Long soaks as levels by the second: hours cost milliseconds. Levels only, no waveform: for the trend detector.

What is simulated: the level of a tone or of noise at an output, second by second, with the scatter that noise of the
stated bandwidth has; a supply that wanders; the logger's own reference, which moves all channels alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ampwitness.detect.soak.level_tiers import SecondLevels
from ampwitness.types import FloatArray

REFERENCE_SPAN_DB = 0.03  # from lowest to highest over the recording
NOISE_BANDWIDTH_HZ = 150.0
_BLOCK_S = 600

Shape = Literal["steady", "linear", "heating", "turned"]
Drive = Literal["tone", "noise", "noise, source logged"]


@dataclass(frozen=True, slots=True)
class Soak:
    """One made-up soak. `change_db` is reached over `change_over_s` from `change_at_s` on (heating: to 98 %).

    Turned: by hand, at once, by as much, and three times as far an hour and a half later, for ten minutes.
    """

    hours: float
    drive: Drive
    shape: Shape
    change_at_s: float
    change_over_s: float
    change_db: float
    supply_steps: bool
    pauses: bool
    seed: int

    @property
    def scatter_db(self) -> float:
        """Standard deviation of the output's level from second to second, the reference apart."""
        return 0.002 if self.drive == "tone" else float(10 / np.log(10) / np.sqrt(NOISE_BANDWIDTH_HZ))

    def levels(self) -> Iterator[tuple[np.typing.NDArray[np.int64], dict[str, SecondLevels]]]:
        """Levels in pieces of ten minutes, as the trend detector takes them."""
        rng = np.random.default_rng(self.seed)
        n = round(3600 * self.hours)
        time_s = np.arange(n) + 0.5
        reference_db = reference_course(time_s, rng)
        output_db = self.change_db * self._course(time_s) + reference_db
        signal_db = self.scatter_db * rng.standard_normal(n)
        output_db += signal_db
        # Both channels share the reference; 0.01 dB a second for the source's own noise and the converter's.
        source_v = 10 ** ((signal_db + reference_db + 0.01 * rng.standard_normal(n)) / 20)
        if self.pauses:
            for start in rng.uniform(0, n, size=round(self.hours)).astype(int):
                output_db[start : start + int(rng.uniform(5, 200))] -= 50.0
        supply_v = 13.8 + 0.05 * np.sin(2 * np.pi * time_s / 5000 + rng.uniform(0, 6)) + 0.01 * rng.standard_normal(n)
        if self.supply_steps:
            supply_v[int(rng.uniform(0, n)) :] -= 0.6  # the engine is switched off, or a charger
        rms_v = 20.0 * 10 ** (output_db / 20)
        crest = 1.414 if self.drive == "tone" else 4.0
        for a in range(0, n, _BLOCK_S):
            b = min(n, a + _BLOCK_S)
            zero = np.zeros(b - a)
            levels = {
                "output": SecondLevels(-crest * rms_v[a:b], crest * rms_v[a:b], zero, rms_v[a:b]),
                "supply": SecondLevels(supply_v[a:b] - 0.2, supply_v[a:b] + 0.1, supply_v[a:b], supply_v[a:b]),
            }
            if self.drive == "noise, source logged":
                levels["source"] = SecondLevels(-4 * source_v[a:b], 4 * source_v[a:b], zero, source_v[a:b])
            yield np.arange(a, b), levels

    def _course(self, time_s: FloatArray) -> FloatArray:
        """0 before the change, 1 behind it."""
        if self.shape == "steady":
            return np.zeros(len(time_s))
        if self.shape == "turned":
            since_s = time_s - self.change_at_s
            return (since_s > 0) + 3.0 * ((since_s > 5400) & (since_s < 6000))
        share = np.maximum(time_s - self.change_at_s, 0.0) / self.change_over_s
        return np.minimum(share, 1.0) if self.shape == "linear" else np.asarray(1 - np.exp(-4 * share))


def reference_course(time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """The logger's own reference in dB: it warms up, follows the day, and wanders; REFERENCE_SPAN_DB in all."""
    warming = rng.choice([-1.0, 1.0]) * np.exp(-time_s / rng.uniform(1200, 5400))
    day = rng.uniform(0.3, 1.0) * np.sin(2 * np.pi * time_s / rng.uniform(6, 24) / 3600 + rng.uniform(0, 2 * np.pi))
    knots = np.arange(0, time_s[-1] + 7200, 3600)
    wander = np.interp(time_s, knots, np.cumsum(rng.standard_normal(len(knots)))) * 0.15
    course = warming + day + wander
    return np.asarray(REFERENCE_SPAN_DB * (course - course.min()) / np.ptp(course))


def make_soak(seed: int, shape: Shape, drive: Drive) -> Soak:
    """A soak of 10 to 30 hours; the change of 0.3 dB over 6 hours starts one to many hours into it."""
    rng = np.random.default_rng((seed, 77))
    hours = float(rng.uniform(10, 30))
    made = Soak(
        hours=hours,
        drive=drive,
        shape=shape,
        change_at_s=float(rng.uniform(1.0, hours - 8.0)) * 3600,
        change_over_s=6 * 3600.0,
        change_db=float(rng.choice([-0.3, 0.3])),
        supply_steps=bool(rng.random() < 0.3),
        pauses=bool(rng.random() < 0.3),
        seed=seed,
    )
    return replace(made, change_db=float(np.exp(rng.uniform(np.log(0.2), np.log(4))))) if shape == "turned" else made
