"""Opens a recording, whole or torn, and gives back its bytes with bounded memory."""

from __future__ import annotations

import io
import json
import os
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from mcap.data_stream import ReadDataStream
from mcap.exceptions import EndOfFile, McapError
from mcap.opcode import Opcode
from mcap.records import Channel, Header, Message, Metadata
from mcap.records import Chunk as McapChunk
from mcap.stream_reader import breakup_chunk
from mcap.writer import MCAP0_MAGIC

from ampwitness.errors import RecordingUnreadableError
from ampwitness.recording.container import (
    BYTES_TOPIC,
    END_RECORD,
    FINDINGS_TOPIC,
    LEFT_OUT_TOPIC,
    LEVELS_TOPIC,
    MARKS_TOPIC,
    NOTES_RECORD,
    PROFILE,
    READINGS_TOPIC,
    REDUCED_RECORD,
    text_to_notes,
)
from ampwitness.recording.foreign import describe_foreign
from ampwitness.types import Chunk, LeftOut

RAW_CHUNK_BYTES = 1 << 20
_RECORD_HEAD = struct.Struct("<BQ")  # opcode, length of what follows
_MESSAGE_HEAD = struct.Struct("<HIQQ")  # channel, sequence, log time ns, publish time ns
# No record that we write comes near it; a longer one is a damaged length, and reading it would eat the memory.
_RECORD_BYTES_MAX = 64 << 20
_OPCODES = frozenset(int(opcode) for opcode in Opcode)


@dataclass(frozen=True, slots=True)
class HostMark:
    """A mark that was set at the host's keyboard."""

    host_s: float
    label: str


@dataclass(frozen=True, slots=True)
class HostFinding:
    """What a guided walk concluded while it recorded: a finding as JSON values."""

    host_s: float
    content: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class HostReading:
    """A value that a person read elsewhere (a thermometer, a meter) and typed in while it recorded."""

    host_s: float
    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class KeptLevels:
    """Levels of one span of a reduced recording: `roles` gives each role's lowest_v, highest_v, mean_v and rms_v by
    steps of `step_scans` scans, the first at scan `start_index` of the session; None where nothing was received."""

    session_id: str
    start_index: float
    step_scans: float
    roles: Mapping[str, Mapping[str, Sequence[float | None]]]


_DAMAGE = (EndOfFile, McapError, UnicodeDecodeError, ValueError, KeyError, OverflowError, MemoryError, struct.error)
BYTES_CHANNEL = 1  # the id that the writer's first channel gets


@dataclass(frozen=True, slots=True)
class _Record:
    """One MCAP record: where its content starts in the file, and how long it is."""

    opcode: int
    at: int
    n_bytes: int


