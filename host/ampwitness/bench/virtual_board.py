"""A logger board without hardware: the board's own program behind a port that any serial program opens.

stimulus -> model of inputs and converter -> [the firmware, in MicroPython] -> fault script -> pseudo-terminal

The firmware's files are those that go on a board. Only its converter and its pins are replaced.
"""

from __future__ import annotations

import select
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ampwitness.bench.board_config_file import load_board_config
from ampwitness.bench.board_model import BoardModel, nominal_channels
from ampwitness.bench.stimulus import Stimulus
from ampwitness.bench.virtual_faults import Fault, FaultRelay
from ampwitness.bench.virtual_interpreter import FirmwareProcess, Interpreter, find_micropython
from ampwitness.bench.virtual_player import Model, StimulusPlayer
from ampwitness.bench.virtual_port import HostPort, PtyPort, SocketPort
from ampwitness.errors import AmpwitnessError, BoardFaultError, UsageError
from ampwitness.frontend.fragment import InputsFile

_REAL_PINS = 3
_RECORD_CONVERSIONS = 8192  # played at a time when the reader sets the pace
_FEED_AHEAD_BYTES = 32_768
_OUT_MOST_BYTES = 4096  # kept for a host that does not read; more would hide its slowness from the board
_RESET_S = 0.2  # stimulus time that a reset costs
_QUIET_S = 0.3
_SILENT_S = 3.0
_STEP_S = 0.005
_SLIP_S = 0.25  # further behind than this, the virtual clock gives up catching up
_WAIT_S = 0.02


@dataclass(frozen=True, slots=True)
class VirtualBoardOptions:
    """What to play, how fast, and what goes wrong.

    stimulus : volts at the terminals
    roles : analog channels in scan order; empty: all of the stimulus but `remote`, which is a digital line
    mode : the mode the board wakes up in
    speed : stimulus seconds a wall-clock second; None: as fast as the reader takes it
    faults : see virtual_faults.parse_fault
    is_looped : begin the stimulus again at its end instead of ending
    part_s : each start plays the next part of the stimulus, over and over until stopped; None: there are no parts
    stays : go on answering after the stimulus has ended and the host has stopped
    link : symbolic link to the port
    interpreter : None: MicroPython where there is one, else CPython
    uses_socket : a TCP socket even where there are pseudo-terminals
    make_model : another model of the board than BoardModel, function(mode, start_s)
    inputs : other input networks than board_config's, for the model and for what the firmware says of itself
    """

    stimulus: Stimulus
    roles: tuple[str, ...] = ()
    mode: str = "bass"
    speed: float | None = 1.0
    faults: tuple[Fault, ...] = ()
    seed: int = 1
    is_looped: bool = False
    part_s: float | None = None
    stays: bool = False
    link: Path | None = None
    interpreter: Interpreter | None = None
    uses_socket: bool = False
    make_model: Callable[[str, float], Model] | None = None
    inputs: InputsFile | None = None

    @property
    def analog_roles(self) -> tuple[str, ...]:
        return self.roles or tuple(role for role in self.stimulus.roles if role != "remote")


