"""The board's own configuration file, as the bench reads it: one source of numbers for both ends."""

from __future__ import annotations

from ampwitness.firmware_files import load_board_config

__all__ = ["load_board_config"]
