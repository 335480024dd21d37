"""Dips that are none: the logger's own lead was off. They are taken out, and that time is told as not judged.

Gaps: none here: works on findings.
Limits: of the supply as good as `supply_lead`; of the battery where the supply was logged beside it and stood.
Source: ours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.supply_lead import GONE_V
from ampwitness.detect.result import DetectorResult
from ampwitness.detect.supply.dips import tabulate_dips
from ampwitness.detect.supply.supply_history import NO_SUPPLY_V, SupplySteps
from ampwitness.types import Coverage, Finding, NotJudged

_NEAR_S = 0.1  # dips are averaged over 10 ms


def set_aside_leads(
    result: DetectorResult, steps: SupplySteps, supply_off: Sequence[Mapping[str, Any]]
) -> DetectorResult:
    """The dips without those that a lead of the logger made.

    Parameters
    ----------
    result : of the dips
    steps : the recording in steps of 10 ms
    supply_off : spans in which the supply's lead was off: start_s, stop_s, played_s

    Returns
    -------
    The result; its summary says in `leads_off` of each lead role, start_s, stop_s, residual_v, and played_s (None: of
    the battery, which the supply gave away).
    """
    kept, off = [], []
    for dip in result.findings:
        played = [span for span in supply_off if _meets(dip, span)] if dip.measured["role"] == "supply" else []
        if not played and not (dip.measured["role"] == "battery" and _is_battery_lead(dip, steps)):
            kept.append(dip)
            continue
        told = {key: dip.measured[key] for key in ("role", "residual_v")}
        played_s = float(played[0]["played_s"]) if played else None
        off.append({**told, "start_s": dip.start_s, "stop_s": dip.stop_s, "played_s": played_s})
    if not off:
        return result
    roles = result.summary.get("roles", ())
    table = {role: tabulate_dips([dip for dip in kept if dip.measured["role"] == role]) for role in roles}
    summary = {**result.summary, "n_dips": len(kept), "table": table, "leads_off": off}
    return DetectorResult(tuple(kept), _leave_out(result.coverage, off), summary)


def _meets(dip: Finding, span: Mapping[str, Any]) -> bool:
    return bool(dip.start_s < span["stop_s"] + _NEAR_S and span["start_s"] - _NEAR_S < dip.stop_s)


def _is_battery_lead(dip: Finding, steps: SupplySteps) -> bool:
    """Whether the battery read nothing while the supply, which it feeds, stood."""
    supply = steps.volts.get("supply", np.empty(0))
    a, b = np.searchsorted(steps.time_s, [dip.start_s, dip.stop_s])
    residual_v = dip.measured["residual_v"]
    if not isinstance(residual_v, int | float) or residual_v >= GONE_V or a >= min(b, len(supply)):
        return False
    return float(np.min(supply[a:b])) >= NO_SUPPLY_V


def _leave_out(coverage: Coverage, off: Sequence[Mapping[str, Any]]) -> Coverage:
    """The coverage without the spans of the supply's lead; what was not judged within them is told once."""
    judged_s, not_judged = coverage.judged_s, list(coverage.not_judged)
    for span in off:
        if span["role"] != "supply":
            continue
        a, b = span["start_s"], span["stop_s"]
        within = [n for n in not_judged if a - _NEAR_S <= n.start_s and n.stop_s <= b + _NEAR_S]
        judged_s -= max(0.0, b - a - sum(n.stop_s - n.start_s for n in within))
        not_judged = [n for n in not_judged if n not in within]
        not_judged.append(NotJudged(a, b, "the logger's own supply lead was off"))
    return Coverage(coverage.detector, max(judged_s, 0.0), tuple(not_judged))
