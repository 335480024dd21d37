"""Recording for hours, in seconds: parts, a pulled cable, the disk's room, questions."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.day_signals import STRETCH, iter_day
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.bench.virtual_faults import parse_fault
from ampwitness.cli import soak
from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.questions import Ask, Questions, parse_ask
from ampwitness.errors import UsageError
from ampwitness.link.deframe import find_hello
from ampwitness.recording import RotatingWriter, open_parts, open_recording
from ampwitness.types import Analysis, Chunk

Run = Callable[..., Any]
DURATION_S = 2 * STRETCH / 8000


def stimulus(duration_s: float) -> ArrayStimulus:
    """A 50 Hz tone of 10 V on each terminal, in opposition around 7 V, on a supply of 13 V."""
    time_s = np.arange(round(duration_s * 4000)) / 4000
    tone = 10 * np.sin(2 * np.pi * 50 * time_s)
    return ArrayStimulus(("out_p", "out_n", "supply"), 4000, np.stack([7 + tone, 7 - tone, 0 * tone + 13], axis=1))


def verified(run: Run, *arguments: object) -> dict[str, Any]:
    ran = run("verify", *arguments, "--json")
    assert ran.code == 0, ran.err
    result: dict[str, Any] = json.loads(ran.out)
    return result


@cache
def bytes_of_a_day() -> tuple[tuple[bytes, ...], ...]:
    """38 s of made music as a board sends it."""
    return tuple(tuple(pieces) for pieces, _ in iter_day(38 / 3600, 5))


def write_parts(folder: Path, end: dict[str, str] | None = None) -> None:
    """The made music in parts of 0.5 MB; `end`: more for the end record."""
    writer, host_s = RotatingWriter(folder / "soak.mcap", {"amplifier": "bench"}, 500_000), 1_700_000_000.0
    for pieces in bytes_of_a_day():
        for raw in pieces:
            for at in range(0, len(raw), 997):  # as a port hands bytes on: frames cut anywhere
                host_s += 0.02
                writer.append(Chunk(raw[at : at + 997], host_s))
    writer.close("stopped", end)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a recording of 39 s in parts of 0.5 MB (about 10 s each)."""
    folder = tmp_path_factory.mktemp("parts")
    write_parts(folder)
    return folder


def test_bytes_and_marks_are_counted_over_all_parts(tmp_path: Path) -> None:
    writer = RotatingWriter(tmp_path / "soak.mcap", {}, 2000)
    for second in range(8):
        writer.append(Chunk(b"x" * 999 + b"\0", 1e9 + second))
        writer.mark(1e9 + second, "heard")
    writer.close()
    assert len(list(tmp_path.glob("*.mcap"))) >= 2
    assert (writer.n_bytes, writer.n_marks) == (8000, 8)


def test_parts_are_read_alone_and_as_one_without_a_seam(run: Run, parts: Path) -> None:
    paths = sorted(parts.glob("*.mcap"))
    assert [path.name for path in paths] == [f"soak-part{k:04d}.mcap" for k in range(1, len(paths) + 1)]
    assert len(paths) >= 3
    lengths = []
    for number, path in enumerate(paths, 1):
        alone = verified(run, path, "--alone")
        assert alone["balances"]
        assert alone["link_health"]["n_bytes_skipped"] == 0  # each part begins and ends with whole frames
        assert sum(alone["link_health"]["n_scans_lost"].values()) == 0
        assert alone["notes"]["part_number"] == str(number)
        assert alone["notes"]["part_first"] == "soak-part0001.mcap"
        assert alone["closed"]["part_is_last"] == ("yes" if path == paths[-1] else "no")
        assert path.stat().st_size < 0.6e6
        lengths.append(alone["duration_s"])
    for named in ((parts,), (paths[0],), paths, paths[::-1]):
        joined = verified(run, *named)
        assert joined["parts"] == [path.name for path in paths]
        assert joined["n_gaps"] == 0
        assert joined["duration_s"] == pytest.approx(DURATION_S, abs=0.02)
    assert sum(lengths) == pytest.approx(DURATION_S, abs=0.02)
    report = json.loads(run("report", parts, "--json", "-").out)
    assert report["recording"]["duration_s"] == pytest.approx(DURATION_S, abs=0.05)


def test_a_hello_is_seen_wherever_the_bytes_were_cut() -> None:
    first, second = bytes_of_a_day()[0][:2]
    assert find_hello(first, True) == find_hello(second, True) == 0
    assert find_hello(first, False) is None
    assert find_hello(first[-300:] + second, False) == 300
    assert find_hello(b"", True) is find_hello(b"\0\0", True) is None


