"""`ampwitness job`: one folder a vehicle or bench unit, and the order of work in it."""

from __future__ import annotations

import itertools
import json
import shlex
import textwrap
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import report_width, wrapped
from ampwitness.errors import AmpwitnessError, JobError, UsageError
from ampwitness.findings.as_json import iter_json
from ampwitness.job.compare import Level, PairMatch, compare_pair, level_of
from ampwitness.job.folder import FINDINGS, MOMENTS, RECORDINGS, Job, new_job, open_job
from ampwitness.job.steps import BANDS, STEP_OF_KEY, STEPS, command_of, file_of, remark_on
from ampwitness.plain_json import UnreadableTextError, read_json
from ampwitness.recording import open_parts
from ampwitness.recording.parts import JoinedRecording
from ampwitness.report.sheet_walks import WALK_STEPS, is_walk
from ampwitness.units import seconds_to_span
from ampwitness.whole_file import write_pieces_whole

LEAST_SOAK_S = 3600.0  # as the judgement of drift has it
_STEPS_OF_A_TONE = ("source", "gain")
_SEEN_OF_A_TONE = {"tone", "knee", "setting"}
_FOLDER = click.argument("folder", type=NAMED_PATH)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
_AMPLIFIER = click.option("--amplifier", help="Which amplifier, as typed into the job.")
_CHANNEL = click.option("--channel", help="Which of its channels.")


