"""Much data in pieces that are put away and read one by one: in memory at first, then in a temporary file."""

from __future__ import annotations

import contextlib
import ctypes
import io
import pickle
import tempfile
import weakref
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating[Any]]

_COLUMN_BYTES, _COLUMN_REST = 1 << 18, 4096  # of one column in memory; numbers until a part is put away
_MMAP_THRESHOLD, _LARGE_BYTES = -3, 1 << 20  # the first as the C library numbers it
MOST_BYTES = 4_000_000  # of one store in memory; what is beyond goes to a temporary file


def give_back() -> None:
    """Hand freed memory back to the system, where its library can: what is let go of leaves holes of some tens of
    megabytes, into which what follows does not fit."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def keep_large_apart() -> None:
    """From now on give arrays of a megabyte and more back to the system as soon as they are let go of, where its
    library can. Columns of a day's findings come and go by the dozen; between them what is kept pins the holes."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _LARGE_BYTES)


class Pieces:
    """Byte strings in order, in memory at first and in a temporary file when there are many of them."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._file = tempfile.SpooledTemporaryFile(max_size=most_bytes)  # noqa: SIM115 - lives as long as this object
        self._places: list[tuple[int, int]] = []
        self._end = 0

    def __len__(self) -> int:
        return len(self._places)

    def append(self, piece: bytes) -> None:
        """Keep one more."""
        self._file.seek(self._end)
        self._file.write(piece)
        self._places.append((self._end, len(piece)))
        self._end += len(piece)

    def read(self, at: int) -> bytes:
        """One of them."""
        place, size = self._places[at]
        self._file.seek(place)
        return self._file.read(size)

    def __reduce__(self) -> tuple[Any, ...]:
        return (_pieces_from, ([self.read(at) for at in range(len(self))],))


def _pieces_from(all_of_them: list[bytes]) -> Pieces:
    pieces = Pieces()
    for piece in all_of_them:
        pieces.append(piece)
    return pieces


class Column:
    """Numbers that come in parts and are asked for together. Who asks holds them; here only the last part stays in
    memory once there are many."""

    def __init__(self) -> None:
        self._pieces = Pieces(_COLUMN_BYTES)
        self._rest: list[FloatArray] = []
        self._n_rest = self._n = 0
        self._given: weakref.ref[FloatArray] | None = None

    def __len__(self) -> int:
        return self._n

    def append(self, values: FloatArray) -> None:
        """Take (n,) more."""
        self._rest.append(np.array(values, dtype=np.float64))
        self._n_rest += len(values)
        self._n += len(values)
        self._given = None
        if self._n_rest >= _COLUMN_REST:
            self._pieces.append(np.concatenate(self._rest).tobytes())
            self._rest, self._n_rest = [], 0

    @property
    def values(self) -> FloatArray:
        """(n,) all of them; the same array for all who ask while one of them holds it. Not to be changed."""
        out = self._given() if self._given is not None else None
        if out is None:
            out, at = np.empty(self._n), 0
            parts = (np.frombuffer(self._pieces.read(k)) for k in range(len(self._pieces)))
            for part in (*parts, *self._rest):
                out[at : at + len(part)] = part
                at += len(part)
            out.setflags(write=False)
            self._given = weakref.ref(out)
        return out

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "_given": None}


class _PiecesAside(pickle.Pickler):
    def __init__(self, out: io.BytesIO) -> None:
        super().__init__(out, protocol=5)
        self.aside: list[Pieces] = []

    def persistent_id(self, thing: Any) -> int | None:
        if not isinstance(thing, Pieces):
            return None
        known = next((at for at, one in enumerate(self.aside) if one is thing), None)
        if known is None:
            self.aside.append(thing)
            return len(self.aside) - 1
        return known


class _PiecesBack(pickle.Unpickler):
    def __init__(self, file: io.BytesIO) -> None:
        super().__init__(file)
        self.aside: dict[int, Pieces] = {}

    def persistent_load(self, at: int) -> Pieces:
        return self.aside.setdefault(at, Pieces())


def dump_apart(thing: Any) -> tuple[bytes, list[Pieces]]:
    """A thing as bytes without its Pieces, and those: they go over one by one, so that no copy of all is made."""
    pickler = _PiecesAside(out := io.BytesIO())
    pickler.dump(thing)
    return out.getvalue(), pickler.aside


def load_apart(content: bytes) -> tuple[Any, dict[int, Pieces]]:
    """The thing, and its Pieces by number, which are empty and must be filled by who calls."""
    unpickler = _PiecesBack(io.BytesIO(content))
    return unpickler.load(), unpickler.aside
