"""The host's side of the virtual board's cable: a pseudo-terminal, or a TCP socket where there is none."""

from __future__ import annotations

import contextlib
import os
import select
import socket
from pathlib import Path
from typing import Protocol

from ampwitness.errors import MissingToolError, OutputError

_READ_BYTES = 4096


class HostPort(Protocol):
    """One cable. `name` is what a serial program opens."""

    name: str

    def is_open(self) -> bool:
        """Whether a program has the port open now."""
        ...

    def filenos(self) -> list[int]:
        """What to wait on for reading."""
        ...

    def fileno_for_writing(self) -> int:
        """What to wait on for writing; only while the port is open."""
        ...

    def read(self) -> bytes:
        """What the program has written, empty for nothing."""
        ...

    def write(self, raw: bytes | memoryview) -> int:
        """Hand bytes to the program; returns how many it took."""
        ...

    def unplug(self) -> None:
        """Pull the cable: the port vanishes."""
        ...

    def plug(self) -> None:
        """Put the cable in: the port appears."""
        ...


class PtyPort:
    """A pseudo-terminal.

    Parameters
    ----------
    link : a symbolic link that always leads to the terminal, also after it was unplugged; None: no link

    Raises
    ------
    MissingToolError : this platform has no pseudo-terminals
    OutputError : the link cannot be made
    """

    def __init__(self, link: Path | None = None) -> None:
        self._link = link
        self._master = -1
        self.name = ""
        self.plug()

    @staticmethod
    def is_possible() -> bool:
        return hasattr(os, "openpty")

    def plug(self) -> None:
        """Put the cable in: the port appears."""
        if not self.is_possible():
            raise MissingToolError("this platform has no pseudo-terminals; use --socket")
        import tty

        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        if self._link is not None:
            self._remove_link()
            try:
                self._link.symlink_to(self.name)
            except OSError as error:
                raise OutputError(
                    f"the link {self._link} cannot be made ({error.strerror}): choose another place with --link"
                ) from error
            self.name = str(self._link)
        self._poll = select.poll()
        self._poll.register(self._master, 0)

    def unplug(self) -> None:
        """Pull the cable: the port vanishes."""
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
        self._remove_link()

    def _remove_link(self) -> None:
        if self._link is not None and self._link.is_symlink():
            self._link.unlink()

    def is_open(self) -> bool:
        """Whether a program has the port open now."""
        # The terminal reports a hang-up for as long as no program holds its other end.
        return self._master >= 0 and not any(event & select.POLLHUP for _, event in self._poll.poll(0))

    def filenos(self) -> list[int]:
        """What to wait on for reading."""
        return [self._master] if self.is_open() else []

    def fileno_for_writing(self) -> int:
        """What to wait on for writing; only while the port is open."""
        return self._master

    def read(self) -> bytes:
        """What the program has written, empty for nothing."""
        try:
            return os.read(self._master, _READ_BYTES)
        except OSError:  # nothing there, or hung up
            return b""

    def write(self, raw: bytes | memoryview) -> int:
        """Hand bytes to the program; returns how many it took."""
        try:
            return os.write(self._master, raw)
        except OSError:
            return 0


class SocketPort:
    """A TCP socket on this machine that takes one program at a time."""

    def __init__(self) -> None:
        self._number = 0
        self._client: socket.socket | None = None
        self._server: socket.socket | None = None
        self.plug()
        self.name = f"socket://127.0.0.1:{self._number}"

    def plug(self) -> None:
        """Put the cable in: the port appears."""
        self._server = socket.create_server(("127.0.0.1", self._number), backlog=1)
        self._number = self._server.getsockname()[1]
        self._server.setblocking(False)

    def unplug(self) -> None:
        """Pull the cable: the port vanishes."""
        for one in (self._client, self._server):
            if one is not None:
                one.close()
        self._client = self._server = None

    def is_open(self) -> bool:
        """Whether a program has the port open now."""
        if self._client is None and self._server is not None:
            with contextlib.suppress(BlockingIOError):
                self._client, _ = self._server.accept()
                self._client.setblocking(False)
                self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._client is not None

    def filenos(self) -> list[int]:
        """What to wait on for reading."""
        one = self._client or self._server
        return [] if one is None else [one.fileno()]

    def fileno_for_writing(self) -> int:
        """What to wait on for writing; only while the port is open."""
        assert self._client is not None
        return self._client.fileno()

    def read(self) -> bytes:
        """What the program has written, empty for nothing."""
        if self._client is None:
            return b""
        try:
            raw = self._client.recv(_READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            raw = b""
        if not raw:
            self._client.close()
            self._client = None
        return raw

    def write(self, raw: bytes | memoryview) -> int:
        """Hand bytes to the program; returns how many it took."""
        if self._client is None:
            return 0
        try:
            return self._client.send(raw)
        except OSError:  # full, or gone: read() finds out
            return 0
