"""`ampwitness sheet`: one printed page for the customer."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.progress import ProgressLine
from ampwitness.errors import JobError, UsageError
from ampwitness.findings.as_json import to_plain
from ampwitness.findings.from_json import analysis_from_json, is_report
from ampwitness.job.folder import Job, open_job
from ampwitness.job.steps import STEP_OF_KEY, STEPS
from ampwitness.pipeline import AnalyseOptions, analyse_file
from ampwitness.report.sheet_content import Source, WorkStep, compose_sheet
from ampwitness.report.sheet_page import PAPERS, html_sheet
from ampwitness.report.sheet_text import text_sheet
from ampwitness.whole_file import write_whole


@click.command(epilog="Example: ampwitness sheet --job blue-van --html blue-van.html, or: ampwitness sheet trip.mcap")
@click.argument("recording", type=click.Path(path_type=Path), nargs=-1)
@click.option("--job", "job_folder", type=click.Path(path_type=Path), help="Folder of the job: equipment, steps.")
@click.option("--html", "html_path", type=click.Path(path_type=Path), help="Write the page here, to be printed.")
@click.option("--paper", type=click.Choice(PAPERS), default="A4", show_default=True, help="What it is printed on.")
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

    RECORDINGs in the order of work. With --job alone it rests on the findings that `ampwitness job add` kept; with
    both, on the RECORDINGs, and the job says which channel and step each belongs to.
    """
    if not recording and job_folder is None:
        raise UsageError("name recordings, or a job folder with --job")
    job = open_job(job_folder) if job_folder is not None else None
    sources = _analyse(recording, job) if recording else _kept_sources(job)
    made = compose_sheet(
        sources,
        vehicle=vehicle or (job.name if job else _typed_name(sources)),
        date=datetime.now().astimezone().date().isoformat(),
        fitted_by=fitted_by,
        channels=job.channels if job else (),
        steps=_steps(job) if job else (),
    )
    if html_path is not None:
        write_whole(html_path, html_sheet(made, paper=paper))
    if as_json:
        click.echo(json.dumps(to_plain(asdict(made)), indent=1, allow_nan=False))
        return
    click.echo(text_sheet(made, width=min(110, max(60, shutil.get_terminal_size((100, 24)).columns))))
    if html_path is not None:
        click.echo(f"\nWritten: {html_path}. Print it from a browser, at 100 %, on {paper}.")


def _typed_name(sources: Sequence[Source]) -> str:
    names = (str(source.analysis.settings.notes.get("amplifier") or "") for source in sources)
    return next((name for name in names if name), sources[0].analysis.recording_name)


def _analyse(recordings: Sequence[Path], job: Job | None) -> list[Source]:
    entries = {}
    if job is not None:
        for step in STEPS:
            for entry in job.entries(step.key):
                if entry.get("file"):
                    entries[Path(entry["file"]).name] = (step.key, entry)
    sources = []
    with ProgressLine() as progress:
        for path in recordings:
            key, entry = entries.get(path.name, ("", {}))
            sources.append(_source(analyse_file(path, AnalyseOptions(), progress), key, entry))
    return sources


def _source(analysis: Any, key: str, entry: dict[str, Any]) -> Source:
    channel = f"{entry['amplifier']}/{entry['channel']}" if entry.get("amplifier") else ""
    return Source(analysis, STEP_OF_KEY[key].title if key else "", channel, str(entry.get("moment") or ""))


def _kept_sources(job: Job | None) -> list[Source]:
    """The newest findings of each step, channel and moment."""
    assert job is not None
    newest: dict[tuple[Any, ...], Source] = {}
    for step in STEPS:
        for entry in job.entries(step.key):
            if entry["state"] != "done" or not entry.get("findings"):
                continue
            path = job.folder / str(entry["findings"])
            try:
                plain = json.loads(path.read_text(encoding="utf-8"))
                if is_report(plain):
                    key = (step.key, entry.get("amplifier"), entry.get("channel"), entry.get("moment"))
                    newest[key] = _source(analysis_from_json(plain), step.key, entry)
            except (OSError, ValueError) as error:
                raise JobError(f"{path} cannot be read ({error}): add the recording to the job again.") from error
    return list(newest.values())


def _steps(job: Job) -> list[WorkStep]:
    steps = []
    for step in STEPS:
        state, entries = job.state(step.key), job.entries(step.key)
        detail = ""
        if state == "skipped":
            detail = str(entries[-1].get("reason") or "")
        elif state == "open":
            detail = ", ".join(job.missing_channels(step.key)) if entries else ""
        elif entries:
            detail = ", ".join(filter(None, (str(entries[-1]["at"])[:10], entries[-1].get("note"))))
        steps.append(WorkStep(step.key, step.title, state, detail))
    return steps
