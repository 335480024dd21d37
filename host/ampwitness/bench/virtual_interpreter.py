"""Starts the board's program under a real MicroPython, or under CPython where there is none."""

from __future__ import annotations

import importlib.util
import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any, Literal

from ampwitness.errors import MissingToolError
from ampwitness.firmware_files import find_firmware_dir, find_wire_dir

Interpreter = Literal["micropython", "cpython"]
_FEED_BUFFER_BYTES = 32_768
_HELLO_BYTES = 17  # channel letter and token, when the firmware connects over TCP


def find_micropython() -> list[str] | None:
    """Command that runs MicroPython: beside this Python, on PATH, or as the Python package; None: not here."""
    beside = Path(sys.executable).parent / "micropython"
    if beside.is_file() and os.access(beside, os.X_OK):
        return [str(beside)]
    on_path = shutil.which("micropython")
    if on_path:
        return [on_path]
    if importlib.util.find_spec("micropython_unix") is None:
        return None
    return [sys.executable, "-m", "micropython_unix"]


class FirmwareProcess:
    """The running firmware: `serial` carries its port, `feed` its conversions; both are non-blocking sockets.

    Parameters
    ----------
    interpreter : which one
    settings : what virtual_firmware.py expects, without the way to connect

    Raises
    ------
    MissingToolError : no MicroPython here, or the firmware did not start
    """

    def __init__(self, interpreter: Interpreter, settings: Mapping[str, Any]) -> None:
        self.interpreter = interpreter
        self._errors: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115 (closed by kill)
        whole = dict(settings, path=[str(find_firmware_dir()), str(find_wire_dir().parent)])
        if interpreter == "micropython":
            self._start_micropython()
        else:
            self._start_cpython()
        self.feed.sendall(json.dumps(whole).encode() + b"\n")
        # What is on its way is lost when the host vanishes: keep it short.
        self.feed.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _FEED_BUFFER_BYTES)
        for one in (self.serial, self.feed):
            one.setblocking(False)

    def _script(self) -> str:
        return str(Path(__file__).with_name("virtual_firmware.py"))

    def _start_micropython(self) -> None:
        command = find_micropython()
        if command is None:
            raise MissingToolError(
                "MicroPython is not installed: pip install 'ampwitness[virtual]', or choose --interpreter cpython"
            )
        self.serial, theirs = socket.socketpair()
        self.feed, their_feed = socket.socketpair()
        self._process = subprocess.Popen(
            [*command, self._script(), "fd", str(their_feed.fileno())],
            stdin=theirs.fileno(),
            stdout=theirs.fileno(),
            stderr=self._errors,
            pass_fds=(their_feed.fileno(),),
        )
        theirs.close()
        their_feed.close()

    def _start_cpython(self) -> None:
        token = secrets.token_hex(8)
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(20)
            self._process = subprocess.Popen(
                [sys.executable, self._script(), "tcp", str(server.getsockname()[1]), token],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=self._errors,
            )
            channels: dict[bytes, socket.socket] = {}
            while len(channels) < 2:
                try:
                    one, _ = server.accept()
                    letter, given = _read_hello(one)
                except OSError as error:
                    self._process.kill()
                    raise MissingToolError(f"the firmware did not start under CPython: {self.last_words()}") from error
                if given == token and letter in (b"S", b"F"):  # anybody on this machine could knock
                    channels[letter] = one
                else:
                    one.close()
        self.serial, self.feed = channels[b"S"], channels[b"F"]
        self.serial.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)

    @property
    def is_running(self) -> bool:
        return self._process.poll() is None

    def last_words(self) -> str:
        """What the interpreter printed about its end; call it only then, the file position is shared."""
        self._errors.seek(0)
        return self._errors.read()[-2000:].decode(errors="replace").strip()

    def kill(self) -> None:
        """End it at once, as a reset or a pulled cable does."""
        self._process.kill()
        self._process.wait()
        self.serial.close()
        self.feed.close()
        self._errors.close()


def _read_hello(one: socket.socket) -> tuple[bytes, str]:
    one.settimeout(5)
    raw = b""
    while len(raw) < _HELLO_BYTES:
        piece = one.recv(_HELLO_BYTES - len(raw))
        if not piece:
            break
        raw += piece
    return raw[:1], raw[1:].decode(errors="replace")
