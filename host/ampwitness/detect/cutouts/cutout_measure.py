"""What is measured around one stop of the output, and around its return. Numbers only; `cutout_cause` judges them.

Gaps: only one unbroken run is looked at.
Limits: battery and ground are dated to 1 ms, the step they are kept in.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_departure import find_departure
from ampwitness.detect.step_stream import STEP_S, RunSteps
from ampwitness.detect.supply.states_in_doubt import MOST_OF_12_V
from ampwitness.types import FloatArray

OFF_S = 0.050  # quiet at least this long
REMOTE_LOW_V = 6.0  # a remote lead below this switches no amplifier on (common practice, no source)
LEFT_RATIO, _LEFT_S = 0.90, 0.050  # of the usual supply; so long ahead of half of it at most
NEAR_S = 0.005  # what fell this long behind the stop may still have caused it: the wave's end is known so well
GUARD_S = 0.012  # a guard lets go so late at most, as far as is known of them
LOST_RATIO = 0.30  # of the usual supply: what is lower is no supply
_BATTERY_V = 13.0  # between rest and charging
_TONAL_RATIO = 0.15
_CLEAN_RATIO = 0.02
HALF_CYCLE_S = 0.0125  # of 40 Hz
ABRUPT_RATIO = 0.30  # swing within the last half-cycle, of the swing before
TRUNCATED_RATIO = 0.12  # a stop in mid-cycle leaves a step of at least this much of the swing before
FALL_S = 0.003  # a tone that is cut off is gone within this
HIGH_RATIO = 0.5  # cut as high as this, with other sounds on it, it may look as if it took
HIGH_FALL_S = 0.006
STEPPED_RATIO = 0.20
HELD_OVER_REST = 7.0
HELD_OVER_HISS = 5.0
STEP_OVER_REST = 3.0  # a noise that plays on under a note that ended has crests as high before as after
LAST_RMS_RATIO = 0.37
_BEFORE_FALL_S = (0.060, 0.012)
_LOWEST_STEPS = 300
_STEEP_S, _STEEP_RATIO = 0.004, 0.6  # so much of the fall within this, and the rest is what the programme pulled
_PLAYS_ON_RATIO = 0.7  # a fall leaves 0.61 of the rms at most
_END_S, _LAST_S, _END_RATIO = 0.005, 0.008, 0.35  # as high within the last 5 ms: no fall of 15 ms or more ends so
_LONG_FALL_S = 0.015
_GROWN_RATIO = 1.3  # a wave that grew did not fall
_ROSE_RATIO, _LATER_S = 2.0, 0.0005
TAIL_TIMES = (
    1.8  # of that tail: an exponential fall began 1.4 of it before its end, a wave seldom stands at its crest there
)
_TAIL_RATIO = 0.35  # a tone of 40 Hz sinks from there to nothing in 1.4 ms


def count_batteries(usual_v: FloatArray | float) -> npt.NDArray[np.int64]:
    """How many 12 V batteries in a row a supply of some usual volts has: 2 on 24 V."""
    return np.where(
        np.asarray(usual_v) > MOST_OF_12_V, np.maximum(np.rint(np.asarray(usual_v) / _BATTERY_V), 2), 1
    ).astype(np.int64)


@dataclass(frozen=True, slots=True)
class SupplyEvidence:
    """The supply around one stop of the output, averaged over 2 ms."""

    reference_v: float  # usual supply of the last minute: upper quartile of the upper quartiles of its seconds
    at_stop_v: float  # last 2 ms before the stop
    lowest_v: float  # lowest within 300 ms before the stop
    lowest_before_s: float  # how long before the stop that was
    fell_before_s: float | None  # how long before the stop it last fell below 90 % of the usual supply
    after_v: float  # median from 10 to 50 ms after the stop
    lowest_after_v: float  # lowest within 20 ms after the stop
    lowest_step_v: float  # as `lowest_v`, over 1 ms: as `survived_v` is
    survived_v: float | None  # lowest through which the output went on earlier than that in this run
    held_v: float | None = None  # the same of what lasted 20 ms: so long may a guard wait
    late_v: float = 0.0  # highest within the last 12 ms before the stop: where it was when a slow guard was called
    course_v: tuple[float, ...] = ()  # at the stop, and 1, 2 ... ms before it, up to `GUARD_S`
    slope_v_per_s: float = 0.0  # of its mean over the last 10 ms before the stop
    lost_s: float | None = None  # recording time at which it first fell through half its usual value
    lost_last_s: float | None = None  # the last time it did so before the stop
    lost_from_s: float | None = None  # when it had left nine tenths of it for the first of these falls, if one is seen
    outlived_s: float = (
        0.0  # how long the output had sounded at such a low supply before it stopped; 0: not to speak of
    )
    rose_before_s: float | None = None  # how long before the stop it was back; None: it was not
    held_lower: bool = False  # right before the stop it stayed lower, for as long as a guard may wait, than ever before
    fall_s: float | None = None  # how long the fall to the lowest took, from a quarter of it to nine tenths
    fall_before_s: float = 0.0  # how long before the stop that fall stood at a quarter

    def of_12_v(self, volts: float) -> float:
        """What some volts of a 12 V supply are on this one: twice as many on 24 V."""
        return volts * float(count_batteries(self.reference_v))


@dataclass(frozen=True, slots=True)
class OverVoltage:
    """A supply that had risen too high: when it rose through `limit_v`, and its highest up to the stop."""

    limit_v: float
    since_s: float
    highest_v: float
    highest_s: float


@dataclass(frozen=True, slots=True)
class Hum:
    """What took the signal's place (`cutout_hum`, `cutout_unlike`)."""

    mains_hz: int | None  # None: something else
    rms_v: float
    is_in_source: bool | None  # None: the source is not logged


