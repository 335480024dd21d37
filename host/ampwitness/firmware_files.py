"""Where the board's files are: in a checkout beside the host, in an installed package inside it."""

from __future__ import annotations

import ast
import importlib.util
import re
from functools import cache
from pathlib import Path
from types import ModuleType

# What stays here: a script for the prompt, run from this computer.
NOT_ON_BOARD = ("board_check.py",)


def find_firmware_dir() -> Path:
    """Folder that holds main.py, board_config.py and logger/. Raises FileNotFoundError if the package is incomplete."""
    here = Path(__file__).resolve().parent
    for folder in (here.parent.parent / "firmware", here / "_firmware"):  # a checkout's files are never stale
        if (folder / "board_config.py").is_file():
            return folder
    raise FileNotFoundError("the board's files are missing from this installation; install ampwitness again")


def find_wire_dir() -> Path:
    """Folder that holds the `ampwire` package, as it goes onto the board."""
    import ampwire

    return Path(ampwire.__file__).resolve().parent


@cache
def load_board_config() -> ModuleType:
    """Run firmware/board_config.py and return it as a module (run once, then kept): one source of numbers for both
    ends."""
    path = find_firmware_dir() / "board_config.py"
    spec = importlib.util.spec_from_file_location("ampwitness_board_config", path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} cannot be loaded as a Python file")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def list_board_files() -> dict[str, Path]:
    """Path on the board -> file here, for everything that belongs on a board; `main.py` is the last."""
    found: dict[str, Path] = {}
    for folder, prefix in ((find_firmware_dir(), ""), (find_wire_dir(), "ampwire/")):
        for path in sorted(folder.rglob("*.py")):
            name = prefix + path.relative_to(folder).as_posix()
            if name not in (*NOT_ON_BOARD, "main.py"):
                found[name] = path
    found["main.py"] = find_firmware_dir() / "main.py"
    return found


def read_firmware_version() -> str:
    """What the firmware here calls itself in its hello, without the MicroPython version behind it."""
    text = (find_firmware_dir() / "logger" / "hello.py").read_text(encoding="utf-8")
    found = re.search(r'^FIRMWARE = "([^"]+)"$', text, re.MULTILINE)
    if found is None:
        raise FileNotFoundError("the board's files here do not say their version; install ampwitness again")
    return found[1]


def read_oldest_micropython() -> tuple[int, int]:
    """The oldest MicroPython, (major, minor), on which the firmware here starts."""
    text = (find_firmware_dir() / "logger" / "acquire_rp2.py").read_text(encoding="utf-8")
    found = re.search(r"^OLDEST_MICROPYTHON = \((\d+), (\d+)\)$", text, re.MULTILINE)
    if found is None:
        raise FileNotFoundError(
            "the board's files here do not say which MicroPython they need; install ampwitness again"
        )
    return int(found[1]), int(found[2])


def missing_config_names(text: str) -> list[str]:
    """Names that the standard board_config.py gives and `text` does not. Raises SyntaxError where it is no Python."""
    standard = (find_firmware_dir() / "board_config.py").read_text(encoding="utf-8")
    return sorted(_assigned(standard) - _assigned(text))


def _assigned(text: str) -> set[str]:
    return {
        target.id
        for node in ast.parse(text).body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