class _InOrderOfWork(click.Group):
    """Lists the commands as they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=_InOrderOfWork,
    epilog="Example: ampwitness job new blue-van --name 'Blue van', then ampwitness job show blue-van",
)
def job() -> None:
    """Keep one folder a vehicle: equipment, order of work, recordings, findings; as found and as left."""


@job.command(epilog="Example: ampwitness job new blue-van --name 'Blue van'")
@_FOLDER
@click.option("--name", help="What it is called on the sheet. Default: the folder's name.")
def new(folder: Path, name: str | None) -> None:
    """Make FOLDER for a new vehicle or bench unit."""
    made = new_job(folder, name or folder.name)
    next_step = f"ampwitness job channel {shlex.quote(str(folder))} --amplifier sub --channel mono --load-ohm 4"
    where = made.folder.resolve() if str(made.folder) == "." else made.folder
    click.echo(wrapped(f"Made the job {where}. Next, for each amplifier channel:\n  {next_step}"))


@job.command(
    epilog="Example: ampwitness job channel blue-van --amplifier sub --channel mono --load-ohm 2 --rated-w 500"
)
@_FOLDER
@click.option("--amplifier", required=True, help="Your name for the amplifier.")
@click.option("--channel", required=True, help="Your name for its channel: mono, left, right, ...")
@click.option("--load-ohm", type=FiniteRange(0, min_open=True), help="Nominal impedance of what hangs on it.")
@click.option("--load-kind", type=click.Choice(["none", "resistor", "speaker"]), help="What the output drives.")
@click.option("--band", type=click.Choice(BANDS), help="What it plays: decides which test tone is proposed.")
@click.option("--rated-w", type=FiniteRange(0, min_open=True), help="Rated watts, as its label says.")
@click.option("--least-load-ohm", type=FiniteRange(0, min_open=True), help="Least load, as its label says.")
@click.option("--bridged/--not-bridged", "is_bridged", default=None, help="Whether the output is bridged.")
@click.option("--board", help="Id of the logger board that looks at it.")
@click.option("--remark", help="Anything worth keeping.")
def channel(folder: Path, amplifier: str, channel: str, **facts: Any) -> None:
    """Type in one amplifier channel, or more about it: what is not given stays as it was typed before."""
    opened = open_job(folder)
    opened.set_channel(amplifier, channel, facts)
    opened.save()
    click.echo(f"{opened.name}: {len(opened.channels)} channel{'s' if len(opened.channels) != 1 else ''} typed in.")
    click.echo(f"Next: type in the others too, then ampwitness job show {shlex.quote(str(folder))}")


@job.command(epilog="Example: ampwitness job add blue-van gain set.mcap --amplifier sub --channel mono --as left")
@_FOLDER
@click.argument("step", type=click.Choice(list(STEP_OF_KEY)), metavar="STEP")
@click.argument("file", type=NAMED_PATH, required=False)
@_AMPLIFIER
@_CHANNEL
@click.option("--as", "moment", type=click.Choice(["found", "left"]), help="Whether it shows the car as found or left.")
@click.option("--note", help="What was done, in your words.")
@_JSON
def add(
    folder: Path,
    step: str,
    file: Path | None,
    amplifier: str | None,
    channel: str | None,
    moment: str | None,
    note: str | None,
    as_json: bool,
) -> None:
    """Note that STEP was done, with FILE as evidence: a recording, or what a program wrote.

    STEP is before-power, source, gain, supply, noise, road, soak or sheet. FILE is copied into the folder, of a
    recording in parts all of them. A recording is analysed, and its findings are kept beside it.
    """
    opened = open_job(folder)
    if file is None and not note:
        raise UsageError("give a FILE as evidence, or say with --note what was done")
    opened.check_entry(step, "done", amplifier=amplifier, channel=channel)  # before anything is copied
    inside = findings = why_open = None
    more: list[str] = []
    if file is not None and file.suffix.lower() == ".json":
        findings = inside = _take_json(opened, file, step)
        why_open = _asks_for(opened.folder / inside, step)
    elif file is not None:
        (inside, *more), findings = _take_recording(opened, file, step)
        if step in (*_STEPS_OF_A_TONE, "soak"):  # nothing is asked of other recordings
            why_open = _asks_for(opened.folder / findings, step)
    entry = opened.add_entry(
        step,
        "done",
        file=inside,
        more_files=more or None,
        findings=findings,
        amplifier=amplifier,
        channel=channel,
        moment=None if moment is None else MOMENTS[("found", "left").index(moment)],
        note=note,
        open_because=why_open,
    )
    opened.save()
    click.echo(json.dumps(entry, indent=1) if as_json else _show(opened, report_width(100)))


def _asks_for(file: Path, step: str) -> str | None:
    """What a saved result says is still to be done before its step is; None: nothing."""
    plain = read_json(file)
    if not isinstance(plain, dict):
        return None
    if plain.get("open_because"):
        return str(plain["open_because"])
    findings = plain.get("findings")
    if step in _STEPS_OF_A_TONE and isinstance(findings, list):
        kinds = {finding.get("kind") for finding in findings if isinstance(finding, dict)}
        if not kinds & _SEEN_OF_A_TONE:
            return f"no test tone in {file.name}, which says nothing of a gain: `ampwitness set-gain` plays along one"
    lasted_s = (plain.get("recording") or {}).get("duration_s")
    if step == "soak" and isinstance(lasted_s, int | float) and lasted_s < LEAST_SOAK_S:
        return f"{file.stem} lasted {seconds_to_span(lasted_s)}: heat, and a drift of the level, take an hour at least"
    return None


def _take_json(opened: Job, file: Path, step: str) -> str:
    try:
        plain = read_json(file)
    except UnreadableTextError as error:
        raise JobError(f"{file} cannot be read as JSON ({error}); nothing was noted.") from error
    if is_walk(plain) and (wanted := WALK_STEPS[plain["kind"]]) != step:
        raise JobError(
            f"{file} is the result of {plain['kind']}: add it to step {wanted}, not {step}. Nothing was noted."
        )
    return opened.take_in(file, FINDINGS)


def _take_recording(opened: Job, file: Path, step: str) -> tuple[list[str], str]:
    """Copy a recording, all its parts, and analyse it. Returns the parts' paths in the folder, and the findings'.

    Raises JobError, and what opening and analysing raise; then nothing of it stays in the folder.
    """
    if not file.exists():
        raise JobError(f"{file} is not there: check the name.")
    recording = open_parts([file])
    parts = recording.parts if isinstance(recording, JoinedRecording) else (recording,)
    there = set((opened.folder / RECORDINGS).glob("*"))
    inside: list[str] = []
    try:
        for part in parts:
            inside.append(opened.take_in(part.path, RECORDINGS))
        return inside, _analyse(opened, opened.folder / inside[0], step)
    except AmpwitnessError:
        for copied in {opened.folder / name for name in inside} - there:
            copied.unlink(missing_ok=True)
        raise


def _analyse(opened: Job, recording: Path, step: str) -> str:
    with ProgressLine() as progress:
        progress("loading")
        from ampwitness.pipeline import AnalyseOptions, analyse_file  # seconds, and most of `job` needs none of it

        analysis = analyse_file(recording, AnalyseOptions(), progress)
        progress("writing the findings")
        inside = f"{FINDINGS}/{recording.stem}-{step}.json"
        write_pieces_whole(opened.folder / inside, iter_json(analysis))
    return inside


@job.command(epilog="Example: ampwitness job skip blue-van soak --reason 'no cut-off on the bench today'")
@_FOLDER
@click.argument("step", type=click.Choice(list(STEP_OF_KEY)), metavar="STEP")
@click.option("--reason", required=True, help="Why it is left out; it stands on the sheet.")
@_JSON
def skip(folder: Path, step: str, reason: str, as_json: bool) -> None:
    """Leave STEP out, with a reason. STEP is before-power, source, gain, supply, noise, road, soak or sheet."""
    opened = open_job(folder)
    entry = opened.add_entry(step, "skipped", reason=reason)
    opened.save()
    click.echo(json.dumps(entry, indent=1) if as_json else _show(opened, report_width(100)))


@job.command(epilog="Example: ampwitness job show blue-van")
@_FOLDER
@_JSON
def show(folder: Path, as_json: bool) -> None:
    """Show what is done, what is next and why."""
    opened = open_job(folder)
    if as_json:
        states = {step.key: opened.state(step.key) for step in STEPS}
        plain = {**opened.plain, "states": states, "next": opened.next_step(), "missing_files": opened.missing_files()}
        click.echo(json.dumps(plain, indent=1))
        return
    click.echo(_show(opened, report_width(100)))


_WORDS = {
    "load_ohm": "load {:g} ohm",
    "load_kind": "load kind {}",
    "band": "band {}",
    "rated_w": "rated {:g} W",
    "least_load_ohm": "least load {:g} ohm",
    "board": "board {}",
    "remark": "{}",
}


def _facts(channel: Mapping[str, Any]) -> str:
    """What was typed of a channel, as it is spoken."""
    words = [text.format(channel[key]) for key, text in _WORDS.items() if channel.get(key) is not None]
    if channel.get("is_bridged") is not None:
        words.append("bridged" if channel["is_bridged"] else "not bridged")
    return ", ".join(words)


def _show(opened: Job, width: int) -> str:
    lines = [opened.name, ""]
    for c in opened.channels:
        facts = _facts(c)
        lines += textwrap.wrap(
            f"{c['amplifier']}/{c['channel']}: {facts or 'nothing more typed'}", width, subsequent_indent="    "
        )
    if opened.channels:
        lines.append("")
    for number, step in enumerate(STEPS, 1):
        state = opened.state(step.key)
        entries = opened.entries(step.key)
        detail = ""
        if state == "skipped":
            detail = f": {entries[-1].get('reason')}"
        elif why := opened.open_because(step.key):
            detail = f": {'; '.join(why)}"
        elif state == "open" and entries and opened.missing_channels(step.key):
            detail = f": still {', '.join(opened.missing_channels(step.key))}"
        elif entries:
            detail = f", {entries[-1]['at'][:10]}"
        lines += textwrap.wrap(f"{number}. {step.title}: {state}{detail}", width, subsequent_indent="    ")
    for missing in opened.missing_files():
        lines.append(f"MISSING: {missing} is named in the job and is not in the folder.")
    key = opened.next_step()
    if key is None:
        lines += ["", "All steps are done or skipped."]
    else:
        step = STEP_OF_KEY[key]
        pair = opened.next_channel(key) if step.is_per_channel else ""
        known = next((c for c in opened.channels if f"{c['amplifier']}/{c['channel']}" == pair), {})
        if any("STOP: " in why for why in opened.open_because(key)):
            lines += ["", *textwrap.wrap("Next: mend these, then repeat before-power. No power until then.", width)]
        else:
            lines += ["", *textwrap.wrap(f"Next: {step.title}. {step.why}", width)]
        lines += textwrap.wrap(remark, width) if (remark := remark_on(key, known)) else []
        file = file_of(key, known, len(opened.entries(key)))
        which = " --amplifier {} --channel {}".format(*map(shlex.quote, pair.split("/", 1))) if pair else ""
        quoted = shlex.quote(str(opened.folder))
        of_job = f" --job {quoted}" if key == "sheet" else ""
        lines += [
            f"  {command_of(step, known, file)}{of_job}",
            f"  ampwitness job add {quoted} {key} {file}{which}",
        ]
    return "\n".join(lines)


@job.command(epilog="Example: ampwitness job compare blue-van")
@_FOLDER
@_JSON
def compare(folder: Path, as_json: bool) -> None:
    """Compare the channels of each amplifier: gain match in dB."""
    matches = compare_channels(open_job(folder))
    if as_json:
        click.echo(json.dumps([asdict(match) for match in matches], indent=1))
        return
    if not matches:
        click.echo(wrapped("No amplifier with two channels is typed in: nothing to compare."))
    for match in matches:
        click.echo(
            "\n".join(textwrap.wrap(f"{match.amplifier}: {match.words}.", report_width(100), subsequent_indent="    "))
        )


def compare_channels(opened: Job) -> list[PairMatch]:
    """Every two neighbouring channels of an amplifier, by the last measured gain of each."""
    matches = []
    for amplifier in dict.fromkeys(c["amplifier"] for c in opened.channels):
        names = [c["channel"] for c in opened.channels if c["amplifier"] == amplifier]
        levels = [(name, _level(opened, amplifier, name)) for name in names]
        matches += [compare_pair(amplifier, *pair) for pair in itertools.pairwise(levels)]
    return matches


def _level(opened: Job, amplifier: str, channel: str) -> Level | None:
    """Of the newest gain entry of this channel. An older one says nothing of a gain that was set again."""
    entries = [e for e in opened.entries("gain") if (e.get("amplifier"), e.get("channel")) == (amplifier, channel)]
    if not entries or not entries[-1].get("findings"):
        return None
    try:
        plain = read_json(opened.folder / entries[-1]["findings"])
    except UnreadableTextError:
        return None  # named as missing by `show`
    return level_of(plain.get("findings", []), entries[-1]["at"][:10]) if isinstance(plain, dict) else None