class Recording:
    """A recording on disk. Made by `open_recording`; nothing stays open between calls.

    Attributes
    ----------
    path, name : where, and the file's name for people.
    kind : "mcap", or "raw" for a plain file of wire bytes.
    notes : what was typed and noted at the start; empty for "raw".
    has_host_times : whether the chunks' `host_s` mean anything ("raw": no, they are 0.0).
    n_bytes : size of the file, for progress lines.
    """

    def __init__(self, path: Path, kind: Literal["mcap", "raw"]) -> None:
        self.path = path
        self.name = path.name
        self.kind = kind
        self.has_host_times = kind == "mcap"
        self.n_bytes = path.stat().st_size
        self.notes: dict[str, object] = {}
        self._channels: dict[int, str] = {}
        self._profile = ""
        self._damaged_at: set[int] = set()  # records about the recording that could not be read
        self._marks: list[HostMark] | None = None
        self._findings: list[HostFinding] = []
        self._readings: list[HostReading] = []
        self.reduction: Mapping[str, Any] | None = None  # what was chosen; None: nothing was left out
        self.missing_parts: tuple[int, ...] = ()  # of a recording in several files, ahead of the last that is there
        self.lacks_later_parts = False  # the last that is there says that more came
        self._end: dict[str, str] | None = None
        self._torn_at: int | None = None
        self._n_unread_bytes = 0
        if kind == "mcap":
            self._read_start()

    @property
    def is_torn(self) -> bool:
        """Whether the file was not closed properly, or is damaged. Reads the file once, without its samples."""
        self._scan()
        return self._torn_at is not None

    @property
    def torn_at(self) -> int | None:
        """Offset in the file of the first byte that is no whole record, None for a whole file and for "raw"."""
        self._scan()
        return self._torn_at

    @property
    def away_at_end_s(self) -> float:
        """How long the board had been gone at the end, seconds by the recorder's clock; 0: it was there."""
        try:
            return float(self.end.get("board_away_s", "0"))
        except ValueError:
            return 0.0

    @property
    def torn_files(self) -> tuple[str, ...]:
        """Names of the files that were not closed properly, or are damaged."""
        return (self.name,) if self.is_torn else ()

    @property
    def n_unread_bytes(self) -> int:
        """Bytes behind the recording's proper end, which are none of it: another file was put behind it."""
        self._scan()
        return self._n_unread_bytes

    @property
    def host_marks(self) -> tuple[HostMark, ...]:
        """Marks set at the host's keyboard, in the order in which they were set."""
        self._scan()
        return tuple(self._marks or ())

    @property
    def host_findings(self) -> tuple[HostFinding, ...]:
        """What guided walks concluded while they recorded, in order."""
        self._scan()
        return tuple(self._findings)

    @property
    def host_readings(self) -> tuple[HostReading, ...]:
        """Values that were read elsewhere and typed in, in order."""
        self._scan()
        return tuple(self._readings)

    def iter_levels(self) -> Iterator[KeptLevels]:
        """Levels that a reduced recording kept of everything, in order; none in a whole one."""
        if self.reduction is None:
            return
        with self.path.open("rb") as file:
            for record in _iter_records(file, self.n_bytes):
                if record.opcode != Opcode.MESSAGE:
                    continue
                file.seek(record.at)
                channel = _MESSAGE_HEAD.unpack(file.read(_MESSAGE_HEAD.size))[0]
                if self._channels.get(channel) != LEVELS_TOPIC:
                    continue
                levels = _read_levels(file.read(record.n_bytes - _MESSAGE_HEAD.size))
                if levels is not None:  # damaged: the report then says nothing about this span
                    yield levels

    @property
    def end(self) -> dict[str, str]:
        """What the recorder wrote when it closed: why, n_bytes, n_messages, n_marks. Empty when it could not."""
        self._scan()
        return dict(self._end or {})

    def iter_chunks(self) -> Iterator[Chunk]:
        """Received bytes in order, about a second (at most a few MB) at a time.

        Returns
        -------
        Chunks; `host_s` is when the last byte of the chunk was received. Bytes behind damage are given too, as far as
        the file goes: the wire format's own checks tell which of them are whole frames.

        Raises
        ------
        RecordingUnreadableError : the medium fails, or nothing at all was saved before the file was cut off.
        """
        for _, chunk in self.iter_placed(0):
            yield chunk

    def iter_placed(self, start: int) -> Iterator[tuple[int, Chunk]]:
        """As `iter_chunks`, each chunk with its place; begins at a place that was given before, or at 0.

        Raises RecordingUnreadableError as `iter_chunks` does.
        """
        try:
            with self.path.open("rb") as file:
                if self.kind == "raw":
                    yield from self._iter_raw(file, start, 0.0)
                    return
                n_given = start
                for place, chunk in self._iter_mcap(file, start):
                    n_given += len(chunk.raw)
                    yield place, chunk
        except OSError as error:
            raise RecordingUnreadableError(
                f"{self.path} cannot be read on ({error.strerror or error}). Copy it to another disk and try again."
            ) from error
        if n_given == 0:
            holds = "notes" if self.notes else "the beginning of a recording"
            raise RecordingUnreadableError(
                f"{self.path} holds {holds} but not one received byte: it ended before its first second. Record again."
            )

    def _iter_raw(self, file: IO[bytes], at: int, host_s: float) -> Iterator[tuple[int, Chunk]]:
        file.seek(at)
        while piece := file.read(RAW_CHUNK_BYTES):
            yield at, Chunk(piece, host_s)
            at += len(piece)

    def _iter_mcap(self, file: IO[bytes], start: int) -> Iterator[tuple[int, Chunk]]:
        last_s = 0.0
        stop_at = max(start, len(MCAP0_MAGIC))
        for record in _iter_records(file, self.n_bytes, stop_at):
            place, stop_at = stop_at, record.at + record.n_bytes
            if record.opcode == Opcode.MESSAGE:
                file.seek(record.at)
                channel, _, _, last_ns = _MESSAGE_HEAD.unpack(file.read(_MESSAGE_HEAD.size))
                topic = self._channels.get(channel)
                if topic == BYTES_TOPIC:
                    last_s = last_ns / 1e9
                    yield place, Chunk(file.read(record.n_bytes - _MESSAGE_HEAD.size), last_s)
                elif topic == LEFT_OUT_TOPIC:
                    left_out = _read_left_out(file.read(record.n_bytes - _MESSAGE_HEAD.size))
                    if left_out is not None:
                        yield place, Chunk(b"", last_ns / 1e9, left_out)
            elif record.opcode == Opcode.CHUNK:
                for message in self._messages_in_chunk(file, record):
                    if self._channels.get(message.channel_id) == BYTES_TOPIC:
                        last_s = message.publish_time / 1e9
                        yield place, Chunk(message.data, last_s)
            elif record.opcode == Opcode.FOOTER:
                return
        yield from self._iter_torn(file, stop_at, last_s)

    def _iter_torn(self, file: IO[bytes], at: int, last_s: float) -> Iterator[tuple[int, Chunk]]:
        """What stands behind the last whole record: mostly the first part of a message of received bytes."""
        if BYTES_TOPIC not in self._channels.values():
            return  # cut off while the notes were written
        place = at
        file.seek(at)
        head = file.read(_RECORD_HEAD.size)
        if len(head) < _RECORD_HEAD.size:
            return
        opcode, n_bytes = _RECORD_HEAD.unpack(head)
        if opcode in _OPCODES and n_bytes <= _RECORD_BYTES_MAX:
            message = file.read(_MESSAGE_HEAD.size)
            if opcode != Opcode.MESSAGE or len(message) < _MESSAGE_HEAD.size:
                return
            channel, _, _, last_ns = _MESSAGE_HEAD.unpack(message)
            if self._channels.get(channel) != BYTES_TOPIC:
                return
            at += len(head) + len(message)
            last_s = last_ns / 1e9  # that of the whole message; how much of it is missing is not known
        for _, chunk in self._iter_raw(file, at, last_s):
            if chunk.raw.strip(b"\0"):  # a power cut can leave a tail of zeros where the size was known before the data
                yield place, chunk

    def _messages_in_chunk(self, file: IO[bytes], record: _Record) -> list[Message]:
        """Messages of a chunk: we write none, but a copy made smaller by other MCAP programs has them."""
        file.seek(record.at)
        try:
            inside = breakup_chunk(McapChunk.read(ReadDataStream(io.BytesIO(file.read(record.n_bytes)))))
        except Exception:  # whatever a compressor says of damage: what was inside counts as lost
            return []
        for entry in inside:
            if isinstance(entry, Channel):
                self._channels[entry.id] = entry.topic
        return [entry for entry in inside if isinstance(entry, Message)]

    def _read_start(self) -> None:
        """Notes and channels, which stand before the first message."""
        with self.path.open("rb") as file:
            for record in _iter_records(file, self.n_bytes):
                if record.opcode in (Opcode.MESSAGE, Opcode.CHUNK, Opcode.DATA_END):
                    break
                self._take_small(file, record)
        is_known = BYTES_TOPIC in self._channels.values()
        if self._profile not in (PROFILE, "") and not is_known:
            raise RecordingUnreadableError(
                f"{self.path} is an MCAP file of another program (profile {self._profile!r}). "
                "Give the file that `ampwitness record` wrote."
            )
        if not is_known and self._damaged_at:
            self._channels.setdefault(BYTES_CHANNEL, BYTES_TOPIC)  # its own record is the damaged one

    def _take_small(self, file: IO[bytes], record: _Record) -> None:
        if record.opcode not in (Opcode.HEADER, Opcode.METADATA, Opcode.CHANNEL):
            return
        file.seek(record.at)
        stream = ReadDataStream(io.BytesIO(file.read(record.n_bytes)))
        try:
            self._read_small(record.opcode, stream)
        except _DAMAGE:  # the samples are elsewhere: go on without it, and say so
            self._damaged_at.add(record.at)
            self.notes["damaged"] = (
                f"records about this recording (notes, names) that could not be read and were left out: "
                f"{len(self._damaged_at)}; the samples are not touched"
            )

    def _read_small(self, opcode: int, stream: ReadDataStream) -> None:
        if opcode == Opcode.HEADER:
            self._profile = Header.read(stream).profile
        elif opcode == Opcode.CHANNEL:
            channel = Channel.read(stream)
            self._channels[channel.id] = channel.topic
        else:
            metadata = Metadata.read(stream)
            if metadata.name == NOTES_RECORD:
                self.notes.update(text_to_notes(metadata.metadata))
            elif metadata.name == END_RECORD:
                self._end = dict(metadata.metadata)
            elif metadata.name == REDUCED_RECORD:
                self.reduction = _read_object(metadata.metadata.get("json", "")) or {}

    def _scan(self) -> None:
        """Walk the records once, skipping the samples, for what stands between and behind them."""
        if self._marks is not None:
            return
        self._marks = []
        if self.kind == "raw":
            return
        with self.path.open("rb") as file:
            stop_at = len(MCAP0_MAGIC)
            for record in _iter_records(file, self.n_bytes):
                stop_at = record.at + record.n_bytes
                if record.opcode == Opcode.MESSAGE:
                    file.seek(record.at)
                    head = _MESSAGE_HEAD.unpack(file.read(_MESSAGE_HEAD.size))
                    topic = self._channels.get(head[0])
                    if topic in (MARKS_TOPIC, FINDINGS_TOPIC, READINGS_TOPIC):
                        self._take_json(topic, head[2], file.read(record.n_bytes - _MESSAGE_HEAD.size))
                elif record.opcode == Opcode.CHUNK:
                    for message in self._messages_in_chunk(file, record):
                        topic = self._channels.get(message.channel_id)
                        if topic in (MARKS_TOPIC, FINDINGS_TOPIC, READINGS_TOPIC):
                            self._take_json(topic, message.log_time, message.data)
                else:
                    self._take_small(file, record)
                if record.opcode == Opcode.FOOTER:
                    file.seek(stop_at)
                    if file.read(len(MCAP0_MAGIC)) == MCAP0_MAGIC:
                        behind_at = file.tell()
                        if file.read(RAW_CHUNK_BYTES).strip(b"\0"):
                            self._n_unread_bytes = self.n_bytes - behind_at
                        return
                    break
        self._torn_at = stop_at

    def _take_json(self, topic: str, log_ns: int, text: bytes) -> None:
        if topic == MARKS_TOPIC:
            self._take_mark(log_ns, text)
            return
        content = _read_object(text)
        if content is None:
            return  # damaged: the samples it was drawn from are still there
        if topic == FINDINGS_TOPIC:
            self._findings.append(HostFinding(log_ns / 1e9, content))
        elif isinstance(value := content.get("value"), int | float):
            name, unit = str(content.get("name") or "reading"), str(content.get("unit") or "")
            self._readings.append(HostReading(log_ns / 1e9, name, float(value), unit))

    def _take_mark(self, log_ns: int, text: bytes) -> None:
        try:
            label = str(json.loads(text)["label"])
        except (ValueError, KeyError, TypeError):
            label = ""
        assert self._marks is not None
        self._marks.append(HostMark(log_ns / 1e9, label))


