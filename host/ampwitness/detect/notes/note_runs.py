"""Windows into unbroken runs of output and supply, cut into the note detector's blocks without widening the numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ampwitness.detect.notes.note_decimate import BLOCK_SLOW, SLOW_RATE_HZ
from ampwitness.types import TraceWindow

# Two segments are one run when the second starts where the first stops, to within this part of a sample.
_JOIN_TOLERANCE_SAMPLES = 0.25

Single = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class NoteBlock:
    """A full block of a run, or (`is_last`) what is left of it, perhaps nothing."""

    run_id: int
    run_start_s: float
    rate_hz: float
    first: int  # sample number in the run
    output: Single
    supply: Single | None
    is_last: bool

    def time_s(self, index: float) -> float:
        """Recording time of sample `index` of the run (not of the block)."""
        return self.run_start_s + index / self.rate_hz

    def without_samples(self) -> NoteBlock:
        """Where it lies, for those that go on to tell times when its samples may be let go."""
        nothing = np.empty(0, dtype=np.float32)
        return NoteBlock(self.run_id, self.run_start_s, self.rate_hz, self.first, nothing, None, self.is_last)


@dataclass(slots=True)
class _OpenRun:
    run_id: int
    start_s: float
    rate_hz: float
    has_supply: bool
    length: int
    first: int = 0
    n_waiting: int = 0
    waiting: list[tuple[Single, Single | None]] = field(default_factory=list)

    @property
    def stop_s(self) -> float:
        return self.start_s + (self.first + self.n_waiting) / self.rate_hz

    def cut(self, n: int, is_last: bool) -> NoteBlock:
        """Take n samples off the front."""
        output, supply = [], []
        left = n
        while left:
            out, sup = self.waiting[0]
            k = min(left, len(out))
            output.append(out[:k])
            if sup is not None:
                supply.append(sup[:k])
            if k == len(out):
                self.waiting.pop(0)
            else:
                self.waiting[0] = (out[k:], None if sup is None else sup[k:])
            left -= k
        joined_supply = _join(supply) if self.has_supply else None
        block = NoteBlock(self.run_id, self.start_s, self.rate_hz, self.first, _join(output), joined_supply, is_last)
        self.first += n
        self.n_waiting -= n
        return block


def _join(pieces: list[Single]) -> Single:
    if len(pieces) == 1:
        return pieces[0]
    return np.concatenate(pieces) if pieces else np.empty(0, dtype=np.float32)


class NoteRuns:
    """Re-cuts windows into blocks of 20 s counted from the start of each unbroken run, in single precision.

    Gaps
    ----
    A gap, a change of rate, or a supply channel that comes or goes ends the run. Nothing is filled.

    Limits
    ------
    Single precision: 1 uV at 12 V, far below the noise.
    """

    def __init__(self) -> None:
        self._run: _OpenRun | None = None
        self._n_runs = 0

    def push(self, window: TraceWindow) -> Iterator[NoteBlock]:
        """Take the next window, which has an output; give the blocks that are complete, one by one."""
        supply = window.traces.get("supply")
        for at, segment in enumerate(window.traces["output"].segments):
            if len(segment.volts) == 0:
                continue
            output = np.asarray(segment.volts, dtype=np.float32)
            beside = None if supply is None else np.asarray(supply.segments[at].volts, dtype=np.float32)
            run = self._run
            if run is not None and (
                run.rate_hz != segment.rate_hz
                or run.has_supply != (beside is not None)
                or abs(segment.start_s - run.stop_s) * segment.rate_hz > _JOIN_TOLERANCE_SAMPLES
            ):
                yield from self.finish()
                run = None
            if run is None:
                length = BLOCK_SLOW * max(1, round(segment.rate_hz / SLOW_RATE_HZ))
                run = _OpenRun(self._n_runs, segment.start_s, segment.rate_hz, beside is not None, length)
                self._run = run
                self._n_runs += 1
            run.waiting.append((output, beside))
            run.n_waiting += len(output)
            while run.n_waiting >= run.length:
                yield run.cut(run.length, False)

    def split(self) -> NoteBlock | None:
        """Let what follows be a run of its own; the end of the run that is open, without samples."""
        run = self._run
        if run is None:
            return None
        end = run.cut(0, True)
        run.run_id, run.start_s, run.first = self._n_runs, end.time_s(run.first), 0
        self._n_runs += 1
        return end

    def finish(self) -> list[NoteBlock]:
        """End the open run and return what waited."""
        run, self._run = self._run, None
        return [] if run is None else [run.cut(run.n_waiting, True)]
