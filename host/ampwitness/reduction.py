"""Makes a recording smaller: full waveforms only around events, levels by the second of everything.

Two passes. The first runs every detector and takes levels; the second copies the stream frame by frame, leaves out the
samples that lie in no kept span, and says in their place which they were. All other bytes stay as they came: hellos and
statuses thinned to one a minute where nothing is kept, marks, edges, faults and damaged bytes all of them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ampwitness import __version__
from ampwitness.decode.frames import FrameTable, iter_frame_tables
from ampwitness.detect.run_all import run_all
from ampwitness.detect.soak.level_tiers import SecondCutter, SecondLevels
from ampwitness.errors import UsageError
from ampwitness.finding_list import FindingList
from ampwitness.pipeline import AnalyseOptions, DecodingPass, detect_options
from ampwitness.recording import Recording, RecordingWriter
from ampwitness.types import Chunk, Finding, Hello, Interval, LeftOut, TraceWindow

LEVEL_STEP_S = 1.0
_LEVELS_S = 60  # a message
_ENDS_S = 2.0  # kept at both ends of each session: its last status has the board's counters
_LONG_S = 10.0  # of a longer event both ends are kept, not what lies between
_MESSAGE_EVERY_S = 60.0
KINDS = ("cutout", "dip", "clip", "note", "knee", "drift", "saturation", "mark", "gap", "reading")
# What an end record says of the whole recording, not of the file.
_END_KEPT = ("part_is_last", "first_host_s", "last_host_s", "board_away_s")
# What makes one event of a kind matter more than another, where there are too many.
_RANK = {"clip": "overdrive_db", "note": "sag_v", "dip": "depth_v", "cutout": "outage_s"}


@dataclass(frozen=True, slots=True)
class ReduceOptions:
    """What a person may choose; it is written into the file."""

    around_s: float = 2.0  # kept before and after each event
    most_an_hour: int = 20  # events of each kind, the worst ones
    look_every_s: float = 600.0  # a look at the waveform although nothing happened; 0: none
    look_s: float = 2.0
    kinds: tuple[str, ...] = KINDS


@dataclass(frozen=True, slots=True)
class Reduced:
    """What came of it."""

    path: Path
    n_file_bytes_before: int
    n_file_bytes: int
    duration_s: float
    kept_s: float
    n_frames_left_out: int
    found: dict[str, int]
    kept: dict[str, int]


def choose_spans(
    findings: Sequence[Finding], sessions: Sequence[Interval], options: ReduceOptions
) -> tuple[list[Interval], dict[str, int]]:
    """Spans of recording time whose waveforms are kept, without overlap and in order; and how many events of each kind.

    Parameters
    ----------
    findings : of every detector
    sessions : where each session of the board begins and ends
    options : what is wanted
    """
    spans: list[Interval] = []
    kept: Counter[str] = Counter()
    listed = FindingList.of(findings)
    for kind in options.kinds:
        for finding in _worst_by_hour(listed.of_kind(kind), options.most_an_hour):
            kept[kind] += 1
            ends = [Interval(finding.start_s, finding.stop_s)]
            if finding.stop_s - finding.start_s > _LONG_S:
                ends = [Interval(at, at) for at in (finding.start_s, finding.stop_s)]
            spans += [Interval(end.start_s - options.around_s, end.stop_s + options.around_s) for end in ends]
    for session in sessions:
        spans.append(Interval(session.start_s, session.start_s + _ENDS_S))
        spans.append(Interval(session.stop_s - _ENDS_S, session.stop_s))
        if options.look_every_s > 0:
            looks = np.arange(session.start_s, session.stop_s, max(options.look_every_s, options.look_s))
            spans += [Interval(float(at), float(at) + options.look_s) for at in looks]
    joined: list[Interval] = []
    for span in sorted(spans, key=lambda s: s.start_s):
        if joined and span.start_s <= joined[-1].stop_s:
            joined[-1] = Interval(joined[-1].start_s, max(joined[-1].stop_s, span.stop_s))
        else:
            joined.append(span)
    return joined, dict(kept)


def _worst_by_hour(findings: FindingList, most: int) -> Iterator[Finding]:
    """Of findings of one kind the worst of each hour; where nothing ranks them the first."""
    key = _RANK.get(findings.kinds[0]) if findings else None
    weights = np.abs(findings.values(key)) if key else np.zeros(len(findings))
    weights = np.where(np.isfinite(weights), weights, 0.0)
    hours = findings.start_s // 3600
    for hour in np.unique(hours).tolist():
        mine = np.flatnonzero(hours == hour)
        yield from findings.take(mine[np.argsort(-weights[mine], kind="stable")[:most]])


def reduce_recording(
    recording: Recording, out: Path, options: ReduceOptions, progress: Callable[[str, float | None], None]
) -> Reduced:
    """Write the reduced copy of a recording.

    Parameters
    ----------
    recording : whole; must not be reduced already
    out : where; must not exist
    options : what is kept
    progress : told what is being done and how far it is

    Raises
    ------
    UsageError : it is reduced already, or has no receive times.
    OutputError, DiskFullError : as for `RecordingWriter`; no half-written file is left.
    RecordingUnreadableError, UnknownProtocolError : as for a report.
    """
    if recording.reduction is not None:
        raise UsageError(f"{recording.path} is reduced already.")
    if recording.kind != "mcap":
        raise UsageError(
            f"{recording.path} is a plain file of bytes: only what `ampwitness record` wrote can be reduced."
        )
    analysis_options = AnalyseOptions()
    run = DecodingPass(recording, analysis_options, progress, "looking for events")
    levels: list[tuple[npt.NDArray[np.int64], dict[str, SecondLevels]]] = []
    detecting = detect_options(recording, analysis_options)
    results = run_all(_tee_levels(run.windows(), levels), detecting, progress=progress)
    findings = FindingList([*(result.findings for result in results), run.readings])
    sessions = {
        name: Interval(run.origins_s[name] + run.first_index[name] / float(run.hellos[name].rate_hz), stop_s)
        for name, stop_s in run.ends_s.items()
    }
    spans, kept = choose_spans(findings, list(sessions.values()), options)
    found = {kind: findings.n_of(kind) for kind in findings.kinds}
    kept_s = sum(
        max(0.0, min(span.stop_s, s.stop_s) - max(span.start_s, s.start_s)) for span in spans for s in sessions.values()
    )
    duration_s = sum(s.duration_s for s in sessions.values())
    reduction = {
        **asdict(options),
        "level_step_s": LEVEL_STEP_S,
        "reduced_at": datetime.now().astimezone().isoformat(timespec="seconds"),
        "program_version": __version__,
        "duration_s": duration_s,
        "kept_s": kept_s,
        "found": found,
        "kept": kept,
    }
    writer = RecordingWriter(out, recording.notes, reduction=reduction)
    try:
        for name, session in sessions.items():
            for content in _level_messages(name, session, run.origins_s[name], run.hellos[name], levels):
                writer.keep_levels(float(str(recording.notes.get("started_host_s", 0.0))), content)
        _copy(recording, writer, _Choice(run, spans), progress)
        end = recording.end
        writer.close("reduced", {"closed_before": end.get("why", "torn")} | {k: end[k] for k in _END_KEPT if k in end})
    except BaseException:
        if writer.is_open:
            writer.close("failed")
        out.unlink(missing_ok=True)
        raise
    return Reduced(
        out, recording.n_bytes, out.stat().st_size, duration_s, kept_s, writer.n_frames_left_out, found, kept
    )  # fmt: skip


def _tee_levels(
    windows: Iterator[TraceWindow], levels: list[tuple[npt.NDArray[np.int64], dict[str, SecondLevels]]]
) -> Iterator[TraceWindow]:
    cutter = SecondCutter()
    for window in windows:
        levels += cutter.push(window)
        yield window


def _level_messages(
    session_id: str,
    session: Interval,
    origin_s: float,
    hello: Hello,
    levels: Sequence[tuple[npt.NDArray[np.int64], dict[str, SecondLevels]]],
) -> Iterator[dict[str, Any]]:
    """Levels of one session, a minute a message, by scans of the session: so they keep their place in every joining."""
    by_minute: dict[int, dict[str, dict[str, list[float | None]]]] = {}
    for numbers, of_roles in levels:
        for role, columns in of_roles.items():
            values = np.stack((columns.lowest_v, columns.highest_v, columns.mean_v, columns.rms_v))
            for at, second in enumerate(numbers.tolist()):
                if not session.start_s - 1e-6 <= second < session.stop_s:
                    continue
                minute = by_minute.setdefault(second // _LEVELS_S, {})
                empty = {name: [None] * _LEVELS_S for name in ("lowest_v", "highest_v", "mean_v", "rms_v")}
                known = minute.setdefault(role, empty)  # type: ignore[arg-type]
                for name, value in zip(known, values[:, at].tolist(), strict=True):
                    known[name][second % _LEVELS_S] = float(f"{value:.6g}")
    rate_hz = float(hello.rate_hz)
    for minute_at in sorted(by_minute):
        yield {
            "session_id": session_id,
            "start_index": (minute_at * _LEVELS_S - origin_s) * rate_hz,
            "step_scans": LEVEL_STEP_S * rate_hz,
            "roles": by_minute[minute_at],
        }


class _Choice:
    """Which frames of samples lie in a kept span."""

    def __init__(self, run: DecodingPass, spans: Sequence[Interval]) -> None:
        self._edges_s = np.array([edge for span in spans for edge in (span.start_s, span.stop_s)])
        tags = Counter(hello.session_tag for hello in run.hellos.values())
        # A tag that two sessions share says too little: what carries it is kept whole.
        self._of_tag = {
            hello.session_tag: (run.origins_s[name], float(hello.rate_hz), hello.scans_per_frame)
            for name, hello in run.hellos.items()
            if tags[hello.session_tag] == 1 and name in run.origins_s
        }

    def keep(self, table: FrameTable) -> npt.NDArray[np.bool_]:
        """True for what stays: all that is no frame of samples, and samples in a kept span."""
        keep = np.ones(len(table), dtype=bool)
        for tag, (origin_s, rate_hz, n_scans) in self._of_tag.items():
            here = table.is_samples & (table.tags == tag)
            start_s = origin_s + table.indices[here] / rate_hz
            inside = np.searchsorted(self._edges_s, start_s, side="right") % 2 == 1
            inside |= np.searchsorted(self._edges_s, start_s + n_scans / rate_hz, side="left") % 2 == 1
            keep[here] = inside
        return keep

    def scans(self, table: FrameTable) -> npt.NDArray[np.int64]:
        """Scans in each row's frame, 0 where that is not known."""
        counts = np.zeros(len(table), dtype=np.int64)
        for tag, (_, _, n_scans) in self._of_tag.items():
            counts[table.tags == tag] = n_scans
        return counts

    def scans_of(self, tag: int) -> int:
        """Scans a frame of the session with this tag."""
        return self._of_tag[tag][2]

    def rate_of(self, tag: int) -> float:
        """Scans a second of the session with this tag."""
        return self._of_tag[tag][1]


