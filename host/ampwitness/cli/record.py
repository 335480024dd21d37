"""`ampwitness record`: from a board into a file, until told to stop."""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any

import click

from ampwitness import __version__
from ampwitness.calibration_file import calibration_to_plain
from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.errors import AmpwitnessError, BoardFaultError, UsageError
from ampwitness.link.finding import find_board
from ampwitness.link.monitor import StreamMonitor
from ampwitness.link.session import BoardSession
from ampwitness.recording import RecordingWriter
from ampwitness.recording.writer import refuse_existing
from ampwitness.units import seconds_to_clock

EVERY_S = 0.25
EVERY_PIPED_S = 5.0
SAFETY = "On the road the passenger works this, never the driver."


@dataclass(frozen=True, slots=True)
class _Ending:
    """Why a recording ended, for the file and for the person."""

    why: str
    words: str


_BY_PERSON = _Ending("stopped", "stopped by you")
_BY_TIME = _Ending("seconds reached", "the asked time is recorded")
_BY_BOARD = _Ending("stimulus ended", "the virtual board has played all it had")


class _LiveLine:
    """Elapsed, rate, losses, levels: one line rewritten on a terminal, a new line every 5 s in a pipe."""

    def __init__(self, is_quiet: bool) -> None:
        self._is_quiet = is_quiet
        self._is_terminal = sys.stderr.isatty()
        self._shown_s = time.monotonic()
        self._n_bytes_shown = 0
        self._width = 0

    def show(self, monitor: StreamMonitor, n_bytes: int) -> None:
        now_s = time.monotonic()
        if self._is_quiet or now_s - self._shown_s < (EVERY_S if self._is_terminal else EVERY_PIPED_S):
            return
        text = live_text(monitor, (n_bytes - self._n_bytes_shown) / (now_s - self._shown_s))
        self._shown_s, self._n_bytes_shown = now_s, n_bytes
        if self._is_terminal:
            sys.stderr.write("\r" + text.ljust(self._width))
            self._width = len(text)
        else:
            sys.stderr.write(text + "\n")
        sys.stderr.flush()

    def clear(self) -> None:
        if self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
            self._width = 0


def live_text(monitor: StreamMonitor, bytes_per_s: float) -> str:
    """The progress line's text. `bytes_per_s` is the rate of received bytes."""
    n_lost = monitor.n_scans_lost
    lost = f"{n_lost} scans lost" if n_lost or monitor.n_frames_lost else "0 lost"
    parts = [seconds_to_clock(monitor.recorded_s), f"{bytes_per_s / 1000:.1f} kB/s", lost]
    if monitor.n_frames_lost:
        parts[-1] += f" ({monitor.n_frames_lost} frames)"
    if monitor.n_bad_frames:
        parts.append(f"{monitor.n_bad_frames} bad frames")
    levels = monitor.levels()
    if levels is None:
        parts.append("waiting for samples")
    else:
        if levels.output_peak_v is not None:
            parts.append(f"output {levels.output_peak_v:.1f} V peak")
        if levels.supply_lowest_v is not None:
            parts.append(f"supply {levels.supply_lowest_v:.2f} V")
    if monitor.n_marks:
        parts.append(f"{monitor.n_marks} mark{'s' if monitor.n_marks > 1 else ''}")
    if monitor.faults:
        parts.append(f"board: {monitor.faults[-1]}")
    return "   ".join(parts)


@contextmanager
def _stop_on_signals() -> Iterator[list[int]]:
    """The first Ctrl-C (or end of the terminal) is put into the list, a second one interrupts as usual."""
    seen: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        seen.append(number)
        if len(seen) > 1:
            raise KeyboardInterrupt

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.signal(getattr(signal, name), note) for name in names}
    try:
        yield seen
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _stream_into(
    writer: RecordingWriter, session: BoardSession, seconds: float | None, line: _LiveLine, keyboard: Keyboard
) -> _Ending:
    """Everything the board sends goes into the file. Returns why it ended; raises what ended it otherwise."""
    ending = _BY_PERSON
    n_bytes = 0
    with _stop_on_signals() as signals:
        session.start()
        for chunk in session.chunks():
            writer.append(chunk)
            n_bytes += len(chunk.raw)
            line.show(session.monitor, n_bytes)
            if "m" in keyboard.pressed().lower():
                session.mark()
                writer.mark(time.time(), "keyboard")
            if signals:
                session.request_stop()
            elif seconds is not None and session.monitor.recorded_s >= seconds:
                ending = _BY_TIME
                session.request_stop()
            elif session.monitor.stimulus_ended:
                ending = _BY_BOARD
    return ending


def recording_notes(session: BoardSession, given: dict[str, Any]) -> dict[str, object]:
    """What every recording says about itself, beside what was typed."""
    now = datetime.now().astimezone()
    hello = session.hello
    return {
        **given,
        "program_version": __version__,
        "started_at": now.isoformat(timespec="seconds"),
        "started_host_s": now.timestamp(),
        "host_clock": "system wall clock of the recording computer",
        "port": session.name,
        "board_id": hello.board_id,
        "board_firmware": hello.firmware,
        "board_mode": hello.mode,
        "calibrations_json": _calibrations_json(hello.board_id),
    }


def _calibrations_json(board_id: str) -> str | None:
    """The measured calibrations that this computer has of the board, as JSON text: they travel with the recording."""
    book = calibration_of(board_id)
    if book is None or not book.calibrations:
        return None
    return json.dumps([calibration_to_plain(calibration) for calibration in book.calibrations.values()])


