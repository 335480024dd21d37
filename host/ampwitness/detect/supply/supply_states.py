"""Engine states from the supply's volts: at rest or charging, step by step.

Gaps: steps that lost a sample take the state of those around them.
Limits: the states are told apart by the open voltage alone, and by steps that last.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.engine_states import STATES, EngineStates
from ampwitness.detect.supply.lasting_steps import LastingStep, spans_of_charging
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps
from ampwitness.types import FloatArray

CHARGING_ABOVE_V: Mapping[str, float] = {"flooded": 13.2, "AGM": 13.3, "lithium": 13.6}
STATE_HYSTERESIS_V = 0.2
# Above a rested battery: from here on a lasting step is taken for a weak charger's.
WEAK_CHARGER_FROM_V: Mapping[str, float] = {"flooded": 12.75, "AGM": 12.95, "lithium": 13.4}
_STATE_STEP_S = 2.0
_GIVEN_OFF_S, _GIVEN_OFF_V = 0.5, 0.3  # from the mean of the first to that of the last of what a battery gives off
_PAUSE_S, _BESIDE_S, _ALIKE_V = 4.0, 3.0, 0.45  # a rest that is none; what it is compared with to either side, how near


def find_charging(steps: SupplySteps, open_v: FloatArray, above_v: float, quantile: float) -> npt.NDArray[np.bool_]:
    """(n,) whether the volts are such as only a charger gives, by a quantile of each 2 s, with hysteresis."""
    block = (steps.time_s // _STATE_STEP_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    ends = np.append(starts[1:], len(block))
    level = np.empty(len(starts))
    for n in np.unique(ends - starts):  # nearly all hold as many steps
        same = np.flatnonzero(ends - starts == n)
        level[same] = np.quantile(open_v[starts[same][:, None] + np.arange(n)], quantile, axis=1)
    level = np.where(np.isfinite(level), level, 0.0)
    is_charging = bool(level[0] > above_v)
    out = np.zeros(len(block), dtype=bool)
    for a, b, volts in zip(starts, ends, level, strict=True):
        if is_charging and volts < above_v - STATE_HYSTERESIS_V:
            is_charging = False
        elif not is_charging and volts > above_v:
            is_charging = True
        out[a:b] = is_charging
    return out


def add_weak_charging(
    charging: npt.NDArray[np.bool_], steps: SupplySteps, lasting: tuple[LastingStep, ...]
) -> npt.NDArray[np.bool_]:
    """The same, with what lasting steps tell of a charger too weak to reach a charging level."""
    if not lasting:
        return charging
    out, time_s = charging.copy(), steps.time_s
    edges = [0, *(np.flatnonzero(np.diff(charging.astype(np.int8))) + 1).tolist(), len(charging)]
    for a, b in pairwise(edges):
        if charging[a]:
            continue
        for begins_s, ends_s in spans_of_charging(lasting, float(time_s[a]), float(time_s[b - 1]) + STEP_S):
            first, last = np.searchsorted(time_s, (begins_s, ends_s))
            out[first:last] = True
    return out


def place_changes(charging: npt.NDArray[np.bool_], open_v: FloatArray) -> npt.NDArray[np.bool_]:
    """The same, each change put where the volts step: where two means explain most of the blocks to either side."""
    out = charging.copy()
    flips = np.flatnonzero(np.diff(charging.astype(np.int8))) + 1
    reach = round(_STATE_STEP_S / STEP_S)
    edges = [0, *flips.tolist(), len(charging)]
    for place, flip in enumerate(flips.tolist()):
        first, last = max(edges[place], flip - reach), min(edges[place + 2], flip + reach)
        at = first + np.flatnonzero(np.isfinite(open_v[first:last]))
        if len(at) < 2:
            continue
        sums, counts = np.cumsum(open_v[at] - open_v[at].mean())[:-1], np.arange(1, len(at))
        split = int(np.argmax(sums**2 * (1 / counts + 1 / counts[::-1])))
        if (sums[split] > 0) == charging[flip - 1]:  # before a change to charging the volts are lower, and so on
            out[first : at[split + 1]] = charging[flip - 1]
            out[at[split + 1] : last] = charging[flip]
    return out


def bridge_pauses(
    charging: npt.NDArray[np.bool_], steps: SupplySteps, open_v: FloatArray, cranked: Sequence[tuple[float, float]]
) -> npt.NDArray[np.bool_]:
    """The same without short rests between two chargings at like volts: a large consumer drew the volts down that far.
    An engine that stopped would have had to be cranked."""
    out = charging.copy()
    flips = (np.flatnonzero(np.diff(charging.astype(np.int8))) + 1).tolist()
    edges = [0, *flips, len(charging)]
    reach = round(_BESIDE_S / STEP_S)
    for place in range(1, len(edges) - 2):
        first, stop = edges[place], edges[place + 1]
        from_s, to_s = float(steps.time_s[first]), float(steps.time_s[stop - 1])
        if charging[first] or to_s - from_s > _PAUSE_S or any(a < to_s and from_s < b for a, b in cranked):
            continue
        before_v = float(np.nanmedian(open_v[max(edges[place - 1], first - reach) : first]))
        behind_v = float(np.nanmedian(open_v[stop : min(edges[place + 2], stop + reach)]))
        if abs(before_v - behind_v) < _ALIKE_V:
            out[first:stop] = True
    return out


def add_engine(charging: npt.NDArray[np.bool_], steps: SupplySteps, engine: EngineStates) -> npt.NDArray[np.bool_]:
    """The same, with what the engine's states tell of charging: a charger that is coming up. Not with what they call
    rest, which by volts alone a weak charger's may be."""
    return np.asarray(charging | (engine.numbers_at(steps.time_s) == STATES.index("charging")))


def find_given_off(
    charging: npt.NDArray[np.bool_], steps: SupplySteps, open_v: FloatArray, engine: EngineStates
) -> npt.NDArray[np.bool_]:
    """(n,) charged volts that a battery gives off by and by where the engine's states tell rest behind charging: of
    either state, and to be fitted to neither. Where the volts without the amplifier stay up it is the amplifier's sag
    that looks like rest."""
    out = np.zeros(len(charging), dtype=bool)
    reach = round(_GIVEN_OFF_S / STEP_S)
    for before, span in pairwise(engine.spans):
        if before.state != "charging" or span.state != "rest":
            continue
        mine = np.flatnonzero(charging & (steps.time_s >= span.start_s) & (steps.time_s < span.stop_s))
        known = mine[np.isfinite(open_v[mine])]
        if len(known) >= 2 * reach:
            fell_v = float(np.median(open_v[known[:reach]]) - np.median(open_v[known[-reach:]]))
            out[mine] = fell_v >= _GIVEN_OFF_V
    return out


def near_changes(charging: npt.NDArray[np.bool_], before_s: float, behind_s: float) -> npt.NDArray[np.bool_]:
    """(n,) whether a step lies so near a change of state that it may belong to neither."""
    flips = np.flatnonzero(np.diff(charging.astype(np.int8))) + 1
    out = np.zeros(len(charging), dtype=bool)
    for flip in flips.tolist():
        out[max(0, flip - round(before_s / STEP_S)) : flip + round(behind_s / STEP_S)] = True
    return out
