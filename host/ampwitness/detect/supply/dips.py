"""Dips of the supply, counted in the manner of IEC 61000-4-30, carried over to a direct-voltage feed."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.step_stream import RunSteps, StepStream
from ampwitness.detect.streams import Ledger, merge_intervals_into, without_spans
from ampwitness.types import Finding, FloatArray, Interval, Severity, TraceWindow

ROLES = ("supply", "battery")
LEAST_REFERENCE_V = 1.0  # of less there is no supply that could dip, but noise about nothing
THRESHOLD_RATIO = 0.90
HYSTERESIS_RATIO = 0.02
INTERRUPTION_RATIO = 0.10
AVERAGE_S = 0.010
APART_S = 0.030  # the ripple under a bass note has 25 ms and less: twice the note's frequency, from 20 Hz on
REFERENCE_S = 60.0
SLIDING = "sliding, last minute"
BACK = "back above threshold and hysteresis"  # how a dip ended that is no new level
RISEN_RATIO, RISEN_S = (
    1.05,
    5,
)  # so far above the reference for so many seconds: an engine started
STEADY_RATIO, STEADY_S, STEADY_LEAST = 0.03, 20, 0.80  # within so much of each other, and no lower: an engine stopped
_BLOCK_S = 1.0
_KEPT_STEPS = 1000
_DURATION_EDGES_S = (0.02, 0.1, 0.5, 3.0, 60.0, np.inf)
_RESIDUAL_EDGES_PERCENT = (80, 70, 50, 40, 10, 0)  # 70, 40 and 0 %: the levels of IEC 61000-4-29; 10 %: IEEE 1159


@dataclass(slots=True)
class _Dip:
    start_s: float
    reference_v: float
    lowest_v: float
    lowest_s: float
    sum_v: float = 0.0
    n: int = 0
    seconds_v: deque[float] = field(default_factory=lambda: deque(maxlen=STEADY_S))  # medians of its whole seconds
    began_before: bool = False
    fell_from_s: float = 0.0


class _RoleWatch:
    """Follows one supply-like channel through one unbroken run, second by second."""

    def __init__(
        self, run: RunSteps, role: str, nominal_v: float | None, average_s: float, found: list[Finding]
    ) -> None:
        self._run = run
        self._role, self._nominal_v, self._average_s, self._found = role, nominal_v, average_s, found
        self._seconds: deque[float] = deque(maxlen=round(REFERENCE_S / _BLOCK_S))
        self._n_averaged = max(1, round(average_s / run.step_s))
        self._n_second = round(_BLOCK_S / run.step_s)
        self._at = 0  # next step to average
        self._dip: _Dip | None = None
        self._ended: tuple[_Dip, float, str] | None = None  # the dip before, its end and why: it may go on
        self._is_first = True

    def take(self, is_last: bool) -> None:
        """Look at the whole seconds that have become known; at the end of the run, at all."""
        run, n = self._run, self._n_second
        stop = run.stop if is_last else run.stop // n * n
        if stop > self._at:
            steps = run.steps(self._role, max(0, self._at - self._n_averaged + 1), stop).astype(np.float64)
            n_out = len(steps) - self._n_averaged + 1
            if n_out > 0:
                averaged = steps[:n_out].copy()
                for shift in range(1, self._n_averaged):  # in one order of sums, whatever the windows were
                    averaged += steps[shift : shift + n_out]
                averaged /= self._n_averaged
                self._judge_seconds(averaged, stop - n_out, stop)
            self._at = stop
        if is_last and self._dip is not None:
            self._close(run.stop_s, "the run of data ended in the dip")
        if is_last:
            self._tell()

    def _judge_seconds(self, averaged: FloatArray, first: int, stop: int) -> None:
        """Averages that end with steps `first` to `stop`: quickly where nothing can be a dip, else second by second."""
        run, n = self._run, self._n_second
        whole = run.steps(self._role, self._at, self._at + (stop - self._at) // n * n).reshape(-1, n)
        medians = np.partition(whole, n // 2, axis=1)[:, n // 2].astype(np.float64) if len(whole) else np.empty(0)
        highest_v = max([*self._seconds, *medians], default=0.0) if self._nominal_v is None else self._nominal_v
        is_quiet = self._dip is None and len(medians) and float(averaged.min()) >= THRESHOLD_RATIO * highest_v
        if is_quiet and len(medians) * n == stop - self._at:
            for median_v in medians.tolist():
                self._remember(median_v)
            self._is_first = False
            return
        for begin in range(self._at, stop, n):
            end = min(begin + n, stop)
            part = averaged[max(0, begin - first) : end - first]
            place = max(begin, first)
            second = (begin - self._at) // n
            rest = run.steps(self._role, begin, end)
            second_v = float(medians[second]) if second < len(medians) else float(np.median(rest))
            if len(part):
                # A mean is dated by the middle of what went into it.
                middle = (place + 1 - 0.5 * self._n_averaged) * run.step - 0.5
                self._judge(part, run.start_s + middle / run.rate_hz, run.step_s, second_v)

    def _date_fall(self, start_s: float, lowest_v: float) -> float:
        """When the fall into a dip began: the last step within 100 ms before that stood near the level before."""
        run = self._run
        at = round((start_s - run.start_s) / run.step_s)
        before = run.steps(self._role, at - 100, at + self._n_averaged)
        usual = run.steps(self._role, at - 100, at - 30)
        if len(usual) == 0:
            return start_s
        usual_v = float(np.median(usual))
        near = np.flatnonzero(before > usual_v - max(0.01, 0.10 * (usual_v - lowest_v)))
        first = max(run.first, at - 100)
        return run.time_s(first + int(near[-1]) + 1) if len(near) else start_s

    def _judge(self, averaged: FloatArray, first_s: float, step_s: float, second_v: float) -> None:
        if self._nominal_v is not None:
            reference_v = self._nominal_v
        elif self._seconds:
            reference_v = float(np.median(self._seconds))
        else:
            reference_v = second_v
        begin_v = THRESHOLD_RATIO * reference_v
        below = (averaged < begin_v) & (reference_v >= LEAST_REFERENCE_V)
        at = 0
        while at < len(averaged):
            if self._dip is None:
                if not below[at:].any():
                    break
                at += int(np.argmax(below[at:]))
                start_s = first_s + at * step_s
                if at > 0:  # where the line between the two means meets the threshold
                    start_s -= step_s * float((begin_v - averaged[at]) / (averaged[at - 1] - averaged[at]))
                self._open(_Dip(start_s, reference_v, float(averaged[at]), first_s + at * step_s), at)
            at = self._follow(averaged, at, first_s, step_s)
        self._is_first = False
        # The reference does not follow a dip, as the standard has it; but what lasts a minute is the new supply.
        if self._dip is None:
            self._remember(second_v)
            return
        self._dip.seconds_v.append(second_v)
        is_long = first_s - self._dip.start_s > REFERENCE_S
        if is_long and self._nominal_v is not None:
            self._seconds.append(second_v)
        elif is_long or (self._nominal_v is None and _is_steady(self._dip)):
            self._seconds.clear()
            self._seconds.append(second_v)
            how = "lasted more than a minute" if is_long else f"held steady for {STEADY_S} s"
            self._close(first_s + len(averaged) * step_s, f"{how}: taken as the new reference")

    def _open(self, dip: _Dip, at: int) -> None:
        """Begin a dip, or go on with the last one where the supply came up no longer than its ripple does."""
        if self._ended is not None and self._ended[2] == BACK and dip.start_s - self._ended[1] < APART_S:
            self._dip, self._ended = self._ended[0], None
            return
        self._tell()
        dip.began_before = self._is_first and at == 0
        soon = self._run.steps(self._role, *self._soon(dip.start_s))
        dip.fell_from_s = self._date_fall(dip.start_s, float(soon.min()) if len(soon) else dip.lowest_v)
        self._dip = dip

    def _remember(self, second_v: float) -> None:
        """Take one more second into the reference; where the supply came to stand higher, forget what was before."""
        seconds = self._seconds
        seconds.append(second_v)
        if second_v <= RISEN_RATIO * seconds[0] or len(seconds) <= RISEN_S:
            return
        recent = [seconds[k] for k in range(-RISEN_S, 0)]
        if min(recent) > RISEN_RATIO * float(np.median([*seconds][:-RISEN_S])):
            seconds.clear()
            seconds.extend(recent)

    def _soon(self, start_s: float) -> tuple[int, int]:
        """The ten steps behind the threshold: how far a fast fall went, known in every cutting of the windows."""
        at = round((start_s - self._run.start_s) / self._run.step_s)
        return at, at + self._n_averaged // 2

    def _follow(self, averaged: FloatArray, at: int, first_s: float, step_s: float) -> int:
        """Carry the open dip through the means from `at`; return where it ended, or the end of the means."""
        dip = self._dip
        assert dip is not None
        end_v = (THRESHOLD_RATIO + HYSTERESIS_RATIO) * dip.reference_v
        part = averaged[at:]
        above = np.flatnonzero(part >= end_v)
        ended = int(above[0]) if len(above) else None
        inside = part if ended is None else part[:ended]
        if len(inside):
            lowest = int(np.argmin(inside))
            if inside[lowest] < dip.lowest_v:
                dip.lowest_v, dip.lowest_s = float(inside[lowest]), first_s + (at + lowest) * step_s
            dip.sum_v += float(inside.sum())
            dip.n += len(inside)
        if ended is None:
            return len(averaged)
        stop_s = first_s + (at + ended) * step_s
        if ended > 0:
            stop_s -= step_s * float((part[ended] - end_v) / (part[ended] - part[ended - 1]))
        self._close(stop_s, BACK)
        return at + max(ended, 1)

    def _close(self, stop_s: float, how: str) -> None:
        assert self._dip is not None
        self._ended, self._dip = (self._dip, stop_s, how), None

    def _tell(self) -> None:
        """The dip that ended last becomes a finding: no other goes on with it any more."""
        if self._ended is None:
            return
        (dip, stop_s, how), self._ended = self._ended, None
        depth_v = dip.reference_v - dip.lowest_v
        depth_percent = 100.0 * depth_v / dip.reference_v
        severity: Severity = "serious" if dip.lowest_v < 0.5 * dip.reference_v else "attention"
        self._found.append(
            Finding(
                kind="dip",
                start_s=dip.start_s,
                stop_s=stop_s,
                severity=severity,
                measured={
                    "role": self._role,
                    "reference_v": dip.reference_v,
                    "residual_v": dip.lowest_v,
                    "depth_v": depth_v,
                    "depth_percent": depth_percent,
                    "duration_s": stop_s - dip.start_s,
                },
                threshold={
                    "begin_v": THRESHOLD_RATIO * dip.reference_v,
                    "end_v": (THRESHOLD_RATIO + HYSTERESIS_RATIO) * dip.reference_v,
                    "average_s": self._average_s,
                },
                evidence={
                    "reference": "declared nominal supply" if self._nominal_v is not None else SLIDING,
                    "lowest_s": dip.lowest_s,
                    "mean_v": dip.sum_v / dip.n if dip.n else dip.lowest_v,
                    "is_interruption": dip.lowest_v < INTERRUPTION_RATIO * dip.reference_v,
                    "ended": how,
                    "began_before_the_data": dip.began_before,
                    "fell_from_s": min(dip.fell_from_s, dip.start_s),
                    "borrowed_class": name_duration(stop_s - dip.start_s, dip.lowest_v / dip.reference_v),
                },
            )
        )


def _is_steady(dip: _Dip) -> bool:
    """Whether the supply has stood at one level, not far down, for the last seconds: no consumer's dip any more."""
    levels = dip.seconds_v
    if len(levels) < STEADY_S or min(levels) < STEADY_LEAST * dip.reference_v:
        return False
    return max(levels) - min(levels) < STEADY_RATIO * dip.reference_v


