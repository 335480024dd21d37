"""Every public name says what it does; waveform/ and detect/ also say what happens at a gap and what escapes them."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted([*(ROOT / "host" / "ampwitness").rglob("*.py"), *(ROOT / "protocol" / "ampwire").rglob("*.py")])
Documented = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def public_definitions(tree: ast.Module) -> Iterator[Documented]:
    for node in tree.body:
        if isinstance(node, Documented) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from (
                    child
                    for child in node.body
                    if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
                    and not child.name.startswith("_")
                    and len(child.body) > 2  # a one-line property or accessor speaks for itself
                )


def test_public_names_have_docstrings() -> None:
    missing = []
    for path in SOURCES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if (path.name != "__init__.py" or tree.body) and not ast.get_docstring(tree):
            missing.append(f"{path.relative_to(ROOT)}: the module")
        names = [node.name for node in public_definitions(tree) if not ast.get_docstring(node)]
        missing += [f"{path.relative_to(ROOT)}: {name}" for name in names]
    assert not missing, "\n".join(missing)


@pytest.mark.parametrize("folder", ["waveform", "detect"])
def test_signal_code_states_gaps_and_limits(folder: str) -> None:
    """Classes that take windows, and modules of signal functions, name their behaviour at a gap and their limits."""
    for path in sorted((ROOT / "host" / "ampwitness" / folder).rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        tree = ast.parse(text)
        takes_windows = any(
            isinstance(node, ast.ClassDef)
            and any(isinstance(child, ast.FunctionDef) and child.name == "push" for child in node.body)
            for node in tree.body
        )
        if takes_windows and path.name != "result.py":
            docs = " ".join(
                ast.get_docstring(node) or ""
                for node in [tree, *ast.walk(tree)]
                if isinstance(node, ast.Module | ast.ClassDef)
            )
            assert "Gaps" in docs, f"{path.name}: says nothing about gaps"
            assert "Limits" in docs, f"{path.name}: says nothing about its limits"


CLIPS = ROOT / "host" / "ampwitness" / "detect" / "clips"
WITH_A_MAP = [
    "notes",
    "supply",
    "cutouts",
    "clips",
    *(f"clips/{path.parent.name}" for path in CLIPS.glob("*/__init__.py")),
]


@pytest.mark.parametrize("name", WITH_A_MAP)
def test_the_map_of_a_package_names_each_module_and_none_that_is_gone(name: str) -> None:
    folder = ROOT / "host" / "ampwitness" / "detect" / name
    said = ast.get_docstring(ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))) or ""
    held = {path.stem for path in folder.glob("*.py")} - {"__init__"}
    held |= {path.parent.name for path in folder.glob("*/__init__.py")}
    assert set(re.findall(r"`(\w+)`", said)) == held
