"""What a recording came to, for programs and in one sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ampwitness.cli.soak import Streaming
from ampwitness.errors import AmpwitnessError, BoardFaultError
from ampwitness.recording import RecordingWriter, RotatingWriter
from ampwitness.types import LinkHealth
from ampwitness.units import seconds_to_clock


def result_as_dict(
    writer: RecordingWriter | RotatingWriter,
    streaming: Streaming,
    health: LinkHealth,
    ending: str,
    error: AmpwitnessError | None,
) -> dict[str, Any]:
    """The result as JSON values. `health` is what `LossCount.finish` gave: the same counts as of the file itself."""
    hello = streaming.session.hello
    return {
        "recording": str(first_path(writer)),
        "n_parts": writer.n_parts if isinstance(writer, RotatingWriter) else 1,
        "ended": ending,
        "error": None if error is None else str(error),
        "recorded_s": round(streaming.losses.recorded_s, 6),
        "waited_s": round(streaming.waited_s, 3),
        "n_resumed": streaming.n_resumed,
        "away_at_end_s": round(streaming.away_s, 3),
        "n_bytes": writer.n_bytes,
        "n_frames": health.n_frames_good,
        "n_frames_lost": health.n_frames_lost,
        "n_bad_frames": health.n_frames_bad,
        "n_scans": health.n_scans_received,
        "n_scans_lost": sum(health.n_scans_lost.values()),
        "n_gaps": streaming.losses.n_gaps,
        "gaps_s": dict(streaming.losses.gaps_s),
        "n_sessions": health.n_sessions,
        "n_restarts": streaming.losses.n_restarts,
        "n_marks": writer.n_marks,
        "board_id": hello.board_id,
        "mode": hello.mode,
        "board_faults": streaming.faults,
    }


def first_path(writer: RecordingWriter | RotatingWriter) -> Path:
    """The file, or the first of its parts."""
    return writer.first_path if isinstance(writer, RotatingWriter) else writer.path


def is_empty(writer: RecordingWriter | RotatingWriter, streaming: Streaming, error: AmpwitnessError | None) -> bool:
    """Whether the file holds nothing that anybody measured."""
    refused = isinstance(error, BoardFaultError) and streaming.count("n_samples_frames") == 0
    return writer.n_bytes == 0 or refused


def say_kept(
    writer: RecordingWriter | RotatingWriter,
    streaming: Streaming,
    health: LinkHealth,
    error: AmpwitnessError | None = None,
) -> str:
    """What is in the file, in one sentence."""
    if is_empty(writer, streaming, error):
        return "Nothing was recorded."
    n_lost = sum(health.n_scans_lost.values())
    lost = "0 lost"
    if n_lost:
        lost = f"{n_lost:,} scans lost, {n_lost / float(streaming.session.hello.rate_hz):.2f} s in all"
    n_again = streaming.losses.n_restarts - streaming.n_resumed
    if n_again > 0:
        lost += f", the board began again {_times(n_again)}"
    n_away = streaming.n_resumed + (streaming.away_s > 0)
    if n_away:
        lost += f", board away {_times(n_away)} for {streaming.waited_s + streaming.away_s:.1f} s in all"
        lost += ", and not back" if streaming.away_s else ""
    elif n_again > 0:
        lost += f" and missed {streaming.losses.gaps_s['restart']:.2f} s in all"
    where = str(first_path(writer))
    if isinstance(writer, RotatingWriter) and writer.n_parts > 1:
        where += f" and {writer.n_parts - 1} more part{'s' if writer.n_parts > 2 else ''}"
    return f"Recorded: {seconds_to_clock(streaming.losses.recorded_s)} in {where} ({writer.n_bytes:,} bytes, {lost})."


def _times(number: int) -> str:
    return f"{number} time{'s' if number > 1 else ''}"