def _read_object(text: bytes | str) -> dict[str, Any] | None:
    try:
        content = json.loads(text)
    except ValueError:
        return None
    return content if isinstance(content, dict) else None


def _read_left_out(text: bytes) -> LeftOut | None:
    """What was left out here; None for a damaged record: its frames then count as lost, which is the safe side."""
    try:
        read = LeftOut(**json.loads(text))
    except (ValueError, TypeError):
        return None
    whole = (read.session_tag, read.first_seq, read.last_seq, read.start_index, read.stop_index, read.flags,
             read.n_frames, read.n_bytes)  # fmt: skip
    is_sound = all(type(number) is int and number >= 0 for number in whole) and read.start_index <= read.stop_index
    return read if is_sound and isinstance(read.last_host_s, int | float) else None


def _read_levels(text: bytes) -> KeptLevels | None:
    try:
        read = KeptLevels(**json.loads(text))
    except (ValueError, TypeError):
        return None
    is_sound = (
        isinstance(read.start_index, int | float)
        and isinstance(read.step_scans, int | float)
        and read.step_scans > 0
        and isinstance(read.roles, dict)
    )
    return read if is_sound else None


def _iter_records(file: IO[bytes], n_file_bytes: int, at: int = len(MCAP0_MAGIC)) -> Iterator[_Record]:
    """Whole records one after another from `at` on, until the file or the footer ends it or one makes no sense.

    Not the library's own reader: that one cannot step over the samples, and a torn message loses what was saved of it.
    The caller may move the file's position.
    """
    while at + _RECORD_HEAD.size <= n_file_bytes:
        file.seek(at)
        head = file.read(_RECORD_HEAD.size)
        if len(head) < _RECORD_HEAD.size:
            return
        opcode, n_bytes = _RECORD_HEAD.unpack(head)
        at += _RECORD_HEAD.size
        is_sound = opcode > 0 and n_bytes <= min(_RECORD_BYTES_MAX, n_file_bytes - at)
        if not is_sound or (opcode == Opcode.MESSAGE and n_bytes < _MESSAGE_HEAD.size):
            return
        yield _Record(opcode, at, n_bytes)
        at += n_bytes
        if opcode == Opcode.FOOTER:
            return


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open a recording, or a plain file of raw wire bytes; which of them is told by the first bytes.

    Raises
    ------
    RecordingUnreadableError : missing, no permission, no file, empty, or plainly something else. Whether raw bytes
        hold any valid frame shows only when they are decoded.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise RecordingUnreadableError(f"{path} is a directory. Give the recording file inside it.")
        if path.is_fifo():
            raise RecordingUnreadableError(f"{path} is a pipe, not a file: what comes out of it is to be saved first.")
        if path.exists() and not path.is_file():
            raise RecordingUnreadableError(
                f"{path} is a device, not a file. To record from it: ampwitness record --port {path}"
            )
        with path.open("rb") as file:
            start = file.read(1 << 16)
    except FileNotFoundError as error:
        raise RecordingUnreadableError(f"There is no file {path}. Check the name and the directory.") from error
    except PermissionError as error:
        raise RecordingUnreadableError(f"You may not read {path}. Ask its owner, or copy it.") from error
    except OSError as error:
        raise RecordingUnreadableError(f"{path} cannot be read ({error.strerror or error}).") from error
    if not start:
        raise RecordingUnreadableError(f"{path} is empty (0 bytes): nothing was recorded into it. Record again.")
    if MCAP0_MAGIC.startswith(start):
        raise RecordingUnreadableError(
            f"{path} was cut off after {len(start)} bytes, before anything was recorded. Record again."
        )
    if start.startswith(MCAP0_MAGIC):
        return Recording(path, "mcap")
    foreign = describe_foreign(start)
    if foreign:
        raise RecordingUnreadableError(
            f"{path} is no recording: {foreign}. Give the file that `ampwitness record` wrote."
        )
    return Recording(path, "raw")
