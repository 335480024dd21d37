"""Findings by the hundred thousand: a list that makes each one when it is looked at, and answers by columns.

A day of music holds some half a million findings of several kilobytes each. Here a table knows one kind; start, stop
and the few numbers that rank it are columns. Columns and all else lie in a temporary file once there is much of them: a
list keeps four bytes a finding, and what is asked for lives as long as who asked holds it.
"""

from __future__ import annotations

import io
import pickle
import weakref
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate
from typing import Any, cast, overload

import numpy as np
import numpy.typing as npt

from ampwitness.pieces import Column, Pieces
from ampwitness.types import Finding, FloatArray

IntArray = npt.NDArray[np.int32]

_BATCH = 512  # findings that are kept and read together
_READY = 4  # batches that are held open
_AT_ONCE = 1 << 16  # places looked at together: of half a million each array of all counts


def number_or_nan(value: object) -> float:
    """A measured value as a number; NaN for None, words and yes or no."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else float("nan")


def _flag_or_nan(value: object) -> float:
    return float(value) if isinstance(value, bool) else float("nan")


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

    def flags(self, key: str) -> FloatArray:
        """(n,) a measured yes or no of each, as 1 and 0; NaN where it is not there."""
        return np.array([_flag_or_nan(self.read(row).measured.get(key)) for row in range(len(self))])

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


class WrappedTable(FindingTable):
    """A table that says something more of the findings of another, which stay where they lie; all else is asked there.

    Parameters
    ----------
    table : the findings as they were
    """

    def __init__(self, table: FindingTable) -> None:
        self.kind = table.kind
        self._table = table

    @property
    def start_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) starts."""
        return self._table.start_s

    @property
    def stop_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) stops."""
        return self._table.stop_s

    def __len__(self) -> int:
        return len(self._table)

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        return self._table.numbers(key)

    def flags(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.flags`."""
        return self._table.flags(key)

    def texts(self, key: str, rows: npt.NDArray[np.integer[Any]] | None = None) -> Counter[str]:
        """As `FindingTable.texts`."""
        return self._table.texts(key, rows)


