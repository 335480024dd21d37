"""What a gap in the recording hides of an outage: whether the output was back behind it.

Gaps: that is what this is about; of what happened within one nothing is known but where it began and ended.
Limits: the output counts as back where it sounds within the first half second behind the gap.
Source: ours.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import Stop
from ampwitness.detect.cutouts.turn_on import DATA_ENDED
from ampwitness.detect.step_stream import RunSteps
from ampwitness.units import seconds_to_clock

STILL_OFF = "the data ended while the output was still off"
IN_GAP = "within the gap"
BEHIND_GAP = "not known"
_FIRST, _BIN, _LEAST_BINS = 500, 50, 3  # steps; bins that must sound
_LEAST_SWING_V, _SOUNDS_RATIO = 0.6, 0.25  # of the swing before it stopped
NEAR_S = 0.002


def settle_behind_gap(
    run: RunSteps, known: int, gap_from_s: float, stops: Iterable[Stop], switchings: Iterable[dict[str, Any]]
) -> None:
    """Say of stops and turn-ons that were open when the gap began what the first half second behind it shows.

    Parameters
    ----------
    run, known : the run behind the gap, of which the steps up to `known` may be looked at
    gap_from_s : where the run before it ended
    stops, switchings : those found so far
    """
    if run.start_s - gap_from_s < NEAR_S:
        return  # a channel or the rate changed: nothing is missing
    last = min(_FIRST, known) // _BIN * _BIN
    high, low = (run.steps(name, 0, last).reshape(-1, _BIN) for name in ("high", "low"))
    swing_v = high.max(axis=1, initial=-np.inf) - low.min(axis=1, initial=np.inf)
    span = f"from {seconds_to_clock(gap_from_s)} to {seconds_to_clock(run.start_s)}"
    for stop in stops:
        if stop.ended_how != STILL_OFF or abs(stop.end_s - gap_from_s) > NEAR_S:
            continue
        if _sounds(swing_v, max(_SOUNDS_RATIO * stop.peak_v, _LEAST_SWING_V)):
            stop.resume_s, stop.ended_how = run.start_s, "the output came back somewhere within a gap"
            stop.return_how = f"{IN_GAP} {span}"
        else:
            stop.return_how = f"{BEHIND_GAP}: still off when a gap began, {span}, and quiet behind it"
    for entry in switchings:
        is_open = entry["what"] == "turn-on" and entry["not_seen"] == DATA_ENDED
        if is_open and entry["start_s"] < gap_from_s and _sounds(swing_v, _LEAST_SWING_V):
            entry["not_seen"] = f"the sound came {IN_GAP} {span}"


def _sounds(swing_v: np.ndarray[Any, Any], least_v: float) -> bool:
    return int(np.count_nonzero(swing_v >= least_v)) >= _LEAST_BINS
