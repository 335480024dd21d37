"""`ampwitness record`: from a board into a file, until told to stop."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.doubts import find_doubts
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.live_line import LiveLine
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.questions import Ask, Questions, parse_ask
from ampwitness.cli.record_result import first_path, is_empty, result_as_dict, say_kept
from ampwitness.cli.recording_notes import SAFETY, described_notes, describing_options, recording_notes
from ampwitness.cli.soak import CANNOT_SWITCH_OFF, PART_MB, PartReducer, Streaming, forecast_disk
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.cli.wrapped import as_typed, say
from ampwitness.errors import AmpwitnessError, LinkLostError, UsageError
from ampwitness.link.finding import find_board
from ampwitness.link.resume import wait_for_board
from ampwitness.link.session import BoardSession
from ampwitness.recording import RecordingWriter, RotatingWriter
from ampwitness.recording.host_labels import ENGINE_KEYS
from ampwitness.recording.writer import refuse_existing
from ampwitness.types import Chunk
from ampwitness.units import seconds_to_clock, seconds_to_span


@dataclass(frozen=True, slots=True)
class _Ending:
    """Why a recording ended, for the file and for the person."""

    why: str
    words: str


_BY_PERSON = _Ending("stopped", "stopped by you")
_BY_TIME = _Ending("seconds reached", "the asked time is recorded")
_BY_BOARD = _Ending("stimulus ended", "the virtual board has played all it had")


@dataclass(frozen=True, slots=True)
class _Plan:
    """How long to record, and what to do meanwhile."""

    seconds: float | None
    wait_s: float | None  # for a board whose cable was pulled; 0: do not wait, None: for ever
    asks: tuple[Ask, ...]
    part_bytes: int | None  # None: one file
    reduce_parts: bool


class _Recorder:
    """Everything the board sends goes into the file, until told to stop, the time is over or the board stays away."""

    def __init__(
        self, writer: RecordingWriter | RotatingWriter, streaming: Streaming, plan: _Plan, reducer: PartReducer | None
    ) -> None:
        self._writer, self._streaming, self._plan, self._reducer = writer, streaming, plan, reducer
        self._questions = Questions(plan.asks)
        self._n_bytes = 0
        self._engine_said = ""
        self._ending = _BY_PERSON

    def run(self, line: LiveLine, keyboard: Keyboard) -> _Ending:
        """Returns why it ended; raises what ended it otherwise."""
        with stop_on_signals() as signals:
            while True:
                lost = self._stream(line, keyboard, signals)
                if lost is None:
                    return self._ending
                if self._plan.wait_s == 0 or signals:
                    raise lost
                self._wait(lost, line, keyboard, signals)

    def _stream(self, line: LiveLine, keyboard: Keyboard, signals: list[int]) -> LinkLostError | None:
        """One conversation with the board. Returns the error that cut it off, None for an end that was asked for."""
        session, writer = self._streaming.session, self._writer
        try:
            session.start()
            for chunk in session.chunks():
                writer.append(chunk)
                self._streaming.losses.push(chunk)
                self._n_bytes += len(chunk.raw)
                typed = self._answer(keyboard.pressed())
                line.show(self._streaming, self._n_bytes, self._questions.prompt, typed, self._engine_said)
                if self._reducer is not None:
                    self._reducer.poll()
                if signals:
                    session.request_stop()
                elif self._plan.seconds is not None and self._streaming.elapsed_s >= self._plan.seconds:
                    self._ending = _BY_TIME
                    session.request_stop()
                elif session.monitor.stimulus_ended:
                    self._ending = _BY_BOARD
        except LinkLostError as error:
            return error
        return None

    def _answer(self, keys: str, is_here: bool = True) -> bool:
        """Deal with keys: readings first, marks then. True when the line should be shown at once. A board that is not
        here sets no mark: the computer's clock alone says when it was pressed."""
        is_new = bool(self._plan.asks) and self._questions.tick(self._streaming.elapsed_s)
        values, others = self._questions.type(keys)
        for typed in values:
            self._writer.keep_reading(time.time(), typed.name, typed.value, typed.unit)
        if "m" in others.lower():
            if is_here:
                self._streaming.session.mark()
            self._writer.mark(time.time(), "keyboard")
        said = [ENGINE_KEYS[key] for key in others.lower() if key in ENGINE_KEYS]
        for label in said:
            self._writer.mark(time.time(), label)
            self._engine_said = f"marked: {label}"
        return is_new or bool(said) or bool(keys and (values or self._questions.prompt))

    def _wait(self, lost: LinkLostError, line: LiveLine, keyboard: Keyboard, signals: list[int]) -> None:
        """Wait for the same board; what is typed meanwhile is kept with its time. Raises if it is not back by the end,
        which is the asked time's, the waiting's or the person's."""
        was, began_s = self._streaming.session, time.monotonic()
        was.close()
        board = was.hello.board_id
        left_s = None
        if self._plan.seconds is not None:
            left_s = max(0.0, (self._plan.seconds - self._streaming.elapsed_s) / was.hello.time_scale)
        limits = [limit for limit in (self._plan.wait_s, left_s) if limit is not None]
        gone_s, n_marks = self._streaming.elapsed_s, self._writer.n_marks

        def is_stopped() -> bool:
            self._writer.append(Chunk(b"", time.time()))  # what was received is saved now, not when it is back
            self._streaming.away_s = time.monotonic() - began_s
            self._answer(keyboard.pressed(), is_here=False)
            set_meanwhile = self._writer.n_marks - n_marks
            marked = f" Marks set meanwhile: {set_meanwhile}." if set_meanwhile else ""
            line.say(
                f"The board is gone. Waiting for board {board} to come back: {self._streaming.away_s:.0f} s. Ctrl-C "
                f"ends.{marked}   {self._questions.prompt}".rstrip()
            )
            return bool(signals)

        session = wait_for_board(was, min(limits, default=None), is_stopped)
        if session is not None:
            self._streaming.resume(session, time.monotonic() - began_s)
            return
        self._streaming.away_s = away_s = time.monotonic() - began_s
        wait_s = self._plan.wait_s
        when = f"within {(wait_s or 0.0) / 60:g} min"
        if signals:
            when = "before you stopped it"
        elif left_s is not None and (wait_s is None or left_s <= wait_s):
            when = "before the asked time was over"
        raise LinkLostError(
            f"{lost} Board {board} went away at {seconds_to_clock(gone_s)} and did not come back {when}: the last "
            f"{seconds_to_span(away_s)} are not recorded."
        ) from lost


