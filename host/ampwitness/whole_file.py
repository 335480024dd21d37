"""Writing what was asked for, whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path

from ampwitness.errors import OutputError

MCAP_MAGIC = b"\x89MCAP0\r\n"


def write_whole(path: Path, text: str) -> None:
    """`write_bytes_whole` for text, as UTF-8; of a file's name that is none, `?` stands for what cannot be written."""
    write_bytes_whole(path, text.encode(errors="replace"))


def write_pieces_whole(path: Path, pieces: Iterable[str]) -> None:
    """`write_whole` for a text that comes piece by piece."""
    _write_whole(path, (piece.encode(errors="replace") for piece in pieces))


def write_bytes_whole(path: Path, content: bytes) -> None:
    """Write beside `path` and move it there, so that a full disk never leaves half a file under the name.

    Raises OutputError with what to do next.
    """
    _write_whole(path, (content,))


def refuse_targets(targets: Iterable[Path | None], inputs: Iterable[Path] = ()) -> None:
    """Before any work is done: that what will be written can be, and destroys nothing that was recorded.

    Parameters
    ----------
    targets : files that will be written; None: not asked for
    inputs : files that are read

    Raises OutputError: two targets are one file; a target is an input, or any recording; its folder is missing.
    """
    read = [path for path in inputs if path.exists()]
    seen: list[Path] = []
    for target in (path for path in targets if path is not None):
        real = Path(os.path.realpath(target))
        if real in seen:
            raise OutputError(f"{target} was named twice, for two things to be written; give each a name of its own")
        seen.append(real)
        if any(target.exists() and target.samefile(path) for path in read):
            raise OutputError(f"{target} is what is to be read and would be overwritten; choose another name")
        if real.is_dir():
            raise OutputError(f"{target} is a folder; name a file in it")
        if not real.parent.is_dir():
            raise OutputError(
                f"cannot write {target}: there is no folder {real.parent}; make it first, or choose another"
            )
        is_device = real.exists() and not real.is_file()
        if not is_device and not os.access(real.parent, os.W_OK):
            raise OutputError(f"you may not write into {real.parent}; choose another place for {target.name}")
        if _is_recording(real):
            raise OutputError(f"{target} is a recording and would be overwritten; choose another name")


def _is_recording(path: Path) -> bool:
    if not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            return file.read(len(MCAP_MAGIC)) == MCAP_MAGIC
    except OSError as error:
        raise OutputError(f"{path} is there and may not be read: it may be a recording. Choose another name") from error


def _write_whole(path: Path, pieces: Iterable[bytes]) -> None:
    real = Path(os.path.realpath(path))  # a link stays one
    if real.is_dir():
        raise OutputError(f"{path} is a folder; name a file in it")
    part = real.with_name(real.name + ".part")
    try:
        if real.exists() and not real.is_file():  # a device or a pipe: nothing may be moved there
            with real.open("wb") as file:
                file.writelines(pieces)
            return
        with part.open("wb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, real)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink()
        raise OutputError(
            f"cannot write {path}: {error.strerror or error}; choose another place with room and write permission"
        ) from error
