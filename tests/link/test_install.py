"""`ampwitness install` against a fake mpremote and a board on a pseudo-terminal: every way it can go, and its words."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from ampwire.layout import KIND_LEAVE
from ampwitness import installing
from ampwitness.errors import (
    AmpwitnessError,
    BoardFaultError,
    FlashFullError,
    LinkLostError,
    MissingToolError,
    NotOurBoardError,
    OldMicroPythonError,
    PortAccessError,
    PortNotFoundError,
    UsageError,
    WrongBoardError,
)
from ampwitness.firmware_files import (
    list_board_files,
    missing_config_names,
    read_firmware_version,
    read_oldest_micropython,
)
from ampwitness.installing import Installed, Installer
from ampwitness.link import prompt as prompt_module
from ampwitness.link.port import Port, PortListing
from ampwitness.link.prompt import BoardPrompt, run_mpremote
from fake_board import FakeBoard

BOARD_ID = "e661a4d1234567ab"
CHIP = "a board with RP2040"


class BoardWithPrompt(FakeBoard):
    """A board that is at its prompt or runs the firmware; `leave` and a reset change between the two."""

    def __init__(self, is_running: bool = False) -> None:
        super().__init__("board" if is_running else "prompt")
        self.firmware = read_firmware_version() + " on MicroPython 1.26.1"
        self.board_id = BOARD_ID

    def hello(self) -> dict[str, Any]:
        return super().hello() | {"firmware": self.firmware, "board_id": self.board_id}

    def _obey(self, frame: Any) -> None:
        super()._obey(frame)
        if frame.kind == KIND_LEAVE:
            self.behaviour = "prompt"


class FakeMpremote:
    """Files on a board, worked by mpremote's words. `refusal`: what it says from the command `refuses` on."""

    def __init__(self, board: BoardWithPrompt | None, **changes: Any) -> None:
        self.board = board
        self.files: dict[str, bytes] = changes.pop("files", {})
        self.refuses = changes.pop("refuses", "")
        self.refusal = changes.pop("refusal", "")
        self.prints = changes.pop("prints", "")
        self.spoils = changes.pop("spoils", "")
        self.told: dict[str, Any] = {
            "name": "micropython", "version": (1, 26, 1), "machine": CHIP, "board_id": BOARD_ID,
            "block_bytes": 4096, "free_blocks": 300, **changes,
        }  # fmt: skip
        self.commands: list[list[str]] = []

    def __call__(self, words: Sequence[str]) -> subprocess.CompletedProcess[str]:
        assert words[0] == "connect"
        command = list(words[2:])
        self.commands.append(command)
        if self.refuses and self.refuses in command:
            return subprocess.CompletedProcess(command, 1, "", f"mpremote: {self.refusal}\n")
        return subprocess.CompletedProcess(command, 0, self._do(command), "")

    def _do(self, command: list[str]) -> str:
        if command[0] == "exec":
            sizes = {name: len(raw) for name, raw in self.files.items()}
            hashes = {name: hashlib.sha256(raw).hexdigest() for name, raw in self.files.items()}
            folders = ["", *sorted({name.partition("/")[0] for name in self.files if "/" in name})]
            return f"<<{ {**self.told, 'sizes': sizes, 'hashes': hashes, 'folders': folders}!r}>>\r\n"
        if command[0] == "run":
            return self.prints
        if command[0] == "reset":
            if self.board is not None:
                self.board.behaviour = "board"
        elif command[1] == "cp":
            for source in command[3:-1]:
                name = command[-1].removeprefix(":") + Path(source).name
                self.files[name] = b"spoilt" if name == self.spoils else Path(source).read_bytes()
        elif command[1] == "rm":
            for name in command[2:]:
                del self.files[name.removeprefix(":")]
        elif command[1] == "cat":
            return self.files[command[2].removeprefix(":")].decode()
        return ""

    def names_of(self, verb: str) -> list[str]:
        """What was copied, removed... in order."""
        paths = [c[3:-1] if verb == "cp" else c[2:] for c in self.commands if c[:2] == ["fs", verb]]
        return [Path(path.removeprefix(":")).name for group in paths for path in group]


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(installing, "ASK_S", 0.2)
    monkeypatch.setattr(installing, "PROMPT_S", 1.0)


