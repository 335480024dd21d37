"""How far the slow part of a supply's answer is real, by what the volts do while nothing plays.

A slow term is fitted to notes that follow each other for minutes, and there it also takes what the fast terms miss: an
efficiency that changes with level, a current that is not quite in proportion to power. The settled volts are then
carried too far above all that was ever seen. Once the amplifier is quiet nothing but the slow part is left, and it is
the volts themselves that say how far they still rise.

Gaps: a step that does not follow the one before it begins a new stretch.
Limits: quiet stretches that differ by less than LEAST_SEEN_V in what the slow part should have left say nothing, and
the fit is kept. A consumer that is on in some of them moves the answer; of all pairs the median is taken.
Source: slopes of all pairs, their median (Theil and Sen); the limits are our choice, measured by
`python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.supply_fit import FAST_MOST_S, SupplyFit, predict_fall
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray

BEHIND_S = 0.15  # of quiet, after which the fast terms have all but passed
LEAST_SEEN_V = 0.08  # that the slow part must have differed by
MOST = 200  # quiet steps that are compared, evenly chosen
STRETCH_S = 0.3  # of quiet behind the fast terms, from which on its volts are told
MISSED_SHARE = 0.15  # of what the amplifier takes at most, by which a straight line may carry settled volts too high


def believe_slow(
    fit: SupplyFit,
    steps: SupplySteps,
    supply: FloatArray,
    demand: FloatArray,
    is_quiet: npt.NDArray[np.bool_],
    breaks: npt.NDArray[np.bool_],
) -> SupplyFit:
    """The same fit with no more of its slow terms than the quiet stretches show.

    Parameters
    ----------
    fit : as learned from all that was played
    steps : of the whole recording; `supply`, `demand`, `is_quiet`, `breaks` : (n,) each
    is_quiet : where nothing is played, in the state that is asked for
    """
    slow = fit.slow_part()
    if not slow.terms:
        return fit
    behind = np.flatnonzero(_is_behind(is_quiet & np.isfinite(supply), breaks))
    chosen = behind[:: max(1, len(behind) // MOST)]
    fall_v = predict_fall(slow, demand, breaks)[chosen]
    apart_v = fall_v[:, None] - fall_v
    told = apart_v >= LEAST_SEEN_V
    if not told.any():
        return fit
    seen_v = supply[chosen][None] - supply[chosen][:, None]  # by how much less of a fall the volts stand higher
    share = float(np.clip(np.median(seen_v[told] / apart_v[told]), 0.0, 1.0))
    scaled = tuple(replace(t, weight=t.weight * share) if t.lag_s > FAST_MOST_S else t for t in fit.terms)
    return replace(fit, terms=scaled)


def bound_by_quiet(
    settled_v: FloatArray,
    supply: FloatArray,
    fall_v: FloatArray,
    slow_v: FloatArray,
    is_quiet: npt.NDArray[np.bool_],
    breaks: npt.NDArray[np.bool_],
) -> FloatArray:
    """(k,) settled volts, no higher than the highest quiet stretch shows where a fit has carried them above it.

    A stage takes more than in proportion where its rails sink, so a straight line through loud music reaches too high
    where nothing plays. What lies further above than that can explain stays: something else was on in the silence.

    Parameters
    ----------
    settled_v : (k,) as carried by the fit
    supply, fall_v, slow_v : (n,) each step's volts, what the amplifier took, and the slow share of that
    is_quiet, breaks : (n,) as for `believe_slow`
    """
    behind = np.flatnonzero(_is_behind(is_quiet & np.isfinite(supply), breaks))
    stretches = np.split(behind, np.flatnonzero(np.diff(behind) > 1) + 1)
    open_v = supply + slow_v
    highest_v = max((float(np.median(open_v[s])) for s in stretches if len(s) >= STRETCH_S / STEP_S), default=np.inf)
    is_missed = settled_v - highest_v <= MISSED_SHARE * float(np.max(fall_v, initial=0.0))
    return np.where(is_missed, np.minimum(settled_v, highest_v), settled_v)


def _is_behind(is_quiet: npt.NDArray[np.bool_], breaks: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """(n,) where the last BEHIND_S were quiet without a break."""
    n = np.arange(len(is_quiet))
    last_loud = np.maximum.accumulate(np.where(~is_quiet | breaks, n, -1))
    return np.asarray(is_quiet & (n - last_loud > BEHIND_S / STEP_S))
