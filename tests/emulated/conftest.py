"""Whether the emulated board is here: an image of MicroPython and the emulator, both named by the environment."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from ampwire import layout
from emulated_board import command

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


def is_awake(name: str) -> bool:
    """Whether a hello or a prompt comes from the port; an emulator on a busy computer takes its time to start."""
    from ampwitness.link.port import Port

    port = Port(name)
    heard = b""
    until = time.monotonic() + 2
    while b">>> " not in heard and b'"protocol"' not in heard and time.monotonic() < until:
        port.write(command(layout.KIND_IDENTIFY) + b"\r")
        time.sleep(0.4)
        heard += port.read()
    port.close()
    return time.monotonic() < until


@pytest.fixture
def serve(emulator, tmp_path) -> Iterator[Callable[[Path], Path]]:
    """function(folder of files) -> port behind which the emulated board runs with them, in real time or slower."""
    processes = []

    def begin(folder: Path) -> Path:
        link = tmp_path / f"port{len(processes)}"
        words = [str(Path(emulator.__file__)), str(folder), "--pty", "--link", str(link), "--seconds", "1e9"]
        words += ["--stimulus", "sine:40,amp=0.8"]
        with (tmp_path / f"emulator{len(processes)}.txt").open("wb") as told:
            processes.append(subprocess.Popen([sys.executable, *words], stderr=told, stdout=told))
        until = time.monotonic() + 30
        while not link.is_symlink() and time.monotonic() < until:
            time.sleep(0.2)
        while not is_awake(str(link)) and time.monotonic() < until + 60:
            time.sleep(0.2)
        assert processes[-1].poll() is None, (tmp_path / f"emulator{len(processes) - 1}.txt").read_text()
        return link

    yield begin
    for process in processes:
        process.kill()
        process.wait()
