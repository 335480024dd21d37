"""Writes received bytes to an MCAP file so that neither a kill, a pulled plug nor a full disk costs what is written."""

from __future__ import annotations

import errno
import json
import os
import shutil
import time
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import IO, cast

from mcap.writer import CompressionType, IndexType, Writer

from ampwitness.errors import DiskFullError, OutputError
from ampwitness.recording.container import (
    BYTES_TOPIC,
    END_RECORD,
    FINDINGS_TOPIC,
    FIRST_MESSAGE_S,
    LEFT_OUT_TOPIC,
    LEVELS_TOPIC,
    MARKS_TOPIC,
    MESSAGE_BYTES_MAX,
    MESSAGE_S,
    NOTES_RECORD,
    PAUSE_S,
    PROFILE,
    READINGS_TOPIC,
    REDUCED_RECORD,
    notes_to_text,
)
from ampwitness.types import Chunk, LeftOut

FSYNC_EVERY_S = 5.0
# Left free on the disk when recording stops by itself: room for one more message and the closing records of this file.
RESERVE_BYTES = 512 * 1024
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class _DiskFile:
    """What the MCAP writer writes to: gathers until `commit`, then hands everything to the system at once.

    Python's own buffered file keeps bytes after a failed write and tries them again at close; here a failed write
    is reported once and the file stays as far as it came. Not an `io.RawIOBase`: the MCAP library would put a buffer
    of its own in front of one.
    """

    def __init__(self, path: Path) -> None:
        self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
        self._pending = bytearray()
        self._position = 0

    def write(self, piece: bytes) -> int:
        self._pending += piece
        self._position += len(piece)
        return len(piece)

    def tell(self) -> int:
        return self._position

    def flush(self) -> None:
        """For the library; writing is done in `commit`, which reports errors."""

    @property
    def n_pending(self) -> int:
        return len(self._pending)

    def commit(self) -> None:
        while self._pending:
            n_written = os.write(self._handle, self._pending)
            del self._pending[:n_written]

    def sync(self) -> None:
        os.fsync(self._handle)

    def drop(self) -> None:
        """Close without writing what is pending."""
        self._pending.clear()
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