def _result(
    writer: RecordingWriter, session: BoardSession, ending: str, error: AmpwitnessError | None
) -> dict[str, Any]:
    monitor = session.monitor
    return {
        "recording": str(writer.path),
        "ended": ending,
        "error": None if error is None else str(error),
        "recorded_s": round(monitor.recorded_s, 6),
        "n_bytes": writer.n_bytes,
        "n_frames": monitor.n_frames,
        "n_frames_lost": monitor.n_frames_lost,
        "n_bad_frames": monitor.n_bad_frames,
        "n_scans": monitor.n_scans,
        "n_scans_lost": monitor.n_scans_lost,
        "n_sessions": monitor.n_sessions,
        "n_restarts": session.n_restarts,
        "n_marks": writer.n_marks,
        "board_id": session.hello.board_id,
        "mode": session.hello.mode,
        "board_faults": monitor.faults,
    }


def _default_out() -> Path:
    return Path(datetime.now().strftime("ampwitness-%Y%m%d-%H%M%S.mcap"))


@click.command(epilog="Example: ampwitness record --seconds 60 --out trip.mcap --load-ohm 4 --nominal-supply 13.8")
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop after this long.")
@click.option("--out", type=click.Path(path_type=Path), help="File to record into. Default: a name by date and time.")
@click.option("--mode", help="Mode of the board: bass, wide or slow. Default: the one it is in.")
@click.option("--amplifier", help="What is being measured, in your words.")
@click.option("--load-ohm", type=click.FloatRange(min=0, min_open=True), help="Impedance of the load.")
@click.option("--load-kind", type=click.Choice(["none", "resistor", "speaker"]), help="What the output drives.")
@click.option("--nominal-supply", type=click.FloatRange(min=0, min_open=True), help="Volts the supply should have.")
@click.option(
    "--reference",
    type=click.Choice(["amplifier-ground", "battery-negative", "chassis"]),
    help="Where the logger's ground is clipped: all volts count from there.",
)
@click.option("--remark", "remarks", multiple=True, help="Anything worth keeping. May be given more than once.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, and no progress.")
def record(
    port: str | None,
    seconds: float | None,
    out: Path | None,
    mode: str | None,
    amplifier: str | None,
    load_ohm: float | None,
    load_kind: str | None,
    nominal_supply: float | None,
    reference: str | None,
    remarks: tuple[str, ...],
    as_json: bool,
) -> None:
    """Record from a board until --seconds are over, or Ctrl-C, or the cable is pulled.

    Press m at any time to set a mark: "I heard it now."
    """
    if load_kind == "none" and load_ohm is not None:
        raise UsageError("--load-ohm with --load-kind none makes no sense: leave one of them out.")
    out = out or _default_out()
    refuse_existing(out)
    given: dict[str, Any] = {
        "amplifier": amplifier,
        "load_ohm": load_ohm,
        "load_kind": load_kind,
        "nominal_supply_v": nominal_supply,
        "reference_point": reference,
        "remarks": "\n".join(remarks) or None,
        "asked_mode": mode,
    }
    click.echo(SAFETY, err=True)
    with BoardSession(port or find_board()) as session:
        if mode is not None and mode != session.hello.mode:
            session.set_mode(mode)
        hello = session.hello
        if not as_json:
            roles = ", ".join(hello.roles)
            rate = f"{float(hello.rate_hz):g} scans a second"
            click.echo(f"Board {hello.board_id} on {session.name}: mode {hello.mode}, {rate}: {roles}", err=True)
        _record_from(session, out, given, seconds, as_json)


def _record_from(session: BoardSession, out: Path, given: dict[str, Any], seconds: float | None, as_json: bool) -> None:
    line = _LiveLine(is_quiet=as_json)
    writer = RecordingWriter(out, recording_notes(session, given))
    try:
        with Keyboard() as keyboard:
            if keyboard.is_live and not as_json:
                click.echo(f"Recording into {out}. m sets a mark, Ctrl-C ends.", err=True)
            ending = _stream_into(writer, session, seconds, line, keyboard)
        writer.close(ending.why)
    except AmpwitnessError as error:
        line.clear()
        writer.close(type(error).__name__)
        if _is_empty(writer, session.monitor, error):
            writer.path.unlink(missing_ok=True)  # notes of a recording that never was
        if as_json:
            click.echo(json.dumps(_result(writer, session, type(error).__name__, error), indent=1))
        raise type(error)(f"{error} {_kept(writer, session.monitor, error)}") from error
    finally:
        line.clear()
        if writer.is_open:
            writer.close("interrupted")
    if as_json:
        click.echo(json.dumps(_result(writer, session, ending.why, None), indent=1))
    else:
        click.echo(f"{_kept(writer, session.monitor)} Ended: {ending.words}.")
        click.echo(f"Next: ampwitness report {out} --html {out.with_suffix('.html')}")


def _is_empty(writer: RecordingWriter, monitor: StreamMonitor, error: AmpwitnessError | None) -> bool:
    """Whether the file holds nothing that anybody measured."""
    refused = isinstance(error, BoardFaultError) and monitor.n_samples_frames == 0
    return writer.n_bytes == 0 or refused


def _kept(writer: RecordingWriter, monitor: StreamMonitor, error: AmpwitnessError | None = None) -> str:
    """What is in the file, in one sentence."""
    if _is_empty(writer, monitor, error):
        return "Nothing was recorded."
    lost = f"{monitor.n_scans_lost} scans lost" if monitor.n_scans_lost else "0 lost"
    return f"Recorded: {seconds_to_clock(monitor.recorded_s)} in {writer.path} ({writer.n_bytes} bytes, {lost})."
