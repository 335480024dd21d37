"""Reading a JSON file that anybody may have written: why it cannot be read, in words of people."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any


class UnreadableJsonError(ValueError):
    """Its text says why, to be put behind a colon or into brackets."""


def parse_json(text: str) -> Any:
    """Text as plain values. Raises UnreadableJsonError."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        raise UnreadableJsonError(f"line {error.lineno} is no JSON" if text.strip() else "it is empty") from error
    except RecursionError as error:
        raise UnreadableJsonError("it is nested too deeply") from error


def read_json_text(path: Path) -> str:
    """What stands in a file. Raises UnreadableJsonError."""
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UnreadableJsonError("there is no such file") from error
    except IsADirectoryError as error:
        raise UnreadableJsonError("it is a folder") from error
    except UnicodeDecodeError as error:
        raise UnreadableJsonError("it is no text") from error
    except OSError as error:
        raise UnreadableJsonError(error.strerror or "it cannot be opened") from error


def read_json(path: Path) -> Any:
    """A file as plain values. Raises UnreadableJsonError."""
    return parse_json(read_json_text(path))
