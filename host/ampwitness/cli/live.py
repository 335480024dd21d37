"""`ampwitness live`: a board, or a recording, on a page in a browser of this machine."""

from __future__ import annotations

import sys
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.doubts import find_doubts
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.keyboard import Keyboard
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.recording_notes import SAFETY, described_notes, describing_options, recording_notes
from ampwitness.cli.settings_folder import calibration_of
from ampwitness.cli.stopping import stop_on_signals
from ampwitness.cli.wrapped import as_typed, say
from ampwitness.errors import AmpwitnessError, UsageError
from ampwitness.link.finding import find_board
from ampwitness.link.session import BoardSession
from ampwitness.live import LiveFeed
from ampwitness.livepage.clean_ceiling import CleanCeiling, ceiling_of_recording, typed_ceiling
from ampwitness.livepage.feed_state import FeedState, losses_in_words
from ampwitness.livepage.live_page import LivePage
from ampwitness.livepage.server import HTTP_PORT, PageServer
from ampwitness.recording import RecordingWriter, open_parts
from ampwitness.recording.host_labels import ENGINE_KEYS
from ampwitness.recording.writer import refuse_existing
from ampwitness.types import TraceWindow
from ampwitness.units import seconds_to_clock

_IN_THE_OPEN = "Whoever has this address can look, and set marks; it crosses the network unencrypted."


@click.command(epilog="Examples: ampwitness live --out trip.mcap --ceiling-from gain.mcap; ampwitness live trip.mcap")
@click.argument("recording", type=NAMED_PATH, nargs=-1)
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--out", type=NAMED_PATH, help="File to record into. Default: a name by date and time.")
@click.option(
    "--http-port",
    type=click.IntRange(0, 65535),
    default=HTTP_PORT,
    show_default=True,
    help="Where the page is; 0: any free port.",
)
@click.option("--open-to-network", is_flag=True, help="Let others on the network look, with a token in the address.")
@click.option("--seconds", type=FiniteRange(min=0, min_open=True), help="Stop after this long.")
@click.option("--mode", help="Mode of the board: bass, wide or slow. Default: the one it is in.")
@click.option("--ceiling", "ceiling_v", type=FiniteRange(min=0, min_open=True), help="Clean ceiling, volts peak.")
@click.option("--ceiling-from", type=NAMED_PATH, help="A recording the clean ceiling is learned from.")
@describing_options
def live(
    recording: tuple[Path, ...],
    port: str | None,
    out: Path | None,
    http_port: int,
    open_to_network: bool,
    seconds: float | None,
    mode: str | None,
    ceiling_v: float | None,
    ceiling_from: Path | None,
    **described: Any,
) -> None:
    """Show a board's stream on a page in a browser, and record it. With RECORDING: show that, at every scale.

    The page is for this machine alone unless --open-to-network. Browsers come and go as they like: the recording does
    not depend on them. Press m, here or on the page, to set a mark; on the page words can be typed with it. Press e
    when the engine runs, o when it is off, c when it is cranked: where the supply's volts cannot tell, the report
    counts the engine as marked. Ctrl-C ends and keeps the recording.
    """
    if recording:
        of_a_board = (port, out, mode, seconds, ceiling_v, ceiling_from, *described.values())
        if any(value not in (None, ()) for value in of_a_board):
            raise UsageError(
                "RECORDING is shown, not recorded: beside it only --http-port and --open-to-network make sense."
            )
        _show_recording(recording, http_port, open_to_network)
        return
    out = out or Path(datetime.now().strftime("ampwitness-live-%Y%m%d-%H%M%S.mcap"))
    refuse_existing(out)
    given = {**described_notes(described), "asked_mode": mode}
    ceiling = _find_ceiling(ceiling_v, ceiling_from)
    say(SAFETY, err=True)
    with BoardSession(port or find_board()) as session:
        if mode is not None and mode != session.hello.mode:
            session.set_mode(mode)
        for doubt in find_doubts(session.hello, given):
            say(doubt, err=True)
        book = calibration_of(session.hello.board_id)
        notes = recording_notes(session, given)
        feed = LiveFeed(session, calibrations=None if book is None else book.calibrations)
        page = LivePage(feed, FeedState(ceiling, described["nominal_supply_v"]), str(out))
        server = PageServer(page.routes(), http_port, open_to_network=open_to_network)
        try:
            feed.writer = RecordingWriter(out, notes)  # only once everything else stands: no empty file is left
            server.start()
            _say_address(server, open_to_network)
            say(f"Recording into {out}. m sets a mark; e, o, c: engine on, off, cranked. Ctrl-C ends.", err=True)
            _follow(page, feed, seconds)
        finally:
            server.close()