class VirtualBoard:
    """One virtual board. `port` is its cable; run() works it until the end. Raises UsageError for wrong options."""

    def __init__(self, options: VirtualBoardOptions) -> None:
        if options.speed is not None and not options.speed > 0:
            raise UsageError(f"speed {options.speed:g}: it must be above 0")
        self._options = options
        self.interpreter: Interpreter = options.interpreter or ("micropython" if find_micropython() else "cpython")
        self._folder = tempfile.TemporaryDirectory(prefix="ampwitness-board-")
        self._player = self._make_player()
        self._relay = FaultRelay(options.faults, lambda: self._player.time_base, options.seed)
        self._process = self._start_firmware("power on")
        self.port = self._make_port()
        self._forget_bytes()
        self._paused_until_s = 0.0
        self._plug_at_s: float | None = None
        self._has_left = False
        self._anchor: tuple[float, float] | None = None  # (wall clock, stimulus time) from which pace is kept
        self._last_sent_s = time.monotonic()

    # ---- parts ------------------------------------------------------------------------------------------------------

    def _make_player(self) -> StimulusPlayer:
        options, roles = self._options, self._options.analog_roles
        input_of_role = None if options.inputs is None else options.inputs.input_of_role
        if input_of_role is not None and (missing := [role for role in roles if role not in input_of_role]):
            raise UsageError(
                f"the file of input networks has none for {', '.join(missing)}; it has {', '.join(input_of_role)}"
            )

        def make_model(mode: str, start_s: float) -> Model:
            return BoardModel(
                options.stimulus, roles, mode, seed=options.seed, start_s=start_s, input_of_role=input_of_role
            )

        self._make_model = options.make_model or make_model
        has_remote = self._remote_level(0.0) is not None  # making a model also finds out at once whether the roles fit
        self._digital = [line for line in load_board_config().DIGITAL if line[0] == "remote"] if has_remote else []
        return StimulusPlayer(
            self._make_model,
            len(roles),
            self._digital[0][1] if self._digital else None,
            [fault.time_s for fault in options.faults if fault.name == "mark"],
            options.is_looped,
            options.part_s,
        )

    def _remote_level(self, time_s: float) -> int | None:
        return self._make_model(self._options.mode, time_s).remote_level(0.0)

    def _start_firmware(self, reset_cause: str) -> FirmwareProcess:
        options = self._options
        channels = nominal_channels(options.analog_roles, options.mode)
        remarks = ["virtual board"]
        if len(channels) > _REAL_PINS:
            remarks.append("virtual board: more roles than a real board has pins")
        settings: dict[str, Any] = {
            "channels": [[channel.role, channel.pin] for channel in channels],
            "digital": [list(line) for line in self._digital],
            "levels": [[line[1], self._remote_level(self._player.time_s)] for line in self._digital],
            "mode": options.mode,
            "board_id": f"virtual-{options.seed}",
            "reset_cause": reset_cause,
            "time_scale": 0 if options.speed is None else options.speed,
            "is_patient": options.speed is None,
            "remarks": remarks,
        }
        if options.inputs is not None:
            settings["input_of_role"] = dict(options.inputs.input_of_role)
            settings["input_corner_hz"] = options.inputs.corner_hz
            remarks.append("virtual board: input networks of a file")
        return FirmwareProcess(self.interpreter, settings)

    def _make_port(self) -> HostPort:
        options = self._options
        if options.uses_socket or not PtyPort.is_possible():
            return SocketPort()
        link = options.link
        if link is None and any(fault.name == "unplug" for fault in options.faults):
            link = Path(self._folder.name) / "port"  # the terminal comes back under another name
        return PtyPort(link)

    def _forget_bytes(self) -> None:
        self._to_host = bytearray()
        self._to_board = bytearray()
        self._to_feed = bytearray()
        self._lines = bytearray()

    def describe(self) -> list[str]:
        """What to print at the start: the port, then what is unlike a real board's port."""
        lines = [f"port: {self.port.name}"]
        if self.interpreter == "cpython":
            lines.append("the firmware runs under CPython, not under MicroPython")
        if isinstance(self.port, SocketPort):
            lines.append("the port is a socket, not a terminal")
        return lines if len(lines) < 3 else [lines[0], "; ".join(lines[1:])]

    # ---- running ----------------------------------------------------------------------------------------------------

    def run(self, should_stop: Callable[[], bool] = lambda: False) -> int:
        """Work until the host has stopped after the stimulus's end, or should_stop() says so.

        Returns the exit code. Raises BoardFaultError when the firmware ended by itself.
        """
        while not should_stop() and not self._is_over():
            self._turn()
        return 0

    def close(self) -> None:
        """End the firmware and take the port away."""
        self._process.kill()
        self.port.unplug()
        self._folder.cleanup()

    def _is_over(self) -> bool:
        if self._has_left:
            return True
        if self._options.stays or not self._player.has_ended or self._player.is_playing:
            return False
        # The host may still be reading the last words: it is over when it has closed the port, or has gone silent.
        quiet_s = time.monotonic() - self._last_sent_s
        return quiet_s > (_SILENT_S if self.port.is_open() else _QUIET_S)

    def _turn(self) -> None:
        """Wait until something can be moved, and move it."""
        now_s = time.monotonic()
        if self._plug_at_s is not None:
            self._wait_to_plug(now_s)
            return
        if not self._process.is_running and not self._has_left:
            self._read_feed()
            if not self._has_left:
                raise BoardFaultError(f"the firmware ended by itself: {self._process.last_words()}")
            return
        is_open = self.port.is_open()
        if not is_open:
            # What is written to a port that nobody holds vanishes.
            self._to_host.clear()
            self._to_board.clear()
        self._play(now_s, is_open)
        serial, feed = self._process.serial, self._process.feed
        readers: list[Any] = [feed, *self.port.filenos()]
        if len(self._to_host) < _OUT_MOST_BYTES and now_s >= self._paused_until_s:
            readers.append(serial)
        writers: list[Any] = [feed] if self._to_feed else []
        writers += [serial] if self._to_board else []
        writers += [self.port.fileno_for_writing()] if self._to_host and is_open else []
        wait_s = _STEP_S if self._player.is_playing or now_s < self._paused_until_s else _WAIT_S
        can_read, can_write, _ = select.select(readers, writers, [], wait_s)
        if feed in can_read:
            self._read_feed()
        self._write(can_write)
        self._to_board += self.port.read() if is_open else b""
        if serial in can_read:
            self._read_serial(is_open)

    def _write(self, can_write: list[Any]) -> None:
        for one, waiting in ((self._process.feed, self._to_feed), (self._process.serial, self._to_board)):
            if one in can_write:
                try:
                    del waiting[: one.send(waiting)]
                except OSError:  # full after all, or gone: the next turn finds out
                    pass
        if self._to_host and self.port.is_open():
            n_written = self.port.write(bytes(self._to_host))
            del self._to_host[:n_written]
            if n_written:
                self._last_sent_s = time.monotonic()

    def _read_feed(self) -> None:
        try:
            self._lines += self._process.feed.recv(4096)
        except OSError:
            return
        while b"\n" in self._lines:
            line, _, rest = self._lines.partition(b"\n")
            self._lines = bytearray(rest)
            word, *values = line.decode().split()
            if word in ("start", "test"):
                self._player.start(int(values[0]), values[1], is_test=word == "test")
                self._anchor = None
            elif word == "stop":
                self._player.stop(int(values[0]), int(values[1]))
                self._last_sent_s = time.monotonic()  # the reply to it is on its way
            elif word == "leave":
                self._has_left = True

    def _read_serial(self, is_open: bool) -> None:
        try:
            raw = self._process.serial.recv(65536)
        except OSError:
            return
        self._last_sent_s = time.monotonic()
        self._pass_on(raw if is_open else b"")

    def _pass_on(self, raw: bytes) -> None:
        passed, fault = self._relay.push(raw)
        self._to_host += passed
        if fault is not None:
            self._carry_out(fault)

    # ---- pace -------------------------------------------------------------------------------------------------------

    def _play(self, now_s: float, is_open: bool) -> None:
        """Put what is due into the feed; the stimulus stands still while no program holds the port."""
        if self._paused_until_s and now_s >= self._paused_until_s:
            self._paused_until_s = 0.0
            self._pass_on(b"")
        if not self._player.is_playing or not is_open:
            self._anchor = None
            return
        n_due = self._n_due(now_s)
        if n_due and len(self._to_feed) < _FEED_AHEAD_BYTES:
            self._to_feed += self._player.next_records(n_due)

    def _n_due(self, now_s: float) -> int:
        speed = self._options.speed
        if speed is None:
            return _RECORD_CONVERSIONS
        if self._anchor is None:
            self._anchor = (now_s, self._player.time_s)
        behind_s = (now_s - self._anchor[0]) * speed - (self._player.time_s - self._anchor[1])
        if behind_s > _SLIP_S * speed:
            self._anchor = (now_s, self._player.time_s)
        return min(4 * _RECORD_CONVERSIONS, max(0, int(behind_s * self._player.conversion_rate_hz)))

    # ---- faults -----------------------------------------------------------------------------------------------------

    def _wall_s(self, stimulus_s: float) -> float:
        return stimulus_s / (self._options.speed or 1.0)

    def _carry_out(self, fault: Fault) -> None:
        now_s = time.monotonic()
        if fault.name == "pause":
            self._paused_until_s = now_s + self._wall_s(fault.amount)
        elif fault.name == "reset":
            self._lose_board(fault.time_s + _RESET_S)
            self._process = self._start_firmware("watchdog")
        elif fault.name == "unplug":
            self._lose_board(fault.time_s + fault.amount)
            self.port.unplug()
            self._plug_at_s = now_s + self._wall_s(fault.amount)

    def _lose_board(self, go_on_at_s: float) -> None:
        self._process.kill()
        self._relay.forget()
        self._player.move_to(go_on_at_s)
        self._forget_bytes()

    def _wait_to_plug(self, now_s: float) -> None:
        assert self._plug_at_s is not None
        if now_s < self._plug_at_s:
            time.sleep(min(_WAIT_S, self._plug_at_s - now_s))
            return
        self._plug_at_s = None
        self.port.plug()
        self._process = self._start_firmware("power on")