class _Copier:
    """Puts frames into the reduced file, or counts them as left out."""

    def __init__(self, writer: RecordingWriter, choice: _Choice) -> None:
        self._writer, self._choice = writer, choice
        self._run: LeftOut | None = None
        self._told_at: dict[tuple[int, int], int] = {}  # (tag, kind) -> scan at which such a message was kept

    def take(self, table: FrameTable) -> None:
        if not len(table):
            return
        keep = self._choice.keep(table)
        droppable = table.is_samples & ~keep
        follows = np.zeros(len(table), dtype=bool)
        step = np.diff(table.seqs)
        both = droppable[1:] & droppable[:-1] & (np.diff(table.tags) == 0) & (step == 1)
        both &= np.diff(table.indices) == self._choice.scans(table)[1:]
        follows[1:] = both | (
            ~droppable[1:] & ~droppable[:-1] & keep[1:] & table.is_samples[1:] & table.is_samples[:-1]
        )
        starts = np.flatnonzero(~follows).tolist()
        for a, b in zip(starts, [*starts[1:], len(table)], strict=True):
            if droppable[a]:
                self._leave_out(table, a, b)
            elif not self._is_thinned(table, a):
                self.flush()
                self._keep(table, a, b)

    def _leave_out(self, table: FrameTable, a: int, b: int) -> None:
        first_index, n_scans = int(table.indices[a]), self._choice.scans_of(int(table.tags[a]))
        new = LeftOut(
            session_tag=int(table.tags[a]),
            first_seq=int(table.seqs[a]),
            last_seq=int(table.seqs[b - 1]),
            start_index=first_index,
            stop_index=int(table.indices[b - 1]) + n_scans,
            flags=int(table.flags[a]),
            n_frames=b - a,
            n_bytes=int(table.stops[b - 1] - table.starts[a]),
            last_host_s=table.host_s(b - 1),
        )
        run = self._run
        is_next = run is not None and (run.session_tag, run.last_seq + 1, run.stop_index) == (
            new.session_tag,
            new.first_seq,
            new.start_index,
        )
        if run is None or not is_next:
            self.flush()
            self._run = new
            return
        self._run = replace(
            run,
            last_seq=new.last_seq,
            stop_index=new.stop_index,
            n_frames=run.n_frames + new.n_frames,
            n_bytes=run.n_bytes + new.n_bytes,
            last_host_s=new.last_host_s,
        )

    def _is_thinned(self, table: FrameTable, at: int) -> bool:
        """Leave a repeated hello or status out too, where samples are left out; one a minute stays."""
        message, run = table.message(at), self._run
        if message is None or run is None or message.session_tag != run.session_tag or not table.is_repeating(at):
            return False
        if message.seq != run.last_seq + 1:
            return False
        key = (message.session_tag, message.kind)
        told_at = self._told_at.get(key)
        every = _MESSAGE_EVERY_S * self._choice.rate_of(message.session_tag)
        if told_at is None or message.sample_index - told_at >= every:
            self._told_at[key] = message.sample_index
            return False
        n_bytes = int(table.stops[at] - table.starts[at])
        self._run = replace(run, last_seq=message.seq, n_frames=run.n_frames + 1, n_bytes=run.n_bytes + n_bytes)
        return True

    def _keep(self, table: FrameTable, a: int, b: int) -> None:
        for chunk in table.chunks(a, b):
            self._writer.append(chunk)

    def flush(self) -> None:
        """Write down what was left out up to here."""
        if self._run is not None:
            self._writer.leave_out(self._run)
            self._run = None

    def append(self, chunk: Chunk) -> None:
        """Bytes that are kept in any case."""
        self.flush()
        self._writer.append(chunk)