def files_here() -> dict[str, bytes]:
    return {name: path.read_bytes() for name, path in list_board_files().items()}


def install(board: BoardWithPrompt, mpremote: FakeMpremote, config: str | Path | None = None) -> Installed:
    return Installer(
        board.name, config, prompt_of=lambda port: BoardPrompt(port, mpremote), wait_s=(0.05, 1.0, 1.0)
    ).run()


def test_a_bare_board_gets_every_file_main_last_and_is_known_by_its_hello() -> None:
    with BoardWithPrompt() as board:
        mpremote = FakeMpremote(board)
        done = install(board, mpremote)
    assert mpremote.files == files_here()
    assert mpremote.names_of("cp")[-1] == "main.py"
    assert "board_check.py" not in mpremote.names_of("cp")
    assert (done.n_copied, done.n_removed, done.config, done.was_running) == (len(files_here()), 0, "standard", False)
    assert done.hello.board_id == BOARD_ID
    assert ["reset"] in mpremote.commands


def test_a_running_board_is_sent_to_its_prompt_and_only_what_differs_is_copied() -> None:
    files = files_here() | {"logger/hello.py": b"old", "logger/gone.py": b"old", "mode.txt": b"slow", "own.txt": b"x"}
    with BoardWithPrompt(is_running=True) as board:
        mpremote = FakeMpremote(board, files=dict(files))
        done = install(board, mpremote)
        assert KIND_LEAVE in board.commands
    assert done.was_running
    assert mpremote.names_of("cp") == ["hello.py", "main.py"]
    assert mpremote.names_of("rm") == ["main.py", "gone.py"]
    assert mpremote.files == files_here() | {"mode.txt": b"slow", "own.txt": b"x"}
    verbs = [command[1] for command in mpremote.commands if command[0] == "fs"]
    assert verbs.index("rm") < verbs.index("cp"), "a board that is left half done must not run half a firmware"


def test_a_board_that_has_it_all_is_only_checked_and_reset() -> None:
    with BoardWithPrompt() as board:
        mpremote = FakeMpremote(board, files=files_here())
        assert install(board, mpremote).n_copied == 0
    assert [command for command in mpremote.commands if command[0] == "fs"] == []


def test_a_board_that_cannot_start_is_installed_like_a_bare_one() -> None:
    with BoardWithPrompt() as board:
        board.behaviour = "cannot start"
        mpremote = FakeMpremote(board, files={"main.py": b"old"})
        assert install(board, mpremote).was_running is False
    assert mpremote.files == files_here()


def test_the_boards_own_configuration_is_kept_unless_told_otherwise(tmp_path: Path) -> None:
    standard = files_here()["board_config.py"]
    own = standard.replace(b"BUTTON_PIN = 14", b"BUTTON_PIN = 13")
    mine = tmp_path / "mine.py"
    mine.write_bytes(standard.replace(b"LED_PIN = 25", b"LED_PIN = 24"))
    for config, words, expected in (
        (None, "kept", own),
        ("standard", "standard", standard),
        (mine, str(mine), mine.read_bytes()),
    ):
        with BoardWithPrompt() as board:
            mpremote = FakeMpremote(board, files=files_here() | {"board_config.py": own})
            assert install(board, mpremote, config).config == words
        assert mpremote.files["board_config.py"] == expected