@dataclass(frozen=True, slots=True)
class CommonFall:
    """The supply stepped down together with all other leads that were logged (`cutout_common`)."""

    fell_v: float
    time_s: float
    roles: tuple[str, ...]  # of the others: battery, remote


@dataclass(slots=True)
class Stop:
    """The output has stopped; what was measured then, and later."""

    stop_s: float
    stop_sample: int
    peak_v: float
    off_rms_v: float
    rest_v: float
    rest_before_v: float = 0.0
    rests_steadily: bool = True  # the volts at which it rests stand still
    sank_from_v: float | None = None  # volts on which it played and that sank once it was silent (`cutout_bias`)
    sank_to_v: float | None = None
    is_gone_at_once: bool = False  # these volts went with what it played
    hum: Hum | None = None
    is_half: bool = (
        False  # steady volts of half the supply, before anything had sounded: a stage may stand so by itself
    )
    abrupt_ratio: float = 0.0  # swing in the last half-cycle (12.5 ms), of the swing before
    fade_s: float | None = None  # where a slow fall began, by the level's own course
    fade_doubt_s: float = 0.0  # how far off that may be
    cut_s: float | None = None  # where a tone left its own continuation; None: no tone
    cut_ratio: float = 0.0  # how high it stood then, of the swing before
    cut_is_noisy: bool = False  # other sound than the tone's own was in it
    fall_s: float = np.inf
    pop_s: float | None = None  # where the wave was cut, if a pop followed
    pop_v: float | None = None
    pop_doubt_s: float = 0.0
    dc_v: float | None = None  # steady volts right before
    dc_since_s: float | None = None
    tail_s: float = 0.0  # so long before the stop it last stood at a third of its height in the 30 ms before
    step_ratio: float = 0.0  # highest within the last 1.25 ms, of the swing before
    soon_after_ratio: float = 0.0  # highest from 2 to 25 ms behind the stop, of the swing before
    last_rms_ratio: float = 0.0  # rms of the last 6 ms, of the rms before
    at_level_ratio: float = 0.0  # highest within the last 3 ms, of the highest of the last ten seconds
    level_share: float = 0.0  # share of the last second that stood as high
    heat_s: float = 0.0  # seconds of the last minute that were nearly as loud as its loudest
    heat_known_s: float = np.inf  # so long was recorded behind a gap; what was played before it is not counted
    supply: SupplyEvidence | None = None
    supply_lead_off_s: float | None = None  # since when the logger's own lead was off (`supply_lead`)
    lows_v: FloatArray | None = None  # lowest before, and later while it sounded, by how long each lasted
    later_lows_v: FloatArray | None = None
    over: OverVoltage | None = None  # the supply had risen too high right before
    remote_is_known: bool = False
    remote_fell_s: float | None = None
    remote_flickers_s: tuple[float, ...] = ()  # within the half second before; it was back before the stop
    remote_back_s: float | None = None  # when it was back from the last of them
    remote_sag_v: float | None = None  # lowest of the second before, where it sagged by a quarter
    remote_sag_s: float | None = None
    remote_usual_v: float = 0.0
    remote_at_stop_v: float | None = None  # of an analog lead
    supply_at_remote_v: float | None = None  # lowest of the supply right before the remote lead fell
    remote_was_ignored: bool = False  # the output came back while it was still low
    remote_after_s: float | None = None  # it fell right behind the last sound, which ended at `last_sound_s`
    last_sound_s: float | None = None
    ground_jump_v: float | None = None  # None: no such channel
    ground_jump_s: float | None = None
    battery_jump_v: float | None = None
    battery_lowest_v: float | None = None  # within 50 ms
    common_fall: CommonFall | None = None
    lift_v: float | None = None  # so far both terminals jumped up together right before; None: they did not
    lift_s: float | None = None
    source: str = "not logged"  # "played on", "stopped", "not judged"
    source_stop_s: float | None = None
    follows_source: bool = False  # it went on as its source's wave at its usual gain: nothing stopped
    unseen_s: float = 0.0  # so long the source itself was silent behind it: it may have stopped within
    unseen_lowest_v: float | None = None  # of the supply until the source was heard again
    source_back_s: float | None = None  # so soon behind a stop of both it played on, and the output did not
    source_gain_ratio: float = 0.0  # output over source, rms, of the seconds before
    n_supply_falls: int = 0
    supply_lowest_off_v: float | None = None  # while the output was off
    supply_highest_off_v: float = -np.inf
    n_ground_jumps: int = 0
    resume_s: float | None = None
    end_s: float = 0.0
    ended_how: str = ""
    return_how: str = ""
    return_ramp_s: float | None = None
    return_thump_v: float | None = None
    supply_at_return_v: float | None = None
    remote_rose_s: float | None = None
    is_dc_only: bool = False
    stood_at_first: bool = False  # and they stood there, without sound, when the run began: nobody saw it stop
    is_hiss: bool = False  # what is left sounds like the logger's noise or an output stage's (`cutout_noise`)
    plays_softer: bool = False  # the programme went on more softly (`cutout_softer`)
    is_under: bool = False  # steady volts under a programme that played on: nothing stopped
    is_from_first: bool = False  # and they stood there when the run began
    gap_s: tuple[float, float] | None = None  # it stopped within a gap: where that began and ended (`cutout_in_gap`)
    n_before_10_s: int = 0  # stops that had ended in the ten seconds before
    n_after_10_s: int = 0
    n_cooling: int = 0  # other stops behind long heat that ended as slowly, where there are some
    is_again: bool = False  # soon after the return from a stop at a peak
    n_at_level: int = 0  # other stops at as high a supply or a higher one, where this one's alone does not explain it
    n_alike: int = 0  # stops within ten seconds that nothing explains; 0 where this one lasted longer than all of them
    n_as_low: int = 0  # other stops at as high a supply or a higher one, which came right behind its lowest
    n_new_lows: int = 0  # others at such a supply, each a new low, that nothing else explains (`cutout_siblings`)
    n_lost_alike: int = 0  # others ahead of which the supply fell alike, and at which it was lost
    n_silent: int = 0  # others at a low supply that left silence where this one did not
    n_retries: int = 0  # stops in an even row with this one (`cutout_retry`), every `retry_s`; 0 s: at odd moments
    retry_s: float = 0.0
    surge_ratio: float | None = None  # so many times as far as ever the current rose right before (`cutout_surge`)
    surge_s: float | None = None
    silent_terminal: str = ""  # of the output's two that which lay still while the other played on
    n_by_itself: int = 0  # stops within a minute that the programme made, or nothing explains
    last_step: int = 0  # up to where the outage was followed
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def start_s(self) -> float:
        """Where a tone left its continuation, a slow fall or a pop began, else the last sample that is not rest."""
        if self.pop_s is not None:
            return self.pop_s
        if self.fade_s is not None:
            return self.fade_s
        return self.cut_s if self.cut_s is not None and self.fall_s < 0.060 else self.stop_s

    @property
    def is_truncated(self) -> bool:
        """Whether the wave was cut in mid-cycle, as no note ends."""
        if self.pop_s is not None:
            return True
        # Noise-like material has no continuation to leave: its level must have held right up to the stop, or the very
        # last millisecond stood high.
        held = self.last_rms_ratio >= LAST_RMS_RATIO and self.abrupt_ratio >= ABRUPT_RATIO
        held = held and (self.abrupt_ratio >= HELD_OVER_REST * self.soon_after_ratio or self.stands_over_hiss)
        least = max(TRUNCATED_RATIO, STEP_OVER_REST * self.soon_after_ratio)
        stepped = self.step_ratio >= least and self.abrupt_ratio >= STEPPED_RATIO
        if self.cut_s is None:
            return held or stepped
        if self.cut_is_noisy and self.fall_s <= HIGH_FALL_S and held and stepped:
            return True  # the noise on a tone hides when it left its continuation
        sharp = self.cut_ratio >= TRUNCATED_RATIO and self.fall_s <= FALL_S
        return sharp or (self.cut_ratio >= HIGH_RATIO and self.fall_s <= HIGH_FALL_S)

    @property
    def stands_over_hiss(self) -> bool:
        """Whether nothing but hiss is left, whose crests are high, and the last of the wave stood far above its rms."""
        return self.is_hiss and self.extra.get("last_v", 0.0) >= HELD_OVER_HISS * self.off_rms_v

    @property
    def start_uncertainty_s(self) -> float:
        """How far off the start may be: small where the wave broke off high, else about a half-cycle's part."""
        if self.pop_s is not None:
            return self.pop_doubt_s
        if self.unseen_s > 0:
            return max(0.0125, self.unseen_s)
        if self.fade_s is not None:
            return max(0.0125, self.fade_doubt_s)
        if self.cut_s is not None and self.is_truncated:
            return 0.001
        is_abrupt = self.abrupt_ratio >= 0.5 and self.last_rms_ratio >= 0.37
        return min(max(0.002, TAIL_TIMES * self.tail_s), 0.0125) if is_abrupt else 0.0125


