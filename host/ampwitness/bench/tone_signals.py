"""A steady tone and a hand on the gain knob, through amplifiers whose distortion at every moment is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.bench.stimulus import ArrayStimulus

Samples = npt.NDArray[np.float64]
ROLES = ("out_p", "out_n", "supply")
TOP_HZ = 20_000.0
_CYCLE = 1 << 14  # points of one cycle on which truth is worked out


@dataclass(frozen=True, slots=True)
class KnobAmplifier:
    """A memoryless stage under a ceiling that sinks with the level: ceiling = rail_v - sag_v (level / rail)^2.

    `knee_exponent` None: hard clipping; else x / (1 + |x|^p)^(1/p). `negative_ratio`: the other polarity's ceiling.
    `source_clip_v`: the wanted output is first cut at this part of its own crest (a clipped source); None: it is not.
    """

    rail_v: float = 30.0
    knee_exponent: float | None = None
    negative_ratio: float = 1.0
    sag_v: float = 0.0
    source_clip_ratio: float | None = None
    dead_v: float = 0.0
    second_ratio: float = 0.0

    def ceiling_v(self, crest_v: Samples) -> Samples:
        """Positive ceiling for a wanted crest."""
        return np.asarray(self.rail_v - self.sag_v * np.minimum(1.0, crest_v / self.rail_v) ** 2)

    def output_v(self, crest_v: Samples, wave: Samples) -> Samples:
        """Output for a wanted crest and a wave of amplitude 1."""
        if self.source_clip_ratio is not None:
            wave = np.clip(wave, -self.source_clip_ratio, self.source_clip_ratio)
        top = self.ceiling_v(crest_v) * np.where(wave < 0, self.negative_ratio, 1.0)
        wanted = crest_v * wave
        wanted = np.sign(wanted) * np.maximum(np.abs(wanted) - self.dead_v, 0.0)
        wanted = wanted + 2 * self.second_ratio / self.rail_v * wanted**2
        x = wanted / top
        if self.knee_exponent is None:
            return np.asarray(top * np.clip(x, -1, 1))
        p = self.knee_exponent
        return np.asarray(top * x / (1 + np.abs(x) ** p) ** (1 / p))


@dataclass(frozen=True, slots=True)
class TrueKnee:
    """Where the distortion up to 20 kHz is 1 %: wanted crest, rms and peak at the output."""

    crest_v: float
    level_v: float
    peak_v: float


def true_thd(amplifier: KnobAmplifier, crest_v: float, hz: float) -> tuple[float, float, float]:
    """THD ratio up to 20 kHz, rms without DC, and peak, of the steady output at a wanted crest."""
    wave = np.sin(2 * np.pi * (np.arange(_CYCLE) + 0.5) / _CYCLE)
    output = amplifier.output_v(np.full(_CYCLE, crest_v), wave)
    lines = np.abs(np.fft.rfft(output)) * 2 / _CYCLE
    n_top = int(TOP_HZ / hz + 1e-9)
    level = math.sqrt(float(np.sum(lines[1 : n_top + 1] ** 2)) / 2)
    thd = math.sqrt(float(np.sum(lines[2 : n_top + 1] ** 2))) / float(lines[1])
    return thd, level, float(np.max(np.abs(output)))


def find_true_knee(amplifier: KnobAmplifier, hz: float, thd_ratio: float = 0.01) -> TrueKnee:
    """The knee by bisection on the wanted crest."""
    low, high = 0.1 * amplifier.rail_v, 3 * amplifier.rail_v
    for _ in range(60):
        middle = (low + high) / 2
        if true_thd(amplifier, middle, hz)[0] < thd_ratio:
            low = middle
        else:
            high = middle
    _, level, peak = true_thd(amplifier, high, hz)
    return TrueKnee(high, level, peak)


def turning_knob_db(
    rng: np.random.Generator, seconds: float, rate_hz: float, start_db: float, top_db: float
) -> Samples:
    """A hand that turns the gain up to `top_db` unevenly, stops now and then, and comes back by 6 dB at the end."""
    n = round(seconds * rate_hz)
    n_knots = max(6, round(seconds / 0.7))
    steps = rng.gamma(0.8, 1.0, n_knots)
    steps[rng.random(n_knots) < 0.25] = 0.0  # it stops to listen
    path = np.concatenate([[0.0], np.cumsum(steps)])
    path = start_db + (top_db - start_db) * path / path[-1]
    knots = np.linspace(0, 0.85 * seconds, len(path))
    knots = np.concatenate([knots, [0.9 * seconds, seconds]])
    path = np.concatenate([path, [top_db - 6, top_db - 6]])
    raw = np.interp(np.arange(n) / rate_hz, knots, path)
    width = max(1, round(0.08 * rate_hz))  # a hand has no corners
    sums = np.cumsum(np.concatenate([np.full(width, raw[0]), raw]))
    return np.asarray((sums[width:] - sums[:-width]) / width)


def knob_stimulus(
    amplifier: KnobAmplifier,
    hz: float,
    knob_db: Samples,
    rate_hz: float,
    *,
    supply_v: float = 13.2,
    hum_v: float = 0.0,
    hum_hz: float = 50.0,
) -> ArrayStimulus:
    """Volts at the terminals of a bridged output while the knob is turned; `knob_db` is the wanted crest re 1 V."""
    time = np.arange(len(knob_db)) / rate_hz
    fade = np.clip(np.minimum(time, time[-1] - time) / 0.05, 0, 1)
    crest = 10 ** (knob_db / 20)
    output = amplifier.output_v(crest, np.sin(2 * np.pi * hz * time)) * fade
    output = output + hum_v * np.sin(2 * np.pi * hum_hz * time)
    supply = supply_v - 0.05 * amplifier.sag_v * np.minimum(1.0, crest / amplifier.rail_v) ** 2
    return ArrayStimulus(ROLES, rate_hz, np.column_stack([6.5 + output / 2, 6.5 - output / 2, supply]))
