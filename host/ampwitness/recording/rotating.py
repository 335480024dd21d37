"""Writes one recording as files of bounded size, each of which can be read alone."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from pathlib import Path

from ampwitness.errors import OutputError
from ampwitness.link.deframe import find_hello
from ampwitness.recording.writer import RESERVE_BYTES, RecordingWriter, free_bytes
from ampwitness.types import Chunk

# A new file is begun only where it can also be ended properly; else the present one is written on until the disk ends.
_LEAST_FREE_BYTES = 4 * RESERVE_BYTES
_LATEST_CUT = 1.5  # of the asked size: then the cut is made without a hello


def part_path(out: Path, number: int) -> Path:
    """`soak.mcap` gives `soak-part0001.mcap`: names sort as the parts follow."""
    return out.with_name(f"{out.stem}-part{number:04d}{out.suffix or '.mcap'}")


class RotatingWriter:
    """Like `RecordingWriter`, but the file is closed and the next one begun when it holds `part_bytes`.

    The cut lies before the next hello, which comes once a second: each part begins with one and can be read alone,
    however short it is. Where none comes, the cut lies between two frames and the part's first second waits for one.

    Parameters
    ----------
    out : name from which the parts' names are made
    notes : of every part; its number and the recording's id are added
    part_bytes : received bytes after which the next part is begun
    when_closed : called with each finished part but the last; must not take long

    Raises
    ------
    OutputError, DiskFullError : as for `RecordingWriter`; a part of this name is there already.
    """

    def __init__(
        self,
        out: Path,
        notes: Mapping[str, object],
        part_bytes: int,
        when_closed: Callable[[Path], None] | None = None,
    ) -> None:
        taken = sorted(out.parent.glob(f"{out.stem}-part*{out.suffix or '.mcap'}"))
        if taken:
            raise OutputError(f"{taken[0]} exists already and is never overwritten. Choose another name with --out.")
        self._out, self._part_bytes, self._when_closed = out, part_bytes, when_closed
        self._notes = {**notes, "recording_id": uuid.uuid4().hex, "part_first": part_path(out, 1).name}
        self._n_bytes_before = self._n_marks_before = 0
        self._n_handed = 0  # bytes given to the present part
        self._first_host_s: float | None = None
        self._last_host_s = 0.0
        self._is_behind_delimiter = False
        self.n_parts = 0
        self._writer = self._begin()

    def _begin(self) -> RecordingWriter:
        self.n_parts += 1
        self._n_handed, self._first_host_s = 0, None
        notes = {**self._notes, "part_number": str(self.n_parts)}
        return RecordingWriter(part_path(self._out, self.n_parts), notes)

    @property
    def path(self) -> Path:
        """The part that is being written."""
        return self._writer.path

    @property
    def first_path(self) -> Path:
        """The first part, by which the whole is opened."""
        return part_path(self._out, 1)

    @property
    def n_bytes(self) -> int:
        """Received bytes in all parts."""
        return self._n_bytes_before + self._writer.n_bytes

    @property
    def n_marks(self) -> int:
        """Marks in all parts."""
        return self._n_marks_before + self._writer.n_marks

    @property
    def is_open(self) -> bool:
        """Whether more can be written."""
        return self._writer.is_open

    def append(self, chunk: Chunk) -> None:
        """Take received bytes, as `RecordingWriter.append`."""
        if self._n_handed >= self._part_bytes and free_bytes(self.path) >= _LEAST_FREE_BYTES:
            cut = find_hello(chunk.raw, self._is_behind_delimiter)
            if cut is None and self._n_handed >= _LATEST_CUT * self._part_bytes:
                cut = chunk.raw.rfind(b"\0") + 1 or None
            if cut is not None:
                self._hand(Chunk(chunk.raw[:cut], chunk.host_s))
                self._rotate()
                chunk = Chunk(chunk.raw[cut:], chunk.host_s)
        self._hand(chunk)

    def _hand(self, chunk: Chunk) -> None:
        self._writer.append(chunk)
        if chunk.raw:
            self._n_handed += len(chunk.raw)
            self._is_behind_delimiter = chunk.raw.endswith(b"\0")
            self._first_host_s = chunk.host_s if self._first_host_s is None else self._first_host_s
            self._last_host_s = chunk.host_s

    def _rotate(self) -> None:
        closed = self._writer
        closed.close("next part", self._ending(is_last=False))
        self._n_bytes_before += closed.n_bytes
        self._n_marks_before += closed.n_marks
        self._writer = self._begin()
        if self._when_closed is not None:
            self._when_closed(closed.path)

    def _ending(self, is_last: bool) -> dict[str, str]:
        ending = {"part_is_last": "yes" if is_last else "no"}
        if self._first_host_s is not None:
            ending |= {"first_host_s": f"{self._first_host_s:.6f}", "last_host_s": f"{self._last_host_s:.6f}"}
        return ending

    def mark(self, host_s: float, label: str = "") -> None:
        """As `RecordingWriter.mark`, into the present part."""
        self._writer.mark(host_s, label)

    def keep_finding(self, host_s: float, content: Mapping[str, object]) -> None:
        """As `RecordingWriter.keep_finding`, into the present part."""
        self._writer.keep_finding(host_s, content)

    def keep_reading(self, host_s: float, name: str, value: float, unit: str = "") -> None:
        """As `RecordingWriter.keep_reading`, into the present part."""
        self._writer.keep_reading(host_s, name, value, unit)

    def close(self, why: str = "stopped", more: Mapping[str, str] | None = None) -> None:
        """Close the last part; `more` as for `RecordingWriter.close`."""
        self._writer.close(why, {**self._ending(is_last=True), **(more or {})})
