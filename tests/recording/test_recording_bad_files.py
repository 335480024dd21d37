"""Files that are no recording: one clear sentence each, never a traceback."""

from __future__ import annotations

import os
import random
import tempfile
import wave
from pathlib import Path

import pytest
from ampwitness.errors import RecordingUnreadableError
from ampwitness.recording import RecordingWriter, open_recording
from ampwitness.types import Chunk
from mcap.writer import Writer


def _refused(path: Path) -> str:
    with pytest.raises(RecordingUnreadableError) as caught:
        list(open_recording(path).iter_chunks())
    sentence = str(caught.value)
    assert str(path) in sentence
    assert "\n" not in sentence
    assert caught.value.exit_code == 6
    return sentence


def test_missing_empty_directory_device(tmp_path: Path) -> None:
    assert "There is no file" in _refused(tmp_path / "absent.mcap")
    (tmp_path / "empty.mcap").write_bytes(b"")
    assert "is empty" in _refused(tmp_path / "empty.mcap")
    assert "is a directory" in _refused(tmp_path)
    assert "record --port" in _refused(Path("/dev/null"))
    assert "Not a directory" in _refused(tmp_path / "empty.mcap" / "below")


def test_a_file_cut_off_in_its_first_records(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "whole.mcap", {"amplifier": "bench"}) as writer:
        writer.append(Chunk(b"x" * 1000, 1000.0))
    whole, path = (tmp_path / "whole.mcap").read_bytes(), tmp_path / "x.mcap"
    notes_stop = whole.index(b"bench") + len(b"bench")
    for n_bytes, said in ((4, "cut off after 4 bytes"), (8, "cut off after 8 bytes"), (40, "the beginning of a rec")):
        path.write_bytes(whole[:n_bytes])
        assert said in _refused(path)
        assert "notes" not in _refused(path)
    path.write_bytes(whole[:notes_stop])
    assert "holds notes but not one received byte" in _refused(path)


def test_sound_text_and_bytes_without_a_frame_end(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    with wave.open(str(path), "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(8000)
        sound.writeframes(bytes(100))
    assert "sound file (WAV)" in _refused(path)
    path = tmp_path / "x.csv"
    path.write_text("time_s,volts\n" + "0.1,12.5\u00a0\u00b5V\n" * 20_000)
    assert "text file" in _refused(path)
    path = tmp_path / "x.bin"
    path.write_bytes(bytes(b or 1 for b in random.Random(1).randbytes(100_000)))
    assert "no end of a frame" in _refused(path)


def test_an_mcap_file_of_another_program(tmp_path: Path) -> None:
    path = tmp_path / "x.mcap"
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start(profile="someone's")
        writer.finish()
    assert "another program" in _refused(path)


def test_a_medium_that_fails_while_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "wire.bin"
    path.write_bytes(b"\x01\x02\x00" * 1000)
    recording = open_recording(path)
    os.unlink(path)  # stands for a stick that was pulled
    with pytest.raises(RecordingUnreadableError, match="cannot be read on"):
        list(recording.iter_chunks())


@pytest.mark.skipif(not hasattr(os, "fork"), reason="permissions are tested where a process can change its user")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "x.mcap"
    path.write_bytes(b"\x01\x02\x00")
    path.chmod(0)
    if os.geteuid() != 0:
        assert "You may not read" in _refused(path)
        return
    # root may read everything: try as nobody, in a child
    for directory in (tmp_path, *tmp_path.parents):
        if directory.stat().st_uid == 0 and Path(tempfile.gettempdir()) in directory.parents:
            directory.chmod(0o755)
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.setuid(65534)
            try:
                open_recording(path)
            except RecordingUnreadableError as error:
                code = 0 if "You may not read" in str(error) else 2
        finally:
            os._exit(code)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
