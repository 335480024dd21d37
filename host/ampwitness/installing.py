"""Putting the firmware on a board and checking what was put there.

In this order: bring the board to its prompt (a running firmware by `leave`), look whether it is the right one and has
room, take `main.py` away, copy what differs, `main.py` last, compare every file by its hash, reset, read the hello.
So a board that was left half done stays at its prompt and can be installed again.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from ampwitness.errors import (
    BoardFaultError,
    FlashFullError,
    LinkLostError,
    NotOurBoardError,
    OldMicroPythonError,
    PortAccessError,
    PortNotFoundError,
    UsageError,
    WrongBoardError,
)
from ampwitness.firmware_files import (
    find_firmware_dir,
    list_board_files,
    missing_config_names,
    read_firmware_version,
    read_oldest_micropython,
)
from ampwitness.link.finding import probe_ports
from ampwitness.link.port import Port, describe_ports, list_ports
from ampwitness.link.prompt import FILES_A_COMMAND, BoardPrompt, Found
from ampwitness.link.session import BoardSession
from ampwitness.plain_json import UnreadableTextError, read_text
from ampwitness.types import Hello

CONFIG = "board_config.py"
CHIP = "RP2040"
USB_VENDOR = 0x2E8A  # of the chip's maker, as MicroPython's boards with it say on USB
FOLDERS = ("", "logger", "ampwire")
SPARE_BLOCKS = 4  # for the file system itself, a kept mode and a kept calibration
GONE_S = 1.2  # a board that leaves or resets lets go of its port within this
BACK_S = 20.0
ANSWER_S = 20.0  # until the firmware has compiled itself and answers; a few seconds on the emulated board
ASK_S = 1.5
PROMPT_S = 8.0

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Installed:
    """What was done, and the hello that proves it. `config`: "kept", "standard" or the path that was given."""

    port: str
    hello: Hello
    micropython: str
    n_copied: int
    n_removed: int
    config: str
    was_running: bool


def find_install_port() -> str:
    """The one port that can be meant. Raises PortNotFoundError with what there is when that is not one."""
    ports = [port for port in list_ports() if port.usb_vendor is not None]
    if not ports:
        raise PortNotFoundError(
            "This computer has no serial port on USB: is the board plugged in, with a cable that carries data? A board "
            "without MicroPython shows up as a drive instead: copy a MicroPython image for RPI_PICO onto it first."
        )
    likely = [port for port in ports if port.usb_vendor == USB_VENDOR] or ports
    if len(likely) > 1:
        answers = probe_ports(tuple(likely))
        likely = [answer.port for answer in answers if answer.hello is not None] or likely
    if len(likely) == 1:
        return likely[0].name
    raise PortNotFoundError(f"More than one port may be meant ({describe_ports(likely)}): say which with --port.")


class Installer:
    """One installation. Parameters: `port`; `config` a file to use as board_config.py, "standard", or None to keep the
    board's own; `say` for progress; `prompt_of` and `wait_s` for tests: who works the prompt, and for how long to wait.
    """

    def __init__(
        self,
        port: str,
        config: str | Path | None = None,
        say: Say = lambda text: None,
        prompt_of: Callable[[str], BoardPrompt] = BoardPrompt,
        wait_s: tuple[float, float, float] = (GONE_S, BACK_S, ANSWER_S),
    ) -> None:
        self._port = port
        self._usb_serial = _usb_serial_of(port)
        self._say = say
        self._prompt_of = prompt_of
        self._gone_s, self._back_s, self._answer_s = wait_s
        self._files = list_board_files()
        self._config = config
        if isinstance(config, Path):
            _check_config(_read_config(config), str(config))
            self._files[CONFIG] = config

    def run(self) -> Installed:
        """Do it all. Raises an AmpwitnessError with one sentence for everything that can stop it."""
        was_running = self._bring_to_prompt()
        prompt = self._prompt_of(self._port)
        found = prompt.look(FOLDERS)
        _check_board(found, self._port)
        config = self._choose_config(prompt, found)
        n_copied, n_removed = self._put(prompt, found)
        self._say("comparing every file")
        self._check_files(prompt.look(FOLDERS))
        self._say("resetting the board, waiting for its hello")
        prompt.reset()
        self._wait_for_port()
        hello = self._read_hello()
        _check_hello(hello, found.board_id)
        version = ".".join(str(part) for part in found.version)
        return Installed(self._port, hello, version, n_copied, n_removed, config, was_running)

    def run_board_check(self) -> str:
        """Send the board to its prompt, run board_check.py there, and let it start again; what the script printed."""
        self._bring_to_prompt()
        prompt = self._prompt_of(self._port)
        self._say("board_check.py runs, half a minute; press the board's button while its lamp blinks fast")
        printed = prompt.run_script(find_firmware_dir() / "board_check.py")
        prompt.reset()
        self._wait_for_port()
        self._read_hello()
        return printed

    def _bring_to_prompt(self) -> bool:
        """Let a running firmware leave; whether there was one."""
        try:
            with BoardSession(self._port, ASK_S) as session:
                if any("virtual board" in remark for remark in session.hello.raw.get("remarks", ())):
                    raise WrongBoardError(f"{self._port} is a virtual board; it runs this firmware already.")
                self._say(f"board {session.hello.board_id} runs {session.hello.firmware}; sending it to its prompt")
                session.leave()
        except (NotOurBoardError, BoardFaultError) as error:
            if isinstance(error, BoardFaultError):
                self._say(str(error))  # one that cannot start leaves by Ctrl-C, as any program does
            return False  # a prompt, probably; mpremote will say if it is none
        self._wait_for_port()
        self._wait_for_prompt()
        return True

    def _wait_for_prompt(self) -> None:
        """Let the start that leads to the prompt come to its end: a Ctrl-C in its middle would spoil it."""
        deadline_s = time.monotonic() + PROMPT_S
        port = Port(self._port)
        heard = b""
        while b">>> " not in heard and time.monotonic() < deadline_s:
            port.write(b"\r")
            time.sleep(0.2)
            heard += port.read()
        port.close()

    def _wait_for_port(self) -> None:
        """Until the port can be opened again, under another name if the system gave it one."""
        time.sleep(self._gone_s)
        deadline_s = time.monotonic() + self._back_s
        while True:
            if self._usb_serial is not None:
                again = [port.name for port in list_ports() if port.usb_serial == self._usb_serial]
                self._port = again[0] if again else self._port
            try:
                Port(self._port).close()
                return
            except (PortNotFoundError, PortAccessError, LinkLostError):
                if time.monotonic() > deadline_s:
                    raise LinkLostError(
                        f"{self._port} did not come back within {self._back_s:g} s after the board was reset. Unplug "
                        "it, plug it in again, and install again."
                    ) from None
                time.sleep(0.2)

    def _choose_config(self, prompt: BoardPrompt, found: Found) -> str:
        if isinstance(self._config, Path):
            return str(self._config)
        same = hashlib.sha256(self._files[CONFIG].read_bytes()).hexdigest() == found.hashes.get(CONFIG)
        if self._config is not None or CONFIG not in found.sizes or same:
            return "standard"
        # What its builder wrote there describes parts that are soldered in: not to be lost by an update.
        _check_config(prompt.read(CONFIG), f"the {CONFIG} on the board")
        del self._files[CONFIG]
        return "kept"

    def _put(self, prompt: BoardPrompt, found: Found) -> tuple[int, int]:
        hashes = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in self._files.items()}
        wanted = {name: path for name, path in self._files.items() if found.hashes.get(name) != hashes[name]}
        # A module that is no longer part of the firmware could hide one that is.
        stale = [name for name in found.sizes if "/" in name and name not in self._files]
        self._check_room(found, wanted, stale)
        if not wanted and not stale:
            self._say("every file is there already")
            return 0, 0
        if "main.py" in found.sizes:
            wanted["main.py"] = wanted.pop("main.py", self._files["main.py"])  # the last again
            prompt.remove(["main.py"])
        if stale:
            prompt.remove(stale)
        for folder in FOLDERS[1:]:
            if folder not in found.folders:
                prompt.make_folder(folder)
        self._copy(prompt, wanted)
        return len(wanted), len(stale)

    def _copy(self, prompt: BoardPrompt, wanted: Mapping[str, Path]) -> None:
        n_done = 0
        # A file is copied under its own name, and a configuration may have any here.
        with tempfile.TemporaryDirectory(prefix="ampwitness-install-") as stage:
            for folder in ("logger", "ampwire", ""):
                names = [name for name in wanted if name.rpartition("/")[0] == folder]
                for k in range(0, len(names), FILES_A_COMMAND):
                    part = names[k : k + FILES_A_COMMAND]
                    staged = [Path(stage) / name for name in part]
                    for name, path in zip(part, staged, strict=True):
                        path.parent.mkdir(exist_ok=True)
                        shutil.copyfile(wanted[name], path)
                    prompt.copy(staged, folder)
                    n_done += len(part)
                    self._say(f"copied {n_done} of {len(wanted)} files")

    def _check_room(self, found: Found, wanted: Mapping[str, Path], stale: list[str]) -> None:
        n_needed = sum(found.blocks(path.stat().st_size) for path in wanted.values()) + SPARE_BLOCKS
        n_freed = sum(found.blocks(found.sizes[name]) for name in [*wanted, *stale] if name in found.sizes)
        n_short = n_needed - n_freed - found.free_blocks
        if wanted and n_short > 0:
            own = sorted(name for name in found.sizes if "/" not in name and name not in self._files)
            raise FlashFullError(
                f"The flash of the board on {self._port} is {n_short * found.block_bytes // 1024} KiB too full. Remove "
                f"files of your own from it ({', '.join(own[:6]) or 'none in the root'}) and install again; nothing "
                "was changed."
            )

    def _check_files(self, found: Found) -> None:
        for name, path in self._files.items():
            if found.hashes.get(name) != hashlib.sha256(path.read_bytes()).hexdigest():
                raise BoardFaultError(
                    f"{name} on the board on {self._port} is not what was put there. Install again; if it stays so, "
                    "the board's flash is worn out."
                )

    def _read_hello(self) -> Hello:
        deadline_s = time.monotonic() + self._answer_s
        while True:
            try:
                with BoardSession(self._port, ASK_S) as session:
                    return session.hello
            except (NotOurBoardError, LinkLostError, PortNotFoundError, PortAccessError) as error:
                if time.monotonic() > deadline_s:
                    raise NotOurBoardError(
                        f"The files are on the board, but it does not answer: {error} Unplug it, plug it in again, and "
                        "ask `ampwitness boards`."
                    ) from error
                time.sleep(0.2)


def _usb_serial_of(name: str) -> str | None:
    listed = [port for port in list_ports() if port.name == name]
    return listed[0].usb_serial if listed else None


def _check_board(found: Found, port: str) -> None:
    if found.interpreter != "micropython" or CHIP not in found.machine:
        raise WrongBoardError(
            f"The board on {port} is not one with an {CHIP}: it says {found.machine or 'nothing'} "
            f"({found.interpreter}). Nothing was changed on it."
        )
    oldest = read_oldest_micropython()
    if found.version[:2] < oldest:
        raise OldMicroPythonError(
            f"The board on {port} runs MicroPython {'.'.join(map(str, found.version))}; the firmware needs "
            f"{oldest[0]}.{oldest[1]} or later. Hold BOOTSEL while you plug it in and copy a newer image for RPI_PICO "
            "onto the drive that appears."
        )


def _read_config(path: Path) -> str:
    try:
        return read_text(path)
    except UnreadableTextError as error:
        raise UsageError(f"{path} cannot be read ({error}); --config takes a board_config.py.") from error


def _check_config(text: str, where: str) -> None:
    try:
        missing = missing_config_names(text)
    except SyntaxError as error:
        raise UsageError(f"{where} is no Python file: line {error.lineno or 1}, {error.msg}.") from error
    except (ValueError, RecursionError) as error:  # bytes of zero; nested without end
        raise UsageError(f"{where} is no Python file.") from error
    if missing:
        raise UsageError(
            f"{where} does not give {', '.join(missing)}, which this firmware needs. Add it as in the standard "
            "board_config.py and say it with --config, or use --config standard."
        )


def _check_hello(hello: Hello, board_id: str) -> None:
    version = read_firmware_version()
    if not hello.firmware.startswith(version + " "):
        raise BoardFaultError(f"The board says it runs {hello.firmware}, not the {version} that was put on it.")
    if board_id and hello.board_id != board_id:
        raise BoardFaultError(
            f"The board that answers is {hello.board_id}, not {board_id} on which the files were put: more than one "
            "board is plugged in. Say which with --port."
        )


def describe_installed(installed: Installed) -> dict[str, object]:
    """What was done, as plain values for JSON."""
    hello = installed.hello
    return {
        "port": installed.port,
        "board_id": hello.board_id,
        "firmware": hello.firmware,
        "micropython": installed.micropython,
        "mode": hello.mode,
        "rate_hz": float(hello.rate_hz),
        "roles": list(hello.roles),
        "was_running": installed.was_running,
        "n_files_copied": installed.n_copied,
        "n_files_removed": installed.n_removed,
        "config": installed.config,
        "remarks": list(hello.raw.get("remarks", [])),
    }
