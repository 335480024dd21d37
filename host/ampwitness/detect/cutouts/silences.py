"""Silences of a second and more that nothing logged explains: pauses of the programme, or a lost signal. They are
counted, so that a report without cut-outs does not read as if the output had never been still. Where a programme hardly
ever rests, as noise, an organ or dense music, so are those of a third of a second.

Gaps: a silence ends at a gap; one that a run begins with is not counted, as nothing was heard before it, nor is one
of less than LEAST_AT_END_S that it ends with.
Limits: what stays below 0.15 V or a hundredth of the highest swing of the last minute counts as silent, and all behind
it up to twice that: noise, whose tops reach the lower level now and then, ends no silence. So a very soft passage
counts too. Ends are good to 10 ms.
Source: our choice, measured by tests/detect_cutouts.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_candidates import BIN, over_bins
from ampwitness.detect.cutouts.fixed_wait import find_fixed_waits
from ampwitness.detect.cutouts.rests import RestCount
from ampwitness.detect.cutouts.turn_on import SOUND_V, WAIT_S
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import FloatArray

LEAST_SILENCE_S = 1.0  # a beat and the rest of a bar are shorter
# Where rests of REST_S and more are as few as this (or REST_FEWEST), of a programme that rests shorter ones count too.
LEAST_BRIEF_S, REST_S = 0.3, 0.1
REST_EVERY_S, REST_FEWEST, MOST_BRIEF = 30.0, 2, 500
LEAST_AT_END_S = 5.0
# Amplifiers of 12 V systems commonly let go between 9 and 10.5 V (common practice, no source); of 24 V ones it is lower
# than any, too.
COMMONLY_LOW_V = 10.5
BEFORE = 300  # steps in which a supply may have been the reason
SILENT_SHARE = 0.01
SOUND_RATIO = 2.0  # of that ends a silence
BLOCKS = 6  # of ten seconds, over which the highest swing is taken
_NEAR_S = 0.5  # of a stop that is a finding


class Silence(NamedTuple):
    """One of them: seconds, and the lowest supply within `BEFORE` steps before it; not a number where not logged."""

    start_s: float
    stop_s: float
    lowest_v: float = math.nan


class BriefSilences:
    """Those of less than LEAST_SILENCE_S, as long as they may turn out to be a programme's that hardly rests."""

    def __init__(self) -> None:
        self._brief: list[Silence] = []
        self._n_rests = 0
        self.heard_s = 0.0

    def add(self, silence: Silence) -> None:
        """Another silence, of any length."""
        lasted_s = silence.stop_s - silence.start_s
        self._n_rests += lasted_s >= REST_S
        if LEAST_BRIEF_S <= lasted_s < LEAST_SILENCE_S and len(self._brief) < MOST_BRIEF:
            self._brief.append(silence)

    def find_told(self, longer: Sequence[Silence]) -> list[Silence]:
        """They, of a programme that hardly rests; of others those that are equally long at odd moments, beside the
        `longer` ones."""
        if self._n_rests <= min(max(REST_FEWEST, self.heard_s / REST_EVERY_S), MOST_BRIEF):
            return self._brief
        if len(self._brief) >= MOST_BRIEF:
            return []
        every = sorted([*self._brief, *longer])
        is_wait = find_fixed_waits([silence[:2] for silence in every])
        return [one for one, waits in zip(every, is_wait, strict=True) if waits and one in self._brief]


