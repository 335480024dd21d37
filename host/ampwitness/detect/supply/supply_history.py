"""What the second stage remembers of a whole recording: supply and output in steps of 10 ms.

Gaps: a step that lost a sample is left out; nothing is filled.
Limits: 10 ms hide the ripple at twice a note's frequency; what depends on it is measured by the detectors.
Source: our choice; the steps average supply and output alike, so that a fit between them is not biased.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, TraceWindow

STEP_S = 0.010
ROLES = ("supply", "battery", "ground", "current")
NO_SUPPLY_V = 6.0  # below the lowest at which a standard has equipment tested (code A of ISO 16750-2): a lost lead
MINUTE_S = 60.0
MINUTE_STEPS = round(MINUTE_S / STEP_S)
MOST_MINUTES, MOST_MARKED, MOST_KEPT = 60, 40, 90
LEVEL_QUANTILE, LEVEL_V, MARKED_FALL_V = 0.95, 0.12, 3.0
_RIPPLE, _RIPPLE_FROM_V = "ripple", 13.0
_LEVEL, _LEVEL_STEPS, _LEVEL_LEAST_V = "level", 100, 0.5  # of the output, over a second
_SQUARED = ("output", _RIPPLE)
_AT_ONCE = 256  # steps
_EDGE = 1e-6  # of a step: a sample that lies on a step's edge belongs to what follows


@dataclass(frozen=True, slots=True)
class LeftOutMinutes:
    """Minutes of which only these figures were kept; all (m,)."""

    middle_s: FloatArray
    seen_s: FloatArray  # of the minute, in whole steps
    supply_mean_v: FloatArray
    supply_lowest_v: FloatArray

    def lowest_supply_v(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> float:
        """Lowest of some minutes, those left out in which there was no supply; infinite where none is left."""
        volts = self.supply_lowest_v[which]
        return float(np.min(volts[volts >= NO_SUPPLY_V], initial=np.inf))


NONE_LEFT_OUT = LeftOutMinutes(*(np.zeros(0) for _ in range(4)))


@dataclass(frozen=True, slots=True)
class SupplySteps:
    """Steps in which every sample was there, in order of time; all arrays (n,).

    `index` counts steps of STEP_S from recording time 0. `output_v2` is the mean square of the output (NaN where it was
    not recorded) about steady volts it plays on, as a stage at half its supply does: they feed no load. `volts` is the
    mean of each of ROLES that was recorded, NaN where it was not; `ripple_v` how far the supply's volts lay from their
    mean within a step, rms (None: not known). Of a recording longer than MOST_MINUTES the steps of some minutes are
    left out, see `SupplyHistory`.
    """

    index: npt.NDArray[np.int64]
    output_v2: FloatArray
    volts: Mapping[str, FloatArray]
    left_out: LeftOutMinutes = NONE_LEFT_OUT
    ripple_v: FloatArray | None = None

    def __len__(self) -> int:
        return len(self.index)

    @property
    def time_s(self) -> FloatArray:
        """Middle of each step."""
        return (self.index + 0.5) * STEP_S

    @property
    def seen_s(self) -> float:
        """Seconds of whole steps, those included that were left out."""
        return float(len(self.index) * STEP_S + self.left_out.seen_s.sum())


@dataclass(frozen=True, slots=True)
class _Minute:
    number: int  # from recording time 0
    step: npt.NDArray[np.int16]  # counted from the minute's own first: a quarter of the bytes
    columns: dict[str, FloatArray]
    level_v: float  # what the supply is at its highest, but for a twentieth of the time
    is_marked: bool  # the supply fell far below that: a start, a dip

    def figures(self) -> tuple[float, float, float, float]:
        """Of LeftOutMinutes."""
        supply = self.columns["supply"]
        middle_s = (self.number + 0.5) * MINUTE_S
        return middle_s, len(self.step) * STEP_S, float(np.mean(supply)), float(np.min(supply))


class SupplyHistory:
    """Collects the steps while windows come in.

    Limits
    ------
    All steps of an hour, and some megabytes, are kept. Of a longer recording MOST_MINUTES minutes, spread evenly, and
    beside them those in which the supply fell far (up to MOST_MARKED) and as many as it takes that the supply's level
    never differs by more than LEVEL_V from one minute kept to the next; of the others mean and lowest.
    """

    def __init__(self) -> None:
        self._index: list[npt.NDArray[np.int64]] = []  # of the minute that is not complete
        self._columns: dict[str, list[FloatArray]] = {}
        self._open: dict[str, tuple[int, int, float, float]] = {}  # role -> step, samples in it, sum, rate
        self._n_rows = 0
        self._minutes: list[_Minute] = []
        self._left_out: list[tuple[float, float, float, float]] = []
        self._stride = 1
        self._roles: dict[str, None] = {}

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        roles = [role for role in ("output", *ROLES) if role in window.traces]
        if "supply" not in roles:
            return
        for at in range(len(window.traces["supply"].segments)):
            steps: npt.NDArray[np.int64] | None = None
            rows: dict[str, FloatArray] = {}
            for role in roles:
                segment = window.traces[role].segments[at]
                steps, rows[role] = self._reduce(role, segment.start_s, segment.rate_hz, segment.volts)
                if role == "output":
                    _, rows[_LEVEL] = self._reduce(_LEVEL, segment.start_s, segment.rate_hz, segment.volts)
                if role == "supply":
                    _, squares = self._reduce(_RIPPLE, segment.start_s, segment.rate_hz, segment.volts)
                    rows[_RIPPLE] = np.sqrt(np.maximum(squares - (rows[role] - _RIPPLE_FROM_V) ** 2, 0.0))
            if steps is None or len(steps) == 0:
                continue
            self._index.append(steps)
            for role in set(self._columns) | set(rows):
                column = self._columns.setdefault(role, [np.full(self._n_rows, np.nan, dtype=np.float32)])
                column.append(rows.get(role, np.full(len(steps), np.nan)).astype(np.float32))
            self._n_rows += len(steps)
            if int(steps[-1]) // MINUTE_STEPS > int(self._index[0][0]) // MINUTE_STEPS:
                self._put_away(int(steps[-1]) // MINUTE_STEPS)

    def finish(self) -> SupplySteps:
        """The steps that were kept, once: they are let go of here. A step that the recording's end cuts off is left
        out."""
        self._put_away(None)
        minutes = self._minutes
        starts = [np.zeros(0, dtype=np.int64), *(m.number * MINUTE_STEPS + m.step.astype(np.int64) for m in minutes)]
        index = np.concatenate(starts)
        missing = np.full(len(index), np.nan)
        columns = {role: self._take_out(role).astype(np.float64) for role in self._roles}
        self._minutes = []
        volts = {role: columns[role] for role in ROLES if role in columns}
        left_out = NONE_LEFT_OUT
        if self._left_out:
            left_out = LeftOutMinutes(*(np.array(column) for column in zip(*sorted(self._left_out), strict=True)))
        return SupplySteps(index, columns.get("output", missing), volts, left_out, columns.get(_RIPPLE))

    def _take_out(self, role: str) -> FloatArray:
        parts = [m.columns.pop(role, np.full(len(m.step), np.nan, dtype=np.float32)) for m in self._minutes]
        return np.concatenate(parts) if parts else np.zeros(0, dtype=np.float32)

    def _put_away(self, before: int | None) -> None:
        """Make minutes of the steps before the minute of that number; None: of all."""
        if not self._index:
            return
        index = np.concatenate(self._index)
        columns = {role: np.concatenate(parts) for role, parts in self._columns.items()}
        self._roles |= dict.fromkeys(role for role in columns if role != _LEVEL)
        numbers = index // MINUTE_STEPS
        stop = len(index) if before is None else int(np.searchsorted(numbers, before))
        borders = [0, *(np.flatnonzero(np.diff(numbers[:stop])) + 1).tolist(), stop]
        for a, b in pairwise(borders):
            if b > a:
                self._keep(int(numbers[a]), index[a:b], {role: column[a:b] for role, column in columns.items()})
        self._index, self._n_rows = [index[stop:]], len(index) - stop
        self._columns = {role: [column[stop:]] for role, column in columns.items()}

    def _keep(self, number: int, index: npt.NDArray[np.int64], columns: dict[str, FloatArray]) -> None:
        if "output" in columns:
            columns["output"] = _without_level(columns["output"], columns.pop(_LEVEL))
        known = columns["supply"][np.isfinite(columns["supply"])]
        level_v = float(np.quantile(known, LEVEL_QUANTILE)) if len(known) else float("nan")
        is_marked = bool(len(known)) and float(known.min()) < level_v - MARKED_FALL_V
        copies = {role: column.copy() for role, column in columns.items()}  # so that the pieces they lie in can go
        step = (index - number * MINUTE_STEPS).astype(np.int16)
        self._minutes.append(_Minute(number, step, copies, level_v, is_marked))
        if self._stride > 1 and len(self._minutes) > 2:
            self._thin(first=len(self._minutes) - 2)
        while sum(m.number % self._stride == 0 for m in self._minutes) > MOST_MINUTES:
            self._stride *= 2
            self._thin(first=1)

    def _thin(self, first: int) -> None:
        """Leave out minutes from place `first` on whose turn it is not; never the last, which has no neighbour yet."""
        kept = self._minutes[:first]
        n_marked = sum(m.is_marked for m in kept)
        for at in range(first, len(self._minutes) - 1):
            minute, behind = self._minutes[at], self._minutes[at + 1]
            is_due = minute.number % self._stride == 0
            has_room = n_marked < MOST_MARKED and len(kept) < MOST_KEPT
            is_step = not abs(behind.level_v - kept[-1].level_v) <= LEVEL_V
            if is_due or (has_room and (minute.is_marked or is_step)):
                kept.append(minute)
                n_marked += minute.is_marked
            else:
                self._left_out.append(minute.figures())
        self._minutes = [*kept, self._minutes[-1]]

    def _reduce(
        self, role: str, start_s: float, rate_hz: float, volts: FloatArray
    ) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Means (of squares for what is in _SQUARED) of the steps that end in this segment and are whole."""
        n = len(volts)
        if n == 0:
            return np.zeros(0, dtype=np.int64), np.zeros(0)
        each = round(STEP_S * rate_hz)
        place = start_s / STEP_S
        if abs(each - STEP_S * rate_hz) < 1e-9 and n % each == 0 and abs(place - round(place)) < _EDGE:
            # Whole steps from edge to edge, as nearly all windows are: the same sums, quickly. In doubles like those
            # below, as behind a gap it hangs on how windows were cut which way a step goes.
            self._open.pop(role, None)
            return round(place) + np.arange(n // each, dtype=np.int64), _add_up(role, volts, each) / each
        first = int(np.floor(start_s / STEP_S + _EDGE))
        last = int(np.floor((start_s + (n - 1) / rate_hz) / STEP_S + _EDGE))
        steps = np.arange(first, last + 1, dtype=np.int64)
        starts = np.ceil((steps * STEP_S - start_s) * rate_hz - _EDGE * STEP_S * rate_hz).astype(np.int64)
        at = np.clip(starts, 0, n - 1)
        wide = _as_doubles(role, volts)
        totals = np.add.reduceat(wide * wide if role in _SQUARED else wide, at)
        counts = np.diff(np.append(at, n))
        open_step, n_open, sum_open, rate_open = self._open.get(role, (-1, 0, 0.0, rate_hz))
        if open_step == first and rate_open == rate_hz:
            totals[0] += sum_open
            counts[0] += n_open
        self._open[role] = (int(steps[-1]), int(counts[-1]), float(totals[-1]), rate_hz)
        # A step is whole when it holds as many samples as a step must at this rate. The last one may still grow.
        whole = counts >= np.floor(STEP_S * rate_hz - _EDGE)
        whole[-1] &= (last + 1) * STEP_S - (start_s + n / rate_hz) < _EDGE * STEP_S + 1e-9
        return steps[whole], totals[whole] / counts[whole]


def _as_doubles(role: str, volts: FloatArray) -> FloatArray:
    """What is added up; ripple from a level near by: the volts' own squares would drown what they differ by."""
    wide = np.asarray(volts, dtype=np.float64)
    return wide - _RIPPLE_FROM_V if role == _RIPPLE else wide


def _add_up(role: str, volts: FloatArray, each: int) -> FloatArray:
    """(n,) sums of n whole steps of so many samples; so many steps at a time that they stay in the cache as doubles."""
    out, ones = np.empty(len(volts) // each), np.ones(each)
    for first in range(0, len(out), _AT_ONCE):
        steps = _as_doubles(role, volts[first * each : (first + _AT_ONCE) * each]).reshape(-1, each)
        out[first : first + _AT_ONCE] = np.einsum("ij,ij->i", steps, steps) if role in _SQUARED else steps @ ones
    return out


def _without_level(squares_v2: FloatArray, means_v: FloatArray) -> FloatArray:
    """(n,) mean squares of a minute's steps about what the output stands at, of their mean squares and means."""
    if not abs(np.mean(means_v)) > _LEVEL_LEAST_V or len(means_v) < _LEVEL_STEPS:
        return squares_v2
    ones = np.ones(_LEVEL_STEPS)
    level_v = np.convolve(means_v, ones, "same") / np.convolve(np.ones(len(means_v)), ones, "same")
    return np.asarray(np.maximum(squares_v2 - 2.0 * level_v * means_v + level_v**2, 0.0), dtype=squares_v2.dtype)


def collect_history(windows: Iterable[TraceWindow]) -> SupplySteps:
    """The steps of a whole recording at once."""
    history = SupplyHistory()
    for window in windows:
        history.push(window)
    return history.finish()
