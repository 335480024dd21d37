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
    slow = replace(fit, terms=tuple(t for t in fit.terms if t.lag_s > FAST_MOST_S))
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


def _is_behind(is_quiet: npt.NDArray[np.bool_], breaks: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """(n,) where the last BEHIND_S were quiet without a break."""
    n = np.arange(len(is_quiet))
    last_loud = np.maximum.accumulate(np.where(~is_quiet | breaks, n, -1))
    return np.asarray(is_quiet & (n - last_loud > BEHIND_S / STEP_S))
