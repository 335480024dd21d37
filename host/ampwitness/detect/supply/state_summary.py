"""Figures of supply, dips, clips and cut-outs for each engine state. Counts what others found.

Gaps: nothing is counted in one.
Limits: of minutes of which only mean and lowest volts were kept all is counted to the state in their middle.
Source: ours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.engine_states import STATES, EngineStates
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.finding_list import FindingList
from ampwitness.types import Finding, FloatArray

RISES_S = 0.15  # the last swing of a starter and the rise behind it, no state's lowest volts
_NEAR_S = 0.05  # of a lost lead: it still falls, or is about to be back


def summarise_states(
    states: EngineStates, steps: SupplySteps, findings: Sequence[Finding], lost: Sequence[tuple[float, float]] = ()
) -> dict[str, Any]:
    """Figures of supply, dips, clips and cut-outs for each engine state.

    Parameters
    ----------
    states, steps, findings : what was found
    lost : spans without a supply: no mean and no lowest volts of a state

    Returns
    -------
    spans (start_s, stop_s, state, by: "the volts", the ripple or a mark), remarks, and per state: duration_s,
    supply_mean_v, supply_lowest_v, supply_highest_v (10 ms; the highest None where of some minutes only lowest volts
    are kept), n_dips, of the deepest of them deepest_residual_v, deepest_role and deepest_during (what else went on),
    n_clips, clipped_share (flat time over duration), n_cutouts.
    """
    per: dict[str, Mapping[str, Any]] = {}
    place = np.full(len(steps), STATES.index("not decidable"), dtype=np.int64)
    for span in states.spans:
        a, b = np.searchsorted(steps.time_s, [span.start_s, span.stop_s])
        place[a:b] = STATES.index(span.state)
    is_rising = _find_rising(states, steps)
    starts = np.array([s.start_s for s in states.spans])
    kinds = [s.state for s in states.spans]
    listed = FindingList.of(findings)
    # The last one: before all. A byte each, as a day has half a million clips.
    state_of_span = np.array([STATES.index(kind) for kind in [*kinds, "not decidable"]], dtype=np.int8)

    def state_at(time_s: FloatArray) -> npt.NDArray[np.int8]:
        return np.asarray(state_of_span[np.searchsorted(starts, time_s, "right") - 1])

    dip, cutout, clip = (listed.of_kind(kind) for kind in ("dip", "cutout", "clip"))
    # What may be square by itself is no clip: no logged source says so, and the amplifier did not cut it off.
    clip = clip.take(np.flatnonzero(~(clip.values("is_source_unseen") > 0)))
    dip_state, cutout_state, clip_state = (state_at(some.start_s) for some in (dip, cutout, clip))
    flat_s = clip.values("flat_s")
    state_of_minute = state_at(steps.left_out.middle_s)
    supply = steps.volts.get("supply", np.empty(0))
    is_lost = np.zeros(len(steps), dtype=bool)
    for start_s, stop_s in lost:
        is_lost |= (steps.time_s > start_s - _NEAR_S) & (steps.time_s < stop_s + _NEAR_S)
    for number, name in enumerate(STATES):
        mine = place == number
        left_out = steps.left_out
        beside = np.flatnonzero(state_of_minute == number)
        duration_s = float(mine.sum() * STEP_S + left_out.seen_s[beside].sum())
        if duration_s == 0:
            continue
        volts = supply[mine & ~is_lost] if (mine & ~is_lost).any() else supply[mine]
        means = (volts.sum(), (left_out.supply_mean_v * left_out.seen_s)[beside].sum() / STEP_S)
        lowest_v = min(np.min(supply[mine & ~is_rising & ~is_lost], initial=np.inf), left_out.lowest_supply_v(beside))
        dips = list(dip.take(np.flatnonzero(dip_state == number)))
        deepest = min(dips, key=_residual_v, default=None)
        # The same 10 ms, wherever they lie: one low point is told by one number.
        lowest_v = min([float(lowest_v), *(_residual_v(one) for one in dips if _is_ours(one, lost))])
        flats = flat_s[clip_state == number]
        per[name] = {
            "duration_s": duration_s,
            "supply_mean_v": float(np.mean(volts))
            if not len(beside)
            else float(sum(means) / (len(volts) + left_out.seen_s[beside].sum() / STEP_S)),
            "supply_lowest_v": lowest_v,
            "supply_highest_v": None if len(beside) else float(np.max(supply[mine])),
            "n_dips": len(dips),
            "deepest_residual_v": None if deepest is None else _residual_v(deepest),
            "deepest_role": None if deepest is None else deepest.measured.get("role"),
            "deepest_during": None if deepest is None else deepest.measured.get("during"),
            "n_clips": len(flats),
            "clipped_share": float(np.nansum(flats)) / duration_s,
            "n_cutouts": int(np.count_nonzero(cutout_state == number)),
        }
    return {
        "spans": [
            {"start_s": s.start_s, "stop_s": s.stop_s, "state": s.state, "by": s.by or "the volts"}
            for s in states.spans
        ],
        "remarks": list(states.remarks),
        "per_state": per,
    }


def _residual_v(dip: Finding) -> float:
    return float(dip.measured["residual_v"] or 0.0)


def _is_ours(dip: Finding, lost: Sequence[tuple[float, float]]) -> bool:
    """Whether it is a dip of the supply, and no lead was lost."""
    is_lost = any(a < dip.stop_s and dip.start_s < b for a, b in lost)
    return dip.measured.get("role") == "supply" and not is_lost


def _find_rising(states: EngineStates, steps: SupplySteps) -> npt.NDArray[np.bool_]:
    """(n,) steps in which the supply comes back from a cranking: a cranking ends where that rise begins."""
    is_rising = np.zeros(len(steps), dtype=bool)
    for span in states.spans:
        if span.state == "cranking":
            a, b = np.searchsorted(steps.time_s, [span.stop_s, span.stop_s + RISES_S])
            is_rising[a:b] = True
    return is_rising
