"""Where the user's own settings live: calibrations, and what was typed for good."""

from __future__ import annotations

import os
from pathlib import Path

import click

from ampwitness.calibration_file import FOLDER_VARIABLE, CalibrationBook, calibration_path, read_book


def settings_folder() -> Path:
    """The system's usual place for a program's settings, or what AMPWITNESS_FOLDER names. May not exist yet."""
    named = os.environ.get(FOLDER_VARIABLE)
    return Path(named) if named else Path(click.get_app_dir("ampwitness"))


def calibration_of(board_id: str) -> CalibrationBook | None:
    """What is known about a board on this computer; None where it was never calibrated here.

    Raises CalibrationError for a file that cannot be used.
    """
    return read_book(calibration_path(settings_folder(), board_id))
