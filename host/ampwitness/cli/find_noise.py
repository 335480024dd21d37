"""`ampwitness find-noise`: the same quiet output in up to six conditions, and what their comparison says."""

from __future__ import annotations

import json
import math
import sys
import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

import click
import numpy as np

from ampwitness.cli.finite import FiniteRange
from ampwitness.cli.named_path import NAMED_PATH
from ampwitness.cli.progress import ProgressLine
from ampwitness.cli.recording_notes import recording_notes
from ampwitness.cli.wrapped import as_typed, report_width, wrapped
from ampwitness.errors import AmpwitnessError, OutputError, RecordingUnreadableError, UsageError
from ampwitness.guide.find_noise import (
    CAUTION,
    ORDER,
    Condition,
    NoiseVerdict,
    board_floor,
    conclude_noise,
    instruction,
    line_floor,
    next_steps,
)
from ampwitness.link.finding import find_board
from ampwitness.link.session import BoardSession
from ampwitness.live import LiveFeed
from ampwitness.pipeline import AnalyseOptions, RecordingVolts
from ampwitness.recording import RecordingWriter
from ampwitness.recording.reader import open_recording
from ampwitness.recording.writer import refuse_existing
from ampwitness.types import Calibration, FloatArray, Hello, Segment
from ampwitness.waveform.adc_correction import NOMINAL_ADC
from ampwitness.waveform.noise_lines import RESOLUTION_S, QuietOutput, measure_quiet
from ampwitness.whole_file import write_whole

LEAST_S = 4 * RESOLUTION_S


def _name(condition: Condition) -> str:
    return "-".join(condition)


def _parse_given(texts: tuple[str, ...]) -> dict[Condition, Path]:
    names = {_name(condition): condition for condition in ORDER}
    given: dict[Condition, Path] = {}
    for text in texts:
        name, equals, path = text.partition("=")
        if not equals or name not in names:
            raise UsageError(f"--from {text!r}: say CONDITION=FILE, with one of {', '.join(names)}")
        if names[name] in given:
            raise UsageError(f"--from {name} is given twice: one recording a condition")
        given[names[name]] = Path(path)
    return given


def _record(port: str, path: Path, seconds: float) -> None:
    refuse_existing(path)
    with ProgressLine() as progress, BoardSession(port) as session:
        writer = RecordingWriter(path, recording_notes(session, {}))
        with LiveFeed(session, writer, window_s=1.0) as feed:
            for _ in feed.windows():
                progress("recording", min(1.0, feed.monitor.recorded_s / seconds))
                if feed.monitor.recorded_s >= seconds:
                    feed.request_stop()


def _measure(path: Path) -> tuple[QuietOutput, Hello, tuple[Calibration, ...]]:
    """The longest unbroken run of a recording. Raises RecordingUnreadableError where it is too short."""
    volts = RecordingVolts(open_recording(path), AnalyseOptions(window_s=60.0))
    runs: list[tuple[float, list[FloatArray], list[FloatArray | None]]] = []
    rate_hz = 0.0
    for window in volts.windows():
        if "output" not in window.traces:
            raise RecordingUnreadableError(f"{path} holds no output: record out_p, or out_p and out_n.")
        rate_hz = window.rate_hz
        supply = window.traces.get("supply")
        for k, segment in enumerate(window.traces["output"].segments):
            beside: Segment | None = None if supply is None else supply.segments[k]
            joins = runs and abs(runs[-1][0] - segment.start_s) < 0.5 / rate_hz
            if not joins:
                runs.append((segment.start_s, [], []))
            _, outputs, supplies = runs[-1]
            outputs.append(segment.volts)
            supplies.append(None if beside is None else beside.volts)
            runs[-1] = (segment.stop_s, outputs, supplies)
    if not runs:
        raise RecordingUnreadableError(f"{path} holds no samples.")
    _, outputs, supplies = max(runs, key=lambda run: sum(len(piece) for piece in run[1]))
    output = np.concatenate(outputs)
    if len(output) < LEAST_S * rate_hz:
        raise RecordingUnreadableError(
            f"{path}: the longest unbroken run is {len(output) / rate_hz:.1f} s, {LEAST_S:g} s are needed"
        )
    both = None if any(piece is None for piece in supplies) else np.concatenate(cast("list[FloatArray]", supplies))
    return measure_quiet(output, both, rate_hz), volts.hello, volts.calibrations


