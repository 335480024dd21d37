"""`ampwitness reduce`: a smaller copy of a recording, full waveforms only around events."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.wrapped import wrapped
from ampwitness.errors import DiskFullError, OutputError, UsageError
from ampwitness.recording import JoinedRecording, Recording, open_parts
from ampwitness.recording.writer import refuse_existing
from ampwitness.reduction import KINDS, Reduced, ReduceOptions, reduce_recording
from ampwitness.units import seconds_to_clock


@click.command(epilog="Example: ampwitness reduce soak-part0001.mcap --around 5")
@click.argument("recording", type=NAMED_PATH)
@click.option("--alone", is_flag=True, help="Only this file, also when it is the first part of several.")
@click.option("--out", type=NAMED_PATH, help="Where to. Default: NAME-reduced.mcap beside it.")
@click.option(
    "--replace", is_flag=True, help="Put the reduced file in the recording's place. The whole one is gone then."
)
@click.option("--around", "around_s", default=2.0, show_default=True, type=FiniteRange(0.1, 600.0),
              help="Seconds kept before and after each event.")  # fmt: skip
@click.option("--most-an-hour", default=20, show_default=True, type=click.IntRange(min=1),
              help="Events of each kind that are kept in an hour, the worst ones.")  # fmt: skip
@click.option("--look-every", "look_every_s", default=600.0, show_default=True, type=FiniteRange(min=0),
              help="Every so many seconds two are kept although nothing happened; 0: none.")  # fmt: skip
@click.option(
    "--kind", "kinds", multiple=True, type=click.Choice(KINDS), help="Only events of this kind. May be repeated."
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def reduce_command(
    recording: Path,
    alone: bool,
    out: Path | None,
    replace: bool,
    around_s: float,
    most_an_hour: int,
    look_every_s: float,
    kinds: tuple[str, ...],
    as_json: bool,
) -> None:
    """Write a copy of RECORDING that keeps full waveforms only around events, and levels by the second of everything.

    A recording in parts is named by its first part or its folder: each part that is whole is reduced by itself.
    What was left out is counted and the choice is written in the file. `report` and `verify` read it like any other
    and say what can no longer be judged. What is left out cannot be had back: keep the whole file until you are sure.
    A recording that would not become smaller is left as it is.
    """
    if replace and out is not None:
        raise UsageError("--out and --replace together make no sense: give one of them.")
    parts = _find_parts(recording, alone)
    if out is not None and len(parts) > 1:
        raise UsageError(f"--out names one file, and {recording} has {len(parts)} parts: leave it out, or add --alone.")
    targets = [_find_target(part.path, out, replace) for part in parts]
    options = ReduceOptions(
        around_s=around_s, most_an_hour=most_an_hour, look_every_s=look_every_s, kinds=kinds or KINDS
    )
    results = []
    for part, target in zip(parts, targets, strict=True):
        told, said = _reduce_one(part, target, replace, options)
        results.append(told)
        if not as_json:
            click.echo(wrapped(said))
    if as_json:
        click.echo(json.dumps(results[0] if len(results) == 1 else {"parts": results}, indent=1))


def _find_parts(path: Path, alone: bool) -> list[Recording]:
    """What is to be reduced: the file, or all whole parts of the recording. A file that is reduced is refused later."""
    opened = open_parts([path], alone=alone)
    if not isinstance(opened, JoinedRecording):
        return [opened]
    return [part for part in opened.parts if part.reduction is None] or [opened.parts[0]]


def _find_target(path: Path, out: Path | None, replace: bool) -> Path:
    """Where the copy is written. Raises OutputError where something is in its place."""
    target = out or path.with_name(f"{path.stem}-reduced{path.suffix}")
    if replace:
        target = path.with_name(path.name + ".reducing")
        target.unlink(missing_ok=True)  # left over from a reducing that was interrupted
    refuse_existing(target)
    return target


def _reduce_one(part: Recording, target: Path, replace: bool, options: ReduceOptions) -> tuple[dict[str, Any], str]:
    """Reduce one file. Returns what came of it, for programs and in words."""
    try:
        with ProgressLine() as progress:
            reduced = reduce_recording(part, target, options, progress)
    except DiskFullError as error:
        raise DiskFullError(
            f"The disk has no room for a reduced copy of {part.path}, which was left as it is. Free some space, or "
            "reduce a copy of it on another disk."
        ) from error
    if reduced.n_file_bytes >= reduced.n_file_bytes_before:
        target.unlink(missing_ok=True)
        return {**asdict(reduced), "path": str(part.path), "was_left_whole": True}, _left_whole(reduced, part.path)
    path = part.path if replace else target
    if replace:
        try:
            os.replace(target, path)
        except OSError as error:
            raise OutputError(f"{path} cannot be replaced ({error.strerror or error}); see {target}.") from error
    return {**asdict(reduced), "path": str(path), "was_left_whole": False}, _sentence(reduced, path)


def _left_whole(reduced: Reduced, recording: Path) -> str:
    return (
        f"{recording} was left as it is, and no copy made: reduced it would have {reduced.n_file_bytes:,} bytes "
        f"instead of {reduced.n_file_bytes_before:,}, as {seconds_to_clock(reduced.kept_s)} of "
        f"{seconds_to_clock(reduced.duration_s)} lie near events. A smaller --around, fewer of a kind with "
        "--most-an-hour, or only some with --kind make it smaller."
    )


def _sentence(reduced: Reduced, path: Path) -> str:
    share = 100 * reduced.n_file_bytes / max(1, reduced.n_file_bytes_before)
    return (
        f"{path}: {reduced.n_file_bytes:,} bytes, {share:.1f} % of before. Full waveforms for "
        f"{seconds_to_clock(reduced.kept_s)} of {seconds_to_clock(reduced.duration_s)}, levels by the second of "
        f"everything; {reduced.n_frames_left_out:,} frames left out and counted in the file."
    )
