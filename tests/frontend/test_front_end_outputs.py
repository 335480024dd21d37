"""One set of numbers, three readers: the firmware's configuration, the virtual board, and people."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import serial
from ampwire import framing, layout
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.bench.virtual_interpreter import find_micropython
from ampwitness.cli.front_end import front_end
from ampwitness.decode import Decoder
from ampwitness.errors import UsageError
from ampwitness.firmware_files import find_firmware_dir, find_wire_dir, load_board_config
from ampwitness.frontend.fragment import InputsFile, config_fragment, inputs_json, read_inputs
from ampwitness.frontend.front_end import FrontEnd, design_front_end
from ampwitness.frontend.network import network_from_parts
from ampwitness.frontend.wishes import default_wishes, speaker_wish
from ampwitness.types import Block, Chunk, Hello
from click.testing import CliRunner

CONFIG = load_board_config()
RAIL_V = 110.0  # far beyond the board's own +-64 V


def loud_front_end() -> FrontEnd:
    return design_front_end([speaker_wish(rail_v=RAIL_V), *default_wishes()[1:]], 4_000, 12, CONFIG)


def config_with(fragment: str) -> str:
    """board_config.py with its section of input networks replaced, as a builder would."""
    text = (find_firmware_dir() / "board_config.py").read_text(encoding="utf-8")
    start, stop = text.index("# ---- input networks"), text.index("# ---- channels")
    return text[:start] + fragment + "\n" + text[stop:]


# ---- the firmware ---------------------------------------------------------------------------------------------------

# Runs under CPython and MicroPython: the firmware's own check, and what it will tell the host of every channel.
PROGRAM = """
import sys
sys.path[:0] = [{folder!r}, {firmware!r}, {wire!r}]
import board_config
from logger import hello
for mode in sorted(board_config.MODES):
    print("refusal", mode, repr(hello.find_refusal(board_config, mode, 16384)))
for role in sorted(board_config.INPUT_OF_ROLE):
    gain, offset = hello.volts_of_code(board_config, role)
    print("role", role, "%.9g" % gain, "%.9g" % offset)
print("corner", board_config.INPUT_CORNER_HZ)
"""


@pytest.mark.parametrize("interpreter", ["cpython", "micropython"])
@pytest.mark.parametrize("rail_v", [5.0, RAIL_V])
def test_the_firmware_accepts_the_fragment_and_describes_the_same_networks(
    interpreter: str, rail_v: float, tmp_path: Path
) -> None:
    made = design_front_end([speaker_wish(rail_v=rail_v), *default_wishes()[1:]], 4_000, 12, CONFIG)
    (tmp_path / "board_config.py").write_text(config_with(config_fragment(made)), encoding="utf-8")
    program = tmp_path / "check.py"
    wire = str(find_wire_dir().parent)
    text = PROGRAM.format(folder=str(tmp_path), firmware=str(find_firmware_dir()), wire=wire)
    program.write_text(text, encoding="utf-8")
    command = [sys.executable] if interpreter == "cpython" else find_micropython()
    if command is None:
        assert not os.environ.get("CI"), "CI installs MicroPython, and it is not here"
        pytest.skip("MicroPython is not installed")
    done = subprocess.run([*command, str(program)], capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 0, done.stderr + done.stdout
    lines = [line.split(" ", 2) for line in done.stdout.splitlines()]
    assert [line[2] for line in lines if line[0] == "refusal"] == ["''"] * len(CONFIG.MODES)
    told = {role: tuple(map(float, rest.split())) for word, role, rest in (x for x in lines if x[0] == "role")}
    assert told.keys() == CONFIG.INPUT_OF_ROLE.keys()
    for one in made.inputs:
        for role in one.roles:
            assert told[role] == pytest.approx((one.network.volts_per_code, one.network.low_v), rel=1e-5, abs=1e-9)
    assert float(next(line[1] for line in lines if line[0] == "corner")) == made.corner_hz


def test_the_check_would_notice_a_missing_network(tmp_path: Path) -> None:
    """The same road with a role taken out ends in the firmware's own words: the check above can fail."""
    broken = config_with(config_fragment(loud_front_end())).replace('    "supply": SUPPLY,\n', "")
    (tmp_path / "board_config.py").write_text(broken, encoding="utf-8")
    text = PROGRAM.format(folder=str(tmp_path), firmware=str(find_firmware_dir()), wire=str(find_wire_dir().parent))
    (tmp_path / "check.py").write_text(text, encoding="utf-8")
    done = subprocess.run([sys.executable, str(tmp_path / "check.py")], capture_output=True, text=True, check=False)
    assert "no input network for the role 'supply'" in done.stdout


