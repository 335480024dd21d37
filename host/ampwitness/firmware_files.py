"""Where the board's files are: in a checkout beside the host, in an installed package inside it."""

from __future__ import annotations

from pathlib import Path


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
