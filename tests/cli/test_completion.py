"""Shell completion, by a real bash where there is one."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-m", "ampwitness"]


def script(shell: str) -> str:
    done = subprocess.run([*COMMAND, "completion", shell], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


def complete(tmp_path: Path, *words: str) -> list[str]:
    """What bash offers for the last of the words after the tabulator key."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("bash is not installed here")
    folder = tmp_path / "bin"
    folder.mkdir(exist_ok=True)
    program = folder / "ampwitness"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m ampwitness "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    (tmp_path / "completion.bash").write_text(script("bash"), encoding="utf-8")
    typed = " ".join(f"'{word}'" for word in words)
    asked = f"""
    source '{tmp_path / "completion.bash"}'
    COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}
    name=$(complete -p ampwitness | sed 's/.*-F \\([^ ]*\\).*/\\1/')
    "$name" ampwitness '{words[-1]}' '{words[-2]}'
    printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    environment = {**os.environ, "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}"}
    done = subprocess.run(
        [bash, "--norc", "-c", asked], capture_output=True, text=True, timeout=60, env=environment, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def test_bash_completes_commands_sub_commands_options_and_choices(tmp_path: Path) -> None:
    assert complete(tmp_path, "ampwitness", "set") == ["set-gain"]
    assert set(complete(tmp_path, "ampwitness", "job", "")) == {"new", "channel", "add", "skip", "show", "compare"}
    assert complete(tmp_path, "ampwitness", "sheet", "--pap") == ["--paper"]
    assert complete(tmp_path, "ampwitness", "job", "skip", "van", "noi") == ["noise"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_its_script(shell: str) -> None:
    text = script(shell)
    assert "_AMPWITNESS_COMPLETE" in text
    assert "ampwitness" in text
    there = shutil.which(shell)
    if there is not None:
        checked = subprocess.run([there, "-n"], input=text, capture_output=True, text=True, timeout=60)
        assert checked.returncode == 0, checked.stderr
