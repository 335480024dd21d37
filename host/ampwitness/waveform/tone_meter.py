"""Everything a bench meter says of a steady tone: level, distortion by order, noise, and which side is clipped.

Distortion is given against the fundamental (`thd_f_percent`, what the trade quotes) and against the total
(`thd_r_percent`, after IEC 60268-3). It is judged from the harmonics inside the logger's band, less the power that
noise puts there; harmonics beyond the band come from a clip model that fits those inside it, and are said to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, Segment
from ampwitness.waveform.bandlimited import HALF_TAPS as PEAK_HALF_TAPS
from ampwitness.waveform.bandlimited import peak, volts_from_rest
from ampwitness.waveform.response import PASS_FRACTION
from ampwitness.waveform.tone_clip import ClipModel, fit_clip_models
from ampwitness.waveform.tone_fit import (
    MAIN_LOBE_BINS,
    find_strongest_hz,
    fit_harmonics,
    fit_sine,
    level_trend,
    synthesise,
    tone_window,
)

Floats = npt.NDArray[np.float64]

AUDIO_TOP_HZ = 20_000.0  # harmonics count up to here: the band of the amplifier ratings
NAMED_ORDERS = tuple(range(2, 11))
# What is left of the converter's steps after correction, as amplitude of false harmonics at the speaker terminals:
# 0.045 to 0.06 % of 45 V on the worst of three drawn boards (`python -m ampwitness.bench.waveform_scores`, clean tone).
CONVERTER_FLOOR_V = 0.03
LEAST_CYCLES = 2.5
LEAST_HARMONICS = 5  # the band must hold the fifth harmonic for THD to be measured
_LEAST_TONE_RATIO = 0.5  # of the power: less in the tone and its harmonics, and it is no tone
TWO_TONES_PERCENT = 10.0  # another line this strong, and distortion of the first is not judged
OTHER_TONE_PERCENT = 0.5  # another line worth a word
_CONFIRM_RATIO = 1.0  # THD above the floor by this factor is measured, else "less than"


@dataclass(frozen=True, slots=True)
class ToneReading:
    """A steady tone in numbers. None: not judged, `not_judged` says why. Percent figures are against the fundamental
    unless the name says otherwise."""

    frequency_hz: float
    level_v: float  # rms without DC
    peak_v: float  # largest magnitude, between samples too; see `volts_from_rest`
    crest_ratio: float
    dc_v: float
    fundamental_v: float  # rms
    harmonics_percent: tuple[float | None, ...]  # orders 2 ... 10; None beyond the band
    n_harmonics: int  # highest order inside the band
    thd_f_percent: float | None  # up to 20 kHz, as far as `thd_is_extrapolated` says from the model
    thd_r_percent: float | None
    thd_in_band_percent: float | None
    thd_floor_percent: float  # noise and converter; a THD below it is only "less than" it
    thd_is_below_floor: bool
    thd_is_extrapolated: bool  # the clip model's part is more than a twentieth of the THD
    thd_n_percent: float  # against the total, in the logger's band
    sinad_db: float
    effective_bits: float  # of an ideal converter whose range is just filled by this tone
    even_percent: float | None
    odd_percent: float | None
    positive_overdrive_db: float | None  # by the clip model; None where it does not fit
    negative_overdrive_db: float | None
    model_misfit_ratio: float | None
    other_hz: float | None  # strongest line that is no harmonic
    other_percent: float
    not_judged: str  # why there is no THD; empty where there is one
    is_tone: bool

    @property
    def is_one_sided(self) -> bool:
        """Only one polarity is clipped, or one much further than the other."""
        if self.positive_overdrive_db is None or self.negative_overdrive_db is None or self.thd_is_below_floor:
            return False
        low, high = sorted((self.positive_overdrive_db, self.negative_overdrive_db))
        return high > 0.05 and low < 0.35 * high


@dataclass(frozen=True, slots=True)
class _Harmonics:
    """What stands at the harmonics, and what noise alone would put there."""

    amplitudes: npt.NDArray[np.complex128]  # (n + 1,)
    noise_power: Floats  # (n + 1,) expected |amplitude|^2 from noise
    residual: Floats  # volts less the harmonics
    spectrum: Floats  # amplitude of each bin of the residual
    bin_hz: float


def measure_tone(
    volts: FloatArray,
    rate_hz: float,
    *,
    expected_hz: float | None = None,
    band_hz: float | None = None,
    top_hz: float = AUDIO_TOP_HZ,
    converter_floor_v: float = 0.0,
    n_harmonics: int | None = None,
    n_fitted: int | None = None,
    follows_trend: bool = False,
    wants_peak: bool = True,
    wants_model: bool = True,
) -> ToneReading:
    """Measure a steady tone.

    Parameters
    ----------
    volts : (n,) volts of one unbroken segment
    rate_hz : samples a second
    expected_hz : where the tone should be, right to 15 %; None: the strongest line
    band_hz : up to where the volts are right; None: PASS_FRACTION of Nyquist
    top_hz : up to where harmonics count; those between band and top come from the clip model
    converter_floor_v : amplitude of false harmonics the converter may leave
    n_harmonics : highest order that is used and counted; None: all inside the band, and the clip model beyond
    n_fitted : as `n_harmonics`, but the clip model may speak for those above it
    follows_trend : the level changes evenly within the segment: all is given for its middle
    wants_model : False leaves the clip model out, which costs ten times as much as all else; what it says is then None
    wants_peak : False saves the search between the samples; `peak_v` is then that of the samples

    Returns
    -------
    ToneReading; `is_tone` False where there is none, the level figures then still hold.

    Raises
    ------
    ValueError : fewer than 16 samples.

    Gaps
    ----
    Takes one unbroken segment; never joins two.

    Limits
    ------
    A level that changes by more than about 1 dB within the segment, or jumps, raises the floor. A hum that falls on a
    harmonic cannot be told from distortion. Below LEAST_CYCLES cycles nothing is said.

    Source
    ------
    THD, SINAD, effective bits after IEEE 1057 / 1241 and IEC 60268-3; tests/waveform/test_tone_meter.py.
    """
    n = len(volts)
    if n < 16:
        raise ValueError(f"a tone needs at least 16 samples, got {n}")
    samples: Floats = np.asarray(volts, dtype=np.float64)
    band = PASS_FRACTION * rate_hz / 2 if band_hz is None else band_hz
    low_hz, high_hz = LEAST_CYCLES * rate_hz / n, band
    if expected_hz is not None:
        low_hz, high_hz = max(low_hz, 0.85 * expected_hz), min(band, 1.15 * expected_hz)
    guess_hz = find_strongest_hz(samples, rate_hz, low_hz, high_hz)
    if guess_hz <= 0 or guess_hz * n / rate_hz < LEAST_CYCLES or guess_hz > band:
        return _no_tone(samples, "no tone in the band")
    has_many = guess_hz * n / rate_hz > 2 * MAIN_LOBE_BINS + 1
    fit = fit_sine(samples, rate_hz, guess_hz, tone_window(n) ** 2 if has_many else None)
    if not fit.is_converged or fit.amplitude_v <= 0:
        return _no_tone(samples, "no steady tone")
    highest = max(1, int(band / fit.frequency_hz + 1e-9))
    highest = min(highest, n_harmonics or highest, n_fitted or highest)
    if follows_trend:
        samples = samples / level_trend(samples, rate_hz, fit.frequency_hz)
    found = _measure_harmonics(samples, rate_hz, fit.frequency_hz, highest)
    return _read(
        samples, rate_hz, fit.frequency_hz, found, top_hz, converter_floor_v, wants_peak, n_harmonics, wants_model
    )


def _measure_harmonics(volts: Floats, rate_hz: float, frequency_hz: float, highest: int) -> _Harmonics:
    n = len(volts)
    amplitudes, cycles = fit_harmonics(volts, rate_hz, frequency_hz, highest)
    residual = volts - synthesise(amplitudes, frequency_hz, n, rate_hz)
    window = tone_window(n)
    total = float(window.sum())
    spectrum = 2 * np.abs(np.fft.rfft((residual - window @ residual / total) * window)) / total
    bin_hz = rate_hz / n
    power = spectrum**2
    noise = np.zeros(highest + 1)
    step = frequency_hz / bin_hz
    guard = 3 if step > 2 * MAIN_LOBE_BINS else 0
    for order in range(1, highest + 1):
        centre = order * step
        first, last = max(1, math.ceil(centre - step / 2)), min(len(power), math.floor(centre + step / 2) + 1)
        bins = np.arange(first, last)
        kept = bins[np.abs(bins - centre) >= guard]
        if len(kept):
            # Expected squared amplitude at the harmonic; least squares sees less noise than a window does.
            noise[order] = float(np.mean(power[kept]))
    if cycles <= 2 * MAIN_LOBE_BINS + 1:
        sigma = float(np.sqrt(residual @ residual / max(1, n - 2 * highest - 1)))
        noise[1:] = 4 * sigma**2 / n
    return _Harmonics(amplitudes, noise, residual, spectrum, bin_hz)


def noise_figures(fundamental_v: float, rest_v: float) -> tuple[float, float, float]:
    """THD+N in per cent of the total, SINAD in dB and effective bits, of the tone's rms volts and those of all else in
    the band."""
    total_v = math.hypot(fundamental_v, rest_v)
    sinad_db = 20 * math.log10(max(1e-12, fundamental_v) / max(1e-15, rest_v))
    return 100 * rest_v / total_v if total_v > 0 else 0.0, sinad_db, (sinad_db - 1.7609) / 6.0206


def _read(
    volts: Floats,
    rate_hz: float,
    frequency_hz: float,
    found: _Harmonics,
    top_hz: float,
    converter_floor_v: float,
    wants_peak: bool,
    n_asked: int | None,
    wants_model: bool,
) -> ToneReading:
    n, highest = len(volts), len(found.amplitudes) - 1
    size = np.abs(found.amplitudes)
    fundamental = float(size[1])
    power = np.maximum(size**2 - found.noise_power, 0.0)
    level_v, dc_v = _level(volts, float(found.amplitudes[0].real), frequency_hz, rate_hz)
    peak_v = _peak_v(volts_from_rest(volts), rate_hz, wants_peak)
    residual_v = float(np.sqrt(np.mean(found.residual**2)))
    tone_power = float((size[1:] ** 2).sum() / 2)
    is_tone = tone_power > _LEAST_TONE_RATIO * level_v**2 and fundamental**2 / 2 > _LEAST_TONE_RATIO * tone_power
    other_hz, other_percent = _other_line(found, frequency_hz, fundamental)
    distortion_v = _distortion_v(found)
    in_band, floor_v = 100 * math.sqrt(2) * distortion_v / fundamental, _floor_v(found, converter_floor_v)
    floor_percent = 100 * floor_v / fundamental
    folded = _folding_orders(frequency_hz, rate_hz, n, highest)
    why = _why_not(is_tone, highest, folded, other_percent, frequency_hz, n_asked)
    model = (
        fit_model_to_harmonics(found.amplitudes, power, floor_v)
        if wants_model and highest >= 3 and in_band > floor_percent
        else None
    )
    n_top = max(1, int(top_hz / frequency_hz + 1e-9))
    speaks = model if model is not None and model.is_good else None
    beyond = 100 * speaks.thd_ratio(n_top, highest + 1) if n_asked is None and speaks and n_top > highest else 0.0
    thd = math.hypot(in_band, beyond)
    noise_and_distortion = math.hypot(residual_v, distortion_v)  # what noise puts on harmonics is in the residual
    thd_n_percent, sinad_db, effective_bits = noise_figures(fundamental / math.sqrt(2), noise_and_distortion)
    percents = 100 * np.sqrt(power) / fundamental
    return ToneReading(
        frequency_hz=frequency_hz,
        level_v=level_v,
        peak_v=peak_v,
        crest_ratio=peak_v / level_v if level_v > 0 else 0.0,
        dc_v=dc_v,
        fundamental_v=fundamental / math.sqrt(2),
        harmonics_percent=tuple(float(percents[k]) if k <= highest else None for k in NAMED_ORDERS),
        n_harmonics=highest,
        thd_f_percent=None if why else thd,
        thd_r_percent=None if why else 100 * (thd / 100) / math.sqrt(1 + (thd / 100) ** 2),
        thd_in_band_percent=in_band if highest >= 2 and is_tone else None,
        thd_floor_percent=floor_percent,
        thd_is_below_floor=in_band < _CONFIRM_RATIO * floor_percent,
        thd_is_extrapolated=beyond > 0.3122 * thd,  # squared: a twentieth of it counts for 5 % of the THD
        thd_n_percent=thd_n_percent,
        sinad_db=sinad_db,
        effective_bits=effective_bits,
        even_percent=100 * float(np.sqrt(power[2::2].sum())) / fundamental if highest >= 2 else None,
        odd_percent=100 * float(np.sqrt(power[3::2].sum())) / fundamental if highest >= 3 else None,
        positive_overdrive_db=None if speaks is None else speaks.positive_overdrive_db,
        negative_overdrive_db=None if speaks is None else speaks.negative_overdrive_db,
        model_misfit_ratio=None if model is None else model.misfit_ratio,
        other_hz=other_hz,
        other_percent=other_percent,
        not_judged=why,
        is_tone=is_tone,
    )


def _distortion_v(found: _Harmonics) -> float:
    """rms of the harmonics, less what noise puts there."""
    # Summed before what is negative is cut off: else noise alone would add up to something.
    power = float((np.abs(found.amplitudes) ** 2 - found.noise_power)[2:].sum())
    return math.sqrt(max(0.0, power) / 2)


def _floor_v(found: _Harmonics, converter_floor_v: float) -> float:
    """Amplitude below which harmonics are not told from what noise and the converter leave."""
    spread = float(np.sqrt(np.sum(found.noise_power[2:] ** 2)))  # standard deviation of the sum of noise powers
    bias = float(found.noise_power[2:].sum())
    return math.sqrt(converter_floor_v**2 + 2 * spread + 0.05 * bias)


def _level(volts: Floats, mean_v: float, frequency_hz: float, rate_hz: float) -> tuple[float, float]:
    """rms without DC, and DC; weighted by a window where there are cycles enough, so that parts of one do not count."""
    n = len(volts)
    cycles = frequency_hz * n / rate_hz
    if cycles > 2 * MAIN_LOBE_BINS + 1:
        window = tone_window(n)
        return float(np.sqrt(window @ (volts - mean_v) ** 2 / window.sum())), mean_v
    whole = round(math.floor(cycles) * rate_hz / frequency_hz)
    part = volts[:whole] - mean_v
    return float(np.sqrt(np.mean(part**2))), mean_v


def _peak_v(volts: FloatArray, rate_hz: float, wants_peak: bool) -> float:
    if not wants_peak or len(volts) < 4 * PEAK_HALF_TAPS:
        return float(np.max(np.abs(volts)))
    return abs(peak(Segment(0.0, rate_hz, volts), 4).peak_v)


def _other_line(found: _Harmonics, frequency_hz: float, fundamental: float) -> tuple[float | None, float]:
    """Strongest line of the residual that is neither at the fundamental's foot nor at a harmonic."""
    bins = np.arange(len(found.spectrum))
    orders = bins * found.bin_hz / frequency_hz
    away = np.abs(orders - np.round(orders)) * frequency_hz / found.bin_hz
    is_foot = np.abs(bins * found.bin_hz - frequency_hz) < MAIN_LOBE_BINS * found.bin_hz
    usable = (away > 2.0) & ~is_foot & (bins >= 2)
    if not usable.any():
        return None, 0.0
    level = np.where(usable, found.spectrum, 0.0)
    at = int(np.argmax(level))
    return float(at * found.bin_hz), 100 * float(level[at]) / fundamental