class DipDetector:
    """Finds dips of the supply (and of the battery, where it is logged).

    A dip begins when the averaged voltage falls below 90 % of the reference, and ends when it has come back to the
    threshold plus 2 % of the reference; both instants are interpolated between averages, each dated by its middle.
    What falls again within 30 ms is the same dip: the supply ripples with each
    half-cycle that the amplifier draws.
    Residual voltage is the lowest average in between; depth is reference less residual.

    Parameters
    ----------
    nominal_supply_v : the declared reference, volts; None: the sliding one
    average_s : what is averaged before it is compared, seconds

    Gaps
    ----
    A gap ends an open dip at the gap's edge (said in the evidence) and starts the sliding reference anew.

    Limits
    ------
    The sliding reference needs a supply that is well for more than half of the first second: in a run that begins in
    a dip, that dip is not seen. What is shorter than the average is seen shallower than it was.

    Source
    ------
    Threshold, hysteresis, residual, depth and duration: IEC 61000-4-30, as reproduced in instrument manuals. The
    standard averages over a half-cycle of alternating voltage, which a direct-voltage feed does not have. Our choice:
    the mean of 10 ms in steps of 1 ms, and as sliding reference the median of the last 60 medians of one second,
    dips left out; what lasts over a minute becomes the reference, and sooner what an engine's start or stop makes:
    5 % above for five seconds, or steady within 3 % for twenty seconds at 80 % and more.
    """

    name = "dips"

    def __init__(self, nominal_supply_v: float | None = None, *, average_s: float = AVERAGE_S) -> None:
        self._nominal_v = nominal_supply_v
        self._average_s = average_s
        self._ledger = Ledger(self.name)
        self._stream = StepStream(ROLES)
        self._watches: tuple[RunSteps, list[_RoleWatch]] | None = None
        self._found: list[Finding] = []
        self._seen: set[str] = set()
        self._at_rail: list[Interval] = []

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        if not any(role in window.traces for role in ROLES):
            self._ledger.leave_out(window.start_s, window.stop_s, "no supply channel")
        taken: list[Interval] = []  # what one role leaves out is not counted again for the other
        for role in (role for role in ROLES if role in window.traces):
            for span in without_spans(window.traces[role].saturated, taken):
                self._ledger.leave_out(span.start_s, span.stop_s, f"{role}: the logger's own input was at a rail")
            merge_intervals_into(taken, window.traces[role].saturated)
        merge_intervals_into(self._at_rail, taken)
        for run, is_last in self._stream.push(window):
            self._take(run, is_last)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for run, is_last in self._stream.finish():
            self._take(run, is_last)
        self._ledger.judge(sum(span.start_s - span.stop_s for span in self._at_rail))  # runs are counted whole
        findings = tuple(sorted(self._found, key=lambda f: (f.start_s, str(f.measured["role"]))))
        summary = {
            "roles": [role for role in ROLES if role in self._seen],
            "reference": "sliding, last minute" if self._nominal_v is None else f"declared, {self._nominal_v} V",
            "n_dips": len(findings),
            "table": {
                role: tabulate_dips([f for f in findings if f.measured["role"] == role])
                for role in ROLES
                if role in self._seen
            },
            "classes": "names of IEEE 1159 duration classes, borrowed: that standard is about alternating voltage",
        }
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, run: RunSteps, is_last: bool) -> None:
        if self._watches is None or self._watches[0] is not run:
            watches = [_RoleWatch(run, role, self._nominal_v, self._average_s, self._found) for role in run.roles]
            self._watches = (run, watches)
            self._seen.update(run.roles)
        for watch in self._watches[1]:
            watch.take(is_last)
        if is_last:
            self._ledger.judge(run.n_samples / run.rate_hz)
        run.forget(run.stop - 2 * _KEPT_STEPS)


