"""`record`, as a person or a script meets it: what is kept, what is said, which exit code."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import Mock

import pytest
from ampwitness.cli import cli
from ampwitness.cli.live_line import Counts, LiveLine, count, live_text
from ampwitness.cli.soak import Streaming
from ampwitness.decode import iter_decoded
from ampwitness.detect.supply.engine_marks import read_engine_label
from ampwitness.link import finding as finding_module
from ampwitness.link import session as session_module
from ampwitness.link.monitor import LiveLevels, StreamMonitor
from ampwitness.link.port import PortListing
from ampwitness.recording import open_recording
from ampwitness.types import Mark
from click.testing import CliRunner
from fake_board import RATE_HZ, FakeBoard, samples_payload

Run = Callable[..., Any]

BYTES_PER_SECOND = RATE_HZ / 38 * 256


def _bytes(path: Path) -> bytes:
    return b"".join(chunk.raw for chunk in open_recording(path).iter_chunks())


def _one_sentence(err: str) -> str:
    """The error line; nothing that looks like a traceback."""
    assert "Traceback" not in err
    lines = [line for line in err.splitlines() if line.startswith("ampwitness: ")]
    assert len(lines) == 1, err
    return lines[0]


def test_a_recording_of_a_given_length_with_notes(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with FakeBoard() as board:
        ran = run(
            "record", "--port", board.name, "--seconds", 1.5, "--out", path, "--amplifier", "bench amplifier",
            "--load-ohm", 4, "--load-kind", "resistor", "--nominal-supply", 13.8, "--reference", "battery-negative",
            "--remark", "lid open", "--remark", "warm", "--json", "--mode", "wide",
            "--clamp-a-per-v", 50, "--clamp-zero-v", 2.4, "--efficiency", 0.8, "--battery-kind", "AGM",
        )  # fmt: skip
        sent = bytes(board.sent)
    assert ran.code == 0, ran.err
    assert "passenger" in ran.err
    result = json.loads(ran.out)
    assert 1.5 <= result["recorded_s"] < 1.8
    assert result["n_scans_lost"] == result["n_frames_lost"] == result["n_bad_frames"] == 0
    assert result["ended"] == "seconds reached"
    assert result["mode"] == "wide"
    kept = _bytes(path)
    assert kept in sent
    assert len(kept) == result["n_bytes"]
    recording = open_recording(path)
    assert not recording.is_torn
    wanted = {
        "amplifier": "bench amplifier", "load_ohm": 4.0, "load_kind": "resistor", "nominal_supply_v": 13.8,
        "reference_point": "battery-negative", "remarks": "lid open\nwarm", "asked_mode": "wide", "board_mode": "wide",
        "board_id": "fake-0001", "port": board.name, "current_a_per_v": 50.0, "efficiency": 0.8,
        "current_zero_v": 2.4, "battery_kind": "AGM",
    }  # fmt: skip
    assert wanted.items() <= recording.notes.items()
    assert abs(float(str(recording.notes["started_host_s"])) - time.time()) < 60


def test_the_file_is_named_by_date_and_never_overwritten(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with FakeBoard() as board:
        assert run("record", "--port", board.name, "--seconds", 0.2).code == 0
        (made,) = tmp_path.iterdir()
        assert re.fullmatch(r"ampwitness-\d{8}-\d{6}\.mcap", made.name)
        before = made.read_bytes()
        ran = run("record", "--port", board.name, "--seconds", 0.2, "--out", made)
    assert ran.code == 13
    assert "never overwritten" in _one_sentence(ran.err)
    assert made.read_bytes() == before


def test_the_board_is_found(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with FakeBoard() as board:
        monkeypatch.setattr(finding_module, "list_ports", lambda: (PortListing(board.name, "fake"),))
        assert run("record", "--seconds", 0.2, "--out", tmp_path / "a.mcap").code == 0
        ran = run("boards", "--json")
    (found,) = json.loads(ran.out)
    assert found["is_board"]
    assert found["board_id"] == "fake-0001"
    assert found["mode"] == "bass"
    assert found["roles"] == ["out_p", "out_n", "supply"]


def test_boards_names_what_is_no_board(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    with FakeBoard("text") as other, FakeBoard() as board:
        ports = (PortListing(other.name, "position receiver"), PortListing(board.name, "fake"))
        monkeypatch.setattr(finding_module, "list_ports", lambda: ports)
        ran = run("boards")
    assert ran.code == 0
    assert "no board:" in ran.out
    assert "board fake-0001, firmware fake 1, mode bass" in ran.out
    monkeypatch.setattr(finding_module, "list_ports", lambda: ())
    assert "No serial port" in run("boards").out
    assert json.loads(run("boards", "--json").out) == []


@pytest.mark.parametrize(
    ("behaviour", "code", "words"),
    [
        ("silent", 4, "stays silent"),
        ("text", 4, "not as a logger board"),
        ("random", 4, "not as a logger board"),
        ("other version", 7, "wire version 2"),
        ("refuses start", 11, "the ADC does not answer"),
    ],
)
def test_wrong_ports_leave_no_file(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, behaviour: str, code: int, words: str
) -> None:
    monkeypatch.setattr(session_module.BoardSession.__init__, "__defaults__", (0.7,))
    with FakeBoard(behaviour) as board:
        ran = run("record", "--port", board.name, "--seconds", 1, "--out", tmp_path / "a.mcap")
    assert ran.code == code
    assert words in _one_sentence(ran.err)
    assert list(tmp_path.iterdir()) == []


def test_no_port_busy_port_bad_mode_and_bad_options(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "a.mcap"
    ran = run("record", "--port", "/dev/ttyNOT0", "--out", out)
    assert (ran.code, "There is no port" in _one_sentence(ran.err)) == (3, True)
    with FakeBoard() as board:
        with session_module.BoardSession(board.name):
            ran = run("record", "--port", board.name, "--out", out)
        assert (ran.code, "another program" in _one_sentence(ran.err)) == (5, True)
        ran = run("record", "--port", board.name, "--out", out, "--mode", "turbo")
        assert (ran.code, "no mode turbo" in _one_sentence(ran.err)) == (11, True)
    ran = run("record", "--out", out, "--load-kind", "none", "--load-ohm", 4)
    assert ran.code == 2
    assert run("record", "--seconds", 0).code == 2
    ran = run("record", "--port", "x", "--out", tmp_path / "no" / "a.mcap")
    assert ran.code in (3, 13)
    assert list(tmp_path.iterdir()) == []


def test_a_pulled_cable_keeps_what_was_recorded(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with FakeBoard(unplug_after_s=1.2) as board:
        ran = run("record", "--port", board.name, "--out", path)
        sent = bytes(board.sent)
    assert ran.code == 9
    sentence = _one_sentence(ran.err)
    assert "has gone" in sentence
    assert str(path) in sentence
    kept = _bytes(path)
    assert kept in sent
    assert len(kept) > 0.9 * len(sent)  # the terminal's own buffer goes with the cable
    assert not open_recording(path).is_torn
    assert open_recording(path).end["why"] == "LinkLostError"


def test_a_full_disk_ends_with_what_fits(run: Run, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)], capture_output=True)
    if done.returncode:
        pytest.skip("no right to mount a small file system")
    path = disk / "a.mcap"
    try:
        with FakeBoard(pace=0) as board:
            ran = run("record", "--port", board.name, "--out", path, "--json")
            sent = bytes(board.sent)
        assert ran.code == 8
        assert "disk" in _one_sentence(ran.err)
        kept = _bytes(path)
        assert kept in sent
        assert len(kept) == json.loads(ran.out)["n_bytes"] > 500_000
        assert not open_recording(path).is_torn
        assert open_recording(path).end["why"] == "disk full"
        verified = run("verify", path)
        assert verified.code == 0, verified.out + verified.err
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_virtual_board_ends_by_itself(run: Run, tmp_path: Path) -> None:
    with FakeBoard(pace=0, end_after_s=30.0) as board:
        ran = run("record", "--port", board.name, "--out", tmp_path / "a.mcap")
    assert ran.code == 0, ran.err
    assert "played all it had" in ran.out
    assert "Recorded: 30.0" in ran.out
    assert "0 lost" in ran.out


def _start(board: FakeBoard, path: Path, **options: Any) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "ampwitness", "record", "--port", board.name, "--out", str(path)]
    return subprocess.Popen(command, stderr=subprocess.PIPE, **options)


def _until(is_so: Callable[[], bool], what: str, wait_s: float = 60.0) -> None:
    """Wait for a state, not for a time: on a busy machine a command takes ten times as long to begin."""
    deadline_s = time.monotonic() + wait_s
    while not is_so():
        assert time.monotonic() < deadline_s, f"never came: {what}"
        time.sleep(0.02)


def _until_recording(process: subprocess.Popen[bytes]) -> bytes:
    """Until the command reads keys; what it said on standard error up to then."""
    assert process.stderr is not None
    said = b""
    while b"Ctrl-C ends" not in said:
        assert select.select([process.stderr], [], [], 60.0)[0], said
        said += os.read(process.stderr.fileno(), 4096)
    return said


def _holds(path: Path, n_bytes: float) -> Callable[[], bool]:
    return lambda: path.exists() and path.stat().st_size > n_bytes


def _press(keyboard: int, keys: bytes, path: Path, n_marks: int) -> None:
    """Press keys and wait until the file holds so many marks in all; each is saved at once."""
    os.write(keyboard, keys)
    _until(lambda: path.read_bytes().count(b'{"label"') == n_marks, f"mark {n_marks}")


def test_ctrl_c_ends_cleanly(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with FakeBoard() as board:
        process = _start(board, path, stdout=subprocess.PIPE)
        _until(_holds(path, 0.5 * BYTES_PER_SECOND), "half a second of recording")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
        assert not board.is_streaming
    assert process.returncode == 0, err
    assert b"stopped by you" in out
    assert not open_recording(path).is_torn
    verified = json.loads(run("verify", path, "--json").out)
    assert verified["balances"]
    assert verified["closed"]["why"] == "stopped"
    assert verified["link_health"]["n_frames_lost"] == 0


def test_a_second_ctrl_c_ends_at_once_and_says_what_is_kept(run: Run, tmp_path: Path, monkeypatch: Any) -> None:
    path = tmp_path / "a.mcap"
    monkeypatch.setattr(LiveLine, "show", Mock(side_effect=KeyboardInterrupt))  # as chunks come in
    with FakeBoard() as board:
        ended = CliRunner().invoke(cli, ["record", "--port", board.name, "--out", str(path)])
    assert ended.exit_code
    assert f"What came until then is in {path}." in ended.stderr
    assert not open_recording(path).is_torn


def test_kill_9_keeps_all_but_the_last_second(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with FakeBoard() as board:
        process = _start(board, path)
        _until(_holds(path, 2 * BYTES_PER_SECOND), "two seconds of recording")
        n_sent = len(board.sent)
        process.kill()
        process.wait()
        sent = bytes(board.sent)
    kept = _bytes(path)
    assert kept in sent
    assert sent.index(kept) + len(kept) > n_sent - 1.05 * BYTES_PER_SECOND
    assert len(kept) > 1.2 * BYTES_PER_SECOND
    ran = run("verify", path)
    assert ran.code == 0, ran.err
    assert "torn: not closed properly" in ran.out
    assert "All sums balance." in ran.out


def test_m_sets_a_mark_from_a_terminal(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with FakeBoard() as board:
        keyboard, terminal = pty.openpty()
        process = _start(board, path, stdin=terminal, stdout=subprocess.DEVNULL)
        said = _until_recording(process)
        _until(lambda: board.is_streaming, "the board streams")
        began_s = time.time()
        _press(keyboard, b"m", path, 1)
        _press(keyboard, b"m\n", path, 2)
        ended_s = time.time()
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
        os.close(keyboard)
        os.close(terminal)
    assert b"m sets a mark" in said
    recording = open_recording(path)
    first, second = recording.host_marks
    assert began_s <= first.host_s < second.host_s <= ended_s
    assert int(recording.end["n_marks"]) == 2


def test_keys_say_what_the_engine_does(tmp_path: Path) -> None:
    """Only in the file, with the words that the report reads: the board sets no mark, which would say "I heard it"."""
    path = tmp_path / "a.mcap"
    with FakeBoard() as board:
        keyboard, terminal = pty.openpty()
        process = _start(board, path, stdin=terminal, stdout=subprocess.DEVNULL)
        said = _until_recording(process)
        for n_marks, key in enumerate((b"c", b"E", b"o"), start=1):
            _press(keyboard, key, path, n_marks)
        _until(_holds(path, 0.2 * BYTES_PER_SECOND), "something recorded")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
        os.close(keyboard)
        os.close(terminal)
    assert process.returncode == 0, err
    assert b"e, o, c: engine on, off, cranked" in said
    labels = [mark.label for mark in open_recording(path).host_marks]
    assert labels == ["cranking", "engine on", "engine off"]
    assert [read_engine_label(label) for label in labels] == ["cranking", "charging", "rest"]
    assert not [item for item in iter_decoded(open_recording(path).iter_chunks()) if isinstance(item, Mark)]


def test_progress_is_one_line_on_a_terminal_and_rare_in_a_pipe(tmp_path: Path) -> None:
    with FakeBoard() as board:
        screen, terminal = pty.openpty()
        command = [sys.executable, "-m", "ampwitness", "record", "--port", board.name, "--seconds", "1.0"]
        process = subprocess.Popen(
            [*command, "--out", str(tmp_path / "a.mcap")],
            stderr=terminal,
            stdout=subprocess.DEVNULL,
            stdin=subprocess.PIPE,
        )
        shown = b""
        while process.poll() is None:
            if select.select([screen], [], [], 0.1)[0]:
                shown += os.read(screen, 4096)
        os.close(terminal)
        os.close(screen)
        piped = subprocess.run([*command, "--out", str(tmp_path / "b.mcap")], capture_output=True, check=True)
    updates = re.findall(rb"\r([^\r\n]*kB/s[^\r\n]*)", shown)
    assert len(updates) >= 2
    assert shown.count(b"\n") <= 3  # safety line, board line; no line for each update
    assert rb"0 lost" in updates[-1]
    assert b"output 0.0 V peak about 20.0 V" in updates[-1]
    assert b"supply 12.50 V" in updates[-1]
    assert b"kB/s" not in piped.stderr  # shorter than the pipe's first line


def test_the_progress_line_says_losses_and_faults() -> None:
    monitor = StreamMonitor()
    said = live_text(monitor, 0.0, Counts(0.0, 0, 0, 0, 0))
    assert said == "0.000 s   0.0 kB/s   0 lost   waiting for samples"
    monitor.faults.append("the ADC stopped")
    text = live_text(monitor, 54_321.0, Counts(1.0, 76, 2, 1, 0))
    assert "54.3 kB/s   76 scans lost (2 frames)   1 bad frames" in text
    assert "   board: the ADC stopped   " in text  # ahead of the levels: a narrow terminal cuts the end off
    assert len(samples_payload(0)) == 6 + 38 * 6


@pytest.mark.parametrize(
    ("mean_v", "peak_v", "words"),
    [
        (0.4, 12.0, "output 12.0 V peak"),
        (6.1, 5.0, "output 5.0 V peak about 6.1 V"),
        (-3.0, 20.0, "output 20.0 V peak"),
    ],
)
def test_an_output_that_stands_at_half_the_supply_shows_what_it_plays_about_there(
    mean_v: float, peak_v: float, words: str
) -> None:
    monitor = SimpleNamespace(levels=lambda: LiveLevels(mean_v, peak_v, None), faults=[])
    assert live_text(monitor, 0.0, Counts(0.0, 0, 0, 0, 0)).endswith(words)  # type: ignore[arg-type]


def test_the_progress_line_goes_on_where_it_was_when_a_board_came_back() -> None:
    """Time, losses and marks are those of the whole recording, not of the present conversation."""
    before, now = StreamMonitor(), StreamMonitor()
    before.n_marks, now.n_marks = 2, 1
    streaming = Streaming(SimpleNamespace(monitor=before))  # type: ignore[arg-type]
    streaming.resume(SimpleNamespace(monitor=now), 5.0)  # type: ignore[arg-type]
    assert "3 marks" in live_text(now, 0.0, count(streaming))
