"""Where in a recording's files which time lies, kept beside it: a second look then starts where it has to.

The index is a convenience and no part of the recording. It may be deleted at any time and is made anew; it is used only
while size, time of change, first and last bytes of every file are as they were when it was made.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from ampwitness.recording.parts import JoinedRecording
from ampwitness.recording.reader import Recording

INDEX_SUFFIX = ".index"
LEAST_BYTES = 64 << 20  # smaller recordings are read through in less than half a second
_VERSION = 2  # from 2 on with a sum of its own
_HASHED_BYTES = 1 << 16


@dataclass(slots=True)
class RecordingIndex:
    """Places to start reading at, in order, and where each session lies in recording time.

    `places[k]` is a place as `Recording.iter_placed` gives it; the first samples behind it lie at `times_s[k]`.
    `origins` is the recording time of scan 0 of each session, exactly; `block_origins` the same as it follows from the
    session's first block, whose start is rounded to a float: what windows are laid on.
    """

    times_s: list[float] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    origins: dict[str, Fraction] = field(default_factory=dict)
    block_origins: dict[str, Fraction] = field(default_factory=dict)

    def add(self, time_s: float, place: int) -> None:
        """The next place; times never go back."""
        if not self.times_s or time_s >= self.times_s[-1]:
            self.times_s.append(time_s)
            self.places.append(place)

    def place_before(self, time_s: float) -> int:
        """A place behind which everything from `time_s` on is found."""
        # One place more than it would seem: samples may wait for their session's hello as long as one piece is.
        at = bisect_right(self.times_s, time_s) - 2
        return self.places[at] if at > 0 else 0


def index_path(recording: Recording) -> Path:
    """Where a recording's index is kept."""
    return recording.path.with_name(recording.path.name + INDEX_SUFFIX)


def load_index(recording: Recording) -> RecordingIndex | None:
    """The index that was kept for these very files, or None."""
    try:
        content = json.loads(index_path(recording).read_bytes())
        if content["version"] != _VERSION or content.pop("sum_sha256") != _sum(content):
            return None
        if content["files"] != _describe_files(recording):
            return None
        return RecordingIndex(
            [float(value) for value in content["times_s"]],
            [int(value) for value in content["places"]],
            _to_fractions(content["origins"]),
            _to_fractions(content["block_origins"]),
        )
    except (OSError, ValueError, KeyError, TypeError, ZeroDivisionError, AttributeError):
        return None  # not there, of another program version, or damaged: it is made anew


def save_index(recording: Recording, index: RecordingIndex) -> bool:
    """Keep an index beside the recording; returns whether it is there now. A folder that cannot be written is fine.

    Nothing is kept for a short recording (LEAST_BYTES), which is read through as quickly.
    """
    if recording.n_bytes < LEAST_BYTES:
        return False
    path = index_path(recording)
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    content: dict[str, Any] = {
        "what": "where in the recording which time lies; may be deleted, is made anew",
        "version": _VERSION,
        "files": _describe_files(recording),
        "origins": {name: str(value) for name, value in index.origins.items()},
        "block_origins": {name: str(value) for name, value in index.block_origins.items()},
        "places": index.places,
        "times_s": index.times_s,
    }
    content["sum_sha256"] = _sum(content)
    try:
        beside.write_text(json.dumps(content), encoding="utf-8")
        os.replace(beside, path)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink()
        return False
    return True


def _sum(content: Mapping[str, Any]) -> str:
    """Of all that an index says: one digit of a place that was changed on the disk would lose what lies there."""
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _to_fractions(content: Mapping[str, str]) -> dict[str, Fraction]:
    return {str(name): Fraction(value) for name, value in content.items()}


def _describe_files(recording: Recording) -> list[dict[str, Any]]:
    """What tells whether the files are still the same."""
    parts = recording.parts if isinstance(recording, JoinedRecording) else (recording,)
    described = []
    for part in parts:
        state = part.path.stat()
        with part.path.open("rb") as file:
            head = file.read(_HASHED_BYTES)
            file.seek(max(0, state.st_size - _HASHED_BYTES))
            tail = file.read(_HASHED_BYTES)
        described.append(
            {
                "name": part.path.name,
                "n_bytes": state.st_size,
                "changed_ns": state.st_mtime_ns,
                "ends_sha256": hashlib.sha256(head + tail).hexdigest(),
            }
        )
    return described
