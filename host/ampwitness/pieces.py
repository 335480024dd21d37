"""Much data in pieces that are put away and read one by one: in memory at first, then in a temporary file."""

from __future__ import annotations

import io
import pickle
import tempfile
from typing import Any

MOST_BYTES = 4_000_000  # of one store in memory; what is beyond goes to a temporary file


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