def test_a_missing_part_is_a_gap_of_its_length(run: Run, parts: Path) -> None:
    paths = sorted(parts.glob("*.mcap"))
    missing = verified(run, paths[1], "--alone")
    joined = verified(run, paths[0], *paths[2:])
    assert joined["balances"]
    assert joined["missing_parts"] == [2]
    (gap,) = joined["longest_gaps"]
    assert gap["stop_s"] - gap["start_s"] == pytest.approx(missing["duration_s"], abs=1e-6)
    assert gap["is_exact"]


def test_a_missing_end_and_a_torn_part_are_in_the_verdict(run: Run, parts: Path, tmp_path: Path) -> None:
    paths = sorted(parts.glob("*.mcap"))
    for lacking, said in ((paths[-1:], "the end missing"), (paths[:1], "part 1 missing"), (paths[1:], "the end miss")):
        here = [path for path in paths if path not in lacking]
        folder = tmp_path / f"{len(here)}{here[0].stem}"
        folder.mkdir()
        for path in here:
            shutil.copy(path, folder)
        for named in (folder, *([folder / here[0].name] if here[0] == paths[0] else [])):
            told = " ".join(run("report", named).out.split())
            short = told.partition("In short: ")[2].partition("What to do first")[0]
            assert said in short
            assert "nothing lost" not in short
            assert "Put the missing parts beside the others" in told
            assert "missing: " in run("verify", named).out
    torn = tmp_path / f"{len(paths) - 1}{paths[0].stem}" / paths[1].name
    os.truncate(torn, torn.stat().st_size - 50_000)
    shutil.copy(paths[-1], torn.parent)
    told = " ".join(run("report", torn.parent).out.split())
    assert f"{torn.name} not closed properly." in told.partition("In short: ")[2].partition("What to do first")[0]
    assert f" of {torn.name}; what stands" in " ".join(run("verify", torn.parent).out.split())
    assert "missing" not in run("verify", parts).out


def test_the_first_part_or_the_folder_is_reduced_with_all_parts(run: Run, tmp_path: Path) -> None:
    write_parts(tmp_path, {"board_away_s": "5.000"})
    paths = sorted(tmp_path.glob("*.mcap"))
    assert len(paths) >= 3
    few = ("--kind", "dip", "--look-every", 0, "--around", 0.1)
    assert run("reduce", paths[0], "--out", tmp_path / "x.mcap", *few).code == 2
    ran = run("reduce", paths[0], "--alone", "--json", *few)
    assert Path(json.loads(ran.out)["path"]).name == "soak-part0001-reduced.mcap"
    ran = run("reduce", paths[0], *few)
    assert (ran.code, ran.err.count("part0001-reduced.mcap exists already")) == (13, 1)
    assert len(list(tmp_path.glob("*reduced*"))) == 1  # looked at before any work
    Path(json.loads(run("reduce", paths[1], "--json", *few).out)["path"]).unlink()  # a later part stands for itself
    next(tmp_path.glob("*reduced*")).unlink()
    ran = run("reduce", tmp_path, "--json", *few)
    assert [Path(one["path"]).name for one in json.loads(ran.out)["parts"]] == [f"{p.stem}-reduced.mcap" for p in paths]
    joined = open_parts([tmp_path / "soak-part0001-reduced.mcap"])
    assert (joined.missing_parts, joined.lacks_later_parts, joined.away_at_end_s) == ((), False, 5.0)
    sorted(tmp_path.glob("*reduced*"))[-1].unlink()
    paths[-1].unlink()
    assert open_parts([tmp_path / "soak-part0001-reduced.mcap"]).lacks_later_parts


def test_files_that_do_not_belong_together_are_refused(run: Run, parts: Path, tmp_path: Path) -> None:
    with virtual_board(VirtualBoardOptions(stimulus(2.0), speed=None)) as port:
        assert run("record", "--port", port, "--out", tmp_path / "a.mcap", "--json").code == 0
    ran = run("report", tmp_path / "a.mcap", sorted(parts.glob("*.mcap"))[0])
    assert (ran.code, ran.err.count("\n")) == (16, 1)
    assert "a.mcap, soak-part0001.mcap: each stands by itself" in ran.err
    assert run("verify", tmp_path).code == 0  # a folder with one recording in it
    for path in parts.glob("*.mcap"):
        shutil.copy(path, tmp_path)
    ran = run("report", tmp_path)
    assert ran.code == 16
    n_parts = len(list(parts.glob("*.mcap")))
    assert f"no parts of one: a.mcap: no part of the one that {n_parts} of them are." in ran.err


