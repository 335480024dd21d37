"""Files that appear whole under their names, or not at all; nothing that is there is ever overwritten."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ampwitness.errors import OutputError


def refuse_existing(path: Path) -> None:
    """Raises OutputError where something of that name is there, or its folder is not or may not be written into."""
    if path.exists():
        raise OutputError(f"{path} is there already and is not overwritten; give another name")
    if not path.parent.is_dir():
        raise OutputError(f"the folder {path.parent} is not there; make it, or give another name")
    if not os.access(path.parent, os.W_OK):
        raise OutputError(f"you may not write into {path.parent}; choose another place for {path.name}")


@contextmanager
def said_plainly(path: Path) -> Iterator[None]:
    """Turns what the system says about a file that cannot be written into OutputError."""
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"cannot write {path}: {error.strerror or error}; choose another place with room and write permission"
        ) from error


class PartFiles:
    """Files written under `NAME.part` and renamed together at the end."""

    def __init__(self) -> None:
        self._targets: list[Path] = []

    def begin(self, target: Path) -> Path:
        """Where to write what shall be called `target`. Raises OutputError where that is there already."""
        refuse_existing(target)
        self._targets.append(target)
        return _part_of(target)

    def keep(self) -> list[Path]:
        """Give every file its name."""
        for target in self._targets:
            with said_plainly(target):
                refuse_existing(target)  # somebody else may have made it meanwhile
                os.replace(_part_of(target), target)
        return list(self._targets)

    def drop(self) -> None:
        """Take away what was begun and not kept."""
        for target in self._targets:
            with contextlib.suppress(OSError):
                _part_of(target).unlink()


def _part_of(target: Path) -> Path:
    return target.with_name(target.name + ".part")
