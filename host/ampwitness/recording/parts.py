"""A recording in several files, one after another: found by what their notes say, read as one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from ampwitness.errors import PartsError, RecordingUnreadableError
from ampwitness.recording.reader import HostFinding, HostMark, HostReading, KeptLevels, Recording, open_recording
from ampwitness.types import Chunk

_MOST_NAMED = 5


class JoinedRecording(Recording):
    """Several parts of one recording, read as one. Bytes that a missing part held show as a gap, by the counters.

    Parameters
    ----------
    parts : in order; at least one
    """

    def __init__(self, parts: Sequence[Recording]) -> None:
        super().__init__(parts[0].path, "mcap")
        self.parts = tuple(parts)
        self.n_bytes = sum(part.n_bytes for part in parts)
        more = f" and {len(parts) - 1} more part{'s' if len(parts) > 2 else ''}" if len(parts) > 1 else ""
        self.name = parts[0].name + more
        self.reduction = _join_reductions([part.reduction for part in parts if part.reduction is not None])

    @property
    def is_torn(self) -> bool:
        """Whether any part was not closed properly."""
        return any(part.is_torn for part in self.parts)

    @property
    def away_at_end_s(self) -> float:
        """As for `Recording`, by the last part."""
        return self.parts[-1].away_at_end_s

    @property
    def torn_files(self) -> tuple[str, ...]:
        """Of all parts."""
        return tuple(name for part in self.parts for name in part.torn_files)

    @property
    def torn_at(self) -> int | None:
        """As for `Recording`, in the first part that is torn."""
        return next((part.torn_at for part in self.parts if part.is_torn), None)

    @property
    def n_unread_bytes(self) -> int:
        """Of all parts."""
        return sum(part.n_unread_bytes for part in self.parts)

    @property
    def host_marks(self) -> tuple[HostMark, ...]:
        """Marks of all parts."""
        return tuple(mark for part in self.parts for mark in part.host_marks)

    @property
    def host_findings(self) -> tuple[HostFinding, ...]:
        """What guided walks concluded, of all parts."""
        return tuple(finding for part in self.parts for finding in part.host_findings)

    @property
    def host_readings(self) -> tuple[HostReading, ...]:
        """Typed readings of all parts."""
        return tuple(reading for part in self.parts for reading in part.host_readings)

    @property
    def end(self) -> dict[str, str]:
        """The last part's end record, with the sums of all; empty when a part has none."""
        ends = [part.end for part in self.parts]
        if not all(ends):
            return {}
        sums = {key: str(sum(int(end.get(key, "0")) for end in ends)) for key in ("n_bytes", "n_messages", "n_marks")}
        return {**ends[-1], **sums}

    def iter_placed(self, start: int) -> Iterator[tuple[int, Chunk]]:
        """Bytes of all parts in order; places count on from part to part. Raises as for `Recording`."""
        begin = 0
        for part in self.parts:
            if begin + part.n_bytes > start:
                for place, chunk in part.iter_placed(max(0, start - begin)):
                    yield begin + place, chunk
            begin += part.n_bytes

    def iter_levels(self) -> Iterator[KeptLevels]:
        """Levels kept in reduced parts."""
        for part in self.parts:
            yield from part.iter_levels()


def _join_reductions(reductions: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """What was chosen for the first reduced part, and the sums of what all of them keep and had shown; None: no such
    part."""
    if not reductions:
        return None
    joined = dict(reductions[0])
    for name in ("duration_s", "kept_s"):
        numbers = [reduction.get(name) for reduction in reductions]
        joined[name] = sum(number for number in numbers if isinstance(number, int | float))
    for name in ("found", "kept"):
        sums: Counter[str] = Counter()
        for reduction in reductions:
            if isinstance(counts := reduction.get(name), Mapping):
                sums.update({str(kind): n for kind, n in counts.items() if isinstance(n, int)})
        joined[name] = dict(sums)
    return joined


def open_parts(paths: Sequence[Path], *, alone: bool = False) -> Recording:
    """Open what a person named: a file, the first part of a recording, all its parts, or the folder they lie in.

    Parameters
    ----------
    paths : one or more
    alone : take a single file as it is, also when it is the first of several parts

    Raises
    ------
    PartsError : the files, or what lies in the folder, are not parts of one recording.
    RecordingUnreadableError : as for `open_recording`.
    """
    if len(paths) == 1 and not _is_folder(paths[0]):
        first = open_recording(paths[0])
        if alone or first.kind != "mcap" or _id_of(first) is None or _number_of(first) != 1:
            return first
        others = [part for part in _recordings_in(first.path.parent) if _id_of(part) == _id_of(first)]
        return _join([first, *(part for part in others if part.path.resolve() != first.path.resolve())])
    if len(paths) == 1:
        found = _recordings_in(paths[0])
        if not found:
            raise RecordingUnreadableError(f"{paths[0]} holds no recording. Give the folder of the parts, or a file.")
        if len(found) == 1:
            return _join(found)
        where = f"{paths[0]} holds"
    else:
        found = [open_recording(path) for path in paths]
        where = "these are"
    ids = [_id_of(part) for part in found]
    if len(set(ids)) > 1 or None in ids:
        raise PartsError(
            f"{where} {len(found)} recordings that are no parts of one: {_word_strangers(found)}. Report them one by "
            "one, or name the first part."
        )
    return _join(found)


def _word_strangers(found: Sequence[Recording]) -> str:
    """Which of the files do not belong to the recording that most of them are parts of; where none are, all."""
    counts = Counter(one for part in found if (one := _id_of(part)) is not None)
    most, n_most = counts.most_common(1)[0] if counts else (None, 0)
    names = [part.name for part in found if n_most < 2 or _id_of(part) != most]
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    belong = "each stands by itself" if n_most < 2 else f"no part of the one that {n_most} of them are"
    return f"{', '.join(names[:_MOST_NAMED])}{more}: {belong}"


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except PermissionError:  # it lies in a locked folder: opening it says so
        return False


def _join(found: Sequence[Recording]) -> Recording:
    """The parts by number; of a part and its reduced copy, the one of the kind that was named first."""
    is_reduced = found[0].reduction is not None
    by_number: dict[int, Recording] = {}
    for part in found:
        number = _number_of(part)
        if number not in by_number or (part.reduction is not None) == is_reduced != (
            by_number[number].reduction is not None
        ):
            by_number[number] = part
    numbers = sorted(by_number)
    parts = [by_number[number] for number in numbers]
    joined = parts[0] if len(parts) == 1 else JoinedRecording(parts)
    joined.missing_parts = tuple(sorted(set(range(1, numbers[-1] + 1)) - set(numbers)))
    joined.lacks_later_parts = parts[-1].end.get("part_is_last") == "no"
    return joined


def _recordings_in(folder: Path) -> list[Recording]:
    """The readable MCAP recordings in a folder, whole ones first, by name."""
    found = []
    for path in sorted(folder.glob("*.mcap")):
        try:
            found.append(open_recording(path))
        except RecordingUnreadableError:
            continue  # another program's file, or one that was only just begun
    return sorted(found, key=lambda part: (part.reduction is not None, part.name))


def _id_of(recording: Recording) -> str | None:
    value = recording.notes.get("recording_id")
    return value if isinstance(value, str) else None


def _number_of(recording: Recording) -> int:
    try:
        return int(str(recording.notes.get("part_number", "1")))
    except ValueError:
        return 1