def _folding_orders(frequency_hz: float, rate_hz: float, n: int, highest: int) -> tuple[int, ...]:
    """Odd harmonics beyond Nyquist, up to the ninth, that fold onto a harmonic inside the band."""
    clash = []
    for order in range(highest + 1, 10):
        if order % 2 == 0 or order * frequency_hz < rate_hz / 2:
            continue
        place_hz = abs(order * frequency_hz - rate_hz * round(order * frequency_hz / rate_hz))
        nearest = round(place_hz / frequency_hz)
        if 1 <= nearest <= highest and abs(place_hz - nearest * frequency_hz) < MAIN_LOBE_BINS * rate_hz / n:
            clash.append(order)
    return tuple(clash)


def _why_not(
    is_tone: bool, highest: int, folded: tuple[int, ...], other_percent: float, frequency_hz: float, n_asked: int | None
) -> str:
    if not is_tone:
        return "no steady tone"
    if other_percent > TWO_TONES_PERCENT:
        return f"two tones: another one is {other_percent:.0f} % of the first"
    if folded:
        names = ", ".join(str(order) for order in folded)
        fold = "harmonic {} folds" if len(folded) == 1 else "harmonics {} fold"
        return f"{fold.format(names)} onto others at this sample rate: take a faster mode or a lower tone"
    if highest < LEAST_HARMONICS and n_asked is None:
        return f"the logger's band holds only {highest} harmonic{'s' if highest > 1 else ''} of {frequency_hz:.0f} Hz"
    return ""


