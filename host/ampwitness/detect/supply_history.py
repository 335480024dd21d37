"""What the second stage remembers of a whole recording: supply and output in steps of 10 ms.

Gaps: a step that lost a sample is left out; nothing is filled.
Limits: 10 ms hide the ripple at twice a note's frequency; what depends on it is measured by the detectors.
Source: our choice; the steps average supply and output alike, so that a fit between them is not biased.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ampwitness.types import FloatArray, TraceWindow

STEP_S = 0.010
ROLES = ("supply", "battery", "ground", "current")
_EDGE = 1e-6  # of a step: a sample that lies on a step's edge belongs to what follows


@dataclass(frozen=True, slots=True)
class SupplySteps:
    """Steps in which every sample was there, in order of time; all arrays (n,).

    `index` counts steps of STEP_S from recording time 0. `output_v2` is the mean square of the output (NaN where it was
    not recorded); `volts` the mean of each of ROLES that was recorded, NaN where it was not.
    """

    index: npt.NDArray[np.int64]
    output_v2: FloatArray
    volts: Mapping[str, FloatArray]

    def __len__(self) -> int:
        return len(self.index)

    @property
    def time_s(self) -> FloatArray:
        """Middle of each step."""
        return (self.index + 0.5) * STEP_S


class SupplyHistory:
    """Collects the steps while windows come in. 4 bytes a step and quantity: 70 MB for a day of output and supply."""

    def __init__(self) -> None:
        self._index: list[npt.NDArray[np.int64]] = []
        self._columns: dict[str, list[FloatArray]] = {}
        self._open: dict[str, tuple[int, int, float, float]] = {}  # role -> step, samples in it, sum, rate
        self._n_rows = 0

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
            if steps is None or len(steps) == 0:
                continue
            self._index.append(steps)
            for role in set(self._columns) | set(rows):
                column = self._columns.setdefault(role, [np.full(self._n_rows, np.nan, dtype=np.float32)])
                column.append(rows.get(role, np.full(len(steps), np.nan)).astype(np.float32))
            self._n_rows += len(steps)

    def finish(self) -> SupplySteps:
        """All whole steps. A step that the recording's end cuts off is left out."""
        index = np.concatenate(self._index) if self._index else np.zeros(0, dtype=np.int64)
        columns = {role: np.concatenate(parts).astype(np.float64) for role, parts in self._columns.items()}
        missing = np.full(len(index), np.nan)
        volts = {role: columns[role] for role in ROLES if role in columns}
        return SupplySteps(index, columns.get("output", missing), volts)

    def _reduce(
        self, role: str, start_s: float, rate_hz: float, volts: FloatArray
    ) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Means (of squares for the output) of the steps that end in this segment and are whole."""
        n = len(volts)
        if n == 0:
            return np.zeros(0, dtype=np.int64), np.zeros(0)
        each = round(STEP_S * rate_hz)
        place = start_s / STEP_S
        if abs(each - STEP_S * rate_hz) < 1e-9 and n % each == 0 and abs(place - round(place)) < _EDGE:
            # Whole steps from edge to edge, as nearly all windows are: the same sums, quickly.
            blocks = np.asarray(volts, dtype=np.float32).reshape(-1, each)
            sums = np.einsum("ij,ij->i", blocks, blocks) if role == "output" else blocks.sum(axis=1)
            self._open.pop(role, None)
            return round(place) + np.arange(len(blocks), dtype=np.int64), sums / each
        first = int(np.floor(start_s / STEP_S + _EDGE))
        last = int(np.floor((start_s + (n - 1) / rate_hz) / STEP_S + _EDGE))
        steps = np.arange(first, last + 1, dtype=np.int64)
        starts = np.ceil((steps * STEP_S - start_s) * rate_hz - _EDGE * STEP_S * rate_hz).astype(np.int64)
        at = np.clip(starts, 0, n - 1)
        wide = np.asarray(volts, dtype=np.float64)
        totals = np.add.reduceat(wide * wide if role == "output" else wide, at)
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


def collect_history(windows: Iterable[TraceWindow]) -> SupplySteps:
    """The steps of a whole recording at once."""
    history = SupplyHistory()
    for window in windows:
        history.push(window)
    return history.finish()
