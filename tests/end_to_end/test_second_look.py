"""A second look at a long recording: the index beside it, and the same bits as in a pass from the start."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import ampwitness
import numpy as np
import pytest
from ampwitness import pipeline
from ampwitness.bench.day_signals import iter_day
from ampwitness.pipeline import AnalyseOptions, RecordingVolts, read_span
from ampwitness.recording import RecordingWriter, index, open_recording
from ampwitness.reduction import ReduceOptions, reduce_recording
from ampwitness.types import Chunk, TraceWindow
from ampwitness.waveform.excerpt import cut_excerpt

SECONDS = 78


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """78 s of music with a frame lost at 31 s, in pieces that do not end with a frame."""
    path = tmp_path_factory.mktemp("made") / "trip.mcap"
    raw = bytearray(b"".join(piece for pieces, _ in iter_day(SECONDS / 3600, 3) for piece in pieces))
    at = raw.index(b"\0", 31 * 53_900)
    raw[at + 100] ^= 0x10
    with RecordingWriter(path, {}) as writer:
        for k, first in enumerate(range(0, len(raw), 40_001)):
            writer.append(Chunk(bytes(raw[first : first + 40_001]), 1e9 + k * 0.74))
    return path


@pytest.fixture
def trip(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(index, "LEAST_BYTES", 0)
    return Path(shutil.copy(made, tmp_path / "trip.mcap"))


def from_the_start(path: Path, start_s: float, stop_s: float) -> TraceWindow:
    volts = RecordingVolts(open_recording(path), AnalyseOptions(window_s=10.0))
    return cut_excerpt(volts.windows(), start_s, stop_s)


def assert_same(got: TraceWindow, wanted: TraceWindow) -> None:
    assert (got.start_s, got.stop_s, got.gaps) == (wanted.start_s, wanted.stop_s, wanted.gaps)
    for role, trace in wanted.traces.items():
        assert got.traces[role].gaps == trace.gaps
        assert [s.start_s for s in got.traces[role].segments] == [s.start_s for s in trace.segments]
        for mine, other in zip(got.traces[role].segments, trace.segments, strict=True):
            np.testing.assert_array_equal(mine.volts, other.volts)


@pytest.mark.parametrize(("start_s", "stop_s"), [(0.0, 2.0), (29.5, 33.2), (70.001, 72.0), (76.0, 500.0)])
def test_the_second_look_gives_the_same_bits(trip, start_s, stop_s):
    wanted = from_the_start(trip, start_s, stop_s)
    assert_same(read_span(trip, start_s, stop_s), wanted)  # makes the index
    assert index.load_index(open_recording(trip)) is not None
    assert_same(read_span(trip, start_s, stop_s), wanted)
    assert (start_s == 29.5) == bool(wanted.gaps)


def test_the_second_look_reads_only_what_it_needs(trip, monkeypatch):
    read_span(trip, 70.0, 72.0)
    recording = open_recording(trip)
    places = []
    whole = type(recording).iter_placed

    def counting(self, start):
        for place, chunk in whole(self, start):
            places.append(place)
            yield place, chunk

    monkeypatch.setattr(type(recording), "iter_placed", counting)
    wanted = read_span(recording, 70.0, 72.0).traces["output"]
    assert places[0] > recording.n_bytes / 4
    opened = ampwitness.open(trip)
    assert opened.roles == ("output", "supply")
    places.clear()
    got = opened.volts("output", 70.0, 72.0)  # who writes Python waits no longer than who looks at a page
    assert places[0] > recording.n_bytes / 4
    np.testing.assert_array_equal(got.segments[0].volts, wanted.segments[0].volts)


@pytest.mark.parametrize("harm", ["longer", "other bytes", "not JSON", "half", "other version", "a digit", "deleted"])
def test_an_index_that_does_not_belong_is_made_anew(trip, harm):
    read_span(trip, 70.0, 72.0)
    kept = index.index_path(open_recording(trip))
    if harm == "longer":
        with trip.open("ab") as file:
            file.write(b"\0" * 10)
    elif harm == "other bytes":
        state = trip.stat()
        content = bytearray(trip.read_bytes())
        content[-200] ^= 1
        trip.write_bytes(content)
        os.utime(trip, ns=(state.st_atime_ns, state.st_mtime_ns))
    elif harm == "not JSON":
        kept.write_text("{]")
    elif harm == "half":
        kept.write_bytes(kept.read_bytes()[: kept.stat().st_size // 2])
    elif harm == "other version":
        kept.write_text(json.dumps({**json.loads(kept.read_text()), "version": 99}))
    elif harm == "a digit":
        content = json.loads(kept.read_text())
        content["places"][-1] += 10**6
        kept.write_text(json.dumps(content))
    else:
        kept.unlink()
    assert index.load_index(open_recording(trip)) is None
    assert_same(read_span(trip, 70.0, 72.0), from_the_start(trip, 70.0, 72.0))
    assert index.load_index(open_recording(trip)) is not None


def test_short_recordings_get_no_index(made):
    read_span(made, 1.0, 2.0)
    assert not index.index_path(open_recording(made)).exists()


def test_a_folder_that_cannot_be_written_is_fine(trip, monkeypatch):
    def refuse(*_args, **_kwargs):
        raise OSError("read-only")

    monkeypatch.setattr(Path, "write_text", refuse)
    assert_same(read_span(trip, 70.0, 72.0), from_the_start(trip, 70.0, 72.0))


@pytest.fixture(scope="module")
def made_reduced(made: Path) -> Path:
    """Two seconds of every ten, the lost frame's surroundings, and both ends are kept."""
    path = made.with_name("small.mcap")
    reduce_recording(open_recording(made), path, ReduceOptions(kinds=("gap",), look_every_s=10.0), lambda *_: None)
    return path


@pytest.mark.parametrize(
    ("start_s", "stop_s", "causes"),
    [
        (0.5, 1.5, set()),
        (29.5, 34.2, {"link", "reduced"}),
        (45.0, 46.0, {"reduced"}),
        (60.2, 61.7, set()),
        (58.0, 63.0, {"reduced"}),
        (76.5, 500.0, set()),
    ],
)
def test_a_reduced_recording_is_looked_at_again_through_its_index(
    made_reduced, tmp_path, monkeypatch, start_s, stop_s, causes
):
    monkeypatch.setattr(index, "LEAST_BYTES", 0)
    monkeypatch.setattr(pipeline, "GATHER_BYTES", 120_000)  # many places in a short file
    path = Path(shutil.copy(made_reduced, tmp_path / "small.mcap"))
    wanted = from_the_start(path, start_s, stop_s)
    assert_same(read_span(path, start_s, stop_s), wanted)
    kept = index.load_index(open_recording(path))
    assert kept is not None
    assert len(kept.places) > 6
    assert (kept.place_before(start_s - 3.0) > 0) == (start_s > 29)  # it does not begin at the file's start
    assert_same(read_span(path, start_s, stop_s), wanted)
    assert {gap.cause for gap in wanted.traces["output"].gaps} == causes


def test_an_index_starts_a_place_earlier_than_it_seems() -> None:
    """Samples may wait for their session's hello as long as one piece is: they then stand a place before their time."""
    kept = index.RecordingIndex()
    for k in range(5):
        kept.add(float(k), 100 * k)
    kept.add(2.0, 999)  # times never go back
    assert kept.places == [0, 100, 200, 300, 400]
    assert [kept.place_before(time_s) for time_s in (0.0, 1.5, 3.0, 3.9, 9.0)] == [0, 0, 200, 200, 300]
