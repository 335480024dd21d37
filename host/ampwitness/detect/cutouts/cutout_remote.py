"""What the remote lead did before a stop: whether it fell, had flickered, or had only sagged; and whether it fell right
behind it.

Gaps: an analog lead is looked at in one unbroken run, a second back, three where it stayed low; a digital line in all
changes the board sent.
Limits: an analog lead is dated to 1 ms, the step it is kept in; a digital line to the sample. Below what volts an
amplifier lets go of its remote lead differs between amplifiers.
Source: our choice, measured by `python -m ampwitness.bench.cutout_scores`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ampwitness.detect.cutouts.cutout_measure import NEAR_S, REMOTE_LOW_V, Stop
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge

REMOTE_BEFORE_S = 1.0
STAYED_BEFORE_S = 10.0  # what fell so long before and stayed low: some amplifiers fade out for seconds
SANK_BEFORE_S = 3.0  # the same of an analog lead, which may sink further before the amplifier lets go
FLICKER_S = 0.5  # a lead that was back so long before the stop did not cause it
BLIP_S = 0.030
_SUPPLY_STEPS = 30  # ahead of its fall
SAG_RATIO = 0.75  # of its usual volts
_LAST_STEPS = 10  # ahead of a stop
_DOUBT_S = 0.0125
_WITH_S = 0.25  # so soon behind the last sound: what feeds both went off
BEHIND_STEPS = 300  # the same, from where a soft end is quiet
_SOUND_STEPS, _SOUND_TIMES, _SOUND_RATIO = 500, 6.0, 0.03


def measure_remote(run: RunSteps, stop: Stop, edges: Sequence[Edge], on_since_s: float = -np.inf) -> None:
    """When the remote lead fell, of a digital line or an analog channel, and did not come back before the stop.

    It may have come back before the output was quiet: a slow mute goes on, and some amplifiers mute for a while. What
    was back before the stop is a flicker; what never fell below `REMOTE_LOW_V` may have sagged. The output is on since
    `on_since_s`: a lead that was back before that has had its effect.
    """
    stop.remote_is_known = bool(edges)
    if "remote" in run:
        volts = run.steps("remote", *_remote_steps(run, stop))
        stop.remote_is_known = len(volts) > 0
        at_stop = run.steps("remote", *_last_steps(run, stop))
        stop.remote_at_stop_v = float(np.median(at_stop)) if len(at_stop) else None
        usual_v = float(np.median(volts)) if len(volts) else 0.0
        first = _remote_steps(run, stop)[0]
        since = int(np.clip((on_since_s - run.start_s) / run.step_s - first, 0, len(volts)))
        sagged = np.flatnonzero(volts[since:] < SAG_RATIO * usual_v)
        if len(sagged) and usual_v > REMOTE_LOW_V:
            stop.remote_sag_v = float(volts[since:].min())
            stop.remote_usual_v = usual_v
            stop.remote_sag_s = run.time_s(first + since + int(sagged[0]))
    changes = list_remote_changes(run, stop, edges)
    back_s = stop.start_s - stop.start_uncertainty_s
    for number, (time_s, is_low) in enumerate(changes):
        if not is_low:
            continue
        rose_s = next((later_s for later_s, _ in changes[number + 1 : number + 2]), np.inf)
        # A lead that was gone for an instant explains an instant's cut, and no sound that ended by itself near it.
        is_blip = rose_s - time_s < BLIP_S and not stop.is_truncated
        if rose_s > back_s and not is_blip:
            stop.remote_fell_s = time_s
            if "supply" in run:
                at = round((time_s - run.start_s) / run.step_s)
                volts = run.steps("supply", at - _SUPPLY_STEPS, at + 2)
                stop.supply_at_remote_v = float(volts.min()) if len(volts) else None
            return
        if max(back_s - FLICKER_S, on_since_s) < rose_s < np.inf:
            stop.remote_flickers_s = (*stop.remote_flickers_s, time_s)
            stop.remote_back_s = rose_s


def follow_remote(run: RunSteps, stop: Stop, edges: Sequence[Edge], start: int, until: int) -> None:
    """While the output is off, from step `start` to `until`: whether the remote lead fell right behind the last sound,
    as it does where a player goes off that feeds both. Sets `remote_after_s` and `last_sound_s`; of an analog lead
    `remote_rose_s` as well."""
    if "remote" in run:
        begin = max(start - 1, run.first, stop.stop_sample // run.step)
        is_high = run.steps("remote", begin, until) >= REMOTE_LOW_V
        rises = np.flatnonzero(is_high[1:] & ~is_high[:-1])
        stop.remote_rose_s = run.time_s(begin + int(rises[-1]) + 1) if len(rises) else stop.remote_rose_s
    if stop.remote_fell_s is not None or stop.remote_after_s is not None or stop.is_under or stop.is_dc_only:
        return
    since_s = stop.stop_s + NEAR_S
    if "remote" in run:
        first = max(start - 1, run.first)
        low = run.steps("remote", first, until) < REMOTE_LOW_V
        falls_s = [run.time_s(first + int(k) + 1) for k in np.flatnonzero(low[1:] & ~low[:-1])]
    else:
        falls_s = [edge.time_s for edge in edges if edge.level == 0 and edge.time_s < run.time_s(until)]
    for fell_s in falls_s:
        if fell_s <= since_s:
            continue
        fell = int((fell_s - run.start_s) / run.step_s)
        begin = max(fell - _SOUND_STEPS, stop.stop_sample // run.step + 1)
        high, low_v = run.steps("high", begin, fell), run.steps("low", begin, fell)
        limit_v = max(_SOUND_TIMES * stop.off_rms_v, _SOUND_RATIO * stop.peak_v)
        loud = np.flatnonzero(np.maximum(high - stop.rest_v, stop.rest_v - low_v) > limit_v)
        sound_s = run.time_s(begin + int(loud[-1]) + 1) if len(loud) else stop.stop_s
        if fell_s - sound_s <= _WITH_S:
            stop.remote_after_s, stop.last_sound_s = fell_s, sound_s
            return


def settle_remote(stop: Stop) -> None:
    """Once a stop is over, date it to the last sound ahead of the remote lead's fall; forget that fall where the output
    was back too soon to have gone off."""
    if stop.remote_after_s is None or stop.last_sound_s is None:
        return
    if stop.end_s - stop.remote_after_s < _WITH_S:
        stop.remote_after_s = stop.last_sound_s = None
    elif not stop.is_truncated and stop.last_sound_s > stop.start_s:  # what sounded there was the programme still
        stop.fade_s, stop.fade_doubt_s = stop.last_sound_s, _DOUBT_S
        stop.source_stop_s = None if stop.source_stop_s is None else max(stop.source_stop_s, stop.last_sound_s)


def list_remote_changes(run: RunSteps, stop: Stop, edges: Sequence[Edge]) -> list[tuple[float, bool]]:
    """When the remote lead changed before the stop and shortly behind it, and whether it was low then.

    The second before is looked at; of a digital line that stayed low since, up to ten.
    """
    if "remote" in run:
        a, b = _remote_steps(run, stop)
        low = run.steps("remote", a, b) < REMOTE_LOW_V
        if low.all() and len(low):  # low all the while: when it fell may lie further back
            a = max(run.first, b - round(SANK_BEFORE_S / run.step_s))
            low = run.steps("remote", a, b) < REMOTE_LOW_V
            return [(run.time_s(a + int(k)), bool(low[k])) for k in np.flatnonzero(np.diff(low)) + 1][-1:]
        return [(run.time_s(a + int(k)), bool(low[k])) for k in np.flatnonzero(np.diff(low)) + 1]
    until_s = stop.stop_s + NEAR_S
    changes = [(edge.time_s, edge.level == 0) for edge in edges if edge.time_s <= until_s]
    recent = [change for change in changes if change[0] >= stop.stop_s - REMOTE_BEFORE_S]
    if not recent and changes and changes[-1][1] and changes[-1][0] >= stop.stop_s - STAYED_BEFORE_S:
        return changes[-1:]
    return recent


def _last_steps(run: RunSteps, stop: Stop) -> tuple[int, int]:
    at = round((stop.start_s - run.start_s) / run.step_s)
    return at - _LAST_STEPS, at


def _remote_steps(run: RunSteps, stop: Stop) -> tuple[int, int]:
    at = round((stop.stop_s - run.start_s) / run.step_s)
    return max(run.first, at - round(REMOTE_BEFORE_S / run.step_s)), at + round(NEAR_S / run.step_s) + 1
