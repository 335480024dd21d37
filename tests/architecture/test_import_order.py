"""Arrows point one way: who may import whom, held by reading the source."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
HOST = ROOT / "host" / "ampwitness"

# part -> parts of ampwitness that it may import (itself always). `ampwire` is listed like a part.
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "units": set(),
    "types": {"errors", "units"},
    # Many findings as rows: detectors fill it, whoever words or draws findings reads it.
    "finding_list": {"types", "pieces"},
    # Much data on disk while it is worked on.
    "pieces": set(),
    # Processes that leave a terminal's signals to the command.
    "signals_held": set(),
    "firmware_files": {"ampwire"},
    "link": {"ampwire", "errors", "units", "types"},
    "recording": {"errors", "units", "types", "link"},
    "decode": {"ampwire", "errors", "units", "types", "link"},
    "waveform": {"errors", "units", "types", "decode"},
    "detect": {"errors", "units", "types", "finding_list", "pieces", "signals_held", "waveform"},
    "findings": {"errors", "units", "types", "finding_list", "detect"},
    "report": {"errors", "units", "types", "finding_list", "pieces", "findings"},
    "frontend": {"errors", "units", "types", "firmware_files", "plain_json"},
    # The bench makes truth and scores the whole chain against it, so its score programs may see every part below the
    # command line; no part may see the bench.
    "bench": {
        "ampwire",
        "errors",
        "units",
        "types",
        "firmware_files",
        "frontend",
        "link",
        "recording",
        "decode",
        "waveform",
        "detect",
        "findings",
        "guide",
        "pipeline",
        "finding_list",
        "report",  # a day's report is timed as a whole, page and text too
    },
    "pipeline": {
        "errors",
        "units",
        "types",
        "calibration_file",
        "finding_list",
        "pieces",
        "recording",
        "decode",
        "waveform",
        "detect",
        "findings",
    },
    # A recording made smaller: what the pipeline finds decides which frames are copied.
    "reduction": {"errors", "types", "finding_list", "pipeline", "recording", "decode", "detect"},
    # A board that is streaming now, as windows of volts; recording along.
    "live": {"errors", "units", "types", "link", "recording", "decode", "waveform"},
    # A recording for people who write Python: `ampwitness.open`.
    "opened": {"errors", "types", "recording", "waveform", "pipeline"},
    # Volts and findings in the formats of other programs.
    "export": {"errors", "units", "types", "finding_list", "findings"},
    # Pages in a browser of this machine: a board as it streams (its feed followed, never fed), a recording analysed. It
    # borrows the report's colours and its page.
    "livepage": {
        "errors",
        "units",
        "types",
        "recording",
        "waveform",
        "detect",
        "findings",
        "report",
        "pipeline",
        "live",
    },
    # The user's file of measured calibrations, one a board.
    "calibration_file": {"errors", "units", "types", "whole_file", "plain_json"},
    # A JSON file, or another text, that anybody may have written.
    "plain_json": set(),
    # A file written whole or not at all.
    "whole_file": {"errors"},
    # The firmware onto a board at its prompt, and the hello that proves it.
    "installing": {"errors", "types", "firmware_files", "link", "plain_json"},
    # One vehicle's folder of plain files and the order of work.
    "job": {"errors", "units", "types", "whole_file", "plain_json"},
    # What a guided walk asks, in which order, and what it concludes: no terminal, no port.
    "guide": {"errors", "units", "types", "signals_held", "frontend", "waveform", "detect", "findings"},
}
# package of detect/ -> packages of detect/ that it may import; modules in detect/ itself put them together, but for...
WITHIN_DETECT: dict[str, set[str]] = {
    "supply": set(),
    "notes": set(),
    "tones": set(),
    "soak": set(),
    "clips": {"supply"},  # whose fault a clip is
    "cutouts": {"supply"},  # what the engine did
}
# packages of detect/clips/, in their order: each may import those before it, and none the modules that join them
CLIPS_ORDER = ("table", "measure", "ceiling", "bent", "short", "second", "judge", "cause")
# what all of detect/ stands on
UNDER_DETECT = {"result", "streams", "step_stream"}
# third-party package -> the one part of the program in which it is at home
HOMES = {"serial": {"link"}, "click": {"cli"}, "matplotlib": {"report"}, "mcap": {"recording"}, "asammdf": {"export"}}


def part_of(path: Path) -> str:
    first = path.relative_to(HOST).parts[0]
    return first.removesuffix(".py")


@cache
def imported_modules(path: Path) -> frozenset[str]:
    package = ["ampwitness", *path.relative_to(HOST).parts[:-1]]
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(filter(None, [base, node.module or ""]))
            # `from ampwitness import x` names a part, `from ampwitness.types import X` a thing in one
            names.update(f"{module}.{alias.name}" if module == "ampwitness" else module for alias in node.names)
    return frozenset(names)


SOURCES = sorted(HOST.rglob("*.py"))


def test_imports_point_one_way() -> None:
    wrong = []
    for path in SOURCES:
        part = part_of(path)
        for module in sorted(imported_modules(path)):
            top, _, rest = module.partition(".")
            if top == "ampwire" or (top == "ampwitness" and rest):
                target = "ampwire" if top == "ampwire" else rest.partition(".")[0]
                if target in (part, "__version__"):
                    continue
                if part in ("cli", "__main__", "__init__"):
                    continue  # the command line may call anything; nothing may call it
                if target not in ALLOWED[part]:
                    wrong.append(f"{path.relative_to(ROOT)} imports {module}: not allowed for {part!r}")
            elif top in HOMES and part not in HOMES[top]:
                wrong.append(f"{path.relative_to(ROOT)} imports {module}: its home is {HOMES[top]}")
    assert not wrong, "\n".join(wrong)


def test_packages_of_detectors_import_one_way() -> None:
    for path in sorted((HOST / "detect").rglob("*.py")):
        *package, name = path.relative_to(HOST / "detect").parts
        if not package and name.removesuffix(".py") not in UNDER_DETECT:
            continue
        allowed = UNDER_DETECT | (WITHIN_DETECT[package[0]] | {package[0]} if package else set())
        for module in imported_modules(path):
            if module.startswith("ampwitness.detect."):
                assert module.split(".")[2] in allowed, f"{path.relative_to(ROOT)} imports {module}"


def test_packages_of_clips_import_one_way() -> None:
    clips = HOST / "detect" / "clips"
    assert {path.parent.name for path in clips.glob("*/__init__.py")} == set(CLIPS_ORDER)
    for path in sorted(clips.glob("*/*.py")):
        allowed = CLIPS_ORDER[: CLIPS_ORDER.index(path.parent.name) + 1]
        for module in imported_modules(path):
            if module.startswith("ampwitness.detect.clips."):
                assert module.split(".")[3] in allowed, f"{path.relative_to(ROOT)} imports {module}"


def test_nothing_imports_the_command_line() -> None:
    for path in SOURCES:
        if part_of(path) in ("cli", "__main__"):
            continue
        assert not any(name.startswith("ampwitness.cli") for name in imported_modules(path)), path


def test_the_shared_package_uses_only_what_the_board_has() -> None:
    allowed = {"struct", "binascii", "array", "collections", "micropython", "ampwire"}
    for path in sorted((ROOT / "protocol" / "ampwire").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                tops = {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                tops = {(node.module or "ampwire").partition(".")[0]}
            else:
                continue
            assert tops <= allowed, f"{path.name} imports {tops - allowed}"


def test_a_report_does_without_the_library_that_brings_seventy_megabytes() -> None:
    for path in (path for part in ("detect", "waveform", "report", "decode") for path in (HOST / part).rglob("*.py")):
        if path.name == "noise_lines.py":  # a walk's own: no report comes by
            continue
        for node in ast.parse(path.read_text(encoding="utf-8")).body:  # inside a function it may be: few come there
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            modules += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            assert not any(m.split(".")[0] == "scipy" for m in modules), f"{path.relative_to(ROOT)} loads scipy"


def test_a_virtual_board_starts_without_the_library_that_takes_a_second_to_load() -> None:
    code = "import sys, ampwitness.cli.virtual_board; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0
