"""Writing what was asked for, whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path

from ampwitness.errors import OutputError


def write_whole(path: Path, text: str) -> None:
    """`write_bytes_whole` for text, as UTF-8."""
    write_bytes_whole(path, text.encode())


def write_pieces_whole(path: Path, pieces: Iterable[str]) -> None:
    """`write_bytes_whole` for a text that comes piece by piece."""
    _write_whole(path, (piece.encode() for piece in pieces))


def write_bytes_whole(path: Path, content: bytes) -> None:
    """Write beside `path` and move it there, so that a full disk never leaves half a file under the name.

    Raises OutputError with what to do next.
    """
    _write_whole(path, (content,))


def _write_whole(path: Path, pieces: Iterable[bytes]) -> None:
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise OutputError(
            f"cannot write {path}: {error.strerror or error}; choose another place with room and write permission"
        ) from error