def _compare(paths: dict[Condition, Path], progress: ProgressLine) -> tuple[NoiseVerdict, dict[Condition, QuietOutput]]:
    runs: dict[Condition, QuietOutput] = {}
    sensitivity_v = line_v = offset_v = 0.0
    for number, (condition, path) in enumerate(paths.items()):
        progress("comparing", number / len(paths))
        runs[condition], hello, calibrations = _measure(path)
        terminals = [c for c in calibrations if c.role in ("out_p", "out_n")]
        band_hz = runs[condition].band_hz
        gains = [c.gain_v_per_code for c in terminals]
        floor_v = board_floor(gains, hello.averaging, NOMINAL_ADC.noise_lsb, band_hz, float(hello.rate_hz))
        sensitivity_v, line_v = max(sensitivity_v, floor_v), max(line_v, line_floor(floor_v, band_hz))
        offset_v = max(offset_v, math.sqrt(sum(c.offset_uncertainty_v**2 for c in terminals)))
    verdict = conclude_noise(
        runs, sensitivity_v=sensitivity_v, line_sensitivity_v=line_v, offset_uncertainty_v=offset_v
    )
    return verdict, runs


def _text(verdict: NoiseVerdict, runs: dict[Condition, QuietOutput], width: int) -> str:
    # Fits 80 columns: units stand in the head alone.
    lines = [f"{'run, mV rms':17}{'noise':>7}{'with lines':>12}{'offset V':>10}{'seen from':>11}  strongest line"]
    for condition, run in runs.items():
        strongest = f"{run.lines[0].frequency_hz:.1f} Hz, {1e3 * run.lines[0].level_v:.1f}" if run.lines else "none"
        lines.append(
            f"{_name(condition):17}{1e3 * run.floor_v:7.1f}{1e3 * run.total_v:12.1f}{run.offset_v:+10.3f}"
            f"{1e3 * line_floor(run.floor_v, run.band_hz):11.2f}  {strongest}"
        )
    lines.append("")
    for source in verdict.sources:
        lines += textwrap.wrap(f"{source.what} - {source.origin}: {source.words}.", width, subsequent_indent="    ")
    if not verdict.sources:
        lines.append("Nothing stands out of the logger's own noise.")
    for sentence in verdict.not_judged:
        lines += textwrap.wrap(sentence, width)
    lines += textwrap.wrap(
        f"The logger itself adds {1e3 * verdict.sensitivity_v:.1f} mV rms at the terminals; a steady line is seen from "
        f"{1e3 * verdict.line_sensitivity_v:.2f} mV rms. What is quieter is not judged.",
        width,
    )
    for step in next_steps(verdict):
        lines += textwrap.wrap(f"To do: {step}.", width, subsequent_indent="    ")
    return "\n".join(lines)


def _plain(verdict: NoiseVerdict, runs: dict[Condition, QuietOutput], paths: dict[Condition, Path]) -> dict[str, Any]:
    return {
        "kind": "find-noise",
        **asdict(verdict),
        "runs": {_name(c): {"file": str(paths[c]), **asdict(run)} for c, run in runs.items()},
    }


def _free_folder(out: Path | None) -> Path:
    """Where runs are kept: nothing is overwritten, and a second go has names of its own, in a job too."""
    if out is not None:
        if any((out / _file_of(condition)).exists() for condition in ORDER):
            raise UsageError(f"{out} holds runs already, and nothing is overwritten: name another folder with --out")
        return out
    number = 1
    while (folder := Path("noise" if number == 1 else f"noise-{number}")).exists():
        number += 1
    return folder


def _file_of(condition: Condition) -> str:
    return f"noise-{_name(condition)}.mcap"


