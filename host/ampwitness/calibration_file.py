"""The file in which a board's measured calibration is kept: plain JSON, one file a board, readable and mailable.

The points are kept with the line through them, so that anybody can fit it again.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from ampwitness.errors import CalibrationError, OutputError
from ampwitness.plain_json import UnreadableTextError, parse_json, read_json
from ampwitness.types import Calibration
from ampwitness.whole_file import write_whole

WHAT = "ampwitness calibration"
VERSION = 1
FOLDER_VARIABLE = "AMPWITNESS_FOLDER"  # where settings live, instead of the system's usual place
_NUMBERS = ("gain_v_per_code", "offset_v", "gain_uncertainty_ratio", "offset_uncertainty_v")


@dataclass(slots=True)
class CalibrationBook:
    """All that is known about one board. `points` by role: what was measured, as plain dicts of numbers and texts."""

    board_id: str
    calibrations: dict[str, Calibration] = field(default_factory=dict)
    points: dict[str, list[dict[str, Any]]] = field(default_factory=dict)


def calibration_path(folder: Path, board_id: str) -> Path:
    """Name of a board's file in the settings folder; odd characters of the id become dashes."""
    safe = "".join(c if c.isalnum() or c in "-_" else "-" for c in board_id)
    return folder / f"calibration-{safe}.json"


def calibration_to_plain(calibration: Calibration) -> dict[str, Any]:
    """As it is written into files and into a recording's notes."""
    return asdict(calibration)


def calibration_from_plain(plain: object, where: str) -> Calibration:
    """Read one back. Raises CalibrationError, naming `where`, for anything that is not one."""
    if not isinstance(plain, Mapping) or not isinstance(plain.get("role"), str):
        raise CalibrationError(f"{where}: an entry is no calibration; calibrate this channel again.")
    numbers = [plain.get(name) for name in _NUMBERS]
    if not all(isinstance(n, int | float) and not isinstance(n, bool) and math.isfinite(n) for n in numbers):
        raise CalibrationError(f"{where}: the calibration of {plain['role']} lacks a number; calibrate it again.")
    gain, offset, gain_ratio, offset_v = (float(n) for n in numbers if n is not None)
    if not gain > 0 or gain_ratio < 0 or offset_v < 0:
        raise CalibrationError(f"{where}: the calibration of {plain['role']} is impossible; calibrate it again.")
    made_on = plain.get("made_on")
    return Calibration(
        str(plain["role"]),
        gain,
        offset,
        gain_ratio,
        offset_v,
        made_on if isinstance(made_on, str) else None,
        str(plain.get("source", "not said")),
    )


def calibrations_from_json(text: str, where: str) -> tuple[Calibration, ...]:
    """Calibrations from the JSON list in a recording's notes. Raises CalibrationError, naming `where`."""
    try:
        listed = parse_json(text)
    except UnreadableTextError:
        listed = None
    if not isinstance(listed, list):
        raise CalibrationError(f"{where}: the calibration in its notes is damaged; give one with --calibration FILE.")
    return tuple(calibration_from_plain(entry, where) for entry in listed)


def read_book(path: Path) -> CalibrationBook | None:
    """A board's file; None where there is none.

    Raises
    ------
    CalibrationError : it cannot be read, is damaged, is something else, or was made by a newer version.
    """
    if not path.exists():
        return None
    try:
        plain = read_json(path)
    except UnreadableTextError as error:
        raise CalibrationError(f"{path} cannot be read as a calibration file ({error}); name another.") from error
    if not isinstance(plain, dict) or plain.get("what") != WHAT or not isinstance(plain.get("board_id"), str):
        raise CalibrationError(f"{path} is no calibration file of this program; name another.")
    if plain.get("version") != VERSION:
        raise CalibrationError(
            f"{path} is of version {plain.get('version')}, this program knows {VERSION}; use the newer program."
        )
    book = CalibrationBook(plain["board_id"])
    channels = plain.get("channels", {})
    entries = channels.values() if isinstance(channels, dict) else [None]
    if not all(isinstance(entry, dict) and _are_points(entry.get("points", [])) for entry in entries):
        raise CalibrationError(f"{path} is damaged; move it away and calibrate again.")
    for role, entry in channels.items():
        if entry.get("calibration") is not None:
            book.calibrations[role] = calibration_from_plain(entry["calibration"], str(path))
        book.points[role] = list(entry.get("points", []))
    return book


def _are_points(points: object) -> bool:
    return isinstance(points, list) and all(isinstance(point, dict) for point in points)


def write_book(path: Path, book: CalibrationBook) -> None:
    """Write whole or not at all. Raises OutputError."""
    roles = sorted({*book.calibrations, *book.points})
    plain = {
        "what": WHAT,
        "version": VERSION,
        "board_id": book.board_id,
        "channels": {
            role: {
                "calibration": calibration_to_plain(book.calibrations[role]) if role in book.calibrations else None,
                "points": book.points.get(role, []),
            }
            for role in roles
        },
    }
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"cannot write {path}: {error.strerror or error}; set {FOLDER_VARIABLE} to a folder that can be written"
        ) from error
    write_whole(path, json.dumps(plain, indent=1) + "\n")
