"""Distortion of a tone so high that its harmonics lie beyond the band: read where they fold to.

A tone that holds still keeps its harmonics at exact places even beyond half the sample rate: order n of f0 shows at the
place n f0 folds to, by the known gain of input network, averaging and inverse filter. Nothing that is not a multiple of
f0 falls there. So the places are measured like any line, and the clipping whose harmonics, weakened in the same way,
come nearest to all of them is found. The distortion said is that of this clipping, all harmonics counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, InputPath
from ampwitness.waveform.response import PASS_FRACTION, ChannelResponse, design_inverse, gain_through
from ampwitness.waveform.tone_clip import (
    GOOD_FIT_RATIO,
    ClipModel,
    cut_sine_harmonics,
    fit_clip_model_through,
    thd_ratio_of,
)
from ampwitness.waveform.tone_fit import MAIN_LOBE_BINS, tone_window
from ampwitness.waveform.tone_meter import LEAST_HARMONICS, ToneReading

_N_ORDERS = 15
_LEAST_GAIN = 0.03  # a harmonic that comes through weaker says nothing
_APART_BINS = MAIN_LOBE_BINS + 1.0
_ALL_HARMONICS = 200
_LEAST_RATE_HZ = 20_000.0  # below, the averaging leaves too little of what folds: not tried
_HIGHEST_SHARE = 0.126  # of the sample rate: 3.15 kHz at 25 kS/s, as far as the tests hold it
_WORST_FLOOR_PERCENT = 0.6  # with a floor above it the edge could not be seen
_WORST_MISFIT_RATIO = 0.35
_MEETING = "harmonics of {:.0f} Hz fold onto one another at this sample rate: play a tone of {:.0f} Hz or lower"
_REFERENCE_CUT_RAD = math.acos(0.971487)  # 1 % THD


@dataclass(frozen=True, slots=True)
class _Places:
    """What is measured: m lines, and how each depends on the harmonics."""

    ratios: npt.NDArray[np.complex128]  # (m,) over the fundamental, phase against the crest
    gains: npt.NDArray[np.complex128]  # (m, _N_ORDERS + 1)


def highest_judged_hz(rate_hz: float) -> float:
    """Up to about which tone distortion is judged: by harmonics that fold back, or by those inside the band alone."""
    if rate_hz >= _LEAST_RATE_HZ:
        return _HIGHEST_SHARE * rate_hz
    return PASS_FRACTION * rate_hz / 2 / LEAST_HARMONICS


def read_folded(
    volts: FloatArray,
    rate_hz: float,
    reading: ToneReading,
    paths: tuple[InputPath, ...],
    *,
    converter_floor_v: float,
) -> ToneReading:
    """The reading with distortion by folded harmonics, where the band alone holds too few.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment, the same that gave `reading`
    rate_hz : samples a second
    reading : what `measure_tone` made of it
    paths : the inputs the trace came through; with none nothing is known of what folds, and `reading` is returned
    converter_floor_v : amplitude of false harmonics the converter may leave

    Returns
    -------
    ToneReading: `thd_f_percent` up to all harmonics, by the clip model (`thd_is_extrapolated`), level from the
    fundamental, peak by the model; or `not_judged` with the reason.

    Gaps
    ----
    Takes one unbroken segment.

    Limits
    ------
    Clipping is all it knows: a distortion of another kind is not judged. The input network's corner is the nominal one;
    10 % off costs 5 % of the THD. A bridged output is taken to swing by halves on both terminals, or, where that fits
    better, on one. Where orders 2 and 3 both fold onto the tone, its mirror or 0 Hz, or come through too weakly, it is
    not judged; nor where odd orders show only on lines of even ones (a fifth of the rate and what lies near it).

    Source
    ------
    Our choice; measured in tests/waveform/test_tone_folded.py and by `python -m ampwitness.bench.tone_scores`.
    """
    is_asked = reading.not_judged.startswith(("the logger's band holds only", "harmonic ", "harmonics "))
    if not paths or not reading.is_tone or not is_asked or rate_hz < _LEAST_RATE_HZ:
        return reading
    found = None
    for sharing in [paths] if len(paths) == 1 else [paths, paths[:1]]:
        places, noise_v, amplitude_v = _measure(volts, rate_hz, reading.frequency_hz, sharing)
        if not len(places.ratios):
            return replace(reading, not_judged=f"{reading.not_judged}; what folds back into it lies on other lines")
        if not _shows_odd(places):
            return replace(reading, not_judged=_MEETING.format(reading.frequency_hz, highest_judged_hz(rate_hz)))
        one = _judge(reading, places, noise_v, amplitude_v, converter_floor_v)
        if found is None or (one.model_misfit_ratio or 1.0) < (found.model_misfit_ratio or 1.0):
            found = one
    assert found is not None
    return found


def _shows_odd(places: _Places) -> bool:
    """Whether some line is mostly of odd orders. A cut of both crests shows in these alone, and where they only come
    weakly onto a line of an even order, a trace of that one (the converter's, a stage's) reads as a cut."""
    gain = np.abs(places.gains)
    return bool(np.any(gain[:, 3::2].max(axis=1) > gain[:, 2::2].max(axis=1)))


def _gains(rate_hz: float, hz: FloatArray, paths: tuple[InputPath, ...]) -> npt.NDArray[np.complex128]:
    total = np.zeros(len(hz), dtype=np.complex128)
    for path in paths:
        response = ChannelResponse(path.corner_hz, rate_hz, path.averaging, path.delay_s)
        total += gain_through(response, design_inverse(response), hz)
    return total / len(paths)


def _measure(
    volts: FloatArray, rate_hz: float, frequency_hz: float, paths: tuple[InputPath, ...]
) -> tuple[_Places, float, float]:
    """The lines; the amplitude noise alone would give one; the fundamental's amplitude."""
    n = len(volts)
    window = tone_window(n)
    window /= window.sum()
    samples = np.asarray(volts, dtype=np.float64)
    samples = samples - window @ samples
    at = np.arange(n) - n // 2  # phases count from a sample: there a folded line has the phase of its harmonic
    turn = np.exp(-2j * np.pi * frequency_hz / rate_hz * at)
    orders = np.arange(_N_ORDERS + 1)
    gains = _gains(rate_hz, (orders * frequency_hz).astype(np.float64), paths)
    first = complex(2 * np.sum(window * samples * turn))
    rest = samples - (first * np.conj(turn)).real
    crest_turn = np.conj(turn) * np.exp(1j * np.angle(first))  # 1 at a crest
    bin_hz = rate_hz / n
    place_hz = np.abs((orders * frequency_hz + rate_hz / 2) % rate_hz - rate_hz / 2)
    ratios, rows = [], []
    for group in _groups(place_hz, np.abs(gains), frequency_hz, rate_hz, bin_hz):
        lead = max(group, key=lambda order: float(np.abs(gains[order])) / order**2)
        looking = 2 * window * np.conj(crest_turn**lead)
        line = complex(np.sum(looking * rest))
        rest = rest - (line * crest_turn**lead).real
        ratios.append(line / abs(first) * abs(gains[1]))
        # What an order of amplitude 1 would give this line, with its mirror and with how far its place lies beside it.
        row = np.zeros(_N_ORDERS + 1, dtype=np.complex128)
        row[group] = [np.sum(looking * (gains[order] * crest_turn**order).real) for order in group]
        rows.append(row)
    noise_v = math.sqrt(4 * float(np.mean(rest**2)) * float(np.sum(window**2)))
    gains_of = np.array(rows).reshape(len(rows), _N_ORDERS + 1)
    return _Places(np.array(ratios), gains_of), noise_v, abs(first) / float(np.abs(gains[1]))


