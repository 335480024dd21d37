"""Lasting steps of a supply's open volts: a charger that was too weak to reach a charging level came or went.

An overloaded alternator holds volts that a full battery has at rest. That it stops, or starts, shows all the same:
what the supply would be without the amplifier falls or rises within a second and stays there.

Gaps: nothing is looked for within 5 s of one.
Limits: a large consumer that is switched for good makes the same step; only an upper level above that of a rested
battery is taken for a charger's, and the report says so.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`. 12.9 V: above a full
battery at rest of either kind (flooded 12.65 to 12.7 V, electrode data of Bode; AGM up to 12.9 V, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray

LASTS_S = 5.0  # on either side
STEP_V = 0.30
CHARGER_FROM_V = 12.90
_BLOCK_S = 0.5
_FALLS_SHARE = 0.75  # of the changes, in which volts must fall with demand
_PAIR_STEPS = 20  # of 10 ms, whose means are compared with the next ones'
_SIDE = round(LASTS_S / _BLOCK_S)
# Other consumers come and go: most of the upper side must stand above nearly all of the lower one.
_UPPER_QUANTILE, _LOWER_QUANTILE = 0.25, 0.90


def learn_sag(supply: FloatArray, demand: FloatArray) -> FloatArray:
    """How far the supply lies below itself with the amplifier quiet: a slope learned from changes of level alone.

    Parameters
    ----------
    supply, demand : (n,) by steps of 10 ms, in order; demand is what the amplifier takes, NaN where not known

    Returns
    -------
    (n,) volts; 0 where no slope can be learned: too few changes, or volts that do not fall with them.
    """
    if not np.isfinite(demand).any():
        return np.zeros(len(supply))
    demand = np.where(np.isfinite(demand), demand, 0.0)
    n = len(supply) // _PAIR_STEPS * _PAIR_STEPS
    volts, asked = (v[:n].reshape(-1, _PAIR_STEPS).mean(axis=1) for v in (supply, demand))
    dv, dd = np.diff(volts), np.diff(asked)
    used = (np.abs(dv) < 1.5) & (np.abs(dd) > 0.2 * float(np.max(np.abs(dd), initial=0.0)))
    if used.sum() < 5 or float(asked.max()) <= 0:
        return np.zeros(len(supply))
    slopes = -dv[used] / dd[used]
    slope = float(np.median(slopes))
    if not 0.0 < slope * float(asked.max()) < 6.0 or float(np.mean(slopes > 0)) < _FALLS_SHARE:
        return np.zeros(len(supply))
    # The supply follows the demand within some tens of milliseconds.
    smooth = np.convolve(demand, np.full(5, 0.2), "full")[: len(demand)]
    return np.asarray(slope * smooth)


@dataclass(frozen=True, slots=True)
class LastingStep:
    """One step: when, and the volts before and behind it."""

    time_s: float
    before_v: float
    behind_v: float

    @property
    def rises(self) -> bool:
        """Whether a charger came."""
        return self.behind_v > self.before_v


def find_lasting_steps(
    time_s: FloatArray, open_v: FloatArray, may_be: npt.NDArray[np.bool_], from_v: float = CHARGER_FROM_V
) -> tuple[LastingStep, ...]:
    """Find the steps.

    Parameters
    ----------
    time_s, open_v : (n,) the supply as it would be with the amplifier quiet, at times at most 0.5 s apart
    may_be : (n,) where one may lie: five seconds to either side must
    from_v : least volts on the upper side

    Returns
    -------
    Steps in order of time, each dated to half a second.
    """
    known = np.isfinite(open_v)
    time_s, open_v, may_be = time_s[known], open_v[known], may_be[known]
    if len(time_s) == 0:
        return ()
    block = np.floor(time_s / _BLOCK_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    if len(starts) < 2 * _SIDE:
        return ()
    ends = np.append(starts[1:], len(block))
    level = _medians(open_v, starts, ends - starts)
    allowed = np.logical_and.reduceat(may_be, starts)
    number = block[starts]
    sides = np.lib.stride_tricks.sliding_window_view(level, _SIDE)
    before, behind = sides[:-_SIDE], sides[_SIDE:]
    whole = number[2 * _SIDE - 1 :] - number[: len(number) - 2 * _SIDE + 1] == 2 * _SIDE - 1
    whole &= np.lib.stride_tricks.sliding_window_view(allowed, 2 * _SIDE).all(axis=1)
    apart: list[FloatArray] = []
    for upper, lower in ((before, behind), (behind, before)):
        gap_v = np.quantile(upper, _UPPER_QUANTILE, axis=1) - np.quantile(lower, _LOWER_QUANTILE, axis=1)
        apart.append(np.where(whole & (np.median(upper, axis=1) >= from_v), gap_v, -np.inf))
    best = np.maximum(*apart)
    found: list[LastingStep] = []
    at = 0
    while at < len(best):
        if best[at] < STEP_V:
            at += 1
            continue
        stop = at + int(np.argmax(np.append(best[at : at + _SIDE] < STEP_V, True)))
        # Where the means to either side differ most.
        place = at + int(np.argmax(np.abs(behind[at:stop].mean(axis=1) - before[at:stop].mean(axis=1))))
        middle_s = float(number[place + _SIDE] * _BLOCK_S)
        found.append(LastingStep(middle_s, float(np.median(before[place])), float(np.median(behind[place]))))
        at = stop + _SIDE // 2
    return tuple(found)


def _medians(values: FloatArray, starts: npt.NDArray[np.intp], lengths: npt.NDArray[np.intp]) -> FloatArray:
    """(k,) median of each stretch; those of one length, as nearly all are, together."""
    out = np.empty(len(starts))
    for length in np.unique(lengths).tolist():
        rows = np.flatnonzero(lengths == length)
        out[rows] = np.median(values[starts[rows, None] + np.arange(length)[None, :]], axis=1)
    return out


def spans_of_charging(
    steps: tuple[LastingStep, ...], begins_s: float, ends_s: float
) -> tuple[tuple[float, float], ...]:
    """Within a span that no charging level told apart: where a charger ran after all, by its steps."""
    out: list[tuple[float, float]] = []
    since_s, is_on = begins_s, None
    for step in steps:
        if not begins_s < step.time_s < ends_s:
            continue
        if not step.rises and is_on is not False:
            out.append((since_s, step.time_s))
        since_s, is_on = step.time_s, step.rises
    if is_on:
        out.append((since_s, ends_s))
    return tuple(out)
