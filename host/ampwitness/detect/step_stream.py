"""Unbroken runs in steps of 1 ms, made straight from the windows: what the search for cut-outs looks at.

Steps are counted from the start of the run, so a window boundary never shows. The samples themselves are kept by
reference for as long as they are asked for: nothing is copied until something is measured.

Gaps: a gap, a change of rate or of the roles present ends the run; nothing is filled.
Limits: samples at the end of a run that do not fill a step are left out of the steps.
Source: our choice. Sums run sample by sample in one order, so that the same step gives the same bits whatever the
windows were.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ampwitness.types import FloatArray, TraceWindow

STEP_S = 0.001
_JOIN_TOLERANCE_SAMPLES = 0.25
_FORGET_STEPS = 1000  # steps are dropped in whole seconds, so coarser grids stay aligned


class RunSteps:
    """One unbroken run. Step k covers samples k * step to (k + 1) * step - 1; sample 0 lies at `start_s`.

    Columns: for the output `high`, `low`, `mean`, `square`; for every other role its mean under its own name, and for
    `source` its mean square as `source_square`. All (n,), step `first` at place 0. Roles of which only samples are kept
    have none.
    """

    def __init__(
        self,
        start_s: float,
        rate_hz: float,
        roles: tuple[str, ...],
        kept_raw: Sequence[str],
        only_raw: Sequence[str] = (),
    ) -> None:
        self.start_s, self.rate_hz, self.roles = start_s, rate_hz, roles
        self._only_raw = frozenset(only_raw)
        self.step = max(1, round(STEP_S * rate_hz))
        self.step_s = self.step / rate_hz
        self.first = 0
        self.n_samples = 0
        self._columns: dict[str, FloatArray] = {}
        self._raw: dict[str, list[tuple[int, FloatArray]]] = {
            role: [] for role in (*kept_raw, *only_raw) if role in roles
        }
        self._rest: dict[str, FloatArray] = {}  # samples that do not fill a step yet

    def __getitem__(self, name: str) -> FloatArray:
        return self._columns[name]

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    @property
    def stop(self) -> int:
        """Number of the step after the last one."""
        return self.n_samples // self.step

    @property
    def stop_s(self) -> float:
        """When the last sample's interval ends."""
        return self.start_s + self.n_samples / self.rate_hz

    def time_s(self, step: float) -> float:
        """Recording time at which a step begins."""
        return self.start_s + step * self.step_s

    def steps(self, name: str, start: int, stop: int) -> FloatArray:
        """Steps `start` to `stop` of a column, as far as they are kept."""
        a = max(0, start - self.first)
        return self._columns[name][a : max(a, stop - self.first)]

    def append(self, pieces: dict[str, FloatArray]) -> None:
        """Take the samples that follow, all roles equally long."""
        for role, piece in pieces.items():
            if role in self._raw:
                self._raw[role].append((self.n_samples, piece))
            if role in self._only_raw:
                continue
            rest = self._rest.get(role)
            n_rest = 0 if rest is None else len(rest)
            n_head = min(len(piece), (self.step - n_rest) % self.step) if n_rest else 0
            parts: list[dict[str, FloatArray]] = []
            body = piece[n_head:]
            if rest is not None and n_rest:
                head = np.concatenate((rest, piece[:n_head]))
                if len(head) < self.step:
                    self._rest[role] = head
                    continue
                parts.append(_reduce(role, head.reshape(1, self.step)))
            n_whole = len(body) // self.step
            if n_whole:
                parts.append(_reduce(role, body[: n_whole * self.step].reshape(n_whole, self.step)))
            self._rest[role] = body[n_whole * self.step :].copy()
            for name in parts[0] if parts else ():
                old = [self._columns[name]] if name in self._columns else []
                self._columns[name] = np.concatenate(old + [part[name] for part in parts])
        for role in self.roles:
            for name in () if role in self._only_raw else _names(role):
                self._columns.setdefault(name, np.empty(0, dtype=np.float32))
        self.n_samples += len(pieces[self.roles[0]])

    def forget(self, before: int) -> None:
        """Drop whole seconds that lie before step `before`."""
        n = (before - self.first) // _FORGET_STEPS * _FORGET_STEPS
        if n <= 0:
            return
        self._columns = {name: column[n:].copy() for name, column in self._columns.items()}
        self.first += n
        origin = self.first * self.step
        for role, pieces in self._raw.items():
            self._raw[role] = [(at, piece) for at, piece in pieces if at + len(piece) > origin]

    def samples(self, role: str, start: int, stop: int) -> tuple[int, FloatArray]:
        """Samples `start` to `stop`, as far as they are kept, with the number of the first: float64.

        Of a role that is not there none.
        """
        found = [
            (max(at, start), piece[max(0, start - at) : max(0, stop - at)])
            for at, piece in self._raw.get(role, ())
            if at < stop and at + len(piece) > start
        ]
        if not found:
            return start, np.empty(0)
        return found[0][0], np.concatenate([piece for _, piece in found]).astype(np.float64)


def _names(role: str) -> tuple[str, ...]:
    if role == "output":
        return ("high", "low", "mean", "square")
    return ("source", "source_square") if role == "source" else (role,)


def _reduce(role: str, rows: FloatArray) -> dict[str, FloatArray]:
    """Columns of one role from (n, step) samples."""
    across = np.ascontiguousarray(rows.T)  # one row a place in the step: fast, and one order of sums
    n = len(across)
    mean = across[0].copy()
    for row in across[1:]:
        mean += row
    mean /= n
    if role not in ("output", "source"):
        return {role: mean}
    square = across[0] * across[0]
    work = np.empty_like(square)
    for row in across[1:]:
        np.multiply(row, row, out=work)
        square += work
    square /= n
    if role == "source":
        return {"source": mean, "source_square": square}
    high, low = across[0].copy(), across[0].copy()
    for row in across[1:]:
        np.maximum(high, row, out=high)
        np.minimum(low, row, out=low)
    return {"high": high, "low": low, "mean": mean, "square": square}


class StepStream:
    """Turns windows into runs of steps.

    Parameters
    ----------
    roles : those that are taken when they are there
    kept_raw : those whose samples are kept as well
    only_raw : those of which nothing else is kept
    """

    def __init__(self, roles: Sequence[str], kept_raw: Sequence[str] = (), only_raw: Sequence[str] = ()) -> None:
        self._roles, self._kept_raw, self._only_raw = (*roles, *only_raw), tuple(kept_raw), tuple(only_raw)
        self._run: RunSteps | None = None

    def push(self, window: TraceWindow) -> Iterator[tuple[RunSteps, bool]]:
        """Take a window; give each run that grew, and whether it has ended."""
        traces = window.traces if window.common is None else {**window.traces, window.common.role: window.common}
        roles = tuple(role for role in self._roles if role in traces)
        if not roles:
            return
        for at, segment in enumerate(traces[roles[0]].segments):
            if len(segment.volts) == 0:
                continue
            run = self._run
            if run is not None and (
                run.rate_hz != segment.rate_hz
                or run.roles != roles
                or abs(segment.start_s - run.stop_s) * run.rate_hz > _JOIN_TOLERANCE_SAMPLES
            ):
                yield run, True
                run = None
            if run is None:
                run = self._run = RunSteps(segment.start_s, segment.rate_hz, roles, self._kept_raw, self._only_raw)
            run.append({role: traces[role].segments[at].volts for role in roles})
            yield run, False

    def finish(self) -> Iterator[tuple[RunSteps, bool]]:
        """The open run, ended."""
        if self._run is not None:
            yield self._run, True
            self._run = None
