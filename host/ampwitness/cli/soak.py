"""What a recording of hours needs: room on the disk, parts, smaller closed parts, and a board that comes back."""

from __future__ import annotations

import subprocess
import sys
from collections import deque
from pathlib import Path

import click

from ampwitness.cli.loss_count import LossCount
from ampwitness.errors import DiskForecastError
from ampwitness.link.monitor import StreamMonitor
from ampwitness.link.resume import bytes_per_s
from ampwitness.link.session import BoardSession
from ampwitness.recording.writer import RESERVE_BYTES, free_bytes
from ampwitness.types import Hello

PART_MB = 512  # a little over three hours of the common mode; a stick's file system takes it, a copy takes a minute
CANNOT_SWITCH_OFF = (
    "This program only watches. It cannot switch anything off: before you leave it alone, see to it that heat, a "
    "failing amplifier or a tired battery meets a fuse, a thermal cut-out or somebody who looks."
)


def forecast_disk(hello: Hello, out: Path, asked_s: float | None, is_reduced: bool) -> str:
    """What the recording needs against what is free, in one sentence.

    Parameters
    ----------
    hello : of the board, whose rate says what it needs
    out : where it will be written
    asked_s : how long, seconds; None: nobody said
    is_reduced : closed parts will be made smaller, so that the figure is an upper bound

    Raises
    ------
    DiskForecastError : the asked time does not fit.
    """
    rate = bytes_per_s(hello)
    free = free_bytes(out) - 2 * RESERVE_BYTES
    if free == float("inf"):
        return "How much room the disk has cannot be asked here."
    fits_s = max(0.0, free) / rate
    has = f"{_size(max(0.0, free))} are free, enough for {_long(fits_s)} at {3600 * rate / 1e9:.2f} GB an hour"
    if asked_s is None:
        return f"Disk: {has}; recording ends cleanly before it is full."
    needs = f"{_long(asked_s)} need {_size(max(1e6, asked_s * rate))}"
    if asked_s * rate <= free:
        return f"Disk: {needs}; {has}."
    if is_reduced:
        return f"Disk: {needs} before they are reduced, more than is free ({has}); watch it."
    raise DiskForecastError(
        f"{needs}, but only {has}: nothing was started. Free some space, record to another disk with --out, ask for "
        "less time, or let closed parts be made smaller with --reduce-parts."
    )


def _size(n_bytes: float) -> str:
    return f"{n_bytes / 1e9:.2f} GB" if n_bytes >= 1e9 else f"{n_bytes / 1e6:.0f} MB"


def _long(time_s: float) -> str:
    if time_s < 120:
        return f"{time_s:.0f} s"
    if time_s < 3600:
        return f"{time_s / 60:.0f} min"
    return f"{time_s / 3600:.1f} h" if time_s < 100 * 3600 else f"{time_s / 3600:.0f} h"


class PartReducer:
    """Makes closed parts smaller, one at a time, in a process of its own at low priority: recording comes first."""

    def __init__(self) -> None:
        self._waiting: deque[Path] = deque()
        self._running: subprocess.Popen[bytes] | None = None
        self._part: Path | None = None
        self.n_done = 0
        self.failed: list[str] = []

    def add(self, part: Path) -> None:
        """Queue a closed part."""
        self._waiting.append(part)
        self.poll()

    def poll(self) -> None:
        """See whether the running one has ended, and start the next. Never waits."""
        if self._running is not None:
            if self._running.poll() is None:
                return
            self._note_end()
        if self._waiting:
            self._part = self._waiting.popleft()
            command = [sys.executable, "-m", "ampwitness", "reduce", str(self._part), "--alone", "--replace"]
            nice = ["nice", "-n", "15"] if sys.platform != "win32" else []
            self._running = subprocess.Popen(
                nice + command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
                start_new_session=sys.platform != "win32",  # Ctrl-C ends the recording, not the part being reduced
            )  # fmt: skip

    def _note_end(self) -> None:
        assert self._running is not None
        assert self._part is not None
        if self._running.returncode == 0:
            self.n_done += 1
        else:
            said = b"" if self._running.stderr is None else self._running.stderr.read()
            last = said.decode("utf-8", "replace").strip().splitlines()
            why = last[-1].removeprefix("ampwitness: ") if last else "reducing it failed."
            self.failed.append(f"{self._part.name} was left whole: {why}")
        self._running = None

    def finish(self) -> None:
        """Wait for everything that is queued."""
        if self._running is not None or self._waiting:
            click.echo("Reducing the closed parts ...", err=True)
        while self._running is not None or self._waiting:
            if self._running is not None:
                self._running.wait()
            self.poll()


class Streaming:
    """One recording's conversations with its board: the present one, and what the ones before it counted."""

    def __init__(self, session: BoardSession) -> None:
        self.session = session
        self.losses = LossCount()
        self._before: list[StreamMonitor] = []
        self.waited_s = 0.0  # for a board that came back,
        self.away_s = 0.0  # and for one that is away now, or was when it ended

    @property
    def n_resumed(self) -> int:
        """How often the board came back."""
        return len(self._before)

    def resume(self, session: BoardSession, waited_s: float) -> None:
        """Go on with a new conversation after a pause."""
        self._before.append(self.session.monitor)
        self.waited_s += waited_s
        self.away_s = 0.0
        self.session = session

    @property
    def recorded_s(self) -> float:
        """Seconds by the board's counter, all conversations together, without the pauses."""
        return self.total("recorded_s")

    @property
    def elapsed_s(self) -> float:
        """Recorded seconds and the pauses between; in a board's own time where that is not real time."""
        return self.recorded_s + (self.waited_s + self.away_s) * self.session.hello.time_scale

    def at_end(self) -> dict[str, str]:
        """What the end record says of a board that did not come back."""
        return {"board_away_s": f"{self.away_s:.3f}"} if self.away_s else {}

    def total(self, name: str) -> float:
        """Sum of a monitor's count over all conversations."""
        return sum(float(getattr(monitor, name)) for monitor in (*self._before, self.session.monitor))

    def count(self, name: str) -> int:
        """As `total`, whole."""
        return round(self.total(name))

    @property
    def faults(self) -> list[str]:
        """What the board reported about itself, all conversations together."""
        return [text for monitor in (*self._before, self.session.monitor) for text in monitor.faults]
