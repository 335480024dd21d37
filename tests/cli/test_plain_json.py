"""Files of JSON that cannot be read: every command that takes one says why, in words."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ampwitness.errors import RecordingUnreadableError
from ampwitness.plain_json import UnreadableTextError, read_json
from ampwitness.recording import open_recording

BROKEN = {
    "none": (None, "there is no such file"),
    "empty": (b" \n", "it is empty"),
    "torn": (b'{"a": 1,\n"b": [', "line 2 is no JSON"),
    "foreign": (b"\x89\x00\xff", "it is no text"),
    "deep": (b"[" * 100_000, "it is nested too deeply"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_every_command_says_why(name: str, run: Callable[..., Any], tmp_path: Path) -> None:
    content, why = BROKEN[name]
    path = tmp_path / "a.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UnreadableTextError, match=why):
        read_json(path)
    (tmp_path / "van").mkdir()
    assert run("job", "new", tmp_path / "van").code == 0
    commands = {
        ("sheet", path): 6,
        ("check-supply", "--answers", path): 6,
        ("virtual-board", "--scenario", "demo", "--inputs", path): 2,
        ("job", "add", tmp_path / "van", "noise", path): 21,
    }
    if content is not None:
        commands |= {("job", "show", path): 21, ("report", __file__, "--calibration", path): 20}
    for arguments, code in commands.items():
        done = run(*arguments)
        assert done.code == code, done.err
        assert why in done.err
        assert str(path) in done.err


def test_a_folder_or_a_device_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(UnreadableTextError, match="it is a folder"):
        read_json(tmp_path)
    if Path("/dev/zero").exists():  # it never ends
        with pytest.raises(UnreadableTextError, match="it is a device"):
            read_json(Path("/dev/zero"))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(UnreadableTextError, match="it is a pipe"):
        read_json(pipe)
    with pytest.raises(RecordingUnreadableError, match="is a pipe"):
        open_recording(pipe)