def test_a_pulled_cable_is_a_gap_and_the_recording_goes_on(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    options = VirtualBoardOptions(
        stimulus(5.5), speed=1.0, link=tmp_path / "port", faults=(parse_fault("unplug@1.5:2"),)
    )
    with virtual_board(options) as port:
        ran = run("record", "--port", port, "--out", path, "--wait-minutes", 1, "--json")
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    assert result["n_resumed"] == 1
    assert 1.5 < result["waited_s"] < 5.0
    checked = verified(run, path)
    assert checked["balances"]
    assert len(checked["sessions"]) == 2
    (gap,) = checked["longest_gaps"]
    assert gap["cause"] == "restart"
    assert gap["stop_s"] - gap["start_s"] == pytest.approx(2.0, abs=1.5)  # what the board took to start is in it


def test_a_board_that_stays_away_ends_it_in_one_sentence(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    options = VirtualBoardOptions(
        stimulus(60.0), speed=1.0, link=tmp_path / "port", faults=(parse_fault("unplug@2:50"),)
    )
    with virtual_board(options) as port:
        ran = run("record", "--port", port, "--out", path, "--wait-minutes", 0.02)
    assert ran.code == 9
    assert "Waiting" not in ran.out
    assert "did not come back within 0.02 min" in ran.err.splitlines()[-1]
    assert open_recording(path).end["why"] == "LinkLostError"


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_a_board_that_is_not_back_when_the_time_is_over(run: Run, tmp_path: Path) -> None:
    """Its absence is told by code, file and report, and what was typed meanwhile stands at its own time."""
    master, slave = os.openpty()
    options = VirtualBoardOptions(
        stimulus(60.0), speed=1.0, link=tmp_path / "port", faults=(parse_fault("unplug@1.5:50"),)
    )
    pressed_host_s = []
    with virtual_board(options) as port:
        command = [sys.executable, "-m", "ampwitness", "record", "--port", port, "--out", str(tmp_path / "a.mcap")]
        command += ["--ask", "heatsink=1h", "--seconds", "6", "--wait-minutes", "5", "--part-mb", "100"]
        with subprocess.Popen(command, stdin=slave, stdout=slave, stderr=subprocess.PIPE) as process:
            deadline_s = time.monotonic() + 30
            while not list(tmp_path.glob("*.mcap")) or os.path.lexists(tmp_path / "port"):  # recording, then unplugged
                assert time.monotonic() < deadline_s
                time.sleep(0.02)
            time.sleep(0.5)
            for keys in (b"48.5\r", b"m", b"e"):
                pressed_host_s.append(time.time())
                os.write(master, keys)
                time.sleep(0.7)
            told = process.communicate(timeout=60)[1].decode()
            assert process.returncode == 9
    os.close(master)
    os.close(slave)
    assert "did not come back before the asked time was over" in told
    assert "board away 1 time for" in told
    path = tmp_path / "a-part0001.mcap"
    recording = open_recording(path)
    kept = [*recording.host_readings, *recording.host_marks]
    assert [one.host_s for one in kept] == pytest.approx(pressed_host_s, abs=0.65)
    assert recording.end["why"] == "LinkLostError"
    assert recording.away_at_end_s == pytest.approx(4.5, abs=1.0)
    checked, report = verified(run, path), json.loads(run("report", path, "--json", "-").out)
    assert checked["away_at_end_s"] == report["summary"]["recording"]["away_at_end_s"] == recording.away_at_end_s
    short = " ".join(run("report", path).out.split()).partition("In short: ")[2]
    assert f"the board gone for the last {recording.away_at_end_s:.1f} s, not recorded. What to do first: 1." in short
    assert "Find why the board went away" in short


def test_too_little_room_for_the_asked_time(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(soak, "free_bytes", lambda path: 1e9)
    with virtual_board(VirtualBoardOptions(stimulus(2.0), speed=None, stays=True)) as port:
        ran = run("record", "--port", port, "--out", tmp_path / "a.mcap", "--hours", 48)
        assert ran.code == 15
        assert "48.0 h need" in ran.err
        assert "cannot switch anything off" in ran.err
        assert "nothing was started" in ran.err
    assert list(tmp_path.iterdir()) == []
    # a day of the common mode, 3 x 8 kS/s: 4.3 GB by the counts alone, framing and messages on top
    with virtual_board(VirtualBoardOptions(stimulus(2.0), speed=None)) as port:
        ran = run("record", "--port", port, "--out", tmp_path / "b.mcap")
    assert ran.code == 0
    told = next(line for line in ran.err.splitlines() if line.startswith("Disk:"))
    per_hour_gb = float(told.split(" at ")[1].split()[0])
    assert 4.1 < 24 * per_hour_gb < 5.0
    actual = open_recording(tmp_path / "b.mcap").n_bytes
    assert per_hour_gb * 1e9 / 3600 * 2.0 == pytest.approx(actual, rel=0.15)


def test_the_forecast_speaks_in_units_that_fit(
    small_analysis: Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (hello,) = small_analysis.hellos
    assert soak.forecast_disk(hello, tmp_path / "a.mcap", 72.0, False).startswith("Disk: 72 s need 3 MB; ")
    assert soak.forecast_disk(hello, tmp_path / "a.mcap", 36 * 3600.0, False).startswith("Disk: 36.0 h need 5")
    monkeypatch.setattr(soak, "free_bytes", lambda path: 2 * soak.RESERVE_BYTES + 9e6)
    assert "Disk: 9 MB are free, enough for 4 min at" in soak.forecast_disk(hello, tmp_path / "a.mcap", None, False)


def test_senseless_options(run: Run, tmp_path: Path) -> None:
    for options in (["--hours", 1, "--seconds", 5], ["--reduce-parts"], ["--ask", "heatsink=15min"]):
        assert run("record", "--port", "x", "--out", tmp_path / "a.mcap", *options).code == 2


def test_questions_come_at_their_times_and_take_numbers() -> None:
    assert parse_ask("heat sink = 15min") == Ask("heat sink", 900.0)
    for wrong in ("heatsink", "heatsink=15", "heatsink=1s", "=5min"):
        with pytest.raises(UsageError):
            parse_ask(wrong)
    questions = Questions((Ask("heatsink", 900.0), Ask("fuse", 1800.0)))
    assert questions.tick(0.0)
    assert questions.prompt.startswith("heatsink?")
    values, others = questions.type("m62,5 C\n")
    assert [(v.name, v.value, v.unit) for v in values] == [("heatsink", 62.5, "C")]
    assert others == "m"  # a mark, as no answer was begun
    assert questions.prompt.startswith("fuse?")
    assert questions.type("\n") == ([], "")  # left out
    assert questions.prompt == ""
    assert not questions.tick(899.0)
    assert questions.tick(2700.0)  # missed twice: asked once
    values, _ = questions.type("7x\x7f1\r")
    assert [(v.name, v.value) for v in values] == [("heatsink", 71.0)]
    questions.type("-\r")
    assert "is no number" in questions.prompt
    assert questions.type("abc\r") == ([], "")  # no cranking
    assert "'abc' is no number" in questions.prompt
    assert questions.type("eoc m") == ([], "eoc m")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_arrow_and_function_keys_are_no_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as terminal, Keyboard() as keyboard:
        monkeypatch.setattr(sys, "stdin", terminal)
        keyboard.is_live = True
        tty.setcbreak(terminal.fileno())
        os.write(master, b"\x1b[C\x1bOC\x1b[15~m\x1bOAe")  # right, right, F5, up
        assert keyboard.pressed() == "me"
    os.close(master)


def test_a_disk_that_fills_in_a_later_part_ends_it_cleanly(run: Run, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(disk)], capture_output=True)
    if done.returncode:
        pytest.skip("no right to mount a small file system")
    try:
        with virtual_board(VirtualBoardOptions(stimulus(90.0), speed=None)) as port:
            ran = run("record", "--port", port, "--out", disk / "a.mcap", "--part-mb", 1)
        assert (ran.code, ran.err.count("Nothing was recorded")) == (8, 0)
        assert "is full" in ran.err.splitlines()[-1]
        checked = verified(run, disk)
        assert checked["balances"]
        assert len(checked["parts"]) >= 2
        assert not checked["is_torn"]
        assert checked["closed"]["why"] in ("disk full", "DiskFullError")
        assert sum(path.stat().st_size for path in disk.glob("*.mcap")) > 2.5e6
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_a_typed_reading_is_in_the_recording_and_its_report(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    master, slave = os.openpty()
    with virtual_board(VirtualBoardOptions(stimulus(30.0), stays=True)) as port:
        command = [sys.executable, "-m", "ampwitness", "record", "--port", port, "--out", str(path)]
        command += ["--ask", "heatsink=1h", "--seconds", "4"]
        with subprocess.Popen(command, stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
            deadline_s = time.monotonic() + 20
            while not path.exists() and time.monotonic() < deadline_s:
                time.sleep(0.05)
            time.sleep(1.0)
            os.write(master, b"48.5 C\r")
            _, told = process.communicate(timeout=60)
    os.close(master)
    os.close(slave)
    assert process.returncode == 0, told
    (reading,) = open_recording(path).host_readings
    assert (reading.name, reading.value, reading.unit) == ("heatsink", 48.5, "C")
    report = run("report", path)
    assert "heatsink: 48.5 C" in report.out