def _result_of(folder: Path) -> Path:
    """Named after its folder, so that two results can lie in one job."""
    name = folder.resolve().name
    return folder / (f"find-{name}.json" if name.startswith("noise") else f"find-noise-{name}.json")


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"the folder {folder} cannot be made: {error.strerror}; choose another with --out") from error


def _guided(port: str, folder: Path, seconds: float) -> dict[Condition, Path]:
    paths: dict[Condition, Path] = {}
    _make(folder)
    before: Condition | None = None
    try:
        for number, condition in enumerate(ORDER, 1):
            click.echo(wrapped(f"\nRun {number} of {len(ORDER)}, {_name(condition)}: {instruction(condition, before)}"))
            answer = _ask_ready()
            if answer == "q":
                break
            if answer == "s":
                continue
            path = folder / _file_of(condition)
            _record(port, path, seconds)
            paths[condition] = path
            before = condition
            click.echo(f"Kept {path}")
    except (click.Abort, KeyboardInterrupt, AmpwitnessError):
        if paths:
            said = wrapped(f"{len(paths)} of {len(ORDER)} runs are kept. Compare them:")
            click.echo(f"\n{said}\n  {_again(paths, folder)}")
        raise
    if not paths:
        raise UsageError("no run was made: nothing to compare")
    return paths


def _ask_ready() -> str:
    while True:
        typed = click.prompt(
            "Enter: record it. s: leave it out. q: compare what there is", default="", show_default=False
        )
        answer = str(typed).strip().lower()
        if answer in ("", "s", "q"):
            return answer
        click.echo(f"{answer!r} is none of these.")


def _again(paths: dict[Condition, Path], folder: Path) -> str:
    given = [word for c, path in paths.items() for word in ("--from", f"{_name(c)}={path}")]
    return as_typed("find-noise", *given, "--out", folder)


@click.command(
    "find-noise",
    epilog="Example: ampwitness find-noise --out noise. From recordings: ampwitness find-noise --from "
    "shorted-off=a.mcap --from connected-idle=b.mcap",
)
@click.option("--port", help="Serial port of the board. Without it every port is asked.")
@click.option("--seconds", default=10.0, show_default=True, type=FiniteRange(5, 600), help="Length of each run.")
@click.option(
    "--out",
    type=NAMED_PATH,
    help="Folder to keep all in. Default: noise, then noise-2, ...; with --from nothing is kept without it.",
)
@click.option(
    "--from",
    "given",
    multiple=True,
    metavar="CONDITION=FILE",
    help=f"Compare recordings instead, one a condition: {', '.join(map(_name, ORDER))}.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def find_noise(port: str | None, seconds: float, out: Path | None, given: tuple[str, ...], as_json: bool) -> None:
    """Find where noise comes from: inputs shorted, then source connected; engine off, idle, raised.

    Each run is a recording of the output while nothing plays, with the supply beside it. Any run may be left out; what
    cannot be told without it is said.
    """
    paths = _parse_given(given)
    folder = out
    if paths:
        if port is not None:
            raise UsageError("--from compares recordings, no board is asked: leave --port out.")
        if folder is not None:
            _make(folder)
            refuse_existing(_result_of(folder))
    else:
        if as_json:
            raise UsageError("--json asks nothing: give recordings with --from CONDITION=FILE")
        folder = _free_folder(out)
        if folder.exists():
            _make(folder)  # what is no folder is refused before a board is looked for
        click.echo(wrapped(CAUTION, sys.stderr), err=True)
        paths = _guided(find_board(port), folder, seconds)
    with ProgressLine() as progress:
        verdict, runs = _compare(paths, progress)
    if folder is not None:
        write_whole(_result_of(folder), json.dumps(_plain(verdict, runs, paths), indent=1) + "\n")
    if as_json:
        click.echo(json.dumps(_plain(verdict, runs, paths), indent=1))
        return
    click.echo(f"\n{wrapped(_text(verdict, runs, report_width()))}")
    if folder is not None:
        kept = _result_of(folder)
        then = as_typed("job", "add", "JOB", "noise", kept)
        click.echo(f"Written: {kept}. Next, where there is a job:\n  {then}")
