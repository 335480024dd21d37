"""A reduced recording: what is kept is kept to the bit, what is left out is counted, nothing is invented."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampwitness.bench.stimulus import ArrayStimulus
from ampwitness.bench.virtual_board import VirtualBoardOptions, virtual_board
from ampwitness.bench.virtual_faults import parse_fault
from ampwitness.cli import cli
from ampwitness.decode import iter_decoded
from ampwitness.findings.whole_words import word_reduction
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.recording import RecordingWriter, open_recording, writer
from ampwitness.reduction import ReduceOptions, choose_spans
from ampwitness.types import Analysis, Block, Finding, Gap
from click.testing import CliRunner

Run = Callable[..., Any]
DURATION_S = 40.0


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Bass: clipped for a second, a dip, a mark, a lost frame, a damaged one, a typed reading."""
    rate_hz = 8000
    time_s = np.arange(round(DURATION_S * rate_hz)) / rate_hz
    tone = 9 * np.sin(2 * np.pi * 50 * time_s) * (1 + 0.3 * np.sin(2 * np.pi * time_s / 20))
    tone = np.where((time_s > 25) & (time_s < 26), np.clip(1.8 * tone, -9, 9), tone)
    supply = 13 - 0.01 * np.abs(tone) - 1.5 * ((time_s > 30) & (time_s < 30.3))
    volts = np.stack([7 + tone, 7 - tone, supply], axis=1)
    folder = tmp_path_factory.mktemp("whole")
    faults = tuple(parse_fault(text) for text in ("drop@15:3", "corrupt@20:20", "mark@34"))
    options = VirtualBoardOptions(
        ArrayStimulus(("out_p", "out_n", "supply"), rate_hz, volts), speed=None, faults=faults
    )
    with virtual_board(options) as port:
        ran = CliRunner().invoke(cli, ["record", "--port", port, "--out", str(folder / "whole.mcap")])
    assert ran.exit_code == 0, ran.output
    # what was typed meanwhile, put in afterwards: the copy keeps all the rest as it was
    recording = open_recording(folder / "whole.mcap")
    with RecordingWriter(folder / "a.mcap", recording.notes) as writer:
        for number, chunk in enumerate(recording.iter_chunks()):
            writer.append(chunk)
            if number == 3:
                writer.keep_reading(chunk.host_s, "heatsink", 41.5, "C")
                writer.mark(chunk.host_s, "keyboard")
    return folder / "a.mcap"


@pytest.fixture(scope="module")
def reduced(whole: Path) -> Path:
    out = whole.with_name("small.mcap")
    ran = CliRunner().invoke(cli, ["reduce", str(whole), "--out", str(out), "--look-every", "0", "--around", "1"])
    assert ran.exit_code == 0, ran.output
    return out


@pytest.fixture(scope="module")
def analyses(whole: Path, reduced: Path) -> tuple[Analysis, Analysis]:
    return analyse_file(whole, AnalyseOptions()), analyse_file(reduced, AnalyseOptions())


def _scans(path: Path) -> dict[int, Any]:
    scans = {}
    for item in iter_decoded(open_recording(path).iter_chunks()):
        if isinstance(item, Block):
            for k in range(len(item.at_rail)):
                first = k * item.scans_per_frame
                at = item.first_sample_index + first
                scans[at] = (item.counts[first : first + item.scans_per_frame].tobytes(), item.at_rail[k].tobytes())
    return scans


def test_what_is_kept_is_the_same_to_the_bit(whole: Path, reduced: Path) -> None:
    before, after = _scans(whole), _scans(reduced)
    assert 0.1 * len(before) < len(after) < 0.7 * len(before)
    assert all(before[at] == kept for at, kept in after.items())
    assert reduced.stat().st_size < 0.75 * whole.stat().st_size


def test_the_worst_of_each_hour_are_kept() -> None:
    """The lightest would do as well for a count: which ones are there decides what can be looked at again."""
    overdrives_db = [1.0, 6.0, 2.0, 5.0, 0.5, 4.0]
    clips = [
        Finding("clip", start_s, start_s + 0.002, "attention", {"overdrive_db": db}, {}, {})
        for start_s, db in zip([10.0, 100.0, 200.0, 300.0, 3700.0, 3800.0], overdrives_db, strict=True)
    ]
    spans, kept = choose_spans(clips, [], ReduceOptions(around_s=1.0, most_an_hour=2, kinds=("clip",)))
    assert kept == {"clip": 4}
    assert [round(span.start_s + 1.0) for span in spans] == [100, 300, 3700, 3800]


