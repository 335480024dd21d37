"""Where the output's ceiling lies and what it follows, in sentences. Words what the summary holds; measures nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ampwitness.finding_list import FindingList

_MET = {
    "rail": "the rail",
    "current": "a limit of current",
    "undecided": "the rail or a limit of current (not decided without a second load)",
}


def word_ceilings(summary: Mapping[str, Any], findings: FindingList) -> tuple[str, ...]:
    """Sentences on each polarity's ceiling, on what kind of ceiling the clips met, and on what is not seen.

    `summary` is that of the whole analysis; empty where no output was recorded.
    """
    clipping = summary.get("clipping") or {}
    rails, fits = clipping.get("rail_model") or {}, clipping.get("ceilings") or {}
    sentences = [
        _word_ceiling(polarity, rail, fits.get(polarity) or {})
        for polarity, rail in rails.items()
        if rail["level_v"] is not None
    ]
    kinds = findings.of_kind("clip").texts("ceiling")
    met = [f"{kinds[kind]:,} met {what}" for kind, what in _MET.items() if kinds[kind]]
    if sentences and met:
        sentences.append(f"Of the clipped half-cycles {', '.join(met)}.")
    return tuple(sentences + [f"{remark[0].upper()}{remark[1:]}." for remark in clipping.get("remarks") or ()])


def _word_ceiling(polarity: str, rail: Mapping[str, Any], fit: Mapping[str, Any]) -> str:
    """`fit` is what the causes rest on: learned with the supply's own course, so it tells more than the detector's."""
    within = f"to within {fit.get('spread_v') or rail['level_uncertainty_v']:.2f} V"
    told = fit or rail
    if told["kind"] == "regulated":
        law = f"it stands {within}, whatever the supply does"
    elif told["kind"] == "unknown":
        law = f"it stood {within}; whether it follows the supply is not decided"
    else:
        knee_v = fit.get("knee_v")
        law = f"it follows the supply by {told['ratio']:.2f} V for each volt (+-{2 * told['ratio_uncertainty']:.2f})"
        law += f"{'' if knee_v is None else f' up to {knee_v:.2f} V and stands above'}, {within}"
    return (
        f"{polarity.capitalize()} ceiling: {rail['level_v']:.1f} V at the median of {rail['n_plateaus']:,} flat tops; "
        f"{law}."
    )