def _default_out() -> Path:
    return Path(datetime.now().strftime("ampwitness-%Y%m%d-%H%M%S.mcap"))


@click.command(epilog="Example: ampwitness record --seconds 60 --out trip.mcap --load-ohm 4 --nominal-supply 13.8")
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--seconds", type=FiniteRange(min=0, min_open=True), help="Stop after this long.")
@click.option("--hours", type=FiniteRange(min=0, min_open=True), help="A soak: stop after so many hours, in parts.")
@click.option(
    "--part-mb",
    type=FiniteRange(0, 1e6),
    help=f"Begin a new file after so many MB; 0: one file. Default: {PART_MB} with --hours, else one file.",
)
@click.option("--reduce-parts", is_flag=True, help="Make closed parts smaller: full waveforms only around events.")
@click.option(
    "--wait-minutes",
    type=FiniteRange(min=0),
    help="Wait so long for a board that was unplugged; 0: do not. Default: for the whole time with --hours, else 0.",
)
@click.option(
    "--ask", "asked", multiple=True, metavar="NAME=INTERVAL", help="Ask for a reading: heatsink=15min. May be repeated."
)
@click.option("--out", type=NAMED_PATH, help="File to record into. Default: a name by date and time.")
@click.option("--mode", help="Mode of the board: bass, wide or slow. Default: the one it is in.")
@describing_options
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, and no progress.")
def record(
    port: str | None,
    seconds: float | None,
    hours: float | None,
    part_mb: float | None,
    reduce_parts: bool,
    wait_minutes: float | None,
    asked: tuple[str, ...],
    out: Path | None,
    mode: str | None,
    as_json: bool,
    **described: Any,
) -> None:
    """Record from a board until --seconds or --hours are over, or Ctrl-C, or the cable is pulled.

    Press m at any time to set a mark: "I heard it now." Press e when the engine runs, o when it is off, c when it is
    cranked: where the supply's volts cannot tell (a variable or start-stop charger), the report counts the engine as
    marked, from the press on. With --hours the recording goes on when the same board is plugged in again. The program
    only watches: it cannot switch anything off.
    """
    plan = _make_plan(seconds, hours, part_mb, reduce_parts, wait_minutes, asked)
    given = {**described_notes(described), "asked_mode": mode}
    out = out or _default_out()
    if plan.part_bytes is None:
        refuse_existing(out)
    say(SAFETY, err=True)
    if hours is not None:
        say(CANNOT_SWITCH_OFF, err=True)
    with BoardSession(port or find_board()) as session:
        if mode is not None and mode != session.hello.mode:
            session.set_mode(mode)
        hello = session.hello
        if not as_json:
            roles = ", ".join(hello.roles)
            rate = f"{float(hello.rate_hz):g} scans a second"
            say(f"Board {hello.board_id} on {session.name}: mode {hello.mode}, {rate}: {roles}", err=True)
            for doubt in find_doubts(hello, given):
                say(doubt, err=True)
        if hours is not None or plan.part_bytes is not None or plan.seconds is not None or not as_json:
            room = forecast_disk(hello, out, plan.seconds, plan.reduce_parts)
            if not as_json and (hours is not None or plan.seconds is None):
                say(room, err=True)
        _record_from(session, out, given, plan, as_json)


