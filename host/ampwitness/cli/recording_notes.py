"""What every recording says about itself, whichever command makes it."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from ampwitness import __version__
from ampwitness.calibration_file import calibration_to_plain
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.link.session import BoardSession

SAFETY = "On the road the passenger works this, never the driver."


def recording_notes(session: BoardSession, given: dict[str, Any]) -> dict[str, object]:
    """What every recording says about itself, beside what was typed."""
    now = datetime.now().astimezone()
    hello = session.hello
    return {
        **given,
        "program_version": __version__,
        "started_at": now.isoformat(timespec="seconds"),
        "started_host_s": now.timestamp(),
        "host_clock": "system wall clock of the recording computer",
        "port": session.name,
        "board_id": hello.board_id,
        "board_firmware": hello.firmware,
        "board_mode": hello.mode,
        "calibrations_json": _calibrations_json(hello.board_id),
    }


def _calibrations_json(board_id: str) -> str | None:
    """The measured calibrations that this computer has of the board, as JSON text: they travel with the recording."""
    book = calibration_of(board_id)
    if book is None or not book.calibrations:
        return None
    return json.dumps([calibration_to_plain(calibration) for calibration in book.calibrations.values()])
