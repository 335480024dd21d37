"""Long lines broken between words where they are shown on a terminal; what is piped keeps its lines whole."""

from __future__ import annotations

import shlex
import shutil
import sys
import textwrap
from pathlib import Path
from typing import TextIO

import click

from ampwitness.units import bind_units, unbind_units

NARROWEST, WIDEST = 40, 120
WIDEST_REPORT = 110


def report_width(widest: int = WIDEST_REPORT) -> int:
    """Columns that a report or a sheet is laid out for: the terminal's, within what reads well; in a pipe 100.

    As narrow as `wrapped` goes: what is laid out for more than the terminal has is broken a second time by it.
    """
    return min(widest, max(NARROWEST, shutil.get_terminal_size((100, 24)).columns))


def wrapped(text: str, stream: TextIO | None = None) -> str:
    """Lines that are too long for the terminal, gone on with under themselves. Default stream: standard output.

    Paths and other long words are never broken: they can still be copied whole.
    """
    if not (stream or sys.stdout).isatty():
        return text
    width = min(WIDEST, max(NARROWEST, shutil.get_terminal_size((80, 24)).columns))
    return "\n".join(_wrapped_line(line, width) for line in text.split("\n"))


def as_typed(*words: str | Path) -> str:
    """A command of this program as it is typed into a shell: a name with blanks in it stays one word."""
    return shlex.join(["ampwitness", *map(str, words)])


def say(text: str, *, err: bool = False) -> None:
    """Print a sentence, its lines broken where it goes to a terminal. `err`: on standard error."""
    click.echo(wrapped(text, sys.stderr if err else sys.stdout), err=err)


def _wrapped_line(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    under = " " * (len(line) - len(line.lstrip()) + 2)
    bound = bind_units(line)
    return unbind_units(
        textwrap.fill(bound, width, subsequent_indent=under, break_long_words=False, break_on_hyphens=False)
    )