def fit_model_to_harmonics(amplitudes: npt.NDArray[np.complex128], power: Floats, floor: float) -> ClipModel | None:
    """The clip model on orders 2 ... 15 of a tone, their phases turned to the positive crest.

    Parameters
    ----------
    amplitudes : (n + 1,) complex amplitudes of the harmonics, volts, phase against any one instant
    power : (n + 1,) their squares less what noise puts there
    floor : amplitude of false harmonics that may be there, volts

    Returns
    -------
    ClipModel; None where the harmonics do not stand out of the floor.

    Gaps
    ----
    Sees no samples.
    """
    return fit_models_to_harmonics(amplitudes[np.newaxis], power[np.newaxis], np.array([floor]))[0]


def fit_models_to_harmonics(
    amplitudes: npt.NDArray[np.complex128], power: Floats, floors: Floats
) -> list[ClipModel | None]:
    """`fit_model_to_harmonics` for many readings of one tone at once: (r, n + 1), (r, n + 1) and (r,)."""
    fundamental = np.abs(amplitudes[:, 1])
    highest = min(15, amplitudes.shape[1] - 1)
    found: list[ClipModel | None] = [None] * len(amplitudes)
    stands_out = np.sqrt(power[:, 2 : highest + 1].sum(axis=1)) >= 2 * floors
    rows = np.flatnonzero(stands_out)
    if not len(rows):
        return found
    orders = np.arange(2, highest + 1)
    crest_phase = np.angle(amplitudes[rows, 1])
    turned = amplitudes[rows, 2 : highest + 1] * np.exp(-1j * orders * crest_phase[:, np.newaxis])
    models = fit_clip_models(turned.real / fundamental[rows][:, np.newaxis], orders)
    # What does not lie in phase with the crest no clipping of this kind explains: it counts as misfit.
    whole = np.maximum(1e-30, np.sum(np.abs(turned) ** 2, axis=1))
    quadrature = np.sqrt(np.sum(turned.imag**2, axis=1) / whole)
    for row, model, out_of_phase in zip(rows.tolist(), models, quadrature.tolist(), strict=True):
        misfit = math.hypot(model.misfit_ratio, out_of_phase)
        found[row] = ClipModel(model.positive_cut_rad, model.negative_cut_rad, misfit)
    return found


def _no_tone(volts: Floats, why: str) -> ToneReading:
    level_v = float(np.std(volts))
    peak_v = float(np.max(np.abs(volts_from_rest(volts))))
    return ToneReading(
        frequency_hz=0.0,
        level_v=level_v,
        peak_v=peak_v,
        crest_ratio=peak_v / level_v if level_v > 0 else 0.0,
        dc_v=float(np.mean(volts)),
        fundamental_v=0.0,
        harmonics_percent=(None,) * len(NAMED_ORDERS),
        n_harmonics=0,
        thd_f_percent=None,
        thd_r_percent=None,
        thd_in_band_percent=None,
        thd_floor_percent=100.0,
        thd_is_below_floor=True,
        thd_is_extrapolated=False,
        thd_n_percent=100.0,
        sinad_db=0.0,
        effective_bits=0.0,
        even_percent=None,
        odd_percent=None,
        positive_overdrive_db=None,
        negative_overdrive_db=None,
        model_misfit_ratio=None,
        other_hz=None,
        other_percent=0.0,
        not_judged=why,
        is_tone=False,
    )
