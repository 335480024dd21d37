"""When a mute began that took longer than a half-cycle: the start and the course that explain best how the wave ended.

What played before is carried on (linear prediction; what that leaves counts as noise of its own level), and every start
and time constant of a fall is asked how likely it makes what was recorded. Falls are tried as exponentials, as a
capacitor makes them, and as straight lines, as a processor makes them; behind a remote lead as half a cosine as well.

Gaps: only one unbroken run is looked at.
Limits: in noise a fall shows only as its level shrinks (`cutout_noise`); where the programme itself changes level, to
no better than that lets it. Falls of more than 0.2 s only where the signal is known never to pause.
Source: Gaussian maximum likelihood on a grid; our choice of shapes, measured by
`python -m ampwitness.bench.cutout_scores --only slow`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampwitness.detect.cutouts.cutout_departure import extrapolate, predict_from
from ampwitness.detect.cutouts.cutout_measure import HALF_CYCLE_S, Stop
from ampwitness.detect.cutouts.cutout_noise import date_in_noise
from ampwitness.detect.step_stream import STEP_S, RunSteps
from ampwitness.types import FloatArray

_BEFORE_S = 0.800
_DOUBT_S = 0.150  # so far off may the start be that power alone tells
_LONGEST_S = 1.300
_SEEN_S = 0.600  # of the fall: waves carried on go astray beyond
_COARSE = 10
_ONE_LEVEL = ((1.0, 0.0),)
_LONG_S, _LEVEL_S, _QUIET_S = 0.040, 4.0, 0.300
_BRIEF_S, _BRIEF_BEFORE_S = 0.130, 0.200  # where the programme may change
_BEHIND_S = 0.020
_LONGEST_BEHIND_S, _LEAST_BEHIND_S, _BEHIND_DOUBT_RATIO = 1.2, 0.015, 0.25  # behind a lead that fell
_LEAST_NOISY_S, _ENDS_LOW_RATIO = 0.025, 0.40  # shorter falls of noise are dated by their end
_PLAIN_RATIO, _PLAIN_DOUBT_RATIO = 0.15, 0.15
_SOON_S = 0.25
_LEFT_RATIO, _LEFT_TIMES = 0.15, 3.0  # of the swing before; of what a straight fall has left so shortly before its end
_TAUS_S = np.geomspace(0.003, 0.300, 20)
_RAMPS_S = np.geomspace(0.015, 1.2, 20)
_FINER = (0.89, 0.93, 0.96, 0.98, 1.02, 1.04, 1.08, 1.12)
_LEAST_S = 0.012  # what falls faster is dated by its end
_MODEL_RATIO = 0.02  # of the wave carried on: as much of it may be wrong
# A programme may have grown or shrunk against the seconds before: its level then, and how far that is from likely.
_LEVELS = tuple((ratio, -0.5 * (np.log(ratio) / 0.4) ** 2) for ratio in (0.35, 0.5, 0.7, 1.0, 1.4, 2.0))
_LAGS_S = 0.020
_NOISE_SHARE = 0.7  # of the power: what is carried on is noise in the main
_LIKELY = 1.92  # of the logarithm: what is less likely by more lies outside 95 %


@dataclass(frozen=True, slots=True)
class _Begun:
    """The likeliest start of a fall, recording time, and how far off it may be with 95 %."""

    start_s: float
    doubt_s: float
    left_ratio: float = 1.0  # of the power behind it, what its fall does not explain
    noise_share: float = 1.0  # of the power ahead of it, what is not foretold


def measure_fade(run: RunSteps, stop: Stop, is_continuous: bool, on_since: int, known: int) -> None:
    """Date the beginning of a fall that took longer than 12 ms: `fade_s` and its doubt; not where it was abrupt.

    The output has been on since step `on_since`; steps up to `known` may be looked at.
    """
    if _ends_high(run, stop):
        return
    if is_continuous:
        coarse_s = _fit_power(run, stop)
        begun = None if coarse_s is None else _fit(run, stop, coarse_s - _DOUBT_S, _BEFORE_S, steady=True)
        if begun is not None and begun.noise_share > _NOISE_SHARE and stop.stop_s - begun.start_s > _LONG_S:
            begun = _fit_noise(run, stop, on_since, known) or begun
    else:
        begun = _fit(run, stop, stop.stop_s - _BRIEF_S, _BRIEF_BEFORE_S, steady=False)
    if begun is not None and stop.stop_s - begun.start_s >= _LEAST_S:
        stop.fade_s, stop.fade_doubt_s = begun.start_s, begun.doubt_s


def measure_fade_behind(run: RunSteps, stop: Stop, from_s: float) -> None:
    """Date a fall that a lead's fall at `from_s`, recording time, soon began: then it may have taken up to a second.

    The programme may have changed meanwhile, so that a quarter of the fall is its least doubt.
    """
    behind_s = stop.stop_s - from_s
    if not _LEAST_BEHIND_S <= behind_s <= _LONGEST_BEHIND_S or _ends_high(run, stop, _ENDS_LOW_RATIO):
        return
    begun = _fit(run, stop, from_s, _BEFORE_S, steady=True, within_s=behind_s, n_shapes=3)
    if begun is None or begun.start_s - from_s > _SOON_S:
        return  # a programme that shrank by itself ahead of a late mute
    long_s = stop.stop_s - begun.start_s
    if stop.abrupt_ratio > max(_LEFT_RATIO, _LEFT_TIMES * HALF_CYCLE_S / max(long_s, 1e-3)):
        return  # a fall that long leaves less of it in its last half-cycle
    is_plain = begun.left_ratio < _PLAIN_RATIO  # the wave carried on and let fall is nearly all there was
    own_s = stop.stop_s - stop.start_s if stop.start_s >= from_s else 0.0  # what it began before the lead did not do
    least_s = _LEAST_S if is_plain else max(_LEAST_NOISY_S, own_s)
    if long_s >= least_s and (is_plain or not stop.is_truncated):
        # It begins behind the lead's fall, however little.
        stop.fade_s, stop.pop_s, stop.pop_v = max(begun.start_s, from_s + STEP_S / 2), None, None
        stop.fade_doubt_s = max(begun.doubt_s, (_PLAIN_DOUBT_RATIO if is_plain else _BEHIND_DOUBT_RATIO) * long_s)


def _ends_high(run: RunSteps, stop: Stop, least_ratio: float = 0.0) -> bool:
    """An abrupt end stands high until two milliseconds before it; a fall has come down near the noise by then."""
    step = stop.stop_sample // run.step
    a = max(run.first, step - 6)
    high, low = run.steps("high", a, step - 1), run.steps("low", a, step - 1)
    size = np.maximum(high - stop.rest_v, stop.rest_v - low)
    limit_v = max(6.0 * max(5.0 * stop.off_rms_v, 0.02 * stop.peak_v), least_ratio * stop.peak_v)
    return bool(len(size)) and float(size.max()) > limit_v


def _fit_noise(run: RunSteps, stop: Stop, on_since: int, known: int) -> _Begun | None:
    """The start of a fall of noise by all its frequencies; None: too little of it was recorded."""
    rate_hz = run.rate_hz
    lead = stop.stop_sample - round(_LONGEST_S * rate_hz)
    begin = max(on_since * run.step, lead - round(_LEVEL_S * rate_hz))
    first, samples = run.samples("output", begin, min(known * run.step, stop.stop_sample + round(_QUIET_S * rate_hz)))
    wave = samples - stop.rest_v
    n_quiet = stop.stop_sample + round(_BEHIND_S * rate_hz) - first
    found = date_in_noise(wave, lead - first, n_quiet, rate_hz)
    if found is None:
        return None
    return _Begun(run.start_s + (first + found[0]) / rate_hz, found[1] / rate_hz)


def _fit_power(run: RunSteps, stop: Stop) -> float | None:
    """Where a fall of up to a second began, by the power in steps of 10 ms alone; recording time."""
    step = stop.stop_sample // run.step + 1
    a = max(run.first, step - round((_LONGEST_S + 1.0) / STEP_S))
    a = step - (step - a) // _COARSE * _COARSE
    mean, square = run.steps("mean", a, step), run.steps("square", a, step)
    n = len(square) // _COARSE
    n_before = n - round(_LONGEST_S / STEP_S) // _COARSE
    n_before = max(n_before, n // 4)
    if n_before < 10:
        return None
    power = (square - 2 * stop.rest_v * mean + stop.rest_v**2).astype(np.float64).reshape(n, _COARSE).mean(axis=1)
    power = np.maximum(power, 0.0)
    level_v2, none = float(power[:n_before].mean()), np.zeros(n - n_before)
    floor_v2 = max(stop.off_rms_v, 1e-3) ** 2
    spread = float(np.std(power[:n_before])) / max(level_v2, 1e-12)
    freedom = min(2.0 / max(spread, 0.05) ** 2, 40.0)
    place, _, _ = _likeliest(power[n_before:], none, none, level_v2, floor_v2, freedom, _ONE_LEVEL, _COARSE, len(none))
    return run.time_s(a + round((n_before + place) * _COARSE))


def _fit(
    run: RunSteps,
    stop: Stop,
    from_s: float,
    before_s: float,
    steady: bool,
    within_s: float = 2 * _DOUBT_S,
    n_shapes: int = 2,
) -> _Begun | None:
    """The likeliest start behind `from_s`, recording time; None: too little was recorded.

    `before_s` ahead of it are carried on; `steady` says that neither tones nor noise change by themselves, and that it
    began `within_s`.
    """
    rate_hz, per_step = run.rate_hz, max(1, round(run.rate_hz * STEP_S))
    n_before = round(before_s / STEP_S) * per_step
    begin = round((from_s - run.start_s) * rate_hz) // per_step * per_step - n_before
    end = min(stop.stop_sample + round(_BEHIND_S * rate_hz), begin + n_before + round(_SEEN_S * rate_hz))
    first, samples = run.samples("output", begin, end)
    n_before -= -(-(first - begin) // per_step) * per_step
    if n_before < round(0.1 * rate_hz) or len(samples) < n_before + 20 * per_step:
        return None
    wave = samples[: len(samples) // per_step * per_step].astype(np.float64) - stop.rest_v
    modes = predict_from(wave[:n_before].reshape(-1, per_step).mean(axis=1), rate_hz / per_step)
    due = extrapolate(wave[:n_before], len(wave) - n_before, rate_hz, modes - modes.real if steady else modes)
    left = wave[:n_before] - due[:n_before]
    level_v2 = float(np.mean(left**2)) + _MODEL_RATIO**2 * float(np.mean(due[:n_before] ** 2))
    if steady:
        level_v2 *= _long_level_ratio(run, stop, wave[:n_before], level_v2, first // per_step, n_before // per_step)
    floor_v2 = max(stop.off_rms_v, 1e-3) ** 2
    x, p = wave[n_before:].reshape(-1, per_step), due[n_before:].reshape(-1, per_step)
    xx, xp, pp = (x * x).mean(axis=1), (x * p).mean(axis=1), (p * p).mean(axis=1)
    freedom = per_step / _correlated(left, round(_LAGS_S * rate_hz))
    n_starts = min(len(xx), round(within_s / STEP_S)) if steady else len(xx)
    levels = _ONE_LEVEL if steady else _LEVELS
    place, doubt, fall = _likeliest(xx, xp, pp, level_v2, floor_v2, freedom, levels, 1, n_starts, n_shapes)
    behind = slice(round(place), len(xx))
    gain = _fallen(fall, np.arange(len(xx) - round(place)) + 0.5)
    left_v2 = xx[behind] - 2 * gain * xp[behind] + gain**2 * pp[behind]
    left_ratio = float(np.sum(left_v2) / max(float(np.sum(xx[behind])), 1e-12))
    noise_share = float(np.mean(left**2) / max(float(np.mean(wave[:n_before] ** 2)), 1e-12))
    step_s = per_step / rate_hz
    start_s = run.start_s + (first + n_before) / rate_hz + place * step_s
    return _Begun(start_s, doubt * step_s, left_ratio, noise_share)


def _long_level_ratio(
    run: RunSteps, stop: Stop, before: FloatArray, level_v2: float, first: int, n_before: int
) -> float:
    """How the level of a steady noise is over all that is kept, of what it was in the part that is carried on.

    A fall that is slow is dated by the level it starts from: 3 % of that are 15 ms of a fall of one second.
    """
    if level_v2 < _NOISE_SHARE * float(np.mean(before**2)):
        return 1.0  # mostly tones: their part is carried on, and says nothing of the noise
    mean, square = (run.steps(name, run.first, first + n_before) for name in ("mean", "square"))
    power = square - 2 * stop.rest_v * mean + stop.rest_v**2
    return float(np.mean(power, dtype=np.float64) / np.mean(before**2))


def _correlated(left: FloatArray, n_lags: int) -> float:
    """How many samples in a row count as one, for a mean square."""
    spectrum = np.abs(np.fft.rfft(left, 2 * len(left))) ** 2
    rho = np.fft.irfft(spectrum)[:n_lags]
    return float(1.0 + 2.0 * np.sum((rho[1:] / max(float(rho[0]), 1e-30)) ** 2))


def _likeliest(
    xx: FloatArray,
    xp: FloatArray,
    pp: FloatArray,
    level_v2: float,
    floor_v2: float,
    freedom: float,
    levels: tuple[tuple[float, float], ...],
    step: int,
    n_starts: int,
    n_shapes: int = 2,
) -> tuple[float, float, tuple[str, float]]:
    """Steps from the first to the start of the likeliest fall, how far off that may be with 95 %, and its course.

    Parameters
    ----------
    xx, xp, pp : (n,) of each step, mean square of the wave, of wave times prediction, of the prediction
    level_v2, floor_v2 : mean square of what the prediction leaves before the fall, and of what is left behind it
    freedom : independent values in a step
    step, n_starts : length of a step in those of 1 ms; how many of them may be the start
    levels : what the wave may be of what was carried on, and the logarithm of how likely that is
    n_shapes : courses that are tried
    """
    # What is expected of a step depends on how far behind the start it lies alone: each sum over steps, for all starts
    # at once, is a correlation.
    n, since = len(xx), np.arange(len(xx)) + 0.5
    size = 2 * n
    seen = np.fft.rfft(np.stack((xx, -2 * xp, pp)), size)
    ratios, priors = (np.array(column)[:, None] for column in zip(*levels, strict=True))
    level = ratios**2 * level_v2
    whole = np.log(level + floor_v2) + (xx - 2 * xp + pp) / (level + floor_v2)
    before = np.concatenate((np.zeros((len(level), 1)), np.cumsum(whole, axis=1)), axis=1)[:, :n_starts]
    best, place, chosen = -np.inf, 0.0, ("", 0.0)
    by_start = np.full(n_starts, -np.inf)  # the best that any fall does from there

    def ask(shape: str, length: float) -> None:
        nonlocal best, place, chosen
        gain = _fallen((shape, length), since)
        spread = gain * gain * level + floor_v2
        weights = np.fft.rfft(np.stack((np.ones(n), gain, gain * gain))[:, None] / spread, size)
        fallen = np.fft.irfft((seen[:, None] * weights.conj()).sum(axis=0), size)[:, :n_starts]
        fallen += np.cumsum(np.log(spread), axis=1)[:, n - 1 - np.arange(n_starts)]
        likely = -0.5 * freedom * (before + fallen) + priors
        np.maximum(by_start, likely.max(axis=0), out=by_start)
        k = int(np.argmax(likely))
        if likely.flat[k] > best:
            best, place, chosen = float(likely.flat[k]), float(k % n_starts), (shape, length)

    for shape, lengths_s in (("exponential", _TAUS_S), ("line", _RAMPS_S), ("cosine", _RAMPS_S))[:n_shapes]:
        for length in lengths_s / (step * STEP_S):
            ask(shape, float(length))
    shape, length = chosen
    for factor in _FINER:
        ask(shape, length * factor)
    may_be = np.flatnonzero(by_start > best - _LIKELY)
    return place, float(np.max(np.abs(may_be - place))), chosen


def _fallen(fall: tuple[str, float], since: FloatArray) -> FloatArray:
    """What is left of the wave `since` steps behind the start of a fall of some shape and length."""
    shape, length = fall
    if shape == "exponential":
        return np.asarray(np.exp(-since / length))
    left = np.maximum(1.0 - since / length, 0.0)
    return np.asarray(left if shape == "line" else np.sin(0.5 * np.pi * left) ** 2)
