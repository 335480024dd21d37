"""Levels over days: whole seconds first, then minutes that merge in pairs, so that memory does not grow with time.

Gaps: a second that lost a sample is left out; nothing is filled.
Limits: a minute in which the signal changes by more than 1.5 dB is represented by the seconds near its median.
Source: our choice; seconds are cut on recording time, so that the cut of windows never shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, TraceWindow

STEP_S = 1.0
BIN_S = 60.0
MAX_BINS = 4096  # 68 hours of minutes; then two minutes a bin, and so on
GATE_DB = 1.5
_SLACK_SAMPLES = 1e-4  # times are rounded
_JOIN_SAMPLES = 0.25
_SUMS = ("n_s", "n_playing_s", "output_v2", "source_v2", "supply_v")


@dataclass(frozen=True, slots=True)
class SecondLevels:
    """One role in whole seconds of recording time: second k is k <= t < k + 1. Arrays (n,), volts."""

    lowest_v: FloatArray
    highest_v: FloatArray
    mean_v: FloatArray
    rms_v: FloatArray


@dataclass(frozen=True, slots=True)
class LevelTable:
    """Levels by bins of `bin_s` from recording time 0 on; arrays (n,), NaN where nothing is known.

    `output_v` is rms without DC of the seconds near each minute's median; `gain_db` the same against the source, NaN
    without one; `n_s` how many whole seconds each bin rests on, `n_playing_s` how many of them the output's level.
    """

    bin_s: float
    n_s: FloatArray
    n_playing_s: FloatArray
    output_v: FloatArray
    output_lowest_v: FloatArray
    output_highest_v: FloatArray
    supply_v: FloatArray
    supply_lowest_v: FloatArray
    supply_highest_v: FloatArray
    gain_db: FloatArray

    @property
    def time_s(self) -> FloatArray:
        """Middle of each bin, recording time."""
        return (np.arange(len(self.n_s)) + 0.5) * self.bin_s


class SecondCutter:
    """Cuts windows into whole seconds, the same whatever the windows' length."""

    def __init__(self) -> None:
        self._carry: tuple[float, float, dict[str, FloatArray]] | None = None  # start, rate, volts

    def push(self, window: TraceWindow) -> list[tuple[npt.NDArray[np.int64], dict[str, SecondLevels]]]:
        """The seconds that this window completes: numbers of the seconds, and each role's levels in them."""
        out: list[tuple[npt.NDArray[np.int64], dict[str, SecondLevels]]] = []
        if not window.traces:
            return out
        first = next(iter(window.traces.values()))
        for at, segment in enumerate(first.segments):
            pieces = {role: trace.segments[at].volts for role, trace in window.traces.items()}
            found = self._take(segment.start_s, segment.rate_hz, pieces)
            if found is not None:
                out.append(found)
        return out

    def _take(
        self, start_s: float, rate_hz: float, pieces: dict[str, FloatArray]
    ) -> tuple[npt.NDArray[np.int64], dict[str, SecondLevels]] | None:
        carry, self._carry = self._carry, None
        if carry is not None and carry[1] == rate_hz and carry[2].keys() == pieces.keys():
            n_carried = len(next(iter(carry[2].values())))
            if abs(carry[0] + n_carried / rate_hz - start_s) * rate_hz < _JOIN_SAMPLES:
                start_s = carry[0]
                pieces = {role: np.concatenate((carry[2][role], volts)) for role, volts in pieces.items()}
        n = len(next(iter(pieces.values())))
        begin = start_s * rate_hz
        first = int(np.ceil((begin - _SLACK_SAMPLES) / rate_hz))
        last = int(np.floor((begin + n + _SLACK_SAMPLES) / rate_hz))
        if last < first:
            return None  # the middle of a second that has lost its beginning
        numbers = np.arange(first, last + 1, dtype=np.int64)
        edges = np.ceil(numbers * rate_hz - begin - _SLACK_SAMPLES).astype(np.int64)
        if edges[-1] < n:
            at = int(edges[-1])
            self._carry = (
                start_s + at / rate_hz,
                rate_hz,
                {role: np.array(volts[at:], dtype=np.float32) for role, volts in pieces.items()},
            )
        if last == first:
            return None
        return numbers[:-1], {role: reduce_seconds(volts, edges) for role, volts in pieces.items()}


def reduce_seconds(volts: FloatArray, edges: npt.NDArray[np.int64]) -> SecondLevels:
    """Levels of volts[edges[k] : edges[k + 1]] for each k. Second by second: sums then never depend on neighbours."""
    narrow = np.asarray(volts, dtype=np.float32)
    table = np.empty((4, len(edges) - 1))
    lengths = np.diff(edges)
    if len(edges) > 2 and (lengths == lengths[0]).all():  # each row is added up as a second by itself is
        seconds = narrow[edges[0] : edges[-1]].reshape(len(lengths), -1)
        table[:2] = seconds.min(axis=1), seconds.max(axis=1)
        n = len(seconds[0])
        table[2:] = np.add.reduce(seconds, axis=1) / n, np.array([np.vdot(part, part) for part in seconds]) / n
        return SecondLevels(table[0], table[1], table[2], np.sqrt(table[3]))
    for k, (a, b) in enumerate(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)):
        part = narrow[a:b]
        table[:, k] = part.min(), part.max(), np.add.reduce(part) / len(part), np.vdot(part, part) / len(part)
    return SecondLevels(table[0], table[1], table[2], np.sqrt(table[3]))


