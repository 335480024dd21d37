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

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from ampwitness.detect.clips.ceiling_fit import (
    CeilingFit,
    Plateaus,
    collect_plateaus,
    pick_lag,
    plateau_tilt,
)
from ampwitness.detect.clips.ceiling_knee import fit_ceilings
from ampwitness.detect.supply.supply_forecast import Ceiling
from ampwitness.detect.supply.supply_model import SupplyModel
from ampwitness.types import Finding, FloatArray

Cause = Literal["drive", "supply", "both", "not decidable"]

SUPPLY_FROM_SHARE = 1.0
DRIVE_BELOW_SHARE = 1.0 / 3.0
MOST_IN_PROPORTION = 1.15  # a ceiling rises in proportion to its supply; a fixed loss steepens that


@dataclass(frozen=True, slots=True)
class CauseVerdict:
    """A clip's cause, with what it rests on. `share` None: only bounds were known."""

    cause: Cause
    share: float | None
    lost_db: float | None
    settled_v: float | None
    reason: str


def share_to_cause(share: float) -> Cause:
    """The word for a share."""
    if share >= SUPPLY_FROM_SHARE:
        return "supply"
    return "drive" if share < DRIVE_BELOW_SHARE else "both"


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


def learn_ceilings(clips: Sequence[Finding]) -> dict[str, CeilingFit]:
    """What each polarity's plateaus say; a polarity that says nothing borrows from the other, scaled to its level."""
    # Crests that a soft ceiling bends over stay below it; one that sinks within a note, or a limit of the current, has
    # no level.
    made = [f for f in clips if _origin(f) != "source" and f.evidence.get("stands_at_level", True)]
    sides = {side: [f for f in made if f.measured.get("polarity") == side] for side in ("positive", "negative")}
    return learn_ceilings_from(
        {side: collect_plateaus(mine) for side, mine in sides.items()},
        {side: np.array([abs(float(f.measured["plateau_v"] or 0.0)) for f in mine]) for side, mine in sides.items()},
    )


def learn_ceilings_from(sides: Mapping[str, Plateaus], levels_v: Mapping[str, FloatArray]) -> dict[str, CeilingFit]:
    """The same from columns.

    Parameters
    ----------
    sides : by polarity the plateaus whose lagged supply is known
    levels_v : by polarity the size of every plateau's volts, (n,)
    """
    fits = fit_ceilings(sides)
    for side, other in (("positive", "negative"), ("negative", "positive")):
        if side in fits or other not in fits or not len(levels_v[side]):
            continue
        scale = float(np.median(levels_v[side])) / max(float(np.median(levels_v[other])), 1e-9)
        fit = fits[other]
        fits[side] = replace(fit, constant_v=scale * fit.constant_v, ratio=scale * fit.ratio, n_plateaus=0)
    return fits


