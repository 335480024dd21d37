"""`ampwitness ARGUMENTS` in a process of its own that need not load the libraries first: two seconds less a command.

A server, one for each test process, has imported every command and forks for each call. What a command does, prints and
answers is that of `python -m ampwitness`; where starting is itself what a test shows, it starts that.
"""

from __future__ import annotations

import atexit
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

_SERVER = """
import importlib, json, os, sys, warnings
import ampwitness.cli as commands
for module, _, _ in [*commands.INSTALLER_COMMANDS.values(), *commands.BENCH_COMMANDS.values()]:
    importlib.import_module("ampwitness.cli." + module)
warnings.simplefilter("ignore", DeprecationWarning)  # forking beside the threads of a library that are idle
asked, told = os.fdopen(int(sys.argv[1])), int(sys.argv[2])
while line := asked.readline():
    wanted = json.loads(line)
    pid = os.fork()
    if pid == 0:
        os.close(told)
        asked.close()
        warnings.resetwarnings()
        for number, (path, flags) in enumerate(wanted["streams"]):
            opened = os.open(path, flags)
            os.dup2(opened, number)
            os.close(opened)
        os.chdir(wanted["cwd"])
        os.environ.clear()
        os.environ.update(wanted["environment"])
        sys.argv = ["ampwitness", *wanted["arguments"]]
        commands.main()
    os.write(told, b"%d " % pid)
    os.write(told, b"%d\\n" % os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
"""


class _Server:
    def __init__(self) -> None:
        theirs_in, self._ask = os.pipe()
        self._told, theirs_out = os.pipe()
        command = [sys.executable, "-c", _SERVER, str(theirs_in), str(theirs_out)]
        self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, pass_fds=(theirs_in, theirs_out))
        os.close(theirs_in)
        os.close(theirs_out)
        self.owner = os.getpid()

    def close(self) -> None:
        if os.getpid() == self.owner:
            os.close(self._ask)
            self._process.wait(timeout=60)

    def call(self, wanted: dict[str, object], timeout_s: float) -> int:
        os.write(self._ask, json.dumps(wanted).encode() + b"\n")
        said = b""
        while not said.endswith(b"\n"):
            if not select.select([self._told], [], [], timeout_s)[0]:
                os.kill(int(said.split()[0]), signal.SIGKILL)
                said = b""
                while not said.endswith(b"\n"):
                    said += os.read(self._told, 100)
                raise subprocess.TimeoutExpired(str(wanted["arguments"]), timeout_s)
            piece = os.read(self._told, 100)
            assert piece, "the server of commands has ended"
            said += piece
        return int(said.split()[1])


_servers: list[_Server] = []


def call(
    *arguments: str | Path,
    typed: str | None = None,
    environment: dict[str, str] | None = None,
    cwd: Path | None = None,
    timeout_s: float = 180.0,
) -> subprocess.CompletedProcess[str]:
    """Run one command to its end; what it printed and its exit code, as `subprocess.run` gives them."""
    words = [str(argument) for argument in arguments]
    if not hasattr(os, "fork"):
        return subprocess.run(
            [sys.executable, "-m", "ampwitness", *words],
            capture_output=True, text=True, timeout=timeout_s, input=typed or "", env=environment, cwd=cwd,
        )  # fmt: skip
    if not _servers:
        _servers.append(_Server())
        atexit.register(_servers[0].close)
    with tempfile.TemporaryDirectory() as folder:
        given, out, err = (Path(folder) / name for name in ("in", "out", "err"))
        given.write_text(typed or "", encoding="utf-8")
        create = os.O_WRONLY | os.O_CREAT
        wanted = {
            "arguments": words,
            "cwd": str(cwd or Path.cwd()),
            "environment": dict(os.environ if environment is None else environment),
            "streams": [(str(given), os.O_RDONLY), (str(out), create), (str(err), create)],
        }
        code = _servers[0].call(wanted, timeout_s)
        return subprocess.CompletedProcess(words, code, out.read_text("utf-8"), err.read_text("utf-8"))
