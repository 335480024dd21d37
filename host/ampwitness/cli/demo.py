"""`ampwitness demo`: the whole chain on a made-up vehicle, and what was found beside what was true."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import click

from ampwitness.bench.scenario import Scenario, scenario, scenario_names
from ampwitness.bench.truth_table import find_clean_passage, format_truth_table, judge_against_truth
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import report_width
from ampwitness.errors import AmpwitnessError, MissingToolError, OutputError, TruthMissedError
from ampwitness.findings.as_json import analysis_to_json
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.report.text import text_report
from ampwitness.types import Analysis
from ampwitness.whole_file import refuse_targets, write_bytes_whole, write_whole


@contextmanager
def _board_process(name: str) -> Iterator[str]:
    """The virtual board as a process of its own, as a user would start it; gives its port."""
    command = [sys.executable, "-m", "ampwitness", "virtual-board", "--scenario", name, "--speed", "max"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        first = process.stdout.readline().strip()
        if not first.startswith("port: "):
            raise MissingToolError(f"the virtual board did not start (it said {first!r}); see its message above")
        yield first.removeprefix("port: ")
    finally:
        process.terminate()
        try:
            process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _record(port: str, made: Scenario, out: Path) -> str:
    """`ampwitness record`, as a user would call it. Returns what it came to."""
    command = [sys.executable, "-m", "ampwitness", "record", "--port", port, "--out", str(out), "--json"]
    for option, key in (
        ("--amplifier", "amplifier"),
        ("--load-ohm", "load_ohm"),
        ("--load-kind", "load_kind"),
        ("--nominal-supply", "nominal_supply_v"),
    ):
        if made.notes.get(key) is not None:
            command += [option, str(made.notes[key])]
    command += ["--remark", str(made.notes.get("remarks", ""))]
    with ProgressLine() as progress:
        progress("recording")
        done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode != 0:
        raise AmpwitnessError(f"recording failed with code {done.returncode}: {done.stderr.strip()}")
    result = json.loads(done.stdout)
    return f"  recorded {result['recorded_s']:.2f} s, {result['n_scans_lost']} scans lost, into {out}"


def _write_results(analysis: Analysis, folder: Path, picture: Path | None) -> Path:
    from ampwitness.report.page import html_page
    from ampwitness.report.plots import draw_overview, figure_to_png

    page = folder / "report.html"
    with ProgressLine() as progress:
        write_whole(page, html_page(analysis, progress))
        progress("writing JSON and picture")
        write_whole(folder / "report.json", json.dumps(analysis_to_json(analysis), indent=1, allow_nan=False) + "\n")
        if picture is not None:
            write_bytes_whole(picture, figure_to_png(draw_overview(analysis), dpi=72))
    return page


@click.command(epilog="Example: ampwitness demo --out demo-run")
@click.option("--out", type=NAMED_PATH, help="Folder to keep the results in.")
@click.option(
    "--scenario",
    "name",
    default="demo",
    show_default=True,
    type=click.Choice(scenario_names()),
    help="Which made-up vehicle: gain too high and a weak supply, all clean, engine running, a gain that is turned.",
)
@click.option("--picture", type=NAMED_PATH, help="Also write the overview picture here, as PNG.")
@click.option("--json", "as_json", is_flag=True, help="Print what was found beside what is true as JSON, nothing else.")
def demo(out: Path | None, name: str, picture: Path | None, as_json: bool) -> None:
    """Play a made-up vehicle through the real firmware, a serial port, a recording and a report.

    About 40 seconds of a bass line on a weak supply: clean, then too much gain, then clips for want of supply, then a
    cut-out. Prints what was found beside what was true, and ends with code 10 if anything was missed or invented.
    """
    folder = out or Path(tempfile.mkdtemp(prefix="ampwitness-demo-"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"cannot make the folder {folder}: {error.strerror or error}; name another with --out"
        ) from error
    refuse_targets((picture,))
    started_s = time.monotonic()
    recording = folder / time.strftime("demo-%H%M%S.mcap")

    def tell(text: str) -> None:
        click.echo(text, err=as_json)

    tell(f"Making scenario {name!r}: amplifier, supply and music of our own invention ...")
    with _board_process(name) as port:
        tell(f"The board's own firmware runs behind {port}. Recording ...")
        made = scenario(name)
        tell(_record(port, made, recording))
    tell("Looking for clips, notes, dips and cut-outs ...")
    with ProgressLine() as progress:
        analysis = analyse_file(recording, AnalyseOptions(), progress)
    page = _write_results(analysis, folder, picture)
    rows = judge_against_truth(
        made.truth,
        analysis.findings,
        find_clean_passage(made.truth, analysis.duration_s),
        analysis.settings.calibrations,
    )
    if as_json:
        plain = [{**asdict(row), "is_right": row.is_right} for row in rows]
        click.echo(json.dumps({"rows": plain, "page": str(page.resolve())}, indent=1, allow_nan=False))
    else:
        click.echo("\n" + text_report(analysis, width=report_width()))
        click.echo("\nWhat was found beside what is true:\n" + format_truth_table(rows))
        click.echo(f"\n{time.monotonic() - started_s:.1f} s in all. The page lies at {page.resolve()}")
    wrong = [row.what.strip() for row in rows if not row.is_right]
    if wrong or not analysis.link_health.balances:
        raise TruthMissedError(f"truth was missed: {', '.join(wrong) or 'the losses do not balance'}")
