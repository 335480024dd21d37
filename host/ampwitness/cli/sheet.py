"""`ampwitness sheet`: one printed page for the customer."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import report_width
from ampwitness.errors import JobError, RecordingUnreadableError, UsageError
from ampwitness.findings.as_json import to_plain
from ampwitness.findings.from_json import analysis_from_json, is_report
from ampwitness.job.folder import Job, open_job
from ampwitness.job.steps import STEP_OF_KEY, STEPS
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.plain_json import UnreadableTextError, read_json
from ampwitness.report.sheet_content import WorkStep, compose_sheet
from ampwitness.report.sheet_page import PAPERS, html_sheet
from ampwitness.report.sheet_source import Source
from ampwitness.report.sheet_text import text_sheet
from ampwitness.report.sheet_walks import Walk, is_walk
from ampwitness.whole_file import refuse_targets, write_whole


@click.command(epilog="Example: ampwitness sheet --job blue-van --html blue-van.html, or: ampwitness sheet trip.mcap")
@click.argument("recording", metavar="[RECORDING|RESULT.json]...", type=NAMED_PATH, nargs=-1)
@click.option("--job", "job_folder", type=NAMED_PATH, help="Folder of the job: equipment, steps.")
@click.option("--html", "html_path", type=NAMED_PATH, help="Write the page here, to be printed.")
@click.option(
    "--paper",
    type=click.Choice(PAPERS, case_sensitive=False),
    default="A4",
    show_default=True,
    help="What it is printed on.",
)
@click.option("--vehicle", help="What stands on top. Default: the job's name, or what was typed when recording.")
@click.option("--by", "fitted_by", default="", help="Who fitted and measured.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def sheet(
    recording: tuple[Path, ...],
    job_folder: Path | None,
    html_path: Path | None,
    paper: str,
    vehicle: str | None,
    fitted_by: str,
    as_json: bool,
) -> None:
    """Write the job sheet: equipment, settings, supply, verdicts, and what was not tested, on one page.

    RECORDINGs in the order of work; RESULTs are what before-power, check-supply, find-noise and report --json wrote.
    With --job alone it rests on what `ampwitness job add` kept; with both, on the files named here, and the job says
    which channel and step each belongs to.
    """
    if not recording and job_folder is None:
        raise UsageError("name recordings or saved results, or a job folder with --job")
    refuse_targets((html_path,), recording)
    job = open_job(job_folder) if job_folder is not None else None
    with ProgressLine() as progress:
        sources, walks = _read(recording, job, progress) if recording else _kept(job)
        progress("writing the sheet")
        made = compose_sheet(
            sources,
            vehicle=vehicle or (job.name if job else _typed_name(sources)),
            date=datetime.now().astimezone().date().isoformat(),
            fitted_by=fitted_by,
            channels=job.channels if job else (),
            steps=_steps(job) if job else (),
            walks=walks,
        )
        if html_path is not None:
            write_whole(html_path, html_sheet(made, paper=paper))
    if as_json:
        click.echo(json.dumps(to_plain(asdict(made)), indent=1, allow_nan=False))
        return
    click.echo(text_sheet(made, width=report_width()))
    if html_path is not None:
        click.echo(f"\nWritten: {html_path}. Print it from a browser, at 100 %, on {paper}.")


def _typed_name(sources: Sequence[Source]) -> str:
    names = (str(source.analysis.settings.notes.get("amplifier") or "") for source in sources)
    recordings = (source.analysis.recording_name for source in sources)
    return next((name for name in (*names, *recordings) if name), "Vehicle not named")


def _read(paths: Sequence[Path], job: Job | None, progress: ProgressLine) -> tuple[list[Source], list[Walk]]:
    """Recordings are analysed, saved results read; the job knows whose each is by the name of its file."""
    entries = {}
    if job is not None:
        for step in STEPS:
            for entry in job.entries(step.key):
                for inside in filter(None, (entry.get("file"), entry.get("findings"))):
                    entries[Path(inside).name] = (step.key, entry)
    sources: list[Source] = []
    walks: list[Walk] = []
    for path in paths:
        key, entry = entries.get(path.name, ("", {}))
        if path.suffix.lower() == ".json":
            progress(f"reading {path.name}")
            _take(_load(path), path, key, entry, sources, walks)
        else:
            sources.append(_source(analyse_file(path, AnalyseOptions(), progress), key, entry))
    return sources, walks


def _load(path: Path) -> Any:
    try:
        return read_json(path)
    except UnreadableTextError as error:
        raise RecordingUnreadableError(f"{path} cannot be read: {error}. Check the name, or write it again.") from error


def _take(plain: Any, path: Path, key: str, entry: dict[str, Any], sources: list[Source], walks: list[Walk]) -> None:
    """Sort a saved result in. Raises RecordingUnreadableError for what is neither a report nor the result of a walk."""
    if is_walk(plain):
        walks.append(Walk(plain, _channel(entry), str(entry.get("moment") or "")))
        return
    if not is_report(plain):
        raise RecordingUnreadableError(
            f"{path} is no result of report --json, before-power, check-supply or find-noise in the form known here: "
            "write it again with this program."
        )
    try:
        sources.append(_source(analysis_from_json(plain), key, entry))
    except ValueError as error:
        raise RecordingUnreadableError(f"{path}: {error}; write it again with `report --json`.") from error


def _source(analysis: Any, key: str, entry: dict[str, Any]) -> Source:
    title = STEP_OF_KEY[key].title if key else ""
    return Source(analysis, title, _channel(entry), str(entry.get("moment") or ""))


def _channel(entry: dict[str, Any]) -> str:
    return f"{entry['amplifier']}/{entry['channel']}" if entry.get("amplifier") else ""


def _kept(job: Job | None) -> tuple[list[Source], list[Walk]]:
    """The newest findings and results of each step, channel and moment."""
    assert job is not None
    newest: dict[tuple[Any, ...], Source | Walk] = {}
    for step in STEPS:
        for entry in job.entries(step.key):
            if entry["state"] != "done" or not entry.get("findings"):
                continue
            path = job.folder / str(entry["findings"])
            sources: list[Source] = []
            walks: list[Walk] = []
            try:
                plain = _load(path)
                if is_walk(plain) or is_report(plain):  # other evidence is kept in the folder and not worded
                    _take(plain, path, step.key, entry, sources, walks)
            except RecordingUnreadableError as error:
                raise JobError(
                    f"{error} Then add it to the job again; what is lost for good is taken out of its job.json."
                ) from error
            found: list[Source | Walk] = [*sources, *walks]
            for made in found:
                what = made.kind if isinstance(made, Walk) else "report"
                key = (step.key, what, entry.get("amplifier"), entry.get("channel"), entry.get("moment"))
                newest[key] = made
    kept = list(newest.values())
    return [s for s in kept if isinstance(s, Source)], [w for w in kept if isinstance(w, Walk)]


def _steps(job: Job) -> list[WorkStep]:
    steps = []
    for step in STEPS:
        state, entries = job.state(step.key), job.entries(step.key)
        detail = ""
        if state == "skipped":
            detail = str(entries[-1].get("reason") or "")
        elif state == "open":
            detail = (
                "; ".join(job.open_because(step.key)) or ", ".join(job.missing_channels(step.key)) if entries else ""
            )
        elif entries:
            detail = ", ".join(filter(None, (str(entries[-1]["at"])[:10], entries[-1].get("note"))))
        steps.append(WorkStep(step.key, step.title, state, detail))
    return steps