def _groups(
    place_hz: npt.NDArray[np.float64], gain: npt.NDArray[np.float64], hz: float, rate_hz: float, bin_hz: float
) -> list[list[int]]:
    """Orders by the line they make; lines at the tone itself, at 0 Hz and at half the rate are left out."""
    apart_hz = _APART_BINS * bin_hz
    usable = [order for order in range(2, len(gain)) if gain[order] >= _LEAST_GAIN]
    groups: list[list[int]] = []
    for order in sorted(usable, key=lambda order: float(place_hz[order])):
        if groups and place_hz[order] - place_hz[groups[-1][-1]] < apart_hz:
            groups[-1].append(order)
        else:
            groups.append([order])
    kept = []
    for group in groups:
        low, high = place_hz[group[0]], place_hz[group[-1]]
        if low > apart_hz and high < rate_hz / 2 - apart_hz and not low - apart_hz < hz < high + apart_hz:
            kept.append(group)
    return kept


def _judge(
    reading: ToneReading, places: _Places, noise_v: float, amplitude_v: float, converter_floor_v: float
) -> ToneReading:
    m = len(places.ratios)
    reference = cut_sine_harmonics(_REFERENCE_CUT_RAD, _REFERENCE_CUT_RAD, _ALL_HARMONICS)
    seen = float(np.linalg.norm(places.gains @ reference[: _N_ORDERS + 1])) / reference[1]
    share = max(1e-9, seen / thd_ratio_of(reference))  # how much of a 1 % clipping shows
    floor_v = math.sqrt(converter_floor_v**2 + (2 * math.sqrt(m) + 0.05 * m) * noise_v**2)
    floor_percent = 100 * floor_v / amplitude_v / share
    if floor_percent > _WORST_FLOOR_PERCENT:
        why = f"harmonics of {reading.frequency_hz:.0f} Hz come through too weakly: THD below {floor_percent:.1f} % "
        return replace(reading, thd_floor_percent=floor_percent, not_judged=f"{why}cannot be seen")
    size = math.sqrt(max(0.0, float(np.sum(np.abs(places.ratios) ** 2)) - m * (noise_v / amplitude_v) ** 2))
    percent = 100 * size / share
    if percent < floor_percent:
        return _with_thd(reading, percent, floor_percent, None, amplitude_v)
    model = fit_clip_model_through(places.ratios, places.gains)
    # What the floor may put there is no sign of anything else than clipping.
    speaks = model.misfit_ratio <= min(_WORST_MISFIT_RATIO, math.hypot(GOOD_FIT_RATIO, floor_percent / percent))
    if not speaks:
        why = "what folds back into the logger's band is not the mark of clipping"
        return replace(reading, thd_floor_percent=floor_percent, model_misfit_ratio=model.misfit_ratio, not_judged=why)
    return _with_thd(reading, 100 * model.thd_ratio(_ALL_HARMONICS), floor_percent, model, amplitude_v)


def _with_thd(
    reading: ToneReading, percent: float, floor_percent: float, model: ClipModel | None, amplitude_v: float
) -> ToneReading:
    thd = percent / 100
    peak_v = amplitude_v
    if model is not None:
        harmonics = cut_sine_harmonics(model.positive_cut_rad, model.negative_cut_rad, 1)
        top = max(math.cos(model.positive_cut_rad), math.cos(model.negative_cut_rad))
        peak_v = amplitude_v / harmonics[1] * top
    level_v = amplitude_v / math.sqrt(2) * math.sqrt(1 + thd**2)
    return replace(
        reading,
        level_v=level_v,
        fundamental_v=amplitude_v / math.sqrt(2),
        peak_v=peak_v,
        crest_ratio=peak_v / level_v,
        thd_f_percent=percent,
        thd_r_percent=100 * thd / math.sqrt(1 + thd**2),
        thd_floor_percent=floor_percent,
        thd_is_below_floor=percent < floor_percent,
        thd_is_extrapolated=True,
        positive_overdrive_db=model.positive_overdrive_db if model is not None else None,
        negative_overdrive_db=model.negative_overdrive_db if model is not None else None,
        model_misfit_ratio=None if model is None else model.misfit_ratio,
        not_judged="",
    )