def test_a_configuration_that_lacks_a_name_is_refused_before_anything_is_changed(tmp_path: Path) -> None:
    standard = files_here()["board_config.py"]
    lacking = standard.replace(b"DEFAULT_MODE =", b"USUAL_MODE =")
    mine = tmp_path / "mine.py"
    for raw, words in ((lacking, "DEFAULT_MODE"), (b"MODES = (", "no Python file"), (bytes(9), "no Python file")):
        mine.write_bytes(raw)
        with BoardWithPrompt() as board:
            mpremote = FakeMpremote(board, files=files_here() | {"board_config.py": raw})
            with pytest.raises(UsageError, match=words):
                install(board, mpremote, mine)
            with pytest.raises(UsageError, match=words):
                install(board, mpremote)
        assert mpremote.names_of("cp") == mpremote.names_of("rm") == []
    mine.write_bytes(b"\xff")
    with pytest.raises(UsageError, match="it is no text"):
        Installer("a port", mine)
    assert missing_config_names(standard.decode()) == []


REFUSALS: list[tuple[dict[str, Any], type[AmpwitnessError], str]] = [
    ({"machine": "another board with RP2350"}, WrongBoardError, "RP2350"),
    ({"name": "circuitpython"}, WrongBoardError, "circuitpython"),
    ({"version": (1, 25, 0)}, OldMicroPythonError, r"1\.25\.0.*1\.26 or later"),
    ({"version": (0, 99, 0)}, OldMicroPythonError, r"1\.26 or later"),
    ({"free_blocks": 3}, FlashFullError, "too full"),
    ({"refuses": "cp", "refusal": "cp: hello.py: No space left on device."}, FlashFullError, "filled up"),
    ({"refuses": "cp", "refusal": "OSError: [Errno 28] ENOSPC"}, FlashFullError, "filled up"),
    ({"refuses": "exec", "refusal": "failed to access /dev/x (it may be in use by another program)"},
     PortAccessError, "another program"),
    ({"refuses": "exec", "refusal": "could not enter raw repl"}, NotOurBoardError, "BOOTSEL"),
    ({"refuses": "cp", "refusal": "[Errno 5] Input/output error"}, LinkLostError, "cable"),
    ({"refuses": "rm", "refusal": "something new"}, BoardFaultError, "something new"),
    ({"spoils": "logger/hello.py"}, BoardFaultError, "logger/hello.py"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "kind", "words"), REFUSALS)
def test_what_stops_it_is_one_sentence_with_a_code_of_its_own(
    changes: dict[str, Any], kind: type[AmpwitnessError], words: str
) -> None:
    with BoardWithPrompt() as board:
        mpremote = FakeMpremote(board, files={"main.py": b"old"}, **changes)
        with pytest.raises(kind, match=words) as caught:
            install(board, mpremote)
    assert "\n" not in str(caught.value)
    if kind in (WrongBoardError, OldMicroPythonError) or "too full" in words:
        assert mpremote.files == {"main.py": b"old"}, "nothing may be changed"


def test_the_five_reasons_have_codes_of_their_own() -> None:
    kinds = (WrongBoardError, OldMicroPythonError, FlashFullError, PortAccessError, MissingToolError)
    assert len({kind.exit_code for kind in kinds}) == len(kinds)


def test_a_port_that_is_held_is_told_before_anything_else() -> None:
    with BoardWithPrompt() as board:
        holder = Port(board.name)
        mpremote = FakeMpremote(board)
        with pytest.raises(PortAccessError, match="another program"):
            install(board, mpremote)
        holder.close()
    assert mpremote.commands == []


def test_without_mpremote_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prompt_module.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(MissingToolError, match=r"ampwitness\[install\]"):
        run_mpremote(["version"])


def test_the_real_mpremote_answers_and_its_refusal_is_understood(tmp_path: Path) -> None:
    assert run_mpremote(["version"]).stdout.startswith("mpremote 1.")
    with pytest.raises(PortAccessError, match="cannot be opened"):
        BoardPrompt(str(tmp_path / "no port")).reset()


@pytest.mark.parametrize(
    ("firmware", "board_id", "words"),
    [("ampwitness 0.0.1 on MicroPython 1.26.1", BOARD_ID, r"0\.0\.1"), (None, "another", "more than one")],
)
def test_the_hello_has_to_be_that_of_what_was_put_there(firmware: str | None, board_id: str, words: str) -> None:
    with BoardWithPrompt() as board:
        board.firmware = firmware or board.firmware
        board.board_id = board_id
        with pytest.raises(BoardFaultError, match=words):
            install(board, FakeMpremote(board))