def name_duration(duration_s: float, residual_ratio: float) -> str:
    """The duration class of IEEE 1159 (2009, as reproduced in an instrument manual), its cycles taken as 1/60 s.

    Parameters
    ----------
    duration_s : of the dip
    residual_ratio : residual voltage over reference
    """
    what = "interruption" if residual_ratio < INTERRUPTION_RATIO else "sag"
    if duration_s > 60.0:
        return "sustained interruption" if what == "interruption" else "undervoltage"
    if duration_s > 3.0:
        return f"temporary {what}"
    if duration_s > 0.5:
        return f"momentary {what}"
    # The table has no interruption shorter than half a cycle's worth of the momentary class.
    return "instantaneous sag" if what == "sag" else "momentary interruption"


def tabulate_dips(dips: Sequence[Finding]) -> dict[str, Any]:
    """Count of dips by depth and duration.

    Returns
    -------
    duration_to_s, residual_from_percent (edges of the classes), n (rows: residual classes, columns: durations).
    """
    counts = [[0] * len(_DURATION_EDGES_S) for _ in _RESIDUAL_EDGES_PERCENT]
    for dip in dips:
        residual = 100.0 * float(dip.measured["residual_v"] or 0.0) / float(dip.measured["reference_v"] or 1.0)
        row = next((k for k, low in enumerate(_RESIDUAL_EDGES_PERCENT) if residual >= low), len(counts) - 1)
        duration_s = dip.stop_s - dip.start_s
        column = next((k for k, most in enumerate(_DURATION_EDGES_S) if duration_s <= most), len(_DURATION_EDGES_S) - 1)
        counts[row][column] += 1
    return {
        "duration_to_s": [None if np.isinf(edge) else edge for edge in _DURATION_EDGES_S],
        "residual_from_percent": list(_RESIDUAL_EDGES_PERCENT),
        "n": counts,
    }
