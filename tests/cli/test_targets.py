"""What is to be written destroys nothing that was recorded, and is refused before any work is done."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from ampwitness.errors import OutputError, PortNotFoundError
from ampwitness.recording.writer import refuse_existing
from ampwitness.whole_file import MCAP_MAGIC, refuse_targets, write_whole
from warm_command import call

_NO_RIGHTS = "-dac_override,-dac_read_search"  # root enters any folder otherwise
_WITHOUT_RIGHTS_OF_ROOT = ("setpriv", f"--bounding-set={_NO_RIGHTS}", f"--inh-caps={_NO_RIGHTS}")


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "trip.mcap"
    path.write_bytes(MCAP_MAGIC + b"\x01" * 100)
    return path


def test_no_recording_is_overwritten(recording: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="would be overwritten"):
        refuse_targets((recording,), [recording])
    with pytest.raises(OutputError, match="is a recording"):
        refuse_targets((None, recording))  # nor one that is not read
    link = tmp_path / "link.html"
    link.symlink_to(recording)
    with pytest.raises(OutputError, match="would be overwritten"):
        refuse_targets((link,), [recording])


def test_two_outputs_need_two_names_and_a_folder_that_is_there(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    refuse_targets((page, tmp_path / "page.json"))
    with pytest.raises(OutputError, match="named twice"):
        refuse_targets((page, tmp_path / "." / "page.html"))
    with pytest.raises(OutputError, match="no folder"):
        refuse_targets((tmp_path / "not there" / "page.html",))
    with pytest.raises(OutputError, match="is a folder"):
        refuse_targets((tmp_path,))


def test_links_and_devices_stay_what_they_are(tmp_path: Path) -> None:
    page, link, pipe = tmp_path / "page.html", tmp_path / "link.html", tmp_path / "pipe"
    link.symlink_to(page)
    write_whole(link, "words")
    assert link.is_symlink()
    assert page.read_text() == "words"
    os.mkfifo(pipe)
    reading = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole(pipe, "words")
    assert pipe.is_fifo()
    assert os.read(reading, 99) == b"words"
    os.close(reading)


def test_a_name_that_is_no_utf_8_can_stand_in_a_page(tmp_path: Path) -> None:
    """As Linux hands over a file's name in another code: bytes of its own as lone surrogates."""
    write_whole(tmp_path / "page.html", os.fsdecode(b"trip-\xfc.mcap"))
    assert (tmp_path / "page.html").read_bytes() == b"trip-?.mcap"


def test_a_folder_is_no_file_to_write() -> None:
    with pytest.raises(OutputError, match="name a file in it"):
        write_whole(Path("/"), "words")


def test_a_name_that_no_system_takes_is_one_sentence() -> None:
    for arguments in (("job", "new", "x" * 300), ("report", "x" * 300)):
        done = call(*arguments)
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1
        assert "choose a shorter one" in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("report", "locked/a.mcap"), ("record", "--out", "locked/a.mcap"), ("job", "show", "locked/van"),
        ("virtual-board", "--constant", "supply=12", "--link", "locked/board"),
    ],
)  # fmt: skip
def test_a_folder_that_may_not_be_entered_is_one_sentence(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    (tmp_path / "locked").mkdir(mode=0)
    bound = () if os.geteuid() else _WITHOUT_RIGHTS_OF_ROOT
    if bound and shutil.which(bound[0]) is None:
        pytest.skip("no setpriv: root may enter every folder")
    command = [*bound, sys.executable, "-m", "ampwitness", *arguments]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert 1 <= done.returncode < 100
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert "locked" in done.stderr


def test_a_folder_that_may_not_be_written_is_told_before_the_questions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != tmp_path)
    with pytest.raises(OutputError, match="may not write into"):
        refuse_targets((tmp_path / "page.html",))
    with pytest.raises(OutputError, match="may not write into"):
        refuse_existing(tmp_path / "a.mcap")
    refuse_targets((Path(os.devnull),))


def test_before_power_asks_nothing_in_vain(tmp_path: Path) -> None:
    done = call("before-power", "--out", tmp_path / "not there" / "checks.json")
    assert done.returncode == OutputError.exit_code
    assert "Nominal impedance" not in done.stdout + done.stderr


@pytest.mark.parametrize(
    ("arguments", "first_question"),
    [
        (("set-gain", "--load-kind", "none"), "Crossovers"),
        (("check-supply",), "Nominal volts"),
        (("find-noise",), "Run 1"),
    ],
)
def test_a_port_that_is_not_there_is_told_before_any_question(
    tmp_path: Path, arguments: tuple[str, ...], first_question: str
) -> None:
    terminal, theirs = os.openpty()
    command = [sys.executable, "-m", "ampwitness", *arguments, "--port", "/dev/nowhere"]
    done = subprocess.run(command, cwd=tmp_path, stdin=theirs, capture_output=True, text=True, timeout=120)
    os.close(terminal)
    os.close(theirs)
    assert done.returncode == PortNotFoundError.exit_code
    assert "/dev/nowhere" in done.stderr
    assert first_question not in done.stdout + done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_disk_too_full_for_the_page_does_not_cost_the_report(music: Path) -> None:
    done = call("report", music, "--json", "/dev/full")
    assert done.returncode == 13
    assert "In short: " in done.stdout
    assert "Written" not in done.stdout
