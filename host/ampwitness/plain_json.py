"""Reading a JSON file, or another text, that anybody may have written: why it cannot be read, in words of people."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any


class UnreadableTextError(ValueError):
    """Its text says why, to be put behind a colon or into brackets."""


def parse_json(text: str) -> Any:
    """Text as plain values. Raises UnreadableTextError."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        raise UnreadableTextError(f"line {error.lineno} is no JSON" if text.strip() else "it is empty") from error
    except RecursionError as error:
        raise UnreadableTextError("it is nested too deeply") from error


def read_text(path: Path) -> str:
    """What stands in a file. Raises UnreadableTextError."""
    try:
        if path.is_char_device() or path.is_block_device():  # some have no end
            raise UnreadableTextError("it is a device, no file")
        if path.is_fifo():  # waits for whoever writes into it
            raise UnreadableTextError("it is a pipe, no file")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UnreadableTextError("there is no such file") from error
    except IsADirectoryError as error:
        raise UnreadableTextError("it is a folder") from error
    except UnicodeDecodeError as error:
        raise UnreadableTextError("it is no text") from error
    except OSError as error:
        raise UnreadableTextError(error.strerror or "it cannot be opened") from error


def read_json(path: Path) -> Any:
    """A file as plain values. Raises UnreadableTextError."""
    return parse_json(read_text(path))
