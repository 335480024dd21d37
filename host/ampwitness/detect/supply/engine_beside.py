"""What the engine's states are in the seconds that the supply's figures count as one state of their own.

The supply's figures are told apart by volts alone, as a charger that gives nothing leaves the supply to the battery,
and what it sags by then is the battery's. So an engine that runs may stand beside figures "at rest"; here both are laid
side by side, for words to say so.

Gaps: nothing is counted in one.
Limits: of minutes of which only mean and lowest volts were kept all is counted to the states in their middle.
Source: ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ampwitness.detect.supply.engine_states import STATES, EngineStates
from ampwitness.detect.supply.supply_history import NO_SUPPLY_V, STEP_S, SupplySteps


def lay_engine_beside(supply: Mapping[str, Any], states: EngineStates, steps: SupplySteps) -> dict[str, Any]:
    """The summary of the supply, with `engine_s` in each of its states: seconds by the engine's state meanwhile.

    Parameters
    ----------
    supply : with `states` and `state_begins` (start_s, name)
    states : of the engine
    steps : the recording in steps of 10 ms

    Returns
    -------
    The same summary; without `engine_s` where the engine has no spans, or the supply no states.
    """
    begins = supply.get("state_begins") or ()
    if not begins or not states.spans:
        return dict(supply)
    usable = steps.volts["supply"] > NO_SUPPLY_V
    time_s = np.concatenate((steps.time_s[usable], steps.left_out.middle_s))
    seen_s = np.concatenate((np.full(int(usable.sum()), STEP_S), steps.left_out.seen_s))
    place = np.maximum(0, np.searchsorted([start_s for start_s, _ in begins], time_s, "right") - 1)
    names = [name for _, name in begins]
    engine = states.numbers_at(time_s)
    told = {}
    for name, state in supply["states"].items():
        mine = np.array([one == name for one in names])[place]
        sums_s = np.bincount(engine[mine], weights=seen_s[mine], minlength=len(STATES)).tolist()
        told[name] = {**state, "engine_s": {one: s for one, s in zip(STATES, sums_s, strict=True) if s > 0}}
    return {**supply, "states": told}