def test_the_fragment_of_the_boards_own_wishes_is_the_boards_own_section() -> None:
    scope: dict[str, object] = {}
    exec(config_fragment(design_front_end(default_wishes(), 10_000, 12, CONFIG)), scope)
    for name in ("REFERENCE_V", "ADC_CODES", "INPUT_CORNER_HZ", "SPEAKER", "SUPPLY", "LINE", "CLAMP"):
        assert scope[name] == getattr(CONFIG, name), name
    assert scope["INPUT_OF_ROLE"].keys() == CONFIG.INPUT_OF_ROLE.keys()  # type: ignore[attr-defined]


# ---- the virtual board ----------------------------------------------------------------------------------------------


def play(inputs: InputsFile | None, volts: dict[str, float]) -> tuple[Hello, dict[str, float]]:
    """Put constant volts on a virtual board's terminals; what its hello says and what its samples mean by it."""
    stimulus = ArrayStimulus(tuple(volts), 16_000.0, np.tile(np.array(list(volts.values())), (16_000, 1)))
    raw = bytearray()
    options = VirtualBoardOptions(stimulus, speed=None, inputs=inputs, is_looped=True, stays=True)
    with virtual_board(options) as port, serial.serial_for_url(port, timeout=0.05) as line:
        for seq, kind in enumerate((layout.KIND_HEARTBEAT, layout.KIND_START)):
            line.write(b"\x00" + framing.pack_frame(kind, 0, seq, 0, 0, b""))
        stop_s = time.monotonic() + 10
        while len(raw) < 60_000 and time.monotonic() < stop_s:
            raw += line.read(4096)
    decoder = Decoder()
    items = [*decoder.push(Chunk(bytes(raw), 1.0)), *decoder.finish()]
    block = max((item for item in items if isinstance(item, Block)), key=lambda item: len(item.counts))
    hello = block.hello
    codes = block.counts[len(block.counts) // 2 :].mean(axis=0) / hello.counts_per_code
    return hello, {
        channel.role: float(channel.gain_v_per_code * code + channel.offset_v)
        for channel, code in zip(hello.channels, codes, strict=True)
    }


def test_the_virtual_board_simulates_the_designed_network(tmp_path: Path) -> None:
    """90 V on a terminal: the board's own network sits at its top, the designed one reads it."""
    made = loud_front_end()
    path = tmp_path / "inputs.json"
    path.write_text(inputs_json(made), encoding="utf-8")
    volts = {"out_p": 90.0, "out_n": -90.0, "supply": 12.6}
    hello, read = play(read_inputs(path), volts)
    speaker = made.inputs[0].network
    told = {channel.role: channel for channel in hello.channels}
    assert told["out_p"].gain_v_per_code == pytest.approx(speaker.volts_per_code, rel=1e-6)
    assert told["out_p"].offset_v == pytest.approx(speaker.low_v, rel=1e-6)
    assert hello.input_corner_hz == made.corner_hz
    assert any("input networks of a file" in remark for remark in hello.raw["remarks"])
    # 1 % parts drawn at half their limits, the converter's steps of 4 codes: within the designer's worst case.
    for role, one in (("out_p", made.inputs[0]), ("out_n", made.inputs[0]), ("supply", made.inputs[1])):
        allowed_v = one.budget.worst_gain_ratio * abs(volts[role]) + one.budget.worst_offset_v
        allowed_v += 5 * one.network.volts_per_code
        assert abs(read[role] - volts[role]) < allowed_v, role
    own_hello, own = play(None, volts)
    assert own_hello.input_corner_hz == CONFIG.INPUT_CORNER_HZ
    assert own["out_p"] < 66
    assert own["out_n"] > -66


def test_a_board_without_a_network_for_a_role_is_refused() -> None:
    made = loud_front_end()
    inputs = InputsFile({"out_p": made.inputs[0].network.parts()}, made.corner_hz)
    stimulus = ArrayStimulus(("out_p", "supply"), 1000.0, np.zeros((1000, 2)))
    options = VirtualBoardOptions(stimulus, inputs=inputs)
    with pytest.raises(UsageError, match="none for supply"), virtual_board(options):
        pass


def test_inputs_file_round_trip(tmp_path: Path) -> None:
    made = loud_front_end()
    path = tmp_path / "inputs.json"
    path.write_text(inputs_json(made), encoding="utf-8")
    found = read_inputs(path)
    assert found.corner_hz == made.corner_hz
    for one in made.inputs:
        for role in one.roles:
            assert network_from_parts(role, 3.3, found.input_of_role[role]).parts() == one.network.parts()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"kind"', '"sort"', "is not a file of input networks"),
        ('"version": 1', '"version": 2', "is not a file of input networks"),
        ('"input_corner_hz": 2', '"input_corner_hz": -2', "missing"),
        ('"top_ohm": ', '"top_ohm": -', "top_ohm of out_p"),
        ('"farad": ', '"henry": ', "needs exactly"),
        ('"top_ohm": ', '"top_ohm": null, "x": ', "needs exactly"),
        ("{", "[", "cannot be read"),
    ],
)
def test_a_spoilt_inputs_file_is_refused_in_one_sentence(old: str, new: str, words: str, tmp_path: Path) -> None:
    text = inputs_json(loud_front_end())
    assert old in text
    path = tmp_path / "inputs.json"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UsageError, match=words):
        read_inputs(path)
    with pytest.raises(UsageError, match="cannot be read"):
        read_inputs(tmp_path / "none.json")


