"""Turn-on and turn-off: from the remote lead to the sound, from the source to a signal-sensed start, and the thumps.

Works on the runs of the cut-out detector, block by block; nothing is kept but what is still open.

Gaps: what is open when a run ends is given up ("the data ended"; `cutout_gap` looks behind it).
Limits: times are good to 10 ms. A signal-sensed start needs a `source` channel, and a remote lead that did not move. Of
an output that stands at half the supply no thump is told.
Source: our choice, measured by tests/detect_cutouts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.detect.cutouts.cutout_bias import BIAS_V
from ampwitness.detect.step_stream import RunSteps
from ampwitness.types import Edge, FloatArray

Flags = npt.NDArray[np.bool_]
Sides = npt.NDArray[np.int64]
DATA_ENDED = "the data ended"
SOUND_V = 0.15  # half the swing that counts as sound
REMOTE_ON_V = 6.0
WAIT_S = 30.0
SENSE_QUIET_S = 1.0
SENSE_DELAY_S = 0.03
_BIN = 10
_SUSTAINED = 20  # bins looked at, of which
_SOUNDING = 12  # so many must sound: a thump is over sooner
_TAIL_S = 1.0
_OWN_BINS = 100
_ASIDE_V, _ASIDE = 0.05, 4  # so many bins wholly on one side of zero are no sound but a thump


@dataclass(slots=True)
class _Open:
    what: str  # "turn-on", "turn-off", "signal-sensed start"
    began_s: float
    thump_v: float = 0.0
    source_s: float | None = None  # from when on the source played, where it did not play at first
    source_was_silent: bool = False
    was_silent: bool = True  # the output, right before


def _behind_thump(side: Sides, place: int) -> int:
    """The bin behind a thump that begins in bin `place` and runs into the sound; `place` where none does."""
    away = side[place + 1 :]
    if not len(away) or away[0] == 0:
        return place
    back = np.flatnonzero(away != away[0])
    n = int(back[0]) if len(back) else len(away)
    return place + 1 + n if n >= _ASIDE else place


def is_turn_on_thump(stop_s: float, switchings: Sequence[dict[str, Any]]) -> bool:
    """Whether what stopped then was the thump of a turn-on, ahead of the sound, while that was still waited for."""
    return any(
        entry["start_s"] < stop_s < entry["start_s"] + entry["waited_s"]
        for entry in switchings
        if entry["what"] in ("turn-on", "signal-sensed start") and entry["was_silent"]
    )


class TurnOnWatch:
    """Follows remote lead, source and output of one run; behind a gap it is not known how long the source was quiet."""

    def __init__(self, found: list[dict[str, Any]], is_behind_a_gap: bool = False) -> None:
        self._found = found
        self._open: _Open | None = None
        self._bin_s = 0.010
        self._quiet_bins = 0 if is_behind_a_gap else 10**6  # of the source, up to here
        self._was_on: bool | None = None
        self._sounded_last = False
        self._seen_s = 0.0  # up to where the open event was followed

    def advance(self, run: RunSteps, start: int, limit: int, known: int, edges: Sequence[Edge]) -> None:
        """Look at the steps from `start` to `limit`; those up to `known` may be looked at."""
        self._bin_s = _BIN * run.step_s  # 10 ms, but for rates of which a millisecond holds no whole number of samples
        events = self._events(run, start, limit, edges)
        end = known // _BIN * _BIN
        if end - start < _BIN:
            return
        if self._open is None and not events:
            a = max(start, (limit - start) // _BIN * _BIN + start - 3 * _BIN)
            high, low = run.steps("high", a, limit), run.steps("low", a, limit)
            self._sounded_last = bool(len(high)) and 0.5 * float(high.max() - low.min()) > SOUND_V
            return
        high, low = (run.steps(name, start, end).reshape(-1, _BIN) for name in ("high", "low"))
        swing = 0.5 * (high.max(axis=1) - low.min(axis=1))
        peak = np.where(high.max(axis=1) > -low.min(axis=1), high.max(axis=1), low.min(axis=1))
        sounds = swing > SOUND_V
        own_v = _find_own_level(run.steps("mean", start, end).reshape(-1, _BIN).mean(axis=1, dtype=np.float64))
        side = np.where(low.min(axis=1) > own_v + _ASIDE_V, 1, np.where(high.max(axis=1) < own_v - _ASIDE_V, -1, 0))
        peak = np.where(own_v == 0.0, peak, 0.0)
        plays = _source_plays(run, start, end) if "source" in run else None
        n_bins = (limit - start) // _BIN
        at = 0
        for event in [*events, None]:
            since_s = 0.0 if event is None else event.began_s - run.time_s(start)
            stop = n_bins if event is None else min(n_bins, max(0, round(since_s / self._bin_s)))
            if plays is not None and self._open is not None:
                self._see_source(run.time_s(start), plays, at, stop)
            self._follow(run.time_s(start), sounds, peak, side, at, stop)
            self._seen_s = run.time_s(start) + self._bin_s * stop
            if event is not None:
                self._close("nothing more was heard" if self._open else "")
                before = sounds[max(0, stop - 3) : stop]
                event.was_silent = not before.any() if len(before) else not self._sounded_last
                self._open = event
            at = stop
        self._sounded_last = bool(sounds[max(0, n_bins - 3) : n_bins].any())

    def end(self) -> None:
        """The run is over."""
        self._close(DATA_ENDED)

    def _see_source(self, start_s: float, plays: Flags, at: int, stop: int) -> None:
        """Note when the source began to play, if it was silent when the remote lead rose."""
        event = self._open
        assert event is not None
        if event.what != "turn-on" or event.source_s is not None or stop <= at:
            return
        if not event.source_was_silent:
            if start_s + self._bin_s * at - event.began_s > 0.1 or plays[at : at + _SUSTAINED].any():
                return  # it played from the first
            event.source_was_silent = True
        hits = np.flatnonzero(plays[at:stop])
        if len(hits):
            event.source_s = start_s + self._bin_s * (at + int(hits[0]))

    def _follow(self, start_s: float, sounds: Flags, peak: FloatArray, side: Sides, at: int, stop: int) -> None:
        """Carry the open event through the bins `at` to `stop`."""
        event = self._open
        if event is None or stop <= at:
            return
        count = np.convolve(sounds.astype(np.int64), np.ones(_SUSTAINED, dtype=np.int64), "full")[_SUSTAINED - 1 :]
        if event.what == "turn-off":
            quiet = np.flatnonzero(count[at:stop] < _SOUNDING)
            if len(quiet):
                place = at + int(quiet[0])
                still = np.flatnonzero(~sounds[place : place + _SUSTAINED])
                silent = place + (int(still[0]) if len(still) else 0)
                silent_s = start_s + self._bin_s * silent
                after = peak[
                    silent + 1 : max(silent + 1, min(stop, silent + 1 + round(_TAIL_S / self._bin_s)))
                ]  # what sounds once it was silent
                event.thump_v = float(after[int(np.argmax(np.abs(after)))]) if len(after) else 0.0
                self._give(silent_s, None)
            return
        hits = np.flatnonzero((count[at:stop] >= _SOUNDING) & (sounds[at:stop] > 0))
        place = at + int(hits[0]) if len(hits) else stop
        if len(hits) and event.was_silent:
            place = _behind_thump(side, place)
        before = peak[at:place]
        if len(before):
            largest = float(before[int(np.argmax(np.abs(before)))])
            event.thump_v = largest if abs(largest) > abs(event.thump_v) else event.thump_v
        if len(hits):
            self._give(start_s + self._bin_s * place, None)
        elif start_s + self._bin_s * stop - event.began_s > WAIT_S:
            self._close(f"no sound within {WAIT_S:.0f} s")

    def _give(self, sound_s: float | None, why_not: str | None) -> None:
        event, self._open = self._open, None
        assert event is not None
        if event.what == "signal-sensed start" and (sound_s is None or sound_s - event.began_s < SENSE_DELAY_S):
            return  # the amplifier was on all the time
        delay_s = None if sound_s is None else sound_s - event.began_s
        thump_v = event.thump_v if abs(event.thump_v) > SOUND_V else None
        source_s = None if event.source_s is None else event.source_s - event.began_s
        if source_s is not None and delay_s is not None and source_s > delay_s:
            source_s = None
        waited_s = self._seen_s - event.began_s if delay_s is None else delay_s
        entry = {"what": event.what, "start_s": event.began_s, "delay_s": delay_s, "waited_s": waited_s}
        entry |= {"thump_v": thump_v}
        entry |= {"not_seen": why_not, "was_silent": event.was_silent, "source_after_s": source_s}
        self._found.append(entry)

    def _close(self, why: str) -> None:
        if self._open is not None:
            self._give(None, why)

    def _events(self, run: RunSteps, start: int, limit: int, edges: Sequence[Edge]) -> list[_Open]:
        a_s, b_s = run.time_s(start), run.time_s(limit)
        names = {1: "turn-on", 0: "turn-off"}
        out = [_Open(names[edge.level], edge.time_s) for edge in edges if a_s <= edge.time_s < b_s]
        if "remote" in run:
            is_on = run.steps("remote", start, limit) > REMOTE_ON_V
            was_on = bool(is_on[0]) if self._was_on is None else self._was_on
            flips = np.flatnonzero(np.diff(np.concatenate(([was_on], is_on)).astype(np.int8)))
            out += [_Open(names[int(is_on[k])], run.time_s(start + int(k))) for k in flips]
            self._was_on = bool(is_on[-1])
        if "source" in run:
            out += self._sensed(run, start, limit) if not out else []
        return sorted(out, key=lambda event: event.began_s)

    def _sensed(self, run: RunSteps, start: int, limit: int) -> list[_Open]:
        """Where the source began to play after a second of silence, the output silent."""
        n = (limit - start) // _BIN
        plays = _source_plays(run, start, start + n * _BIN)
        out = []
        for k in np.flatnonzero(plays & ~np.concatenate(([self._quiet_bins == 0], plays[:-1]))):
            silent = np.flatnonzero(plays[:k])
            quiet = k - int(silent[-1]) - 1 if len(silent) else k + self._quiet_bins
            if quiet * self._bin_s >= SENSE_QUIET_S:
                out.append(_Open("signal-sensed start", run.time_s(start + int(k) * _BIN)))
        last = np.flatnonzero(plays)
        self._quiet_bins = n - int(last[-1]) - 1 if len(last) else self._quiet_bins + n
        return out


def _find_own_level(mean: FloatArray) -> FloatArray:
    """(n,) of bins of 10 ms the volts on which the output plays for the second from there on; 0: about zero."""
    if float(np.mean(np.abs(mean))) < BIAS_V / 4:
        return np.zeros(len(mean))
    ahead = np.concatenate((mean, np.full(_OWN_BINS - 1, mean[-1])))
    own_v = np.median(np.lib.stride_tricks.sliding_window_view(ahead, _OWN_BINS), axis=1)
    return np.asarray(np.where(np.abs(own_v) > BIAS_V, own_v, 0.0))


def _source_plays(run: RunSteps, start: int, stop: int) -> Flags:
    """(n,) whether the source plays, by bins of 10 ms."""
    square, mean = (run.steps(name, start, stop).reshape(-1, _BIN).mean(axis=1) for name in ("source_square", "source"))
    return np.asarray(square - mean**2 > 1e-4)
