"""Whose fault a clip is: the drive's, the supply's, or both, from the rail model and the extrapolated crest.

    share = dB by which the ceiling had sunk with the supply / dB by which the crest overshot it

1 or more: the crest would have fitted under the ceiling at the settled supply: supply. Under 1/3: drive. Between: both.
"Settled" is the supply with the amplifier quiet, in the same engine state, within the same minutes.

Gaps: none here; clips stand alone.
Limits: a ceiling is carried on above the highest supply under which it was seen; where that decides, the reason says
so. An amplifier's own droop under load is not the supply's doing and stays on both sides of the comparison. Where
no rail was learned, bounds decide: a ceiling rises with its supply at most in proportion.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ampwitness.detect.clips.cause.ceiling_at_once import follow_at_once
from ampwitness.detect.clips.cause.ceiling_fit import CeilingFit, Plateaus, mark_steep
from ampwitness.detect.clips.cause.ceiling_knee import fit_ceilings
from ampwitness.detect.clips.cause.ceiling_prior import leave_out_droop
from ampwitness.detect.clips.cause.ceiling_scatter import ask_levels
from ampwitness.detect.clips.table.clip_candidates import CEILINGS, HELD_BY, PLACES
from ampwitness.detect.supply.supply_forecast import Ceiling
from ampwitness.detect.supply.supply_model import SupplyModel
from ampwitness.types import Finding, FloatArray

CAUSES = ("drive", "supply", "both", "not decidable")
DRIVE, SUPPLY, BOTH, OPEN = range(len(CAUSES))  # places in it

SUPPLY_FROM_SHARE = 1.0
DRIVE_BELOW_SHARE = 1.0 / 3.0
LEAST_OVER_DB = 0.01  # less is not measured: a share of it would say anything
TERMINALS_LEAVE = 0.5  # of the scatter ahead of a supposed capacitor
MOST_IN_PROPORTION = 1.15  # a ceiling rises in proportion to its supply; a fixed loss steepens that

Columns = Mapping[str, FloatArray]  # of clips, by the names of `found_clips.NUMBERS`


class Cause(NamedTuple):
    """Of one clip what `Causes` says of many."""

    cause: int
    share: float
    lost_db: float
    settled_v: float
    then_v: float
    instead: int


@dataclass(frozen=True, slots=True)
class Causes:
    """Of n clips, (n,) each: the place of the cause in CAUSES, and what it rests on, NaN where not known: the share (0
    to 1, which stands for more too), the decibels that the ceiling had lost, the settled supply, and the supply that
    set the ceiling; `instead` is the place of what the cause would be if the ceiling rose no further than it was seen.
    """

    cause: npt.NDArray[np.int8]
    share: FloatArray
    lost_db: FloatArray
    settled_v: FloatArray
    then_v: FloatArray
    instead: npt.NDArray[np.int8]

    def put(self, chosen: npt.NDArray[np.bool_], some: Causes) -> None:
        """Put some in their places."""
        for name in self.__slots__:
            getattr(self, name)[chosen] = getattr(some, name)


def read_ceiling(side: Mapping[str, Any] | None) -> Ceiling | None:
    """One polarity of the clip detector's rail model as a ceiling, all positive; None where none was learned."""
    if not side or side.get("level_v") is None or side.get("constant_v") is None:
        return None
    sign = 1.0 if float(side["level_v"]) >= 0 else -1.0
    return Ceiling(
        constant_v=sign * float(side["constant_v"]),
        ratio=float(side.get("ratio") or 0.0),
        per_output=sign * float(side.get("output_coefficient") or 0.0),
        uncertainty_v=float(side.get("level_uncertainty_v") or 0.0),
    )


def learn_ceilings(sides: Mapping[str, Plateaus], levels_v: Mapping[str, FloatArray]) -> dict[str, CeilingFit]:
    """What each polarity's plateaus say; a polarity that says nothing borrows from the other, scaled to its level.

    Parameters
    ----------
    sides : by polarity the plateaus whose lagged supply is known
    levels_v : by polarity the size of every plateau's volts, (n,)
    """
    fits = fit_ceilings(sides)
    fits = follow_at_once(fits, sides) or ask_levels(fits, sides)
    fits = leave_out_droop(fits, mark_steep(sides))
    for side, other in (("positive", "negative"), ("negative", "positive")):
        if side in fits or other not in fits or not len(levels_v[side]):
            continue
        scale = float(np.median(levels_v[side])) / max(float(np.median(levels_v[other])), 1e-9)
        fit = fits[other]
        fits[side] = replace(fit, constant_v=scale * fit.constant_v, ratio=scale * fit.ratio, n_plateaus=0)
    return fits


