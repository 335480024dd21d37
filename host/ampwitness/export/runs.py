"""Unbroken runs out of windows, of which every export is made. A gap, another rate or other channels end one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness.errors import OutputError
from ampwitness.types import Gap, Saturation, TraceWindow

MAX_RUNS = 1000  # a file, or a group in one, each: beyond that nobody finds his way
MAX_SPANS = 100_000  # gaps and spans at the logger's rail that are listed; the rest is counted
_JOIN_SAMPLES = 0.25  # pieces closer than this to end-on-start follow one another


@dataclass(frozen=True, slots=True)
class Piece:
    """The next samples of a run. volts: (n, n_roles) float32, volts at the terminals."""

    run: int  # 0, 1, ...
    is_first: bool
    roles: tuple[str, ...]
    start_s: float
    rate_hz: float
    volts: npt.NDArray[np.float32]

    @property
    def stop_s(self) -> float:
        """When the sample after the last would come."""
        return self.start_s + len(self.volts) / self.rate_hz


class RunCutter:
    """Cuts windows into pieces of unbroken runs, and keeps what lies beside them.

    Gaps
    ----
    Listed in `gaps`, each once; samples before and after one never come in the same run.

    Raises, while pieces are taken, OutputError beyond MAX_RUNS runs.
    """

    def __init__(self) -> None:
        self.gaps: list[Gap] = []
        self.saturated: list[dict[str, Any]] = []
        self.n_left_out = 0  # gaps and spans beyond MAX_SPANS
        self._run = -1
        self._last: Piece | None = None

    def pieces(self, windows: Iterable[TraceWindow]) -> Iterator[Piece]:
        """Every sample of the windows, in order."""
        for window in windows:
            self._keep_spans(window)
            roles = tuple(window.traces)
            if not roles:
                continue
            bounds_s = [bound for gap in window.traces[roles[0]].gaps for bound in (gap.start_s, gap.stop_s)]
            for segments in zip(*(window.traces[role].segments for role in roles), strict=True):
                first = segments[0]
                if not len(first.volts):
                    continue
                volts = np.column_stack([segment.volts for segment in segments]).astype(np.float32, copy=False)
                follows = self._follows(roles, first.start_s, first.rate_hz, bounds_s)
                self._run += 0 if follows else 1
                if self._run >= MAX_RUNS:
                    raise OutputError(
                        f"the recording has more than {MAX_RUNS:,} unbroken runs; export its findings and levels with "
                        "--csv, and look with `ampwitness verify` at what was lost"
                    )
                self._last = Piece(self._run, not follows, roles, first.start_s, first.rate_hz, volts)
                yield self._last

    def _follows(self, roles: tuple[str, ...], start_s: float, rate_hz: float, bounds_s: list[float]) -> bool:
        last = self._last
        if last is None or (last.roles, last.rate_hz) != (roles, rate_hz):
            return False
        half_s = 0.5 / rate_hz
        is_near = abs(start_s - last.stop_s) * rate_hz < _JOIN_SAMPLES
        return is_near and not any(abs(bound_s - start_s) < half_s for bound_s in bounds_s)

    def _keep_spans(self, window: TraceWindow) -> None:
        room = MAX_SPANS - len(self.gaps)
        self.gaps += window.gaps[:room]
        self.n_left_out += max(0, len(window.gaps) - room)
        for role, trace in window.traces.items():
            for span in trace.saturated:
                if len(self.saturated) >= MAX_SPANS:
                    self.n_left_out += 1
                    continue
                rail = span.rail if isinstance(span, Saturation) else None
                self.saturated.append({"role": role, "start_s": span.start_s, "stop_s": span.stop_s, "rail": rail})

    def gaps_as_plain(self) -> list[dict[str, Any]]:
        """The gaps for JSON."""
        return [
            {"start_s": gap.start_s, "stop_s": gap.stop_s, "cause": gap.cause, "is_exact": gap.is_exact}
            for gap in self.gaps
        ]