class RecordingWriter:
    """One recording file being written. Use as a context manager, or call `close`.

    Parameters
    ----------
    path : where; must not exist yet.
    notes : session notes, text or numbers with the unit last in the key; written before anything else.
    reserve_bytes : space to leave free on the disk.
    fsync_every_s : how often the system is told to put everything on the medium, seconds.
    reduction : for a reduced recording: what was chosen and what had been found, as JSON values. None: all is kept.

    Raises
    ------
    OutputError : the file exists already or cannot be made.
    DiskFullError : from every method; what was written up to then is kept and readable.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        notes: Mapping[str, object],
        *,
        reserve_bytes: int = RESERVE_BYTES,
        fsync_every_s: float = FSYNC_EVERY_S,
        reduction: Mapping[str, object] | None = None,
    ) -> None:
        self.path = Path(path)
        self.n_bytes = 0  # received bytes handed to the file
        self.n_marks = 0
        self._n_findings = 0
        self._n_readings = 0
        self.n_frames_left_out = 0
        self._reduction = reduction
        self.is_open = False
        self._reserve_bytes = reserve_bytes
        self._fsync_every_s = fsync_every_s
        self._pending: list[bytes] = []
        self._n_pending = 0
        self._first_s = 0.0  # receive time of the first and the last pending piece
        self._last_s = float("-inf")
        self._is_after_pause = True
        self._n_messages = 0
        self._n_unwritten = 0  # bytes of the last record that a failing disk did not take
        self._file = _make_file(self.path, reserve_bytes)
        self.is_open = True
        self._synced_at_s = time.monotonic()
        try:
            self._start(notes)
        except BaseException:
            # Nothing was recorded yet: leave no empty file behind.
            self._file.drop()
            self.is_open = False
            self.path.unlink(missing_ok=True)
            raise

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.is_open:
            self.close("stopped" if kind is None or kind is KeyboardInterrupt else "failed")

    def _start(self, notes: Mapping[str, object]) -> None:
        # No chunks, no compression: with the library's defaults a kill after 19 s left 42 bytes.
        self._mcap = Writer(
            cast(IO[bytes], self._file),
            compression=CompressionType.NONE,
            index_types=IndexType.METADATA,
            use_chunking=False,
        )
        self._mcap.start(profile=PROFILE)
        self._mcap.add_metadata(NOTES_RECORD, notes_to_text(notes))
        self._bytes_channel = self._mcap.register_channel(BYTES_TOPIC, "application/octet-stream", 0)
        self._marks_channel = self._mcap.register_channel(MARKS_TOPIC, "json", 0)
        self._findings_channel = self._mcap.register_channel(FINDINGS_TOPIC, "json", 0)
        self._readings_channel = self._mcap.register_channel(READINGS_TOPIC, "json", 0)
        if self._reduction is not None:
            self._mcap.add_metadata(REDUCED_RECORD, {"json": json.dumps(self._reduction, allow_nan=False)})
            self._left_out_channel = self._mcap.register_channel(LEFT_OUT_TOPIC, "json", 0)
            self._levels_channel = self._mcap.register_channel(LEVELS_TOPIC, "json", 0)
        self._mcap.flush()  # type: ignore[no-untyped-call]
        self._commit()
        _sync_directory(self.path)

    def append(self, chunk: Chunk) -> None:
        """Take received bytes. A chunk without bytes only says that time has passed.

        Chunks come in order of receipt; `host_s` is when the last byte of the chunk was received, seconds.
        """
        is_later = chunk.host_s >= self._last_s
        if self._pending and not (is_later and self._belongs_with_pending(chunk.host_s)):
            self._write_message()
        if not chunk.raw:
            return
        if not self._pending:
            self._is_after_pause = not (is_later and chunk.host_s - self._last_s <= PAUSE_S)
            self._first_s = chunk.host_s
        self._pending.append(chunk.raw)
        self._n_pending += len(chunk.raw)
        self._last_s = chunk.host_s

    def _belongs_with_pending(self, host_s: float) -> bool:
        longest_s = FIRST_MESSAGE_S if self._is_after_pause else MESSAGE_S
        return (
            host_s - self._last_s <= PAUSE_S
            and host_s - self._first_s < longest_s
            and self._n_pending < MESSAGE_BYTES_MAX
        )

    def keep_finding(self, host_s: float, content: Mapping[str, object]) -> None:
        """Keep what a guided walk concluded at `host_s`, and save everything up to it.

        `content` is the finding as JSON values: kind, start_s, stop_s, measured, threshold, evidence.
        """
        self._keep_json(self._findings_channel, host_s, self._n_findings, content)
        self._n_findings += 1

    def keep_reading(self, host_s: float, name: str, value: float, unit: str = "") -> None:
        """Keep a value that a person read elsewhere and typed in at `host_s`, and save everything up to it."""
        content = {"name": name, "value": value, "unit": unit}
        self._keep_json(self._readings_channel, host_s, self._n_readings, content)
        self._n_readings += 1

    def mark(self, host_s: float, label: str = "") -> None:
        """Keep a mark that was set at the host's keyboard at `host_s`, and save everything up to it."""
        self._keep_json(self._marks_channel, host_s, self.n_marks, {"label": label})
        self.n_marks += 1

    def leave_out(self, left_out: LeftOut) -> None:
        """Say, in the place of frames that are not kept, which they were. Only in a reduced recording."""
        self._keep_json(self._left_out_channel, left_out.last_host_s, 0, asdict(left_out))
        self.n_frames_left_out += left_out.n_frames

    def keep_levels(self, host_s: float, content: Mapping[str, object]) -> None:
        """Keep levels of a span of time. Only in a reduced recording; `content` is told in RECORDING.md."""
        self._keep_json(self._levels_channel, host_s, 0, content)

    def _keep_json(self, channel: int, host_s: float, number: int, content: Mapping[str, object]) -> None:
        self._write_message()
        self._mcap.add_message(
            channel,
            log_time=_to_ns(host_s),
            publish_time=_to_ns(host_s),
            data=json.dumps(content, allow_nan=False).encode(),
            sequence=number,
        )
        self._commit()

    def _write_message(self) -> None:
        if not self._pending:
            return
        raw = b"".join(self._pending)
        self._pending.clear()
        self._n_pending = 0
        self._mcap.add_message(
            self._bytes_channel,
            log_time=_to_ns(self._first_s),
            publish_time=_to_ns(self._last_s),
            data=raw,
            sequence=self._n_messages & 0xFFFFFFFF,
        )
        self._n_messages += 1
        try:
            self._commit()
        finally:
            # The content is the last thing of its record: what did not fit is missing from its end.
            self.n_bytes += max(0, len(raw) - self._n_unwritten)
        if free_bytes(self.path) < self._reserve_bytes:
            self.close("disk full")
            raise DiskFullError(
                f"The disk that holds {self.path} is full; recording stopped and was closed properly. "
                "What was received up to then is kept. Free some space or record to another disk."
            )

    def _commit(self) -> None:
        try:
            self._file.commit()
            now_s = time.monotonic()
            if now_s - self._synced_at_s >= self._fsync_every_s:
                self._file.sync()
                self._synced_at_s = now_s
        except OSError as error:
            n_lost = self._n_unwritten = self._file.n_pending
            self._file.drop()
            self.is_open = False
            if error.errno in _FULL:
                raise DiskFullError(
                    f"The disk is full ({error.strerror}): recording to {self.path} stopped. What was written up to "
                    f"then is kept and readable; the last {n_lost} bytes did not fit."
                ) from error
            raise OutputError(
                f"Writing to {self.path} failed ({error.strerror or error}): recording stopped. What was written up "
                "to then is kept. Is the disk still there?"
            ) from error

    def close(self, why: str = "stopped", more: Mapping[str, str] | None = None) -> None:
        """Save what is pending, write the end record and the summary. `why` is kept: "stopped", "disk full", ...

        `more` goes into the end record beside it.
        """
        if not self.is_open:
            return
        if self._pending:
            self._reserve_bytes = 0  # the check would close, and this closes already
            self._write_message()
        self._mcap.add_metadata(
            END_RECORD,
            {
                "why": why,
                "n_bytes": str(self.n_bytes),
                "n_messages": str(self._n_messages),
                "n_marks": str(self.n_marks),
                **({"n_frames_left_out": str(self.n_frames_left_out)} if self._reduction is not None else {}),
                **(more or {}),
            },
        )
        self._mcap.finish()  # type: ignore[no-untyped-call]
        self._synced_at_s = float("-inf")
        self._commit()
        self._file.drop()
        self.is_open = False


