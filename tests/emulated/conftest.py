"""Whether the emulated board is here: an image of MicroPython and the emulator, both named by the environment."""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path

import pytest

REASON = "set PICO_UF2 (MicroPython image for RPI_PICO) and AMPWITNESS_EMULATOR (folder of the emulator's board.py)"


def is_long() -> bool:
    """Whether to run for 60 emulated seconds instead of 5."""
    return os.environ.get("AMPWITNESS_LONG") == "1"


@pytest.fixture(scope="session")
def emulator():
    """The emulator's module `board`; the test is skipped where image or emulator are not named."""
    image, folder = os.environ.get("PICO_UF2"), os.environ.get("AMPWITNESS_EMULATOR")
    if not image or not folder:
        pytest.skip(REASON)
    assert Path(image).is_file(), f"PICO_UF2 names no file: {image}"
    assert (Path(folder) / "board.py").is_file(), f"AMPWITNESS_EMULATOR holds no board.py: {folder}"
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return importlib.import_module("board")


@pytest.fixture(scope="session")
def seconds() -> float:
    """Emulated seconds that the long measurements run for."""
    return 60.0 if is_long() else 5.0
