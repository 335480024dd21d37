"""The README's promises that can be checked without running them, and that CI runs its very command."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = [
    "README.md",
    "DEVELOPERS.md",
    "firmware/README.md",
    "protocol/SPEC.md",
    "protocol/RECORDING.md",
    "host/API.md",
]


def test_the_two_commands_stand_alone_and_name_existing_extras() -> None:
    commands = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert len(commands) == 2
    assert commands[0].endswith("ampwitness demo")
    assert "pytest" in commands[1]
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8").partition("[project.optional-dependencies]")[2]
    extras = re.findall(r"^(\w+) = \[", project, flags=re.MULTILINE)
    for command in commands:
        named = re.search(r"\.\[(\w+)\]", command)
        assert named is not None
        assert named.group(1) in extras


def test_ci_runs_the_readme_command_and_nothing_else() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "grep -m1 'pytest' README.md" in script
    first_with_pytest = next(line for line in README.splitlines() if "pytest" in line)
    assert first_with_pytest.startswith("python3 -m venv")


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str) -> None:
    path = ROOT / document
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", text):
        if "://" not in target:
            assert (path.parent / target).exists(), f"{document} links to {target}, which is not there"


def test_what_developers_read_names_modules_that_are_there() -> None:
    """It names them without their folder: a module that was renamed or dropped must not live on there."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    folders = ("host", "protocol", "firmware", "tests")
    there = {path.name for folder in folders for path in (ROOT / folder).rglob("*.py")}
    named = set(re.findall(r"\w+\.py\b", text))
    assert len(named) > 100
    assert named - there == set()


def test_top_level_is_as_drawn() -> None:
    """Only what the layout names, plus what tools demand."""
    expected = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "firmware",
        "host",
        "protocol",
        "tests",
        "hardware-notes",
    }
    tools = {".ci", ".gitignore", "LICENSE", ".git"}
    made_by_tools = {".venv", ".pytest_cache", ".mypy_cache", ".ruff_cache", ".hypothesis", "build", "dist"}
    present = {path.name for path in ROOT.iterdir()}
    assert expected <= present
    assert present - expected - tools - made_by_tools == set()