def to_ceiling(get: Columns, *, at_terminals: bool = False) -> tuple[FloatArray, FloatArray]:
    """(n,) levels and tilts where ceilings and causes are asked for: ahead of a capacitor, if not all at the terminals,
    but at the terminals where a rail lies behind a resistance or ripples. What that takes and what the supply's sag
    takes move together: they are told apart by one fit to both."""
    is_dropped = (get["held_by"] != HELD_BY.index("capacitor")) | at_terminals
    return get["level_v"] - is_dropped * get["held_v"], get["tilt_v_per_s"] - is_dropped * get["held_v_per_s"]


def choose_place(ahead: Mapping[str, CeilingFit], there: Mapping[str, CeilingFit]) -> dict[str, CeilingFit]:
    """Ceilings ahead of a supposed capacitor, or those at the terminals where plateaus scatter far less about these.

    Rails of their own that a linear stage empties in turn make tops fall as a capacitor does; undoing that scatters
    their levels by volts."""
    is_there = bool(there) and (
        not ahead
        or max(fit.spread_v for fit in there.values()) <= TERMINALS_LEAVE * min(fit.spread_v for fit in ahead.values())
    )
    return {side: replace(fit, at_terminals=True) for side, fit in there.items()} if is_there else dict(ahead)


def judge_clips(get: Columns, lagged_v: FloatArray, ceiling: CeilingFit | None, model: SupplyModel | None) -> Causes:
    """The causes of clips of one polarity.

    Parameters
    ----------
    get : columns of n clips
    lagged_v : (n, lags) the supply before each, NaN where not known
    ceiling : how the ceiling of that polarity moves; None: not known
    model : the supply's; None without a supply channel
    """
    n, then_v = len(get["start_s"]), get["supply_v"]
    cause, nothing = np.full(n, OPEN, dtype=np.int8), np.full(n, np.nan)
    share, lost_db, settled_v, tilted_v = nothing.copy(), nothing.copy(), nothing, np.zeros(n)
    instead = cause
    if model is not None:
        settled_v = model.settled_at(get["start_s"])
        if ceiling is not None and lagged_v.shape[1]:
            is_lagged = np.isfinite(lagged_v).all(axis=1)
            then_v = np.where(is_lagged, ceiling.supply_of(lagged_v, get["supply_v"], get["supply_early_v"]), then_v)
            tilt_v_per_s = to_ceiling(get, at_terminals=ceiling.at_terminals)[1]
            above_v = ceiling.tilted_v(lagged_v, tilt_v_per_s, get["stop_s"] - get["start_s"])
            tilted_v = np.where(is_lagged, above_v, 0.0)
        known = np.isfinite(settled_v) & np.isfinite(then_v)
        over_db = np.maximum(get["overdrive_db"], LEAST_OVER_DB)
        if ceiling is None:  # it may stand still, or rise with its supply, at most a little above proportion
            most_db = 20 * np.log10(np.maximum(settled_v, 1.0) / np.maximum(then_v, 1.0)) * MOST_IN_PROPORTION
            cause[known & (most_db / over_db < DRIVE_BELOW_SHARE)] = DRIVE
        else:
            lost_db[known] = _lost_db(get, ceiling, then_v, settled_v, tilted_v)[known]
            # The slope is known only so well: where it could turn drive into supply, nothing is said.
            out_v = _at_terminals(get)
            doubt_db = _to_db(out_v, out_v + 2 * ceiling.ratio_sd * np.abs(settled_v - then_v))
            share = np.clip(lost_db / over_db, 0.0, SUPPLY_FROM_SHARE)  # of hardly any overdrive: any number
            least, most = (_share_to_cause((lost_db + sign * doubt_db) / over_db) for sign in (-1.0, 1.0))
            is_open = (least == DRIVE) & (most == SUPPLY)
            cause[known] = np.where(is_open, np.int8(OPEN), _share_to_cause(share))[known]
            seen_v = np.maximum(np.minimum(ceiling.highest_v, settled_v), then_v)
            seen_db = _lost_db(get, ceiling, then_v, seen_v, tilted_v)
            is_beyond = known & (ceiling.highest_v < np.minimum(settled_v, ceiling.knee_v))
            instead = np.where(is_beyond, _share_to_cause(seen_db / over_db), cause)
        is_current = known & (get["ceiling"] == CEILINGS.index("current"))
        cause[is_current], share[is_current], lost_db[is_current] = DRIVE, 0.0, 0.0
    is_source = get["where"] == PLACES.index("source")
    cause[is_source], share[is_source], lost_db[is_source] = OPEN, np.nan, np.nan
    return Causes(cause, share, lost_db, np.where(is_source, np.nan, settled_v), then_v, instead)