def test_losses_are_those_of_the_whole_and_left_out_is_none(run: Run, whole: Path, reduced: Path) -> None:
    full, small = (json.loads(run("verify", path, "--json").out) for path in (whole, reduced))
    for key in ("n_frames_lost", "n_frames_bad", "n_scans_expected", "n_scans_lost", "bad_reasons", "board_counters"):
        assert small["link_health"][key] == full["link_health"][key], key
    assert small["balances"]
    health = small["link_health"]
    assert health["n_scans_left_out"] > 0
    assert health["n_scans_received"] + health["n_scans_left_out"] == full["link_health"]["n_scans_received"]
    assert small["longest_gaps"] == full["longest_gaps"]
    # The last block's start and length are rounded each: where it begins depends on what came together.
    assert small["duration_s"] == pytest.approx(full["duration_s"], abs=1e-9)
    assert small["closed"]["n_frames_left_out"] == str(health["n_frames_left_out"])
    assert small["reduction"]["around_s"] == 1.0
    assert small["reduction"]["found"]["clip"] > small["reduction"]["kept"]["clip"] == 20
    assert (small["n_marks"], small["n_host_marks"]) == (full["n_marks"], full["n_host_marks"]) == (1, 1)


def test_report_judges_waveforms_only_where_they_are(analyses: tuple[Analysis, Analysis]) -> None:
    full, small = analyses
    left_out_s = small.link_health.n_scans_left_out / 8000
    for coverage in small.coverage:
        if coverage.detector in ("clipping", "notes", "dips", "cutouts", "saturation", "marks"):
            spans = [s for s in coverage.not_judged if s.reason.startswith("reduced on purpose")]
            assert sum(s.stop_s - s.start_s for s in spans) == pytest.approx(left_out_s, abs=0.01), coverage.detector
            assert 0 <= coverage.judged_s < DURATION_S - left_out_s + 0.1
    assert not [f for f in small.findings if f.kind == "gap" and f.measured["cause"] == "reduced"]
    assert not [f for f in small.findings if f.kind == "cutout"]  # a hole in the waveform is no cut-out
    dip, small_dip = (next(f for f in a.findings if f.kind == "dip") for a in analyses)
    assert small_dip.start_s == pytest.approx(dip.start_s, abs=2e-3)
    assert small_dip.measured["residual_v"] == pytest.approx(dip.measured["residual_v"], abs=1e-3)
    clips = np.array([f.start_s for f in full.findings if f.kind == "clip"])
    small_clips = [f.start_s for f in small.findings if f.kind == "clip"]
    assert len(small_clips) >= 20
    assert all(np.abs(clips - start_s).min() < 1e-3 for start_s in small_clips)  # none that was not there before
    reading, small_reading = (next(f for f in a.findings if f.kind == "reading") for a in analyses)
    assert (small_reading.measured, small_reading.measured["value"]) == (reading.measured, 41.5)
    assert small_reading.start_s == pytest.approx(reading.start_s, abs=1.0)
    assert "reduced on purpose" in word_reduction(small)
    assert "clipped half-cycles" in word_reduction(small)
    assert word_reduction(full) == ""


def test_levels_hold_everywhere_and_bound_the_waveform(analyses: tuple[Analysis, Analysis], reduced: Path) -> None:
    full, small = analyses
    items = iter_decoded(open_recording(reduced).iter_chunks())
    n_left_out = sum(isinstance(item, Gap) and item.cause == "reduced" for item in items)
    for role in ("output", "supply"):
        whole, kept = full.envelopes[role], small.envelopes[role]
        assert kept.step_s == whole.step_s
        n = min(len(whole.rms), len(kept.rms))
        known, filled = np.isfinite(whole.rms[:n]), np.isfinite(kept.rms[:n])
        # the seconds beside a gap, and the first and the last one, have no whole second to speak of
        assert np.count_nonzero(known & ~filled) * whole.step_s < 4.0
        both = known & filled
        # A step of 10 ms in which a kept span begins or ends says what its own samples say, as at any gap.
        too_narrow = kept.lowest[:n][both] > whole.lowest[:n][both] + 1e-3
        too_narrow |= kept.highest[:n][both] < whole.highest[:n][both] - 1e-3
        assert np.count_nonzero(too_narrow) <= 2 * n_left_out


