"""One-millisecond steps of a run: what the search for cut-outs looks at, with the last samples behind them."""

from __future__ import annotations

import numpy as np

from ampwitness.detect.streams import RunBlock
from ampwitness.types import FloatArray

STEP_S = 0.001
_KEPT = ("highest", "lowest", "mean", "square", "supply", "remote")


class StepHistory:
    """Highest, lowest, mean and mean square of the output and mean of supply and remote lead in steps of 1 ms, for
    the last `keep_s` seconds, and the output's samples behind them. Step and sample numbers count from the run's
    start."""

    def __init__(self, block: RunBlock, keep_s: float) -> None:
        self.rate_hz = block.rate_hz
        self.run_start_s = block.run_start_s
        self.step = max(1, round(STEP_S * block.rate_hz))
        self.step_s = self.step / block.rate_hz
        self.first = 0  # number of the first step that is kept
        self._keep = round(keep_s / self.step_s)
        self._columns: dict[str, FloatArray] = {name: np.empty(0) for name in _KEPT}
        self.samples: FloatArray = np.empty(0)
        self.supply_samples: FloatArray | None = np.empty(0) if "supply" in block.volts else None
        self._waiting = 0  # samples at the end that do not fill a step

    def __getitem__(self, name: str) -> FloatArray:
        return self._columns[name]

    @property
    def stop(self) -> int:
        """Number of the step after the last one."""
        return self.first + len(self._columns["mean"])

    def time_s(self, step: float) -> float:
        """Recording time at which step `step` begins."""
        return self.run_start_s + step * self.step_s

    def append(self, block: RunBlock) -> None:
        """Take the next block of the same run; forget what is older than is kept."""
        self.samples = np.concatenate((self.samples, block.volts["output"]))
        if self.supply_samples is not None:
            self.supply_samples = np.concatenate((self.supply_samples, block.volts["supply"]))
        total = self._waiting + block.n
        n_new = total // self.step
        end = len(self.samples) - total + n_new * self.step
        fresh = self.samples[len(self.samples) - total : end].reshape(n_new, self.step)
        new: dict[str, FloatArray] = {
            "highest": fresh.max(axis=1) if n_new else np.empty(0),
            "lowest": fresh.min(axis=1) if n_new else np.empty(0),
            "mean": fresh.mean(axis=1) if n_new else np.empty(0),
            "square": (fresh**2).mean(axis=1) if n_new else np.empty(0),
        }
        new["supply"] = self._side(block, "supply", n_new, total)
        new["remote"] = self._side(block, "remote", n_new, total)
        self._waiting = total - n_new * self.step
        for name, column in self._columns.items():
            self._columns[name] = np.concatenate((column, new[name]))

    def _side(self, block: RunBlock, role: str, n_new: int, total: int) -> FloatArray:
        """Means of another channel over the same steps; NaN where it is not logged."""
        if role not in block.volts:
            return np.full(n_new, np.nan)
        if role == "supply":
            assert self.supply_samples is not None
            source = self.supply_samples[len(self.supply_samples) - total :]
        else:
            # The remote lead is not needed to the sample: what is cut off by a step edge is left out.
            source = np.concatenate(
                (np.full(total - block.n, block.volts[role][0] if block.n else 0.0), block.volts[role])
            )
        means: FloatArray = source[: n_new * self.step].reshape(n_new, self.step).mean(axis=1)
        return means

    def forget(self, before: int) -> None:
        """Drop steps before `before`, keeping at least the last `keep_s` seconds."""
        n = min(before, self.stop - self._keep) - self.first
        if n <= 0:
            return
        for name in _KEPT:
            self._columns[name] = self._columns[name][n:].copy()
        self.samples = self.samples[n * self.step :].copy()
        if self.supply_samples is not None:
            self.supply_samples = self.supply_samples[n * self.step :].copy()
        self.first += n

    def output_between(self, start: int, stop: int) -> tuple[int, FloatArray]:
        """Samples `start` to `stop` of the run, as far as they are kept, with the number of the first."""
        origin = self.first * self.step
        a = max(start, origin)
        return a, self.samples[a - origin : max(a, stop) - origin]