# ---- the command ----------------------------------------------------------------------------------------------------


def test_the_command_writes_both_files_from_one_design(tmp_path: Path) -> None:
    config, virtual = tmp_path / "inputs.py", tmp_path / "inputs.json"
    arguments = ["--power", "1500", "--ohm", "1", "--write-config", str(config), "--write-virtual", str(virtual)]
    done = CliRunner().invoke(front_end, arguments)
    assert done.exit_code == 0, done.output
    for words in ("SPEAKER for out_p, out_n", "unsuppressed load dump", "worst case", "RSS", "Not survived", "4.7k"):
        assert words in done.output
    scope: dict[str, dict[str, dict[str, object]]] = {}
    exec(config.read_text(encoding="utf-8"), scope)  # type: ignore[arg-type]
    for role, parts in read_inputs(virtual).input_of_role.items():
        assert scope["INPUT_OF_ROLE"][role] == parts


def test_the_commands_json_says_what_its_text_says() -> None:
    found = json.loads(CliRunner().invoke(front_end, ["--board", "--json"]).output)
    by_name = {one["name"]: one for one in found["inputs"]}
    assert by_name["SPEAKER"]["parts"] == CONFIG.SPEAKER
    dump = next(one for one in by_name["SUPPLY"]["stresses"] if one["disturbance"]["name"] == "unsuppressed load dump")
    assert dump["clamp_a"] == pytest.approx(2.843e-3, abs=1e-6)
    assert dump["judgement"] == "survives"
    assert by_name["LINE"]["loading"]["coupled_peak_v"] == pytest.approx(3.196, abs=1e-3)


def test_a_24_v_vehicle_in_words() -> None:
    done = CliRunner().invoke(front_end, ["--system", "24"])
    assert "DOES NOT SURVIVE unsuppressed load dump" in done.output  # the small ranges, clipped to the wrong place
    assert "202 V" in done.output
    supply = done.output.split("In words")[1].split("  SUPPLY")[1].split("  LINE")[0]
    assert "survives all of the table" in supply


@pytest.mark.parametrize(
    "arguments",
    [
        ["--rail", "1e6"], ["--power", "100", "--ohm", "0"], ["--rail", "-3"],
        ["--bandwidth", "20000"], ["--supply-high", "2"], ["--series", "E7"],
        ["--series", "fine"], ["--small", "0"], ["--system", "48"], ["--rail", "5", "--output-volts", "6"],
    ],
)  # fmt: skip
def test_the_command_refuses_absurd_wishes(arguments: list[str]) -> None:
    done = CliRunner().invoke(front_end, arguments)
    assert isinstance(done.exception, UsageError)
    assert "\n" not in str(done.exception)


@pytest.mark.parametrize("arguments", [["--power", "nan", "--ohm", "4"], ["--line-vrms", "inf"]])
def test_endless_numbers_are_refused_as_they_are_read(arguments: list[str]) -> None:
    done = CliRunner().invoke(front_end, arguments)
    assert done.exit_code == 2
    assert "is no finite number" in done.output
