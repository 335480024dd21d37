"""A killed recorder loses at most the last second; a full disk ends the recording and costs nothing written."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from ampwitness.errors import DiskFullError
from ampwitness.recording import RecordingWriter, open_recording
from ampwitness.types import Chunk

# Appends 1 kB every 20 ms, each byte string naming its number, and says on stdout what it has handed over.
_RECORDER = """
import sys, time
from ampwitness.recording import RecordingWriter
from ampwitness.types import Chunk
writer = RecordingWriter(sys.argv[1], {"amplifier": "killed"})
k = 0
while True:
    writer.append(Chunk(b"%08d" % k * 128, time.time()))
    k += 1
    print(k, time.time(), flush=True)
    time.sleep(0.02)
"""


def test_kill_9_loses_at_most_the_last_second(tmp_path: Path) -> None:
    path = tmp_path / "killed.mcap"
    with subprocess.Popen([sys.executable, "-c", _RECORDER, str(path)], stdout=subprocess.PIPE, text=True) as process:
        time.sleep(3.7)
        process.send_signal(signal.SIGKILL)
        assert process.stdout is not None
        lines = [line.split() for line in process.stdout.read().splitlines()]
    n_given, killed_at_s = int(lines[-1][0]), float(lines[-1][1])
    recording = open_recording(path)
    chunks = list(recording.iter_chunks())
    read = b"".join(chunk.raw for chunk in chunks)
    assert read == b"".join(b"%08d" % k * 128 for k in range(len(read) // 1024))
    first_lost = len(read) // 1024
    assert n_given > 80  # it did record for seconds
    lost_s = killed_at_s - float(lines[first_lost - 1][1])
    assert lost_s <= 1.0
    assert recording.is_torn
    assert recording.notes == {"amplifier": "killed"}
    assert killed_at_s - chunks[-1].host_s <= 1.0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 4 MB; skipped where this user may not mount one."""
    mount = tmp_path / "disk"
    mount.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(mount)], capture_output=True)
    if done.returncode:
        pytest.skip("no right to mount a small file system; the file-size limit stands in for it")
    yield mount
    subprocess.run(["umount", str(mount)], check=True)


def _record_until_full(writer: RecordingWriter) -> tuple[bytes, str]:
    sent: list[bytes] = []

    def fill() -> None:
        for k in range(10_000):
            sent.append(os.urandom(2000))
            writer.append(Chunk(sent[-1], 1000.0 + 0.02 * k))

    with pytest.raises(DiskFullError) as caught:
        fill()
    return b"".join(sent), str(caught.value)


def test_a_full_disk_is_seen_in_time_and_the_recording_closed(small_disk: Path) -> None:
    path = small_disk / "a.mcap"
    sent, sentence = _record_until_full(RecordingWriter(path, {}))
    recording = open_recording(path)
    read = b"".join(chunk.raw for chunk in recording.iter_chunks())
    assert "disk" in sentence
    assert "What was received up to then is kept." in sentence  # one part among several cannot tell how much
    assert not recording.is_torn
    assert recording.end["why"] == "disk full"
    assert sent.startswith(read)
    assert len(sent) - len(read) <= 2000  # the piece that made the message full; nothing else waited
    assert len(read) > 3_000_000
    assert os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize > 100_000  # the reserve is still free


def test_a_disk_that_others_fill_to_the_last_byte(small_disk: Path) -> None:
    path = small_disk / "a.mcap"
    writer = RecordingWriter(path, {}, reserve_bytes=0)
    sent, sentence = _record_until_full(writer)
    recording = open_recording(path)
    read = b"".join(chunk.raw for chunk in recording.iter_chunks())
    assert "did not fit" in sentence
    assert recording.is_torn
    assert sent.startswith(read)
    assert len(read) == writer.n_bytes
    assert len(sent) - len(read) <= 100_000  # a second
    assert len(read) > 3_500_000


def test_too_little_space_to_start(small_disk: Path) -> None:
    (small_disk / "filler").write_bytes(bytes(3_900_000))
    with pytest.raises(DiskFullError, match="too little to start"):
        RecordingWriter(small_disk / "a.mcap", {})
    assert not (small_disk / "a.mcap").exists()


def test_a_file_size_limit_counts_as_a_full_disk(tmp_path: Path) -> None:
    """A quota or a limit shows only when a write fails: what was written stays, and reads up to the tear."""
    path = tmp_path / "a.mcap"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    writer = RecordingWriter(path, {})
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, hard))
        sent, sentence = _record_until_full(writer)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    read = b"".join(chunk.raw for chunk in open_recording(path).iter_chunks())
    assert "disk is full" in sentence
    assert sent.startswith(read)
    assert len(read) == writer.n_bytes > 1_000_000 - 2_000
    writer.close()  # harmless after the failure
