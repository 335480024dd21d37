"""The logger's own leads that were off, in words. Measures nothing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ampwitness.units import fixed, seconds_to_clock


def advise_leads(summary: Mapping[str, Any]) -> list[str]:
    """What to do about leads that were off, a step for each role; `summary` is that of the whole analysis."""
    off: dict[str, list[Mapping[str, Any]]] = {}
    for span in (summary.get("dips") or {}).get("leads_off") or ():
        off.setdefault(str(span["role"]), []).append(span)
    return [_advise_lead(role, spans) for role, spans in off.items()]


def _advise_lead(role: str, spans: list[Mapping[str, Any]]) -> str:
    longest = max(spans, key=lambda span: float(span["stop_s"] - span["start_s"]))
    why = f"from {seconds_to_clock(longest['start_s'])} on the {role} read {fixed(longest['residual_v'], 2)} V"
    if longest["played_s"] is not None:
        why += f", and the output played on for {longest['played_s']:.1f} s, as no amplifier does from what it stores"
    else:
        why += ", and the supply at the amplifier, which it feeds, stood"
    often = "" if len(spans) == 1 else f" It was off {len(spans)} times; the longest is told here."
    return (
        f"Check the logger's own {role} clip and its lead: it seems to have come off. {why[0].upper()}{why[1:]}. While "
        f"it is off nothing is known of the {role}.{often}"
    )
