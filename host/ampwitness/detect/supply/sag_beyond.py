"""Notes under which the supply fell further than the amplifier's own output can explain: something else took current.

Gaps: a note whose sag was not measured is not looked at, nor is a fall with which a note ended: a cut-out may begin so.
Limits: the lowest volts may follow single crests, where a sine takes twice its mean power: only what exceeds the power
of the note's highest crest, as if it lasted, is told. A consumer that draws less hides in that, and one that runs in
step with most notes has become part of the learned supply. A bad contact that gives way under load looks the same.
Source: our choice, measured by tests/supply/test_sag_beyond.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.supply.supply_forecast import find_fall
from ampwitness.detect.supply.supply_model import StateModel
from ampwitness.finding_list import FindingList
from ampwitness.types import FloatArray

LEAST_BEYOND_V = 0.2
ANSWERS_AFTER_S = (0.02, 0.1, 0.3, 1.0, 3.0)  # at once to the battery's slow part; a regulator lessens it with time
_SIGMAS = 3.0


def find_sag_beyond(
    notes: FindingList, is_mine: npt.NDArray[np.bool_], state: StateModel, apart: Sequence[tuple[float, float]]
) -> dict[str, Any] | None:
    """The notes of one engine state whose sag is more than their own power explains.

    Parameters
    ----------
    notes : all notes
    is_mine : which of them lie in this engine state
    state : what is known of the supply in it
    apart : (start_s, stop_s), seconds of recording, in which the engine was cranked, started or stopped: notes that
        touch one are left out

    Returns
    -------
    n_notes beyond, n_looked_at, start_s, sag_v and explained_v of the worst; None where there is none.
    """
    start_s, stop_s = notes.start_s, notes.stop_s
    crest_v, sag_v, lowest_v = (
        notes.values(key) for key in ("peak_v", "sag_without_end_v", "supply_lowest_averaged_v")
    )
    known = is_mine & np.isfinite(crest_v) & np.isfinite(sag_v) & (lowest_v > 1.0)
    for from_s, to_s in apart:
        known &= (stop_s < from_s) | (start_s > to_s)
    if state.power_fit is None or not known.any():
        return None
    explained_v = _explain(state, crest_v[known] ** 2 / lowest_v[known], (stop_s - start_s)[known])
    over_v = sag_v[known] - explained_v
    is_beyond = over_v > LEAST_BEYOND_V
    if not is_beyond.any():
        return None
    worst = int(np.argmax(over_v))
    return {
        "n_notes": int(is_beyond.sum()),
        "n_looked_at": int(known.sum()),
        "start_s": float(start_s[known][worst]),
        "sag_v": float(sag_v[known][worst]),
        "explained_v": float(explained_v[worst]),
    }


def _explain(state: StateModel, demand: FloatArray, lasting_s: FloatArray) -> FloatArray:
    """The most that a note's own power takes off the supply, volts: at its crests, and with all that is unsure."""
    most_v = np.zeros(len(demand))
    for after_s in ANSWERS_AFTER_S:
        fall = find_fall(state, after_s)
        fall_v = np.array([fall.at(float(each)) for each in demand]) * (1 + _SIGMAS * fall.error_ratio)
        has_come = after_s <= np.maximum(2 * lasting_s, ANSWERS_AFTER_S[0])
        most_v = np.where(has_come, np.maximum(most_v, fall_v + _SIGMAS * fall.spread_v), most_v)
    return most_v