def _copy(
    recording: Recording, writer: RecordingWriter, choice: _Choice, progress: Callable[[str, float | None], None]
) -> None:
    copier = _Copier(writer, choice)
    beside = _Beside(recording, writer)
    n_seen = 0
    for table in iter_frame_tables(recording.iter_chunks()):
        n_seen += table.n_bytes
        progress("writing", min(1.0, n_seen / max(1, recording.n_bytes)))
        beside.up_to(table.first_host_s)
        copier.take(table)
        if table.tail:
            copier.append(Chunk(table.tail, table.last_host_s))
    copier.flush()
    beside.up_to(float("inf"))


class _Beside:
    """Marks, typed readings and kept results of the person, written in the order of their times."""

    def __init__(self, recording: Recording, writer: RecordingWriter) -> None:
        entries: list[tuple[float, Callable[[], None]]] = []
        for mark in recording.host_marks:
            entries.append((mark.host_s, lambda m=mark: writer.mark(m.host_s, m.label)))  # type: ignore[misc]
        for finding in recording.host_findings:
            entries.append((finding.host_s, lambda f=finding: writer.keep_finding(f.host_s, f.content)))  # type: ignore[misc]
        for r in recording.host_readings:
            entries.append((r.host_s, lambda r=r: writer.keep_reading(r.host_s, r.name, r.value, r.unit)))  # type: ignore[misc]
        self._entries = sorted(entries, key=lambda entry: entry[0])
        self._times_s = [host_s for host_s, _ in self._entries]
        self._n_done = 0

    def up_to(self, host_s: float) -> None:
        """Write what is due."""
        stop = bisect_right(self._times_s, host_s)
        for _, write in self._entries[self._n_done : stop]:
            write()
        self._n_done = max(self._n_done, stop)
