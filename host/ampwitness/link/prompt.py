"""A board at its MicroPython prompt, worked by `mpremote`: what is on it, copy, remove, reset.

mpremote's command line is used and not its modules, which its authors call unsettled.
"""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ampwitness.errors import (
    AmpwitnessError,
    BoardFaultError,
    FlashFullError,
    LinkLostError,
    MissingToolError,
    NotOurBoardError,
    PortAccessError,
)

COMMAND_S = 120.0  # the longest that one command may take
FILES_A_COMMAND = 6

# Runs on any MicroPython, however old, and on what calls itself otherwise; prints one dictionary.
_LOOK = """
import os, sys
found = {'name': sys.implementation.name, 'version': tuple(sys.implementation.version)[:3]}
found['machine'] = getattr(sys.implementation, '_machine', '') or os.uname()[4]
try:
    import machine
    found['board_id'] = ''.join(['%02x' % b for b in machine.unique_id()])
except Exception:
    found['board_id'] = ''
try:
    s = os.statvfs('/')
    found['block_bytes'], found['free_blocks'] = s[0], s[3]
except Exception:
    pass
import hashlib
sizes, hashes, folders = {}, {}, []
for folder in FOLDERS:
    try:
        names = os.listdir('/' + folder)
    except OSError:
        continue
    folders.append(folder)
    for name in names:
        path = folder + '/' + name if folder else name
        s = os.stat('/' + path)
        if s[0] & 0x4000:
            continue
        sizes[path] = s[6]
        h = hashlib.sha256()
        with open('/' + path, 'rb') as f:
            while True:
                piece = f.read(512)
                if not piece:
                    break
                h.update(piece)
        hashes[path] = ''.join(['%02x' % b for b in h.digest()])
found['sizes'], found['hashes'], found['folders'] = sizes, hashes, folders
print('<<%r>>' % found)
"""


@dataclass(frozen=True, slots=True)
class Found:
    """What a board at its prompt says about itself. `hashes`: path -> SHA-256 in hexadecimal; `sizes` in bytes."""

    interpreter: str
    version: tuple[int, ...]
    machine: str
    board_id: str
    block_bytes: int
    free_blocks: int
    sizes: Mapping[str, int]
    hashes: Mapping[str, str]
    folders: tuple[str, ...]

    def blocks(self, n_bytes: int) -> int:
        """Blocks of flash that a file of n_bytes takes."""
        return max(1, -(-n_bytes // self.block_bytes))


def run_mpremote(words: Sequence[str], timeout_s: float = COMMAND_S) -> subprocess.CompletedProcess[str]:
    """Run mpremote with these words and gather what it prints. Raises MissingToolError, subprocess.TimeoutExpired."""
    if importlib.util.find_spec("mpremote") is None:
        raise MissingToolError("mpremote, which puts files on a board, is not here: pip install 'ampwitness[install]'")
    return subprocess.run(
        [sys.executable, "-m", "mpremote", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=timeout_s,
        check=False,
    )


class BoardPrompt:
    """The prompt of the board on `port`. Every method raises an AmpwitnessError that says what hindered it.

    run : stands in for run_mpremote in tests
    """

    def __init__(
        self, port: str, run: Callable[[Sequence[str]], subprocess.CompletedProcess[str]] = run_mpremote
    ) -> None:
        self._port = port
        self._run = run

    def look(self, folders: Sequence[str]) -> Found:
        """What is there: chip, version, free flash, and the files in these folders ('' is the root)."""
        out = self._do("exec", f"FOLDERS = {tuple(folders)!r}\n{_LOOK}")
        start, stop = out.find("<<"), out.rfind(">>")
        try:
            told: dict[str, Any] = ast.literal_eval(out[start + 2 : stop]) if 0 <= start < stop else {}
            return Found(
                interpreter=str(told["name"]),
                version=tuple(int(part) for part in told["version"]),
                machine=str(told["machine"]),
                board_id=str(told["board_id"]),
                block_bytes=int(told.get("block_bytes", 4096)),
                free_blocks=int(told.get("free_blocks", 0)),
                sizes=dict(told["sizes"]),
                hashes=dict(told["hashes"]),
                folders=tuple(told["folders"]),
            )
        except (ValueError, SyntaxError, KeyError, TypeError):
            raise NotOurBoardError(
                f"What answers on {self._port} is a prompt, but not one of MicroPython on a board with files "
                f"({out.strip()[-120:]!r})."
            ) from None

    def read(self, path: str) -> str:
        """Text of a file."""
        return self._do("fs", "cat", f":{path}")

    def make_folder(self, path: str) -> None:
        """Make a folder that is not there yet."""
        self._do("fs", "mkdir", f":{path}")

    def copy(self, sources: Sequence[Path], folder: str) -> None:
        """Copy files into a folder that is there ('' is the root)."""
        self._do("fs", "cp", "--force", *(str(source) for source in sources), f":{folder}/" if folder else ":")

    def remove(self, paths: Sequence[str]) -> None:
        """Remove files."""
        self._do("fs", "rm", *(f":{path}" for path in paths))

    def run_script(self, script: Path) -> str:
        """What a script of this computer prints when it is run on the board."""
        return self._do("run", str(script))

    def reset(self) -> None:
        """Reset the board; its port goes and comes back."""
        self._do("reset")

    def _do(self, *words: str) -> str:
        try:
            done = self._run(["connect", self._port, *words])
        except subprocess.TimeoutExpired:
            raise LinkLostError(f"{self._port} fell silent in the middle of {words[0]!r}: {_AGAIN}") from None
        if done.returncode == 0:
            return done.stdout
        raise self._explain(done.stderr + "\n" + done.stdout)

    def _explain(self, text: str) -> AmpwitnessError:
        """The error that mpremote's words stand for."""
        if "failed to access" in text:
            return PortAccessError(
                f"{self._port} cannot be opened: another program holds it, or it has gone. Close that one, try again."
            )
        if "could not enter raw repl" in text:
            return NotOurBoardError(
                f"No MicroPython prompt on {self._port}. Hold BOOTSEL while you plug the board in, copy a MicroPython "
                "image for RPI_PICO onto the drive that appears, and try again."
            )
        if "No space left" in text or "ENOSPC" in text or "Errno 28" in text:
            return FlashFullError(
                f"The flash of the board on {self._port} filled up while files were copied. Remove files of your own "
                "from it and install again; until then it stays at its prompt."
            )
        if any(words in text for words in ("Input/output error", "disconnected", "not configured", "ClearCommError")):
            return LinkLostError(f"{self._port} has gone in the middle of the work: {_AGAIN}")
        last = next((line for line in reversed(text.splitlines()) if line.strip()), "no reason given")
        return BoardFaultError(f"The board on {self._port} refuses: {last.strip()[:200]}")


_AGAIN = "check the cable, plug the board in again, and install again."