class ChangedTable(WrappedTable):
    """A table with a few of its findings changed.

    Parameters
    ----------
    table : the findings as they were
    changed : row -> what stands there now, of the same kind, start and stop
    """

    def __init__(self, table: FindingTable, changed: Mapping[int, Finding]) -> None:
        super().__init__(table)
        self._changed = dict(changed)

    def read(self, row: int) -> Finding:
        """One of them."""
        return self._changed[row] if row in self._changed else self._table.read(row)

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        return self._with_changed(super().numbers(key), key, number_or_nan)

    def flags(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.flags`."""
        return self._with_changed(super().flags(key), key, _flag_or_nan)

    def texts(self, key: str, rows: npt.NDArray[np.integer[Any]] | None = None) -> Counter[str]:
        """As `FindingTable.texts`, finding by finding: which of them were changed decides."""
        return FindingTable.texts(self, key, rows)

    def _with_changed(self, values: FloatArray, key: str, read: Callable[[object], float]) -> FloatArray:
        values = values.copy()
        for row, finding in self._changed.items():
            values[row] = read(finding.measured.get(key))
        return values


class KeptTable(FindingTable):
    """Findings of one kind that come batch by batch and are put away.

    Parameters
    ----------
    kind : of all of them
    ready, ready_flags : names of the measured numbers, and of what is yes or no, that are asked for often: they are
        kept as columns beside
    """

    def __init__(self, kind: str, ready: Sequence[str], ready_flags: Sequence[str] = ()) -> None:
        self.kind = kind
        self._ready = {name: Column() for name in ready}
        self._ready_flags = {name: Column() for name in ready_flags}
        self._starts, self._stops = Column(), Column()
        self._n_rows = 0
        self._waiting: list[Finding] = []
        self._pieces = Pieces()
        self._first_rows: list[int] = []
        self._open: OrderedDict[int, list[tuple[Any, ...]]] = OrderedDict()

    def __len__(self) -> int:
        return self._n_rows + len(self._waiting)

    def extend(self, findings: Iterable[Finding], columns: Mapping[str, FloatArray] | None = None) -> None:
        """Take further ones, in any order of time.

        `columns`: by name the values of those that are kept beside, NaN where not there; where they are at hand, as to
        ask each finding takes ten times as long.
        """
        if columns is not None:
            self._put_away()
            if batch := list(findings):
                self._put(batch, columns)
            return
        self._waiting += findings
        if len(self._waiting) >= _BATCH:
            self._put_away()

    def _put_away(self) -> None:
        if not self._waiting:
            return
        batch, self._waiting = self._waiting, []
        columns = {name: np.array([number_or_nan(f.measured.get(name)) for f in batch]) for name in self._ready}
        columns |= {name: np.array([_flag_or_nan(f.measured.get(name)) for f in batch]) for name in self._ready_flags}
        self._put(batch, columns)

    def _put(self, batch: Sequence[Finding], columns: Mapping[str, FloatArray]) -> None:
        self._starts.append(np.array([f.start_s for f in batch]))
        self._stops.append(np.array([f.stop_s for f in batch]))
        for name, parts in (*self._ready.items(), *self._ready_flags.items()):
            parts.append(columns[name])
        self._first_rows.append(self._n_rows)
        self._n_rows += len(batch)
        out = io.BytesIO()
        # As tuples: a frozen object of slots takes five times as long to come back.
        rows = [
            (f.kind, f.start_s, f.stop_s, f.severity, _to_parts(f.measured), f.threshold, _to_parts(f.evidence))
            for f in batch
        ]
        pickle.Pickler(out, protocol=5).dump(rows)
        self._pieces.append(out.getvalue())

    @property
    def start_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) starts."""
        self._put_away()
        return self._starts.values

    @property
    def stop_s(self) -> FloatArray:  # type: ignore[override]
        """(n,) stops."""
        self._put_away()
        return self._stops.values

    def numbers(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.numbers`."""
        self._put_away()
        return self._ready[key].values if key in self._ready else super().numbers(key)

    def flags(self, key: str) -> FloatArray:
        """(n,) as `FindingTable.flags`."""
        self._put_away()
        return self._ready_flags[key].values if key in self._ready_flags else super().flags(key)

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
        kind, start_s, stop_s, severity, measured, threshold, evidence = batch[row - self._first_rows[at]]
        return Finding(kind, start_s, stop_s, severity, _own(measured), threshold, _own(evidence))

    def __getstate__(self) -> dict[str, Any]:
        self._put_away()
        return {**self.__dict__, "_open": OrderedDict()}


def _to_parts(values: Mapping[str, Any]) -> Mapping[str, Any] | tuple[Any, ...]:
    """A view of a shared table as what it is made of, which is read a batch at a time; anything else as it is.

    Such views have a method `reduce_shared`."""
    shared = getattr(type(values), "reduce_shared", None)
    return values if shared is None else cast(tuple[Any, ...], shared(values))


def _own(values: Mapping[str, Any] | tuple[Any, ...]) -> Mapping[str, Any]:
    """What `_to_parts` took apart; of a view of a shared table a copy, as a view keeps all of the table in memory."""
    if isinstance(values, tuple):
        make, arguments = values
        values = make(*arguments)
    to_dict = getattr(type(values), "to_dict", None)
    return cast(Mapping[str, Any], values if to_dict is None else to_dict(values))


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
        self._present = tuple(range(len(self._tables)))  # those of them that may have findings here
        kinds = sorted({table.kind for table in self._tables})
        self._firsts = _firsts_of(self._tables)
        kind = np.repeat(
            np.array([kinds.index(one.kind) for one in self._tables], dtype=np.int16), np.diff(self._firsts)
        )
        order = np.lexsort((kind, np.concatenate([np.zeros(0), *(one.start_s for one in self._tables)])))
        self._at = order.astype(np.int32)  # places in all tables behind one another
        self._numbers: IntArray | None = None  # as they come
        self._start_s: weakref.ref[FloatArray] | None = None

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
        next_of = {table.kind: first for table, first in zip(listed._tables, listed._firsts, strict=False)}
        for at, finding in enumerate(findings):
            listed._at[at] = next_of[finding.kind]
            next_of[finding.kind] += 1
        return listed

    def __len__(self) -> int:
        return len(self._at)

    @property
    def start_s(self) -> FloatArray:
        """(n,) starts."""
        out = self._start_s() if self._start_s is not None else None
        if out is None:
            out = self._gather(lambda table: table.start_s)
            self._start_s = weakref.ref(out)
        return out

    @property
    def numbers(self) -> IntArray:
        """(n,) what a report calls each."""
        return np.arange(1, len(self) + 1, dtype=np.int32) if self._numbers is None else self._numbers

    def _iter_mine(self, at: int) -> Iterator[tuple[npt.NDArray[np.intp], IntArray]]:
        """Stretch by stretch, where in the list the findings of one of the tables are, and their rows in it."""
        first, stop = self._firsts[at], self._firsts[at + 1]
        for begin in range(0, len(self._at), _AT_ONCE):
            part = self._at[begin : begin + _AT_ONCE]
            if self._present == (at,):
                yield np.arange(begin, begin + len(part)), part - first
                continue
            mine = np.flatnonzero((part >= first) & (part < stop))
            if len(mine):
                yield mine + begin, part[mine] - first

    def _n_mine(self, at: int) -> int:
        """How many findings here are of one of the tables."""
        if self._numbers is None:
            return len(self._tables[at])
        if self._present == (at,):
            return len(self)
        return sum(len(mine) for mine, _ in self._iter_mine(at))

    def _make(self, at: int) -> Finding:
        of_table = bisect_right(self._firsts, at) - 1
        return self._tables[of_table].read(at - self._firsts[of_table])

    @overload
    def __getitem__(self, at: int) -> Finding: ...
    @overload
    def __getitem__(self, at: slice) -> FindingList: ...
    def __getitem__(self, at: int | slice) -> Finding | FindingList:
        if isinstance(at, slice):
            return self.take(np.arange(len(self), dtype=np.int64)[at])
        return self._make(int(self._at[at]))

    def __iter__(self) -> Iterator[Finding]:
        for at in self._at:
            yield self._make(int(at))

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
        first: dict[str, int] = {}
        for at, table in self._tables_here():
            place = next((int(mine[0]) for mine, _ in self._iter_mine(at)), None)
            if place is not None:
                first[table.kind] = min(place, first.get(table.kind, place))
        return tuple(sorted(first, key=lambda kind: first[kind]))

    def n_of(self, kind: str) -> int:
        """How many there are of a kind."""
        return sum(self._n_mine(at) for at, table in self._tables_here() if table.kind == kind)

    def n_found(self, kind: str) -> int:
        """How many of a kind were found, those included that are not here."""
        return self.n_of(kind) + self._not_here.get(kind, 0)

    def of_kind(self, *kinds: str) -> FindingList:
        """Those of some kinds."""
        wanted = np.zeros(len(self), dtype=bool)
        present = tuple(at for at, table in self._tables_here() if table.kind in kinds)
        for at in present:
            for mine, _ in self._iter_mine(at):
                wanted[mine] = True
        return self if wanted.all() and not self._not_here else self._part(wanted, present)

    def take(self, places: npt.NDArray[np.integer[Any]]) -> FindingList:
        """Those at some places, in that order."""
        return self._part(places)

    def _tables_here(self) -> list[tuple[int, FindingTable]]:
        """The tables that may have findings here, with their places among all."""
        return [(at, self._tables[at]) for at in self._present]

    def _part(self, chosen: npt.NDArray[Any], present: tuple[int, ...] | None = None) -> FindingList:
        """Those at some places, or where it is true; of no other than the tables that are `present`."""
        part = object.__new__(FindingList)
        part._present = self._present if present is None else present
        part._tables, part._firsts, part._not_here = self._tables, self._firsts, {}
        part._at, part._numbers, part._start_s = self._at[chosen], self.numbers[chosen], None
        return part

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "_start_s": None}

    @property
    def stop_s(self) -> FloatArray:
        """(n,) ends."""
        return self._gather(lambda table: table.stop_s)

    def values(self, key: str) -> FloatArray:
        """(n,) a measured number of each; NaN where a finding has none."""
        return self._gather(lambda table: table.numbers(key))

    def flags(self, key: str) -> FloatArray:
        """(n,) a measured yes or no of each, as 1 and 0; NaN where a finding has none."""
        return self._gather(lambda table: table.flags(key))

    def _gather(self, column_of: Callable[[FindingTable], FloatArray]) -> FloatArray:
        out = np.full(len(self), np.nan)
        for at, table in self._tables_here():
            column: FloatArray | None = None
            for mine, rows in self._iter_mine(at):
                column = column_of(table) if column is None else column
                out[mine] = column[rows]
        return out

    def texts(self, key: str) -> Counter[str]:
        """How often each word stands under a measured key."""
        counted: Counter[str] = Counter()
        for at, table in self._tables_here():
            n_mine = self._n_mine(at)
            if n_mine:
                rows = np.concatenate([rows for _, rows in self._iter_mine(at)]) if n_mine < len(table) else None
                counted += table.texts(key, rows)
        return counted

    def number_of(self, finding: Finding) -> int:
        """What a finding of this list is called. Raises ValueError where it is not in the list."""
        for at in np.flatnonzero(self.start_s == finding.start_s).tolist():
            if self[at] == finding:
                return int(self.numbers[at])
        raise ValueError(f"no such finding: {finding.kind} at {finding.start_s} s")


def _firsts_of(tables: Sequence[FindingTable]) -> list[int]:
    """Where each begins when they lie behind one another, and where the last ends."""
    return [0, *accumulate(len(table) for table in tables)]


def _plain_tables(findings: Sequence[Finding]) -> list[FindingTable]:
    by_kind: dict[str, list[Finding]] = {}
    for finding in findings:
        by_kind.setdefault(finding.kind, []).append(finding)
    return [PlainTable(kind, mine) for kind, mine in by_kind.items()]