def _find_ceiling(ceiling_v: float | None, ceiling_from: Path | None) -> CleanCeiling | None:
    if ceiling_v is not None and ceiling_from is not None:
        raise UsageError("--ceiling and --ceiling-from together make no sense: give one of them.")
    if ceiling_v is not None:
        return typed_ceiling(ceiling_v)
    if ceiling_from is None:
        return None
    with ProgressLine() as progress:
        return ceiling_of_recording(open_parts([ceiling_from]), progress)


def _say_address(server: PageServer, open_to_network: bool) -> None:
    click.echo(f"Open in a browser: {server.url}")
    sys.stdout.flush()
    if open_to_network:
        say(_IN_THE_OPEN, err=True)


def _follow(page: LivePage, feed: LiveFeed, seconds: float | None) -> None:
    """Until Ctrl-C, the time is over, or the board ends; the recording is closed whatever happens."""
    writer = feed.writer
    assert writer is not None
    try:
        with Keyboard() as keyboard, feed, stop_on_signals() as signals:

            def tick(window: TraceWindow | None) -> bool:
                keys = keyboard.pressed().lower()
                if "m" in keys:
                    page.ask_mark("keyboard")
                for key in keys:
                    if key in ENGINE_KEYS:
                        page.ask_mark(ENGINE_KEYS[key])
                is_over = seconds is not None and feed.monitor.recorded_s >= seconds
                return bool(signals) or is_over

            page.run(tick)
    except AmpwitnessError as error:
        if writer.n_bytes == 0:
            writer.path.unlink(missing_ok=True)  # notes of a recording that never was
            raise
        raise type(error)(f"{error} {_kept(feed, writer)}") from error
    except KeyboardInterrupt:  # a second Ctrl-C: nothing more is waited for
        say(f"Stopped at once. What came until then is in {writer.path}.", err=True)
        raise
    say(_kept(feed, writer))
    click.echo(f"Next: {as_typed('report', writer.path, '--html', writer.path.with_suffix('.html'))}")


def _kept(feed: LiveFeed, writer: RecordingWriter) -> str:
    health = feed.health()  # of the file's own bytes, as `verify` counts them
    losses = losses_in_words({
        "n_scans_lost": sum(health.n_scans_lost.values()),
        "n_frames_lost": health.n_frames_lost,
        "n_bad_frames": health.n_frames_bad,
    })  # fmt: skip
    return f"Recorded: {seconds_to_clock(feed.recorded_s)} in {writer.path} ({writer.n_bytes:,} bytes, {losses})."


def _show_recording(paths: tuple[Path, ...], http_port: int, open_to_network: bool) -> None:
    recording = open_parts(list(paths))
    with ProgressLine() as progress:
        progress("loading")
        from ampwitness.livepage.recording_page import RecordingPage  # drawing takes a second

        page = RecordingPage(recording, progress)
    server = PageServer(page.routes(), http_port, open_to_network=open_to_network)
    server.start()
    try:
        _say_address(server, open_to_network)
        click.echo("Ctrl-C ends.", err=True)
        with stop_on_signals() as signals:
            while not signals:
                time.sleep(0.1)
    finally:
        server.close()
