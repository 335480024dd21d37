"""`ampwitness report`: what a recording shows, in the terminal, as a page and as JSON."""

from __future__ import annotations

from pathlib import Path

import click

from ampwitness.calibration_file import read_book
from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.stopping import interrupt_on_signals
from ampwitness.cli.wrapped import report_width, wrapped
from ampwitness.errors import CalibrationError
from ampwitness.findings.as_json import MOST_OF_A_KIND, iter_json
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.report.text import text_report
from ampwitness.types import Calibration
from ampwitness.whole_file import refuse_targets, write_pieces_whole, write_whole


def _calibrations_of(path: Path | None) -> tuple[Calibration, ...]:
    if path is None:
        return ()
    book = read_book(path)
    if book is None:
        raise CalibrationError(f"{path} does not exist; `ampwitness calibrate --show` says where a board's file is.")
    return tuple(book.calibrations.values())


@click.command(
    epilog="Example: ampwitness report trip.mcap --html trip.html --json trip.json",
)
@click.argument("recording", type=NAMED_PATH, nargs=-1, required=True)
@click.option("--alone", is_flag=True, help="Only this file, also when it is the first part of several.")
@click.option("--html", "html_path", type=NAMED_PATH, help="Write the page here.")
@click.option("--json", "json_path", type=NAMED_PATH, help="Write JSON here; - for the terminal.")
@click.option(
    "--every-finding",
    is_flag=True,
    help=f"JSON with each finding, also where a kind has more than {MOST_OF_A_KIND}: without it those are the worst, "
    "and bursts that hold all.",
)
@click.option("--continuous", is_flag=True, help="The signal never paused: any silence is a cut-out.")
@click.option("--raw-adc", is_flag=True, help="Do not correct the board's known converter steps (to see what they do).")
@click.option(
    "--calibration",
    "calibration_path",
    type=NAMED_PATH,
    help="Use this calibration file instead of what the recording brings along.",
)
@click.option(
    "--processes", default=1, show_default=True, type=click.IntRange(1, 2), help="2: use a second core, for long ones."
)
@click.option("--window-s", default=30.0, show_default=True, type=FiniteRange(0.5, 600.0), hidden=True)
def report(
    recording: tuple[Path, ...],
    alone: bool,
    html_path: Path | None,
    json_path: Path | None,
    every_finding: bool,
    continuous: bool,
    raw_adc: bool,
    calibration_path: Path | None,
    processes: int,
    window_s: float,
) -> None:
    """Say what RECORDING shows: clipping, bass notes and the supply under them, dips, cut-outs, losses.

    RECORDING is a file made by `ampwitness record`, or a plain file of the bytes a board sent. A recording in parts is
    named by its first part, its folder, or all its parts: they are read as one.
    """
    to_terminal = str(json_path) == "-"
    inputs = [*recording, *([calibration_path] if calibration_path else [])]
    refuse_targets((html_path, None if to_terminal else json_path), inputs)
    options = AnalyseOptions(
        window_s=window_s,
        correct_adc=not raw_adc,
        continuous=continuous,
        calibrations=_calibrations_of(calibration_path),
        processes=processes,
    )
    with ProgressLine() as progress, interrupt_on_signals():
        analysis = analyse_file(recording, options, progress, alone=alone)
    if not to_terminal:  # ahead of the files: a full disk does not cost the answer
        click.echo(wrapped(text_report(analysis, width=report_width())))
    if json_path is not None and not to_terminal:
        with ProgressLine() as progress:
            progress("writing JSON")
            write_pieces_whole(json_path, iter_json(analysis, every_finding=every_finding))
    if html_path is not None:
        from ampwitness.report.page import html_page  # drawing takes a second to load: only when a page is wanted

        with ProgressLine() as progress:
            write_whole(html_path, html_page(analysis, progress))
    if to_terminal:
        for piece in iter_json(analysis, every_finding=every_finding):
            click.echo(piece, nl=False)
        if html_path is not None:
            click.echo(f"Written: {html_path}", err=True)
        return
    for path in (html_path, json_path):
        if path is not None:
            click.echo(f"Written: {path}")