def test_a_board_that_stays_silent_after_it_all_is_told_so() -> None:
    with BoardWithPrompt() as board, pytest.raises(NotOurBoardError, match="The files are on the board"):
        install(board, FakeMpremote(None))


def test_the_port_is_found_where_only_one_can_be_meant(monkeypatch: pytest.MonkeyPatch) -> None:
    maker = installing.USB_VENDOR
    ports: list[PortListing] = []
    monkeypatch.setattr(installing, "list_ports", lambda: tuple(ports))
    monkeypatch.setattr(installing, "probe_ports", lambda found: [])
    with pytest.raises(PortNotFoundError, match="no serial port on USB"):
        installing.find_install_port()
    ports += [PortListing("/dev/ttyS0", "built in"), PortListing("/dev/ttyACM3", "", 0x1234)]
    assert installing.find_install_port() == "/dev/ttyACM3"
    ports.append(PortListing("/dev/ttyACM1", "", maker))
    assert installing.find_install_port() == "/dev/ttyACM1"
    ports.append(PortListing("/dev/ttyACM2", "", maker))
    with pytest.raises(PortNotFoundError, match="--port"):
        installing.find_install_port()


def test_the_command_prints_what_it_did(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from ampwitness.cli import cli
    from click.testing import CliRunner

    with BoardWithPrompt() as board:
        mpremote = FakeMpremote(board)
        monkeypatch.setattr(
            Installer.__init__, "__defaults__", (None, print, lambda p: BoardPrompt(p, mpremote), (0.05, 1, 1))
        )
        result = CliRunner().invoke(cli, ["install", "--port", board.name, "--json"], catch_exceptions=False)
        told = json.loads(result.stdout)
        assert (told["board_id"], told["mode"], told["config"]) == (BOARD_ID, "bass", "standard")
        result = CliRunner().invoke(cli, ["install", "--port", board.name], catch_exceptions=False)
        assert f"Board {BOARD_ID}" in result.stdout
        assert "0 files copied" in result.stdout
        missing = CliRunner().invoke(cli, ["install", "--port", board.name, "--config", str(tmp_path / "none.py")])
        assert isinstance(missing.exception, UsageError)


def test_what_the_files_say_of_themselves() -> None:
    assert re.fullmatch(r"ampwitness \d+\.\d+\.\d+", read_firmware_version())
    assert read_oldest_micropython() == (1, 26)
    names = list(list_board_files())
    assert names[-1] == "main.py"
    assert {"board_config.py", "logger/logger.py", "ampwire/layout.py"} <= set(names)
    assert all(name.endswith(".py") for name in names)


def test_the_thorough_check_runs_at_the_prompt_and_lets_the_board_start_again(monkeypatch: pytest.MonkeyPatch) -> None:
    from ampwitness.cli import cli
    from ampwitness.errors import SelfTestError
    from click.testing import CliRunner

    for prints, passes in (("PASS kernels\nALL PASS\n", True), ("FAIL button\nFAILED: button\n", False), ("", False)):
        with BoardWithPrompt(is_running=True) as board:
            mpremote = FakeMpremote(board, prints=prints)
            waits = (0.05, 1.0, 1.0)
            replaced = (None, print, lambda port, fake=mpremote: BoardPrompt(port, fake), waits)
            monkeypatch.setattr(Installer.__init__, "__defaults__", replaced)
            done = CliRunner().invoke(cli, ["check-board", "--thorough", "--port", board.name])
            assert board.behaviour == "board"
        assert prints.strip() in done.stdout
        assert [command[0] for command in mpremote.commands] == ["run", "reset"]
        assert (done.exception is None) == passes
        assert passes or isinstance(done.exception, SelfTestError)