def tell_why(row: Mapping[str, float], cause: Cause, ceiling: CeilingFit | None, model: SupplyModel | None) -> str:
    """What the cause of one clip rests on, in words; `row` by the names of `Columns`, the rest as for `judge_clips`."""
    if row["where"] == PLACES.index("source"):
        return "clipped before the amplifier: its supply has no part in it"
    if model is None:
        return "the supply was not recorded"
    if not isfinite(cause.settled_v) or not isfinite(cause.then_v):
        return "the supply at that moment is not known"
    if row["ceiling"] == CEILINGS.index("current"):
        return "a current limit: a supply at rest would not have lifted it"
    sunk = f"{cause.settled_v - cause.then_v:.2f} V under its settled {cause.settled_v:.2f} V"
    if ceiling is None:
        if cause.cause == DRIVE:
            return f"the supply stood only {sunk}: too little to matter"
        few = "too few plateaus, or they scatter by more than the supply would have moved them"
        return f"whether the ceiling follows the supply is not known: {few}"
    if cause.cause == OPEN:
        known_to = 100 * ceiling.ratio_sd / max(ceiling.ratio, 1e-9)
        return f"the ceiling's rise with the supply is known to {known_to:.0f} % only"
    over_db = max(row["overdrive_db"], LEAST_OVER_DB)
    reason = f"the ceiling ({ceiling.kind}) had lost {cause.lost_db:.2f} dB of the {over_db:.2f} dB overshot"
    if cause.lost_db > 0:
        reason += f": the supply stood {sunk}"
    if cause.instead != cause.cause:
        reason += (
            f"; no clip was seen above {ceiling.highest_v:.2f} V of supply: should the ceiling stop rising there, "
            f"it is {CAUSES[cause.instead]}"
        )
    return reason


def _at_terminals(get: Columns) -> FloatArray:
    """What is held back counts at the terminals, not at the ceiling."""
    return get["level_v"] - get["held_v"]


def _lost_db(
    get: Columns, ceiling: CeilingFit, then_v: FloatArray, settled_v: FloatArray, tilted_v: FloatArray
) -> FloatArray:
    """(n,) by how much a ceiling would have stood higher at another supply, dB of the plateau."""
    lifted_v = ceiling.at(settled_v) - ceiling.at(then_v) - tilted_v
    out_v = _at_terminals(get)
    return _to_db(out_v, out_v + lifted_v)


def _share_to_cause(share: FloatArray) -> npt.NDArray[np.int8]:
    codes = np.where(share >= SUPPLY_FROM_SHARE, SUPPLY, np.where(share < DRIVE_BELOW_SHARE, DRIVE, BOTH))
    return codes.astype(np.int8)


def _to_db(level_v: FloatArray, other_v: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.maximum(other_v, 1e-6) / level_v))


def attach_cause(clip: Finding, cause: Cause, reason: str) -> Finding:
    """A clip with its cause."""
    share, lost_db, settled_v = (v if isfinite(v) else None for v in (cause.share, cause.lost_db, cause.settled_v))
    return Finding(
        kind=clip.kind,
        start_s=clip.start_s,
        stop_s=clip.stop_s,
        severity=clip.severity,
        measured={**clip.measured, "cause": CAUSES[cause.cause], "cause_share": share},
        threshold={**clip.threshold, "supply_from_share": SUPPLY_FROM_SHARE, "drive_below_share": DRIVE_BELOW_SHARE},
        evidence={**clip.evidence, "cause_reason": reason, "lost_to_sag_db": lost_db, "settled_supply_v": settled_v},
    )
