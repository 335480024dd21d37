"""Which engine states stay undecided for the system's volts or the battery's kind: they are told by the volts of 12 V
vehicles with batteries of lead.

Gaps: none here.
Limits: a lithium battery that was not declared, and is charged or pulled down in the same recording, is taken for lead.
Source: our choice, tested in tests/supply. 13.45 V: see `cranking`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ampwitness.detect.supply.cranking import CRANK_FROM_V
from ampwitness.detect.supply.engine_states import EngineStates, StateSpan, join_spans
from ampwitness.detect.supply.supply_history import STEP_S, SupplySteps

MOST_OF_12_V = 18.0  # a supply above this is no 12 V vehicle's
LEAD = ("flooded", "agm")
_UPPER = 0.95  # of the volts of a span: notes and consumers pull at the rest


def doubt_states(
    states: EngineStates, steps: SupplySteps, *, battery_kind: str | None, nominal_supply_v: float | None
) -> EngineStates:
    """The states, those undecided that the volts cannot tell in this system.

    Parameters
    ----------
    states : as the volts of a 12 V vehicle with a lead battery would tell them
    steps : the recording in steps of 10 ms
    battery_kind : flooded, AGM or lithium; None: nobody said
    nominal_supply_v : the supply as declared, volts; None: nobody said
    """
    if not states.spans:
        return states
    usual_v = float(np.median(steps.volts["supply"]))
    if (nominal_supply_v or usual_v) > MOST_OF_12_V:
        whole = StateSpan(states.spans[0].start_s, states.spans[-1].stop_s, "not decidable")
        said = (
            f"engine states are told by the volts of 12 V vehicles, and this supply stands at {usual_v:.1f} V: none is "
            "told, and what else counts by rest or charging is not to be trusted"
        )
        return EngineStates((whole,), (said,))
    is_known_high = (battery_kind or "").lower() == "lithium"
    if (battery_kind or "").lower() in LEAD or any(span.state == "cranking" for span in states.spans):
        return states
    if not is_known_high and any(span.state == "rest" for span in states.spans):
        return states  # what it stepped up from, or fell to, tells what it was
    spans = [_doubt(span, steps) for span in states.spans]
    if spans == list(states.spans):
        return states
    said = "a supply of up to 13.4 V may be a lithium battery at rest, or charging"
    said += "" if is_known_high else ": the battery's kind was not declared"
    return EngineStates(tuple(join_spans(spans)), (*states.remarks, said))


def leave_out_leads(states: EngineStates, off: Sequence[Mapping[str, float]]) -> EngineStates:
    """The states, undecided where the logger's own supply lead was off (`start_s`, `stop_s`): what reads nothing tells
    nothing of the engine."""
    spans, off_s = list(states.spans), 0.0
    for lead in off:
        pieces: list[StateSpan] = []
        for span in spans:
            a, b = max(span.start_s, lead["start_s"]), min(span.stop_s, lead["stop_s"])
            if a >= b or span.state == "not decidable":
                pieces.append(span)
                continue
            off_s += b - a
            pieces += [replace(span, stop_s=a), StateSpan(a, b, "not decidable"), replace(span, start_s=b)]
        spans = [span for span in pieces if span.stop_s - span.start_s > STEP_S]
    if not off_s:
        return states
    said = f"the logger's own supply lead was off for {off_s:.1f} s, in which no engine state is told"
    return EngineStates(tuple(join_spans(spans)), (*states.remarks, said))


def _doubt(span: StateSpan, steps: SupplySteps) -> StateSpan:
    """The span, undecided where it is called charging though it never stood higher than a lithium battery rests."""
    first, stop = np.searchsorted(steps.time_s, (span.start_s, span.stop_s))
    volts = steps.volts["supply"][first:stop]
    if span.state != "charging" or not len(volts) or float(np.quantile(volts, _UPPER)) >= CRANK_FROM_V:
        return span
    return replace(span, state="not decidable")
