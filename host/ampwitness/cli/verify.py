"""`ampwitness verify`: what is in a recording, every loss by cause, and whether the sums balance."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.clock_fit import ClockFitter
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import wrapped
from ampwitness.decode import Decoder, refuse_unreadable
from ampwitness.errors import BalanceError, RecordingUnreadableError, UnknownProtocolError
from ampwitness.findings.whole_words import word_away, word_lacking, word_unread
from ampwitness.recording import JoinedRecording, Recording, open_parts
from ampwitness.types import Block, Chunk, Decoded, Edge, Fault, Gap, Hello, LinkHealth, Mark
from ampwitness.units import seconds_to_clock

# The first chunks are decoded one by one, for a dense clock fit; then about a megabyte at a time, for speed.
_SINGLE_CHUNKS = 1000
_GATHER_BYTES = 1 << 20
_NOT_SHOWN = ("started_host_s", "host_clock")  # for programs; `started_at` says it to people


@dataclass
class _Session:
    """What one session of the recording holds."""

    hello: Hello
    fitter: ClockFitter
    start_s: float = 0.0
    stop_s: float = 0.0
    n_scans: int = 0


@dataclass
class _Contents:
    """Everything counted in one pass."""

    sessions: dict[str, _Session] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)  # the longest of them only
    n_gaps: int = 0
    gaps_s: dict[str, float] = field(default_factory=dict)  # by cause
    n_edges: int = 0
    n_marks: int = 0
    n_faults: int = 0
    fault_texts: list[str] = field(default_factory=list)
    n_bytes: int = 0

    def take_all(self, items: list[Decoded], with_clock: bool) -> None:
        """What one push gave. Its last block ended with the last bytes pushed, whose receive time is known."""
        last_block: Block | None = None
        for item in items:
            self._take(item)
            last_block = item if isinstance(item, Block) else last_block
        if with_clock and last_block is not None and last_block.hello.time_scale == 1.0:
            board_s = float((last_block.first_sample_index + len(last_block.counts)) / last_block.rate_hz)
            self.sessions[last_block.session_id].fitter.add(board_s, last_block.host_s)

    def _take(self, item: Decoded) -> None:
        if isinstance(item, Gap) and item.cause == "reduced":
            return  # no loss: counted beside the scans
        if isinstance(item, Block):
            session = self.sessions.setdefault(item.session_id, _new_session(item))
            session.n_scans += len(item.counts)
            session.stop_s = item.start_s + float(len(item.counts) / item.rate_hz)
        elif isinstance(item, Gap):
            self.n_gaps += 1
            self.gaps_s[item.cause] = self.gaps_s.get(item.cause, 0.0) + item.stop_s - item.start_s
            self.gaps.append(item)
            if len(self.gaps) > 200:
                self.gaps = _longest(self.gaps)
        elif isinstance(item, Edge):
            self.n_edges += 1
        elif isinstance(item, Mark):
            self.n_marks += 1
        elif isinstance(item, Fault):
            self.n_faults += 1
            if len(self.fault_texts) < 20:
                self.fault_texts.append(item.text)


def _new_session(block: Block) -> _Session:
    return _Session(block.hello, ClockFitter(block.session_id), start_s=block.start_s)


def _longest(gaps: list[Gap]) -> list[Gap]:
    longest = sorted(gaps, key=lambda gap: gap.start_s - gap.stop_s)[:10]
    return sorted(longest, key=lambda gap: gap.start_s)


def _groups(chunks: Iterator[Chunk]) -> Iterator[list[Chunk]]:
    group: list[Chunk] = []
    n_bytes = n_groups = 0
    for chunk in chunks:
        group.append(chunk)
        n_bytes += len(chunk.raw)
        if n_groups < _SINGLE_CHUNKS or n_bytes >= _GATHER_BYTES:
            yield group
            group, n_bytes, n_groups = [], 0, n_groups + 1
    if group:
        yield group


def _read(recording: Recording) -> tuple[_Contents, LinkHealth]:
    contents, decoder = _Contents(), Decoder()
    try:
        with ProgressLine() as progress:
            for group in _groups(recording.iter_chunks()):
                contents.n_bytes += sum(len(chunk.raw) for chunk in group)
                contents.take_all(decoder.push_many(group), recording.has_host_times)
                progress("checking", contents.n_bytes / recording.n_bytes)
            contents.take_all(decoder.finish(), with_clock=False)
        health = decoder.health()
        refuse_unreadable(health)
    except UnknownProtocolError as error:
        raise UnknownProtocolError(f"{recording.path}: {error}") from error
    except RecordingUnreadableError as error:
        name = str(recording.path)
        raise error if name in str(error) else RecordingUnreadableError(f"{name}: {error}") from error
    return contents, health


def find_imbalance(recording: Recording, n_bytes_read: int, health: LinkHealth) -> list[str]:
    """Sums that do not balance, each as one sentence with both sides; empty when all do.

    `n_bytes_read` is what the file gave; a closed recording also says how many bytes went in.
    """
    wrong = []
    if health.n_bytes != n_bytes_read:
        wrong.append(f"{n_bytes_read} bytes were read, {health.n_bytes} are accounted for")
    n_sorted = health.n_bytes_in_frames + health.n_bytes_bad + health.n_bytes_skipped + health.n_delimiters
    if health.n_bytes != n_sorted:
        wrong.append(f"{health.n_bytes} bytes are accounted for, frames, bad bytes and delimiters make {n_sorted}")
    n_scans = health.n_scans_received + sum(health.n_scans_lost.values()) + health.n_scans_left_out
    if health.n_scans_expected != n_scans:
        wrong.append(
            f"{health.n_scans_expected} scans are expected, received, lost and left out on purpose make {n_scans}"
        )
    n_written = recording.end.get("n_bytes")
    if n_written is not None and n_written != str(n_bytes_read):
        wrong.append(f"the recorder wrote {n_written} bytes, the file gives {n_bytes_read}")
    return wrong


def _as_json(recording: Recording, contents: _Contents, health: LinkHealth, wrong: list[str]) -> dict[str, Any]:
    sessions = []
    for session_id, session in contents.sessions.items():
        fit = session.fitter.fit()
        hello = session.hello
        sessions.append(
            {
                "session_id": session_id,
                "board_id": hello.board_id,
                "firmware": hello.firmware,
                "reset_cause": hello.reset_cause,
                "mode": hello.mode,
                "roles": list(hello.roles),
                "rate_hz": float(hello.rate_hz),
                "averaging": hello.averaging,
                "time_scale": hello.time_scale,
                "start_s": session.start_s,
                "stop_s": session.stop_s,
                "n_scans": session.n_scans,
                "clock_fit": None if fit is None else asdict(fit),
            }
        )
    gaps = [
        {"start_s": gap.start_s, "stop_s": gap.stop_s, "cause": gap.cause, "is_exact": gap.is_exact}
        for gap in _longest(contents.gaps)
    ]
    return {
        "recording": str(recording.path),
        "kind": recording.kind,
        "file_bytes": recording.n_bytes,
        "is_torn": recording.is_torn,
        "torn_at": recording.torn_at,
        "torn_files": list(recording.torn_files),
        "n_unread_bytes": recording.n_unread_bytes,
        "closed": recording.end,
        "notes": dict(recording.notes),
        "sessions": sessions,
        "duration_s": _duration_s(contents),
        "parts": [part.name for part in recording.parts] if isinstance(recording, JoinedRecording) else [],
        "away_at_end_s": recording.away_at_end_s,
        "missing_parts": list(recording.missing_parts),
        "lacks_later_parts": recording.lacks_later_parts,
        "reduction": recording.reduction,
        "n_host_marks": len(recording.host_marks),
        "n_marks": contents.n_marks,
        "n_edges": contents.n_edges,
        "n_faults": contents.n_faults,
        "fault_texts": contents.fault_texts,
        "n_gaps": contents.n_gaps,
        "gaps_s": contents.gaps_s,
        "longest_gaps": gaps,
        "link_health": {**asdict(health), "balances": health.balances},
        "balances": not wrong,
        "imbalance": wrong,
    }


def _duration_s(contents: _Contents) -> float:
    sessions = contents.sessions.values()
    return max((s.stop_s for s in sessions), default=0.0) - min((s.start_s for s in sessions), default=0.0)


# What the recorder noted, by the class of the error that ended it.
_WHY = {
    "LinkLostError": "the cable was pulled, or the board vanished",
    "DiskFullError": "the disk was full",
    "BoardFaultError": "the board reported a fault",
    "RestartError": "the board restarted",
}


def _file_lines(recording: Recording) -> Iterator[str]:
    kind = "MCAP recording" if recording.kind == "mcap" else "plain file of wire bytes, without receive times"
    yield f"{recording.path}: {kind}, {recording.n_bytes} bytes"
    if isinstance(recording, JoinedRecording):
        yield f"  {len(recording.parts)} parts, read as one: " + ", ".join(part.name for part in recording.parts)
    for said in word_lacking(recording.missing_parts, recording.lacks_later_parts):
        yield f"  {said}"
    if recording.reduction is not None:
        yield "  reduced: full waveforms only where something happened, levels of everything"
    if recording.is_torn:
        first, *more = recording.torn_files
        also = f", {' and '.join(more)} not closed either" if more else ""
        yield (
            f"  torn: not closed properly, whole up to byte {recording.torn_at} of {first}{also}; what stands behind "
            "is used as far as it goes"
        )
    elif recording.end:
        why = str(recording.end.get("why", "?"))
        yield f"  whole: closed properly ({_WHY.get(why, why)})"
    if away := word_away(recording.away_at_end_s):
        yield f" {away}"
    if unread := word_unread(recording.n_unread_bytes):
        yield f" {unread}"
    for key, value in recording.notes.items():
        if key not in _NOT_SHOWN:
            yield f"  {key}: " + str(value).replace("\n", " / ")


def _session_lines(contents: _Contents) -> Iterator[str]:
    for number, session in enumerate(contents.sessions.values(), 1):
        hello = session.hello
        yield (
            f"Session {number} ({hello.session_id}): {seconds_to_clock(session.stop_s - session.start_s)} from "
            f"{seconds_to_clock(session.start_s)}, mode {hello.mode}, {float(hello.rate_hz):g} scans a second, "
            f"{', '.join(hello.roles)}"
        )
        yield f"  board {hello.board_id}, firmware {hello.firmware}, started by: {hello.reset_cause}"
        fit = session.fitter.fit()
        if hello.time_scale != 1.0:
            yield "  clock: not fitted, the virtual board does not run in real time"
        elif fit is None:
            yield "  clock: not fitted, too short or no receive times"
        else:
            yield (
                f"  clock: board {fit.board_fast_ppm:+.0f} ppm against the host, +-{2 * fit.uncertainty_ppm:.0f} ppm; "
                f"receive times scatter by {1000 * fit.scatter_s:.1f} ms. Reported only, nothing is corrected by it."
            )


def _loss_lines(contents: _Contents, health: LinkHealth) -> Iterator[str]:
    yield (
        f"Bytes: {health.n_bytes} = {health.n_bytes_in_frames} in good frames + {health.n_bytes_bad} bad "
        f"+ {health.n_bytes_skipped} skipped + {health.n_delimiters} delimiters"
    )
    yield f"Frames: {health.n_frames_good} good, {health.n_frames_bad} bad{_reasons(health.bad_reasons)}"
    yield f"  lost: {health.n_frames_lost}, of which the board dropped {health.n_frames_dropped_on_board} itself"
    n_lost = sum(health.n_scans_lost.values())
    yield f"Scans: {health.n_scans_expected} expected = {health.n_scans_received} received + {n_lost} lost"
    if health.n_scans_left_out:
        yield (
            f"  and {health.n_scans_left_out} left out on purpose when the recording was reduced "
            f"({health.n_frames_left_out} frames): no loss"
        )
    yield "  " + ", ".join(f"{cause}: {count} lost" for cause, count in health.n_scans_lost.items())
    counters = ", ".join(f"{name} {count}" for name, count in health.board_counters.items())
    yield f"The board's own counters: {counters or 'no status received'}"
    for gap in _longest(contents.gaps):
        sure = "" if gap.is_exact else ", length by a clock, not counted"
        yield f"  gap at {seconds_to_clock(gap.start_s)}: {gap.stop_s - gap.start_s:.4f} s ({gap.cause}{sure})"
    if contents.n_gaps > 10:
        yield f"  and {contents.n_gaps - 10} shorter gaps"
    yield f"Marks: {contents.n_marks} by the board's clock. Edges of digital lines: {contents.n_edges}."
    for text in contents.fault_texts:
        yield f"The board reported a fault: {text}"


def _reasons(reasons: Any) -> str:
    return f" ({', '.join(f'{reason}: {count}' for reason, count in reasons.items())})" if reasons else ""


@click.command(epilog="Example: ampwitness verify trip.mcap")
@click.argument("recording", type=NAMED_PATH, nargs=-1, required=True)
@click.option("--alone", is_flag=True, help="Only this file, also when it is the first part of several.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def verify(recording: tuple[Path, ...], alone: bool, as_json: bool) -> None:
    """Say what is in RECORDING and account for every byte, frame and scan.

    A recording in parts is named by its first part, its folder, or all its parts: they are checked as one.

    Losses that are counted are no failure: the sums balance. They fail only where the counters do not explain what is
    missing.
    """
    opened = open_parts(recording, alone=alone)
    contents, health = _read(opened)
    wrong = find_imbalance(opened, contents.n_bytes, health)
    if as_json:
        click.echo(json.dumps(_as_json(opened, contents, health, wrong), indent=1, default=str, allow_nan=False))
    else:
        for lines in (_file_lines(opened), _session_lines(contents), _loss_lines(contents, health)):
            for line in lines:
                click.echo(wrapped(line))
        if not wrong:
            click.echo("All sums balance.")
    if wrong:
        raise BalanceError(f"{opened.path}: the sums do not balance: {'; '.join(wrong)}.")