def measure_wave(run: RunSteps, stop: Stop, on_since: int) -> None:
    """How the wave broke off: where it left its own continuation, at what height, and how fast it was gone."""
    rate_hz, at = run.rate_hz, stop.stop_sample
    _, near = run.samples("output", at - round(0.030 * rate_hz), at + 1)
    near = near - stop.rest_v
    before = near[-round(HALF_CYCLE_S * rate_hz) :]
    stop.abrupt_ratio = float(np.max(np.abs(before))) / stop.peak_v if len(before) else 0.0
    high = np.flatnonzero(np.abs(near) >= _TAIL_RATIO * np.max(np.abs(near), initial=0.0))
    stop.tail_s = (len(near) - 1 - int(high[-1])) / rate_hz if len(high) else 0.0
    stop.step_ratio = float(np.max(np.abs(near[-round(0.00125 * rate_hz) :]), initial=0.0)) / stop.peak_v
    _, after = run.samples("output", at + round(0.002 * rate_hz), at + round(0.025 * rate_hz))
    stop.soon_after_ratio = float(np.max(np.abs(after - stop.rest_v), initial=0.0)) / stop.peak_v
    last = near[-round(0.007 * rate_hz) : -round(0.001 * rate_hz)]
    stop.extra["last_v"] = _rms(last)
    begin = max(run.first * run.step, at - round(0.185 * rate_hz), on_since * run.step)
    first, samples = run.samples("output", begin, at + round(0.030 * rate_hz))
    n_before = at - round(0.015 * rate_hz) - first
    if n_before < round(0.030 * rate_hz):
        stop.last_rms_ratio = _rms(last) / stop.peak_v
        return
    factor = max(1, round(rate_hz * STEP_S))
    slow = samples[: n_before // factor * factor].reshape(-1, factor).mean(axis=1)
    pivot = max(n_before, at - first - round(0.002 * rate_hz))
    cut = find_departure(samples, rate_hz, n_before, pivot, slow, rate_hz / factor)
    rms_v = float(np.std(samples[:n_before]))
    stop.last_rms_ratio = _rms(last) / max(rms_v, 1e-9)
    if cut is None or cut.noise_v > _TONAL_RATIO * rms_v:
        return  # no tone: nothing to carry on
    if first + cut.at > at + 1 + 0.0005 * rate_hz:
        return  # it carried on into silence: no tone either
    place = round(cut.at)
    if _plays_on(samples - stop.rest_v, place, at - first, rate_hz):
        return  # what began there was another note, or a ceiling that came down: it stopped later
    # With noise on the tone the break is seen late: look for its height a little before.
    stop.cut_is_noisy = cut.noise_v >= _CLEAN_RATIO * rms_v
    early = round(0.0008 * rate_hz) if stop.cut_is_noisy else 1
    cut_ratio = float(np.max(np.abs(samples[max(0, place - early) : place + 1] - stop.rest_v))) / stop.peak_v
    later = samples[place + round(_LATER_S * rate_hz) : at - first + 1] - stop.rest_v
    later_ratio = min(float(np.max(np.abs(later), initial=0.0)) / stop.peak_v, stop.step_ratio)
    if cut_ratio < TRUNCATED_RATIO and later_ratio > max(_ROSE_RATIO * cut_ratio, STEPPED_RATIO):
        return  # what stood higher later, right ahead of the quiet, was not falling yet: it was carried on badly
    stop.cut_s = float(run.start_s + (first + cut.at) / rate_hz)
    stop.cut_ratio = cut_ratio
    stop.fall_s = max(0.0, stop.stop_s - stop.cut_s)


def _plays_on(wave: FloatArray, cut: int, end: int, rate_hz: float) -> bool:
    """Whether the wave that left its continuation at sample `cut` stood high until it stopped at `end`: no fall.

    A thump of the stop itself may stand as high, but is not cut off: it dies away.
    """
    before_v = float(np.max(np.abs(wave[max(0, cut - round(0.025 * rate_hz)) : cut]), initial=0.0))
    long_s = (end - cut) / rate_hz
    if _highest_v(wave, cut, end, _LAST_S, rate_hz) < _END_RATIO * before_v:
        return False
    if _highest_v(wave, cut, end, long_s, rate_hz) > _GROWN_RATIO * before_v:
        return True
    if long_s < HIGH_FALL_S:
        return False
    if long_s > _LONG_FALL_S and _highest_v(wave, cut, end, _END_S, rate_hz) >= _END_RATIO * before_v:
        return True
    rms_v = _rms(wave[max(0, cut - round(0.025 * rate_hz)) : cut])
    return _rms(wave[cut + round(0.003 * rate_hz) : end + 1]) > _PLAYS_ON_RATIO * rms_v


def _highest_v(wave: FloatArray, cut: int, end: int, within_s: float, rate_hz: float) -> float:
    return float(np.max(np.abs(wave[max(cut, end - round(within_s * rate_hz)) : end + 1]), initial=0.0))


def measure_level(run: RunSteps, stop: Stop, peaks_10_s_v: float) -> None:
    """How high the wave stood when it stopped, and how often it stands as high."""
    at = round((stop.start_s - run.start_s) * run.rate_hz)
    _, last = run.samples("output", at - round(0.003 * run.rate_hz), at + 1)
    highest_v = max(peaks_10_s_v, stop.peak_v)
    level_v = float(np.max(np.abs(last - stop.rest_before_v))) if len(last) else 0.0
    stop.at_level_ratio = level_v / highest_v
    step = stop.stop_sample // run.step
    swing = np.maximum(run.steps("high", step - 1000, step), -run.steps("low", step - 1000, step))
    stop.level_share = float(np.mean(swing >= 0.95 * level_v)) if len(swing) else 0.0


def measure_supply(
    run: RunSteps, at: int, known: int, reference_v: float, survived_v: float | None, held_v: float | None
) -> SupplyEvidence | None:
    """The supply around sample `at`; nothing from step `known` on is looked at. None: less than 2 ms before it."""
    rate_hz = run.rate_hz
    n_mean = max(1, round(0.002 * rate_hz))
    _, before = run.samples("supply", max(run.first * run.step, at + 1 - round(0.300 * rate_hz)), at + 1)
    if len(before) < n_mean:
        return None
    means = np.convolve(before, np.full(n_mean, 1.0 / n_mean), "valid")
    lowest = int(np.argmin(means))
    n_back = min(len(means) - 1, round(0.010 * rate_hz))
    fall_s, fall_before_s = _measure_fall(means, lowest, reference_v, rate_hz)
    low = means < 0.90 * reference_v
    fell_before_s = None
    if low[lowest]:
        high = np.flatnonzero(~low[: lowest + 1])
        fell_before_s = (len(means) - 1 - (int(high[-1]) + 1 if len(high) else 0)) / rate_hz
    stop = min(at + 1 + round(0.050 * rate_hz), known * run.step)
    _, after = run.samples("supply", at + 1, stop)
    soon = after[: round(0.020 * rate_hz)]
    lowest_after_v = (
        float(np.convolve(soon, np.full(n_mean, 1.0 / n_mean), "valid").min())
        if len(soon) >= n_mean
        else float(means[-1])
    )
    late = after[round(0.010 * rate_hz) :]
    # At a fall of a volt a millisecond an average over 2 ms reads tenths of a volt higher than one over 1 ms.
    steps = run.steps("supply", max(run.first, at // run.step - _LOWEST_STEPS), at // run.step + 1)
    around_first, around = run.samples("supply", at - round(0.300 * rate_hz), stop)
    under = around < 0.5 * reference_v
    lost_s = lost_last_s = lost_from_s = None
    if under.any():
        lost_s = run.start_s + (around_first + int(np.argmax(under))) / rate_hz
        falls = np.flatnonzero(under[1:] & ~under[:-1]) + 1
        if len(falls):
            lost_s = run.start_s + (around_first + int(falls[0])) / rate_hz
            lost_from = _find_left(around, int(falls[0]), reference_v, rate_hz)
            lost_from_s = None if lost_from is None else run.start_s + (around_first + lost_from) / rate_hz
            soon_enough = falls[falls <= at + round(NEAR_S * rate_hz) - around_first]
            lost_last_s = run.start_s + (around_first + int(soon_enough[-1])) / rate_hz if len(soon_enough) else lost_s
    return SupplyEvidence(
        reference_v=reference_v,
        at_stop_v=float(means[-1]),
        lowest_v=float(means[lowest]),
        lowest_before_s=(len(means) - 1 - lowest) / rate_hz,
        fell_before_s=fell_before_s,
        after_v=float(np.median(late)) if len(late) else float(means[-1]),
        lowest_after_v=lowest_after_v,
        lowest_step_v=min(float(means[lowest]), float(steps.min(initial=np.inf))),
        survived_v=survived_v,
        held_v=held_v,
        late_v=float(means[-1 - round(GUARD_S * rate_hz) :].max()),
        course_v=tuple(
            means[-1 - round(ms * rate_hz / 1000)].item()
            for ms in range(round(1000 * GUARD_S) + 1)
            if ms * rate_hz / 1000 < len(means) - 1
        ),
        slope_v_per_s=(float(means[-1]) - float(means[-1 - n_back])) / (n_back / rate_hz) if n_back else 0.0,
        lost_s=lost_s,
        lost_last_s=lost_last_s,
        lost_from_s=lost_from_s,
        fall_s=fall_s,
        fall_before_s=fall_before_s,
    )


def _find_left(around: FloatArray, half: int, reference_v: float, rate_hz: float) -> int | None:
    """The sample at which a fall that passed half the usual supply at sample `half` left nine tenths of it.

    What an amplifier stores holds the volts up meanwhile, and it may let go before half is reached. None: longer ago
    than a fall that is told takes, as the programme pulls the supply as far by itself.
    """
    high = np.flatnonzero(around[max(0, half - round(_LEFT_S * rate_hz)) : half] >= LEFT_RATIO * reference_v)
    return max(0, half - round(_LEFT_S * rate_hz)) + int(high[-1]) + 1 if len(high) else None


def _measure_fall(means: FloatArray, lowest: int, reference_v: float, rate_hz: float) -> tuple[float | None, float]:
    """How long the fall to the lowest took, and how long before the end of `means` it stood at a quarter."""
    # From where it stood right before: what the programme itself pulls is no part of the fall.
    before = means[
        max(0, lowest - round(_BEFORE_FALL_S[0] * rate_hz)) : max(0, lowest - round(_BEFORE_FALL_S[1] * rate_hz))
    ]
    from_v = min(reference_v, float(np.median(before))) if len(before) else reference_v
    depth_v = from_v - float(means[lowest])
    high = np.flatnonzero(means[: lowest + 1] > from_v - 0.25 * depth_v)
    if depth_v <= 0 or not len(high):
        return None, 0.0
    quarter = int(high[-1])
    steep = max(0, lowest - round(_STEEP_S * rate_hz))
    if float(means[steep] - means[lowest]) >= _STEEP_RATIO * depth_v:
        return _STEEP_S, (len(means) - 1 - steep) / rate_hz
    deep = quarter + int(np.argmax(means[quarter : lowest + 1] < from_v - 0.9 * depth_v))
    return (deep - quarter) / rate_hz, (len(means) - 1 - quarter) / rate_hz


def measure_jumps(run: RunSteps, stop: Stop) -> None:
    """Whether battery and ground jumped around the stop, with the supply or without it."""
    step = stop.stop_sample // run.step
    for role in ("ground", "battery"):
        if role not in run:
            continue
        before = run.steps(role, step - 300, step - 50)
        around = run.steps(role, step - 50, step + 50)
        if len(before) == 0 or len(around) == 0:
            continue
        usual_v = float(np.median(before))
        off = np.abs(around - usual_v)
        largest = int(np.argmax(off))
        jump_v = float(around[largest]) - usual_v
        if role == "battery":
            stop.battery_jump_v, stop.battery_lowest_v = jump_v, float(around.min())
        else:
            stop.ground_jump_v = jump_v
            over = np.flatnonzero(off > 0.5 * abs(jump_v))
            stop.ground_jump_s = run.time_s(max(run.first, step - 50) + int(over[0])) if len(over) else None


def count_falls(run: RunSteps, stop: Stop, start: int, until: int) -> None:
    """Add how often supply and ground stepped in these steps: an intermittent connection steps more than once."""
    if stop.supply is not None:
        volts = run.steps("supply", start, until)
        low_v, high_v = 0.5 * stop.supply.reference_v, 0.75 * stop.supply.reference_v
        stop.n_supply_falls += _count_crossings(volts, low_v, high_v, stop.extra, "supply_is_low")
        off = volts[max(0, stop.stop_sample // run.step - start) :]
        if len(off):
            known_v = np.inf if stop.supply_lowest_off_v is None else stop.supply_lowest_off_v
            stop.supply_lowest_off_v = min(known_v, float(off.min()))
            stop.supply_highest_off_v = max(stop.supply_highest_off_v, float(off.max()))
    if stop.ground_jump_v is not None and abs(stop.ground_jump_v) > 1.0:
        away = np.abs(run.steps("ground", start, until) - stop.extra.get("ground_usual_v", 0.0))
        limit_v = 0.5 * abs(stop.ground_jump_v)
        stop.n_ground_jumps += _count_crossings(-away, -limit_v, -0.5 * limit_v, stop.extra, "ground_is_off")


def _count_crossings(volts: FloatArray, low_v: float, high_v: float, memory: dict[str, float], name: str) -> int:
    """Falls below `low_v`, each after having been above `high_v`."""
    state = np.where(volts < low_v, 1, np.where(volts > high_v, 0, -1))
    state = state[state >= 0]
    if len(state) == 0:
        return 0
    n = int(np.sum(np.diff(np.concatenate(([memory.get(name, 0.0)], state))) == 1))
    memory[name] = float(state[-1])
    return n


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else 0.0
