"""What went on while the supply was down: the starter, an engine that stopped, a lead that was lost.

Such dips are true, and stay in every table; but they say nothing of what consumers do to the supply, so that none of
them is put in front as the worst while others are there.

Gaps: none here.
Limits: as good as the engine's states and the cut-outs.
Source: ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ampwitness.detect.cutouts.cutout_cause import GROUND_LOST, LOOSE_GROUND, LOOSE_SUPPLY
from ampwitness.detect.cutouts.cutout_stood import LOST
from ampwitness.detect.supply.dips import BACK, REFERENCE_S, SLIDING
from ampwitness.detect.supply.engine_states import EngineStates
from ampwitness.types import Finding

CRANKED = "the engine was cranked"
STOPPED = "the engine stopped, whose battery at rest counts as a dip for up to a minute"
SUPPLY_LOST = "the supply's connection was lost"
_LEAST_STOP_S = 2.0  # a shorter dip ends before an alternator has run down
_RUN_DOWN_S = 5.0  # from the change of state to where the volts have run down to a dip that ends again
_STOPS = ("charging", "rest")
_LOST = (LOST, LOOSE_SUPPLY, GROUND_LOST, LOOSE_GROUND)


def list_lost_supply(cutouts: Sequence[Finding]) -> tuple[tuple[float, float], ...]:
    """Spans in which cut-outs show that the supply's connection was lost, from the first thing that happened on."""
    spans = []
    for cutout in cutouts:
        if cutout.kind == "cutout" and cutout.measured.get("cause") in _LOST:
            first_s = min(
                (float(event["time_s"]) for event in cutout.evidence.get("events", ())), default=cutout.start_s
            )
            spans.append((min(first_s, cutout.start_s), cutout.stop_s))
    return tuple(spans)


def name_dip_context(
    dips: Sequence[Finding], states: EngineStates, lost: Sequence[tuple[float, float]]
) -> tuple[Finding, ...]:
    """The dips, each with `during`: what else went on; None where nothing did.

    Parameters
    ----------
    dips : findings of that kind
    states : of the engine
    lost : spans without a supply, as `list_lost_supply` gives them
    """
    stops = [b.start_s for a, b in zip(states.spans, states.spans[1:], strict=False) if (a.state, b.state) == _STOPS]
    return tuple(
        replace(dip, measured={**dip.measured, "during": _name(dip, states.cranking, stops, lost)}) for dip in dips
    )


def _name(
    dip: Finding, cranking: Sequence[tuple[float, float]], stops: Sequence[float], lost: Sequence[tuple[float, float]]
) -> str | None:
    if any(a < dip.stop_s and dip.start_s < b for a, b in lost):
        return SUPPLY_LOST
    if any(a < dip.stop_s and dip.start_s < b for a, b in cranking):
        return CRANKED
    is_long = dip.stop_s - dip.start_s > _LEAST_STOP_S
    # A battery gives its surface charge away slowly, and stays down against what charged it in the last minute.
    stays = dip.evidence.get("reference") == SLIDING and dip.evidence.get("ended") != BACK
    run_down_s = REFERENCE_S if stays else _RUN_DOWN_S
    if is_long and any(dip.start_s - run_down_s < at_s < dip.stop_s for at_s in stops):
        return STOPPED
    return None
