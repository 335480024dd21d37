"""What is appended comes back, byte for byte, from whole and from torn files, and the container is plain MCAP."""

from __future__ import annotations

import os
import random
from itertools import pairwise
from pathlib import Path

import pytest
from ampwitness.errors import OutputError, RecordingUnreadableError
from ampwitness.findings.whole_words import word_unread
from ampwitness.recording import RecordingWriter, open_recording
from ampwitness.types import Chunk
from mcap.reader import make_reader
from mcap.stream_reader import StreamReader

NOTES = {"amplifier": "model amplifier", "load_ohm": 4.0, "remarks": "née Ω", "nominal_supply_v": None}


def _chunks(seconds: float, step_s: float = 0.02, start_s: float = 1_700_000_000.0, seed: int = 1) -> list[Chunk]:
    rng = random.Random(seed)
    return [Chunk(rng.randbytes(rng.randint(1, 300)), start_s + k * step_s) for k in range(round(seconds / step_s))]


def _write(path: Path, chunks: list[Chunk]) -> bytes:
    with RecordingWriter(path, NOTES) as writer:
        for chunk in chunks:
            writer.append(chunk)
    return b"".join(chunk.raw for chunk in chunks)


def test_bytes_notes_marks_and_end_come_back(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    chunks = _chunks(5.0)
    with RecordingWriter(path, NOTES) as writer:
        for chunk in chunks[:100]:
            writer.append(chunk)
        writer.mark(chunks[99].host_s, "noise heard")
        for chunk in chunks[100:]:
            writer.append(chunk)
        writer.mark(chunks[-1].host_s)
    recording = open_recording(path)
    sent = b"".join(chunk.raw for chunk in chunks)
    assert b"".join(chunk.raw for chunk in recording.iter_chunks()) == sent
    assert recording.kind == "mcap"
    assert recording.name == "a.mcap"
    assert not recording.is_torn
    assert recording.torn_at is None
    assert recording.notes == {"amplifier": "model amplifier", "load_ohm": 4.0, "remarks": "née Ω"}
    assert [(mark.label, round(mark.host_s - chunks[0].host_s, 6)) for mark in recording.host_marks] == [
        ("noise heard", 1.98),
        ("", 4.98),
    ]
    assert recording.end["why"] == "stopped"
    assert int(recording.end["n_bytes"]) == len(sent)
    assert int(recording.end["n_marks"]) == 2


def test_a_message_is_about_a_second_and_never_spans_a_pause(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    before = _chunks(3.0)
    after = _chunks(2.0, start_s=before[-1].host_s + 0.5)
    _write(path, before + after)
    with path.open("rb") as file:
        messages = [(m.log_time / 1e9, m.publish_time / 1e9) for _, _, m in make_reader(file).iter_messages()]
    spans_s = [last - first for first, last in messages]
    assert max(spans_s) <= 0.9
    steady = [span for (first, _), span in zip(messages, spans_s, strict=True) if first - before[0].host_s > 0.1]
    assert sum(span > 0.85 for span in steady) >= 3  # full messages are the rule
    assert not any(first < before[-1].host_s + 0.25 < last for first, last in messages)
    # the first message, and the first after the pause, are short: their bytes' times are known closely
    first_after = next(k for k, (first, _) in enumerate(messages) if first > before[-1].host_s + 0.25)
    assert spans_s[0] <= 0.05
    assert spans_s[first_after] <= 0.05


def test_a_chunk_without_bytes_saves_what_waits(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    writer = RecordingWriter(path, NOTES)
    writer.append(Chunk(b"abc", 100.0))
    writer.append(Chunk(b"", 100.3))
    assert [chunk.raw for chunk in open_recording(path).iter_chunks()] == [b"abc"]
    assert open_recording(path).is_torn  # still being written
    writer.close()
    assert not open_recording(path).is_torn


def test_a_host_clock_that_jumps_back_costs_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    first = _chunks(1.0, start_s=5000.0)
    second = _chunks(1.0, start_s=1000.0)
    sent = _write(path, first + second)
    chunks = list(open_recording(path).iter_chunks())
    assert b"".join(chunk.raw for chunk in chunks) == sent
    # no message mixes the two times
    assert all(5000 <= chunk.host_s < 5001 or 1000 <= chunk.host_s < 1001 for chunk in chunks)


def test_the_library_of_the_format_reads_the_same_bytes(tmp_path: Path) -> None:
    """Source: MCAP's own Python library, both its readers."""
    path = tmp_path / "a.mcap"
    sent = _write(path, _chunks(4.0))
    with path.open("rb") as file:
        reader = make_reader(file)
        assert b"".join(m.data for _, c, m in reader.iter_messages(topics=["ampwitness/received_bytes"])) == sent
        names = [metadata.name for metadata in reader.iter_metadata()]
    assert names == ["ampwitness/notes", "ampwitness/end"]
    with path.open("rb") as file:
        records = list(StreamReader(file, validate_crcs=True).records)
    assert b"".join(r.data for r in records if type(r).__name__ == "Message") == sent
    assert not any(type(r).__name__ == "Chunk" for r in records)


def test_a_copy_that_was_compressed_by_an_mcap_writer_is_read_too(tmp_path: Path) -> None:
    from mcap.writer import Writer

    path, copy = tmp_path / "a.mcap", tmp_path / "small.mcap"
    sent = _write(path, _chunks(4.0))
    with path.open("rb") as source, copy.open("wb") as target:
        writer = Writer(target)
        writer.start(profile="ampwitness")
        for record in StreamReader(source).records:
            kind = type(record).__name__
            if kind == "Metadata":
                writer.add_metadata(record.name, record.metadata)
            elif kind == "Channel":
                writer.register_channel(record.topic, record.message_encoding, 0)
            elif kind == "Message":
                writer.add_message(record.channel_id, record.log_time, record.data, record.publish_time)
            elif kind == "DataEnd":
                break
        writer.finish()
    recording = open_recording(copy)
    assert b"".join(chunk.raw for chunk in recording.iter_chunks()) == sent
    assert recording.notes["load_ohm"] == 4.0
    assert not recording.is_torn


def test_a_file_put_behind_another_is_not_lost_without_a_word(tmp_path: Path) -> None:
    """`cat a.mcap b.mcap > c.mcap` makes no recording of both: what stands behind the first one's end is counted."""
    _write(tmp_path / "a.mcap", _chunks(2.0))
    _write(tmp_path / "b.mcap", _chunks(3.0, seed=2))
    first, second = ((tmp_path / name).read_bytes() for name in ("a.mcap", "b.mcap"))
    both = tmp_path / "c.mcap"
    for tail, n_unread in ((second, len(second)), (b"", 0), (bytes(4096), 0)):  # zeros: room that a disk had kept
        both.write_bytes(first + tail)
        assert open_recording(both).n_unread_bytes == n_unread
        assert not open_recording(both).is_torn
    assert "4,096 bytes that were not read: was another file put behind it?" in word_unread(4096)
    assert word_unread(0) == ""


def test_torn_at_every_byte_of_its_last_message(tmp_path: Path) -> None:
    """Everything before the tear is read, and of the torn message what the file still holds."""
    path = tmp_path / "a.mcap"
    writer = RecordingWriter(path, NOTES)
    chunks = _chunks(2.0)
    chunks[-40:] = [Chunk(chunk.raw[:30], chunk.host_s) for chunk in chunks[-40:]]  # one test a byte: keep it short
    for chunk in chunks[:-40]:
        writer.append(chunk)
    writer.append(Chunk(b"", chunks[-41].host_s + 0.2))
    n_before = path.stat().st_size
    for chunk in chunks[-40:]:
        writer.append(Chunk(chunk.raw, chunk.host_s + 1.0))
    writer.append(Chunk(b"", chunks[-1].host_s + 2.0))
    whole = path.read_bytes()
    sent = b"".join(chunk.raw for chunk in chunks)
    assert len(whole) > n_before + 800
    assert writer.n_bytes == len(sent)
    torn = tmp_path / "torn.mcap"
    # the last message alone: with PAUSE_S a short one comes first, then the rest
    with path.open("rb") as file:
        sizes = []
        try:
            sizes.extend(len(r.data) for r in StreamReader(file).records if type(r).__name__ == "Message")
        except Exception:
            pass  # no footer yet
    n_last = sizes[-1]
    last_at = len(whole) - n_last - 31
    for n_kept in range(last_at, len(whole)):
        torn.write_bytes(whole[:n_kept])
        recording = open_recording(torn)
        read = b"".join(chunk.raw for chunk in recording.iter_chunks())
        n_expected = len(sent) - n_last + max(0, n_kept - last_at - 31)
        assert read == sent[:n_expected], n_kept
        assert recording.is_torn
    writer.close()


def test_torn_in_the_closing_records_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    sent = _write(path, _chunks(2.0))
    whole = path.read_bytes()
    last_message_stop = whole.rindex(sent[-50:]) + 50
    torn = tmp_path / "torn.mcap"
    for n_kept in range(last_message_stop, len(whole)):
        torn.write_bytes(whole[:n_kept])
        recording = open_recording(torn)
        assert b"".join(chunk.raw for chunk in recording.iter_chunks()) == sent
        assert recording.is_torn, n_kept


def test_torn_before_the_first_message_says_that_nothing_was_saved(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    _write(path, [Chunk(b"\x01\x02\x03", 5.0)])
    whole = path.read_bytes()
    first_message_at = whole.rindex(b"\x01\x02\x03") - 31
    torn = tmp_path / "torn.mcap"
    for n_kept in range(1, first_message_at + 32):
        torn.write_bytes(whole[:n_kept])
        with pytest.raises(RecordingUnreadableError, match=r"before anything was recorded|not one received byte"):
            list(open_recording(torn).iter_chunks())


def test_a_damaged_length_does_not_cost_the_rest(tmp_path: Path) -> None:
    """A record header destroyed in the middle: the bytes behind it are given as they stand, for the CRCs to sort."""
    path = tmp_path / "a.mcap"
    _write(path, _chunks(6.0))
    whole = bytearray(path.read_bytes())
    with path.open("rb") as file:
        messages = [m.data for _, _, m in make_reader(file).iter_messages()]
    hit = whole.index(messages[3]) - 31
    whole[hit : hit + 9] = b"\xff" * 9
    path.write_bytes(whole)
    recording = open_recording(path)
    read = b"".join(chunk.raw for chunk in recording.iter_chunks())
    assert recording.is_torn
    assert recording.torn_at == hit
    for message in messages:
        assert message in read


def test_a_tail_of_zeros_is_not_taken_for_data(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    writer = RecordingWriter(path, NOTES)
    writer.append(Chunk(b"payload", 10.0))
    writer.append(Chunk(b"", 11.0))
    path.write_bytes(path.read_bytes() + bytes(3_000_000))
    assert [chunk.raw for chunk in open_recording(path).iter_chunks()] == [b"payload"]


def test_a_plain_file_of_wire_bytes_is_read_in_pieces(tmp_path: Path) -> None:
    path = tmp_path / "wire.bin"
    raw = random.Random(2).randbytes(3_000_000)
    path.write_bytes(raw)
    recording = open_recording(path)
    chunks = list(recording.iter_chunks())
    assert recording.kind == "raw"
    assert not recording.has_host_times
    assert not recording.is_torn
    assert recording.host_marks == ()
    assert recording.notes == {}
    assert b"".join(chunk.raw for chunk in chunks) == raw
    assert max(len(chunk.raw) for chunk in chunks) <= 1 << 20


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(b"precious")
    with pytest.raises(OutputError, match="exists already and is never overwritten"):
        RecordingWriter(path, NOTES)
    assert path.read_bytes() == b"precious"
    with pytest.raises(OutputError, match="is a directory"):
        RecordingWriter(tmp_path, NOTES)
    with pytest.raises(OutputError, match="There is no directory"):
        RecordingWriter(tmp_path / "no" / "a.mcap", NOTES)


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "a.mcap"
    block = os.urandom(50_000)
    with RecordingWriter(path, NOTES) as writer:
        for k in range(600):
            writer.append(Chunk(block, 1000.0 + 0.05 * k))
    tracemalloc.start()
    n_bytes = sum(len(chunk.raw) for chunk in open_recording(path).iter_chunks())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert n_bytes == 30_000_000
    assert peak < 8_000_000


@pytest.mark.parametrize("step_s", [0.001, 0.02, 0.3, 2.0])
def test_chunking_never_changes_what_comes_back(tmp_path: Path, step_s: float) -> None:
    path = tmp_path / "a.mcap"
    sent = _write(path, _chunks(200 * step_s, step_s))
    times = [chunk.host_s for chunk in open_recording(path).iter_chunks()]
    assert b"".join(chunk.raw for chunk in open_recording(path).iter_chunks()) == sent
    assert all(a <= b for a, b in pairwise(times))


def test_fsync_is_called_while_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (calls.append(handle), real(handle))[1])
    clock = [100.0]
    monkeypatch.setattr("ampwitness.recording.writer.time.monotonic", lambda: clock[0])
    writer = RecordingWriter(tmp_path / "a.mcap", NOTES)
    n_at_start = len(calls)
    for k in range(12):
        clock[0] += 1.0
        writer.append(Chunk(b"x" * 100, 1000.0 + k))
    assert len(calls) - n_at_start == 2  # every 5 s
    writer.close()
    assert len(calls) - n_at_start == 3  # and at the end
