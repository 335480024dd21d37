"""Whose fault a clip is: the drive's, the supply's, or both, from the rail model and the extrapolated crest.

    share = dB by which the ceiling had sunk with the supply / dB by which the crest overshot it

1 or more: the crest would have fitted under the ceiling at the settled supply: supply. Under 1/3: drive. Between: both.
"Settled" is the supply with the amplifier quiet, in the same engine state, within the same minutes.

Gaps: none here; clips stand alone.
Limits: an amplifier's own droop under load is not the supply's doing and stays on both sides of the comparison. Where
no rail was learned, bounds decide: a ceiling rises with its supply at most in proportion.
Source: our choice, measured by `python -m ampwitness.bench.supply_scores`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ampwitness.detect.supply_model import Ceiling, SupplyModel
from ampwitness.types import Finding

Cause = Literal["drive", "supply", "both", "not decidable"]

SUPPLY_FROM_SHARE = 1.0
DRIVE_BELOW_SHARE = 1.0 / 3.0


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


def judge_clip(clip: Finding, side: Mapping[str, Any] | None, model: SupplyModel | None) -> CauseVerdict:
    """The cause of one clip.

    Parameters
    ----------
    clip : a finding of kind clip
    side : the rail model of its polarity, as the clip detector sums it up
    model : the supply's; None without a supply channel
    """
    overdrive_db = clip.measured.get("overdrive_db")
    plateau_v = clip.measured.get("plateau_v")
    origin = str(clip.measured.get("origin") or clip.evidence.get("where") or "")
    ceiling_kind = str(clip.measured.get("ceiling") or "")
    if origin == "source":
        return CauseVerdict("drive", 0.0, 0.0, None, "clipped before the amplifier: its supply has no part in it")
    if model is None:
        return CauseVerdict("not decidable", None, None, None, "the supply was not recorded")
    if not isinstance(overdrive_db, int | float) or not isinstance(plateau_v, int | float) or not plateau_v:
        return CauseVerdict("not decidable", None, None, None, "how far the crest overshot is not known")
    settled_v = model.settled_at(clip.start_s)
    then_v = _supply_then(clip, side)
    if settled_v is None or then_v is None:
        return CauseVerdict("not decidable", None, None, settled_v, "the supply at that moment is not known")
    if "current" in ceiling_kind:
        return CauseVerdict("drive", 0.0, 0.0, settled_v, "a current limit: a supply at rest would not have lifted it")
    sunk_v = settled_v - then_v
    level_v = abs(float(plateau_v))
    overdrive_db = max(float(overdrive_db), 1e-6)
    kind = "unknown" if side is None else str(side.get("kind") or "unknown")
    ratio = None if side is None else side.get("ratio")
    if kind == "regulated":
        reason = "the ceiling does not move with the supply (regulated rails)"
        return CauseVerdict("drive", 0.0, 0.0, settled_v, reason)
    if kind == "follows supply" and isinstance(ratio, int | float):
        lost_db = _to_db(level_v, level_v + float(ratio) * sunk_v)
        share = lost_db / overdrive_db
        cause = share_to_cause(share)
        reason = (
            f"the supply stood {sunk_v:.2f} V under its settled {settled_v:.2f} V, which cost {lost_db:.2f} dB of the "
            f"{overdrive_db:.2f} dB overshot"
        )
        return CauseVerdict(cause, share, lost_db, settled_v, reason)
    return _judge_by_bounds(sunk_v, then_v, settled_v, overdrive_db)


def _judge_by_bounds(sunk_v: float, then_v: float, settled_v: float, overdrive_db: float) -> CauseVerdict:
    """Without a rail model a ceiling may stand still, or rise with its supply, at most a little above proportion."""
    most_db = 20 * math.log10(max(settled_v, 1.0) / max(then_v, 1.0)) * 1.15  # a fixed loss steepens proportion
    if most_db / overdrive_db < DRIVE_BELOW_SHARE:
        reason = f"the supply stood only {sunk_v:.2f} V under its settled {settled_v:.2f} V: too little to matter"
        return CauseVerdict("drive", None, None, settled_v, reason)
    reason = "whether the ceiling follows the supply is not known: too few plateaus, or a supply that hardly moved"
    return CauseVerdict("not decidable", None, None, settled_v, reason)


def _supply_then(clip: Finding, side: Mapping[str, Any] | None) -> float | None:
    """The supply that set the ceiling: lagged by the amplifier's reservoir where that is known."""
    lagged_v = clip.evidence.get("supply_lagged_v")
    if isinstance(lagged_v, int | float) and math.isfinite(lagged_v):
        return float(lagged_v)
    supply_v = clip.measured.get("supply_v")
    return float(supply_v) if isinstance(supply_v, int | float) and math.isfinite(supply_v) else None


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
