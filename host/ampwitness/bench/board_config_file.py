"""The board's own configuration file, read by the host: one source of numbers for both ends."""

from __future__ import annotations

import importlib.util
from functools import cache
from types import ModuleType

from ampwitness.firmware_files import find_firmware_dir


@cache
def load_board_config() -> ModuleType:
    """Run firmware/board_config.py and return it as a module (run once, then kept)."""
    path = find_firmware_dir() / "board_config.py"
    spec = importlib.util.spec_from_file_location("ampwitness_board_config", path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path} cannot be loaded as a Python file")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