def _make_plan(
    seconds: float | None,
    hours: float | None,
    part_mb: float | None,
    reduce_parts: bool,
    wait_minutes: float | None,
    asked: tuple[str, ...],
) -> _Plan:
    """What the options ask for. Raises UsageError where they make no sense."""
    if seconds is not None and hours is not None:
        raise UsageError("--seconds and --hours together make no sense: give one of them.")
    if part_mb is None:
        part_mb = PART_MB if hours is not None else 0.0
    if reduce_parts and not part_mb:
        raise UsageError("--reduce-parts needs parts: add --hours or --part-mb.")
    asks = tuple(parse_ask(text) for text in asked)
    if asks and (sys.stdin is None or not sys.stdin.isatty()):
        raise UsageError("--ask needs a terminal at which somebody can answer.")
    wait_s = None if wait_minutes is None and hours is not None else 60 * (wait_minutes or 0.0)
    return _Plan(
        seconds=3600 * hours if hours is not None else seconds,
        wait_s=wait_s,
        asks=asks,
        part_bytes=round(1e6 * part_mb) if part_mb else None,
        reduce_parts=reduce_parts,
    )


def _record_from(session: BoardSession, out: Path, given: dict[str, Any], plan: _Plan, as_json: bool) -> None:
    line = LiveLine(is_quiet=as_json)
    streaming = Streaming(session)
    reducer = PartReducer() if plan.reduce_parts else None
    notes = recording_notes(session, given)
    writer: RecordingWriter | RotatingWriter
    if plan.part_bytes is None:
        writer = RecordingWriter(out, notes)
    else:
        writer = RotatingWriter(out, notes, plan.part_bytes, None if reducer is None else reducer.add)
    try:
        with Keyboard() as keyboard:
            if keyboard.is_live and not as_json:
                say(
                    f"Recording into {writer.path}. m sets a mark; e, o, c: engine on, off, cranked. Ctrl-C ends.",
                    err=True,
                )
            ending = _Recorder(writer, streaming, plan, reducer).run(line, keyboard)
        writer.close(ending.why)
        health = streaming.losses.finish()
    except AmpwitnessError as error:
        line.clear()
        writer.close(type(error).__name__, streaming.at_end())
        health = streaming.losses.finish()
        if is_empty(writer, streaming, error):
            writer.path.unlink(missing_ok=True)  # notes of a recording that never was
        if as_json:
            click.echo(json.dumps(result_as_dict(writer, streaming, health, type(error).__name__, error), indent=1))
        raise type(error)(f"{error} {say_kept(writer, streaming, health, error)}") from error
    except KeyboardInterrupt:  # a second Ctrl-C: nothing more is waited for
        line.clear()
        say(f"Stopped at once. What came until then is in {first_path(writer)}.", err=True)
        raise
    finally:
        line.clear()
        if writer.is_open:
            writer.close("interrupted", streaming.at_end())
        if streaming.session is not session:
            streaming.session.close()
        if reducer is not None:
            _finish_reducing(reducer, writer)
    if as_json:
        click.echo(json.dumps(result_as_dict(writer, streaming, health, ending.why, None), indent=1))
    else:
        say(f"{say_kept(writer, streaming, health)} Ended: {ending.words}.")
        click.echo(f"Next: {as_typed('report', first_path(writer), '--html', out.with_suffix('.html'))}")


def _finish_reducing(reducer: PartReducer, writer: RecordingWriter | RotatingWriter) -> None:
    if writer.path.exists():
        reducer.add(writer.path)
    reducer.finish()
    for sentence in reducer.failed:
        say(sentence, err=True)