def judge_clip(clip: Finding, ceiling: CeilingFit | None, model: SupplyModel | None) -> CauseVerdict:
    """The cause of one clip.

    Parameters
    ----------
    clip : a finding of kind clip
    ceiling : how the ceiling of its polarity moves; None: not known
    model : the supply's; None without a supply channel
    """
    overdrive_db = clip.measured.get("overdrive_db")
    plateau_v = clip.measured.get("plateau_v")
    if _origin(clip) == "source":
        return CauseVerdict("drive", 0.0, 0.0, None, "clipped before the amplifier: its supply has no part in it")
    if model is None:
        return CauseVerdict("not decidable", None, None, None, "the supply was not recorded")
    if not isinstance(overdrive_db, int | float) or not isinstance(plateau_v, int | float) or not plateau_v:
        return CauseVerdict("not decidable", None, None, None, "how far the crest overshot is not known")
    settled_v = model.settled_at(clip.start_s)
    then_v = _supply_then(clip, ceiling)
    if settled_v is None or then_v is None:
        return CauseVerdict("not decidable", None, None, settled_v, "the supply at that moment is not known")
    if "current" in str(clip.measured.get("ceiling") or ""):
        return CauseVerdict("drive", 0.0, 0.0, settled_v, "a current limit: a supply at rest would not have lifted it")
    overdrive_db = max(float(overdrive_db), 1e-6)
    if ceiling is None:
        return _judge_by_bounds(then_v, settled_v, overdrive_db)
    level_v = abs(float(plateau_v))
    lifted_v = ceiling.at(settled_v) - ceiling.at(then_v, *plateau_tilt(clip))
    lost_db = _to_db(level_v, level_v + lifted_v)
    share = lost_db / overdrive_db
    # The slope is known only so well: where it could turn drive into supply, nothing is said.
    doubt_db = _to_db(level_v, level_v + 2 * ceiling.ratio_sd * abs(settled_v - then_v))
    least, most = ((lost_db + sign * doubt_db) / overdrive_db for sign in (-1.0, 1.0))
    if share_to_cause(least) == "drive" and share_to_cause(most) == "supply":
        known_to = 100 * ceiling.ratio_sd / max(ceiling.ratio, 1e-9)
        reason = f"the ceiling's rise with the supply is known to {known_to:.0f} % only"
        return CauseVerdict("not decidable", share, lost_db, settled_v, reason)
    reason = f"the ceiling ({ceiling.kind}) had lost {lost_db:.2f} dB of the {overdrive_db:.2f} dB overshot"
    if lost_db > 0:
        reason += f": the supply stood {settled_v - then_v:.2f} V under its settled {settled_v:.2f} V"
    if ceiling.highest_v < min(settled_v, ceiling.knee_v):
        seen_v = ceiling.at(max(ceiling.highest_v, then_v)) - ceiling.at(then_v, *plateau_tilt(clip))
        instead = share_to_cause(_to_db(level_v, level_v + seen_v) / overdrive_db)
        if instead != share_to_cause(share):
            reason += (
                f"; no clip was seen above {ceiling.highest_v:.2f} V of supply: should the ceiling stop rising there, "
                f"it is {instead}"
            )
    return CauseVerdict(share_to_cause(share), share, lost_db, settled_v, reason)


def _judge_by_bounds(then_v: float, settled_v: float, overdrive_db: float) -> CauseVerdict:
    """Without a rail model a ceiling may stand still, or rise with its supply, at most a little above proportion."""
    sunk_v = settled_v - then_v
    most_db = 20 * math.log10(max(settled_v, 1.0) / max(then_v, 1.0)) * MOST_IN_PROPORTION
    if most_db / overdrive_db < DRIVE_BELOW_SHARE:
        reason = f"the supply stood only {sunk_v:.2f} V under its settled {settled_v:.2f} V: too little to matter"
        return CauseVerdict("drive", None, None, settled_v, reason)
    reason = "whether the ceiling follows the supply is not known: too few plateaus, or a supply that hardly moved"
    return CauseVerdict("not decidable", None, None, settled_v, reason)


def _origin(clip: Finding) -> str:
    return str(clip.measured.get("origin") or clip.evidence.get("where") or "")


def _supply_then(clip: Finding, ceiling: CeilingFit | None) -> float | None:
    """The supply that set the ceiling: lagged by the amplifier's reservoir where that is known."""
    lagged = clip.evidence.get("supply_lagged_v")
    if ceiling is not None and lagged:
        volts: Any = float(pick_lag(np.array([lagged], dtype=float), ceiling.lag)[0])
    else:
        volts = clip.measured.get("supply_v")
    return float(volts) if isinstance(volts, int | float) and math.isfinite(volts) else None


def _to_db(level_v: float, other_v: float) -> float:
    return 20 * math.log10(max(other_v, 1e-6) / level_v)


def attach_cause(clip: Finding, verdict: CauseVerdict) -> Finding:
    """The clip with its cause."""
    return Finding(
        kind=clip.kind,
        start_s=clip.start_s,
        stop_s=clip.stop_s,
        severity=clip.severity,
        measured={**clip.measured, "cause": verdict.cause, "cause_share": verdict.share},
        threshold={**clip.threshold, "supply_from_share": SUPPLY_FROM_SHARE, "drive_below_share": DRIVE_BELOW_SHARE},
        evidence={
            **clip.evidence,
            "cause_reason": verdict.reason,
            "lost_to_sag_db": verdict.lost_db,
            "settled_supply_v": verdict.settled_v,
        },
    )