class LevelTiers:
    """Collects seconds into minutes, and minutes into longer bins when there are more than `max_bins`."""

    def __init__(self, max_bins: int = MAX_BINS) -> None:
        self._max_bins = max_bins
        self.bin_s = BIN_S
        self._n = 0
        self._sums: dict[str, FloatArray] = {name: np.zeros(64) for name in _SUMS}
        self._lowest = {role: np.full(64, np.inf) for role in ("output", "supply")}
        self._highest = {role: np.full(64, -np.inf) for role in ("output", "supply")}
        self._minute = -1
        self._open: list[tuple[float, float]] = []  # output and source power of the open minute's seconds

    def push(self, numbers: npt.NDArray[np.int64], levels: Mapping[str, SecondLevels]) -> None:
        """Take whole seconds in order of time."""
        output, source, supply = levels.get("output"), levels.get("source"), levels.get("supply")
        minutes = numbers // int(BIN_S)
        for minute in np.unique(minutes).tolist():
            here = minutes == minute
            if minute != self._minute:
                self._close_minute()
                self._minute = minute
            at = self._bin_of(minute)
            self._sums["n_s"][at] += np.count_nonzero(here)
            if output is not None:
                power = np.maximum(output.rms_v[here] ** 2 - output.mean_v[here] ** 2, 0.0)
                driven = np.full(len(power), np.nan)
                if source is not None:
                    driven = np.maximum(source.rms_v[here] ** 2 - source.mean_v[here] ** 2, 0.0)
                self._open += zip(power.tolist(), driven.tolist(), strict=True)
                self._widen("output", at, output, here)
            if supply is not None:
                self._sums["supply_v"][at] += float(np.sum(supply.mean_v[here]))
                self._widen("supply", at, supply, here)

    def _widen(self, role: str, at: int, levels: SecondLevels, here: npt.NDArray[np.bool_]) -> None:
        self._lowest[role][at] = min(self._lowest[role][at], float(levels.lowest_v[here].min()))
        self._highest[role][at] = max(self._highest[role][at], float(levels.highest_v[here].max()))

    def _close_minute(self) -> None:
        """The seconds near the minute's median stand for it: a pause or a bang inside it is no drift."""
        if not self._open:
            return
        power, driven = np.array(self._open).T
        self._open = []
        shown = power
        if np.all(driven > 0):
            shown = power / driven
        middle = float(np.median(shown))
        ratio = 10 ** (GATE_DB / 10)
        near = (shown >= middle / ratio) & (shown <= middle * ratio)
        at = self._bin_of(self._minute)
        self._sums["n_playing_s"][at] += np.count_nonzero(near)
        self._sums["output_v2"][at] += float(power[near].sum())
        self._sums["source_v2"][at] += float(driven[near].sum())

    def _bin_of(self, minute: int) -> int:
        while int(minute * BIN_S // self.bin_s) >= self._max_bins:
            self._merge_pairs()
        at = int(minute * BIN_S // self.bin_s)
        if at >= len(self._sums["n_s"]):
            more = min(self._max_bins, max(2 * len(self._sums["n_s"]), at + 1)) - len(self._sums["n_s"])
            self._sums = {name: np.append(a, np.zeros(more)) for name, a in self._sums.items()}
            self._lowest = {role: np.append(a, np.full(more, np.inf)) for role, a in self._lowest.items()}
            self._highest = {role: np.append(a, np.full(more, -np.inf)) for role, a in self._highest.items()}
        self._n = max(self._n, at + 1)
        return at

    def _merge_pairs(self) -> None:
        even = len(self._sums["n_s"]) // 2 * 2
        self._sums = {name: a[:even].reshape(-1, 2).sum(axis=1) for name, a in self._sums.items()}
        self._lowest = {role: a[:even].reshape(-1, 2).min(axis=1) for role, a in self._lowest.items()}
        self._highest = {role: a[:even].reshape(-1, 2).max(axis=1) for role, a in self._highest.items()}
        self._n = (self._n + 1) // 2
        self.bin_s *= 2

    def finish(self) -> LevelTable:
        """All bins so far."""
        self._close_minute()
        n = self._n
        sums = {name: a[:n] for name, a in self._sums.items()}
        with np.errstate(divide="ignore", invalid="ignore"):
            mean_v2 = sums["output_v2"] / sums["n_playing_s"]
            gain_db = 10 * np.log10(sums["output_v2"] / sums["source_v2"])
            supply_v = sums["supply_v"] / sums["n_s"]

        def known(values: FloatArray) -> FloatArray:
            return np.where(np.isfinite(values), values, np.nan)

        no_supply = ~np.isfinite(self._lowest["supply"][:n])
        return LevelTable(
            bin_s=self.bin_s,
            n_s=sums["n_s"].copy(),
            n_playing_s=sums["n_playing_s"].copy(),
            output_v=known(np.sqrt(mean_v2)),
            output_lowest_v=known(self._lowest["output"][:n]),
            output_highest_v=known(self._highest["output"][:n]),
            supply_v=np.where(no_supply, np.nan, known(supply_v)),
            supply_lowest_v=known(self._lowest["supply"][:n]),
            supply_highest_v=known(self._highest["supply"][:n]),
            gain_db=known(gain_db),
        )
