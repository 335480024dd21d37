"""A tone whose level is being turned, cycle by cycle: what it would read if the hand had stopped there.

Each reading stands for one instant and looks at the cycle (of high tones: the cycles) before and after it, weighted by
a triangle. Such a weight is two means over whole cycles in a row, so at every harmonic the tone itself, and a level
that rises or falls evenly, drop out exactly, whatever the flat tops do meanwhile: nothing is divided by a supposed
trend.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray
from ampwitness.waveform.bandlimited import volts_from_rest
from ampwitness.waveform.tone_clip import ClipModel
from ampwitness.waveform.tone_meter import (
    AUDIO_TOP_HZ,
    NAMED_ORDERS,
    ToneReading,
    fit_models_to_harmonics,
    noise_figures,
)

_MOST_HARMONICS = 40
# A level whose slope changes leaks into the harmonics: by the second difference over half a cycle times this, with a
# margin of three for a jump (1 dB of it reads as 1 % of second harmonic).
_BEND_RATIO = 0.3


@dataclass(frozen=True, slots=True)
class CycleReading:
    """`middle` is a place in samples; the reading holds for that instant."""

    middle: float
    reading: ToneReading


def cycle_amplitudes(
    volts: FloatArray, rate_hz: float, frequency_hz: float, middles: FloatArray, n_harmonics: int, n_cycles: int = 1
) -> npt.NDArray[np.complex128]:
    """Complex amplitudes of the harmonics around each of some instants, phase against that instant.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment
    rate_hz : samples a second
    frequency_hz : of the tone
    middles : (m,) places in samples, each at least `n_cycles` cycles from both ends
    n_harmonics : highest order
    n_cycles : whole cycles that are looked at before and after each instant

    Returns
    -------
    (m, n_harmonics + 1) amplitudes, entry 0 the mean.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    A level that bends within two cycles leaks into the low orders. From 20 samples a cycle on the triangle's own
    leakage is below 0.03 %.

    Source
    ------
    Our choice; measured in tests/waveform/test_tone_cycles.py and by `python -m ampwitness.bench.tone_scores`.
    """
    samples = np.asarray(volts, dtype=np.float64)
    span = n_cycles * rate_hz / frequency_hz
    amplitudes = np.zeros((len(middles), n_harmonics + 1), dtype=np.complex128)
    for row, middle in enumerate(middles.tolist()):
        first, last = math.ceil(middle - span), math.floor(middle + span)
        at = np.arange(first, last + 1)
        weight = np.maximum(0.0, 1.0 - np.abs(at - middle) / span)
        weight /= weight.sum()
        part = samples[first : last + 1]
        mean = float(weight @ part)
        amplitudes[row, 0] = mean
        turn = np.exp(-2j * np.pi * frequency_hz / rate_hz * (at - middle))
        rotated = (weight * (part - mean)).astype(np.complex128)
        for order in range(1, n_harmonics + 1):
            rotated *= turn
            amplitudes[row, order] = 2 * rotated.sum()
    return amplitudes


def measure_cycles(
    volts: FloatArray,
    rate_hz: float,
    middles: FloatArray,
    like: ToneReading,
    *,
    band_hz: float,
    n_cycles: int = 1,
    converter_floor_v: float = 0.0,
    top_hz: float = AUDIO_TOP_HZ,
) -> list[CycleReading]:
    """Readings of a tone at some instants, half a span of `n_cycles` cycles apart.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment
    rate_hz : samples a second
    middles : (m,) places in samples, half a span apart and at least a span from both ends
    like : a reading of the same tone nearby: its frequency holds, and what two cycles cannot tell (other lines)
    band_hz : up to where the volts are right
    n_cycles : whole cycles in a span; a reading looks at one span before and one after its instant
    converter_floor_v : amplitude of false harmonics the converter may leave
    top_hz : up to where harmonics count; those beyond the band come from the clip model

    Returns
    -------
    One CycleReading for each instant.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    As for `cycle_amplitudes`; a bend of the level raises the floor of the reading. Smearing of the edge itself by a
    level that rises by 0.2 dB a cycle is below 0.01 points of THD at 1 %.

    Source
    ------
    Our choice; measured in tests/waveform/test_tone_cycles.py and by `python -m ampwitness.bench.tone_scores`.
    """
    if len(middles) == 0:
        return []
    hz = like.frequency_hz
    highest = min(_MOST_HARMONICS, int(band_hz / hz + 1e-9))
    amplitudes = cycle_amplitudes(volts, rate_hz, hz, middles, highest, n_cycles)
    span = n_cycles * rate_hz / hz
    # Expected square of a harmonic from noise: 4 sigma^2 times the sum of the squared weights, 2 / (3 span).
    noise_v = _noise_v(volts, span, middles)
    noise = 8 / 3 * noise_v**2 / span
    size = np.abs(amplitudes[:, 1])
    bend = np.zeros(len(size))
    if len(size) > 2:
        bend[1:-1] = np.abs(size[:-2] - 2 * size[1:-1] + size[2:])
        bend[0], bend[-1] = bend[1], bend[-2]
        bend[1:-1] = np.maximum(bend[1:-1], np.maximum(bend[:-2], bend[2:]))
    power = np.maximum(np.abs(amplitudes) ** 2 - noise, 0.0)
    floors_v = np.sqrt(
        converter_floor_v**2 + (_BEND_RATIO * bend) ** 2 + (2 * math.sqrt(highest) + 0.05 * highest) * noise
    )
    # What lies under its floor is no distortion to fit; all others at once.
    in_band_v = np.sqrt(np.maximum(0.0, (np.abs(amplitudes[:, 2:]) ** 2 - noise).sum(axis=1)))
    shows = np.flatnonzero(in_band_v > floors_v)
    models: list[ClipModel | None] = [None] * len(middles)
    for row, model in zip(
        shows.tolist(), fit_models_to_harmonics(amplitudes[shows], power[shows], floors_v[shows]), strict=True
    ):
        models[row] = model
    readings = []
    for row, middle in enumerate(middles.tolist()):
        near = volts[round(middle - span / 2) : round(middle + span / 2) + 1]
        peak_v = float(np.max(np.abs(volts_from_rest(near))))
        read = _reading(amplitudes[row], noise, noise_v, like, float(floors_v[row]), models[row], top_hz, peak_v)
        readings.append(CycleReading(middle, read))
    return readings


def _noise_v(volts: FloatArray, span: float, middles: FloatArray) -> float:
    """rms of what does not repeat from span to span, robustly: flat tops that grow meanwhile are few samples."""
    first, last = max(0, round(float(middles[0] - span))), round(float(middles[-1] + span))
    part, step = np.asarray(volts[first:last], dtype=np.float64), round(span)
    if len(part) < 2 * step + 8:
        return 0.0
    bent = part[2 * step :] - 2 * part[step:-step] + part[: -2 * step]
    return float(np.median(np.abs(bent)) / 0.6745 / math.sqrt(6))


def _reading(
    amplitudes: npt.NDArray[np.complex128],
    noise: float,
    noise_v: float,
    like: ToneReading,
    floor: float,
    model: ClipModel | None,
    top_hz: float,
    peak_v: float,
) -> ToneReading:
    size = np.abs(amplitudes)
    highest, fundamental = len(size) - 1, float(size[1])
    power = np.maximum(size**2 - noise, 0.0)
    distortion = math.sqrt(max(0.0, float((size[2:] ** 2 - noise).sum())))
    in_band = 100 * distortion / fundamental
    floor_percent = 100 * floor / fundamental
    n_top = max(1, int(top_hz / like.frequency_hz + 1e-9))
    speaks = model is not None and model.is_good
    beyond = 100 * model.thd_ratio(n_top, highest + 1) if model is not None and speaks and n_top > highest else 0.0
    thd = math.hypot(in_band, beyond)
    percents = 100 * np.sqrt(power) / fundamental
    is_judged = not like.not_judged
    level_v = math.sqrt(float((size[1:] ** 2).sum()) / 2)
    rest_v = math.hypot(noise_v, distortion / math.sqrt(2))
    thd_n_percent, sinad_db, effective_bits = noise_figures(fundamental / math.sqrt(2), rest_v)
    return replace(
        like,
        level_v=level_v,
        peak_v=peak_v,
        crest_ratio=peak_v / level_v,
        dc_v=float(amplitudes[0].real),
        fundamental_v=fundamental / math.sqrt(2),
        harmonics_percent=tuple(float(percents[k]) if k <= highest else None for k in NAMED_ORDERS),
        n_harmonics=highest,
        thd_f_percent=thd if is_judged else None,
        thd_r_percent=100 * (thd / 100) / math.sqrt(1 + (thd / 100) ** 2) if is_judged else None,
        thd_in_band_percent=in_band,
        thd_floor_percent=floor_percent,
        thd_is_below_floor=in_band < floor_percent,
        thd_is_extrapolated=beyond > 0.3122 * thd,
        thd_n_percent=thd_n_percent,
        sinad_db=sinad_db,
        effective_bits=effective_bits,
        even_percent=100 * float(np.sqrt(power[2::2].sum())) / fundamental,
        odd_percent=100 * float(np.sqrt(power[3::2].sum())) / fundamental,
        positive_overdrive_db=model.positive_overdrive_db if model is not None and speaks else None,
        negative_overdrive_db=model.negative_overdrive_db if model is not None and speaks else None,
        model_misfit_ratio=None if model is None else model.misfit_ratio,
    )
