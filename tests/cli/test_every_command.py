"""What holds for every command: help with an example, JSON beside every table, no colour when piped, plain errors."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from ampwitness.cli import BENCH_COMMANDS, INSTALLER_COMMANDS, cli
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NamedPath
from ampwitness.cli.wrapped import as_typed, report_width
from ampwitness.recording.writer import RecordingWriter

# Why a command has no --json: it prints no table.
NO_TABLE = {
    "completion": "prints a script for a shell",
    "live": "shows a page and prints its address",
    "virtual-board": "prints its port, for a script to read, and runs",
    "job new": "says one sentence",
    "job channel": "says one sentence",
}


def every_command() -> Iterator[tuple[str, click.Command]]:
    context = click.Context(cli)
    for name in (*INSTALLER_COMMANDS, *BENCH_COMMANDS):
        command = cli.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            for inner in command.list_commands(context):
                found = command.get_command(context, inner)
                assert found is not None
                yield f"{name} {inner}", found
        else:
            yield name, command


NAMES = [name for name, _ in every_command()]


@pytest.mark.parametrize("name", NAMES)
def test_help_has_an_example_whose_options_exist(name: str) -> None:
    command = dict(every_command())[name]
    assert command.epilog
    assert "Example" in command.epilog
    assert f"ampwitness {name}" in command.epilog
    known = {option for parameter in command.params for option in parameter.opts + parameter.secondary_opts}
    for said in re.findall(rf"ampwitness {re.escape(name)}([^,.;]*)", command.epilog):
        for option in re.findall(r"(?<!\S)--[a-z-]+", said):
            assert option in known, f"{name}: the example says {option}"
    assert command.help
    for parameter in command.params:
        if isinstance(parameter, click.Option) and not parameter.hidden and parameter.name != "help":
            assert parameter.help, f"{name}: {parameter.opts[0]} has no help"


@pytest.mark.parametrize("name", NAMES)
def test_tables_can_be_had_as_json(name: str) -> None:
    command = dict(every_command())[name]
    has_json = any("--json" in parameter.opts for parameter in command.params)
    assert has_json != (name in NO_TABLE), f"{name}: {'has' if has_json else 'lacks'} --json"


def test_what_is_piped_has_no_colour_and_fits(
    run: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for arguments in (
        ["--help"], ["job", "--help"], ["report", "--help"], ["explain", "clip"], ["explain", "--words"],
        ["cable", "--help"], ["job", "new", "van"], ["job", "show", "van"],
    ):  # fmt: skip
        done = run(*arguments)
        assert done.code == 0, done.err
        assert "\x1b" not in done.out + done.err
        assert max(map(len, done.out.splitlines())) <= 100
    assert json.loads(run("job", "skip", "van", "soak", "--reason", "none today", "--json").out)["state"] == "skipped"
    plain = json.loads(run("job", "show", "van", "--json").out)
    assert plain["states"]["soak"] == "skipped"
    assert plain["next"] == "before-power"


def test_a_real_pipe_gets_no_colour() -> None:
    done = subprocess.run([sys.executable, "-m", "ampwitness", "--help"], capture_output=True, timeout=60)
    assert done.returncode == 0
    assert b"\x1b" not in done.stdout


def test_errors_say_what_where_and_what_to_do(run: Callable[..., Any], tmp_path: Path) -> None:
    """One sentence each, a code of their own, nothing on the standard output."""
    (tmp_path / "odd.mcap").write_bytes(b"this is no recording" * 50)
    RecordingWriter(tmp_path / "empty.mcap", {}).close()
    cases = {
        ("report", tmp_path / "none.mcap"): 6,
        ("report", tmp_path / "odd.mcap"): 6,
        ("report", tmp_path / "empty.mcap"): 6,
        ("sheet", tmp_path / "none.json"): 6,
        ("sheet",): 2,
        ("job", "show", tmp_path / "nowhere"): 21,
        ("explain", "nonsense"): 2,
        ("find-noise", "--from", f"shorted-off={tmp_path / 'none.mcap'}"): 6,
        ("report", tmp_path / "odd.mcap", "--html"): 2,
        ("nonsense",): 2,
    }
    for arguments, code in cases.items():
        done = run(*arguments)
        assert done.code == code, done.err
        assert done.out == ""
        last = done.err.strip().splitlines()[-1]
        assert len(last.split()) >= 4, done.err


def _has_room(lines: list[str], columns: int) -> None:
    """No line is wider, unless a single word is, or, on a very narrow one, a command that is to be copied whole."""
    for line in lines:
        if columns < 60 and line.lstrip().startswith("ampwitness "):
            continue
        assert len(line) <= columns or max(map(len, line.split())) > columns - 12, f"at {columns}: {line}"


@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.parametrize("name", NAMES)
def test_help_fits_the_terminal(
    name: str, columns: int, run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    done = run(*name.split(), "--help")
    assert done.code == 0, done.err
    _has_room(done.out.splitlines(), columns)


@pytest.mark.parametrize("columns", [40, 60, 120])
def test_what_is_printed_fits_the_terminal(
    columns: int, run: Callable[..., Any], music: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", str(columns))
    shutil.copy(music, tmp_path / "music.mcap")
    assert run("job", "new", "van").code == 0
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    for arguments in (
        ["verify", "music.mcap"], ["report", "music.mcap"], ["sheet", "music.mcap"], ["front-end"],
        ["cable", "--awg", "4", "--length", "5", "--amps", "100"], ["boards", "--port", "/dev/nowhere"],
        ["explain", "clip"], ["job", "show", "van"], ["job", "compare", "van"], ["job", "new", "other"],
        ["tones", "--seconds", "1"], ["find-noise", "--from", "shorted-off=music.mcap"],
        ["reduce", "music.mcap", "--out", "music-reduced.mcap"],
    ):  # fmt: skip
        done = run(*arguments)
        assert done.code == 0, done.err
        assert done.out.strip()
        _has_room(done.out.splitlines(), columns)
    _has_room(run("report", "none.mcap").err.splitlines(), columns)


@pytest.mark.parametrize(("columns", "laid_out_for"), [(30, 40), (40, 40), (59, 59), (200, 110)])
def test_a_report_is_laid_out_once(columns: int, laid_out_for: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Laid out for more than the terminal has, each line was broken again, into a long and a short piece in turn."""
    monkeypatch.setenv("COLUMNS", str(columns))
    assert report_width() == laid_out_for


def test_what_is_piped_keeps_its_lines_whole(run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    assert max(map(len, run("front-end").out.splitlines())) > 100


def test_a_command_to_copy_keeps_a_name_with_blanks_whole() -> None:
    assert as_typed("report", Path("blue van/a.mcap"), "--html", "a.html") == (
        "ampwitness report 'blue van/a.mcap' --html a.html"
    )


def test_no_number_may_be_endless() -> None:
    for option in (option for _, command in every_command() for option in command.params):
        assert not isinstance(option.type, click.types.FloatParamType) or isinstance(option.type, FiniteRange), option
        if isinstance(option.type, FiniteRange):
            for word in ("nan", "inf", "-inf"):
                with pytest.raises(click.BadParameter, match="no finite number"):
                    option.type.convert(word, option, None)


def test_every_file_is_named() -> None:
    """No name is no file, and whether a file can be read says whoever reads it: not click, in its usage lines."""
    for option in (option for _, command in every_command() for option in command.params):
        if isinstance(option.type, click.Path):
            assert isinstance(option.type, NamedPath), option
            assert not option.type.readable
            with pytest.raises(click.BadParameter, match="empty"):
                option.type.convert("", option, None)
