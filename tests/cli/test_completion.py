"""Shell completion, by real shells where they are installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-m", "ampwitness"]


@cache
def script(shell: str) -> str:
    done = subprocess.run([*COMMAND, "completion", shell], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


def find_shell(name: str) -> str:
    """Where the shell is; the test is skipped where it is not."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed here")
    return found


def prepare(tmp_path: Path, shell: str) -> dict[str, str]:
    """A folder with `ampwitness` and the shell's script; the environment in which the shell finds the program."""
    folder = tmp_path / "bin"
    folder.mkdir(exist_ok=True)
    program = folder / "ampwitness"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m ampwitness "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    (tmp_path / f"completion.{shell}").write_text(script(shell), encoding="utf-8")
    home = {"HOME": str(tmp_path), "ZDOTDIR": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}
    return {**os.environ, **home, "TERM": "dumb", "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}"}


def complete(tmp_path: Path, *words: str) -> list[str]:
    """What bash offers for the last of the words after the tabulator key."""
    bash = find_shell("bash")
    environment = prepare(tmp_path, "bash")
    typed = " ".join(f"'{word}'" for word in words)
    asked = f"""
    source '{tmp_path / "completion.bash"}'
    COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}
    name=$(complete -p ampwitness | sed 's/.*-F \\([^ ]*\\).*/\\1/')
    "$name" ampwitness '{words[-1]}' '{words[-2]}'
    printf '%s\\n' "${{COMPREPLY[@]}}"
    """
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


def test_fish_completes_commands_sub_commands_options_and_choices(tmp_path: Path) -> None:
    fish = find_shell("fish")
    environment = prepare(tmp_path, "fish")

    def offered(typed: str) -> list[str]:
        """What fish offers after the tabulator key, without the words beside it."""
        asked = f"source '{tmp_path / 'completion.fish'}'; complete --do-complete '{typed}'"
        done = subprocess.run(
            [fish, "--no-config", "-c", asked],
            capture_output=True, text=True, timeout=60, env=environment, cwd=tmp_path,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return [line.split("\t")[0] for line in done.stdout.splitlines()]

    assert offered("ampwitness set") == ["set-gain"]
    assert set(offered("ampwitness job ")) == {"new", "channel", "add", "skip", "show", "compare"}
    assert offered("ampwitness sheet --pap") == ["--paper"]
    assert offered("ampwitness job skip van noi") == ["noise"]


@pytest.mark.parametrize(
    ("typed", "completed"),
    [
        ("ampwitness set", "ampwitness set-gain"),
        ("ampwitness job cha", "ampwitness job channel"),
        ("ampwitness sheet --pap", "ampwitness sheet --paper"),
        ("ampwitness job skip van noi", "ampwitness job skip van noise"),
    ],
)
def test_zsh_completes_at_the_tabulator_key(tmp_path: Path, typed: str, completed: str) -> None:
    """A real zsh behind a terminal of its own: what stands on its line after the key is written to a file."""
    zsh = find_shell("zsh")
    environment = prepare(tmp_path, "zsh")
    told = tmp_path / "line.txt"
    typing = f"""
    zmodload zsh/zpty
    zpty shell {zsh} -f -i
    zpty -w shell "PS1= ; autoload -U compinit; compinit -u -D; source '{tmp_path / "completion.zsh"}'"
    zpty -w shell 'tell() {{ print -r -- "$BUFFER" > "{told}.part" && mv "{told}.part" "{told}"; BUFFER=""; }}'
    zpty -w shell 'zle -N tell; bindkey "^G" tell; bindkey "^I" complete-word'
    zpty -w -n shell '{typed}'$'\t\a'
    for _ in {{1..600}}; do [[ -e '{told}' ]] && break; zpty -r -t shell _heard; sleep 0.05; done
    zpty -d shell
    """
    done = subprocess.run(
        [zsh, "-f", "-c", typing], capture_output=True, text=True, timeout=90, env=environment, cwd=tmp_path
    )
    assert told.exists(), done.stdout + done.stderr
    assert told.read_text().rstrip() == completed


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_its_script(shell: str) -> None:
    text = script(shell)
    assert "_AMPWITNESS_COMPLETE" in text
    assert "ampwitness" in text
    there = shutil.which(shell)
    if there is not None:
        checked = subprocess.run([there, "-n"], input=text, capture_output=True, text=True, timeout=60)
        assert checked.returncode == 0, checked.stderr
