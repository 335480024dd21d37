"""Every export, read back by a reader that nobody here wrote, against what the program itself holds."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import tracemalloc
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile
from ampwitness.bench.windows import iter_windows_from_arrays
from ampwitness.cli.export import export
from ampwitness.errors import OutputError, UsageError
from ampwitness.export.csv_tables import harmless, heading, write_tables
from ampwitness.export.npz import NpzExport
from ampwitness.export.runs import RunCutter
from ampwitness.export.wav import WavExport
from ampwitness.pipeline import AnalyseOptions, RecordingVolts
from ampwitness.recording import open_parts
from ampwitness.types import Analysis, Gap, Interval, Segment
from click.testing import CliRunner


def segments_of(path: Path, role: str) -> tuple[list[Segment], list[Gap]]:
    """Runs as the program holds them: one window over everything."""
    options = AnalyseOptions(window_s=100.0)
    windows = list(RecordingVolts(open_parts([path]), options).windows())
    return [s for w in windows for s in w.traces[role].segments], [g for w in windows for g in w.gaps]


@pytest.fixture(scope="module")
def exported(gapped_recording: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("asammdf")
    folder = tmp_path_factory.mktemp("exported")
    outputs = ["--wav", folder / "o.wav", "--npz", folder / "o.npz", "--mdf", folder / "o.mf4", "--csv", folder / "t"]
    done = CliRunner().invoke(export, [str(a) for a in [gapped_recording, *outputs, "--json"]], catch_exceptions=False)
    written = {Path(entry["file"]) for entry in json.loads(done.stdout)["written"]}
    assert written == {path for path in folder.rglob("*") if path.is_file()}  # and no .part is left
    return folder


def test_wav_holds_each_run_by_itself_and_tells_the_gap(exported: Path, gapped_recording: Path) -> None:
    segments, gaps = segments_of(gapped_recording, "output")
    told = json.loads((exported / "o.wav.json").read_text(encoding="utf-8"))
    assert len(segments) == 2
    assert [file["file"] for file in told["files"]] == ["o.wav", "o.2.wav"]
    for file, segment in zip(told["files"], segments, strict=True):
        rate_hz, volts = scipy.io.wavfile.read(exported / file["file"])
        assert rate_hz == 8000
        assert volts.dtype == np.float32
        np.testing.assert_array_equal(volts[:, file["channels"].index("output")], segment.volts.astype(np.float32))
        assert file["start_s"] == segment.start_s
    ((start_s, stop_s),) = [(gap["start_s"], gap["stop_s"]) for gap in told["gaps"]]
    assert (start_s, stop_s) == (gaps[0].start_s, gaps[0].stop_s)
    assert told["files"][0]["stop_s"] == pytest.approx(start_s, abs=0.01)
    assert told["files"][1]["start_s"] == pytest.approx(stop_s, abs=0.01)


def test_npz_holds_the_same(exported: Path, gapped_recording: Path) -> None:
    segments, gaps = segments_of(gapped_recording, "supply")
    with np.load(exported / "o.npz", allow_pickle=False) as arrays:
        assert arrays["run_start_s"].tolist() == [segment.start_s for segment in segments]
        assert arrays["run_rate_hz"].tolist() == [8000.0, 8000.0]
        for k, segment in enumerate(segments):
            np.testing.assert_array_equal(arrays[f"run{k:03d}_supply"], segment.volts.astype(np.float32))
        assert arrays["gap_cause"].tolist() == [gap.cause for gap in gaps]
        assert arrays["gap_start_s"].tolist() == [gap.start_s for gap in gaps]
        assert arrays["gap_is_exact"].tolist() == [True]


def test_mdf_read_by_asammdf(exported: Path, gapped_recording: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    segments, gaps = segments_of(gapped_recording, "output")
    with asammdf.MDF(exported / "o.mf4") as mdf:
        assert mdf.version == "4.10"
        assert len(mdf.groups) == 2
        for k, segment in enumerate(segments):
            signal = mdf.get("output", group=k)
            assert signal.unit == "V"
            np.testing.assert_array_equal(signal.samples, segment.volts.astype(np.float32))
            np.testing.assert_allclose(signal.timestamps, segment.times_s(), rtol=0, atol=1e-9)
        content, name, _ = mdf.extract_attachment(0)
        assert name.name == "gaps.json"
        assert json.loads(content)["gaps"][0]["start_s"] == gaps[0].start_s


def test_csv_by_the_csv_module(exported: Path) -> None:
    with (exported / "t" / "findings.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["kind"] for row in rows} >= {"clip", "note", "gap"}
    with (exported / "t" / "findings-clip.csv").open(newline="", encoding="utf-8") as file:
        clips = list(csv.DictReader(file))
    plateaus_v = np.array([float(clip["plateau (V)"]) for clip in clips])
    assert np.abs(plateaus_v) == pytest.approx(24.0, rel=0.03)
    assert plateaus_v.min() < 0  # a negative number stays a number
    with (exported / "t" / "levels-output.csv").open(newline="", encoding="utf-8") as file:
        levels = list(csv.reader(file))
    assert levels[0] == ["start of a step of 0.1 s (s)", "lowest (V)", "highest (V)", "rms (V)"]
    times_s, rms_v = zip(*((float(row[0]), float(row[3])) for row in levels[1:] if row[3]), strict=True)
    assert [float(row[0]) for row in levels[1:4]] == [0.0, 0.1, 0.2]  # a step is named by where it starts
    clean = [level for time_s, level in zip(times_s, rms_v, strict=True) if 0.55 < time_s < 1.5]
    assert np.median(clean) == pytest.approx(20 / np.sqrt(2), rel=0.03)


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1"],
)
def test_no_cell_is_a_formula(text: str, small_analysis: Analysis, tmp_path: Path) -> None:
    """Starts listed by OWASP, "CSV Injection"."""
    assert harmless(text) == "'" + text
    assert harmless("blue van, -3 dB") == "blue van, -3 dB"
    finding = small_analysis.findings[3]
    object.__setattr__(finding, "measured", {**finding.measured, "cause": text})
    write_tables(small_analysis, tmp_path / "t")
    with (tmp_path / "t" / "findings-cutout.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["cause"] == "'" + text


def test_headings_say_the_unit() -> None:
    assert heading("plateau_slope_v_per_s") == "plateau slope (V/s)"
    assert heading("sag_percent") == "sag (%)"
    assert heading("cause") == "cause"


def test_a_scale_is_stated_and_kept(small_recording: Path, tmp_path: Path) -> None:
    """Read by sox: a clean tone of 20 V peak is 14.14 V rms; the divider's 1 % parts are allowed 3 %."""
    wav = tmp_path / "s.wav"
    done = CliRunner().invoke(export, [str(small_recording), "--wav", str(wav), "--full-scale-v", "100"])
    assert done.exit_code == 0, done.output
    told = json.loads((tmp_path / "s.wav.json").read_text(encoding="utf-8"))
    assert told["full_scale_v"] == 100
    assert told["gaps"] == []
    sox = shutil.which("sox")
    assert sox, "install sox: this test reads a file with another program"
    header = subprocess.run([sox, "--i", str(wav)], capture_output=True, text=True, check=True).stdout
    assert "32-bit Floating Point" in header
    command = [sox, str(wav), "-n", "remix", "1", "trim", "1.0", "1.0", "stat"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    stated = dict(line.split(":") for line in said.splitlines() if ":" in line)
    rms = next(float(value) for name, value in stated.items() if name.split() == ["RMS", "amplitude"])
    assert 100 * rms == pytest.approx(20 / np.sqrt(2), rel=0.03)


def test_nothing_is_overwritten(small_recording: Path, tmp_path: Path) -> None:
    for name, option in (("a.wav", "--wav"), ("a.npz", "--npz"), ("a.mf4", "--mdf")):
        (tmp_path / name).write_text("mine")
        done = CliRunner().invoke(export, [str(small_recording), option, str(tmp_path / name)])
        assert isinstance(done.exception, OutputError)
        assert (tmp_path / name).read_text() == "mine"
    done = CliRunner().invoke(export, [str(small_recording), "--csv", str(tmp_path)])
    assert isinstance(done.exception, OutputError)
    assert "not empty" in str(done.exception)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mf4", "a.npz", "a.wav"]
    assert isinstance(CliRunner().invoke(export, [str(small_recording)]).exception, UsageError)


def test_what_cannot_be_finished_leaves_nothing_behind(
    gapped_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("asammdf")
    monkeypatch.setattr("ampwitness.export.runs.MAX_RUNS", 1)
    outputs = ["--wav", tmp_path / "a.wav", "--npz", tmp_path / "a.npz", "--mdf", tmp_path / "a.mf4"]
    done = CliRunner().invoke(export, [str(a) for a in [gapped_recording, *outputs]])
    assert isinstance(done.exception, OutputError)
    assert "more than 1 unbroken runs" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_without_asammdf_one_sentence_says_what_to_do(
    small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "asammdf", None)
    done = CliRunner().invoke(export, [str(small_recording), "--mdf", str(tmp_path / "a.mf4")])
    assert "pip install 'ampwitness[mdf]'" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_long_runs_go_on_in_the_next_file_and_memory_stays_small(tmp_path: Path) -> None:
    """Ten minutes in windows of a second; a file is closed at 4 MB here, at 2 GiB else."""
    rate_hz = 8000
    tone = np.sin(np.arange(rate_hz) / 10)

    def second(k: int) -> object:
        (window,) = iter_windows_from_arrays({"output": tone}, rate_hz, window_s=1.0)
        return shift(window, k)

    wav, npz, cutter = WavExport(tmp_path / "l.wav", max_data_bytes=1 << 22), NpzExport(tmp_path / "l.npz"), RunCutter()
    tracemalloc.start()
    for piece in cutter.pieces(second(k) for k in range(600)):  # type: ignore[misc]
        wav.push(piece)
        npz.push(piece)
    written = wav.finish(cutter)
    npz.finish(cutter)
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < 4e6  # the samples are 19.2 MB
    joined = np.concatenate([scipy.io.wavfile.read(path)[1] for path in written if path.suffix == ".wav"])
    np.testing.assert_array_equal(joined, np.tile(tone, 600).astype(np.float32))
    told = json.loads((tmp_path / "l.wav.json").read_text(encoding="utf-8"))["files"]
    assert [file["goes_on_from_the_file_before"] for file in told] == [False, True, True, True, True]
    assert np.load(tmp_path / "l.npz")["run000_output"].shape == (600 * rate_hz,)


def shift(window: object, by_s: float) -> object:
    """The same window, later."""
    traces = {
        role: replace(
            trace,
            start_s=trace.start_s + by_s,
            stop_s=trace.stop_s + by_s,
            segments=tuple(replace(s, start_s=s.start_s + by_s) for s in trace.segments),
        )
        for role, trace in window.traces.items()  # type: ignore[attr-defined]
    }
    return replace(window, start_s=window.start_s + by_s, stop_s=window.stop_s + by_s, traces=traces)  # type: ignore


def test_a_gap_that_the_clock_says_is_nothing_still_ends_a_run() -> None:
    """After a restart a gap's length rests on the computer's clock: it can come out as zero."""
    (first,) = iter_windows_from_arrays({"output": np.zeros(80)}, 80, window_s=1.0)
    second = shift(first, 1.0)
    gap = Gap("b", 0, 0, 1.0, 1.0, "restart", False)
    traces = {role: replace(trace, gaps=(gap,)) for role, trace in second.traces.items()}  # type: ignore[attr-defined]
    pieces = list(RunCutter().pieces([first, replace(second, traces=traces)]))  # type: ignore[type-var]
    assert [piece.run for piece in pieces] == [0, 1]
    assert Fraction(len(pieces[0].volts), 80) == 1


def test_gaps_and_spans_beyond_the_most_are_counted_and_not_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    """An input that chatters at its end for hours would else make a list without an end."""
    monkeypatch.setattr("ampwitness.export.runs.MAX_SPANS", 3)
    beyond = [Interval(at / 10, at / 10 + 0.01) for at in range(5)]
    (window,) = iter_windows_from_arrays({"output": np.zeros(80)}, 80, window_s=1.0, saturated=beyond)
    gaps = tuple(Gap("a", at, 1, 0.1 * at, 0.1 * at + 0.01, "link", True) for at in range(7))
    cutter = RunCutter()
    list(cutter.pieces([replace(window, gaps=gaps)]))
    assert [len(cutter.gaps), len(cutter.saturated), cutter.n_left_out] == [3, 3, 4 + 2]


@pytest.mark.parametrize(("n_missing", "runs"), [(0.0, [0, 0]), (1.0, [0, 1]), (5.0, [0, 1])])
def test_windows_between_which_a_sample_is_missing_are_no_run(n_missing: float, runs: list[int]) -> None:
    (first,) = iter_windows_from_arrays({"output": np.zeros(80)}, 80, window_s=1.0)
    pieces = list(RunCutter().pieces([first, shift(first, 1.0 + n_missing / 80)]))  # type: ignore[list-item]
    assert [piece.run for piece in pieces] == runs


@pytest.mark.parametrize(("option", "name"), [("--wav", "o.wav"), ("--npz", "o.npz"), ("--mdf", "o.mf4")])
def test_a_folder_that_may_not_be_written_is_told_before_any_work(
    option: str, name: str, small_recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != tmp_path)
    done = CliRunner().invoke(export, [str(small_recording), option, str(tmp_path / name)])
    assert isinstance(done.exception, OutputError)
    assert "may not write into" in str(done.exception)
