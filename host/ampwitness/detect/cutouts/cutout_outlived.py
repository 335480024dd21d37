"""How long the output had gone on at a supply as low as the one it stopped at: a guard that trips does so at once.

Gaps: only one unbroken run is looked at, three seconds back.
Limits: a guard that waits for more than a tenth of a second at a steady low supply is not told from a pause.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

LOW_RATIO = 0.90  # of the usual supply: what is lower can be under-voltage
_HISTORY = 3000  # steps
_GUARD = 100  # steps: a guard acts within this
_DEEP, _HALF = 0.9, 0.5  # of the fall
_FRESH_V, _FRESH_RATIO = 0.030, 0.05  # so much lower than before, in volts and of the fall, is a new low
_FRESH_SPREAD, _LEAST_LOWS = 0.2, 3
_LOOK_BACK = 350  # steps
_LIVE_RATIO = 0.12
_HELD_FRESH_V = 0.020  # what holds for milliseconds scatters less
_HELD = 20
_LOUD_RATIO = 0.5  # of the level before, in the last milliseconds: a syllable that ends is weaker
_WAITS, _ENDS = (6, 12, 24, 48), 4  # steps for which guards wait; the output's own end is off by so many
_LIVE = 20


def measure_outlived(run: RunSteps, stop: Stop, on_since: int) -> None:
    """Add to the supply's evidence how long the output outlived it, and when it was back, once the start is known.

    The output has been on since step `on_since`: what stopped it before that, it did not outlive.
    """
    supply = stop.supply
    if supply is None or supply.lowest_v >= LOW_RATIO * supply.reference_v:
        return
    last = stop.stop_sample // run.step
    recent = run.steps("supply", max(run.first, last - _HISTORY, on_since), last).astype(np.float64)
    stop.supply = replace(
        supply,
        held_lower=supply.held_v is not None
        and stop.last_rms_ratio >= _LOUD_RATIO
        and _held_lower_than_ever(recent, (_HELD,), supply.held_v),
        outlived_s=_outlived_s(run, stop, on_since, supply.reference_v, supply.lowest_v),
        rose_before_s=_rose_before_s(run, stop, supply.reference_v),
    )


def _outlived_s(run: RunSteps, stop: Stop, on_since: int, reference_v: float, lowest_v: float) -> float:
    """Seconds for which the output sounded at a supply nearly as low as the lowest before the stop; 0: hardly any.

    Nothing is outlived by a supply that goes on falling, slowly or in steps, nor within the first tenth of a second.
    """
    last = stop.stop_sample // run.step
    first = max(run.first, last - _HISTORY, on_since)
    supply = run.steps("supply", first, last).astype(np.float64)
    depth_v = reference_v - lowest_v
    if len(supply) < _GUARD or depth_v <= 0:
        return 0.0
    high = np.flatnonzero(supply > reference_v - _HALF * depth_v)
    half = int(high[-1]) + 1 if len(high) else 0
    deep = np.flatnonzero(supply[half:] <= reference_v - _DEEP * depth_v)
    if not len(deep):
        return 0.0
    at = half + int(deep[0])
    swing = run.steps("high", first, last) - run.steps("low", first, last)
    n = (len(supply) - at) // _LIVE
    is_live = swing[len(swing) - n * _LIVE :].reshape(n, _LIVE).max(axis=1) > 2 * _LIVE_RATIO * stop.peak_v
    is_low = supply[len(swing) - n * _LIVE :].reshape(n, _LIVE).min(axis=1) <= reference_v - _DEEP * depth_v
    live = int(np.sum(is_live & is_low)) * _LIVE
    if live <= max(_GUARD, at - half):
        return 0.0
    # A new low by chance is no lower than lows differ from one another, each within as long as a guard waits.
    n_lows = (len(supply) - at) // _GUARD - 1
    lows = supply[len(supply) - (n_lows + 1) * _GUARD : len(supply) - _GUARD].reshape(n_lows, _GUARD).min(axis=1)
    least_v = _FRESH_RATIO * depth_v
    if n_lows >= _LEAST_LOWS:
        least_v = min(least_v, _FRESH_SPREAD * float(lows.max() - lows.min()))
    earlier_v = float(supply[at : len(supply) - _GUARD].min(initial=np.inf))
    if float(supply[-_GUARD:].min()) < earlier_v - max(_FRESH_V, least_v):
        return 0.0
    if stop.last_rms_ratio >= _LOUD_RATIO and _held_lower_than_ever(supply, _WAITS):
        return 0.0
    return live * run.step_s


def _held_lower_than_ever(supply: FloatArray, waits: tuple[int, ...], known_v: float = np.inf) -> bool:
    """Whether the supply stayed lower right before the stop, for as long as some guard waits (steps), than ever before.

    Where the bass itself ripples the supply, a guard that waits outlives lows of a moment, deeper ones too.
    """
    for n in waits:
        if len(supply) < _GUARD + 2 * n:
            break
        held = np.lib.stride_tricks.sliding_window_view(supply, n).max(axis=1)
        if float(held[-_ENDS:].min()) < min(known_v, float(held[:-_GUARD].min())) - _HELD_FRESH_V:
            return True
    return False


def _rose_before_s(run: RunSteps, stop: Stop, reference_v: float) -> float | None:
    """How long before the stop the supply was back above what counts as low; None: it was not back."""
    begin = round((stop.start_s - run.start_s) / run.step_s)
    supply = run.steps("supply", max(run.first, begin - _LOOK_BACK), stop.stop_sample // run.step + 1)
    low = np.flatnonzero(supply < LOW_RATIO * reference_v)
    n_before = begin - max(run.first, begin - _LOOK_BACK)
    back = n_before - 1 - (int(low[-1]) if len(low) else 0)
    return back * run.step_s if back > 0 else None
