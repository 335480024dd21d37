"""Findings by the hundred thousand: a list that makes each one when it is looked at, and answers by columns.

A day of music holds some half a million findings of several kilobytes each. Here a table knows one kind: start, stop
and the few numbers that rank it are arrays in memory; everything else lies in a temporary file once there is much of
it. Memory grows by some thirty bytes a finding.
"""

from __future__ import annotations

import io
import pickle
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections import Counter, OrderedDict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from ampwitness.pieces import Pieces
from ampwitness.types import Finding, FloatArray

IntArray = npt.NDArray[np.int32]

_BATCH = 512  # findings that are kept and read together
_READY = 4  # batches that are held open


def number_or_nan(value: object) -> float:
    """A measured value as a number; NaN for None, words and yes or no."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")


class FindingTable(ABC):
    """Findings of one kind. `start_s` and `stop_s` are (n,) seconds."""

    kind: str
    start_s: FloatArray
    stop_s: FloatArray

    def __len__(self) -> int:
        return len(self.start_s)

    @abstractmethod
    def read(self, row: int) -> Finding:
        """Make one of them."""

    def numbers(self, key: str) -> FloatArray:
        """(n,) a measured number of each; NaN where it is not there."""
        return np.array([number_or_nan(self.read(row).measured.get(key)) for row in range(len(self))])

    def texts(self, key: str, rows: npt.NDArray[np.integer[Any]] | None = None) -> Counter[str]:
        """How often each word stands under a measured key, of all or of some rows; those without one are left out."""
        words = (self.read(row).measured.get(key) for row in (range(len(self)) if rows is None else rows.tolist()))
        return Counter(str(word) for word in words if word)


class PlainTable(FindingTable):
    """Findings that are there already, all of one kind."""

    def __init__(self, kind: str, findings: Sequence[Finding]) -> None:
        self.kind, self._findings = kind, tuple(findings)
        self.start_s = np.array([f.start_s for f in self._findings], dtype=np.float64)
        self.stop_s = np.array([f.stop_s for f in self._findings], dtype=np.float64)

    def read(self, row: int) -> Finding:
        """One of them."""
        return self._findings[row]


class ChangedTable(FindingTable):
    """A table with a few of its findings changed, the rest left where they lie.

    Parameters
    ----------
    table : the findings as they were
    changed : row -> what stands there now, of the same kind, start and stop
    """

    def __init__(self, table: FindingTable, changed: Mapping[int, Finding]) -> None:
        self.kind, self.start_s, self.stop_s = table.kind, table.start_s, table.stop_s
        self._table, self._changed = table, dict(changed)

    def read(self, row: int) -> Finding:
        """One of them."""
        return self._changed[row] if row in self._changed else self._table.read(row)

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        values = self._table.numbers(key).copy()
        for row, finding in self._changed.items():
            values[row] = number_or_nan(finding.measured.get(key))
        return values


class KeptTable(FindingTable):
    """Findings of one kind that come batch by batch and are put away.

    Parameters
    ----------
    kind : of all of them
    ready : names of the measured numbers that are asked for often: they stay in memory as 64-bit numbers
    """

    def __init__(self, kind: str, ready: Sequence[str]) -> None:
        self.kind = kind
        self._ready: dict[str, list[FloatArray]] = {name: [] for name in ready}
        self._starts: list[FloatArray] = []
        self._stops: list[FloatArray] = []
        self._n_rows = 0
        self._waiting: list[Finding] = []
        self._pieces = Pieces()
        self._first_rows: list[int] = []
        self._open: OrderedDict[int, list[tuple[Any, ...]]] = OrderedDict()

    def __len__(self) -> int:
        return self._n_rows + len(self._waiting)

    def extend(self, findings: Iterable[Finding]) -> None:
        """Take further ones, in any order of time."""
        self._waiting += findings
        if len(self._waiting) >= _BATCH:
            self._put_away()

    def _put_away(self) -> None:
        if not self._waiting:
            return
        batch, self._waiting = self._waiting, []
        self._starts.append(np.array([f.start_s for f in batch]))
        self._stops.append(np.array([f.stop_s for f in batch]))
        for name, parts in self._ready.items():
            parts.append(np.array([number_or_nan(f.measured.get(name)) for f in batch]))
        self._first_rows.append(self._n_rows)
        self._n_rows += len(batch)
        out = io.BytesIO()
        # As tuples: a frozen object of slots takes five times as long to come back.
        rows = [(f.kind, f.start_s, f.stop_s, f.severity, f.measured, f.threshold, f.evidence) for f in batch]
        _Pickler(out, protocol=5).dump(rows)
        self._pieces.append(out.getvalue())

    @property
    def start_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) starts."""
        return self._column(self._starts)

    @property
    def stop_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) stops."""
        return self._column(self._stops)

    def _column(self, parts: list[FloatArray]) -> FloatArray:
        self._put_away()
        if len(parts) > 1:
            parts[:] = [np.concatenate(parts)]
        return parts[0] if parts else np.zeros(0)

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        return self._column(self._ready[key]) if key in self._ready else super().numbers(key)

    def read(self, row: int) -> Finding:
        """Make one of them."""
        self._put_away()
        at = bisect_right(self._first_rows, row) - 1
        batch = self._open.get(at)
        if batch is None:
            batch = pickle.loads(self._pieces.read(at))
            self._open[at] = batch
            if len(self._open) > _READY:
                self._open.popitem(last=False)
        return Finding(*batch[row - self._first_rows[at]])

    def __getstate__(self) -> dict[str, Any]:
        self._put_away()
        return {**self.__dict__, "_open": OrderedDict()}


class _Pickler(pickle.Pickler):
    """Keeps views of a shared table as views: those have a method `reduce_shared`."""

    def reducer_override(self, thing: Any) -> Any:
        shared = getattr(type(thing), "reduce_shared", None)
        return NotImplemented if shared is None else shared(thing)


class FindingList(Sequence[Finding]):
    """Findings of all kinds by start and kind. Each is made when it is looked at: compare by `==`, not by `is`.

    `numbers` is (n,), the place of each in the whole list from 1: what a report calls it. A part of a list keeps it.

    Parameters
    ----------
    parts : tables, or findings of any kinds
    not_here : by kind, how many more were found than are here
    """

    def __init__(
        self, parts: Iterable[FindingTable | Sequence[Finding]], not_here: Mapping[str, int] | None = None
    ) -> None:
        self._not_here = dict(not_here or {})
        tables: list[FindingTable] = []
        for part in parts:
            if isinstance(part, FindingTable):
                tables.append(part)
            elif isinstance(part, FindingList):
                tables += part._whole_tables()
            else:
                tables += _plain_tables(part)
        self._tables = tuple(table for table in tables if len(table))
        kinds = sorted({table.kind for table in self._tables})
        sizes = [len(table) for table in self._tables]
        table = np.repeat(np.arange(len(sizes), dtype=np.int16), sizes)
        row = np.concatenate([np.arange(size, dtype=np.int32) for size in sizes] or [np.zeros(0, dtype=np.int32)])
        start_s = np.concatenate([one.start_s for one in self._tables] or [np.zeros(0)])
        kind = np.repeat(np.array([kinds.index(one.kind) for one in self._tables], dtype=np.int16), sizes)
        order = np.lexsort((kind, start_s))
        self._table, self._row, self._kind = table[order], row[order], kind[order]
        self._kinds = tuple(kinds)
        self.start_s: FloatArray = start_s[order]
        self.numbers: IntArray = np.arange(1, len(order) + 1, dtype=np.int32)

    @property
    def tables(self) -> tuple[FindingTable, ...]:
        """What the findings are made of; a part of a list has the tables of the whole."""
        return self._tables

    def _whole_tables(self) -> list[FindingTable]:
        if len(self) == sum(map(len, self._tables)):
            return list(self._tables)
        return _plain_tables(list(self))

    @staticmethod
    def of(findings: Sequence[Finding]) -> FindingList:
        """A list of any findings; a FindingList as it is. Others keep their order: they are numbered as they stand."""
        if isinstance(findings, FindingList):
            return findings
        listed = FindingList([findings])
        kinds = {name: at for at, name in enumerate(listed._kinds)}
        rows = dict.fromkeys(kinds, 0)
        table_of = {table.kind: at for at, table in enumerate(listed._tables)}
        for at, finding in enumerate(findings):
            listed._table[at], listed._row[at] = table_of[finding.kind], rows[finding.kind]
            listed._kind[at], listed.start_s[at] = kinds[finding.kind], finding.start_s
            rows[finding.kind] += 1
        return listed

    def __len__(self) -> int:
        return len(self._row)

    @overload
    def __getitem__(self, at: int) -> Finding: ...
    @overload
    def __getitem__(self, at: slice) -> FindingList: ...
    def __getitem__(self, at: int | slice) -> Finding | FindingList:
        if isinstance(at, slice):
            return self.take(np.arange(len(self), dtype=np.int64)[at])
        table: FindingTable = self._tables[self._table[at]]
        return table.read(int(self._row[at]))

    def __iter__(self) -> Iterator[Finding]:
        for table, row in zip(self._table, self._row, strict=True):
            yield self._tables[table].read(int(row))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence) or isinstance(other, str | bytes):
            return NotImplemented
        return len(self) == len(other) and all(a == b for a, b in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"FindingList({', '.join(f'{self.n_of(kind)} {kind}' for kind in self.kinds)})"

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds that are there, in order of their first finding."""
        there, first = np.unique(self._kind, return_index=True)
        return tuple(self._kinds[int(there[k])] for k in np.argsort(first))

    def n_of(self, kind: str) -> int:
        """How many there are of a kind."""
        return int(np.count_nonzero(self._kind == self._kinds.index(kind))) if kind in self._kinds else 0

    def n_found(self, kind: str) -> int:
        """How many of a kind were found, those included that are not here."""
        return self.n_of(kind) + self._not_here.get(kind, 0)

    def of_kind(self, *kinds: str) -> FindingList:
        """Those of some kinds."""
        wanted = [at for at, kind in enumerate(self._kinds) if kind in kinds]
        return self.take(np.flatnonzero(np.isin(self._kind, wanted)))

    def take(self, places: npt.NDArray[np.integer[Any]]) -> FindingList:
        """Those at some places, in that order."""
        part = object.__new__(FindingList)
        part._tables, part._kinds, part._not_here = self._tables, self._kinds, {}
        part._table, part._row, part._kind = self._table[places], self._row[places], self._kind[places]
        part.start_s, part.numbers = self.start_s[places], self.numbers[places]
        return part

    @property
    def stop_s(self) -> FloatArray:
        """(n,) ends."""
        return self._gather([table.stop_s for table in self._tables])

    def values(self, key: str) -> FloatArray:
        """(n,) a measured number of each; NaN where a finding has none."""
        used = set(np.unique(self._table).tolist())
        return self._gather(
            [table.numbers(key) if at in used else np.zeros(0) for at, table in enumerate(self._tables)]
        )

    def _gather(self, columns: Sequence[FloatArray]) -> FloatArray:
        out = np.full(len(self), np.nan)
        for at, column in enumerate(columns):
            mine = self._table == at
            if mine.any():
                out[mine] = column[self._row[mine]]
        return out

    def texts(self, key: str) -> Counter[str]:
        """How often each word stands under a measured key."""
        counted: Counter[str] = Counter()
        for at, table in enumerate(self._tables):
            mine = self._table == at
            if mine.any():
                counted += table.texts(key, None if np.count_nonzero(mine) == len(table) else self._row[mine])
        return counted

    def number_of(self, finding: Finding) -> int:
        """What a finding of this list is called. Raises ValueError where it is not in the list."""
        for at in np.flatnonzero(self.start_s == finding.start_s).tolist():
            if self._kinds[self._kind[at]] == finding.kind and self[at] == finding:
                return int(self.numbers[at])
        raise ValueError(f"no such finding: {finding.kind} at {finding.start_s} s")


def _plain_tables(findings: Sequence[Finding]) -> list[FindingTable]:
    by_kind: dict[str, list[Finding]] = {}
    for finding in findings:
        by_kind.setdefault(finding.kind, []).append(finding)
    return [PlainTable(kind, mine) for kind, mine in by_kind.items()]
