"""Ctrl-C while the program still loads ends it in a sentence."""

from __future__ import annotations

import subprocess
import sys

import pytest

LOADING = """
import os, signal, sys
class Hook:
    def find_spec(self, name, path=None, target=None):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Hook())
sys.argv = ["ampwitness", "--version"]
from ampwitness.__main__ import main
main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals are sent as POSIX has them")
@pytest.mark.parametrize("module", ["ampwitness.cli", "click", "ampwitness.cli.wrapped"])
def test_ctrl_c_while_modules_load_is_one_sentence(module: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADING.format(module=module)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "ampwitness: stopped.\n")


def test_what_it_does_otherwise_is_the_command_line_itself() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "ampwitness", "--version"], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.startswith("ampwitness, version")
