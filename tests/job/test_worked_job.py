"""The worked job is run as a new user would: every command of the page, and every line that it says is printed."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from warm_command import call

PAGE = Path(__file__).resolve().parents[2] / "host" / "worked-job.md"
# A block of JSON is a file, named at the end of the paragraph above it; `typed` is typed into the command above.
BLOCK = re.compile(r"(?:`([\w.]+)`:\n\n)?^```(sh|text|json|typed)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@pytest.fixture
def boards() -> Iterator[list[subprocess.Popen[str]]]:
    running: list[subprocess.Popen[str]] = []
    yield running
    for process in running:
        process.terminate()
        process.wait(timeout=20)
        assert process.stdout is not None
        process.stdout.close()


def is_printed(line: str, output: str) -> bool:
    parts = [re.escape(" ".join(part.split())) for part in line.split("...")]
    return re.search(r".*?".join(parts).replace(r"\ ", " "), output) is not None


@pytest.mark.long
def test_the_page_holds(tmp_path: Path, boards: list[subprocess.Popen[str]]) -> None:
    environment = {**os.environ, "AMPWITNESS_FOLDER": str(tmp_path / "settings"), "COLUMNS": "100"}
    output = ""
    n_commands = n_lines = 0
    blocks = BLOCK.findall(PAGE.read_text(encoding="utf-8"))
    for number, (name_above, kind, body) in enumerate(blocks):
        if kind == "typed":
            continue
        if kind == "json":
            assert name_above, "a block of JSON without the name of its file"
            (tmp_path / name_above).write_text(body, encoding="utf-8")
            continue
        if kind == "text":
            for line in filter(None, body.splitlines()):
                assert is_printed(line, output), f"not printed: {line!r}, but:\n{output}"
                n_lines += 1
            continue
        pieces = []
        after = blocks[number + 1] if number + 1 < len(blocks) else ("", "", "")
        typed = after[2].replace("Enter", "") if after[1] == "typed" else ""
        for line in body.splitlines():
            name, *arguments = shlex.split(line)
            assert name == "ampwitness", f"the page speaks of {name!r}"
            command = [sys.executable, "-m", "ampwitness", *arguments]
            n_commands += 1
            if arguments[-1] == "&":
                for process in boards:
                    process.terminate()
                    process.wait(timeout=20)
                process = subprocess.Popen(command[:-1], stdout=subprocess.PIPE, text=True, cwd=tmp_path)
                boards.append(process)
                assert process.stdout is not None
                assert process.stdout.readline().startswith("port: ")
                continue
            done = call(*arguments, typed=typed, timeout_s=120, cwd=tmp_path, environment=environment)
            assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
            pieces.append(done.stdout)
        output = " ".join(" ".join(pieces).split())
    assert n_commands > 21
    assert n_lines > 20