def refuse_existing(path: Path) -> None:
    """Raise OutputError when `path` is taken or has no folder, to say so before anything else is done. The writer asks
    again."""
    try:
        is_taken = path.exists()
    except PermissionError:  # a folder that may not even be looked into
        is_taken = False
    if is_taken:
        what = "is a directory" if path.is_dir() else "exists already and is never overwritten"
        raise OutputError(f"{path} {what}. Choose another name with --out.")
    if not path.parent.is_dir():
        raise OutputError(f"There is no directory {path.parent} to record into. Make it, or change --out.")
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise OutputError(f"You may not write into {path.parent}. Choose another place with --out.")


def _make_file(path: Path, reserve_bytes: int) -> _DiskFile:
    refuse_existing(path)
    try:
        file = _DiskFile(path)
    except FileExistsError as error:  # made by another program a moment ago, or a link to nowhere
        raise OutputError(f"{path} exists already and is never overwritten. Choose another name with --out.") from error
    except FileNotFoundError as error:
        raise OutputError(f"There is no directory {path.parent} to record into. Make it, or change --out.") from error
    except PermissionError as error:
        raise OutputError(f"You may not write into {path.parent}. Choose another place with --out.") from error
    except OSError as error:
        if error.errno in _FULL:
            raise DiskFullError(f"The disk is full: {path} could not be started. Nothing was recorded.") from error
        raise OutputError(f"{path} cannot be made ({error.strerror or error}). Choose another --out.") from error
    if free_bytes(path) < 2 * reserve_bytes:
        n_free = int(free_bytes(path))
        file.drop()
        path.unlink(missing_ok=True)
        raise DiskFullError(
            f"Only {n_free // 1024} kB are free on the disk that would hold {path}: too little to "
            "start. Nothing was recorded. Free some space or record to another disk."
        )
    return file


def free_bytes(path: Path) -> float:
    """Bytes free on the disk that holds, or would hold, `path`; infinite where it cannot be asked."""
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return float("inf")  # cannot be asked; a full disk then shows when a write fails


def _to_ns(host_s: float) -> int:
    return max(0, round(host_s * 1e9))


def _sync_directory(path: Path) -> None:
    """Make the file's name last through a power cut. Only where directories can be opened (not on Windows)."""
    try:
        handle = os.open(path.parent, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass  # some file systems refuse; the file itself is synced all the same
    finally:
        os.close(handle)
