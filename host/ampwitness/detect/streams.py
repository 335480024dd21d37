"""Windows into unbroken runs, cut at places that do not depend on the windows; and the ledger of what was judged.

Every detector here works on blocks of a fixed number of samples counted from the start of the unbroken run. A window
boundary therefore never shows in a finding, and a gap always ends the run: nothing is carried across it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ampwitness.types import Coverage, FloatArray, Interval, NotJudged, TraceWindow

# Two segments are one run when the second starts where the first stops, to within this part of a sample.
_JOIN_TOLERANCE_SAMPLES = 0.25
REDUCED = "reduced on purpose: only levels were kept"


@dataclass(frozen=True, slots=True)
class RunBlock:
    """Consecutive samples of one unbroken run, all roles side by side. Sample k of the block is sample `first + k` of
    the run and lies at `run_start_s + (first + k) / rate_hz`."""

    run_id: int
    run_start_s: float
    rate_hz: float
    first: int
    volts: dict[str, FloatArray]  # role -> (n,) volts at the terminals
    is_last: bool  # the run ends after this block (which may be empty)
    saturated: dict[str, tuple[Interval, ...]]  # spans that overlap this block, the logger's ADC at a rail

    @property
    def n(self) -> int:
        return len(next(iter(self.volts.values()))) if self.volts else 0

    def time_s(self, index: float) -> float:
        """Recording time of sample `index` of the run (not of the block)."""
        return self.run_start_s + index / self.rate_hz


@dataclass(slots=True)
class _OpenRun:
    run_id: int
    start_s: float
    rate_hz: float
    roles: tuple[str, ...]
    first: int = 0  # of the samples that wait
    n_waiting: int = 0
    waiting: list[dict[str, FloatArray]] = field(default_factory=list)

    @property
    def stop_s(self) -> float:
        return self.start_s + (self.first + self.n_waiting) / self.rate_hz

    def cut(self, n: int) -> dict[str, FloatArray]:
        """Take n samples off the front; a view of them where they came together."""
        taken: list[dict[str, FloatArray]] = []
        left = n
        while left:
            piece = self.waiting[0]
            k = min(left, len(piece[self.roles[0]]))
            taken.append({role: v[:k] for role, v in piece.items()})
            if k == len(piece[self.roles[0]]):
                self.waiting.pop(0)
            else:
                self.waiting[0] = {role: v[k:] for role, v in piece.items()}
            left -= k
        self.first += n
        self.n_waiting -= n
        if len(taken) == 1:
            return taken[0]
        return {role: np.concatenate([one[role] for one in taken]) for role in self.roles}


class RunBlocks:
    """Re-cuts windows into blocks of `block_s` counted from the start of each unbroken run.

    Parameters
    ----------
    wanted : roles that are passed on when they are there
    block_s : length of a block, seconds
    dtype : of the volts that are passed on; None: as they come

    Gaps
    ----
    A gap, a change of rate or a change of the roles present ends the run: its last block has `is_last` set, and the
    next block belongs to a new run. Nothing is filled.

    Limits
    ------
    A block is passed on only when a sample behind it has come, so a detector lags by up to `block_s`.
    """

    def __init__(
        self, wanted: Sequence[str], block_s: float, dtype: type[np.floating[Any]] | None = np.float64
    ) -> None:
        self._wanted, self._dtype = tuple(wanted), dtype
        self._block_s = block_s
        self._run: _OpenRun | None = None
        self._n_runs = 0
        self._saturated: dict[str, list[Interval]] = {}

    def push(self, window: TraceWindow) -> list[RunBlock]:
        """Take the next window; return the blocks that are complete."""
        blocks: list[RunBlock] = []
        roles = tuple(role for role in self._wanted if role in window.traces)
        for role in roles:
            merge_intervals_into(self._saturated.setdefault(role, []), window.traces[role].saturated)
        if not roles:
            return blocks
        for at, segment in enumerate(window.traces[roles[0]].segments):
            if len(segment.volts) == 0:
                continue
            pieces: dict[str, FloatArray] = {
                role: np.asarray(window.traces[role].segments[at].volts, dtype=self._dtype) for role in roles
            }
            blocks += self._take(segment.start_s, segment.rate_hz, pieces)
        return blocks

    def finish(self) -> list[RunBlock]:
        """End the open run and return what waited."""
        return self._end_run()

    def _take(self, start_s: float, rate_hz: float, pieces: dict[str, FloatArray]) -> list[RunBlock]:
        blocks: list[RunBlock] = []
        run = self._run
        roles = tuple(pieces)
        if run is not None and (
            run.rate_hz != rate_hz
            or run.roles != roles
            or abs(start_s - run.stop_s) * rate_hz > _JOIN_TOLERANCE_SAMPLES
        ):
            blocks += self._end_run()
            run = None
        if run is None:
            run = self._run = _OpenRun(self._n_runs, start_s, rate_hz, roles)
            self._n_runs += 1
        run.waiting.append(pieces)
        run.n_waiting += len(pieces[roles[0]])
        length = max(1, round(self._block_s * rate_hz))
        # A whole block is passed on only once a sample behind it is known: so is_last can be told.
        if run.n_waiting > length:
            while run.n_waiting > length:
                blocks.append(self._block(run, run.cut(length), False))
            # A copy of what is left: as a view it would keep all that it came with.
            run.waiting = [{role: v.copy() for role, v in piece.items()} for piece in run.waiting]
        return blocks

    def _end_run(self) -> list[RunBlock]:
        run, self._run = self._run, None
        if run is None:
            return []
        return [self._block(run, run.cut(run.n_waiting), True)]

    def _block(self, run: _OpenRun, volts: dict[str, FloatArray], is_last: bool) -> RunBlock:
        """Of what was cut off the run last."""
        first = run.first - len(volts[run.roles[0]])
        start_s, stop_s = run.start_s + first / run.rate_hz, run.start_s + run.first / run.rate_hz
        spans: dict[str, tuple[Interval, ...]] = {}
        for role, known in self._saturated.items():
            spans[role] = tuple(span for span in known if span.start_s < stop_s and span.stop_s > start_s)
            known[:] = [span for span in known if span.stop_s > start_s]
        return RunBlock(run.run_id, run.start_s, run.rate_hz, first, volts, is_last, spans)


def merge_intervals_into(known: list[Interval], new: Iterable[Interval], join_s: float = 1e-9) -> None:
    """Add spans to a sorted list, making one of spans that touch or lie within `join_s` of each other."""
    for span in sorted(new, key=lambda s: s.start_s):
        if known and span.start_s <= known[-1].stop_s + join_s:
            known[-1] = Interval(min(known[-1].start_s, span.start_s), max(known[-1].stop_s, span.stop_s))
        else:
            known.append(span)


def without_spans(spans: Iterable[Interval], taken: Iterable[Interval]) -> list[Interval]:
    """What is left of each span outside those that are taken, by time."""
    left = [(span.start_s, span.stop_s) for span in spans]
    for out in taken:
        pieces = [(a, min(b, out.start_s)) for a, b in left] + [(max(a, out.stop_s), b) for a, b in left]
        left = [(a, b) for a, b in pieces if b > a]
    return [Interval(a, b) for a, b in sorted(left)]


class Ledger:
    """Counts what a detector judged and keeps what it did not, with the reason."""

    def __init__(self, detector: str) -> None:
        self._detector = detector
        self._judged_s = 0.0
        self._spans: dict[str, list[Interval]] = {}
        self._first_s: float | None = None
        self._last_s = 0.0

    def see(self, window: TraceWindow) -> None:
        """Note the window's span, and its gaps as not judged."""
        if self._first_s is None:
            self._first_s = window.start_s
        self._last_s = max(self._last_s, window.stop_s)
        for gap in window.gaps:
            reason = REDUCED if gap.cause == "reduced" else f"gap in the recording (cause: {gap.cause})"
            self.leave_out(gap.start_s, gap.stop_s, reason)

    def judge(self, duration_s: float) -> None:
        """Add seconds that carry a verdict."""
        self._judged_s += duration_s

    def leave_out(self, start_s: float, stop_s: float, reason: str) -> None:
        """Note a span without a verdict. Spans of one reason that touch become one."""
        if stop_s > start_s:
            merge_intervals_into(self._spans.setdefault(reason, []), [Interval(start_s, stop_s)], join_s=1e-6)

    def coverage(self) -> Coverage:
        """What was judged and what not, by time."""
        spans = [NotJudged(s.start_s, s.stop_s, reason) for reason, known in self._spans.items() for s in known]
        return Coverage(self._detector, self._judged_s, tuple(sorted(spans, key=lambda s: (s.start_s, s.reason))))