class SilenceWatch:
    """Follows one run, block by block.

    Parameters
    ----------
    found : each silence is added here
    rests, brief : shorter ones are added here
    """

    def __init__(self, found: list[Silence], rests: RestCount, brief: BriefSilences) -> None:
        self._found, self._rests, self._brief = found, rests, brief
        self._highest_v: deque[float] = deque(maxlen=BLOCKS)
        self._since_s: float | None = None
        self._lowest_v = math.nan
        self._has_sounded = False
        self._to_s = 0.0

    def advance(self, run: RunSteps, start: int, limit: int) -> None:
        """Look at the steps from `start` to `limit`."""
        n_bins = (limit - start) // BIN
        if "source" in run or n_bins == 0:  # a logged source tells itself
            return
        high, low = (run.steps(name, start, start + n_bins * BIN) for name in ("high", "low"))
        swing_v = 0.5 * (over_bins(np.maximum, high) - over_bins(np.minimum, low)).astype(np.float64)
        highest_v = np.maximum(np.maximum.accumulate(swing_v), max(self._highest_v, default=0.0))
        self._highest_v.append(float(swing_v.max()))
        is_silent = self._tell_silent(swing_v, np.maximum(SOUND_V, SILENT_SHARE * highest_v))
        begin_s, bin_s = run.time_s(start), BIN * run.step_s
        self._brief.heard_s += n_bins * bin_s
        turns = np.flatnonzero(np.diff(is_silent, prepend=not is_silent[0]))
        for place in turns.tolist():
            time_s = begin_s + place * bin_s
            if not is_silent[place]:
                self._close(time_s)
                self._has_sounded = True
            elif self._has_sounded and self._since_s is None:
                self._since_s = time_s
                at = start + place * BIN
                before = run.steps("supply", at - BEFORE, at + BIN) if "supply" in run else ()
                self._lowest_v = float(np.min(before)) if len(before) else math.nan
        self._to_s = begin_s + n_bins * bin_s

    def _tell_silent(self, swing_v: FloatArray, limit_v: FloatArray) -> npt.NDArray[np.bool_]:
        """For each bin whether it is silent; what lies between the limits is as what came before it."""
        is_told = (swing_v <= limit_v) | (swing_v > SOUND_RATIO * limit_v)
        told_at = np.maximum.accumulate(np.where(is_told, np.arange(len(swing_v)), -1))
        was_silent = self._since_s is not None or not self._has_sounded
        return np.where(told_at < 0, was_silent, (swing_v <= limit_v)[told_at])

    def end(self) -> None:
        """The run is over: what has been silent for a moment only is how a recording ends."""
        if self._since_s is not None and self._to_s - self._since_s < LEAST_AT_END_S:
            self._since_s = None
        self._close(self._to_s)
        self._highest_v.clear()
        self._has_sounded = False

    def _close(self, time_s: float) -> None:
        if self._since_s is not None:
            silence = Silence(self._since_s, time_s, self._lowest_v)
            self._rests.add(self._since_s, time_s)
            self._brief.add(silence)
            if time_s - self._since_s >= LEAST_SILENCE_S:
                self._found.append(silence)
        self._since_s = None


def sum_silences(
    silences: Sequence[Silence],
    told_s: Iterable[tuple[float, float]],
    switchings: Sequence[Mapping[str, Any]],
    lets_go: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """How many silences nothing explains, the longest, and how many last equally long though they come on no beat.

    silences : of a recording; told_s : (start_s, stop_s) of the stops that are findings; switchings : of the output, a
    turn-off explains the silence behind it; lets_go : the supply at which the amplifier was seen to switch off, as
    `cutout_level` tells it; None: it was not seen to, and COMMONLY_LOW_V counts
    """
    told = np.array(list(told_s), dtype=np.float64).reshape(-1, 2)
    off_s = [entry["start_s"] for entry in switchings if entry["what"] == "turn-off"]

    def is_open(silence: Silence) -> bool:
        start_s, stop_s, _ = silence
        is_told = np.any((told[:, 0] < stop_s) & (told[:, 1] > start_s - _NEAR_S))
        return not is_told and not any(off - _NEAR_S < start_s < off + WAIT_S for off in off_s)

    open_ = [silence for silence in silences if is_open(silence)]
    longest = max(open_, key=lambda silence: silence[1] - silence[0], default=None)
    spans = [silence[:2] for silence in open_]
    waits = [span for span, is_wait in zip(spans, find_fixed_waits(spans), strict=True) if is_wait]
    low_v = lets_go["level_v"] if lets_go else COMMONLY_LOW_V
    low = [silence for silence in open_ if silence.lowest_v <= low_v]
    return {
        "n": len(open_),
        "least_s": min([LEAST_SILENCE_S, *(LEAST_BRIEF_S for s in open_ if s.stop_s - s.start_s < LEAST_SILENCE_S)]),
        "total_s": float(sum(stop_s - start_s for start_s, stop_s in spans)),
        "longest_start_s": None if longest is None else longest.start_s,
        "longest_s": None if longest is None else longest.stop_s - longest.start_s,
        "n_low": len(low),
        "low_v": max((silence.lowest_v for silence in low), default=None),
        "is_low_seen": lets_go is not None,
        "n_equal": len(waits),
        "equal_s": float(np.median([stop_s - start_s for start_s, stop_s in waits])) if waits else None,
    }