def run_virtual_board(
    options: VirtualBoardOptions, announce: Callable[[str], None], should_stop: Callable[[], bool] = lambda: False
) -> int:
    """Run a virtual board until its stimulus has ended and the host has stopped, or Ctrl-C.

    Parameters
    ----------
    options : what to play and how
    announce : called with each line for the person or program that waits for the port; the first is `port: NAME`
    should_stop : asked between two moves. A signal's handler must not raise instead: within a look at the firmware's
        process that leaves its lock held, and ending the process then waits for ever

    Returns
    -------
    Exit code 0.

    Raises
    ------
    UsageError : options that do not fit one another
    MissingToolError : an interpreter or a kind of port that was asked for is not here
    BoardFaultError : the firmware ended by itself
    """
    board = VirtualBoard(options)
    try:
        for line in board.describe():
            announce(line)
        return board.run(should_stop)
    except KeyboardInterrupt:
        return 0
    finally:
        board.close()


@contextmanager
def virtual_board(options: VirtualBoardOptions) -> Iterator[str]:
    """A virtual board in a thread of its own; gives the name of its port. An error inside it is raised at the end."""
    board = VirtualBoard(options)
    stop = threading.Event()
    errors: list[AmpwitnessError] = []

    def work() -> None:
        try:
            board.run(stop.is_set)
        except AmpwitnessError as error:
            errors.append(error)
        finally:
            board.close()

    thread = threading.Thread(target=work, name="virtual board")
    thread.start()
    try:
        yield board.port.name
    finally:
        stop.set()
        thread.join()
        if errors:
            raise errors[0]