def test_refusals_and_replacing(run: Run, whole: Path, reduced: Path, tmp_path: Path) -> None:
    assert run("reduce", reduced, "--out", tmp_path / "x.mcap").code == 2
    assert run("reduce", whole, "--out", reduced).code == 13
    assert run("reduce", whole, "--out", tmp_path / "x.mcap", "--replace").code == 2
    assert list(tmp_path.iterdir()) == []
    copy = tmp_path / "copy.mcap"
    copy.write_bytes(whole.read_bytes())
    ran = run("reduce", copy, "--replace", "--kind", "dip", "--look-every", 0, "--json")
    assert ran.code == 0, ran.err
    assert [path.name for path in tmp_path.iterdir()] == ["copy.mcap"]
    assert json.loads(ran.out)["kept"] == {"dip": 1}
    assert open_recording(copy).reduction is not None
    assert copy.stat().st_size < 0.3 * whole.stat().st_size


def test_what_would_not_become_smaller_is_left_as_it_is(run: Run, whole: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.mcap"
    copy.write_bytes(whole.read_bytes())
    ran = run("reduce", copy, "--around", 600, "--replace")
    assert (ran.code, "was left as it is" in ran.out) == (0, True)
    assert json.loads(run("reduce", copy, "--around", 600, "--json").out)["was_left_whole"]
    assert [path.name for path in tmp_path.iterdir()] == ["copy.mcap"]
    assert copy.read_bytes() == whole.read_bytes()


@pytest.mark.long
def test_parts_are_reduced_while_recording_goes_on_and_still_join(run: Run, tmp_path: Path) -> None:
    time_s = np.arange(40 * 4000) / 4000
    tone = 9 * np.sin(2 * np.pi * 50 * time_s)
    volts = np.stack([7 + tone, 7 - tone, 0 * tone + 13], axis=1)
    options = VirtualBoardOptions(ArrayStimulus(("out_p", "out_n", "supply"), 4000, volts), speed=None)
    with virtual_board(options) as port:
        ran = run("record", "--port", port, "--out", tmp_path / "s.mcap", "--part-mb", 0.5, "--reduce-parts", "--json")
    assert ran.code == 0, ran.err
    assert json.loads(ran.out)["n_parts"] >= 2
    checked = json.loads(run("verify", tmp_path, "--json").out)
    assert checked["balances"]
    assert checked["n_gaps"] == 0
    assert checked["duration_s"] == pytest.approx(40.0, abs=0.1)
    assert checked["link_health"]["n_scans_left_out"] > 0
    # Of all parts, not of the first. What a part holds ahead of its first hello is kept whole and not counted, as it
    # cannot be read in that part alone: a board that plays as fast as it can says hello late on a busy machine (25 of
    # 40 s went by), and a part without any is kept as it is. So how much of each is reduced is left open: mostly two
    # parts are, at times the first alone.
    alone = [run("verify", part, "--alone", "--json").out for part in sorted(tmp_path.glob("s-part*.mcap"))]
    reduced_s = [kept["duration_s"] for out in alone if out and (kept := json.loads(out)["reduction"])]
    assert reduced_s
    assert checked["reduction"]["duration_s"] == pytest.approx(sum(reduced_s), abs=0.01)
    assert sum(reduced_s) < 40.1
    assert not list(tmp_path.glob("*.reducing"))


def test_a_disk_too_full_for_the_copy_is_said_of_the_copy(
    run: Run, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "free_bytes", lambda path: 448 * 1024.0)
    ran = run("reduce", whole, "--out", tmp_path / "x.mcap")
    assert ran.code == 8
    assert f"no room for a reduced copy of {whole}, which was left as it is" in ran.err
    assert "recorded" not in ran.err
