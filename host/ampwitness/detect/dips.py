"""Dips of the supply, counted in the manner of IEC 61000-4-30, carried over to a direct-voltage feed."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from ampwitness.detect.result import DetectorResult
from ampwitness.detect.streams import Ledger, RunBlock, RunBlocks
from ampwitness.types import Finding, FloatArray, Severity, TraceWindow

ROLES = ("supply", "battery")
THRESHOLD_RATIO = 0.90
HYSTERESIS_RATIO = 0.02
INTERRUPTION_RATIO = 0.10
AVERAGE_S = 0.010
REFERENCE_S = 60.0
_STEP_S = 0.001
_BLOCK_S = 1.0


@dataclass(slots=True)
class _Dip:
    start_s: float
    reference_v: float
    lowest_v: float
    lowest_s: float
    sum_v: float = 0.0
    n: int = 0
    began_before: bool = False


class _RoleWatch:
    """Follows one supply-like channel through one unbroken run."""

    def __init__(self, role: str, nominal_v: float | None, average_s: float, found: list[Finding]) -> None:
        self._role, self._nominal_v, self._average_s, self._found = role, nominal_v, average_s, found
        self._seconds: deque[float] = deque(maxlen=round(REFERENCE_S / _BLOCK_S))
        self._tail: FloatArray = np.empty(0)
        self._dip: _Dip | None = None
        self._is_first = True

    def take(self, block: RunBlock) -> None:
        """Look at one block of the run."""
        step = max(1, round(_STEP_S * block.rate_hz))
        steps_averaged = max(1, round(self._average_s * block.rate_hz / step))
        volts = block.volts[self._role]
        n_steps = len(volts) // step
        if n_steps:
            means = volts[: n_steps * step].reshape(n_steps, step).mean(axis=1)
            joined = np.concatenate((self._tail, means))
            kept = len(joined) - steps_averaged + 1
            if kept > 0:
                sums = np.concatenate(([0.0], np.cumsum(joined - joined[0])))
                averaged = joined[0] + (sums[steps_averaged:] - sums[:-steps_averaged]) / steps_averaged
                first_step = block.first // step - len(self._tail)
                # A mean is dated by the middle of what went into it.
                first_s = block.time_s(first_step * step + 0.5 * steps_averaged * step - 0.5)
                self._judge(averaged, first_s, step / block.rate_hz, float(np.median(means)))
            self._tail = joined[max(0, kept) :]
        if block.is_last and self._dip is not None:
            self._close(block.time_s(block.first + block.n), "the run of data ended in the dip")

    def _judge(self, averaged: FloatArray, first_s: float, step_s: float, second_v: float) -> None:
        if self._nominal_v is not None:
            reference_v = self._nominal_v
        elif self._seconds:
            reference_v = float(np.median(self._seconds))
        else:
            reference_v = second_v
        begin_v = THRESHOLD_RATIO * reference_v
        below = averaged < begin_v
        at = 0
        while at < len(averaged):
            if self._dip is None:
                if not below[at:].any():
                    break
                at += int(np.argmax(below[at:]))
                start_s = first_s + at * step_s
                if at > 0:  # where the line between the two means meets the threshold
                    start_s -= step_s * float((begin_v - averaged[at]) / (averaged[at - 1] - averaged[at]))
                self._dip = _Dip(start_s, reference_v, float(averaged[at]), first_s + at * step_s)
                self._dip.began_before = self._is_first and at == 0
            at = self._follow(averaged, at, first_s, step_s)
        self._is_first = False
        # The reference does not follow a dip, as the standard has it; but what lasts a minute is the new supply.
        if self._dip is None or first_s - self._dip.start_s > REFERENCE_S:
            self._seconds.append(second_v)
            if self._dip is not None and self._nominal_v is None:
                self._seconds.clear()
                self._seconds.append(second_v)
                self._close(first_s + len(averaged) * step_s, "lasted more than a minute: taken as the new reference")

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
        self._close(stop_s, "back above threshold and hysteresis")
        return at + max(ended, 1)

    def _close(self, stop_s: float, how: str) -> None:
        dip, self._dip = self._dip, None
        assert dip is not None
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
                    "reference": "declared nominal supply" if self._nominal_v is not None else "sliding, last minute",
                    "lowest_s": dip.lowest_s,
                    "mean_v": dip.sum_v / dip.n if dip.n else dip.lowest_v,
                    "is_interruption": dip.lowest_v < INTERRUPTION_RATIO * dip.reference_v,
                    "ended": how,
                    "began_before_the_data": dip.began_before,
                },
            )
        )


class DipDetector:
    """Finds dips of the supply (and of the battery, where it is logged).

    A dip begins when the averaged voltage falls below 90 % of the reference, and ends when it has come back to the
    threshold plus 2 % of the reference; both instants are interpolated between averages, each dated by its middle.
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
    dips left out; what lasts over a minute becomes the reference.
    """

    name = "dips"

    def __init__(self, nominal_supply_v: float | None = None, *, average_s: float = AVERAGE_S) -> None:
        self._nominal_v = nominal_supply_v
        self._average_s = average_s
        self._ledger = Ledger(self.name)
        self._streams = {role: RunBlocks((role,), _BLOCK_S) for role in ROLES}
        self._watches: dict[str, tuple[int, _RoleWatch]] = {}
        self._found: list[Finding] = []
        self._seen: set[str] = set()

    def push(self, window: TraceWindow) -> None:
        """Look at the next window."""
        self._ledger.see(window)
        if not any(role in window.traces for role in ROLES):
            self._ledger.leave_out(window.start_s, window.stop_s, "no supply channel")
        for role, stream in self._streams.items():
            for block in stream.push(window):
                self._take(role, block)

    def finish(self) -> DetectorResult:
        """Close what is open and answer."""
        for role, stream in self._streams.items():
            for block in stream.finish():
                self._take(role, block)
        findings = tuple(sorted(self._found, key=lambda f: (f.start_s, str(f.measured["role"]))))
        summary = {
            "roles": [role for role in ROLES if role in self._seen],
            "reference": "sliding, last minute" if self._nominal_v is None else f"declared, {self._nominal_v} V",
            "n_dips": len(findings),
        }
        return DetectorResult(findings, self._ledger.coverage(), summary)

    def _take(self, role: str, block: RunBlock) -> None:
        held = self._watches.get(role)
        if held is None or held[0] != block.run_id:
            held = (block.run_id, _RoleWatch(role, self._nominal_v, self._average_s, self._found))
            self._watches[role] = held
        self._seen.add(role)
        held[1].take(block)
        if role == "supply" or "supply" not in self._seen:
            self._ledger.judge(block.n / block.rate_hz)
        for span in block.saturated.get(role, ()):
            start_s = max(span.start_s, block.time_s(block.first))
            stop_s = min(span.stop_s, block.time_s(block.first + block.n))
            self._ledger.leave_out(start_s, stop_s, f"{role}: the logger's own input was at a rail")
